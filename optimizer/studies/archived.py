"""A finished run taken up again: spec, catalogs, front, and the states the front is exact at."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer import conclude_senses as senses
from optimizer import search
from optimizer.catalog import Catalog
from optimizer.charge_sense import ChargePart
from optimizer.conclude_board import looked_up
from optimizer.conclude_senses import specs_of
from optimizer.conclude_sets import chosen_sets
from optimizer.dominance import Staircase
from optimizer.errors import InputError, Problem
from optimizer.found import Found, Progress, Stop, never, quiet
from optimizer.records import COST_UNIT, LOSS_UNIT, IntArray
from optimizer.results import (
    ChargeSense,
    Margin,
    PartSet,
    Run,
    as_plain,
    part_set_of_plain,
)
from optimizer.scouts import costs_and_losses
from optimizer.spec_records import Spec
from optimizer.stage import Stage
from optimizer.studies.fronts import (
    NONE,
    Front,
    Variant,
    at_sense,
    error_of,
    extra,
    front_of,
    judged,
    lowered,
    matching,
    same_resistor,
    sense_of_point,
    variants,
)
from optimizer.studies.judging import Verdicts

STALE_UNITS = 20
"""Loss units by which a point judged again may differ from its record: rounding of the groups."""

STALE_SHARE = 2e-6
"""And the share of it that seven digits of a record round away."""

WITH_SENSE = "; losses with that in the charge-current sense"

AGAIN = "run `front` again, then ask"


@dataclass(frozen=True, slots=True)
class Archived:
    """A finished run, ready for questions.

    variants : its spec at each charge-current sense it offers, with stages, prices and reference
        states; front : its points
    """

    spec: Spec
    catalog: Catalog
    run: Mapping[str, Any]
    variants: tuple[Variant, ...]
    front: Front

    @property
    def prepared(self) -> Found:
        """What does not depend on the charge-current sense: parts, prices, positions."""
        able = (one.prepared for one in self.variants if one.prepared.stages)
        return next(able, self.variants[0].prepared)

    @property
    def stages(self) -> dict[str, Stage]:
        """A stage of every topology, whatever the charge-current sense."""
        every = [one.prepared.stages for one in reversed(self.variants)]
        return {name: stage for stages in every for name, stage in stages.items()}

    def with_senses(self) -> Archived:
        """The run of a charger with its charge-current sense told, also where it has only one."""
        if self.spec.load.senses or not senses.is_charger(self.spec):
            return self
        sense = senses.found_sense(self.prepared)
        front, count = self.front, len(self.front)
        return replace(
            self,
            variants=tuple(replace(one, sense=sense) for one in self.variants),
            front=replace(front, loss=front.loss + extra(sense), sense=(sense,) * count),
        )

    @property
    def currency(self) -> str:
        """Currency of the run."""
        return self.spec.purchase.currency

    @property
    def open(self) -> str:
        """What the run itself has not proved, empty where its front is complete."""
        return "" if self.run["complete"] else f"the run is not proved: {self.run['not_proved']}"

    def proof(self, done: str, left: Sequence[str]) -> str:
        """What shows an answer, or what of it is not proved."""
        if left or self.open:
            return f"not proved: {'; '.join([*left, *([self.open] if self.open else [])])}"
        share = f"{100 * self.run['state_difference']:.2g} %"
        told = f"proved: {done}, at the reference states of the run (own states: up to {share} off)"
        return told + (WITH_SENSE if any(self.front.sense) else "")

    def charge(self, row: int) -> ChargePart | None:
        """The part of a point's charge-current sense, None where the spec asks for none."""
        variant = matching(self.variants, self.front.sense[row])
        return None if variant is None else variant.prepared.prices.charge

    def anchors(self) -> list[int]:
        """Rows of the cheapest point, the knee and the point of least loss, each once."""
        return self.front.anchors()

    def positions(self) -> set[str]:
        """Positions of switches in any topology of the spec."""
        return {p for one in self.stages.values() for p in one.topology.POSITIONS}

    def margins(self, row: int) -> list[Margin]:
        """Margins that the run keeps of a point; none where it keeps no detail of it."""
        return [Margin(**one) for one in self.run["points"][row]["verified"]["margins"]]

    def row_of(self, number: int) -> int:
        """Row of a point by its number."""
        if number in self.front.number:
            return self.front.number.index(number)
        need = f"a point from 1 to {len(self.front)}"
        fix = "look the number up in front.csv"
        raise InputError([Problem(str(self.run["name"]), "point", str(number), need, fix)])

    def part_set(self, row: int) -> PartSet:
        """One point by part numbers."""
        return part_set_of_plain(self.run["points"][row]["verified"]["part_set"])


def take_up(
    spec: Spec,
    catalog: Catalog,
    run: Run | Mapping[str, Any],
    *,
    progress: Progress = quiet,
) -> Archived:
    """A run with the spec and catalogs it was found from.

    Raises `InputError` where catalogs or spec are not those of the run: every point is judged
    again first, so that a question is never answered from a front that no longer holds.
    """
    plain: Mapping[str, Any] = as_plain(run) if isinstance(run, Run) else run
    _same_catalogs(plain, catalog)
    offered = variants(spec, catalog)
    sets = [part_set_of_plain(point["verified"]["part_set"]) for point in plain["points"]]
    chosen = tuple(looked_up(catalog, one) for one in sets)
    at = [_exact(offered, sense_of_point(point)) for point in plain["points"]]
    verdicts = judged(offered, chosen, at)
    _holds_still(plain, verdicts)
    progress("run", f"{len(chosen)} points judged again")
    front = Front(
        chosen,
        _units(plain, "cost", COST_UNIT),
        _units(plain, "loss_model", LOSS_UNIT) + np.array([extra(one) for one in at]),
        tuple(point["number"] for point in plain["points"]),
        tuple(point["mark"] for point in plain["points"]),
        tuple(at),
    )
    return Archived(spec, catalog, plain, offered, front)


def _exact(offered: Sequence[Variant], sense: ChargeSense | None) -> ChargeSense | None:
    """A sense as the spec gives it now: a record keeps seven digits, and errors are compared."""
    same = matching(offered, sense)
    return sense if same is None else same.sense


def _units(run: Mapping[str, Any], key: str, unit: float) -> IntArray:
    values = np.array([point[key] for point in run["points"]], dtype=np.float64)
    return np.rint(values / unit).astype(np.int64)


def _same_catalogs(run: Mapping[str, Any], catalog: Catalog) -> None:
    """Every catalog read now is one the run was found from."""
    known = set(run["hashes"].values())
    strange = [name for name, value in catalog.hashes.items() if value not in known]
    if strange and known:
        got = "a catalog that the run was not found from"
        raise InputError([Problem(name, "", got, "the same bytes", AGAIN) for name in strange])


def _holds_still(run: Mapping[str, Any], now: Verdicts) -> None:
    problems = list(_changed_points(run, now))
    if problems:
        raise InputError(problems[:3])


def _changed_points(run: Mapping[str, Any], now: Verdicts) -> Iterator[Problem]:
    for k, point in enumerate(run["points"]):
        cost = round(point["cost"] / COST_UNIT)
        loss = round(point["loss_model"] / LOSS_UNIT) + extra(sense_of_point(point))
        near = abs(int(now.loss[k]) - loss) <= STALE_UNITS + STALE_SHARE * loss
        if now.passes[k] and near and int(now.cost[k]) == cost:
            continue
        got = "another cost or loss than in the run"
        if not now.passes[k]:
            why = [*now.rules[k], *(f"{m.subject} {m.quantity}" for m in now.broken[k])]
            got = f"a set that does not pass ({'; '.join(why[:2])})"
        name = f"point {point['number']}"
        yield Problem(str(run["name"]), name, got, "the spec and catalogs of the run", AGAIN)


# --- asking the search again ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Resolved:
    """A re-solve: points that the known ones do not cover, and what was left open.

    founds : the search of each variant, for stages, references and waterfalls
    open_from : least cost and least loss of anything that was left open, in units
    """

    front: Front
    open: str
    founds: tuple[Found, ...]
    open_from: tuple[float, float]

    @property
    def proved(self) -> bool:
        """Whether nothing was left open."""
        return not self.open


Known = Callable[[float], Staircase]
"""Sets known to pass whose end of charge lies at most so far off [A], as a staircase."""


def resolve(
    spec: Spec,
    catalog: Catalog,
    *,
    known: Known | None = None,
    like: Archived | None = None,
    only: Sequence[ChargeSense | None] | None = None,
    told: bool = False,
    end: str = "",
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Resolved:
    """Search a spec beside the points known already, one charge-current sense after the other.

    known : sets that pass under this spec; like : run whose reference states to take
    only : charge-current senses to ask, where not all
    told : see `specs_of`
    end : the one end of the front that is wanted, "cost" or "loss"
    """
    late = math.inf if time_limit is None else time.monotonic() + time_limit
    asked = [
        (one, sense)
        for one, sense in specs_of(spec, catalog, told=told)
        if only is None or any(same_resistor(sense, other) for other in only)
    ]
    front, founds = NONE, list[Found]()
    left, least = list[str](), (math.inf, math.inf)
    for k, (one, sense) in enumerate(asked):
        share = (late - time.monotonic()) / (len(asked) - k)
        same = None if like is None else matching(like.variants, sense)
        found = search.solve(
            one,
            catalog,
            time_limit=None if time_limit is None else max(share, 0.0),
            prove_points=3,
            known=_beside(known, front, sense),
            end=end,
            references=None if same is None else same.prepared.references,
            progress=progress,
            stop=stop,
        )
        founds.append(found)
        cost, loss = found.open_from
        least = min(least[0], cost), min(least[1], loss + extra(sense))
        ended = ["the search was ended early"] if stop() or time.monotonic() >= late else []
        if found.open:
            ended.insert(0, f"{len(found.open)} combinations were not searched")
        if found.front is not None and found.choice is not None:
            ended += found.front.not_proved
            front = front.joined(_points_of(found, sense))
        left += [f"{text}{at_sense(sense)}" for text in ended]
    return Resolved(front, "; ".join(left), tuple(founds), least)


def _beside(known: Known | None, front: Front, sense: ChargeSense | None) -> Staircase | None:
    """What is known of a variant before its search: sets given, and those of larger resistors."""
    stairs = [] if known is None else [known(error_of(sense))]
    stairs += [front.stair(error_of(sense))] if len(front) else []
    if not stairs:
        return None
    cost, loss = (np.concatenate(axis) for axis in zip(*stairs, strict=True))
    found = lowered((cost, loss), extra(sense))
    return found if len(found[0]) else None


def _points_of(found: Found, sense: ChargeSense | None) -> Front:
    """The points of one search, losses with that in its charge-current sense."""
    assert found.front is not None
    assert found.choice is not None
    points = found.front.points
    chosen = chosen_sets(points, found.choice, found.prices, found.markets)
    cost, loss = costs_and_losses(points)
    return front_of(chosen, cost, loss + extra(sense), sense)
