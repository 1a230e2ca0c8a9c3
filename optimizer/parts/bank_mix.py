"""Banks of two types worth their money: a cascade of proved bounds, then the full solution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.errors import Watch, go_on
from optimizer.parts.bank_cascade import Also, Cascade, Fits, Pairs, gathered
from optimizer.parts.bank_choice import (
    NOT_OFFERED,
    BankDuty,
    BankLimits,
    BankOptions,
    staircase,
    usable_types,
)
from optimizer.parts.bank_family import Banks
from optimizer.records import BoolArray, FloatArray, IntArray
from optimizer.rivals import Rivals

QUEUE_BOUNDS, QUEUE_SOLVE = 1 << 13, 1 << 12
"""Banks collected before the second and the third stage run."""

BUCKETS = 1 << 20
"""Steps of cost in the table of best known losses."""


class Front:
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
class Known:
    """Room left by levels of the cost in a set, and by the best known loss at the other cost."""

    levels: Front
    front: Front

    def coarse(self, pairs: Pairs) -> FloatArray:
        """The same: it is one look for each."""
        return self.of(pairs)

    def of(self, pairs: Pairs) -> FloatArray:
        """Room of banks under test."""
        return np.minimum(self.levels.limit(pairs.cost), self.front.limit(pairs.floor))

    def ends(self, types: int) -> IntArray:
        """No cost ends it for one type alone."""
        return np.full(types, NOT_OFFERED)


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

    def worst_of(self, pairs: Pairs) -> IntArray:
        """What banks cost when they share no part with the rest of the board."""
        first = self.worst[pairs.first, pairs.first_pieces]
        return np.asarray(first + self.worst[pairs.second, pairs.second_pieces])


_NONE = np.empty(0, np.int64)
NOTHING = BankOptions(_NONE, _NONE, _NONE, _NONE, _NONE, np.empty(0))
"""No bank at all."""


class _Search:
    """What the cascade leaves, solved in full against what has been found so far."""

    def __init__(self, cascade: Cascade, room: Known, costs: _Costs, grow: bool) -> None:
        self.cascade, self.room, self.costs, self.grow = cascade, room, costs, grow
        self.found, self.loss, self.most = Pairs(*[_NONE] * 6), np.empty(0), np.empty(0)

    def settle(self, pairs: Pairs) -> None:
        """Solve in full what is left and keep what is feasible and not beaten."""
        cascade, room = self.cascade, self.room
        pairs = pairs.keep(cascade.quiet(pairs))
        loss, most = cascade.losses(pairs)
        keep = loss < np.minimum(room.levels.exact(pairs.cost), room.front.exact(pairs.floor))
        cascade.fell("loss", keep)
        pairs, loss, most = pairs.keep(keep), loss[keep], most[keep]
        if not self.grow:
            passes = cascade.passes(pairs)
            self.found = Pairs.join([self.found, pairs.keep(passes)])
            self.loss = np.concatenate([self.loss, loss[passes]])
            return
        known = self.found.cost.size
        every = Pairs.join([self.found, pairs])
        losses = np.concatenate([self.loss, loss])
        dearest = np.concatenate([self.most, most])
        rivals = Rivals(
            np.stack([every.first, every.second], axis=1),
            np.stack([every.first_pieces, every.second_pieces], axis=1),
            losses,
            self.costs.floor,
            self.costs.worst,
            self.costs.shared,
            loss_most=dearest if cascade.lanes_apart else None,
        )
        asked = np.arange(losses.size) < known
        kept = rivals.settled(asked, lambda k: cascade.passes(every.keep(k)))
        self.found, self.loss, self.most = every.keep(kept), losses[kept], dearest[kept]
        room.front.add(self.costs.worst_of(self.found), self.most)

    def result(self) -> BankOptions:
        """Everything found, cheapest first."""
        order = np.lexsort((self.loss, self.found.cost))
        return BankOptions(*self.found.keep(order)[:5], self.loss[order], self.cascade.falls)


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
    fits: Fits | None = None,
    also: Also | None = None,
    listed: Banks | None = None,
    lanes_apart: bool = False,
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
    fits : which banks are allowed at all; None for all
    also : what else is asked of banks that keep the limits, by the columns of a choice
    listed : every bank that may pass the limits at such a cost, where that is known already
    lanes_apart : as `Cascade` takes it; then `single_loss` is the most over the lanes
    watch : called often; raises where the search is to end
    Returns : banks with cost [1] and loss [W], cheapest first; `falls` counts the rest by test

    Holds for: as `bank.solve`; cost adds over the two types.
    Source: derived in DEVELOPERS.md; compared with brute force in the tests.

    >>> from optimizer.parts import bank
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
    none = np.empty(0, np.int64), np.empty(0)
    room = Known(Front(*(none if levels is None else levels)), Front(single_cost, single_loss))
    costs = _Costs(
        cost,
        cost if cost_floor is None else cost_floor,
        cost if cost_worst is None else cost_worst,
    )
    duties = objective, sizing
    cascade = Cascade(duties, weight, limits, room, fits, also, lanes_apart=lanes_apart)
    search = _Search(cascade, room, costs, grow)
    listing = cascade.generate(costs.share, costs.floor, cost_max=cost_max, listed=listed)
    bounded = map(cascade.bounds, gathered(listing, QUEUE_BOUNDS))
    for pairs in gathered(bounded, QUEUE_SOLVE):
        watch()
        search.settle(pairs)
    return search.result()
