"""Banks beside many inductors: a bound refuses what no bank reaches, the rest is searched.

Peak-to-peak ripple is at least pi/2 of any harmonic's amplitude, and the admittance of n and m
pieces of two types is convex in (n, m), so it is largest at a corner of the box of allowed pieces.
A pair of types that falls short of one request there is no bank, whatever its counts.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from optimizer import evaluation, limits, screen
from optimizer.errors import Watch, go_on
from optimizer.evaluation import Scene
from optimizer.parts import bank, bank_choice
from optimizer.parts.bank_choice import BankDuty, BankLimits
from optimizer.records import BoolArray, ComplexArray, FloatArray, IntArray

ORDERS = 3
"""Harmonics whose ripple is asked for."""

REQUESTS = 8
"""Requests of each kind that banks are held against: the hardest ones."""

ROUNDING = 1e-9
"""Relative room left for rounding."""

BANKS_AT_ONCE = 128
"""Banks judged in full at a time, cheapest first."""

PAIRS_AT_ONCE = 1024
"""Pairs of types whose counts are listed at a time."""

PAIRS_FEW, BANKS_FEW = 30_000, 150_000
"""Up to so many pairs of types, and banks of them, all banks are listed."""

TIGHT = 3.0
"""Where the best types meet a request fewer times over, pairs of types are looked at first."""

LANES_FIRST = 3
"""Lanes in which the ripple of all listed banks is worked out."""

NEAR = 1.25
"""Up to this multiple of the limit the ripple is rebuilt in time, else its bound is kept."""


class _Banks(NamedTuple):
    """Banks by type and pieces, (n,) each; the second has no pieces where there is one type."""

    first: IntArray
    first_pieces: IntArray
    second: IntArray
    second_pieces: IntArray

    def keep(self, mask: BoolArray | IntArray | slice) -> _Banks:
        """Those under the mask."""
        return _Banks(*(column[mask] for column in self))

    def choice(self) -> dict[str, IntArray]:
        """The columns as the solver of banks takes them."""
        return self._replace(second=np.where(self.second_pieces > 0, self.second, -1))._asdict()


class Reach:
    """What the banks of a node can reach beside the inductors of a scene.

    scene : sets of one frequency at the sizing state, which share board temperature and bias
    rows : capacitors that may stand there
    """

    def __init__(self, scene: Scene, node: str, rows: IntArray) -> None:
        rules = scene.stage.spec.choice
        self.scene, self.node, self.rows, self.most = scene, node, rows, rules.bank_pieces_max
        self.lanes = np.flatnonzero(limits.steady(scene.stage))
        first = scene.take(slice(0, 1))
        duty = screen.bank_duty(first, node, rows, self.lanes)
        limit = screen.bank_limits(first, node, rows, self.lanes)
        usable = bank_choice.usable_types(duty, duty, limit)
        self.carries = np.where(usable[:, None], limit.i_ripple, 0.0)
        self.sourced = node == "input" and scene.stage.source_branch is not None
        self.mild: _Banks | None = None
        self.listed: _Listed | None = None
        self.orders = min(ORDERS, duty.harmonics.shape[-1])
        self.admittance = np.where(usable[:, None], _admittance(duty, self.orders), 0.0)
        self.asked, self.current = self._requests()
        self.usable, self.types_max = usable, rules.bank_types_max
        self.best = [
            self.most * np.sort(one, axis=0)[-self.types_max :].sum(axis=0)
            for one in (np.abs(self.admittance), self.carries)
        ]

    def _requests(self) -> tuple[FloatArray, FloatArray]:
        """Admittance [S] and current [A] that each set asks of its bank, (n_set, n_request)."""
        found = evaluation.bank_current(self.scene, self.node)
        size = np.abs(found["harmonics"][:, self.lanes, : self.orders])
        allowed = limits.ripple_voltage(self.scene, self.node)[:, self.lanes]
        with np.errstate(divide="ignore"):
            asked = np.pi / 2 * size / allowed[..., None]
        asked = asked.reshape(len(size), -1) * (1.0 - bank_choice.RIPPLE_ROOM)
        return np.nan_to_num(asked), found["i_rms_ac"][:, self.lanes] * (1.0 - ROUNDING)

    def _able(self, pairs: _Banks, asked: FloatArray, current: FloatArray) -> _Banks:
        """Of pairs with all their pieces, those that reach the hardest requests."""
        one, other = (np.minimum(1, pieces) for pieces in (pairs.first_pieces, pairs.second_pieces))
        fewer = pairs._replace(second_pieces=other), pairs._replace(first_pieces=one)
        mask = np.ones(len(pairs.first), dtype=bool)
        for k in _hardest(asked, np.abs(self.admittance)):
            left = np.flatnonzero(mask)
            corners = [corner.keep(left) for corner in (pairs, *fewer)]
            best = np.max([self._admits(corner, k) for corner in corners], axis=0)
            mask[left[best < asked[k]]] = False
        for k in _hardest(current, self.carries):
            left = np.flatnonzero(mask)
            mask[left[self._carried(pairs.keep(left), k) < current[k]]] = False
        return pairs.keep(mask)

    def _admits(self, banks: _Banks, request: int) -> FloatArray:
        one = banks.first_pieces * self.admittance[banks.first, request]
        two = banks.second_pieces * self.admittance[banks.second, request]
        return np.asarray(np.abs(one + two))

    def _carried(self, banks: _Banks, lane: int) -> FloatArray:
        one = banks.first_pieces * self.carries[banks.first, lane]
        return np.asarray(one + banks.second_pieces * self.carries[banks.second, lane])

    def cheapest(
        self, row: int, cost: IntArray, *, watch: Watch = go_on
    ) -> tuple[int, int, int, int] | None:
        """The cheapest bank beside one inductor: types (-1 for no second) and pieces, or None.

        cost : of so many pieces of each type, (n_type, pieces_max + 1)
        """
        types = np.arange(len(self.rows))
        if not self.sourced:
            room = self._room(row)
            if room < 1.0:
                return None
            if room < TIGHT or len(self.asked) > 1:
                listed = self._listed(watch)
                if listed is not None:
                    return self._cheapest_listed(row, cost, listed, watch)
                pairs = self._able(self._mild(), self.asked[row], self.current[row])
                types = np.unique(np.concatenate([pairs.first, pairs.second]))
        scene = self.scene.take(np.array([row]))
        best = screen.cheapest_bank(
            scene, self.node, self.rows[types], cost[types], types_max=self.types_max, watch=watch
        )
        if best is None:
            return None
        one, pieces, two, more = best
        return int(types[one]), pieces, int(types[two]) if two >= 0 else -1, more

    def _room(self, row: int) -> float:
        """How many times over the best two types of each request meet it, the hardest one."""
        share = []
        for best, asked in zip(self.best, (self.asked[row], self.current[row]), strict=True):
            with np.errstate(divide="ignore", invalid="ignore"):
                share.append(np.where(asked > 0.0, best / asked, np.inf).min(initial=np.inf))
        return float(min(share))

    def _mild(self) -> _Banks:
        """Pairs of types with all pieces that the mildest inductor leaves."""
        if self.mild is None:
            pairs = _pairs(self.usable, self.most, two=self.types_max > 1)
            self.mild = self._able(pairs, self.asked.min(axis=0), self.current.min(axis=0))
        return self.mild

    def _listed(self, watch: Watch) -> _Listed | None:
        """Every bank that the mildest inductor leaves, if they are few enough to list."""
        if self.listed is not None or len(self._mild().first) > PAIRS_FEW:
            return self.listed
        mild = self._mild()
        parts = [mild.keep(slice(0, 0))]
        asked, current = self.asked.min(axis=0), self.current.min(axis=0)
        for start in range(0, len(mild.first), PAIRS_AT_ONCE):
            watch()
            pairs = mild.keep(slice(start, start + PAIRS_AT_ONCE))
            parts.append(self._counts(pairs, asked, current))
            if sum(len(part.first) for part in parts) > BANKS_FEW:
                return None
        banks = _Banks(*(np.concatenate(column) for column in zip(*parts, strict=True)))
        lanes = [k // self.orders for k in _hardest(asked, np.abs(self.admittance))]
        lanes = list(dict.fromkeys(lanes))[:LANES_FIRST]
        self.listed = _Listed(banks, np.array(lanes, dtype=np.int64))
        return self.listed

    def _cheapest_listed(
        self, row: int, cost: IntArray, listed: _Listed, watch: Watch
    ) -> tuple[int, int, int, int] | None:
        """The cheapest of the listed banks that passes beside one inductor."""
        if not len(listed.banks.first):
            return None
        scene = self.scene.take(np.array([row]))
        duty = screen.bank_duty(scene, self.node, self.rows, self.lanes)
        limit = screen.bank_limits(scene, self.node, self.rows, self.lanes)
        index = listed.left_beside(duty, limit, watch)
        price = _price(listed.banks.keep(index), cost)
        index = index[np.argsort(price, kind="stable")]
        index = index[np.sort(price) < bank_choice.NOT_OFFERED]
        for start in range(0, len(index), BANKS_AT_ONCE):
            watch()
            some = listed.banks.keep(index[start : start + BANKS_AT_ONCE])
            met = bank_choice.verdicts(duty=duty, limits=limit, **some.choice())
            passes = np.flatnonzero(np.logical_and.reduce(list(met.values())))
            if len(passes):
                one, pieces, two, more = (int(column[passes[0]]) for column in some)
                return one, pieces, two if more else -1, more
        return None

    def _counts(self, pairs: _Banks, asked: FloatArray, current: FloatArray) -> _Banks:
        """Every count of both types of some pairs that reaches the requests."""
        index = np.arange(len(pairs.first))
        count = np.arange(self.most + 1)
        axes = np.meshgrid(index, count[1:], count, indexing="ij")
        pair, n, m = (axis.ravel() for axis in axes)
        banks = _Banks(pairs.first[pair], n, pairs.second[pair], m)
        banks = banks.keep((m > 0) == (banks.first != banks.second))
        for k in _hardest(asked, np.abs(self.admittance)):
            banks = banks.keep(self._admits(banks, k) >= asked[k])
        for k in _hardest(current, self.carries):
            banks = banks.keep(self._carried(banks, k) >= current[k])
        return banks


class _Listed:
    """Banks, and ripple known beside some inductors that bounds the ripple beside others.

    Where the current differs by dI, the ripple of a bank differs by no more than 2 sum |dI_m Z_m|.
    """

    def __init__(self, banks: _Banks, lanes: IntArray) -> None:
        self.banks, self.lanes = banks, lanes
        self.known: list[tuple[ComplexArray, IntArray, FloatArray]] = []
        self.impedance: FloatArray | None = None

    def left_beside(self, duty: BankDuty, limit: BankLimits, watch: Watch) -> IntArray:
        """Banks whose ripple in the hardest lanes may be kept beside an inductor."""
        some = bank_choice.lanes_of(duty, self.lanes)
        allowed = limit.v_ripple[self.lanes] * (1.0 + bank_choice.RIPPLE_ROOM)
        if self.impedance is None:
            self.impedance = self._impedances(some)
        alive = np.ones(len(self.banks.first), dtype=bool)
        for harmonics, index, ripple in self.known:
            watch()
            apart = 2.0 * np.abs(some.harmonics[0] - harmonics)
            differs = np.einsum("blm,lm->bl", self.impedance[index], apart)
            alive[index[(ripple - differs > allowed).any(axis=1)]] = False
        index = np.flatnonzero(alive)
        if not len(index):
            return index
        ripple = self._ripple(some, index, allowed, watch)
        self.known.append((some.harmonics[0], index, ripple))
        return index[(ripple <= allowed).all(axis=1)]

    def _ripple(
        self, duty: BankDuty, index: IntArray, allowed: FloatArray, watch: Watch
    ) -> FloatArray:
        """Ripple of some banks: rebuilt in time where its bound is near the limit [V]."""
        found = []
        for start in range(0, len(index), PAIRS_AT_ONCE):
            watch()
            banks = self.banks.keep(index[start : start + PAIRS_AT_ONCE])
            ripple = duty.solve(banks.choice(), ripple=False).v_ripple_low
            near = np.flatnonzero((ripple <= NEAR * allowed).all(axis=1))
            if near.size:
                ripple[near] = duty.solve(banks.keep(near).choice(), ripple=True).v_ripple
            found.append(ripple)
        return np.concatenate(found)

    def _impedances(self, duty: BankDuty) -> FloatArray:
        """Impedance of every bank at every harmonic of the lanes [ohm]."""
        orders = duty.harmonics.shape[-1]
        one = _admittance(duty, orders)
        banks = self.banks
        total = banks.first_pieces[:, None] * one[banks.first]
        total += banks.second_pieces[:, None] * one[banks.second]
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / np.abs(total)).reshape(len(total), len(self.lanes), orders)


def _price(banks: _Banks, cost: IntArray) -> IntArray:
    return np.asarray(
        cost[banks.first, banks.first_pieces] + cost[banks.second, banks.second_pieces]
    )


def _hardest(asked: FloatArray, one: FloatArray) -> list[int]:
    """Requests that the best type covers least of; `one` : of one piece, (n_type, n_request)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(asked > 0.0, asked / one.max(axis=0, initial=0.0), 0.0)
    return [int(k) for k in np.argsort(-share)[:REQUESTS] if share[k] > 0.0]


def _pairs(usable: BoolArray, most: int, *, two: bool) -> _Banks:
    """Every pair of usable types with all pieces; of one type where both are the same."""
    index = np.flatnonzero(usable)
    one, other = np.triu_indices(len(index)) if two else (np.arange(len(index)),) * 2
    pieces = np.full(len(one), most)
    return _Banks(index[one], pieces, index[other], np.where(one == other, 0, most))


def _admittance(duty: BankDuty, orders: int) -> ComplexArray:
    """Of one piece of each type at each lane and harmonic [S], (n_type, n_lane * orders)."""
    columns = (duty.branches.capacitance, duty.branches.esr, duty.branches.esl)
    capacitance, esr, esl = (column[:, :, None] for column in columns)
    omega = 2.0 * np.pi * duty.frequency[0][:, None] * np.arange(1, orders + 1)
    g, b = bank.admittance(capacitance=capacitance, esr=esr, esl=esl, omega=omega)
    return np.asarray((g + 1j * b).reshape(len(g), -1))
