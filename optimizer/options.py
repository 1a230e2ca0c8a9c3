"""The options of one skeleton: half bridges, banks, sense resistors that pass and may matter.

An option goes for one of two reasons: it breaks a limit of its own, or a bound shows that no set
holding it can be on the front. What stays is handed to the decision as integers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer import (
    evaluation,
    floors,
    floors_banks,
    floors_legs,
    limits,
    market,
    screen,
)
from optimizer.dominance import Staircase
from optimizer.floors_legs import LegFloors
from optimizer.market import Market
from optimizer.option_banks import bank_groups
from optimizer.option_legs import leg_group
from optimizer.option_shared import shared_groups
from optimizer.purchase import PRICE_NONE
from optimizer.records import (
    FloatArray,
    Group,
    Skeleton,
)
from optimizer.second_sources import SecondSources
from optimizer.workbench import (
    Aim,
    Rows,
    Workbench,
    coil_holds,
    fixed_loss,
    fixed_row,
    group_of,
    rounded_units,
    worst_numbers,
    worst_wanted,
)


def expand(
    found: Market,
    rows: Rows,
    skeleton: int,
    aim: Aim,
    known: Skeleton | None = None,
    mixtures: SecondSources | None = None,
) -> Skeleton | None:
    """All options of one skeleton that pass and may matter; None where a position has none.

    known : what came of it before with `aim.alone` and a poorer front: its half bridges are taken
        over, its banks are a bound
    mixtures : what second sources are asked of it, if any; every option comes once, with rows of
        its own
    """
    legs = [leg.name for leg in found.stage.topology.LEGS]
    held = {} if known is None else {group.name: group for group in known.groups}
    if mixtures is not None:
        held = {name: mixtures.own(group) for name, group in held.items()}
    bench = _legs_settled(found, rows, skeleton, aim, held, mixtures)
    if bench is None:
        return None
    banks = _banks(bench, held)
    if banks is None:
        return None
    pairs = [bench.groups[name] for name in legs]
    rest = bench.groups["sense"], _coil_group(bench, skeleton)
    body = _skeleton(bench, skeleton, (*pairs, *banks, *rest))
    return body if mixtures is None else mixtures.widened(body)


def _banks(bench: Workbench, held: Mapping[str, Group]) -> list[Group] | None:
    """Banks of every node; None where a node has none that may matter.

    What two nodes may share is worked out beside their banks that share nothing.
    """
    nodes, aim = list(bench.found.pool.bank), bench.aim
    two = len(nodes) == 2
    if not two or aim.best_only or aim.alone:
        return bank_groups(bench, alone=aim.alone and two)
    if held:
        return shared_groups(bench, {node: held[f"{node} bank"] for node in nodes})
    alone = bank_groups(replace(bench, aim=replace(aim, complete=False)), alone=True)
    return alone and shared_groups(bench, dict(zip(nodes, alone, strict=True)))


def _legs_settled(
    found: Market,
    rows: Rows,
    skeleton: int,
    aim: Aim,
    held: Mapping[str, Group],
    mixtures: SecondSources | None,
) -> Workbench | None:
    """The bench of a skeleton with its sense resistors and half bridges; None where none is left.

    The groups come one after the other, and each known group sharpens the bound on the next.
    """
    if not coil_holds(found, skeleton):
        return None
    known = [held[leg.name] for leg in found.stage.topology.LEGS if leg.name in held]
    bench, leg_floors = _workbench(found, rows, skeleton, aim, known)
    bench = replace(bench, mixtures=mixtures)
    sense = _sense_group(bench, skeleton)
    if sense is None or not len(sense.loss):
        return None
    bench = bench.settled("sense", "resistor", sense)
    for node in found.pool.bank:
        money = int(floors_banks.bank_money(found, node)[skeleton])
        if money >= PRICE_NONE:
            return None
        bench = bench.at_least(skeleton, node, money)
    if not bench.still_open():
        return None
    if known:
        return bench
    groups: list[Group] = []
    for leg in found.stage.topology.LEGS:
        aim.watch()
        pairs = leg_group(bench, leg, leg_floors[leg.name])
        if pairs is None or not len(pairs.loss):
            return None
        groups.append(pairs)
        bench = bench.settled_leg(leg, pairs)
    bench = bench.settled_legs(groups)
    return bench if bench.still_open() else None


def _skeleton(bench: Workbench, skeleton: int, groups: tuple[Group, ...]) -> Skeleton:
    """The skeleton with what it costs and loses whatever is chosen."""
    found, stage = bench.found, bench.stage
    fixed = fixed_loss(bench.scene)
    coil = stage.tables["inductor"].part_number[int(found.scene.coil[skeleton])]
    kilohertz = found.frequency()[skeleton] / 1e3
    return Skeleton(
        name=f"{stage.topology.NAME}, {kilohertz:g} kHz, {coil}",
        groups=groups,
        cost_fixed=found.fixed_cost,
        loss_fixed=int(rounded_units(fixed[:, found.objective] @ found.weight)[0]),
        rows_fixed=fixed_row(bench.rows, bench.scene),
        loss_lane_fixed=rounded_units(fixed[0, worst_wanted(stage)]),
        lanes=worst_numbers(found),
    )


def _workbench(
    found: Market, rows: Rows, skeleton: int, aim: Aim, known: list[Group]
) -> tuple[Workbench, dict[str, LegFloors]]:
    """Bounds of every group of one skeleton, at its own waveforms; `known` : its half bridges."""
    one, weights = np.array([skeleton]), aim.weights
    legs = {} if known else floors_legs.legs(found, weights, one)
    classes = {name: value for name, (_, value) in legs.items()}
    bound: dict[str, FloatArray] = {}
    if not known:
        bound["legs"] = floors_legs.family_bound(classes)
    for node, types in found.pool.bank.items():
        bound[node] = floors_banks.bank_bounds(found, node, weights, one, types)[0]
    loss = market.whole_units(floors.sense_floors(found, one))[0]
    cheapest = int(found.least["resistor"][found.pool.sense, 1].min())
    bound["sense"] = weights @ np.array([cheapest, loss], dtype=np.float64)
    coil = int(found.coil_cost(one)[0])
    fixed = market.whole_units(floors.fixed_losses(found, one))[0]
    bound["fixed"] = weights @ np.array([found.fixed_cost + coil, fixed], dtype=np.float64)
    stairs: dict[str, Staircase] = {
        "fixed": (np.array([found.fixed_cost + coil]), np.array([fixed]))
    }
    for leg in found.stage.topology.LEGS if not known else ():
        pair = floors_legs.numbered(found, leg)
        stairs[leg.name] = floors_legs.leg_stair(found, legs[leg.name][0], *pair)
    scene, view = found.scene.take(one), found.view.take(one)
    bench = Workbench(found, skeleton, rows, aim, scene, view, bound, classes, stairs)
    if known:
        bench = replace(bench, groups={group.name: group for group in known}).settled_legs(known)
    return bench, {name: value for name, (value, _) in legs.items()}


def _sense_group(bench: Workbench, skeleton: int) -> Group | None:
    """Sense resistors that close the limit chain with this inductor."""
    found, stage = bench.found, bench.stage
    coils = evaluation.set_rows(found.coils, np.array([skeleton]))
    rows, pieces = screen.senses_that_close(stage, found.pool, bench.scene, coils)
    if bench.mixtures is not None:
        keep = bench.mixtures.passes("sense resistor", (rows, pieces))
        rows, pieces = rows[keep], pieces[keep]
    if not len(rows):
        return None
    loss = evaluation.senses(bench.scene, rows, pieces).loss
    weighed = loss[:, found.objective] @ found.weight
    if not bench.aim.best_only:
        cost = found.least["resistor"][rows, pieces]
        keep = bench.matters(bench.others("sense"), cost, weighed)
    else:
        keep = np.isfinite(weighed)
    rows, pieces, loss = rows[keep], pieces[keep], loss[keep]
    blank: FloatArray = np.zeros((1, len(stage.lanes)))
    return group_of(
        bench,
        "sense resistor",
        ("sense-resistor",),
        found.prices.number("resistor", rows)[:, None],
        pieces[:, None],
        loss=loss,
        i_drive=blank,
        gain=blank,
        area=limits.body_area(stage, "resistor")[rows] * pieces,
    )


def _coil_group(bench: Workbench, skeleton: int) -> Group:
    """The inductor of the skeleton: the only option of its group."""
    found, stage = bench.found, bench.stage
    row = found.scene.coil[[skeleton]]
    pieces = stage.coil_pieces(row)
    steady = limits.steady(stage)
    return group_of(
        bench,
        "inductor",
        ("inductor",),
        found.prices.number("inductor", row)[:, None],
        pieces[:, None],
        loss=found.coils.loss[[skeleton]],
        i_drive=np.zeros((1, len(stage.lanes))),
        gain=np.where(steady, found.coils.gain[[skeleton]], 0.0),
        area=limits.body_area(stage, "inductor")[row] * pieces,
    )
