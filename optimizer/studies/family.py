"""Several finished runs bought together: fewest part numbers against total cost and loss.

Each member brings sets to choose from (the points of its front, and what is added to them). One set
per member is chosen; equal part numbers of all members are one purchase line and one line item a
year. The choice is exact over the sets that were brought, by a mixed-integer program in which the
pieces of a part on all members together have one price each; that no other set would do better is
not proved, unless the bound says so.

A variable w per (part, pieces on each member that may hold it) needs no integrality: once one set
per member is chosen, the pieces of a part on every member are, and only one w fits them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import prod

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from optimizer import purchase
from optimizer.errors import InputError, NotProved, Problem
from optimizer.records import FloatArray

COMBINATIONS_MOST = 50_000
"""Combinations of pieces of one part over the members."""

CENT = 0.005
"""Total costs closer than this are equal [currency]."""


@dataclass(frozen=True, slots=True)
class Bought:
    """How a part is bought: breaks in the currency of the family, order rules."""

    breaks: tuple[tuple[int, float], ...]
    order_minimum: int
    order_multiple: int

    def total(self, need: int) -> float:
        """Price of at least `need` pieces in one order, inf where there is none [currency]."""
        return purchase.line_price(need, self.breaks, self.order_minimum, self.order_multiple).total


@dataclass(frozen=True, slots=True)
class Choosable:
    """One set a member may take.

    pieces : part number -> pieces on one board; kinds : part number -> kind
    fixed : cost per board beside parts and line items [currency]; loss : of the objective [W]
    name : "point 3", or how else it was found
    """

    name: str
    pieces: Mapping[str, int]
    kinds: Mapping[str, str]
    fixed: float
    loss: float


@dataclass(frozen=True, slots=True)
class Member:
    """One run: boards a year, scrap share, its sets, and the one chosen when it stands alone."""

    name: str
    boards: int
    scrap: float
    sets: tuple[Choosable, ...]
    alone: int


@dataclass(frozen=True, slots=True)
class Taken:
    """One answer: part numbers, cost a year [currency], loss of all boards together [W].

    bound : proved lower bound of the cost over the sets that were brought
    sets : member -> name of its set; shared : part number -> members that hold it, where several do
    """

    part_numbers: int
    cost: float
    loss: float
    bound: float
    proved: bool
    sets: Mapping[str, str]
    shared: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Family:
    """The whole answer.

    alone : every member's own choice bought by itself; pooled : the same sets bought together
    cheapest : least cost for each number of part numbers worth allowing, whatever is lost
    no_lossier : the same with no more loss than the members' own choices together
    common, common_alone : least cost with one common part of a kind, None where not asked;
        common_price : what it costs more than the cheapest without
    bound : lower bound of the cost over every set of the catalogs, None where not asked
    """

    alone: Taken
    pooled: Taken
    cheapest: tuple[Taken, ...]
    no_lossier: tuple[Taken, ...]
    common: Taken | None = None
    common_kind: str = ""
    common_part: str = ""
    common_price: float | None = None
    bound: float | None = None
    notes: tuple[str, ...] = field(default=())


class Model:
    """The mixed-integer program of a family; limits are set per question."""

    def __init__(
        self, members: Sequence[Member], bought: Mapping[str, Bought], *, line_item: float
    ) -> None:
        self.members, self.bought, self.line_item = members, bought, line_item
        self.first = np.cumsum([0, *(len(one.sets) for one in members)])
        self.parts = sorted({p for m in members for s in m.sets for p in s.pieces})
        self.cost = [m.boards * s.fixed for m in members for s in m.sets]
        self.loss = [m.boards * s.loss for m in members for s in m.sets]
        self._rows: list[tuple[list[int], list[float]]] = []
        self._right: list[float] = []
        self.absent: dict[str, int] = {}
        for number, member in enumerate(members):
            columns = list(range(self.first[number], self.first[number + 1]))
            self._row(columns, [1.0] * len(member.sets), 1.0)
        for part in self.parts:
            self._add_part(part)

    def _row(self, columns: list[int], values: list[float], right: float) -> None:
        self._rows.append((columns, values))
        self._right.append(right)

    def _add_part(self, part: str) -> None:
        """Columns for every combination of pieces of a part over the members that may hold it."""
        counts = [sorted({s.pieces.get(part, 0) for s in m.sets}) for m in self.members]
        if prod(len(one) for one in counts) > COMBINATIONS_MOST:
            need = f"at most {COMBINATIONS_MOST} combinations of pieces of one part"
            fix = "ask for fewer members at a time"
            raise InputError([Problem("family", part, "too many members", need, fix)])
        start = len(self.cost)
        combinations = list(product(*counts))
        for pieces in combinations:
            self.cost.append(self.price(part, pieces))
            self.loss.append(0.0)
        for number, (member, some) in enumerate(zip(self.members, counts, strict=True)):
            for count in some:
                columns = [start + k for k, one in enumerate(combinations) if one[number] == count]
                sets = [
                    int(self.first[number]) + k
                    for k, one in enumerate(member.sets)
                    if one.pieces.get(part, 0) == count
                ]
                self._row([*columns, *sets], [1.0] * len(columns) + [-1.0] * len(sets), 0.0)
        zero = tuple(0 for _ in self.members)
        if zero in combinations:
            self.absent[part] = start + combinations.index(zero)

    def price(self, part: str, pieces: Sequence[int]) -> float:
        """Purchase and line item of a part for a year [currency]."""
        if not any(pieces):
            return 0.0
        need = sum(
            int(purchase.pieces_needed(n, boards=m.boards, scrap=m.scrap))
            for n, m in zip(pieces, self.members, strict=True)
        )
        return self.bought[part].total(need) + self.line_item

    def solve(
        self,
        *,
        part_numbers: int | None = None,
        loss: float | None = None,
        allowed: Callable[[Choosable], bool] = lambda one: True,
        time_limit: float = 60.0,
        fewest: bool = False,
    ) -> Taken | None:
        """The least cost within limits, None where nothing keeps them.

        allowed : sets that may be taken; fewest : least part numbers in place of least cost
        """
        width = len(self.cost)
        count = np.zeros(width)
        count[list(self.absent.values())] = -1.0
        cost = np.array(self.cost)
        rows = [LinearConstraint(self._matrix(), self._right, self._right)]
        if part_numbers is not None:
            rows.append(LinearConstraint(count[None, :], -np.inf, part_numbers - len(self.parts)))
        if loss is not None:
            rows.append(LinearConstraint(np.array(self.loss)[None, :], -np.inf, loss))
        upper = np.ones(width)
        every = [one for member in self.members for one in member.sets]
        upper[[k for k, one in enumerate(every) if not allowed(one)]] = 0.0
        upper[~np.isfinite(cost)] = 0.0
        whole = np.zeros(width, dtype=np.int64)
        whole[: len(every)] = 1
        found = milp(
            count if fewest else np.where(np.isfinite(cost), cost, 0.0),
            integrality=whole,
            bounds=Bounds(0.0, upper),
            constraints=rows,
            options={"mip_rel_gap": 0.0, "time_limit": time_limit},
        )
        if found.status == 2:
            return None
        if found.x is None:
            raise NotProved("the time was too short for a first family")
        picked = [
            int(np.argmax(found.x[a:b]))
            for a, b in zip(self.first[:-1], self.first[1:], strict=True)
        ]
        bound = np.nan if fewest or found.mip_dual_bound is None else found.mip_dual_bound
        return self.taken(picked, bound=float(bound), proved=found.status == 0)

    def _matrix(self) -> coo_array:
        values = np.concatenate([np.array(v) for _, v in self._rows])
        columns = np.concatenate([np.array(c) for c, _ in self._rows])
        lengths = [len(c) for c, _ in self._rows]
        rows = np.repeat(np.arange(len(lengths)), lengths)
        return coo_array((values, (rows, columns)), shape=(len(lengths), len(self.cost)))

    def taken(self, picked: Sequence[int], *, bound: float, proved: bool) -> Taken:
        """The record of one set per member, its cost added up again from prices."""
        sets = [m.sets[k] for m, k in zip(self.members, picked, strict=True)]
        used = sorted({part for one in sets for part in one.pieces})
        cost = sum(m.boards * s.fixed for m, s in zip(self.members, sets, strict=True))
        cost += sum(self.price(part, [s.pieces.get(part, 0) for s in sets]) for part in used)
        holders = {
            part: tuple(m.name for m, s in zip(self.members, sets, strict=True) if part in s.pieces)
            for part in used
        }
        return Taken(
            part_numbers=len(used),
            cost=round(cost, 4),
            loss=sum(m.boards * s.loss for m, s in zip(self.members, sets, strict=True)),
            bound=bound if np.isfinite(bound) else cost,
            proved=proved,
            sets={m.name: s.name for m, s in zip(self.members, sets, strict=True)},
            shared={part: names for part, names in holders.items() if len(names) > 1},
        )


def steps(model: Model, *, loss: float | None, time_limit: float) -> Iterator[Taken]:
    """Least cost for each number of part numbers, from the fewest up to where more buys nothing."""
    least = model.solve(loss=loss, time_limit=time_limit, fewest=True)
    best = model.solve(loss=loss, time_limit=time_limit)
    if least is None or best is None:
        return
    last: float = np.inf
    for count in range(least.part_numbers, best.part_numbers):
        found = model.solve(part_numbers=count, loss=loss, time_limit=time_limit)
        if found is not None and found.cost < last - CENT:
            last = found.cost
            yield found
            if found.cost <= best.cost + CENT:
                return
    yield best


def alone(model: Model) -> Taken:
    """Every member's own choice, each member bought by itself."""
    picked = [member.alone for member in model.members]
    together = model.taken(picked, bound=np.nan, proved=True)
    cost = 0.0
    for number, member in enumerate(model.members):
        one = Model([member], model.bought, line_item=model.line_item)
        cost += one.taken([picked[number]], bound=np.nan, proved=True).cost
    return Taken(
        together.part_numbers, cost, together.loss, cost, True, together.sets, together.shared
    )


def family(
    members: Sequence[Member],
    bought: Mapping[str, Bought],
    *,
    line_item: float,
    common_kind: str = "",
    bound: float | None = None,
    time_limit: float = 60.0,
    notes: Sequence[str] = (),
) -> Family:
    """The answer for some members.

    bought : how every part of their sets is bought; line_item : per part number and year
    common_kind : ask also for one common part of that kind
    bound : lower bound of the cost over all sets of the catalogs, where it was computed
    """
    model = Model(members, bought, line_item=line_item)
    own = alone(model)
    cheapest = tuple(steps(model, loss=None, time_limit=time_limit))
    slack = own.loss * (1.0 + 1e-9)
    no_lossier = tuple(steps(model, loss=slack, time_limit=time_limit))
    common, part = None, ""
    if common_kind:
        common, part = _common(model, common_kind, time_limit)
    price = None if common is None else round(common.cost - cheapest[-1].cost, 4)
    return Family(
        alone=own,
        pooled=model.taken([m.alone for m in members], bound=np.nan, proved=True),
        cheapest=cheapest,
        no_lossier=no_lossier,
        common=common,
        common_kind=common_kind,
        common_part=part,
        common_price=price,
        bound=bound,
        notes=tuple(notes),
    )


def _common(model: Model, kind: str, time_limit: float) -> tuple[Taken | None, str]:
    """The least cost with a single part of a kind on all members, and that part."""
    best: Taken | None = None
    name = ""
    for part in common_parts(model.members, kind):

        def only(one: Choosable, part: str = part) -> bool:
            return {p for p in one.pieces if one.kinds[p] == kind} == {part}

        found = model.solve(allowed=only, time_limit=time_limit)
        if found is not None and (best is None or found.cost < best.cost - CENT):
            best, name = found, part
    return best, name


def common_parts(members: Sequence[Member], kind: str) -> list[str]:
    """Parts that are the only one of a kind on some set of every member."""
    found: list[set[str]] = []
    for member in members:
        here: set[str] = set()
        for one in member.sets:
            names = {part for part in one.pieces if one.kinds[part] == kind}
            here |= names if len(names) == 1 else set()
        found.append(here)
    return sorted(set.intersection(*found)) if found else []


def optimistic_price(one: Bought, most: int) -> float:
    """A price per piece that no order of up to `most` pieces goes below [currency]."""
    prices: FloatArray = np.array([p * max(1.0, q / max(most, 1)) for q, p in one.breaks])
    return float(prices.min()) if len(prices) else np.inf
