"""From spec and catalogs to the front: bounds, tables, merge or solver. The only loop.

Skeletons (topology, frequency, inductor) are bounded first; sketches of the most promising give a
first front; then each skeleton that a bound leaves open is expanded into its options, and the
front so far sharpens the bounds of the next. What was never expanded is provably not on the front.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer import (
    buying,
    dominance,
    floors,
    floors_legs,
    frontier,
    limits,
    market,
    merge,
    narrow,
    options,
    pool,
    scouts,
    screen,
    tally,
    verification,
    workbench,
)
from optimizer.buying import Prices
from optimizer.catalog import Catalog
from optimizer.dominance import Staircase
from optimizer.frontier import Frontier
from optimizer.market import Market
from optimizer.points import PointSet, points
from optimizer.records import (
    LOSS_UNIT,
    BoolArray,
    Choice,
    FloatArray,
    Group,
    IntArray,
    Selection,
    Skeleton,
    Waterfall,
)
from optimizer.results import Refused
from optimizer.spec_records import DIODE_TOPOLOGIES, OBJECTIVE_WORST, Spec
from optimizer.stage import Stage, build_stage
from optimizer.topologies import TOPOLOGIES
from optimizer.verification import Reference
from optimizer.workbench import Aim, Rows

Progress = Callable[[str, str], None]
Stop = Callable[[], bool]

SKETCHES = 3
SKETCH_DIRECTIONS = 7
"""Skeletons sketched first in each of so many directions."""

LOSS_SCALE = 0.03
"""Loss that counts like the whole cost in the fan of directions, as a share of output power."""

COST_SCALE = 10.0
"""Cost that goes with it, in the currency of the run; the fan is dense enough for any scale."""

GAP_STEP = 1 << 20
"""Added to the numbers of skeletons that are expanded again, to tell them apart."""

COVERED = -(1 << 40)
"""Loss of a point that covers everything from its cost on."""

Key = tuple[str, int]
"""Topology and number of a skeleton in its market."""


@dataclass(slots=True)
class Clock:
    """Seconds of each stage of the search, and whether to go on."""

    say: Progress
    stop: Stop
    deadline: float
    seconds: dict[str, float] = field(default_factory=dict)
    since: float = field(default_factory=time.monotonic)

    def done(self, stage: str, detail: str) -> None:
        """Close a stage and report it."""
        now = time.monotonic()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self.since
        self.since = now
        self.say(stage, detail)

    def halted(self) -> bool:
        """Whether to end now."""
        return self.stop() or time.monotonic() >= self.deadline


@dataclass(slots=True)
class Found:
    """What a search found, and all it was found with.

    stages, references, points : by topology; choice : skeletons and options left open at the end
    front : its front with the proofs
    open : skeletons the search had no time for
    """

    spec: Spec
    prices: Prices
    refused: list[Refused] = field(default_factory=list)
    waterfalls: list[Waterfall] = field(default_factory=list)
    points: dict[str, PointSet] = field(default_factory=dict)
    stages: dict[str, Stage] = field(default_factory=dict)
    references: dict[str, Reference] = field(default_factory=dict)
    markets: dict[str, Market] = field(default_factory=dict)
    choice: Choice | None = None
    front: Frontier | None = None
    open: list[Key] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    seconds: Mapping[str, float] = field(default_factory=dict)


def quiet(_stage: str, _detail: str) -> None:
    """Report nothing."""


def never() -> bool:
    """Go on."""
    return False


def solve(
    spec: Spec,
    catalog: Catalog,
    *,
    engine: str = "auto",
    time_limit: float | None = None,
    prove_points: int = 13,
    any_set: bool = False,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Found:
    """Search all topologies of a spec; `front` is None where nothing is feasible.

    engine : "auto", "merge" (no second proof by the solver) or "solver"
    prove_points : points of the merge that the solver proves again
    any_set : stop at the first feasible set (to ask whether there is one)
    """
    limit = math.inf if time_limit is None else time.monotonic() + time_limit
    clock = Clock(progress, stop, limit)
    found = Found(spec, buying.prices(spec, catalog.tables))
    for topology in spec.topologies:
        _prepare(found, catalog, topology, clock)
    work = _Work(found, clock)
    if not work.keys:
        found.seconds = clock.seconds
        return found
    work.bound()
    work.sketch(any_set=any_set)
    if not (any_set and len(work.stair[0])):
        work.expand_all(any_set=any_set)
    _settle(found, work, engine=engine, prove_points=prove_points, any_set=any_set)
    found.seconds = clock.seconds
    return found


# --- one topology ---------------------------------------------------------------------------------


def _prepare(found: Found, catalog: Catalog, topology: str, clock: Clock) -> None:
    """Points, parts, skeletons and reference states of a topology, unless it cannot do the job."""
    spec, prices = found.spec, found.prices
    reason = refusal(spec, topology)
    if reason is not None:
        found.refused.append(Refused(topology, reason))
        clock.done("topologies", f"{topology} refused: {reason}")
        return
    found.points[topology] = points(spec, topology)
    stage = build_stage(spec, topology, lanes=found.points[topology].lanes, tables=catalog.tables)
    parts = pool.pool(stage, prices)
    found.waterfalls += [_named(topology, one) for one in parts.waterfalls]
    found.stages[topology] = stage
    clock.done("parts", f"{topology}: " + ", ".join(_left(parts.waterfalls)))
    if any(not one.left for one in parts.waterfalls):
        return
    screened = screen.screen(stage, parts)
    found.waterfalls.append(_named(topology, screened.waterfall))
    clock.done("skeletons", f"{topology}: {len(screened.coil)} of {screened.waterfall.offered}")
    reference, kept = screen.references(stage, parts, prices, screened)
    found.references[topology] = reference
    found.counts["skeletons"] = found.counts.get("skeletons", 0) + int(kept.sum())
    clock.done("reference states", f"{topology}: {int(kept.sum())} skeletons")
    if not len(reference.coil):
        return
    scene = verification.given_scene(stage, reference)
    lanes, weight = objective(stage, scene)
    found.markets[topology] = market.market(stage, parts, prices, scene, lanes, weight)


def refusal(spec: Spec, topology: str) -> str | None:
    """Why a topology cannot do the job, transients and output tolerance included, or None."""
    source, load = spec.source, spec.load
    idle = [row.name for row in spec.mission if row.load_share == 0.0]
    if idle and topology in DIODE_TOPOLOGIES:
        return f"no load at {idle[0]}: pulses would be skipped, which is not modelled"
    return TOPOLOGIES[topology].refusal(
        v_input_min=min(source.v_min, source.v_transient_min),
        v_input_max=max(source.v_max, source.v_transient_max),
        v_output_min=load.v_output * (1.0 - load.v_output_tolerance),
        v_output_max=load.v_output * (1.0 + load.v_output_tolerance),
    )


def objective(stage: Stage, scene: object = None) -> tuple[BoolArray, FloatArray]:
    """Lanes of the objective and their weights, (n_lane,) each.

    Of the worst-point loss, which is not a sum, the bounds take the lane of largest output
    power at lowest input: its loss is never above the worst.
    """
    lanes = stage.lanes
    if stage.spec.choice.objective != OBJECTIVE_WORST:
        return lanes.share > 0, lanes.share
    worst = np.flatnonzero(limits.worst_lanes(stage))
    one = worst[np.argmin(lanes.v_input[worst])]
    weight = np.zeros(len(lanes))
    weight[one] = 1.0
    return weight > 0, weight


def _named(topology: str, one: Waterfall) -> Waterfall:
    return replace(one, position=f"{topology} {one.position}")


def _left(waterfalls: tuple[Waterfall, ...]) -> Iterator[str]:
    for one in waterfalls:
        yield f"{one.left} {one.position}"


# --- all skeletons --------------------------------------------------------------------------------


class _Work:
    """Bounds, front so far and expanded skeletons of one search."""

    def __init__(self, found: Found, clock: Clock) -> None:
        self.found, self.clock = found, clock
        self.markets = found.markets
        self.rows = {name: workbench.rows_of(one) for name, one in self.markets.items()}
        self.keys: list[Key] = [
            (name, k) for name, one in self.markets.items() for k in range(len(one.scene.coil))
        ]
        spec = found.spec
        loss = LOSS_SCALE * spec.power_output / LOSS_UNIT
        self.weights = dominance.directions(cost_scale=COST_SCALE / 1e-4, loss_scale=loss)
        self.bounds: FloatArray = np.zeros((len(self.keys), len(self.weights)))
        none: IntArray = np.zeros(0, dtype=np.int64)
        self.stair: Staircase = (none, none)
        self.expanded: dict[Key, Skeleton] = {}
        self.legs: dict[int, tuple[Staircase, FloatArray]] = {}
        rules = spec.choice
        self.complete = bool(
            rules.force or rules.part_numbers_max or rules.objective == OBJECTIVE_WORST
        )

    def aim(self, *, best_only: bool = False, complete: bool = False) -> Aim:
        """What options are held against now."""

        def joined(groups: Sequence[Group]) -> Staircase:
            return narrow.joint_stair(self.found.prices, groups)

        return Aim(joined, self.weights, self.stair, best_only=best_only, complete=complete)

    def bound(self) -> None:
        """Bounds of all skeletons; the half bridges once per frequency."""
        start = 0
        for one in self.markets.values():
            frequency = np.round(one.frequency())
            for value in np.unique(frequency):
                rows = np.flatnonzero(frequency == value)
                legs = floors_legs.legs(one, self.weights, rows)
                classes = {name: found for name, (_, found) in legs.items()}
                family = floors_legs.family_bound(classes)
                self.bounds[start + rows] = floors.skeleton_bounds(one, self.weights, rows, family)
                stair = floors_legs.family_stair(one, {n: f for n, (f, _) in legs.items()})
                extra = floors_legs.shared_bound(classes) - family
                for row in rows:
                    self.legs[start + int(row)] = (stair, extra)
            start += len(frequency)
        self.clock.done("bounds", f"{len(self.keys)} skeletons bounded")

    def sketch(self, *, any_set: bool) -> None:
        """Rough fronts of the most promising skeletons: where the bounds get their bite."""
        count = len(self.weights)
        picks: list[int] = []
        for direction in np.linspace(0, count - 1, SKETCH_DIRECTIONS).astype(np.int64):
            order = np.argsort(self.bounds[:, direction], kind="stable")
            picks += [int(k) for k in order[:SKETCHES]]
        for number in dict.fromkeys(picks):
            if self.clock.halted() or (any_set and len(self.stair[0])):
                break
            self._take_in(self.keys[number], self.aim(best_only=True))
        self.clock.done("sketches", f"first front of {len(self.stair[0])} points")

    def expand_all(self, *, any_set: bool = False) -> None:
        """Expand every skeleton that the bounds leave open, the most promising first."""
        waiting = list(range(len(self.keys)))
        done = 0
        while waiting and not (any_set and len(self.stair[0])):
            number = self._most_promising(waiting)
            waiting.remove(number)
            if self.clock.halted():
                left = [number, *waiting]
                self.found.open = [self.keys[k] for k in left if self._open(k)]
                break
            if not self._open(number) or not self._open_closer(number):
                continue
            skeleton = self._take_in(self.keys[number], self.aim(complete=self.complete))
            if skeleton is None:
                continue
            self.expanded[self.keys[number]] = skeleton
            done += 1
            self.clock.say("options", f"{done} skeletons expanded, {len(self.stair[0])} points")
        self.found.counts["skeletons expanded"] = done
        self.clock.done("options", f"{done} skeletons expanded, {len(self.stair[0])} points so far")

    def _most_promising(self, waiting: list[int]) -> int:
        """The skeleton whose bound lies farthest below the front so far in some direction."""
        bounds = self.bounds[waiting]
        if not len(self.stair[0]):
            return waiting[int(np.argmin(bounds[:, len(self.weights) // 2]))]
        real = self.stair[1] > COVERED
        if not real.any():
            return waiting[int(np.argmin(bounds[:, 0]))]
        known = dominance.lower_bounds(self.stair[0][real], self.stair[1][real], self.weights)
        return waiting[int(np.argmax(((known - bounds) / known).max(axis=1)))]

    def narrow(self) -> None:
        """Hold the options of every expanded skeleton against the whole front so far."""
        kept: dict[Key, Skeleton] = {}
        for key, body in self.expanded.items():
            left = narrow.narrowed(self.markets[key[0]], body, self.stair)
            if left is not None:
                kept[key] = left
        self.expanded = kept
        count = sum(len(group.loss) for body in kept.values() for group in body.groups)
        self.clock.done("narrowing", f"{len(kept)} skeletons with {count} options left")

    def _open(self, number: int) -> bool:
        """Whether the bound of a skeleton leaves it on the front."""
        if not len(self.stair[0]):
            return True
        stair = workbench.loose(self.stair)
        one = self.bounds[number][None, :]
        return not bool(dominance.droppable(one, self.weights, stair)[0])

    def _open_closer(self, number: int) -> bool:
        """The same with staircases of bounds, for sets whose legs share nothing, and directions."""
        if not len(self.stair[0]):
            return True
        name, k = self.keys[number]
        one, (legs, shared) = self.markets[name], self.legs[number]
        stair = workbench.loose(self.stair)
        cost, loss = floors.skeleton_stair(one, k, legs)
        if not dominance.covered(cost, loss - int(workbench.ROUNDING_UNITS), stair).all():
            return True
        both = self.bounds[number] + shared
        return bool(np.isfinite(shared).all()) and not bool(
            dominance.droppable(both[None, :], self.weights, stair)[0]
        )

    def _take_in(self, key: Key, aim: Aim) -> Skeleton | None:
        """Expand a skeleton and let its feasible sets improve the front so far."""
        name, number = key
        skeleton = options.expand(self.markets[name], self.rows[name], number, aim)
        if skeleton is None:
            return None
        choice = self.choice_of({key: skeleton})
        sets = feasible_sets(choice)
        cost = np.concatenate([self.stair[0], [one.cost for one in sets]]).astype(np.int64)
        loss = np.concatenate([self.stair[1], [one.loss for one in sets]]).astype(np.int64)
        kept = dominance.staircase(cost, loss)
        self.stair = (cost[kept], loss[kept])
        return skeleton

    def choice_of(self, skeletons: Mapping[Key, Skeleton]) -> Choice:
        """The decision over some skeletons, with every row that some set could break."""
        prices, rules = self.found.prices, self.found.spec.choice
        used = {name for name, _ in skeletons}
        kept = {name: _tight(self.rows[name], skeletons, name) for name in used}
        names = [self.rows[name].names[k] for name in used for k in kept[name]]
        bodies = []
        for (name, _), body in skeletons.items():
            bodies.append(_with_rows(body, [(n, kept[n]) for n in used], name))
        return Choice(
            skeletons=tuple(bodies),
            row_names=tuple(names),
            price=prices.table,
            line_item=prices.line_item,
            placement=prices.placement,
            part_names=prices.names,
            same_part=rules.same_part,
            part_numbers_max=rules.part_numbers_max,
            worst_point=rules.objective == OBJECTIVE_WORST,
        )


def feasible_sets(choice: Choice) -> list[Selection]:
    """Nondominated sets of a choice that keep every row, by the merge or by its scouts."""
    if merge.mergeable(choice):
        relaxed = merge.relaxed_front(choice)
        if all(not tally.violations(choice, one.skeleton, one.option) for one in relaxed):
            return list(relaxed)
    return list(scouts.incumbents(choice))


def _tight(rows: Rows, skeletons: Mapping[Key, Skeleton], name: str) -> IntArray:
    """Rows of a topology that some set of its skeletons could break."""
    could = np.zeros(len(rows.names), dtype=bool)
    for (topology, _), body in skeletons.items():
        if topology == name:
            most = body.rows_fixed + sum(group.rows.max(axis=0) for group in body.groups)
            could |= most > 1.0
    return np.flatnonzero(could)


def _with_rows(body: Skeleton, kept: list[tuple[str, IntArray]], own: str) -> Skeleton:
    """The skeleton with only the kept rows, zeros in those of other topologies."""

    def columns(values: FloatArray) -> FloatArray:
        blocks = [
            values[..., index] if name == own else np.zeros((*values.shape[:-1], len(index)))
            for name, index in kept
        ]
        return np.concatenate(blocks, axis=-1)

    groups = tuple(replace(group, rows=columns(group.rows)) for group in body.groups)
    return replace(body, groups=groups, rows_fixed=columns(body.rows_fixed))


# --- the end --------------------------------------------------------------------------------------


def _settle(found: Found, work: _Work, *, engine: str, prove_points: int, any_set: bool) -> None:
    """The front of everything that stayed open, with its proofs."""
    if any_set:
        found.counts["sets found"] = len(work.stair[0])
        return
    if not work.expanded:
        return
    work.narrow()
    bodies = dict(work.expanded)
    choice = work.choice_of(bodies)
    answer = _answer(choice if work.complete else _loosened(choice), work, engine, prove_points)
    if not work.complete and _breaks_rows(choice, answer):
        choice, answer = _refilled(work, bodies, choice, answer, engine)
    found.choice, found.front = choice, answer
    found.counts["options"] = sum(
        len(group.loss) for body in choice.skeletons for group in body.groups
    )
    found.counts["rows"] = len(choice.row_names)
    work.clock.done("front", f"{len(found.front.points)} points by {found.front.engine}")


def _answer(choice: Choice, work: _Work, engine: str, prove_points: int) -> Frontier:
    """The front of a choice within the time left."""
    left = work.clock.deadline - time.monotonic()
    return frontier.front(
        choice,
        engine="solver" if engine == "solver" else "auto",
        time_limit=max(left, 0.05),
        prove_points=0 if engine == "merge" else prove_points,
        stop=work.clock.stop,
    )


def _loosened(choice: Choice) -> Choice:
    """The choice with every row loosened by all that its banks can add to it.

    Banks that another beats in cost and loss were left out. Such a bank could be missed only in a
    set that keeps a row by less than the banks' part of it. If the front of this looser choice
    keeps the strict rows everywhere, it is the strict front, and nothing was missed.
    """
    bodies = []
    for body in choice.skeletons:
        banks = [group.rows.max(axis=0) for group in body.groups if "bank" in group.name]
        spare = np.maximum(np.sum(banks, axis=0), 0.0)
        bodies.append(replace(body, rows_fixed=body.rows_fixed - spare))
    return replace(choice, skeletons=tuple(bodies))


def _refilled(
    work: _Work, bodies: dict[Key, Skeleton], choice: Choice, answer: Frontier, engine: str
) -> tuple[Choice, Frontier]:
    """The strict front: points of the loosened one that are strict, and the gaps searched again.

    A strict point of the loosened front is a point of the strict one, so only between such points
    can others lie. There all banks are looked at, also those that others beat.
    """
    strict = [not tally.violations(choice, p.skeleton, p.option) for p in answer.points]
    points = [p for p, good in zip(answer.points, strict, strict=True) if good]
    complete, notes = answer.complete, list(answer.not_proved)
    known, work.complete = work.stair, True
    for number, (before, after) in enumerate(_gaps(answer.points, strict)):
        work.stair = _within(known, before, after)
        work.expanded = {}
        work.expand_all()
        work.narrow()
        if not work.expanded:
            continue
        offset = len(bodies)
        again = {(n, k + GAP_STEP * (number + 1)): b for (n, k), b in work.expanded.items()}
        bodies |= again
        filled = _answer(work.choice_of(again), work, engine, 0)
        complete &= filled.complete
        notes += filled.not_proved
        points += [
            replace(p, skeleton=p.skeleton + offset)
            for p in filled.points
            if (after is None or p.cost < after.cost) and (before is None or p.loss < before.loss)
        ]
    points.sort(key=lambda p: p.cost)
    kept = dominance.staircase(
        np.array([p.cost for p in points], dtype=np.int64),
        np.array([p.loss for p in points], dtype=np.int64),
    )
    front = Frontier(tuple(points[int(k)] for k in kept), complete, answer.engine, tuple(notes))
    return work.choice_of(bodies), front


def _gaps(
    points: Sequence[Selection], strict: Sequence[bool]
) -> Iterator[tuple[Selection | None, Selection | None]]:
    """Strict neighbours of every run of points that break a row."""
    before: Selection | None = None
    waiting = False
    for point, good in zip(points, strict, strict=True):
        if good and waiting:
            yield before, point
        if good:
            before = point
        waiting = not good
    if waiting:
        yield before, None


def _within(stair: Staircase, before: Selection | None, after: Selection | None) -> Staircase:
    """What is known inside a gap; from the point after it on, everything counts as covered."""
    cost, loss = stair
    inside = np.ones(len(cost), dtype=bool)
    if before is not None:
        inside &= cost >= before.cost
    if after is None:
        return cost[inside], loss[inside]
    inside &= cost < after.cost
    return np.append(cost[inside], after.cost), np.append(loss[inside], COVERED)


def _breaks_rows(choice: Choice, answer: Frontier) -> bool:
    """Whether some point breaks a strict row: then banks that others beat may be wanted too."""
    return any(tally.violations(choice, one.skeleton, one.option) for one in answer.points)
