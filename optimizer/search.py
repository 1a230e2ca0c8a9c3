"""From spec and catalogs to the front: bounds, tables, merge or solver. The only loop.

The skeletons (topology, frequency, inductor) of every topology are prepared here and expanded in
`expansion`; what was never expanded is provably not on the front. The decision over the rest
ends the search.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from optimizer import (
    buying,
    crew,
    dominance,
    floors,
    frontier,
    limits,
    market,
    placed,
    pool,
    reference_sets,
    screen,
    stopped,
    verification,
    worst_lane,
)
from optimizer.catalog import Catalog
from optimizer.dominance import Staircase
from optimizer.errors import Halted
from optimizer.expansion import COVERED, FREE, GAP_STEP, Expansion
from optimizer.found import Clock, Found, Key, Progress, Stop, never, quiet
from optimizer.frontier import Frontier
from optimizer.points import points
from optimizer.pool import Pool
from optimizer.records import (
    BoolArray,
    Choice,
    FloatArray,
    Selection,
    Skeleton,
    Waterfall,
)
from optimizer.results import Refused
from optimizer.row_choice import BANKS, SIFTED, holds, loosened
from optimizer.scouts import costs_and_losses
from optimizer.screen import Screened
from optimizer.spec_records import DIODE_TOPOLOGIES, OBJECTIVE_WORST, Spec
from optimizer.stage import Stage, build_stage
from optimizer.tally import violations
from optimizer.topologies import TOPOLOGIES
from optimizer.topologies.intervals import windings
from optimizer.verification import Reference

BESIDE_FROM = 1000
"""Skeletons offered for topologies to be worth processes of their own."""

_Looked = tuple[Screened, Reference, BoolArray, Waterfall]
"""Skeletons of a topology that pass alone, their reference states, which of them have one, and
what fell on the way."""


def solve(
    spec: Spec,
    catalog: Catalog,
    *,
    engine: str = "auto",
    time_limit: float | None = None,
    prove_points: int = 13,
    any_set: bool = False,
    processes: int | None = None,
    references: Mapping[str, Reference] | None = None,
    known: Staircase | None = None,
    end: str = "",
    progress: Progress = quiet,
    stop: Stop = never,
) -> Found:
    """Search all topologies of a spec; `front` is None where nothing is feasible.

    engine : "auto", "merge" (no second proof by the solver) or "solver"
    prove_points : points of the merge that the solver proves again
    any_set : stop at the first feasible set (to ask whether there is one)
    processes : how many share the work; None for one per core. The result does not depend on it
    references : topology -> states to take the objective at, for the skeletons named there
    known : cost and loss of sets of this spec that are known already: only points of the front
        that none of them covers are found (`COVERED` as a loss closes everything from a cost on)
    end : the one end of the front that is wanted, "cost" or "loss"; then that point is exact and
        others may be lacking
    """
    limit = math.inf if time_limit is None else time.monotonic() + time_limit
    clock = Clock(progress, stop, limit)
    processes = processes or crew.available()
    prepare = partial(prepared, catalog=catalog, processes=processes)
    whole = prepare(spec, references=references, clock=clock)
    run = partial(
        _searched,
        engine=engine,
        prove_points=0 if any_set else prove_points,
        any_set=any_set,
        processes=processes,
        end=end,
    )
    specs = [] if engine == "solver" else list(placed.by_position(spec, catalog))
    if not specs:
        return run(whole, known, clock)
    whole.seconds, parts = clock.seconds, []
    for one in specs:
        clock = Clock(progress, stop, limit)
        found = prepare(one, references=whole.references, clock=clock)
        parts.append(run(found, known, clock))
        if found.front is not None:
            known = placed.beside(known, found.front)
        if any_set and found.first is not None:
            break
    return placed.united(whole, parts)


def _searched(
    found: Found,
    known: Staircase | None,
    clock: Clock,
    *,
    engine: str,
    prove_points: int,
    any_set: bool,
    processes: int,
    end: str,
) -> Found:
    """The search of what was prepared, in place; the rest as `solve` takes it."""
    worst = found.spec.choice.objective == OBJECTIVE_WORST and not any_set
    with ExitStack() as held:

        def sketched(stair: Staircase | None, before: Expansion | None = None) -> Expansion:
            work = held.enter_context(closing(Expansion(found, clock, processes, end=end)))
            work.stair = stair or work.stair
            work.worst = {} if before is None else before.worst
            if work.keys:
                work.bound()
                work.sketch(any_set=any_set)
            return work

        # the bounds raise what is known by one again
        work = sketched(None if known is None else (known[0], known[1] - 1))
        while worst and worst_lane.turned(work):
            work = sketched(work.stair, work)
        turned = partial(worst_lane.turned, work) if worst else never
        while work.keys and not any_set and not work.survey(ended=turned):
            work = sketched(work.stair, work)
            turned = partial(worst_lane.turned, work)
        if not work.keys:
            found.open_from = (0.0, 0.0) if found.skipped else found.open_from
            found.seconds = clock.seconds
            return found
        if not (any_set and len(work.stair[0])):
            work.expand_all(any_set=any_set)
        _settle(found, work, engine=engine, prove_points=prove_points, any_set=any_set)
    if known is not None and found.front is not None:
        found.front = _beside(found.front, known)
    found.open_from = _open_from(found, work)
    found.seconds = clock.seconds
    return found


def prepared(
    spec: Spec,
    catalog: Catalog,
    *,
    references: Mapping[str, Reference] | None = None,
    clock: Clock | None = None,
    processes: int = 1,
) -> Found:
    """Stages, markets and reference states of a spec, before any search."""
    clock = clock or Clock(quiet, never, math.inf)
    found = Found(spec, buying.prices(spec, catalog.tables))
    pools: dict[str, Pool] = {}
    for topology in spec.topologies:
        with _unless_halted(found, topology):
            parts = _parts(found, catalog, topology, clock)
            if parts is not None:
                pools[topology] = parts
    grid = {topology: len(found.stages[topology].controller.frequencies) for topology in pools}
    offered = sum(len(parts.coil) * grid[topology] for topology, parts in pools.items())
    helpers = min(len(pools), processes if offered >= BESIDE_FROM else 1)

    def look(topology: str) -> _Looked:
        stage, parts = found.stages[topology], pools[topology]
        screened = screen.screen(stage, parts)
        referred = reference_sets.references(stage, parts, found.prices, screened, clock.watch)
        return screened, *referred

    with crew.crew(look, helpers, clock.halted) as begin:
        answers = [(topology, begin(topology)) for topology in pools]
        for topology, answer in answers:
            with _unless_halted(found, topology):
                given = (references or {}).get(topology)
                _looked_at(found, topology, pools[topology], answer(), clock, given)
    return found


@contextmanager
def _unless_halted(found: Found, topology: str) -> Iterator[None]:
    """Work on a topology that is skipped once it is time to end."""
    try:
        yield
    except Halted:
        found.skipped.append(topology)


def _open_from(found: Found, work: Expansion) -> tuple[float, float]:
    """Least cost and least loss of anything that was not searched or not proved, by bounds."""
    if found.skipped:
        return 0.0, 0.0
    proved = found.front is None or found.front.complete
    return work.least(work.left if proved else range(len(work.keys)))


def _beside(front: Frontier, known: Staircase) -> Frontier:
    """The points of a front that no known set covers."""
    fresh = np.flatnonzero(~dominance.covered(*costs_and_losses(front.points), known))
    return replace(front, points=tuple(front.points[k] for k in fresh))


# --- one topology ---------------------------------------------------------------------------------


def _parts(found: Found, catalog: Catalog, topology: str, clock: Clock) -> Pool | None:
    """Points, stage and parts of a topology; None where it cannot do the job."""
    spec = found.spec
    reason = refusal(spec, topology)
    if reason is not None:
        found.refused.append(Refused(topology, reason))
        clock.done("topologies", f"{topology} refused: {reason}")
        return None
    clock.watch()
    found.points[topology] = points(spec, topology)
    stage = build_stage(spec, topology, lanes=found.points[topology].lanes, tables=catalog.tables)
    parts = pool.pool(stage, found.prices)
    for one in parts.waterfalls:
        found.fell(topology, one)
    found.stages[topology] = stage
    clock.done("parts", f"{topology}: " + ", ".join(_left(parts.waterfalls)))
    return parts if all(one.left for one in parts.waterfalls) else None


def _looked_at(
    found: Found,
    topology: str,
    parts: Pool,
    looked: _Looked,
    clock: Clock,
    given: Reference | None,
) -> None:
    """Take in the skeletons of a topology and their reference states; its market."""
    screened, reference, kept, beside = looked
    found.fell(topology, screened.waterfall)
    if beside.falls:
        found.fell(topology, beside)
    if given is not None:
        reference = verification.taken_over(reference, given)
    found.references[topology] = reference
    found.counts["skeletons"] = found.counts.get("skeletons", 0) + int(kept.sum())
    alone = f"{len(screened.coil)} of {screened.waterfall.offered} pass alone"
    clock.done("skeletons", f"{topology}: {alone}, {int(kept.sum())} with parts beside them")
    if not len(reference.coil):
        return
    stage = found.stages[topology]
    scene = verification.given_scene(stage, reference)
    prices = found.prices
    markets = [market.market(stage, parts, prices, scene, *one) for one in objectives(stage)]
    one_only = len(markets) == 1
    found.markets[topology] = markets[0] if one_only else max(markets, key=floors.typical_loss)


def refusal(spec: Spec, topology: str) -> str | None:
    """Why a topology cannot do the job, transients and output tolerance included, or None."""
    source, load = spec.source, spec.load
    idle = [row.name for row in spec.mission if row.load_share == 0.0]
    if idle and topology in DIODE_TOPOLOGIES:
        return f"no load at {idle[0]}: pulses would be skipped, which is not modelled"
    for one in spec.choice.force:
        if one.position is not None and not placed.stands_at(topology, one.position):
            return f"{one.part_number} is forced at {one.position}, which it does not have"
    asked = spec.loop.i_step > 0.0 or spec.loop.frequency_cross_min > 0.0
    if asked and windings(TOPOLOGIES[topology]):
        return "a load step or crossover is asked: the loop of two coils is not modelled"
    return TOPOLOGIES[topology].refusal(
        v_input_min=min(source.v_min, source.v_transient_min),
        v_input_max=max(source.v_max, source.v_transient_max),
        v_output_min=load.v_lowest,
        v_output_max=load.v_highest,
    )


def objectives(stage: Stage) -> list[tuple[BoolArray, FloatArray]]:
    """Lanes that the objective may be bounded by, and their weights, (n_lane,) each.

    The worst-point loss is not a sum. It is never below the loss in one of its lanes: those of
    lowest and of highest input are offered, of which the one where sets lose most bounds best.
    """
    lanes = stage.lanes
    if stage.spec.choice.objective != OBJECTIVE_WORST:
        return [(lanes.share > 0, lanes.share)]
    worst = np.flatnonzero(limits.worst_lanes(stage))
    ends = {int(worst[pick(lanes.v_input[worst])]) for pick in (np.argmin, np.argmax)}
    weights = [np.where(np.arange(len(lanes)) == one, 1.0, 0.0) for one in sorted(ends)]
    return [(weight > 0, weight) for weight in weights]


def _left(waterfalls: tuple[Waterfall, ...]) -> Iterator[str]:
    for one in waterfalls:
        yield f"{one.left} {one.position}"


# --- the end --------------------------------------------------------------------------------------


def _settle(
    found: Found, work: Expansion, *, engine: str, prove_points: int, any_set: bool
) -> None:
    """The front of everything that stayed open, with its proofs.

    any_set : whether one feasible set is enough; where the looks ahead met none, rows that bind
        may have kept them from it, and only the front tells
    """
    if any_set and found.first is not None:
        return
    if work.left:
        work.expanded = work.sketched | work.expanded
    if not work.expanded:
        return
    work.narrow()
    bodies = dict(work.expanded)
    count = sum(len(group.loss) for body in bodies.values() for group in body.groups)
    work.clock.done("narrowing", f"{len(bodies)} skeletons with {count} options left")
    choice = work.choice_of(bodies)
    strict = work.complete or bool(work.left)
    answer = _answer(choice if strict else loosened(choice, SIFTED), work, engine, prove_points)
    good = [True] if strict else _strict(work, bodies, choice, answer)
    if not (all(good) or (any_set and any(good))):
        choice, answer = _refilled(work, bodies, choice, answer, engine)
    answer = _robust(work, bodies, choice, answer)
    found.choice, found.front = choice, answer
    kept = [one for one in answer.points if not violations(choice, one.skeleton, one.option)]
    if found.first is None and kept:
        found.first = choice, kept[0]
    found.counts["options"] = sum(
        len(group.loss) for body in choice.skeletons for group in body.groups
    )
    found.counts["rows"] = len(choice.row_names)
    work.clock.done("front", f"{len(found.front.points)} points by {found.front.engine}")


def _answer(choice: Choice, work: Expansion, engine: str, prove_points: int) -> Frontier:
    """The front of a choice within the time left."""
    proved = 0 if engine == "merge" else prove_points
    how = _how(work, engine)
    return _marked(work, frontier.front(choice, **how, prove_points=proved, stop=work.clock.stop))


def _how(work: Expansion, engine: str) -> dict[str, Any]:
    left = max(work.clock.deadline - time.monotonic(), 0.0)
    return {"engine": "solver" if engine == "solver" else "auto", "time_limit": left}


def _marked(work: Expansion, answer: Frontier) -> Frontier:
    """A front, without the proof of points that what was not searched might beat."""
    if not (work.left or work.found.skipped):
        return answer
    bounds = work.bounds[work.left]
    points = stopped.marked(answer.points, bounds, work.weights, work.found.skipped)
    return replace(answer, points=points)


def _refilled(
    work: Expansion, bodies: dict[Key, Skeleton], choice: Choice, answer: Frontier, engine: str
) -> tuple[Choice, Frontier]:
    """The strict front: points of the loosened one that are strict, and the gaps searched again.

    A strict point of the loosened front is a point of the strict one, so only between such points
    can others lie. There all half bridges are looked at, also those that others beat; where a row
    is broken still, all banks too. Each time only of the skeletons that fit into the gap with rows
    loosened by what had been left out of them.
    """
    known, work.surveyed, work.pairs = work.stair, {}, True
    left = list(bodies.items())
    more: list[tuple[Key, Skeleton]] = []  # a skeleton once for each gap: other options are left
    for every, sifted in ((False, SIFTED), (True, BANKS)):
        strict = _strict(work, bodies, choice, answer)
        points = [p for p, good in zip(answer.points, strict, strict=True) if good]
        complete, notes = answer.complete, list(answer.not_proved)
        work.complete = every
        begun = []
        for before, after in _gaps(answer.points, strict):
            room = work.within(_within(known, before, after))
            fitting = {key for key, body in left if room.fitted(key, body, spare=sifted)}
            begun.append((before, after, room, room.expanding(of=fitting)))
        looked, asked = 0, []
        for before, after, room, finish in begun:
            looked += finish()
            work.left = sorted({*work.left, *room.left})
            room.narrow()
            if not room.expanded:
                continue
            more += room.expanded.items()
            step, offset = GAP_STEP * len(bodies), len(bodies)
            again = {(name, k + step): body for (name, k), body in room.expanded.items()}
            bodies |= again
            some = room.choice_of(again)
            some = some if every else loosened(some, BANKS)
            answered = room.begin_front(some, **_how(room, engine), prove_points=0)
            asked.append((before, after, room, offset, answered))
        for before, after, room, offset, answered in asked:
            filled = _marked(room, answered())
            complete &= filled.complete
            notes += filled.not_proved
            points += [
                replace(p, skeleton=p.skeleton + offset)
                for p in filled.points
                if (after is None or p.cost < after.cost)
                and (before is None or p.loss < before.loss)
            ]
        found = frontier.nondominated(points)
        answer = Frontier(found, complete, answer.engine, tuple(notes))
        searched = f"{len(begun)} searched, {looked} skeletons expanded again"
        work.clock.done("gaps", f"{searched}, {len(found)} points")
        choice = work.choice_of(bodies)
        if all(_strict(work, bodies, choice, answer)):
            break
        left, more = more, []
    return choice, answer


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
    """What is known inside a gap; outside of it, everything counts as covered.

    No set is cheaper than the point before the gap and loses less, so the loss of that point is
    what any set must go below.
    """
    cost, loss = stair
    if before is not None:
        inside = (cost > before.cost) & (loss < before.loss)
        cost, loss = np.append(FREE, cost[inside]), np.append(before.loss, loss[inside])
    if after is None:
        return cost, loss
    inside = cost < after.cost
    return np.append(cost[inside], after.cost), np.append(loss[inside], COVERED)


def _strict(
    work: Expansion, bodies: Mapping[Key, Skeleton], choice: Choice, answer: Frontier
) -> list[bool]:
    """Which points keep every strict row, and pass in every mixture with second sources.

    And whether the worst point of each is the lane that stood for it. Where one does not, options
    that others beat may be wanted too.
    """
    keys = list(bodies)
    return [
        holds(choice, one)
        and work.robust(keys[one.skeleton], choice.skeletons[one.skeleton], one.option)
        for one in answer.points
    ]


def _robust(
    work: Expansion, bodies: Mapping[Key, Skeleton], choice: Choice, answer: Frontier
) -> Frontier:
    """A front without the points that lack second sources: a stopped search may hold some."""
    if not work.found.spec.purchase.second_source:
        return answer
    keys = list(bodies)
    held = [
        work.robust(keys[one.skeleton], choice.skeletons[one.skeleton], one.option)
        for one in answer.points
    ]
    if all(held):
        return answer
    points = tuple(point for point, good in zip(answer.points, held, strict=True) if good)
    note = f"{len(held) - len(points)} points without second sources fell; what lies there is open"
    return replace(answer, points=points, complete=False, not_proved=(*answer.not_proved, note))
