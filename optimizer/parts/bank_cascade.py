"""Banks of two types sifted by a cascade of proved bounds before any is solved in full.

A pair of types goes when its cost, then a loss bound of one number per type, then the strongest
harmonic of the worst lanes, then the largest loss terms put it over what there is room for. Each
stage only drops what the full solution would.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from optimizer.parts import bank
from optimizer.parts.bank_choice import (
    COARSE,
    NOT_OFFERED,
    RIPPLE_ROOM,
    BankDuty,
    BankLimits,
    lane_scale,
    lanes_of,
    loss_span,
    usable_types,
    verdicts,
    weighted_loss,
)
from optimizer.parts.bank_family import Banks
from optimizer.records import BoolArray, FloatArray, IntArray

ROUNDING = 1e-9
"""Relative room left for rounding when a bound is compared."""

LANES_FIRST = 3
"""Sizing lanes tried with one harmonic alone before the full solution."""

LISTED_AT_ONCE = 1 << 16
"""Banks of a list looked at together."""

TERMS_FIRST = 4
"""Largest (lane, harmonic) terms of the loss taken exactly before the full solution."""


class Pairs(NamedTuple):
    """Banks under test, (n,) each; cost : for bounds, floor : against a known bank."""

    first: IntArray
    first_pieces: IntArray
    second: IntArray
    second_pieces: IntArray
    cost: IntArray
    floor: IntArray

    def keep(self, mask: BoolArray | IntArray) -> Pairs:
        """Those under the mask."""
        return Pairs(*(column[mask] for column in self))

    @staticmethod
    def join(parts: list[Pairs]) -> Pairs:
        """All of several lists."""
        return Pairs(*(np.concatenate(column) for column in zip(*parts, strict=True)))

    def choice(self) -> dict[str, IntArray]:
        """The columns under the names the solver takes."""
        return {
            "first": self.first,
            "first_pieces": self.first_pieces,
            "second": self.second,
            "second_pieces": self.second_pieces,
        }


def gathered(parts: Iterable[Pairs], least: int) -> Iterator[Pairs]:
    """The same lists, joined until each but the last holds so many banks."""
    waiting: list[Pairs] = []
    count = 0
    for part in parts:
        waiting.append(part)
        count += part.cost.size
        if count >= least:
            yield Pairs.join(waiting)
            waiting, count = [], 0
    if waiting:
        yield Pairs.join(waiting)


@dataclass(frozen=True, slots=True)
class Term:
    """One (lane, harmonic) of a duty: what each type does there, (n_type,) each."""

    square: float
    conductance: FloatArray
    susceptance: FloatArray
    source: complex
    v_ripple: float
    square_allowed: FloatArray

    def divide(self, pairs: Pairs) -> tuple[FloatArray, FloatArray]:
        """Mean square of the node voltage, and conductance of the bank, (n,) each."""
        g = self.conductance[pairs.first] * pairs.first_pieces
        g += self.conductance[pairs.second] * pairs.second_pieces
        b = self.susceptance[pairs.first] * pairs.first_pieces
        b += self.susceptance[pairs.second] * pairs.second_pieces
        return self.square / ((g + self.source.real) ** 2 + (b + self.source.imag) ** 2), g


@dataclass(frozen=True, slots=True)
class Objective:
    """The loss split into terms taken exactly and a remainder bounded from resistance alone.

    With weights w, mean squares P and conductances G = na/ESRa + nb/ESRb, the Cauchy-Schwarz
    inequality gives sum(w*P/G) >= sum(w*P)^2 / sum(w*P*G): one number per type (`pull`).
    """

    pull: FloatArray
    power: float
    pull_rest: FloatArray
    power_rest: float
    terms: tuple[Term, ...]
    weights: tuple[float, ...]

    def quick(self, load: FloatArray) -> FloatArray:
        """Lower bound on the loss from sum(pieces * pull)."""
        if self.power == 0:
            return np.zeros(load.shape)
        return np.asarray(self.power**2 / load * (1 - ROUNDING))

    def closer(self, pairs: Pairs) -> FloatArray:
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


def _terms(duty: BankDuty, limits: BankLimits | None, chosen: list[tuple[int, int]]) -> list[Term]:
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
        terms.append(Term(float(square[0, lane, order]), g, b, source, ripple, allowed))
    return terms


def _objective(duty: BankDuty, weight: FloatArray) -> Objective:
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
    return Objective(
        pull.sum(axis=1),
        float(power.sum()),
        pull_rest.sum(axis=1),
        float(rest.sum()),
        tuple(_terms(duty, None, chosen)),
        tuple(float(weight[lane]) for lane, _ in chosen),
    )


@dataclass(frozen=True, slots=True)
class _Lowest(Objective):
    """The least bound over some lanes, each by its scale; `pull` is the most of any lane."""

    each: tuple[Objective, ...]
    scale: tuple[float, ...]

    def closer(self, pairs: Pairs) -> FloatArray:
        """Lower bound with the largest terms of each lane exact."""
        bounds = [
            one.closer(pairs) / scale for one, scale in zip(self.each, self.scale, strict=True)
        ]
        return np.asarray(np.min(bounds, axis=0))


def _lowest(duty: BankDuty, scale: FloatArray) -> Objective:
    """The bound of the least loss over the lanes with a current, each by its scale."""
    lanes = np.flatnonzero(scale > 0)
    if not len(lanes):
        return _objective(duty, np.zeros(len(scale)))
    one = np.ones(1)
    each = [_objective(lanes_of(duty, np.array([lane])), one) for lane in lanes]
    unbounded = any(one.power == 0 for one in each)
    pull = [
        own.pull * scale[lane] / max(own.power, np.finfo(float).tiny) ** 2
        for own, lane in zip(each, lanes, strict=True)
    ]
    power = 0.0 if unbounded else 1.0
    none = np.zeros_like(pull[0])
    scales = tuple(float(scale[lane]) for lane in lanes)
    return _Lowest(np.max(pull, axis=0), power, none, 0.0, (), (), tuple(each), scales)


def loss_bound(duty: BankDuty, weight: FloatArray, first: IntArray, pieces: IntArray) -> FloatArray:
    """Lower bound on the weighted loss of banks of one type, by one number per type.

    duty : currents and branches
    weight : weight of each lane of the duty [1], (n_lane,)
    first, pieces : type and pieces of each bank [1], (n,)
    Returns : loss [W], (n,)

    Holds for: as `bank.solve`; zero where a source branch may carry the current.
    Source: Cauchy-Schwarz, derived in DEVELOPERS.md.

    >>> from optimizer.parts import bank
    >>> one = bank.Branches(np.full((1, 1), 1e-5), np.array([[0.02]]), np.zeros((1, 1)))
    >>> duty = BankDuty(np.array([[[2.0 + 0j]]]), np.array([[1e5]]), np.array([[2.0**0.5]]), one)
    >>> loss_bound(duty, np.array([1.0]), np.array([0, 0]), np.array([1, 2])).round(3)
    array([0.04, 0.02])
    """
    used = np.asarray(weight) > 0
    objective = _objective(lanes_of(duty, used), np.asarray(weight)[used])
    return objective.quick(objective.pull[first] * pieces)


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


Fits = Callable[[Pairs], BoolArray]
"""Which banks under test are allowed, (n,)."""


Also = Callable[[dict[str, IntArray]], BoolArray]
"""Which banks pass what is asked beside the limits, by the columns of a choice, (n,)."""


class Room(Protocol):
    """The loss [W] from which a bank is of no interest, or a little above."""

    def coarse(self, pairs: Pairs) -> FloatArray:
        """Of banks under test, or more, where it takes fewer looks, (n,)."""

    def of(self, pairs: Pairs) -> FloatArray:
        """Of banks under test, (n,)."""

    def ends(self, types: int) -> IntArray:
        """Largest cost at which a bank is of interest for each of its types, (n_type,)."""


class Cascade:
    """The stages for the banks of one node, with a count of what each took out."""

    def __init__(
        self,
        duties: tuple[BankDuty, BankDuty],
        weight: FloatArray,
        limits: BankLimits,
        room: Room,
        fits: Fits | None = None,
        also: Also | None = None,
        *,
        lanes_apart: bool = False,
    ) -> None:
        """Take the lanes of the objective that weigh anything, and those of the limits.

        fits : which banks are allowed at all; None for all
        also : what else is asked of banks that keep the limits; None for nothing
        lanes_apart : whether a loss is the least over the lanes, each by its scale, in place of
            the weighted one, and a bank is beaten only in every lane
        """
        self.fits, self.also, self.lanes_apart = fits, also, lanes_apart
        used = np.asarray(weight) > 0
        self.duty, self.sizing = lanes_of(duties[0], used), duties[1]
        self.weight, self.limits, self.room = np.asarray(weight)[used], limits, room
        self.scale = lane_scale(self.duty, self.weight)
        self.objective = (
            _lowest(self.duty, self.scale) if lanes_apart else _objective(self.duty, self.weight)
        )
        worst = _worst_terms(self.sizing, limits)
        self.lanes = _terms(self.sizing, limits, worst)
        self.worst = [
            (lanes_of(self.sizing, np.array([lane])), float(limits.v_ripple[lane]))
            for lane, _ in worst
        ]
        self.falls: dict[str, int] = {}

    def fell(self, test: str, mask: BoolArray) -> None:
        """Count what a test took out."""
        self._out(test, mask.size - int(np.count_nonzero(mask)))

    def _out(self, test: str, count: int) -> None:
        self.falls[test] = self.falls.get(test, 0) + count

    def generate(
        self,
        share: IntArray,
        floor: IntArray,
        *,
        cost_max: int | None = None,
        wanted: BoolArray | None = None,
        listed: Banks | None = None,
    ) -> Iterator[Pairs]:
        """Banks that pass the cost limit and the one-number loss bound, some at a time.

        share, floor : both costs of so many pieces of each type, (n_type, pieces_max + 1)
        wanted : types of which a bank must hold one at least, (n_type,); None for any
        listed : every bank that may pass the limits at such a cost, where that is known already
        """
        if listed is None:
            affordable = gathered(self._affordable(share, floor, cost_max, wanted), LISTED_AT_ONCE)
        else:
            affordable = self._among(listed, share, floor, cost_max, wanted)
        for pairs in affordable:
            load = self.objective.pull[pairs.first] * pairs.first_pieces
            load += self.objective.pull[pairs.second] * pairs.second_pieces
            keep = self.objective.quick(load) < self.room.coarse(pairs)
            self.fell("loss of resistance", keep)
            kept = pairs.keep(keep)
            yield kept if self.fits is None else kept.keep(self.fits(kept))

    def _affordable(
        self, share: IntArray, floor: IntArray, cost_max: int | None, wanted: BoolArray | None
    ) -> Iterator[Pairs]:
        """Banks that pass the cost limit, type by type, those with the cheapest type first.

        Of a type beside so many pieces of another, only the numbers that can cover what the ripple
        asks for are looked at.
        """
        table, lowest = self._offered(share, floor)
        most = self._most(len(table), cost_max)
        cheapest = table[:, 1:].min(axis=1, initial=NOT_OFFERED)
        order = np.argsort(cheapest, kind="stable")
        order = order[cheapest[order] < NOT_OFFERED]
        covers = self._covers()
        pieces = np.arange(1, table.shape[1])
        # least cost of so many pieces or more; none is offered beyond the last number
        at_least = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
        at_least = np.concatenate([at_least, np.full((len(table), 1), NOT_OFFERED)], axis=1)
        for at, one in enumerate(order[:-1]):
            others = order[at + 1 :]
            if wanted is not None and not wanted[one]:
                others = others[wanted[others]]
            dearest = np.maximum(most[one], most[others])
            within = cheapest[one] + cheapest[others] <= dearest
            others, dearest = others[within], dearest[within]
            if not len(others):
                continue
            left = 1.0 - ROUNDING - covers[:, one, None] * pieces
            needed = (left[:, :, None] / covers[:, None, others]).max(axis=0)  # (n_one, n_other)
            needed = np.ceil(np.clip(needed, 1, table.shape[1])).astype(np.int64)
            least = (table[one, 1:, None] + at_least[others, needed]).min(axis=0)
            some = least <= dearest
            self._out("cost", int(np.count_nonzero(~some)) * pieces.size**2)
            others, dearest, needed = others[some], dearest[some], needed[:, some]
            # of each type so many more pieces as are affordable beside so many of this one
            spare = dearest[:, None] - table[one, 1:]
            more = (at_least[others, 1:-1].T[:, :, None] <= spare).sum(axis=0)
            count = np.maximum(more - needed.T + 1, 0).ravel()
            place = np.repeat(np.arange(count.size), count)
            other, n_one = np.divmod(place, pieces.size)
            second, n_one = others[other], n_one + 1
            n_other = np.arange(place.size) - np.repeat(np.cumsum(count) - count, count)
            n_other += needed.T.ravel()[place]
            total = table[one, n_one] + table[second, n_other]
            within = total <= dearest[other]
            self._out("cost", count.size * pieces.size - int(np.count_nonzero(within)))
            if not within.all():
                second, n_one, n_other = second[within], n_one[within], n_other[within]
                total = total[within]
            yield Pairs(
                np.full(second.size, one),
                n_one,
                second,
                n_other,
                total,
                lowest[one, n_one] + lowest[second, n_other],
            )

    def _covers(self) -> FloatArray:
        """Share of what the ripple asks for that a piece covers at most, (n_term, n_type).

        Admittances add at most in size. A source branch may cover all; the first row asks nothing.
        """
        rows = [np.full(len(self.objective.pull), 1.0)]
        for term in self.lanes:
            needed = np.pi / 2 * np.sqrt(2 * term.square) * (1 - RIPPLE_ROOM) / term.v_ripple
            needed -= abs(term.source)
            if needed > 0.0:
                each = np.hypot(term.conductance, term.susceptance) / needed
                rows.append(np.nan_to_num(each, nan=1.0).clip(1e-12))
        return np.stack(rows)

    def _among(
        self,
        listed: Banks,
        share: IntArray,
        floor: IntArray,
        cost_max: int | None,
        wanted: BoolArray | None,
    ) -> Iterator[Pairs]:
        """The same of banks that were listed before."""
        table, lowest = self._offered(share, floor)
        most = self._most(len(table), cost_max)
        rank = np.empty(len(table), dtype=np.int64)
        rank[np.argsort(table[:, 1:].min(axis=1), kind="stable")] = np.arange(len(table))
        for start in range(0, len(listed.cost), LISTED_AT_ONCE):
            some = listed.take(slice(start, start + LISTED_AT_ONCE)).ordered(rank)
            if wanted is not None:
                some = some.take(wanted[some.first] | wanted[some.second])
            cost = table[some.first, some.first_pieces] + table[some.second, some.second_pieces]
            affordable = cost <= np.maximum(most[some.first], most[some.second])
            self.fell("cost", affordable)
            some = some.take(affordable)
            yield Pairs(
                some.first,
                some.first_pieces,
                some.second,
                some.second_pieces,
                cost[affordable],
                lowest[some.first, some.first_pieces] + lowest[some.second, some.second_pieces],
            )

    def _most(self, types: int, cost_max: int | None) -> IntArray:
        """The dearest cost at which a bank is wanted for each of its types, (n_type,)."""
        bought = int(NOT_OFFERED) - 1
        most = bought if cost_max is None else min(bought, cost_max)
        return np.asarray(np.minimum(self.room.ends(types), most))

    def _offered(self, *tables: IntArray) -> list[IntArray]:
        """Costs of what can be judged and bought, `NOT_OFFERED` elsewhere."""
        usable = usable_types(self.duty, self.sizing, self.limits)
        return [
            np.where((one >= 0) & usable[:, None], one, NOT_OFFERED).astype(np.int64)
            for one in tables
        ]

    def bounds(self, pairs: Pairs) -> Pairs:
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
        keep = self.objective.closer(pairs) < self.room.of(pairs)
        self.fell("largest loss terms", keep)
        return pairs.keep(keep)

    def loss(self, pairs: Pairs) -> FloatArray:
        """Loss [W], solved in full."""
        return self.losses(pairs)[0]

    def losses(self, pairs: Pairs) -> tuple[FloatArray, FloatArray]:
        """The same, and the most over the lanes where these are apart."""
        if self.lanes_apart:
            return loss_span(self.duty.losses(pairs.choice()), self.scale)
        loss = weighted_loss(duty=self.duty, weight=self.weight, **pairs.choice())
        return loss, loss

    def quiet(self, pairs: Pairs) -> IntArray:
        """Indices of the banks whose ripple, seen at a few instants, keeps the worst lanes."""
        left = np.arange(pairs.cost.size)
        for duty, v_ripple in self.worst:
            quiet = duty.ripples(pairs.keep(left).choice(), COARSE)[:, 0] <= v_ripple
            self.fell("ripple", quiet)
            left = left[quiet]
        return left

    def passes(self, pairs: Pairs) -> BoolArray:
        """Which banks keep every limit."""
        met = verdicts(duty=self.sizing, limits=self.limits, **pairs.choice())
        for name, ok in met.items():
            self.fell(name, ok)
        passes = np.asarray(np.logical_and.reduce(list(met.values())))
        if self.also is not None:
            passes[passes] = self.also(pairs.keep(passes).choice())
        return passes
