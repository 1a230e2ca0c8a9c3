"""Banks of two types that hold a type which the bank of another node holds too.

Such a bank is worth a look only beside a bank of the other node that shares with it: its room is
worked out for each type it could share, so most types leave none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from optimizer.dominance import sorted_by
from optimizer.errors import Watch
from optimizer.parts.bank_cascade import Cascade, Pairs, gathered
from optimizer.parts.bank_choice import NOT_OFFERED
from optimizer.parts.bank_family import Banks
from optimizer.parts.bank_mix import Front
from optimizer.records import LOSS_UNIT, BoolArray, FloatArray, IntArray
from optimizer.rivals import beaten

AT_ONCE = 1 << 16
"""Banks bounded or solved at a time."""

STEPS = 192
"""Steps of cost for which room is worked out, type by type."""

FINE = 2048
"""Steps of cost of the table it is looked up in."""

OFFERS_AT_ONCE = 512
"""Offers whose room is worked out together."""

NOTHING = Pairs(*[np.zeros(0, dtype=np.int64)] * 6)
"""No bank under test."""

NOBODY = -1
"""Stands for the bank of one type that an entry is about."""


@dataclass(frozen=True, slots=True)
class OpenLoss:
    """The loss open beside the rest of a set, at the cost of a bank and an offer together.

    low, end : cost of a bank at which the first step of room begins, and from which nothing is
        open; None while no front is known
    start, width : beginning and width of the steps of the table, whose value holds all over one
    loss : [W], (FINE,)
    """

    low: int
    end: int | None
    start: int
    width: int
    loss: FloatArray

    @property
    def step(self) -> int:
        """Width of the steps of room."""
        return 1 if self.end is None else (self.end - self.low) // STEPS + 1

    def left(self, cost: IntArray, lost: IntArray) -> FloatArray:
        """Room [W] at a cost of both banks that an offer of some loss [loss units] leaves."""
        place = np.clip((cost - self.start) // self.width, 0, FINE - 1)
        return np.asarray(self.loss[place] - lost * LOSS_UNIT)

    def by_step(self, count: int, key: IntArray, cost: IntArray, loss: IntArray) -> FloatArray:
        """Most room [W] that the offers of each key leave a bank at each step, (count, STEPS).

        key : rising; -inf where there is no offer
        """
        table = np.full((count, STEPS), -np.inf)
        edges = self.low + self.step * np.arange(STEPS)
        for some in np.array_split(np.arange(len(key)), len(key) // OFFERS_AT_ONCE + 1):
            if not len(some):
                continue
            left = self.left(edges[None, :] + cost[some, None], loss[some, None])
            first = np.flatnonzero(np.append(True, np.diff(key[some]) > 0))
            kinds = key[some[first]]
            table[kinds] = np.maximum(table[kinds], np.maximum.reduceat(left, first, axis=0))
        return table


def unbeaten_offers(key: IntArray, cost: IntArray, loss: IntArray) -> IntArray:
    """Indices of the offers that no other one of their key beats, by key, then cost."""
    if not len(key):
        return np.zeros(0, dtype=np.int64)
    order = sorted_by(key, cost, loss)
    fall = loss[order] - key[order] * (int(np.ptp(loss)) + 1)  # a key lies below all before it
    before = np.minimum.accumulate(fall)[:-1]
    return np.asarray(order[np.append(True, fall[1:] < before)])


@dataclass(frozen=True)
class SharedRoom:
    """Loss [W] from which a bank is of no interest beside any bank that shares a type with it.

    opened : the loss open beside the rest of a set
    saved : what so many pieces of a type save beside so many of it in the bank of the other node,
        (n_type, pieces_max + 1, pieces_max + 1)
    apart : room by step of the cost bought alone, beside banks that share nothing, (n_step,);
        -inf for no room, or where that is looked at elsewhere
    key, cost, loss : offers that share one type, for each number of pieces of it that a bank may
        hold, by type * (pieces_max + 1) + pieces, rising; cost less what is saved; loss units
    both : offers that share two types: types, the lower one first, pieces, cost alone, loss
    front : best loss of known banks that share nothing, at `floor` of a bank; None to leave it out
    """

    opened: OpenLoss
    saved: IntArray
    apart: FloatArray
    key: IntArray
    cost: IntArray
    loss: IntArray
    both: Banks
    both_loss: IntArray
    front: Front | None

    @property
    def end(self) -> int | None:
        """Cost from which nothing has room; None for no end."""
        return self.opened.end

    @cached_property
    def one_by_step(self) -> FloatArray:
        """Room for sharing a type of which a bank holds some pieces, by step.

        (n_type, pieces_max + 1, n_step); -inf for no room
        """
        types, pieces, _ = self.saved.shape
        table = self.opened.by_step(types * pieces, self.key, self.cost, self.loss)
        return table.reshape(types, pieces, -1)

    @cached_property
    def both_by_step(self) -> FloatArray:
        """The same for two shared types whatever their pieces, to be kept at each of them.

        (n_type, n_step)
        """
        most, bank = self.saved.max(axis=1), self.both
        save = most[bank.first, bank.first_pieces] + most[bank.second, bank.second_pieces]
        key = np.concatenate([bank.first, bank.second])
        cost, loss = np.tile(bank.cost - save, 2), np.tile(self.both_loss, 2)
        kept = unbeaten_offers(key, cost, loss)
        return self.opened.by_step(len(self.saved), key[kept], cost[kept], loss[kept])

    @cached_property
    def pairs(self) -> BoolArray:
        """Types that the other node may hold together, (n_type, n_type)."""
        held = np.zeros((len(self.saved), len(self.saved)), dtype=bool)
        held[self.both.first, self.both.second] = held[self.both.second, self.both.first] = True
        return held

    def _by_type(self) -> FloatArray:
        room = np.maximum(self.one_by_step.max(axis=1), self.both_by_step)
        return np.asarray(np.maximum(room, self.apart[None, :]))

    def wanted(self) -> BoolArray:
        """Types that leave any room, (n_type,)."""
        return np.asarray(self._by_type().max(axis=1, initial=-np.inf) > 0.0)

    def ends(self, types: int) -> IntArray:
        """Largest cost at which each type leaves any room, (n_type,)."""
        room = self._by_type() > 0.0
        last = room.shape[1] - np.argmax(room[:, ::-1], axis=1)  # steps up to the last with room
        opened = self.opened
        end = np.where(room.any(axis=1), opened.low + opened.step * last - 1, -1)
        return np.asarray(np.where(room[:, -1], NOT_OFFERED, end))

    def coarse(self, pairs: Pairs) -> FloatArray:
        """Room of banks under test by step: not below that of `of`."""
        place = self._place(pairs.cost)
        room = np.maximum(
            self.one_by_step[pairs.first, pairs.first_pieces, place],
            self.one_by_step[pairs.second, pairs.second_pieces, place],
        )
        both = np.minimum(
            self.both_by_step[pairs.first, place], self.both_by_step[pairs.second, place]
        )
        both[~self.pairs[pairs.first, pairs.second]] = -np.inf
        return self._least(np.maximum(room, both), pairs)

    def of(self, pairs: Pairs) -> FloatArray:
        """Room of banks under test."""
        return self._least(np.maximum.reduce(self.parts(pairs)), pairs)

    def _least(self, shared: FloatArray, pairs: Pairs) -> FloatArray:
        """Room beside any bank of the other node, of banks with some room for what they share."""
        room = np.maximum(shared, self.apart[self._place(pairs.cost)])
        return np.asarray(
            room if self.front is None else np.minimum(room, self.front.limit(pairs.floor))
        )

    def parts(self, pairs: Pairs) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Room for sharing the first type, the second, and both, (n,) each."""
        room = np.full((3, len(pairs.cost)), -np.inf)
        pieces = self.saved.shape[1]
        key = self.both.first * len(self.saved) + self.both.second
        for some in _blocks(len(pairs.cost)):
            part = pairs.keep(some)
            for k, (held, count) in enumerate(
                ((part.first, part.first_pieces), (part.second, part.second_pieces))
            ):
                bank, offer = _joined(held * pieces + count, self.key)
                left = self.opened.left(part.cost[bank] + self.cost[offer], self.loss[offer])
                np.maximum.at(room[k], some[bank], left)
            low, high = np.minimum(part.first, part.second), np.maximum(part.first, part.second)
            turned = part.first > part.second
            count_low = np.where(turned, part.second_pieces, part.first_pieces)
            count_high = np.where(turned, part.first_pieces, part.second_pieces)
            bank, offer = _joined(low * len(self.saved) + high, key)
            cost = part.cost[bank] + self.both.cost[offer]
            cost -= self.saved[low[bank], count_low[bank], self.both.first_pieces[offer]]
            cost -= self.saved[high[bank], count_high[bank], self.both.second_pieces[offer]]
            np.maximum.at(room[2], some[bank], self.opened.left(cost, self.both_loss[offer]))
        return room[0], room[1], room[2]

    def _place(self, cost: IntArray) -> IntArray:
        return np.asarray(np.clip((cost - self.opened.low) // self.opened.step, 0, STEPS - 1))


def _joined(key: IntArray, offered: IntArray) -> tuple[IntArray, IntArray]:
    """Indices of every bank and every offer of its key; `offered` : keys of the offers, rising."""
    start = np.searchsorted(offered, key, side="left")
    count = np.searchsorted(offered, key, side="right") - start
    bank = np.repeat(np.arange(len(key)), count)
    before = np.cumsum(count) - count
    return bank, np.arange(len(bank)) + np.repeat(start - before, count)


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
    listing = cascade.generate(cost, floor, cost_max=cost_max, wanted=wanted, listed=listed)
    left = []
    for pairs in gathered(listing, AT_ONCE):
        watch()
        left.append(cascade.bounds(pairs))
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
