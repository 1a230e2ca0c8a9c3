"""Banks of two types worth their money: a cascade of proved bounds, then the full solution."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from optimizer.errors import Watch, go_on
from optimizer.parts import bank
from optimizer.parts.bank_choice import (
    COARSE,
    NOT_OFFERED,
    RIPPLE_ROOM,
    BankDuty,
    BankLimits,
    BankOptions,
    lanes_of,
    staircase,
    usable_types,
    verdicts,
    weighted_loss,
)
from optimizer.records import BoolArray, FloatArray, IntArray
from optimizer.rivals import Rivals

ROUNDING = 1e-9
"""Relative room left for rounding when a bound is compared."""

LANES_FIRST = 3
"""Sizing lanes tried with one harmonic alone before the full solution."""

TERMS_FIRST = 4
"""Largest (lane, harmonic) terms of the loss taken exactly before the full solution."""

QUEUE_BOUNDS, QUEUE_SOLVE = 1 << 16, 1 << 12
"""Banks collected before the second and the third stage run."""


BUCKETS = 1 << 20
"""Steps of cost in the table of best known losses."""


class _Pairs(NamedTuple):
    """Banks under test, (n,) each; cost : for bounds, floor : against a known bank."""

    first: IntArray
    first_pieces: IntArray
    second: IntArray
    second_pieces: IntArray
    cost: IntArray
    floor: IntArray

    def keep(self, mask: BoolArray | IntArray) -> _Pairs:
        """Those under the mask."""
        return _Pairs(*(column[mask] for column in self))

    @staticmethod
    def join(parts: list[_Pairs]) -> _Pairs:
        """All of several lists."""
        return _Pairs(*(np.concatenate(column) for column in zip(*parts, strict=True)))


class _Front:
    """Best loss known at or below a cost, as a table that never promises too little."""

    def __init__(self, cost: IntArray, loss: FloatArray) -> None:
        self.cost, self.loss = np.empty(0, np.int64), np.empty(0)
        self.add(cost, loss)

    def add(self, cost: IntArray, loss: FloatArray) -> None:
        """Take new banks in and rebuild the table."""
        cost, loss = np.concatenate([self.cost, cost]), np.concatenate([self.loss, loss])
        keep = staircase(cost=cost, loss=loss)
        self.cost, self.loss = cost[keep], loss[keep]
        top = int(self.cost[-1]) if keep.size else 0
        self.width = top // BUCKETS + 1
        self.table = self.exact(np.arange(0, top + self.width + 1, self.width))

    def exact(self, cost: IntArray) -> FloatArray:
        """Smallest loss among banks no dearer; inf where there is none."""
        index = np.searchsorted(self.cost, cost, side="right")
        return np.asarray(np.concatenate([[np.inf], self.loss])[index])

    def limit(self, cost: IntArray) -> FloatArray:
        """At least `exact`, by one look into the table."""
        return np.asarray(self.table[np.minimum(cost // self.width, self.table.size - 1)])


@dataclass(frozen=True, slots=True)
class _Term:
    """One (lane, harmonic) of a duty: what each type does there, (n_type,) each."""

    square: float
    conductance: FloatArray
    susceptance: FloatArray
    source: complex
    v_ripple: float
    square_allowed: FloatArray

    def divide(self, pairs: _Pairs) -> tuple[FloatArray, FloatArray]:
        """Mean square of the node voltage, and conductance of the bank, (n,) each."""
        g = self.conductance[pairs.first] * pairs.first_pieces
        g += self.conductance[pairs.second] * pairs.second_pieces
        b = self.susceptance[pairs.first] * pairs.first_pieces
        b += self.susceptance[pairs.second] * pairs.second_pieces
        return self.square / ((g + self.source.real) ** 2 + (b + self.source.imag) ** 2), g


@dataclass(frozen=True, slots=True)
class _Objective:
    """The loss split into terms taken exactly and a remainder bounded from resistance alone.

    With weights w, mean squares P and conductances G = na/ESRa + nb/ESRb, the Cauchy-Schwarz
    inequality gives sum(w*P/G) >= sum(w*P)^2 / sum(w*P*G): one number per type (`pull`).
    """

    pull: FloatArray
    power: float
    pull_rest: FloatArray
    power_rest: float
    terms: tuple[_Term, ...]
    weights: tuple[float, ...]

    def quick(self, load: FloatArray) -> FloatArray:
        """Lower bound on the loss from sum(pieces * pull)."""
        if self.power == 0:
            return np.zeros(load.shape)
        return np.asarray(self.power**2 / load * (1 - ROUNDING))

    def closer(self, pairs: _Pairs) -> FloatArray:
        """Lower bound with the largest terms exact."""
        total = np.zeros(pairs.cost.size)
        for term, weight in zip(self.terms, self.weights, strict=True):
            voltage, conductance = term.divide(pairs)
            total += weight * voltage * conductance
        if self.power_rest > 0:
            load = self.pull_rest[pairs.first] * pairs.first_pieces
            total += self.power_rest**2 / (
                load + self.pull_rest[pairs.second] * pairs.second_pieces
            )
        return total * (1 - ROUNDING)


def _terms(duty: BankDuty, limits: BankLimits | None, chosen: list[tuple[int, int]]) -> list[_Term]:
    """What each type does at the chosen (lane, harmonic) pairs."""
    square, omega = bank.spectrum(
        harmonics=duty.harmonics, frequency=duty.frequency, i_rms_ac=duty.i_rms_ac
    )
    terms = []
    for lane, order in chosen:
        rate, source = float(omega[0, lane, order]), 0j
        branches = duty.branches
        g, b = bank.admittance(
            capacitance=branches.capacitance[:, lane],
            esr=branches.esr[:, lane],
            esl=branches.esl[:, lane],
            omega=np.asarray(rate),
        )
        if duty.source is not None:
            impedance = duty.source.resistance[lane] + 1j * rate * duty.source.inductance[lane]
            source = complex(1 / impedance)
        ripple = np.inf if limits is None else float(limits.v_ripple[lane])
        allowed = np.full(g.shape, np.inf) if limits is None else limits.i_ripple[:, lane] ** 2
        terms.append(_Term(float(square[0, lane, order]), g, b, source, ripple, allowed))
    return terms


def _objective(duty: BankDuty, weight: FloatArray) -> _Objective:
    """Split the weighted loss; with a source branch only the exact terms bound it."""
    square, _ = bank.spectrum(
        harmonics=duty.harmonics, frequency=duty.frequency, i_rms_ac=duty.i_rms_ac
    )
    power = weight[:, None] * square[0]
    largest = np.argsort(power, axis=None)[::-1][:TERMS_FIRST]
    chosen = [(int(k) // power.shape[1], int(k) % power.shape[1]) for k in largest]
    rest = power.copy()
    rest.flat[largest] = 0.0
    if duty.source is not None:
        rest[:] = 0.0
        power = rest
    pull = power.sum(axis=1) / duty.branches.esr
    pull_rest = rest.sum(axis=1) / duty.branches.esr
    return _Objective(
        pull.sum(axis=1),
        float(power.sum()),
        pull_rest.sum(axis=1),
        float(rest.sum()),
        tuple(_terms(duty, None, chosen)),
        tuple(float(weight[lane]) for lane, _ in chosen),
    )


def _worst_terms(duty: BankDuty, limits: BankLimits) -> list[tuple[int, int]]:
    """Lanes where a capacitive or a resistive bank is likely to fail first, strongest harmonic."""
    strength = np.abs(duty.harmonics[0, :, : bank.HARMONICS])
    order = np.argmax(strength / np.arange(1, strength.shape[1] + 1), axis=1)
    peak = np.take_along_axis(strength, order[:, None], axis=1)[:, 0]
    allowed = np.max(limits.i_ripple[~np.isnan(limits.i_ripple).any(axis=1)], axis=0)
    scores = (
        peak / (duty.frequency[0] * (order + 1) * limits.v_ripple),
        peak / limits.v_ripple,
        peak / allowed,
        duty.i_rms_ac[0],
    )
    ranks = zip(*(np.argsort(-score) for score in scores), strict=True)
    lanes = dict.fromkeys(int(lane) for rank in ranks for lane in rank)
    return [(lane, int(order[lane])) for lane in list(lanes)[:LANES_FIRST]]


@dataclass(frozen=True, slots=True)
class _Costs:
    """Cost of so many pieces of each type, (n_type, pieces_max + 1).

    share : what a bank pays at least of a set; floor : what it adds at least to the rest;
    worst : bought for this bank alone. Alike for types that no other bank holds.
    """

    share: IntArray
    floor: IntArray
    worst: IntArray

    @property
    def shared(self) -> BoolArray:
        """Types that another bank may hold too, (n_type,)."""
        return np.asarray((self.floor < self.worst).any(axis=1))

    def worst_of(self, pairs: _Pairs) -> IntArray:
        """What banks cost when they share no part with the rest of the board."""
        first = self.worst[pairs.first, pairs.first_pieces]
        return np.asarray(first + self.worst[pairs.second, pairs.second_pieces])


_NONE = np.empty(0, np.int64)
NOTHING = BankOptions(_NONE, _NONE, _NONE, _NONE, _NONE, np.empty(0))
"""No bank at all."""


class _Search:
    """The cascade and what it has found so far."""

    def __init__(
        self,
        duties: tuple[BankDuty, BankDuty],
        weight: FloatArray,
        limits: BankLimits,
        levels: _Front,
        front: _Front,
        costs: _Costs,
        grow: bool,
        also: Callable[[dict[str, IntArray]], BoolArray] | None,
    ) -> None:
        self.also = also
        self.costs, self.levels = costs, levels
        self.duty, self.sizing = duties
        self.weight, self.limits, self.front, self.grow = weight, limits, front, grow
        self.objective = _objective(self.duty, weight)
        worst = _worst_terms(self.sizing, limits)
        self.lanes = _terms(self.sizing, limits, worst)
        self.worst = [
            (lanes_of(self.sizing, np.array([lane])), float(limits.v_ripple[lane]))
            for lane, _ in worst
        ]
        self.found, self.loss = _Pairs(*[_NONE] * 6), np.empty(0)
        self.falls: dict[str, int] = {}

    def fell(self, test: str, mask: BoolArray) -> None:
        """Count what a test took out."""
        self.falls[test] = self.falls.get(test, 0) + int(mask.size - np.count_nonzero(mask))

    def limit(self, cost: IntArray, floor: IntArray) -> FloatArray:
        """Loss from which a bank is of no interest, or a little above."""
        return np.minimum(self.levels.limit(cost), self.front.limit(floor))

    def generate(self, cost_max: int | None) -> Iterator[_Pairs]:
        """Banks that pass the cost limit and the one-number loss bound, a type at a time."""
        usable = usable_types(self.duty, self.sizing, self.limits)
        table, lowest = (
            np.where((one >= 0) & usable[:, None], one, NOT_OFFERED).astype(np.int64)[:, 1:]
            for one in (self.costs.share, self.costs.floor)
        )
        dearest = min(int(NOT_OFFERED) - 1, cost_max if cost_max is not None else int(NOT_OFFERED))
        cheapest = table.min(axis=1, initial=NOT_OFFERED)
        order = np.argsort(cheapest, kind="stable")
        order = order[cheapest[order] < NOT_OFFERED]
        pieces = np.arange(1, table.shape[1] + 1)
        load = self.objective.pull[:, None] * pieces
        for at, one in enumerate(order[:-1]):
            others = order[at + 1 :]
            if table[one].min() + table[others[0]].min() > dearest:
                break
            total = table[one][None, :, None] + table[others][:, None, :]
            affordable = total <= dearest
            self.fell("cost", affordable)
            bound = self.objective.quick(load[one][None, :, None] + load[others][:, None, :])
            least = lowest[one][None, :, None] + lowest[others][:, None, :]
            keep = affordable & (bound < self.limit(total, least))
            self.fell("loss of resistance", keep[affordable])
            other, n_one, n_other = np.nonzero(keep)
            yield _Pairs(
                np.full(other.size, one),
                n_one + 1,
                others[other],
                n_other + 1,
                total[keep],
                least[keep],
            )

    def bounds(self, pairs: _Pairs) -> _Pairs:
        """Banks that pass the strongest harmonic of the worst lanes and the closer loss bound."""
        for term in self.lanes:
            voltage, _ = term.divide(pairs)
            low = np.pi / 2 * np.sqrt(2 * voltage) * (1 - RIPPLE_ROOM)
            quiet = low <= term.v_ripple
            self.fell("ripple of one harmonic", quiet)
            carried = voltage * (1 - ROUNDING)
            square = term.conductance**2 + term.susceptance**2
            cool = carried * square[pairs.first] <= term.square_allowed[pairs.first]
            cool &= carried * square[pairs.second] <= term.square_allowed[pairs.second]
            self.fell("current of one harmonic", cool[quiet])
            pairs = pairs.keep(quiet & cool)
        keep = self.objective.closer(pairs) < self.limit(pairs.cost, pairs.floor)
        self.fell("largest loss terms", keep)
        return pairs.keep(keep)

    def settle(self, pairs: _Pairs) -> None:
        """Solve in full what is left and keep what is feasible and not beaten."""
        loss = weighted_loss(duty=self.duty, weight=self.weight, **_choice(pairs))
        keep = loss < np.minimum(self.levels.exact(pairs.cost), self.front.exact(pairs.floor))
        self.fell("loss", keep)
        pairs, loss = pairs.keep(keep), loss[keep]
        quiet = self.quiet(pairs)
        pairs, loss = pairs.keep(quiet), loss[quiet]
        if not self.grow:
            passes = self.passes(pairs)
            self.found = _Pairs.join([self.found, pairs.keep(passes)])
            self.loss = np.concatenate([self.loss, loss[passes]])
            return
        known = self.found.cost.size
        every = _Pairs.join([self.found, pairs])
        losses = np.concatenate([self.loss, loss])
        rivals = Rivals(
            np.stack([every.first, every.second], axis=1),
            np.stack([every.first_pieces, every.second_pieces], axis=1),
            losses,
            self.costs.floor,
            self.costs.worst,
            self.costs.shared,
        )
        kept = rivals.settled(np.arange(losses.size) < known, lambda k: self.passes(every.keep(k)))
        self.found, self.loss = every.keep(kept), losses[kept]
        self.front.add(self.costs.worst_of(self.found), self.loss)

    def quiet(self, pairs: _Pairs) -> IntArray:
        """Indices of the banks whose ripple, seen at a few instants, keeps the worst lanes."""
        left = np.arange(pairs.cost.size)
        for duty, v_ripple in self.worst:
            seen = duty.solve(_choice(pairs.keep(left)), ripple=True, stride=COARSE)
            quiet = seen.v_ripple[:, 0] <= v_ripple
            self.fell("ripple", quiet)
            left = left[quiet]
        return left

    def passes(self, pairs: _Pairs) -> BoolArray:
        """Which banks keep every limit."""
        met = verdicts(duty=self.sizing, limits=self.limits, **_choice(pairs))
        for name, ok in met.items():
            self.fell(name, ok)
        passes = np.asarray(np.logical_and.reduce(list(met.values())))
        if self.also is not None:
            passes[passes] = self.also(_choice(pairs.keep(passes)))
        return passes

    def result(self) -> BankOptions:
        """Everything found, cheapest first."""
        order = np.lexsort((self.loss, self.found.cost))
        return BankOptions(*self.found.keep(order)[:5], self.loss[order], self.falls)


def _choice(pairs: _Pairs) -> dict[str, IntArray]:
    """The columns under the names the solver takes."""
    return {
        "first": pairs.first,
        "first_pieces": pairs.first_pieces,
        "second": pairs.second,
        "second_pieces": pairs.second_pieces,
    }


def mixed_options(
    *,
    objective: BankDuty,
    weight: FloatArray,
    sizing: BankDuty,
    limits: BankLimits,
    cost: IntArray,
    single_cost: IntArray,
    single_loss: FloatArray,
    cost_max: int | None = None,
    cost_floor: IntArray | None = None,
    cost_worst: IntArray | None = None,
    levels: tuple[IntArray, FloatArray] | None = None,
    grow: bool = True,
    also: Callable[[dict[str, IntArray]], BoolArray] | None = None,
    watch: Watch = go_on,
) -> BankOptions:
    """Every bank of two types that is feasible and that no cheaper known bank beats in loss.

    objective, sizing : current [A] and branches in the lanes of the objective and of the limits
    weight : weight of each objective lane [1], (n_lane,)
    limits : ripple [V], current [A] and capacitance [F] limits at the sizing lanes
    cost : cost units of buying and placing so many pieces of a type [1],
        (n_type, pieces_max + 1); negative where not offered
    single_cost, single_loss : feasible banks of one type, cost units [1] and loss [W], (n,)
    cost_max : dearest bank of interest, cost units [1]
    cost_floor : the same table with what a bank adds at least to the cost of the rest, where
        parts can be shared (default `cost`); held against what a known bank costs
    cost_worst : the same table without any sharing: a bank is then beaten only by one that is
        no dearer at its worst
    levels : costs and the loss [W] from which no bank of at least that `cost` is of interest
    grow : whether banks of two types found here count as known (of equal ones the first stays);
        when False every feasible one that no single-type bank beats is returned
    also : what else is asked of banks that keep the limits, by the columns of a choice
    watch : called for every type; raises where the search is to end
    Returns : banks with cost [1] and loss [W], cheapest first; `falls` counts the rest by test

    Holds for: as `bank.solve`; cost adds over the two types.
    Source: derived in DEVELOPERS.md; compared with brute force in the tests.

    >>> one = bank.Branches(np.full((2, 1), 1e-5), np.array([[0.02], [0.01]]), np.zeros((2, 1)))
    >>> duty = BankDuty(np.array([[[2.0 + 0j]]]), np.array([[1e5]]), np.array([[2.0**0.5]]), one)
    >>> limits = BankLimits(np.array([1.0]), np.full((2, 1), np.inf), np.array([0.0]))
    >>> found = mixed_options(objective=duty, weight=np.array([1.0]), sizing=duty, limits=limits,
    ...     cost=np.array([[0, 10], [0, 15]]), single_cost=np.array([10, 15]),
    ...     single_loss=np.array([0.04, 0.02]))
    >>> found.cost, found.loss.round(3)
    (array([25]), array([0.015]))
    """
    if np.count_nonzero(usable_types(objective, sizing, limits)) < 2:
        return NOTHING
    used = np.asarray(weight) > 0
    duty = lanes_of(objective, used)
    known = _Front(single_cost, single_loss)
    none = np.empty(0, np.int64), np.empty(0)
    search = _Search(
        (duty, sizing),
        np.asarray(weight)[used],
        limits,
        _Front(*(none if levels is None else levels)),
        known,
        _Costs(
            cost,
            cost if cost_floor is None else cost_floor,
            cost if cost_worst is None else cost_worst,
        ),
        grow,
        also,
    )
    queue: list[_Pairs] = []
    ready: list[_Pairs] = []
    for pairs in search.generate(cost_max):
        watch()
        queue.append(pairs)
        if sum(q.cost.size for q in queue) >= QUEUE_BOUNDS:
            ready.append(search.bounds(_Pairs.join(queue)))
            queue = []
        if sum(r.cost.size for r in ready) >= QUEUE_SOLVE:
            search.settle(_Pairs.join(ready))
            ready = []
    if queue:
        ready.append(search.bounds(_Pairs.join(queue)))
    if ready:
        search.settle(_Pairs.join(ready))
    return search.result()
