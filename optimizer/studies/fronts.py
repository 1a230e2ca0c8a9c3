"""Fronts as questions see them, and a spec at each charge-current sense that it offers.

A question of a run that offers several resistors is asked of one *variant* after the other, the
nearest end of charge first; what they find is joined here as `front` joins it: by cost, loss with
that in the resistor, and error of the end of charge. Without a choice there is one variant, without
a sense, and no error to weigh.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer import conclude_senses as senses
from optimizer import search
from optimizer.catalog import Catalog
from optimizer.conclude_senses import specs_of
from optimizer.conclude_sets import Chosen
from optimizer.dominance import Staircase, staircase, unbeaten
from optimizer.expansion import COVERED
from optimizer.found import Found
from optimizer.purchase import PRICE_NONE
from optimizer.records import FloatArray, IntArray
from optimizer.results import ChargeSense, Margin
from optimizer.spec_edit import with_sense
from optimizer.spec_records import Spec
from optimizer.studies.judging import Verdicts, judge

NOT_OFFERED = "its charge-current sense is not offered"


@dataclass(frozen=True, slots=True)
class Front:
    """Points of a front: sets with cost and loss in the units of the decision, cost rising.

    loss : with that in the charge-current sense, where the points have one
    number : of the archived point, 0 for a set found since; mark : "cheapest", "knee", ...
    sense : the charge-current sense of each point, None where there is no choice of it
    """

    chosen: tuple[Chosen, ...]
    cost: IntArray
    loss: IntArray
    number: tuple[int, ...]
    mark: tuple[str, ...]
    sense: tuple[ChargeSense | None, ...]

    def __len__(self) -> int:
        return len(self.chosen)

    @property
    def error(self) -> FloatArray:
        """How far the end of charge may lie off at each point [A]."""
        return np.array([error_of(one) for one in self.sense])

    def stair(self, error: float = math.inf) -> Staircase:
        """The points whose end of charge is at least so near, as a staircase."""
        near = np.flatnonzero(self.error <= error)
        kept = near[staircase(self.cost[near], self.loss[near])]
        return self.cost[kept], self.loss[kept]

    def take(self, rows: Sequence[int] | IntArray) -> Front:
        """Some of the points."""
        index = [int(k) for k in rows]
        return Front(
            tuple(self.chosen[k] for k in index),
            self.cost[index],
            self.loss[index],
            tuple(self.number[k] for k in index),
            tuple(self.mark[k] for k in index),
            tuple(self.sense[k] for k in index),
        )

    def joined(self, other: Front) -> Front:
        """The points of both that nothing beats, the first kept of equals."""
        both = Front(
            self.chosen + other.chosen,
            np.concatenate([self.cost, other.cost]),
            np.concatenate([self.loss, other.loss]),
            self.number + other.number,
            self.mark + other.mark,
            self.sense + other.sense,
        )
        return both.take(unbeaten(both.cost, both.loss, both.error))

    def least_loss(self) -> int:
        """Row of the point of least loss."""
        return int(np.lexsort((self.cost, self.loss))[0])

    def anchors(self) -> list[int]:
        """Rows of both ends and the knee, of every charge-current sense, each once."""
        rows: list[int] = []
        for sense in dict.fromkeys(self.sense):
            mine = [k for k, one in enumerate(self.sense) if one == sense]
            marked = [k for k in mine if self.mark[k] == "knee"]
            rows += [mine[0], *marked, mine[-1]]
        return list(dict.fromkeys(rows))

    def name(self, row: int) -> str:
        """A point by its mark or number, with its charge-current sense."""
        return self.mark[row] + self.at(row) if self.mark[row] else f"point {self.number[row]}"

    def at(self, row: int) -> str:
        """The charge-current sense of a point in words that follow; empty without choice."""
        return at_sense(self.sense[row])


def front_of(
    chosen: Sequence[Chosen],
    cost: IntArray,
    loss: IntArray,
    sense: Sequence[ChargeSense | None] | ChargeSense | None = None,
) -> Front:
    """Sets found since, as a front.

    sense : of each set, or of all
    """
    count = len(chosen)
    each = tuple(sense) if isinstance(sense, Sequence) else (sense,) * count
    return Front(tuple(chosen), cost, loss, (0,) * count, ("",) * count, each)


NONE = front_of((), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


def sense_of_point(point: Mapping[str, Any]) -> ChargeSense | None:
    """The charge-current sense of a point of a run, None where there is no choice of it."""
    found = point.get("charge_sense")
    return None if found is None else ChargeSense(**found)


def spec_at(spec: Spec, point: Mapping[str, Any]) -> Spec:
    """The spec that a point of a run was found under: with its charge-current sense alone."""
    sense = sense_of_point(point)
    return with_sense(spec, None if sense is None else sense.resistance)


def sense_data(sense: ChargeSense | None) -> dict[str, object]:
    """The charge-current sense of a set for machines, nothing where there is no choice of it."""
    return {} if sense is None else {"charge_sense_ohm": sense.resistance}


def error_of(sense: ChargeSense | None) -> float:
    """How far the end of charge may lie off [A]; 0 without a choice."""
    return 0.0 if sense is None else sense.error


def extra(sense: ChargeSense | None) -> int:
    """Loss in a charge-current sense in units of the decision; 0 without a choice."""
    return 0 if sense is None else senses.loss_units(sense)


def at_sense(sense: ChargeSense | None) -> str:
    """A charge-current sense in words that follow a name; empty without a choice.

    >>> at_sense(None)
    ''
    """
    return "" if sense is None else f" at {senses.name_of(sense)}"


# --- variants -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Variant:
    """A spec at one of the charge-current senses it offers, itself where it offers none.

    prepared : its stages, prices and reference states
    """

    prepared: Found
    sense: ChargeSense | None

    @property
    def spec(self) -> Spec:
        """The spec with this resistor alone."""
        return self.prepared.spec


def variants(
    spec: Spec,
    catalog: Catalog,
    *,
    like: Sequence[Variant] = (),
    told: bool = False,
) -> tuple[Variant, ...]:
    """The variants of a spec, prepared.

    like : variants whose reference states to take, each for the same resistor
    """
    found = []
    for one, sense in specs_of(spec, catalog, told=told):
        same = matching(like, sense)
        states = None if same is None else same.prepared.references
        found.append(Variant(search.prepared(one, catalog, references=states), sense))
    return tuple(found)


def matching(offered: Sequence[Variant], sense: ChargeSense | None) -> Variant | None:
    """The variant with the same resistor, None where it is not offered."""
    return next((one for one in offered if same_resistor(one.sense, sense)), None)


def same_resistor(one: ChargeSense | None, other: ChargeSense | None) -> bool:
    """Whether two charge-current senses are one resistor, or both none."""
    if one is None or other is None:
        return one is other
    return math.isclose(one.resistance, other.resistance, rel_tol=1e-6)


def judged(
    offered: Sequence[Variant],
    chosen: Sequence[Chosen],
    at: Sequence[ChargeSense | None],
) -> Verdicts:
    """Sets judged each at its charge-current sense; losses with that in it.

    offered : the variants to judge under; a set whose resistor is not among them breaks a rule
    """
    count = len(chosen)
    cost = np.full(count, PRICE_NONE, dtype=np.int64)
    loss = cost.copy()
    known, passes = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    whole = Verdicts(cost, loss, known, passes, (), ())
    broken: list[tuple[Margin, ...]] = [()] * count
    rules: list[tuple[str, ...]] = [(NOT_OFFERED,)] * count
    for variant in offered:
        rows = [k for k, sense in enumerate(at) if same_resistor(variant.sense, sense)]
        some = judge(variant.prepared, [chosen[k] for k in rows])
        cost[rows], known[rows], passes[rows] = some.cost, some.known, some.passes
        loss[rows] = some.loss + np.where(some.known, extra(variant.sense), 0)
        for k, margins, texts in zip(rows, some.broken, some.rules, strict=True):
            broken[k], rules[k] = margins, texts
    return replace(whole, broken=tuple(broken), rules=tuple(rules))


def lowered(stair: Staircase, by: int) -> Staircase:
    """A staircase of losses with a resistor as one of losses without that much of it."""
    cost, loss = stair
    less = np.where(loss > COVERED, np.maximum(loss - by, 1), loss)
    kept = staircase(cost, less)
    return cost[kept], less[kept]
