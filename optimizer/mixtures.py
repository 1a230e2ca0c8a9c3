"""Alternates of parts: which of them make every mixture pass, and what the worst mixture adds.

Options are pairs of halves (the transistors of a half bridge, the types of a bank; a single part
has no second half). A mixture holds the chosen or the alternate half on each side.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from optimizer.records import BoolArray, FloatArray, IntArray
from optimizer.tally import ROW_TOLERANCE

PIECES = 1 << 10
"""A half is one number, row * PIECES + pieces; -1 stands for no second half."""

WIDTHS = (3, 30, None)
"""Alternates of a part tried at first, then, then all of them: the likeliest first."""

AT_ONCE = 4096
SUMS_MOST = 40_000
"""Combinations of alternates held against the rows at once."""

Ask = Callable[[IntArray, IntArray], BoolArray]
Others = Callable[[int], IntArray]
Halves = tuple[IntArray, IntArray]


@dataclass
class Asked:
    """A question asked of pairs of halves, of each once; bank : a pair is the same turned round."""

    ask: Ask
    bank: bool = False
    keys: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    good: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def __call__(self, x: IntArray, y: IntArray) -> BoolArray:
        """The answer for each pair."""
        if self.bank:
            x, y = np.where(y < 0, x, np.minimum(x, y)), np.where(y < 0, y, np.maximum(x, y))
        key = (x << 32) + y + 1
        place = np.searchsorted(self.keys, key)
        known = np.zeros(len(key), dtype=bool)
        if len(self.keys):
            known = self.keys[np.minimum(place, len(self.keys) - 1)] == key
        if not known.all():
            new = np.unique(key[~known])
            seen = [
                self.ask(part >> 32, (part & 0xFFFFFFFF) - 1)
                for part in (new[k : k + AT_ONCE] for k in range(0, len(new), AT_ONCE))
            ]
            at = np.searchsorted(self.keys, new)
            self.keys = np.insert(self.keys, at, new)
            self.good = np.insert(self.good, at, np.concatenate(seen))
            place = np.searchsorted(self.keys, key)
        return np.asarray(self.good[place])


@dataclass
class Pairs:
    """Options of one group as pairs of choices, and what is known of them.

    pass_ : which pairs pass beside every inductor; rows : what they add to each row, (n, n_row)
    first, second : alternates of each half, None where none is demanded
    tied : both halves are one part and change together; bank : equal parts are one type
    """

    pass_: Ask
    rows: Callable[[IntArray, IntArray], FloatArray]
    first: Others | None
    second: Others | None
    tied: bool = False
    bank: bool = False

    def robust(self, x: IntArray, y: IntArray) -> BoolArray:
        """Which pairs pass themselves and in every mixture with some alternates."""
        keep = self.pass_(x, y)
        if self.first is None and self.second is None:
            return keep
        left = np.flatnonzero(keep)
        for width in WIDTHS:
            if len(left):
                found = self.alternates(x[left], y[left], width)
                left = left[[not len(one) for one, _ in found]]
        keep[left] = False
        return keep

    def alternates(self, x: IntArray, y: IntArray, width: int | None) -> list[Halves]:
        """For each pair those alternates of both halves of which every mixture passes."""
        pairs = list(zip(x.tolist(), y.tolist(), strict=True))
        if self.tied:
            return self._tied(pairs, width)
        one = [self._offers(self.first, a, b, width) for a, b in pairs]
        two = [self._offers(self.second, b, a, width) for a, b in pairs]
        one = self._passing(one, [np.full(len(o), b) for o, (_, b) in zip(one, pairs, strict=True)])
        two = self._passing(
            two, [np.full(len(t), a) for t, (a, _) in zip(two, pairs, strict=True)], turned=True
        )
        grids = [
            tuple(axis.ravel() for axis in np.meshgrid(a, b, indexing="ij"))
            for a, b in zip(one, two, strict=True)
        ]
        if self.bank:
            grids = [tuple(axis[g[0] // PIECES != g[1] // PIECES] for axis in g) for g in grids]
        good = self._split(self.pass_, [g[0] for g in grids], [g[1] for g in grids])
        return [(g[0][keep], g[1][keep]) for g, keep in zip(grids, good, strict=True)]

    def _offers(self, others: Others | None, own: int, partner: int, width: int | None) -> IntArray:
        """Alternates of one half; the half itself where none is demanded or nothing is there."""
        if others is None or own < 0:
            return np.array([own])
        found = others(own)
        if self.bank and partner >= 0:
            found = found[found // PIECES != partner // PIECES]
        return found[:width]

    def _passing(
        self, halves: list[IntArray], beside: list[IntArray], *, turned: bool = False
    ) -> list[IntArray]:
        """Of alternates those that pass alone beside the other chosen half."""
        good = self._split(self.pass_, *((beside, halves) if turned else (halves, beside)))
        return [one[keep] for one, keep in zip(halves, good, strict=True)]

    def _tied(self, pairs: list[tuple[int, int]], width: int | None) -> list[Halves]:
        offers = [self._offers(self.first, a, b, width) for a, b in pairs]
        theirs = [
            o // PIECES * PIECES + b % PIECES for o, (_, b) in zip(offers, pairs, strict=True)
        ]
        good = self._split(self.pass_, offers, theirs)
        return [(o[k], t[k]) for o, t, k in zip(offers, theirs, good, strict=True)]

    @staticmethod
    def _split(ask: Ask, x: Sequence[IntArray], y: Sequence[IntArray]) -> list[BoolArray]:
        """One question for many lists."""
        ends = np.cumsum([len(one) for one in x])[:-1]
        return np.split(ask(np.concatenate(x), np.concatenate(y)), ends)

    def worst(self, x: int, y: int, other: Halves, forced: IntArray) -> FloatArray:
        """Most that an option with each of some alternates adds to each row, (n, n_row).

        forced : rows that ask for a part: there the chosen ones count
        """
        one, two = np.full_like(other[0], x), np.full_like(other[1], y)
        own = self.rows(one[:1], two[:1])
        mixed = [self.rows(*other)]
        if not self.tied:
            mixed += [self.rows(other[0], two), self.rows(one, other[1])]
        most = np.maximum(np.max(mixed, axis=0), own)
        most[:, forced] = own[:, forced]
        return np.asarray(most)


def least(lines: FloatArray) -> FloatArray:
    """Lines that no other one equals or undercuts in every row."""
    lines = np.unique(lines[np.isfinite(lines).all(axis=1)], axis=0)
    order = np.argsort(lines.max(axis=1, initial=-np.inf), kind="stable")
    left, kept = lines[order], []
    while len(left):
        kept.append(left[0])
        left = left[1:][~(left[1:] >= left[0]).all(axis=1)]
    return np.array(kept).reshape(len(kept), lines.shape[1])


def some_sum_fits(start: FloatArray, lines: Sequence[FloatArray]) -> bool:
    """Whether one line of each list and the start add up to at most one in every row.

    Where too many combinations are open the tightest are given up: then "no" is not proved, but
    a set refused here is only looked at again, with all its alternates as options.
    """
    least = [one.min(axis=0) for one in lines]
    sums = start[None, :]
    for k, one in enumerate(lines):
        sums = (sums[:, None, :] + one[None, :, :]).reshape(-1, len(start))
        rest = np.sum(least[k + 1 :], axis=0) if k + 1 < len(lines) else 0.0
        sums = sums[(sums + rest <= 1.0 + ROW_TOLERANCE).all(axis=1)]
        if len(sums) > SUMS_MOST:
            sums = sums[np.argsort(sums.max(axis=1))[:SUMS_MOST]]
    return bool(len(sums))
