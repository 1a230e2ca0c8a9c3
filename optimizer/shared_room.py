"""Banks of two types that hold a type which the bank of another node holds too.

Such a bank is worth a look only beside a bank of the other node that shares with it: its room is
worked out for each type it could share, so most types leave none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.errors import Watch
from optimizer.parts.bank_cascade import Cascade, Pairs
from optimizer.parts.bank_choice import NOT_OFFERED
from optimizer.parts.bank_family import Banks
from optimizer.parts.bank_mix import Front
from optimizer.records import BoolArray, FloatArray, IntArray
from optimizer.rivals import beaten

AT_ONCE = 1 << 16
"""Banks bounded or solved at a time."""

NOTHING = Pairs(*[np.zeros(0, dtype=np.int64)] * 6)
"""No bank under test."""

NOBODY = -1
"""Stands for the bank of one type that an entry is about."""


@dataclass(frozen=True, slots=True)
class SharedRoom:
    """Loss [W] from which a bank is of no interest beside any bank that shares a type with it.

    low, step : cost at which the first step of the tables begins, and width of all
    end : cost from which nothing has room; None for no end
    apart : by step of the cost bought alone, beside banks that share nothing, (n_step,); -inf for
        no room, or where that is looked at elsewhere
    one : by shared type and step of the cost bought alone, (n_type, n_step); -inf for no room
    both : the same for two shared types, to be kept at each of them
    pairs : types that the other node may hold together, (n_type, n_type)
    front : best loss of known banks that share nothing, at `floor` of a bank; None to leave it out
    """

    low: int
    step: int
    end: int | None
    apart: FloatArray
    one: FloatArray
    both: FloatArray
    pairs: BoolArray
    front: Front | None

    def wanted(self) -> BoolArray:
        """Types that leave any room, (n_type,)."""
        room = np.maximum(self.one, self.both).max(axis=1, initial=-np.inf)
        return np.asarray(np.maximum(room, self.apart.max()) > 0.0)

    def ends(self, types: int) -> IntArray:
        """Largest cost at which each type leaves any room, (n_type,)."""
        room = np.maximum(np.maximum(self.one, self.both), self.apart[None, :]) > 0.0
        last = room.shape[1] - np.argmax(room[:, ::-1], axis=1)  # steps up to the last with room
        end = np.where(room.any(axis=1), self.low + self.step * last - 1, -1)
        return np.asarray(np.where(room[:, -1], NOT_OFFERED, end))

    def beside(self, one: int, others: IntArray, cost: IntArray, floor: IntArray) -> FloatArray:
        """Room of many banks at once."""
        place, every = self._place(cost), others[:, None, None]
        room = np.maximum(self.one[one][place], self.one[every, place])
        room = np.maximum(room, self.apart[place])
        both = np.minimum(self.both[one][place], self.both[every, place])
        room = np.maximum(room, np.where(self.pairs[one, others][:, None, None], both, -np.inf))
        return np.asarray(room if self.front is None else np.minimum(room, self.front.limit(floor)))

    def of(self, pairs: Pairs) -> FloatArray:
        """Room of banks under test."""
        first, second, both = self.parts(pairs)
        room = np.maximum(np.maximum(first, second), both)
        room = np.maximum(room, self.apart[self._place(pairs.cost)])
        if self.front is not None:
            room = np.minimum(room, self.front.limit(pairs.floor))
        return np.asarray(room)

    def parts(self, pairs: Pairs) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Room for sharing the first type, the second, and both, (n,) each."""
        place = self._place(pairs.cost)
        both = np.minimum(self.both[pairs.first, place], self.both[pairs.second, place])
        held = self.pairs[pairs.first, pairs.second]
        first, second = self.one[pairs.first, place], self.one[pairs.second, place]
        return first, second, np.where(held, both, -np.inf)

    def _place(self, cost: IntArray) -> IntArray:
        last = self.one.shape[1] - 1
        return np.asarray(np.clip((cost - self.low) // self.step, 0, last))


def sifted(
    cascade: Cascade,
    cost: IntArray,
    floor: IntArray,
    wanted: BoolArray,
    watch: Watch,
    cost_max: int | None = None,
    listed: Banks | None = None,
) -> Pairs:
    """Banks with a wanted type that the bounds leave open.

    cost, floor, cost_max, listed : as the cascade takes them
    """
    queue: list[Pairs] = []
    left: list[Pairs] = []
    for pairs in cascade.generate(cost, floor, cost_max=cost_max, wanted=wanted, listed=listed):
        watch()
        queue.append(pairs)
        if sum(one.cost.size for one in queue) >= AT_ONCE:
            left.append(cascade.bounds(Pairs.join(queue)))
            queue = []
    left += [cascade.bounds(Pairs.join(queue))] if queue else []
    return Pairs.join(left) if left else NOTHING


def quiet(cascade: Cascade, pairs: Pairs, watch: Watch) -> IntArray:
    """Indices of the banks whose ripple keeps the worst lanes."""
    return _indices(pairs, cascade.quiet, watch)


def solved(cascade: Cascade, pairs: Pairs, watch: Watch) -> tuple[Pairs, FloatArray, FloatArray]:
    """Banks whose loss [W], solved in full, still leaves them room; that loss, and as rivals."""
    kept, losses, rivals = [], [], []
    for some in _blocks(len(pairs.cost)):
        watch()
        part = pairs.keep(some)
        loss, most = cascade.losses(part)
        open_still = loss < cascade.room.of(part)
        kept.append(part.keep(open_still))
        losses.append(loss[open_still])
        rivals.append(most[open_still])
    if not kept:
        return pairs, np.zeros(0), np.zeros(0)
    return Pairs.join(kept), np.concatenate(losses), np.concatenate(rivals)


def passing(cascade: Cascade, pairs: Pairs, watch: Watch) -> IntArray:
    """Indices of the banks that keep every limit."""
    return _indices(pairs, cascade.passes, watch)


def _indices(pairs: Pairs, test: Callable[[Pairs], IntArray | BoolArray], watch: Watch) -> IntArray:
    """Indices of the banks that stand a test, made of some at a time."""
    kept = [np.zeros(0, dtype=np.int64)]
    for some in _blocks(len(pairs.cost)):
        watch()
        kept.append(some[test(pairs.keep(some))])
    return np.concatenate(kept)


def unbeaten(
    cascade: Cascade,
    room: SharedRoom,
    pairs: Pairs,
    losses: tuple[FloatArray, FloatArray],
    alone: IntArray,
    single: tuple[IntArray, IntArray, FloatArray, FloatArray],
    watch: Watch,
) -> IntArray:
    """Indices of the banks that pass and that nothing replaces in all they may share.

    alone : cost of so many pieces of each type bought for this bank only, (n_type, pieces_max + 1)
    losses : of the banks, and what they count for as rivals [W], (n,) each
    single : type, pieces and both losses of the banks of one type that keep every limit
    Beside a bank that holds its shared type, a bank is replaced by one that holds as many pieces
    of that type, whose other part costs no more alone, and that loses no more. A bank that may
    share both types stays.
    """
    loss, most = losses
    first, second, both = (loss < value for value in room.parts(pairs))
    # one entry for each type that a bank may share, and one for each bank of one type
    bank = np.concatenate([np.flatnonzero(first), np.flatnonzero(second)])
    bank = np.concatenate([bank, np.full(len(single[0]), NOBODY)])
    held = np.concatenate([pairs.first[first], pairs.second[second], single[0]])
    pieces = np.concatenate([pairs.first_pieces[first], pairs.second_pieces[second], single[1]])
    other = np.concatenate(
        [
            alone[pairs.second[first], pairs.second_pieces[first]],
            alone[pairs.first[second], pairs.first_pieces[second]],
            np.zeros(len(single[0]), dtype=np.int64),
        ]
    )
    lost = np.concatenate([loss[first], loss[second], single[2]])
    rival = None
    if cascade.lanes_apart:
        rival = np.concatenate([most[first], most[second], single[3]])
    key = np.column_stack([held, pieces])
    passed = np.zeros(len(loss) + 1, dtype=bool)  # the last one stands for NOBODY
    passed[NOBODY] = True
    left, asked = np.arange(len(bank)), np.flatnonzero(both)
    while True:
        watch()
        rivals = None if rival is None else rival[left]
        best = left[~beaten(other[left], other[left], lost[left], key[left], rivals)]
        asked = np.union1d(asked, bank[best])
        asked = asked[~passed[asked]]
        if not len(asked):
            break
        passes = cascade.passes(pairs.keep(asked))
        passed[asked[passes]] = True
        gone, asked = asked[~passes], np.zeros(0, dtype=np.int64)
        both[gone] = False
        left = left[~np.isin(bank[left], gone)]
    wanted = both & passed[:-1]
    kept = bank[best]
    wanted[kept[kept != NOBODY]] = True
    return np.flatnonzero(wanted)


def _blocks(count: int) -> Iterator[IntArray]:
    for start in range(0, count, AT_ONCE):
        yield np.arange(start, min(start + AT_ONCE, count))
