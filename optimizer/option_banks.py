"""Banks of one skeleton that pass and may be on the front: one type first, then two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer import (
    floors_banks,
    limits,
    market,
    screen,
)
from optimizer.parts import bank_cascade, bank_choice, bank_mix
from optimizer.parts.bank_cascade import Fits, Pairs
from optimizer.parts.bank_choice import BankDuty, BankLimits
from optimizer.parts.bank_family import Banks
from optimizer.purchase import PRICE_NONE
from optimizer.records import (
    BoolArray,
    FloatArray,
    Group,
    IntArray,
)
from optimizer.rivals import Rivals
from optimizer.workbench import LEVELS, Workbench, group_of, worst_numbers

FIRST_BANKS = 48
"""Banks tried per direction in a sketch."""


@dataclass(frozen=True, slots=True)
class Node:
    """What the banks of one node are made from.

    types : rows of the catalog; duty, firm : currents in the lanes of the objective and of the
    limits; alone, least, marginal : cost of so many pieces bought for this bank only, least share
    of what a set pays, and what they add at least to a set, (n_type, pieces_max + 1)
    """

    name: str
    types: IntArray
    duty: BankDuty
    firm: BankDuty
    limit: BankLimits
    alone: IntArray
    least: IntArray
    marginal: IntArray


def node_of(bench: Workbench, name: str) -> Node:
    """What the banks of a node are made from beside one skeleton."""
    found, types = bench.found, bench.found.pool.bank[name]
    sizing = np.flatnonzero(limits.steady(bench.stage))
    duty = screen.bank_duty(bench.scene, name, types, found.objective)
    firm = screen.bank_duty(bench.scene, name, types, sizing)
    limit = screen.bank_limits(bench.scene, name, types, sizing, lasting=True)
    usable = bank_choice.usable_types(duty, firm, limit)[:, None]
    columns = slice(0, bench.stage.spec.choice.bank_pieces_max + 1)
    alone, least, marginal = (
        np.where(usable, table[types, columns], PRICE_NONE)
        for table in (
            found.prices.alone("capacitor"),
            found.least["capacitor"],
            found.marginal["capacitor"],
        )
    )
    return Node(name, types, duty, firm, limit, alone, least, marginal)


def bank_groups(bench: Workbench, *, alone: bool) -> list[Group] | None:
    """Banks of every node that pass and may matter; None where a node has none.

    alone : look only for the banks that are best while they share no type with another one
    """
    groups: list[Group] = []
    beside = bench
    for name in bench.found.pool.bank:
        bench.aim.watch()
        node = node_of(bench, name)
        group = _banks(beside, node, node.least, node.alone if alone else node.marginal)
        if not len(group.loss):
            return None
        beside = beside.settled(name, "capacitor", group)
        groups.append(group)
    return groups


def bank_losses(bench: Workbench, group: Group) -> tuple[IntArray, IntArray]:
    """Least and most that banks of a node count for beside others, loss units, (n_option,) each.

    Where lanes are apart a bank is only beaten by one that loses no more in any of them.
    """
    found = bench.found
    if not found.lanes_apart:
        return group.loss, group.loss
    node = group.name.removesuffix(" bank")
    duty = screen.bank_duty(bench.scene, node, found.pool.bank[node][:1], found.objective)
    loss = group.loss_lane[:, worst_numbers(found)]
    least, most = bank_choice.loss_span(loss, bank_choice.lane_scale(duty, found.weight))
    return np.floor(least).astype(np.int64), np.ceil(most).astype(np.int64)


def bank_rivals(bench: Workbench, group: Group) -> Rivals:
    """The banks of a node with what they cost alone and add at least."""
    loss, loss_most = bank_losses(bench, group)
    prices = bench.found.prices
    most, least = prices.alone("capacitor"), bench.found.marginal["capacitor"]
    rows = np.where(group.part < 0, 0, group.part - prices.offset["capacitor"])
    shared = np.asarray((least < most).any(axis=1))
    apart = loss_most if bench.found.lanes_apart else None
    return Rivals(rows, group.pieces, loss, least, most, shared, loss_most=apart)


def _banks(bench: Workbench, node: Node, cost: IntArray, floor: IntArray) -> Group:
    """Banks of one node: one type first, then two types where they can still matter.

    cost : what a bank pays at least of a set, for bounds; floor : what it adds at least, to hold
    it against other banks; (n_type, pieces_max + 1) each
    """
    most = bench.stage.spec.choice.bank_types_max
    single = _single_banks(bench, node, cost)
    banks = [single]
    if most > 1 and not bench.aim.best_only:
        banks.append(_mixed_banks(bench, node, cost, floor, single))
    elif most > 1 and not len(single["first"]):
        mix = _cheapest_mix(bench, node)
        keep = robust_banks(bench, node.name, node.types, mix)
        banks.append({name: values[keep] for name, values in mix.items()})
    chosen = {name: np.concatenate([one[name] for one in banks]) for name in single}
    return bank_options(bench, node.name, node.types, chosen)


def _cheapest_mix(bench: Workbench, node: Node) -> dict[str, IntArray]:
    """For a sketch without a bank of one type: the cheapest of two types, if there is one."""
    best = screen.cheapest_bank(
        bench.scene,
        node.name,
        node.types,
        node.least,
        types_max=2,
        lasting=True,
        fits=forced_pairs(bench, node),
        watch=bench.aim.watch,
    )
    names = ("first", "first_pieces", "second", "second_pieces")
    columns = [] if best is None else list(best)
    none: IntArray = np.zeros(0, dtype=np.int64)
    return {name: np.array([columns[k]]) if columns else none for k, name in enumerate(names)}


def _single_banks(bench: Workbench, node: Node, table: IntArray) -> dict[str, IntArray]:
    """Banks of one type that matter by their own loss and keep every limit."""
    every = screen.every_bank(table)
    cost = table[every["first"], every["first_pieces"]]
    part = bench.found.prices.number("capacitor", node.types[every["first"]])
    family = floors_banks.family_banks(bench.found, node.name, bench.skeleton)
    bought = (cost < PRICE_NONE) & family.single[every["first"], every["first_pieces"]]
    bought &= _forced_in_bank(bench, node.name, part[:, None], every["first_pieces"][:, None])
    every = {name: values[bought] for name, values in every.items()}
    cost = cost[bought]
    if not bench.aim.best_only:
        pieces, weight = every["first_pieces"], bench.found.weight
        least = bank_cascade.loss_bound(node.duty, weight, every["first"], pieces)
        hopeful = bench.matters(bench.beside(node.name), cost, least)
        every = {name: values[hopeful] for name, values in every.items()}
        cost = cost[hopeful]
    loss = bank_choice.weighted_loss(duty=node.duty, weight=bench.found.weight, **every)
    if bench.aim.best_only:
        keep: IntArray | BoolArray = _first_banks(bench, cost, loss, node, every)
    else:
        keep = bench.matters(bench.beside(node.name), cost, loss)
    every = {name: values[keep] for name, values in every.items()}
    cost, loss = cost[keep], loss[keep]
    passes = _pass(bench, node, every)
    every = {name: values[passes] for name, values in every.items()}
    cost, loss = cost[passes], loss[passes]
    if bench.aim.best_only and len(cost):
        keep = bench.best(cost, loss)
        every = {name: values[keep] for name, values in every.items()}
    return every


def _pass(bench: Workbench, node: Node, every: dict[str, IntArray]) -> BoolArray:
    """Which banks keep every limit, in every mixture with second sources too."""
    met = bank_choice.verdicts(duty=node.firm, limits=node.limit, **every)
    passes: BoolArray = np.logical_and.reduce(list(met.values()))
    some = {name: values[passes] for name, values in every.items()}
    passes[passes] = robust_banks(bench, node.name, node.types, some)
    return passes


def robust_banks(
    bench: Workbench, node: str, types: IntArray, banks: dict[str, IntArray]
) -> BoolArray:
    """Which banks pass in every mixture with second sources, where these are asked for."""
    if bench.mixtures is None:
        return np.ones(len(banks["first"]), dtype=bool)
    second = np.where(banks["second"] < 0, -1, types[np.maximum(banks["second"], 0)])
    one = types[banks["first"]], banks["first_pieces"]
    return bench.mixtures.passes(f"{node} bank", one, (second, banks["second_pieces"]))


def _first_banks(
    bench: Workbench,
    cost: IntArray,
    loss: FloatArray,
    node: Node,
    every: dict[str, IntArray],
) -> IntArray:
    """Banks worth a try in a sketch: the first few in some directions, and the cheapest to pass."""
    weights, units = bench.aim.weights[:: len(bench.aim.weights) // 8], market.whole_units(loss)
    value = weights[:, :1] * cost[None, :] + weights[:, 1:] * units[None, :]
    tried = np.argsort(value, axis=1)[:, :FIRST_BANKS].ravel()
    for start in range(0, len(cost), FIRST_BANKS):
        bench.aim.watch()
        some = np.arange(start, min(start + FIRST_BANKS, len(cost)))
        part = {name: values[some] for name, values in every.items()}
        if _pass(bench, node, part).any():
            tried = np.concatenate([tried, some])
            break
    return np.unique(tried)


def _mixed_banks(
    bench: Workbench,
    node: Node,
    cost: IntArray,
    floor: IntArray,
    single: dict[str, IntArray],
) -> dict[str, IntArray]:
    """Banks of two types that can still matter; `cost`, `floor` : as in `_banks`.

    The sets known so far enter as levels: at each cost the loss above which no set with such a
    bank can be on the front. Unless the aim is complete, a bank also goes when another one loses
    no more and costs no more, sharing nothing, than the first adds at least to what is shared.
    """
    level, most, dearest = levels(bench, node.name, cost)
    cost, listed = hopeful(bench, node, cost, dearest, "least")
    known, loss = np.zeros(0, dtype=np.int64), np.zeros(0)
    if not bench.aim.complete:
        loss = _most_loss(bench, node, single)
        known = node.alone[single["first"], single["first_pieces"]]
    mixed = bank_mix.mixed_options(
        objective=node.duty,
        weight=bench.found.weight,
        sizing=node.firm,
        limits=node.limit,
        cost=offered(cost),
        cost_floor=offered(floor),
        cost_worst=offered(node.alone),
        single_cost=known,
        single_loss=loss,
        levels=(level, most),
        cost_max=dearest,
        grow=not bench.aim.complete,
        fits=forced_pairs(bench, node),
        also=lambda some: robust_banks(bench, node.name, node.types, some),
        listed=listed,
        lanes_apart=bench.found.lanes_apart,
        watch=bench.aim.watch,
    )
    paid = cost[mixed.first, mixed.first_pieces] + cost[mixed.second, mixed.second_pieces]
    keep = bench.matters(bench.beside(node.name), paid, mixed.loss)
    return {
        "first": mixed.first[keep],
        "first_pieces": mixed.first_pieces[keep],
        "second": mixed.second[keep],
        "second_pieces": mixed.second_pieces[keep],
    }


def _most_loss(bench: Workbench, node: Node, banks: dict[str, IntArray]) -> FloatArray:
    """What banks count for as rivals of others [W], (n_bank,)."""
    duty, weight = node.duty, bench.found.weight
    if not bench.found.lanes_apart:
        return bank_choice.weighted_loss(duty=duty, weight=weight, **banks)
    return bank_choice.loss_span(duty.losses(banks), bank_choice.lane_scale(duty, weight))[1]


def levels(bench: Workbench, node: str, least: IntArray) -> tuple[IntArray, FloatArray, int | None]:
    """Costs, rising, and the loss from which a bank of at least that cost cannot matter [W].

    And the cost from which none can; None while no front is known.
    """
    affordable = least[:, 1:][least[:, 1:] < PRICE_NONE]
    if not len(affordable):
        return np.zeros(0, dtype=np.int64), np.zeros(0), 0
    ends = int(affordable.min()), 2 * int(affordable.max())
    grid = np.unique(np.linspace(*ends, LEVELS).astype(np.int64))
    loss = bench.open_loss(bench.beside(node), grid)
    hopeless = np.flatnonzero(loss <= 0.0)
    end = int(hopeless[0]) if len(hopeless) else len(grid) - 1
    return grid[:end], loss[:end], int(grid[end]) if len(bench.aim.stair[0]) else None


def hopeful(
    bench: Workbench, node: Node, cost: IntArray, dearest: int | None, table: str
) -> tuple[IntArray, Banks | None]:
    """Every bank of two types that may pass at a cost, as far as they are few enough to list.

    Where they are not, the costs without the types of which every bank is too dear.
    table : the kind of cost that `cost` is nowhere below, see `floors_banks.family_banks`
    """
    if dearest is None:
        return cost, None
    family = floors_banks.family_banks(bench.found, node.name, bench.skeleton, table)
    listed = family.upto(dearest)
    if listed is not None:
        return cost, listed
    covering = floors_banks.covering_with(bench.found, node.name, bench.skeleton, node.types)
    return np.where((covering > dearest)[:, None], PRICE_NONE, cost), None


def offered(cost: IntArray) -> IntArray:
    """Costs as the rooms of banks take them."""
    return np.where(cost >= PRICE_NONE, bank_choice.NOT_OFFERED, cost)


def bank_options(
    bench: Workbench, node: str, types: IntArray, chosen: dict[str, IntArray]
) -> Group:
    """Banks as a group of the decision, with their loss in every lane; types in catalog order."""
    found, stage = bench.found, bench.stage
    turned = (chosen["second"] >= 0) & (chosen["second"] < chosen["first"])
    swap = {"first": "second", "second": "first"}
    swap |= {f"{one}_pieces": f"{two}_pieces" for one, two in swap.items()}
    chosen = {name: np.where(turned, chosen[swap[name]], chosen[name]) for name in swap}
    every = np.arange(len(stage.lanes))
    duty = screen.bank_duty(bench.scene, node, types, every)
    loss = duty.losses(chosen)
    first, second = types[chosen["first"]], chosen["second"]
    second = np.where(second < 0, -1, types[np.maximum(second, 0)])
    first_pieces = chosen["first_pieces"]
    second_pieces = np.where(second < 0, 0, chosen["second_pieces"])
    body = limits.body_area(stage, "capacitor")
    part = np.stack([found.prices.number("capacitor", rows) for rows in (first, second)], axis=1)
    pieces = np.stack([first_pieces, second_pieces], axis=1)
    keep = _forced_in_bank(bench, node, part, pieces) & np.isfinite(loss).all(axis=1)
    blank: FloatArray = np.zeros((1, len(every)))
    area = body[first] * first_pieces + np.where(second < 0, 0.0, body[second] * second_pieces)
    return group_of(
        bench,
        f"{node} bank",
        (f"{node}-bank", f"{node}-bank"),
        part[keep],
        pieces[keep],
        loss=loss[keep],
        i_drive=blank,
        gain=blank,
        area=area[keep],
    )


def forced_pairs(bench: Workbench, node: Node) -> Fits | None:
    """Which banks of two types hold what is forced at their node; None where nothing is."""
    if all(one.position != f"{node.name}-bank" for one in bench.stage.spec.choice.force):
        return None
    number = bench.found.prices.number("capacitor", node.types)

    def fits(pairs: Pairs) -> BoolArray:
        part = np.stack([number[pairs.first], number[pairs.second]], axis=1)
        pieces = np.stack([pairs.first_pieces, pairs.second_pieces], axis=1)
        return _forced_in_bank(bench, node.name, part, pieces)

    return fits


def _forced_in_bank(bench: Workbench, node: str, part: IntArray, pieces: IntArray) -> BoolArray:
    """Banks that hold every part forced at their position, in the number forced there."""
    keep = np.ones(len(part), dtype=bool)
    names = np.array(bench.found.prices.names)
    for one in bench.stage.spec.choice.force:
        if one.position == f"{node}-bank":
            wanted = np.flatnonzero(names == one.part_number)
            held = np.isin(part, wanted)
            if one.pieces is not None:
                held &= pieces == one.pieces
            keep &= held.any(axis=1)
    return keep
