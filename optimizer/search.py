"""From spec and catalogs to the front: bounds, tables, merge or solver. The only loop.

The skeletons (topology, frequency, inductor) of every topology are prepared here and expanded in
`expansion`; what was never expanded is provably not on the front. The decision over the rest
ends the search.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import replace
from functools import partial

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
from optimizer.spec_records import DIODE_TOPOLOGIES, OBJECTIVE_WORST, Spec
from optimizer.stage import Stage, build_stage
from optimizer.topologies import TOPOLOGIES
from optimizer.topologies.intervals import windings
from optimizer.verification import Reference


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
    whole = prepared(spec, catalog, references=references, clock=clock)
    run = partial(
        _searched,
        engine=engine,
        prove_points=0 if any_set else prove_points,
        any_set=any_set,
        processes=processes or crew.available(),
        end=end,
    )
    specs = [] if engine == "solver" else list(placed.by_position(spec, catalog))
    if not specs:
        return run(whole, known, clock)
    whole.seconds, parts = clock.seconds, []
    for one in specs:
        clock = Clock(progress, stop, limit)
        found = prepared(one, catalog, references=whole.references, clock=clock)
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
) -> Found:
    """Stages, markets and reference states of a spec, before any search."""
    clock = clock or Clock(quiet, never, math.inf)
    found = Found(spec, buying.prices(spec, catalog.tables))
    for topology in spec.topologies:
        try:
            _prepare(found, catalog, topology, clock, (references or {}).get(topology))
        except Halted:
            found.skipped.append(topology)
    return found


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


def _prepare(
    found: Found, catalog: Catalog, topology: str, clock: Clock, given: Reference | None = None
) -> None:
    """Points, parts, skeletons and reference states of a topology, unless it cannot do the job."""
    spec, prices = found.spec, found.prices
    reason = refusal(spec, topology)
    if reason is not None:
        found.refused.append(Refused(topology, reason))
        clock.done("topologies", f"{topology} refused: {reason}")
        return
    clock.watch()
    found.points[topology] = points(spec, topology)
    stage = build_stage(spec, topology, lanes=found.points[topology].lanes, tables=catalog.tables)
    parts = pool.pool(stage, prices)
    for one in parts.waterfalls:
        found.fell(topology, one)
    found.stages[topology] = stage
    clock.done("parts", f"{topology}: " + ", ".join(_left(parts.waterfalls)))
    if any(not one.left for one in parts.waterfalls):
        return
    screened = screen.screen(stage, parts)
    found.fell(topology, screened.waterfall)
    clock.done("skeletons", f"{topology}: {len(screened.coil)} of {screened.waterfall.offered}")
    reference, kept, beside = reference_sets.references(stage, parts, prices, screened, clock.watch)
    if beside.falls:
        found.fell(topology, beside)
    if given is not None:
        reference = verification.taken_over(reference, given)
    found.references[topology] = reference
    found.counts["skeletons"] = found.counts.get("skeletons", 0) + int(kept.sum())
    clock.done("reference states", f"{topology}: {int(kept.sum())} skeletons")
    if not len(reference.coil):
        return
    scene = verification.given_scene(stage, reference)
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
    choice = work.choice_of(bodies)
    strict = work.complete or bool(work.left)
    answer = _answer(choice if strict else loosened(choice, SIFTED), work, engine, prove_points)
    good = [True] if strict else _strict(work, bodies, choice, answer)
    if not (all(good) or (any_set and any(good))):
        choice, answer = _refilled(work, bodies, choice, answer, engine)
    answer = _robust(work, bodies, choice, answer)
    found.choice, found.front = choice, answer
    kept = [one for one in answer.points if holds(choice, one)]
    if found.first is None and kept:
        found.first = choice, kept[0]
    found.counts["options"] = sum(
        len(group.loss) for body in choice.skeletons for group in body.groups
    )
    found.counts["rows"] = len(choice.row_names)
    work.clock.done("front", f"{len(found.front.points)} points by {found.front.engine}")


def _answer(choice: Choice, work: Expansion, engine: str, prove_points: int) -> Frontier:
    """The front of a choice within the time left."""
    left = work.clock.deadline - time.monotonic()
    answer = frontier.front(
        choice,
        engine="solver" if engine == "solver" else "auto",
        time_limit=max(left, 0.0),
        prove_points=0 if engine == "merge" else prove_points,
        stop=work.clock.stop,
    )
    if work.left or work.found.skipped:
        bounds = work.bounds[work.left]
        points = stopped.marked(answer.points, bounds, work.weights, work.found.skipped)
        answer = replace(answer, points=points)
    return answer


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
        for before, after in _gaps(answer.points, strict):
            work.stair, work.expanded = _within(known, before, after), {}
            fitting = {key for key, body in left if work.fitted(key, body, spare=sifted)}
            work.expand_all(of=fitting)
            work.narrow()
            if not work.expanded:
                continue
            more += work.expanded.items()
            step, offset = GAP_STEP * len(bodies), len(bodies)
            again = {(name, k + step): body for (name, k), body in work.expanded.items()}
            bodies |= again
            some = work.choice_of(again)
            filled = _answer(some if every else loosened(some, BANKS), work, engine, 0)
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
