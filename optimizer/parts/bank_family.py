"""The least money a bank can cost for many skeletons of one frequency, worked out at once.

Their currents differ little, so one waveform of the ripple, rebuilt for the middle one, tells at
which two instants to look: the difference of the voltage between them is never above peak-to-peak,
and for all skeletons together it is one matrix product.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.parts import bank
from optimizer.parts.bank_choice import NOT_OFFERED, RIPPLE_ROOM
from optimizer.records import BoolArray, ComplexArray, FloatArray, IntArray

LANES = 6
"""Lanes looked at, the hardest ones: leaving lanes out only lowers the bound."""

CHUNK, SIFTED = 512, 4096
"""Banks looked at together, in full and by one harmonic alone."""

MOST = 1 << 19
"""Banks that a family keeps a list of."""

ROOM = 1.0 + RIPPLE_ROOM
"""Factor on every limit, for rounding and the finite instants of the ripple."""


@dataclass(frozen=True, slots=True)
class FamilyDuty:
    """What a bank must carry in each lane for every skeleton of one frequency.

    harmonics : peak phasors [A], (n_row, n_lane, n_harmonic); i_rms_ac [A], (n_row, n_lane)
    frequency : of each lane [Hz], (n_lane,); branches : one capacitor of each type,
        (n_type, n_lane); source : optional branch, (n_lane,)
    v_ripple : largest peak-to-peak ripple [V], (n_lane,); i_ripple : largest RMS current of one
        capacitor [A], (n_type, n_lane); a NaN in either takes a type out
    """

    harmonics: ComplexArray
    i_rms_ac: FloatArray
    frequency: FloatArray
    branches: bank.Branches
    source: bank.SourceBranch | None
    v_ripple: FloatArray
    i_ripple: FloatArray

    def lanes(self, some: IntArray) -> FamilyDuty:
        """The same in some lanes."""
        branches, source = self.branches, self.source
        return FamilyDuty(
            self.harmonics[:, some],
            self.i_rms_ac[:, some],
            self.frequency[some],
            bank.Branches(
                branches.capacitance[:, some], branches.esr[:, some], branches.esl[:, some]
            ),
            None
            if source is None
            else bank.SourceBranch(source.resistance[some], source.inductance[some]),
            self.v_ripple[some],
            self.i_ripple[:, some],
        )


@dataclass(frozen=True, slots=True)
class Banks:
    """Banks under test, cheapest first: types, pieces and cost, (n,) each."""

    first: IntArray
    first_pieces: IntArray
    second: IntArray
    second_pieces: IntArray
    cost: IntArray

    def take(self, index: IntArray | slice | BoolArray) -> Banks:
        """Some of them."""
        return Banks(
            self.first[index],
            self.first_pieces[index],
            self.second[index],
            self.second_pieces[index],
            self.cost[index],
        )

    def ordered(self, rank: IntArray) -> Banks:
        """The same with the type of lower rank first in each, (n_type,)."""
        turned = rank[self.first] > rank[self.second]
        first, second = self.first, self.second
        one, two = self.first_pieces, self.second_pieces
        return Banks(
            np.where(turned, second, first),
            np.where(turned, two, one),
            np.where(turned, first, second),
            np.where(turned, one, two),
            self.cost,
        )

    def small(self) -> Banks:
        """The same in less memory."""
        first, first_pieces, second, second_pieces = (
            np.asarray(column.astype(np.int32))
            for column in (self.first, self.first_pieces, self.second, self.second_pieces)
        )
        return Banks(first, first_pieces, second, second_pieces, self.cost)  # type: ignore[arg-type]


def least_costs(duty: FamilyDuty, cost: IntArray, *, two_types: bool) -> IntArray:
    """Cost below which no bank keeps ripple and currents, for each skeleton.

    duty : currents [A], branches and limits of a family of skeletons
    cost : of so many pieces of each type [1], (n_type, pieces_max + 1); `NOT_OFFERED` where none
    two_types : whether a bank may hold two types
    Returns : lower bound on the cost of a bank that passes, (n_row,); `NOT_OFFERED` where none

    Holds for: every bank of one or two types; a bound, since only some lanes are looked at and
    the ripple is held against two instants.
    Source: derived in DEVELOPERS.md; compared with the cheapest bank of each skeleton in the tests.
    """
    family, table = _family(duty, cost)
    best = np.full(len(duty.harmonics), NOT_OFFERED, dtype=np.int64)
    family.improve(best, _singles(table))
    if two_types:
        pairs = family.pairs(table, int(best.max()))
        assert pairs is not None  # no number was given above which there is none
        family.improve(best, pairs)
    return best


class FamilyBanks:
    """Banks that may pass beside some skeleton of a family.

    What each skeleton would sift anew from all pairs is listed once, as far as anyone asks.
    single : which numbers of pieces of each type may pass alone, (n_type, pieces_max + 1)
    """

    def __init__(self, duty: FamilyDuty, cost: IntArray) -> None:
        """Take what `least_costs` takes; no table that banks are asked by may lie below `cost`."""
        self._family, self._table = _family(duty, cost)
        self._listed = _none()
        self._end = 0
        self._too_many = int(NOT_OFFERED)
        single = self._family.sifted(_singles(self._table), np.arange(len(duty.harmonics)))
        self.single: BoolArray = np.zeros(cost.shape, dtype=bool)
        self.single[single.first, single.first_pieces] = True

    def upto(self, dearest: int) -> Banks | None:
        """Every bank of two types of at most a cost that may pass; None where they are many."""
        if dearest >= self._too_many:
            return None
        if dearest >= self._end:
            more = self._family.pairs(self._table, dearest + 1, at_least=self._end, most=MOST)
            if more is None or len(more.cost) + len(self._listed.cost) > MOST:
                self._too_many = dearest
                return None
            self._listed = _joined([self._listed, more.small()])
            self._end = dearest + 1
        count = int(np.searchsorted(self._listed.cost, dearest, side="right"))
        return self._listed.take(slice(0, count))


def _family(duty: FamilyDuty, cost: IntArray) -> tuple[_Family, IntArray]:
    """The family in its hardest lanes, and the cost of what can be judged and bought."""
    known = np.asarray(~np.isnan(duty.i_ripple).any(axis=1))
    for figure in (duty.branches.capacitance, duty.branches.esr, duty.branches.esl):
        known &= np.isfinite(figure).all(axis=1)
    table = np.where(known[:, None], cost, NOT_OFFERED)
    table[:, 0] = NOT_OFFERED
    return _Family(duty.lanes(_hardest(duty, known))), np.minimum(table, NOT_OFFERED)


def _none() -> Banks:
    none = np.zeros(0, dtype=np.int64)
    return Banks(none, none, none, none, none)


def _joined(parts: list[Banks]) -> Banks:
    """Several lists as one."""
    columns = zip(
        *((p.first, p.first_pieces, p.second, p.second_pieces, p.cost) for p in parts), strict=True
    )
    return Banks(*(np.concatenate(column) for column in columns))


def _hardest(duty: FamilyDuty, known: BoolArray) -> IntArray:
    """Lanes where a capacitive or a resistive bank, or its current, is likely to fail first."""
    strength = np.abs(duty.harmonics).min(axis=0)
    order = np.arange(1, strength.shape[1] + 1)
    allowed = np.nanmax(duty.i_ripple[known], axis=0, initial=1e-30)
    scores = (
        (strength / order).max(axis=1) / (duty.frequency * duty.v_ripple),
        strength.max(axis=1) / duty.v_ripple,
        duty.i_rms_ac.min(axis=0) / allowed,
    )
    ranks = zip(*(np.argsort(-score) for score in scores), strict=True)
    return np.array(list(dict.fromkeys(int(lane) for rank in ranks for lane in rank))[:LANES])


def _singles(table: IntArray) -> Banks:
    """Every bank of one type, cheapest first."""
    first, pieces = np.nonzero(table < NOT_OFFERED)
    cost = table[first, pieces]
    order = np.argsort(cost, kind="stable")
    none = np.zeros(len(order), dtype=np.int64)
    return Banks(first[order], pieces[order], first[order], none, cost[order])


class _Family:
    """Admittances of all types and currents of all skeletons in the lanes looked at."""

    def __init__(self, duty: FamilyDuty) -> None:
        self.duty = duty
        taken = duty.harmonics[..., : bank.HARMONICS]
        square, omega = bank.spectrum(
            harmonics=taken, frequency=duty.frequency[None, :], i_rms_ac=duty.i_rms_ac
        )
        branches = duty.branches
        g, b = bank.admittance(
            capacitance=branches.capacitance[..., None],
            esr=branches.esr[..., None],
            esl=branches.esl[..., None],
            omega=omega,
        )
        self.each: ComplexArray = g + 1j * b
        self.square_each = g * g + b * b
        self.source: ComplexArray = np.zeros(omega.shape[1:], dtype=complex)
        if duty.source is not None:
            reactance = omega[0] * duty.source.inductance[:, None]
            self.source = 1.0 / (duty.source.resistance[:, None] + 1j * reactance)
        # (n_lane, n_harmonic, n_row): the right-hand sides of the products
        self.square = np.ascontiguousarray(square.transpose(1, 2, 0))
        self.real = np.ascontiguousarray(taken.real.transpose(1, 2, 0))
        self.imag = np.ascontiguousarray(taken.imag.transpose(1, 2, 0))
        middle = np.argsort(np.abs(taken[:, 0, 0]))[len(taken) // 2]
        self.middle = taken[int(middle)]
        self.allowed = duty.i_ripple**2 * ROOM

    def improve(self, best: IntArray, banks: Banks) -> None:
        """Lower the least cost of each skeleton by the banks, cheapest first, in place."""
        for start in range(0, len(banks.cost), SIFTED):
            rows = np.flatnonzero(best > banks.cost[start])
            if not len(rows):
                return
            sifted = self.sifted(banks.take(slice(start, start + SIFTED)), rows)
            for first in range(0, len(sifted.cost), CHUNK):
                some = sifted.take(slice(first, first + CHUNK))
                rows = np.flatnonzero(best > some.cost[0])
                if not len(rows):
                    break
                passes = self._passes(some, rows)
                cost = np.where(passes, some.cost[:, None], NOT_OFFERED).min(axis=0)
                best[rows] = np.minimum(best[rows], cost)

    def sifted(self, banks: Banks, rows: IntArray) -> Banks:
        """Banks that the strongest harmonic of the mildest of the skeletons `rows` lets pass."""
        for each, source, needed in self._tests(rows):
            y = each[banks.first] * banks.first_pieces
            y = y + each[banks.second] * banks.second_pieces + source
            banks = banks.take(y.real**2 + y.imag**2 >= needed)
        return banks

    def _tests(self, rows: IntArray) -> Iterator[tuple[ComplexArray, complex, float]]:
        """In each lane, admittances at the strongest harmonic and the square of the least needed.

        Peak-to-peak is at least pi/2 times the amplitude of any harmonic.
        """
        mild = np.hypot(self.real[:, :, rows], self.imag[:, :, rows]).min(axis=2)
        order = np.arange(1, mild.shape[1] + 1)
        for lane, strength in enumerate(mild):
            rate = int(np.argmax(strength / order))
            needed = np.pi / 2 * strength[rate] / (self.duty.v_ripple[lane] * ROOM)
            yield self.each[:, lane, rate], complex(self.source[lane, rate]), float(needed**2)

    def _passes(self, banks: Banks, rows: IntArray) -> BoolArray:
        """Which banks may keep the limits for which of the skeletons `rows`, (n_bank, n_row)."""
        passes = np.ones((len(banks.cost), len(rows)), dtype=bool)
        left = np.arange(len(banks.cost))
        for lane in range(len(self.middle)):
            passes[left] &= self._passes_in(lane, banks.take(left), rows)
            left = left[passes[left].any(axis=1)]
        return passes

    def _passes_in(self, lane: int, banks: Banks, rows: IntArray) -> BoolArray:
        """The same in one lane."""
        one, two = self.each[banks.first, lane], self.each[banks.second, lane]
        counts = banks.first_pieces[:, None], banks.second_pieces[:, None]
        total = one * counts[0] + two * counts[1] + self.source[lane]
        real, imag = self._instants(total[:, : self.middle.shape[1]], lane)
        ripple = real @ self.real[lane][:, rows] - imag @ self.imag[lane][:, rows]
        passes = np.asarray(ripple <= self.duty.v_ripple[lane] * ROOM)
        inverse = 1.0 / (total.real**2 + total.imag**2)
        for held, pieces in ((banks.first, counts[0]), (banks.second, counts[1])):
            carried = (self.square_each[held, lane] * inverse) @ self.square[lane][:, rows]
            passes &= (carried <= self.allowed[held, lane][:, None]) | (pieces == 0)
        return passes

    def _instants(self, total: ComplexArray, lane: int) -> tuple[FloatArray, FloatArray]:
        """Factors of the phasors in the voltage between the instants of largest difference.

        Of the middle skeleton; (n_bank, n_harmonic) each, of real and imaginary parts.
        """
        impedance = 1.0 / total
        phasor = self.middle[lane] * impedance
        count = phasor.shape[-1]
        turn = bank.instants(count)
        wave = np.concatenate([phasor.real, phasor.imag], axis=-1) @ turn
        top, low = np.argmax(wave, axis=-1), np.argmin(wave, axis=-1)
        difference = (turn[:, top] - turn[:, low]).T
        cosine, sine = difference[:, :count], difference[:, count:]
        # v = Re(I Z) cos - Im(I Z) sin, and `sine` holds -sin
        return (
            impedance.real * cosine + impedance.imag * sine,
            impedance.imag * cosine - impedance.real * sine,
        )

    def pairs(
        self, table: IntArray, dearest: int, *, at_least: int = 0, most: int | None = None
    ) -> Banks | None:
        """Banks of two types below a cost that the strongest harmonic allows, cheapest first.

        at_least : cost from which they are wanted; most : number above which there is no answer
        """
        parts = [_none()]
        count = 0
        for part in self._pairs(table, dearest, at_least):
            parts.append(part)
            count += len(part.cost)
            if most is not None and count > most:
                return None
        every = _joined(parts)
        return every.take(np.argsort(every.cost, kind="stable"))

    def _pairs(self, table: IntArray, dearest: int, at_least: int) -> Iterator[Banks]:
        cheapest = table.min(axis=1)
        order = np.argsort(cheapest, kind="stable")
        order = order[cheapest[order] < NOT_OFFERED]
        pieces = np.arange(table.shape[1])
        tests = list(self._tests(np.arange(self.real.shape[2])))
        for at, one in enumerate(order[:-1]):
            others = order[at + 1 :]
            others = others[: np.searchsorted(cheapest[others], dearest - cheapest[one])]
            if not len(others):
                return
            mine = np.flatnonzero(table[one] < dearest - cheapest[others[0]])
            total = table[one, mine][None, :, None] + table[others][:, None, :]
            other, n_one, n_other = np.nonzero((total < dearest) & (total >= at_least))
            other, n_one = others[other], mine[n_one]
            for each, source, needed in tests:
                y = each[one] * pieces[n_one] + each[other] * pieces[n_other] + source
                keep = y.real**2 + y.imag**2 >= needed
                other, n_one, n_other = other[keep], n_one[keep], n_other[keep]
            if len(other):
                yield Banks(
                    np.full(len(other), one),
                    n_one,
                    other,
                    n_other,
                    table[one, n_one] + table[other, n_other],
                )
