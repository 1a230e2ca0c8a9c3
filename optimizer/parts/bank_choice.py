"""Which banks of one or two types are feasible and worth their money.

Costs are integers, so that sums and comparisons of money are without rounding.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from optimizer import life
from optimizer.life import Wear
from optimizer.parts import bank
from optimizer.records import BoolArray, ComplexArray, FloatArray, IntArray

NOT_OFFERED = np.int64(2**40)
"""Stands for the cost of a number of pieces that cannot be bought."""

LANES_TRIED = 3
"""Lanes in which the ripple is rebuilt before all others."""

COARSE = 8
"""Stride of the instants at which the ripple is looked at first, to see what is far too high."""

MANY = 4
"""Types for each bank to solve from which their admittances are worked out one by one."""

LIFE_ROUNDING = 1e-9
"""Relative slack for float noise at the life that is asked."""

RIPPLE_ROOM = 1e-3
"""Relative room for the finite instants of the rebuilt ripple when a bound stands in for it."""


@dataclass(frozen=True)
class BankDuty:
    """What the bank must carry in each lane and how each type behaves there.

    harmonics : peak phasors [A], (1, n_lane, n_harmonic); frequency [Hz], i_rms_ac [A],
        (1, n_lane); branches : (n_type, n_lane); source : optional branch, (n_lane,)
    known : admittances of every type, where they were worked out with other lanes
    """

    harmonics: ComplexArray
    frequency: FloatArray
    i_rms_ac: FloatArray
    branches: bank.Branches
    source: bank.SourceBranch | None = None
    known: bank.Tables | None = None

    @cached_property
    def each(self) -> bank.Tables:
        """Admittances of every type, worked out on first use."""
        return self.known or bank.tables(
            harmonics=self.harmonics,
            frequency=self.frequency,
            i_rms_ac=self.i_rms_ac,
            branches=self.branches,
        )

    @property
    def listed(self) -> bank.Tables | None:
        """The same where they were worked out already."""
        return self.each if self.known or "each" in vars(self) else None

    def _given(self, choice: Mapping[str, IntArray]) -> dict[str, Any]:
        """What a solver of banks takes; few banks are not worth the admittances of all types."""
        few = MANY * len(choice["first"]) < len(self.branches.esr)
        names = ("first", "first_pieces", "second", "second_pieces")
        return {
            "harmonics": self.harmonics,
            "frequency": self.frequency,
            "i_rms_ac": self.i_rms_ac,
            "branches": self.branches,
            "source": self.source,
            "each": self.listed if few else self.each,
        } | {name: choice[name] for name in names}

    def solve(self, choice: Mapping[str, IntArray], *, ripple: bool) -> bank.Bank:
        """What banks do here; `choice` : the four columns that `bank.solve` takes."""
        return bank.solve(**self._given(choice), ripple=ripple)

    def losses(self, choice: Mapping[str, IntArray]) -> FloatArray:
        """Loss of banks in each lane [W], (n_choice, n_lane)."""
        return self._gathered(choice, bank.Flow.loss)

    def ripples(self, choice: Mapping[str, IntArray], stride: int = 1) -> FloatArray:
        """Ripple of banks in each lane [V], (n_choice, n_lane); a lower bound with a stride."""
        return self._gathered(choice, lambda flow: flow.ripple(stride))

    def _gathered(
        self, choice: Mapping[str, IntArray], what: Callable[[bank.Flow], FloatArray]
    ) -> FloatArray:
        found = np.empty((len(choice["first"]), self.branches.esr.shape[1]))
        for rows, flow in bank.flows(**self._given(choice)):
            found[rows] = what(flow)
        return found


@dataclass(frozen=True)
class BankLife:
    """How long banks must last over a mission.

    duty : what they carry in its lanes; wear : of each type; needed : life in operation [s]
    temp_board : around them [degC], (n_lane,); share : of the time [1], (n_lane,)
    """

    duty: BankDuty
    wear: Wear
    temp_board: FloatArray
    share: FloatArray
    needed: float

    @cached_property
    def coolest(self) -> BoolArray:
        """Types that last long enough without heat of their own, (n_type,)."""
        current = np.zeros((len(self.wear.factor), len(self.share)))
        return self._lasts(np.arange(len(current)), current)

    def holds(self, choice: Mapping[str, IntArray]) -> BoolArray:
        """Which banks last; `choice` : the four columns that `bank.solve` takes."""
        first, second = choice["first"], choice["second"]
        worn = ~np.isnan(self.wear.factor[:, 0])
        lasts = np.ones(len(first), dtype=bool)
        asked = np.flatnonzero(worn[first] | ((second >= 0) & worn[second]))
        solved = self.duty.solve({k: v[asked] for k, v in choice.items()}, ripple=False)
        for rows, current in (
            (first[asked], solved.i_rms_first),
            (second[asked], solved.i_rms_second),
        ):
            lasts[asked] &= (rows < 0) | self._lasts(np.maximum(rows, 0), current)
        return lasts

    def _lasts(self, rows: IntArray, current: FloatArray) -> BoolArray:
        found = life.life_type(
            wear=self.wear.take(rows),
            i_rms=current,
            temp_board=self.temp_board[None, :],
            share=self.share,
        )
        return np.asarray((found >= self.needed * (1.0 - LIFE_ROUNDING)) | np.isposinf(found))


@dataclass(frozen=True, slots=True)
class BankLimits:
    """Limits at the sizing lanes, and over the mission.

    v_ripple : largest peak-to-peak ripple [V], inf for none, (n_lane,)
    i_ripple : largest RMS current of one capacitor [A], inf for none, (n_type, n_lane); a NaN
        takes the type out
    capacitance_min : smallest capacitance of the bank [F], 0 for none, (n_lane,)
    life : how long it must last, None for no limit
    """

    v_ripple: FloatArray
    i_ripple: FloatArray
    capacitance_min: FloatArray
    life: BankLife | None = None


@dataclass(frozen=True, slots=True)
class BankOptions:
    """Banks: types, pieces, cost and weighted loss [W], (n_option,) each; -1 for no second type.

    falls : test -> how many banks it took out
    """

    first: IntArray
    first_pieces: IntArray
    second: IntArray
    second_pieces: IntArray
    cost: IntArray
    loss: FloatArray
    falls: dict[str, int] = field(default_factory=dict)

    def take(self, index: IntArray | BoolArray) -> BankOptions:
        """The options at `index`."""
        columns = (self.first, self.first_pieces, self.second, self.second_pieces)
        one, one_pieces, two, two_pieces = (c[index] for c in columns)
        return BankOptions(
            one, one_pieces, two, two_pieces, self.cost[index], self.loss[index], self.falls
        )


def weighted_loss(
    *,
    duty: BankDuty,
    weight: FloatArray,
    first: IntArray,
    first_pieces: IntArray,
    second: IntArray,
    second_pieces: IntArray,
) -> FloatArray:
    """Weighted loss of banks over the lanes of the objective.

    duty : current [A] and branches of the objective lanes
    weight : weight of each lane [1], (n_lane,)
    first, second : types, -1 for no second one [1], (n_choice,)
    first_pieces, second_pieces : pieces of each [1], (n_choice,)
    Returns : sum over lanes of weight times loss [W], (n_choice,)

    Holds for: as `bank.solve`.
    Source: definition.

    >>> one = bank.Branches(np.array([[1e-5]]), np.array([[0.01]]), np.array([[0.0]]))
    >>> duty = BankDuty(np.array([[[2.0 + 0j]]]), np.array([[1e5]]), np.array([[2.0**0.5]]), one)
    >>> weighted_loss(duty=duty, weight=np.array([0.5]), first=np.array([0]),
    ...     first_pieces=np.array([4]), second=np.array([-1]), second_pieces=np.array([0])).round(9)
    array([0.0025])
    """
    choice = {"first": first, "first_pieces": first_pieces}
    choice |= {"second": second, "second_pieces": second_pieces}
    return np.asarray(duty.losses(choice) @ weight)


def lane_scale(duty: BankDuty, weight: FloatArray) -> FloatArray:
    """What a bank loses in each lane beside its weighted loss, if of one resistance in all.

    duty : current [A] of the objective lanes
    weight : weight of each lane [1], (n_lane,)
    Returns : loss in each lane over the weighted loss [1], (n_lane,)

    Holds for: any duty; zeros where there is no current at all.
    Source: definition; only a scale, real banks lie beside it.

    >>> one = bank.Branches(np.array([[1e-5]]), np.array([[0.01]]), np.array([[0.0]]))
    >>> duty = BankDuty(np.array([[[2.0 + 0j], [1.0 + 0j]]]), np.array([[1e5, 1e5]]),
    ...     np.array([[2.0**0.5, 0.5**0.5]]), one)
    >>> lane_scale(duty, np.array([0.5, 0.5])).round(3)
    array([1.6, 0.4])
    """
    square = duty.i_rms_ac[0] ** 2
    total = float(square @ weight)
    return np.asarray(square / total if total > 0 else np.zeros(len(square)))


def loss_span(loss: FloatArray | IntArray, scale: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least and most of the losses of each bank over its lanes, each by the scale of the lane.

    loss : losses [W], (n_choice, n_lane)
    scale : scale of each lane [1], (n_lane,), see `lane_scale`
    Returns : least and most [W], (n_choice,) each. The least is never above the weighted loss. A
        bank whose most is no more than the least of another loses no more in any lane.

    Holds for: any losses; lanes without current, in which no bank loses anything, are left out.
    Source: definition.

    >>> loss_span(np.array([[3.2, 0.8], [2.0, 0.6]]), np.array([1.6, 0.4]))
    (array([2.  , 1.25]), array([2. , 1.5]))
    """
    used = scale > 0
    if not used.any():
        nothing = np.zeros(len(loss))
        return nothing, nothing
    scaled = loss[:, used] / scale[used]
    return np.asarray(scaled.min(axis=1)), np.asarray(scaled.max(axis=1))


def verdicts(
    *,
    duty: BankDuty,
    limits: BankLimits,
    first: IntArray,
    first_pieces: IntArray,
    second: IntArray,
    second_pieces: IntArray,
) -> dict[str, BoolArray]:
    """Which limit each bank meets at every sizing lane, and whether it lasts over the mission.

    The ripple is rebuilt in time only where the sum of magnitudes does not settle it; banks that
    fail another limit get the verdict of the sum alone, unless all others hold.
    """
    choice = {"first": first, "first_pieces": first_pieces}
    choice |= {"second": second, "second_pieces": second_pieces}
    solved = duty.solve(choice, ripple=False)
    second_allowed = np.where(
        (second < 0)[:, None], np.inf, limits.i_ripple[np.where(second < 0, 0, second)]
    )
    within = (solved.i_rms_first <= limits.i_ripple[first]) & (
        solved.i_rms_second <= second_allowed
    )
    current = np.asarray(within.all(axis=1))
    capacitance = np.asarray((solved.capacitance >= limits.capacitance_min).all(axis=1))
    met = {"current": current, "capacitance": capacitance}
    if limits.life is not None:
        met["life"] = limits.life.holds(choice)
    asked = np.logical_and.reduce(list(met.values()))
    return {"ripple": _ripple_verdict(duty, limits, choice, solved, asked), **met}


def _ripple_verdict(
    duty: BankDuty,
    limits: BankLimits,
    choice: dict[str, IntArray],
    solved: bank.Bank,
    asked: BoolArray,
) -> BoolArray:
    """Whether each bank keeps the ripple, rebuilt in time only where its bounds do not settle it.

    The lanes with most ripple go first, since most banks that fail at all fail there.
    """
    settled = solved.v_ripple_bound <= limits.v_ripple * (1 - RIPPLE_ROOM)
    hopeless = (solved.v_ripple_low > limits.v_ripple * (1 + RIPPLE_ROOM)).any(axis=1)
    ripple = np.asarray(settled.all(axis=1))
    rows = np.flatnonzero(~ripple & asked & ~hopeless)
    if not rows.size:
        return ripple
    unsettled = np.flatnonzero(~settled[rows].all(axis=0))
    worst = np.argsort(-(solved.v_ripple_low[rows] / limits.v_ripple).max(axis=0)[unsettled])
    for some in (unsettled[worst[:LANES_TRIED]], unsettled[worst[LANES_TRIED:]]):
        if rows.size and some.size:
            part = lanes_of(duty, some)
            for stride in (COARSE, 1):
                few = {name: values[rows] for name, values in choice.items()}
                rows = rows[(part.ripples(few, stride) <= limits.v_ripple[some]).all(axis=1)]
    ripple[rows] = True
    return ripple


def lanes_of(duty: BankDuty, used: BoolArray | IntArray) -> BankDuty:
    """The duty in some of its lanes."""
    if used.dtype == bool and used.all():
        return duty
    branches, listed = duty.branches, duty.listed
    some = bank.Branches(
        branches.capacitance[:, used], branches.esr[:, used], branches.esl[:, used]
    )
    source = duty.source
    if source is not None:
        source = bank.SourceBranch(source.resistance[used], source.inductance[used])
    return BankDuty(
        duty.harmonics[:, used],
        duty.frequency[:, used],
        duty.i_rms_ac[:, used],
        some,
        source,
        listed and bank.Tables(*(table[:, used] for table in listed)),
    )


def staircase(*, cost: IntArray, loss: FloatArray) -> IntArray:
    """Rows no other row beats in cost and loss, cheapest first; of equal rows the first stays.

    cost : cost units [1], (n,)
    loss : loss [W], (n,)
    Returns : indices [1], (n_kept,)

    Holds for: finite values.
    Source: definition of dominance.

    >>> staircase(cost=np.array([1, 2, 3, 3]), loss=np.array([3.0, 3.0, 1.0, 1.0]))
    array([0, 2])
    """
    order = np.lexsort((loss, cost))
    best = np.concatenate([[np.inf], np.minimum.accumulate(loss[order])])
    return np.asarray(order[loss[order] < best[: order.size]])


def single_options(
    *,
    objective: BankDuty,
    weight: FloatArray,
    sizing: BankDuty,
    limits: BankLimits,
    cost: IntArray,
) -> BankOptions:
    """Every feasible bank of one type.

    objective, sizing : current [A] and branches in the lanes of the objective and of the limits
    weight : weight of each objective lane [1], (n_lane,)
    limits : ripple [V], current [A] and capacitance [F] limits at the sizing lanes
    cost : cost units of buying and placing so many pieces of a type [1],
        (n_type, pieces_max + 1); negative where not offered
    Returns : feasible banks with cost [1] and loss [W]; `falls` counts the rest

    Holds for: as `bank.solve`.
    Source: definition; every number of pieces is solved in full.

    >>> one = bank.Branches(np.array([[1e-5]]), np.array([[0.01]]), np.array([[0.0]]))
    >>> duty = BankDuty(np.array([[[2.0 + 0j]]]), np.array([[1e5]]), np.array([[2.0**0.5]]), one)
    >>> limits = BankLimits(np.array([0.2]), np.array([[np.inf]]), np.array([0.0]))
    >>> single_options(objective=duty, weight=np.array([1.0]), sizing=duty, limits=limits,
    ...     cost=np.array([[0, 10, 20, 30, 40]])).first_pieces
    array([4])
    """
    usable = usable_types(objective, sizing, limits)
    types, pieces = np.nonzero((cost >= 0) & usable[:, None] & (np.arange(cost.shape[1]) > 0))
    none = np.full(types.size, -1), np.zeros(types.size, np.int64)
    choice = {"first": types, "first_pieces": pieces, "second": none[0], "second_pieces": none[1]}
    met = verdicts(duty=sizing, limits=limits, **choice)
    falls = {name: int((~ok).sum()) for name, ok in met.items()}
    keep = np.logical_and.reduce(list(met.values()))
    kept = {name: column[keep] for name, column in choice.items()}
    loss = weighted_loss(duty=objective, weight=weight, **kept)
    return BankOptions(**kept, cost=cost[types, pieces][keep], loss=loss, falls=falls)


def usable_types(objective: BankDuty, sizing: BankDuty, limits: BankLimits) -> BoolArray:
    """Types with every figure known in every lane, that may last long enough."""
    known = ~np.isnan(limits.i_ripple).any(axis=1)
    if limits.life is not None:
        known &= limits.life.coolest
    for duty in (objective, sizing):
        branches = duty.branches
        for figure in (branches.capacitance, branches.esr, branches.esl):
            known &= np.isfinite(figure).all(axis=1)
    return np.asarray(known)
