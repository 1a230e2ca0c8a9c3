"""A finished run taken up again: spec, catalogs, front, and the states the front is exact at."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer import search
from optimizer.catalog import Catalog
from optimizer.conclude import verified_all
from optimizer.conclude_board import looked_up
from optimizer.conclude_sets import Chosen, chosen_sets
from optimizer.dominance import Staircase, staircase
from optimizer.errors import InputError, Problem
from optimizer.found import Found, Progress, Stop, never, quiet
from optimizer.records import COST_UNIT, LOSS_UNIT, IntArray
from optimizer.results import Margin, PartSet, Run, Verified, as_plain, part_set_of_plain
from optimizer.spec_records import Spec
from optimizer.studies.judging import Verdicts, judge

STALE_UNITS = 20
"""Loss units by which a point judged again may differ from its record: rounding of the groups."""

STALE_SHARE = 2e-6
"""And the share of it that seven digits of a record round away."""

AGAIN = "run `front` again, then ask"


@dataclass(frozen=True, slots=True)
class Front:
    """Points of a front: sets with cost and loss in the units of the decision, cost rising.

    number : of the archived point, 0 for a set found since; mark : "cheapest", "knee", ...
    """

    chosen: tuple[Chosen, ...]
    cost: IntArray
    loss: IntArray
    number: tuple[int, ...]
    mark: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.chosen)

    def stair(self) -> Staircase:
        """The points as a staircase."""
        kept = staircase(self.cost, self.loss)
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
        )

    def joined(self, other: Front) -> Front:
        """The points of both that nothing beats, the first kept of equals."""
        both = Front(
            self.chosen + other.chosen,
            np.concatenate([self.cost, other.cost]),
            np.concatenate([self.loss, other.loss]),
            self.number + other.number,
            self.mark + other.mark,
        )
        return both.take(staircase(both.cost, both.loss))


def front_of(chosen: Sequence[Chosen], cost: IntArray, loss: IntArray) -> Front:
    """Sets found since, as a front."""
    count = len(chosen)
    return Front(tuple(chosen), cost, loss, (0,) * count, ("",) * count)


NONE = front_of((), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Archived:
    """A finished run, ready for questions.

    prepared : stages, prices and reference states of its spec; front : its points
    """

    spec: Spec
    catalog: Catalog
    run: Mapping[str, Any]
    prepared: Found
    front: Front

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
        return f"proved: {done}, at the reference states of the run (own states: up to {share} off)"

    def anchors(self) -> list[int]:
        """Rows of the cheapest point, the knee and the point of least loss, each once."""
        marked = [k for k, mark in enumerate(self.front.mark) if mark == "knee"]
        return list(dict.fromkeys([0, *marked, len(self.front) - 1]))

    def positions(self) -> set[str]:
        """Positions of switches in any topology of the spec."""
        return {p for one in self.prepared.stages.values() for p in one.topology.POSITIONS}

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
    prepared = search.prepared(spec, catalog)
    sets = [part_set_of_plain(point["verified"]["part_set"]) for point in plain["points"]]
    chosen = tuple(looked_up(catalog, one) for one in sets)
    verdicts = judge(prepared, chosen)
    _holds_still(plain, verdicts)
    progress("run", f"{len(chosen)} points judged again")
    front = Front(
        chosen,
        _units(plain, "cost", COST_UNIT),
        _units(plain, "loss_model", LOSS_UNIT),
        tuple(point["number"] for point in plain["points"]),
        tuple(point["mark"] for point in plain["points"]),
    )
    return Archived(spec, catalog, plain, prepared, front)


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
        loss = round(point["loss_model"] / LOSS_UNIT)
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

    found : the search, for stages, references and waterfalls
    """

    front: Front
    open: str
    found: Found
    catalog: Catalog

    @property
    def proved(self) -> bool:
        """Whether nothing was left open."""
        return not self.open

    def verified(self, rows: Sequence[int]) -> list[Verified]:
        """Some of its points in full, at their own state."""
        return verified_all(self.found.stages, [self.front.chosen[k] for k in rows])


def resolve(
    spec: Spec,
    catalog: Catalog,
    *,
    known: Staircase | None = None,
    like: Archived | None = None,
    end: str = "",
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Resolved:
    """Search a spec beside the points known already.

    known : staircase of sets that pass under this spec; like : run whose reference states to take
    end : the one end of the front that is wanted, "cost" or "loss"
    """
    late = math.inf if time_limit is None else time.monotonic() + time_limit
    found = search.solve(
        spec,
        catalog,
        time_limit=time_limit,
        prove_points=3,
        known=known,
        end=end,
        references=like.prepared.references if like is not None else None,
        progress=progress,
        stop=stop,
    )
    ended = ["the search was ended early"] if stop() or time.monotonic() >= late else []
    if found.open:
        ended.insert(0, f"{len(found.open)} combinations were not searched")
    if found.front is None or found.choice is None:
        return Resolved(NONE, "; ".join(ended), found, catalog)
    points = found.front.points
    chosen = chosen_sets(points, found.choice, found.prices, found.markets)
    front = front_of(
        chosen,
        np.array([one.cost for one in points], dtype=np.int64),
        np.array([one.loss for one in points], dtype=np.int64),
    )
    return Resolved(front, "; ".join([*ended, *found.front.not_proved]), found, catalog)
