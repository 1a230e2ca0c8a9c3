"""Options of up to two places as rivals: which of them another one replaces in every set."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer import dominance
from optimizer.records import BoolArray, FloatArray, IntArray

NEVER = np.int64(1 << 40)
"""Stands for the gap of a part that no option holds."""


def pair_cost(table: IntArray, rows: IntArray, pieces: IntArray) -> IntArray:
    """Cost of options of one or two places, equal parts in both pooled, (n_option,)."""
    apart = table[rows, pieces].sum(axis=1)
    if rows.shape[1] < 2:
        return np.asarray(apart)
    same = (rows[:, 0] == rows[:, 1]) & (pieces[:, 1] > 0)
    together = table[rows[:, 0], np.where(same, pieces.sum(axis=1), 0)]
    return np.asarray(np.where(same, together, apart))


@dataclass(frozen=True, slots=True)
class Rivals:
    """Options of two places, with what they add to the cost of a set at least and at most.

    rows, pieces : part and pieces at both places, 0 pieces where empty, (n_option, 2)
    loss : (n_option,), any unit
    least, most : cost units by part and pieces that they add to a set which may hold the part
        elsewhere, and of the part bought for this place alone, (n_part, pieces_max + 1)
    shared : parts that another place of the set may hold too, (n_part,)
    fixed : places whose part must stay, (2,)
    counted : whether part numbers are limited: then nothing is replaced by more of them
    loss_most : where an option loses between `loss` and this, which then counts for it as a rival
        of others, (n_option,); None where `loss` is exact
    """

    rows: IntArray
    pieces: IntArray
    loss: FloatArray | IntArray
    least: IntArray
    most: IntArray
    shared: BoolArray
    fixed: tuple[bool, bool] = (False, False)
    counted: bool = False
    loss_most: FloatArray | IntArray | None = None

    def unbeaten(self, index: IntArray) -> BoolArray:
        """Which of the options at `index` none of them replaces, (n_index,).

        Another option replaces one when it loses no more and costs no more at most than the one
        does at least. Where both hold as many pieces of a part that another place may hold too,
        that part costs the same in both, and only their other parts are compared. Of equal
        options the first stays.
        """
        rows, pieces, loss = self.rows[index], self.pieces[index], self.loss[index]
        most_loss = None if self.loss_most is None else self.loss_most[index]
        table = self._table()
        held = rows[:, np.flatnonzero(self.fixed)]
        least, most = (pair_cost(one, rows, pieces) for one in (table, self.most))
        bought = pieces > 0
        bought[:, 1] &= rows[:, 0] != rows[:, 1]
        fresh = bought & ~self.shared[rows]
        numbers = fresh.sum(axis=1), bought.sum(axis=1)
        keep = ~self._beaten(least, most, (loss, most_loss), held, *numbers)
        holds = self.shared[rows] & (pieces > 0) & (rows[:, :1] != rows[:, 1:]) & keep[:, None]
        some, slot = np.nonzero(holds)
        key = np.column_stack([held[some], rows[some, slot], pieces[some, slot]])
        partner = rows[some, 1 - slot], pieces[some, 1 - slot]
        numbers = fresh[some, 1 - slot].astype(int), bought[some, 1 - slot].astype(int)
        lost = loss[some], None if most_loss is None else most_loss[some]
        falls = self._beaten(table[partner], self.most[partner], lost, key, *numbers)
        keep[some[falls]] = False
        return keep

    def _table(self) -> IntArray:
        """Least that pieces of each part add, (n_part, pieces_max + 1)."""
        return np.where(self.shared[:, None], self.least, self.most)

    def least_cost(self) -> IntArray:
        """Least that each option adds to the cost of any set, (n_option,)."""
        return pair_cost(self._table(), self.rows, self.pieces)

    def _beaten(
        self,
        least: IntArray,
        most: IntArray,
        losses: tuple[FloatArray | IntArray, FloatArray | IntArray | None],
        key: IntArray,
        fresh: IntArray,
        bought: IntArray,
    ) -> BoolArray:
        """Which options another one replaces.

        fresh, bought : part numbers that each adds at least and at most, (n_option,)
        """
        loss, most_loss = losses
        if not self.counted:
            return beaten(least, most, loss, key, most_loss)
        falls = np.zeros(len(loss), dtype=bool)
        for number in np.unique(fresh):
            fits = bought <= number
            some = np.flatnonzero(fits | (fresh == number))
            worst = np.where(fits[some], most[some], NEVER)
            gone = beaten(least[some], worst, loss[some], key[some])
            falls[some[gone & (fresh[some] == number)]] = True
        return falls

    def settled(self, passed: BoolArray, ask: Callable[[IntArray], BoolArray]) -> IntArray:
        """Indices of the options that pass and that no other option that passes replaces.

        passed : options known to pass, (n_option,); ask : which of some options pass
        An option is asked only when nothing that passes or may pass replaces it: most never are.
        """
        left, passed = np.arange(len(self.loss)), passed.copy()
        while True:
            best = left[self.unbeaten(left)]
            unsure = best[~passed[best]]
            if not len(unsure):
                return best
            passed[unsure] = ask(unsure)
            left = np.setdiff1d(left, unsure[~passed[unsure]], assume_unique=True)

    def needed(self, partner: Rivals) -> BoolArray:
        """Which options some set may need, alone or sharing parts with one of `partner`.

        An option costs its gap more than the cheapest that loses no more. Two options that share
        parts save at most what each of them can; where that is not worth both gaps, the two
        cheapest ones, sharing nothing, are no worse.
        """
        gap, theirs = self._gap(), partner._gap()
        saving = np.where(self.pieces > 0, (self.most - self.least)[self.rows, self.pieces], 0)
        held = partner.pieces > 0
        least: IntArray = np.full(len(self.most), NEVER)
        for slot in (0, 1):
            np.minimum.at(least, partner.rows[held[:, slot], slot], theirs[held[:, slot]])
        keep = gap <= 0
        for slot in (0, 1):
            keep |= gap + least[self.rows[:, slot]] < saving[:, slot]
        both = held.all(axis=1)
        names, place = np.unique(partner._name()[both], return_inverse=True)
        cheapest: IntArray = np.full(len(names) + 1, NEVER)
        np.minimum.at(cheapest, place, theirs[both])
        at = np.searchsorted(names, self._name())
        same = (np.append(names, -1)[at] == self._name()) & (self.pieces > 0).all(axis=1)
        keep |= same & (gap + cheapest[at] < saving.sum(axis=1))
        return np.asarray(keep)

    def _gap(self) -> IntArray:
        """What each option costs above the cheapest that loses no more, none shared."""
        alone = pair_cost(self.most, self.rows, self.pieces)
        least, most = self.loss, self.loss if self.loss_most is None else self.loss_most
        rank = np.unique(np.concatenate([least, most]), return_inverse=True)[1]
        least, most = rank[: len(least)], rank[len(least) :]
        stair = dominance.staircase(alone, most)
        place = np.searchsorted(-most[stair], -least)
        cheapest = np.append(alone[stair], NEVER)[place]
        return np.asarray(np.maximum(alone - cheapest, 0))

    def _name(self) -> IntArray:
        """One number for the two parts of each option, whatever their order."""
        return np.asarray(np.sort(self.rows, axis=1) @ np.array([len(self.most), 1]))


def beaten(
    least: IntArray,
    most: IntArray,
    loss: FloatArray | IntArray,
    key: IntArray,
    loss_most: FloatArray | IntArray | None = None,
) -> BoolArray:
    """Which options another one of the same key replaces, (n_option,).

    loss_most : as in `Rivals`; then of equal options all stay
    """
    if not len(loss):
        return np.zeros(0, dtype=bool)
    if loss_most is not None:
        # every option once as what may fall and no rival, once as a rival that never falls
        never, free = np.full(len(loss), NEVER), np.full(len(loss), -NEVER)
        count = len(loss)
        falls = beaten(
            np.concatenate([least, free]),
            np.concatenate([never, most]),
            np.concatenate([loss, np.nextafter(loss_most.astype(np.float64), np.inf)]),
            np.concatenate([key, key]),
        )
        return falls[:count]
    order = np.lexsort((np.arange(len(loss)), most, loss, *key.T))
    change = (key[order][1:] != key[order][:-1]).any(axis=1)
    group = np.concatenate([[0], np.cumsum(change)])
    # one running minimum for all groups: each group lies below all values of the ones before
    drop = group * (int(most.max()) - int(min(least.min(), most.min())) + 1)
    lowest = np.minimum.accumulate(most[order] - drop)
    before = np.concatenate([[np.iinfo(np.int64).max], lowest[:-1]])
    falls = np.zeros(len(loss), dtype=bool)
    falls[order] = least[order] - drop >= before
    return falls
