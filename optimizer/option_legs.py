"""Half bridges of one skeleton that pass and may be on the front."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from optimizer import (
    dominance,
    evaluation,
    limits,
    market,
    screen,
)
from optimizer.dominance import Staircase
from optimizer.evaluation import Scene
from optimizer.floors_legs import LegFloors
from optimizer.market import Choices
from optimizer.parts.bridge_records import HalfBridge
from optimizer.purchase import PRICE_NONE
from optimizer.records import (
    LOSS_UNIT,
    BoolArray,
    FloatArray,
    Group,
    IntArray,
    Leg,
    switch_kind,
)
from optimizer.rivals import Rivals, pair_cost
from optimizer.workbench import Workbench, cost_grid, group_of, loose, thinned

ELEMENTS_AT_ONCE = 1 << 15
"""Pairs times lanes worked on at a time, so that what is worked out stays in the cache."""

SKETCH_LAYERS = 6
"""Times that the next best transistors are tried in a sketch where no pair passes."""

PROMISING = 1024
"""Pairs that are solved first, so that others can be left out by their bounds."""

LEVELS_LISTED = 200
"""Steps of cost at which it is worked out for all pairs, before any is listed."""

LEVELS_SHARED = 100
"""The same for pairs that share a transistor with another leg, for each such transistor."""


def leg_group(bench: Workbench, leg: Leg, one: LegFloors) -> Group | None:
    """Pairs of transistors of one leg: single ones sifted first, then pairs by their own loss."""
    bench = replace(bench, worth=_worth_sharing(bench, leg))
    control, synchronous = (bench.found.choices(p) for p in (leg.control, leg.synchronous))
    if bench.aim.best_only:
        return _sketched_pairs(bench, leg, one, (control, synchronous))
    i, j, bound = _open_pairs(bench, leg, one, (control, synchronous))
    fair = _halves_pass(bench, leg, (control, synchronous), i, j)
    control, synchronous = _pick(control, i[fair]), _pick(synchronous, j[fair])
    keep = _not_outdone(bench, leg, control, synchronous, bound[fair])
    control, synchronous = _pick(control, keep), _pick(synchronous, keep)
    if not len(control[0]):
        return None
    keep, loss = _pairs_that_matter(bench, leg, control, synchronous)
    control, synchronous = _pick(control, keep), _pick(synchronous, keep)
    asked = not _every(bench)
    if asked:
        keep = _unbeaten(bench, leg, control, synchronous, loss)
        control, synchronous = _pick(control, keep), _pick(synchronous, keep)
    if not len(control[0]):
        return None
    return _pairs_that_pass(bench, leg, control, synchronous, asked=asked)


def _every(bench: Workbench) -> bool:
    """Whether pairs that others beat in cost and loss may be wanted too."""
    return bench.aim.complete or bench.aim.pairs or bench.found.lanes_apart


def _not_outdone(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices, bound: FloatArray
) -> IntArray:
    """Indices of the pairs that no pair known to pass replaces whatever their own loss is.

    bound : lower bound of the loss of each [W]. The most promising by it are solved first.
    """
    every = np.arange(len(bound))
    rivals = _rivals(bench, leg, control, synchronous, bound)
    plain = not (_every(bench) or rivals.counted or any(rivals.fixed))
    if not plain or len(bound) < 2 * PROMISING:
        return every
    most = pair_cost(rivals.most, rivals.rows, rivals.pieces)
    some = _promising(bench, most, market.whole_units(bound))
    control, synchronous = _pick(control, some), _pick(synchronous, some)
    loss = _objective_loss(bench, leg, control, synchronous)
    best = _unbeaten(bench, leg, control, synchronous, loss)
    good, lost = some[best], loss[best]
    stair = np.lexsort((lost, most[good]))
    cost, least_loss = most[good][stair], np.minimum.accumulate(lost[stair])
    place = np.searchsorted(cost, rivals.least_cost(), side="right")
    keep = bound < np.append(np.inf, least_loss)[place]
    keep[good] = True
    return np.flatnonzero(keep)


def _promising(bench: Workbench, cost: IntArray, loss: IntArray) -> IntArray:
    """Indices of the best options in some directions, `PROMISING` at most, in rising order."""
    weights = bench.aim.weights[::4]
    each = PROMISING // len(weights)
    best = [np.argpartition(v * cost + w * loss, each)[:each] for v, w in weights]
    return np.unique(np.concatenate(best))


def _unbeaten(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices, loss: FloatArray
) -> IntArray:
    """Indices of the pairs that keep every limit and that no other such pair replaces."""
    rivals = _rivals(bench, leg, control, synchronous, loss)

    def ask(index: IntArray) -> BoolArray:
        return _pass(bench, leg, _pick(control, index), _pick(synchronous, index))

    return rivals.settled(np.zeros(len(loss), dtype=bool), ask)


def _rivals(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices, loss: FloatArray
) -> Rivals:
    """The pairs of a leg; a part that both legs may hold counts by what it adds at least."""
    choices = control, synchronous
    numbers = [bench.found.numbered(p, c) for p, c in zip(_places(leg), choices, strict=True)]
    rows, pieces = (np.stack(both, axis=1) for both in zip(*numbers, strict=True))
    least, most = bench.found.marginal["switch"], bench.found.prices.alone("switch")
    shared = np.zeros(len(most), dtype=bool)
    shared[bench.worth] = True
    asked = tuple(
        any(position in equal and not _within(leg, equal) for equal in _equal_places(bench))
        for position in _places(leg)
    )
    counted = bench.found.numbers_limited
    return Rivals(rows, pieces, loss, least, most, shared, (asked[0], asked[1]), counted)


def _equal_places(bench: Workbench) -> list[tuple[str, ...]]:
    """Positions of the stage that must hold one part, as the spec asks for."""
    held = {position for leg in bench.stage.topology.LEGS for position in _places(leg)}
    wanted = bench.stage.spec.choice.same_part
    return [tuple(position for position in equal if position in held) for equal in wanted]


def _within(leg: Leg, equal: tuple[str, ...]) -> bool:
    """Whether all of some positions belong to one leg."""
    return set(equal) <= set(_places(leg))


def _may_pair(bench: Workbench, leg: Leg, one: IntArray, two: IntArray) -> BoolArray:
    """Which numbered parts may stand in one leg where the spec asks for equal ones."""
    asked = any(set(_places(leg)) <= set(equal) for equal in _equal_places(bench))
    return np.asarray((one == two) | (not asked))


def _pick(choices: Choices, keep: BoolArray | IntArray) -> Choices:
    return choices[0][keep], choices[1][keep]


def _places(leg: Leg) -> tuple[str, str]:
    return leg.control, leg.synchronous


def _sketched_pairs(
    bench: Workbench, leg: Leg, one: LegFloors, choices: tuple[Choices, Choices]
) -> Group | None:
    """Pairs of the best transistors that pass; where none does, of the next best."""
    left = tuple(np.arange(len(rows)) for rows, _ in choices)
    for _ in range(SKETCH_LAYERS):
        i, j = _best_pairs(bench, leg, one, choices, left)
        if not len(i):
            break
        found = _pairs_that_pass(bench, leg, _pick(choices[0], i), _pick(choices[1], j))
        if found is not None and len(found.loss):
            return found
        left = np.setdiff1d(left[0], i), np.setdiff1d(left[1], j)
    return None


def _best_pairs(
    bench: Workbench,
    leg: Leg,
    one: LegFloors,
    choices: tuple[Choices, Choices],
    left: tuple[IntArray, ...],
) -> tuple[IntArray, IntArray]:
    """Pairs of transistors that are each among the best of those left that pass."""
    alone = bench.found.prices.alone("switch")
    losses = one.control, one.synchronous.min(axis=0)
    numbered = [bench.found.numbered(p, c) for p, c in zip(_places(leg), choices, strict=True)]
    i, j = (axis.ravel() for axis in np.meshgrid(*left, indexing="ij"))
    fits = _may_pair(bench, leg, numbered[0][0][i], numbered[1][0][j])
    if not fits.all():  # equal parts: the best pairs of them instead
        i, j = i[fits], j[fits]
        fair = _halves_pass(bench, leg, choices, i, j)
        i, j = i[fair], j[fair]
        cost = alone[_pick(numbered[0], i)] + alone[_pick(numbered[1], j)]
        keep = bench.best(cost, losses[0][i] + losses[1][j])
        return i[keep], j[keep]
    kept = []
    for position, own, some, loss, index in zip(
        _places(leg), choices, numbered, losses, left, strict=True
    ):
        while True:
            best = index[bench.best(alone[_pick(some, index)], loss[index])]
            picked = _pick(own, best)
            hot = best[~screen.keeps_limits_alone(bench.scene, leg, position, picked)]
            if not len(hot):
                break
            index = np.setdiff1d(index, hot)
        kept.append(best)
    i, j = (axis.ravel() for axis in np.meshgrid(kept[0], kept[1], indexing="ij"))
    return i, j


def _open_pairs(
    bench: Workbench,
    leg: Leg,
    one: LegFloors,
    choices: tuple[Choices, Choices],
) -> tuple[IntArray, IntArray, FloatArray]:
    """Pairs that the floors of both positions leave on the front, with a bound of their loss."""
    control, synchronous = choices
    numbered = [bench.found.numbered(p, c) for p, c in zip(_places(leg), choices, strict=True)]
    i, j = _listed(bench, leg, one, numbered[0], numbered[1])
    fits = _may_pair(bench, leg, numbered[0][0][i], numbered[1][0][j])
    i, j = i[fits], j[fits]
    loss = one.control[i] + one.synchronous[one.bucket[i], j]
    keep = _pair_matters(bench, leg, _pick(control, i), _pick(synchronous, j), loss)
    return i[keep], j[keep], loss[keep]


def _listed(
    bench: Workbench,
    leg: Leg,
    one: LegFloors,
    control: Choices,
    synchronous: Choices,
) -> tuple[IntArray, IntArray]:
    """Pairs worth a look: each half beside the best that may stand with it leaves it open.

    What is open falls with the cost, so the halves that no cheaper one outdoes stand for all.
    Pairs of one part, which are bought together, are always listed.
    """
    listed = control[0][:, None] == synchronous[0][None, :]
    floor = market.whole_units(one.control)
    for table, rooms in _rooms(bench, leg):
        costs = table[control], table[synchronous]
        bought = [cost[cost < PRICE_NONE] for cost in costs]
        if not all(len(cost) for cost in bought):
            continue
        low, high = (sum(int(pick(cost)) for cost in bought) for pick in (np.min, np.max))
        grid = cost_grid(low, high, LEVELS_LISTED)
        open_units = np.min([bench.open_loss(room, grid) for room in rooms], axis=0) / LOSS_UNIT

        def open_beside(
            cost: IntArray,
            loss: IntArray,
            other: Staircase,
            open_units: FloatArray = open_units,
            grid: IntArray = grid,
        ) -> BoolArray:
            place = np.searchsorted(grid, cost[:, None] + other[0][None, :], side="right") - 1
            return np.asarray((open_units[place] - other[1]).max(axis=1, initial=-np.inf) > loss)

        for number, losses in enumerate(one.synchronous):
            some = np.flatnonzero((one.bucket == number) & np.isfinite(one.control))
            fit = np.flatnonzero(np.isfinite(losses))
            lost = market.whole_units(losses[fit])
            best = dominance.stair_of(costs[1][fit], lost)
            some = some[open_beside(costs[0][some], floor[some], best)]
            best = dominance.stair_of(costs[0][some], floor[some])
            fit = fit[open_beside(costs[1][fit], lost, best)]
            listed[np.ix_(some, fit)] = True
    i, j = np.nonzero(listed)
    return i, j


def _rooms(bench: Workbench, leg: Leg) -> Iterator[tuple[IntArray, list[FloatArray | Staircase]]]:
    """What a pair costs at least, and bounds on everything else: sharing nothing, sharing any."""
    rest = bench.others("legs")
    others = [value for name, value in bench.legs.items() if name != leg.name]
    apart = rest + np.sum([value.apart for value in others], axis=0)
    yield bench.found.prices.alone("switch"), [apart, bench.beside(leg.name)]
    if len(bench.worth):
        yield bench.found.least["switch"], [rest + others[0].shared[bench.worth].min(axis=0)]


def _pair_matters(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices, loss: FloatArray
) -> BoolArray:
    """Which pairs may be on the front, alone or by sharing a part with another leg."""
    rest = bench.others("legs")
    control = bench.found.numbered(leg.control, control)
    synchronous = bench.found.numbered(leg.synchronous, synchronous)
    rows = np.stack([control[0], synchronous[0]], axis=1)
    pieces = np.stack([control[1], synchronous[1]], axis=1)
    others = [value for name, value in bench.legs.items() if name != leg.name]
    apart = rest + np.sum([value.apart for value in others], axis=0)
    alone = pair_cost(bench.found.prices.alone("switch"), rows, pieces)
    keep = bench.matters(apart, alone, loss)
    if bench.aim.stair[0].size:
        keep &= bench.matters(bench.beside(leg.name), alone, loss)
    worth = bench.worth
    if not len(worth):
        return keep
    cost = pair_cost(bench.found.least["switch"], rows, pieces)
    any_part = rest + others[0].shared[worth].min(axis=0)
    maybe = ~keep & bench.matters(any_part, cost, loss)
    some = np.flatnonzero(maybe)
    if not len(some):
        return keep
    grid = cost_grid(cost[some].min(), cost[some].max(), LEVELS_SHARED)
    opened = bench.open_loss(rest + others[0].shared[worth], grid)
    level = np.searchsorted(grid, cost[some], side="right") - 1
    place = np.full(len(bench.found.prices.alone("switch")), -1)
    place[worth] = np.arange(len(worth))
    for slot in (0, 1):
        held = place[rows[some, slot]]
        keep[some] |= (held >= 0) & (loss[some] < opened[held, level])
    return keep


def _worth_sharing(bench: Workbench, leg: Leg) -> IntArray:
    """Transistors that both legs might hold on the front; none where there is one leg."""
    others = [value for name, value in bench.legs.items() if name != leg.name]
    if not others:
        return np.zeros(0, dtype=np.int64)
    bound = bench.others("legs") + bench.legs[leg.name].shared + others[0].shared
    known = np.flatnonzero(np.isfinite(bound).all(axis=1))
    if not len(bench.aim.stair[0]):
        return known
    for stair in (thinned(bench.aim.stair), loose(bench.aim.stair)):
        known = known[~dominance.droppable(bound[known], bench.aim.weights, stair)]
    return known


def _halves_pass(
    bench: Workbench, leg: Leg, choices: tuple[Choices, Choices], i: IntArray, j: IntArray
) -> BoolArray:
    """Pairs of which both halves keep their own limits, each beside a partner without charge."""
    fair = np.ones(len(i), dtype=bool)
    for position, own, index in zip(_places(leg), choices, (i, j), strict=True):
        held, place = np.unique(index, return_inverse=True)
        alone = screen.keeps_limits_alone(bench.scene, leg, position, _pick(own, held))
        fair &= alone[place]
    return fair


def _bridge(scene: Scene, leg: Leg, control: Choices, synchronous: Choices) -> HalfBridge:
    return evaluation.half_bridges(
        scene,
        leg,
        evaluation.controls(scene.stage, *control),
        evaluation.rectifiers(scene.stage, leg, *synchronous),
    )


def burden(
    scene: Scene, leg: Leg, control: Choices, synchronous: Choices
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Loss [W], drive current [A], share of thermal gain of pairs, (n_option, n_lane) each."""
    bridge = _bridge(scene, leg, control, synchronous)
    steady = limits.steady(scene.stage)
    return (*_leg_loss(scene, bridge), np.where(steady, bridge.gain, 0.0))


def _leg_loss(scene: Scene, bridge: HalfBridge) -> tuple[FloatArray, FloatArray]:
    """Loss of a leg with its gate drive, and its drive current, (n_option, n_lane) each."""
    i_drive = bridge.control.i_drive + bridge.synchronous.i_drive
    return bridge.loss + scene.operation.v_input * i_drive, i_drive


def _pairs_that_matter(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices
) -> tuple[IntArray, FloatArray]:
    """Indices of the pairs that their own loss in the objective lanes leaves open, and it [W]."""
    loss = _objective_loss(bench, leg, control, synchronous)
    keep = np.flatnonzero(_pair_matters(bench, leg, control, synchronous, loss))
    return keep, loss[keep]


def _objective_loss(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices
) -> FloatArray:
    """Weighted loss of pairs in the objective lanes [W]; inf where there is none."""
    losses = []
    for some in _blocks(bench.view, len(control[0])):
        bench.aim.watch()
        bridge = _bridge(bench.view, leg, _cut(control, some), _cut(synchronous, some))
        losses.append(_leg_loss(bench.view, bridge)[0] @ bench.found.weight)
    loss = np.concatenate(losses)
    return np.where(np.isnan(loss), np.inf, loss)


def _cut(choices: Choices, some: slice) -> Choices:
    return choices[0][some], choices[1][some]


def _pass(bench: Workbench, leg: Leg, control: Choices, synchronous: Choices) -> BoolArray:
    """Which pairs keep every limit in every lane, in every mixture with second sources too."""
    if bench.mixtures is not None:
        return bench.mixtures.passes(leg.name, control, synchronous)
    blocks = [
        held(bench.scene, leg, _cut(control, some), _cut(synchronous, some))[0]
        for some in _blocks(bench.scene, len(control[0]))
    ]
    return np.concatenate(blocks)


def held(
    scene: Scene, leg: Leg, control: Choices, synchronous: Choices
) -> tuple[BoolArray, HalfBridge]:
    """Which pairs keep every limit, and what they do in every lane."""
    bridge = _bridge(scene, leg, control, synchronous)
    keep = np.asarray(np.isfinite(bridge.gain[:, limits.steady(scene.stage)]).all(axis=1))
    for check in limits.switches(scene, leg, bridge, control[0], synchronous[0]):
        keep &= check.holds()
    return keep, bridge


def _blocks(scene: Scene, count: int) -> Iterator[slice]:
    """Slices of the pairs, each small enough for the lanes of a scene."""
    size = max(ELEMENTS_AT_ONCE // len(scene.stage.lanes), 1)
    for start in range(0, count, size):
        yield slice(start, start + size)


def _pairs_that_pass(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices, *, asked: bool = False
) -> Group | None:
    """The pairs that keep every limit in every lane, as a group of the decision.

    asked : whether all are known to do so
    """
    found, stage = bench.found, bench.stage
    groups = []
    steady = limits.steady(stage)
    for some in _blocks(bench.scene, len(control[0])):
        bench.aim.watch()
        one, two = _cut(control, some), _cut(synchronous, some)
        if asked:
            keep, bridge = np.ones(len(one[0]), dtype=bool), _bridge(bench.scene, leg, one, two)
        else:
            keep, bridge = held(bench.scene, leg, one, two)
            if bench.mixtures is not None:
                keep[keep] = bench.mixtures.passes(leg.name, _pick(one, keep), _pick(two, keep))
        loss, i_drive = _leg_loss(bench.scene, bridge)
        one, two = _pick(one, keep), _pick(two, keep)
        body = [limits.body_area(stage, switch_kind(p)) for p in _places(leg)]
        number = [found.numbered(p, c)[0] for p, c in zip(_places(leg), (one, two), strict=True)]
        groups.append(
            group_of(
                bench,
                leg.name,
                (leg.control, leg.synchronous),
                np.stack(number, axis=1),
                np.stack([one[1], two[1]], axis=1),
                loss=loss[keep],
                i_drive=i_drive[keep],
                gain=np.where(steady, bridge.gain[keep], 0.0),
                area=body[0][one[0]] * one[1] + body[1][two[0]] * two[1],
            )
        )
    return joined(groups) if groups else None


def joined(groups: list[Group]) -> Group:
    """Several blocks of options of one group as one."""
    first = groups[0]
    return Group(
        name=first.name,
        part=np.concatenate([one.part for one in groups]),
        pieces=np.concatenate([one.pieces for one in groups]),
        loss=np.concatenate([one.loss for one in groups]),
        rows=np.concatenate([one.rows for one in groups]),
        loss_lane=np.concatenate([one.loss_lane for one in groups]),
        slot_position=first.slot_position,
    )
