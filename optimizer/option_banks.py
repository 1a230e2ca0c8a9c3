"""Banks of one skeleton that pass and may be on the front: one type first, then two."""

from __future__ import annotations

import numpy as np

from optimizer import (
    floors_banks,
    limits,
    market,
    open_losses,
    screen,
)
from optimizer.parts import bank, bank_choice, bank_mix
from optimizer.parts.bank_choice import BankDuty, BankLimits
from optimizer.purchase import PRICE_NONE
from optimizer.records import (
    BoolArray,
    FloatArray,
    Group,
    IntArray,
)
from optimizer.workbench import LEVELS, ROUNDING_UNITS, Workbench, group_of, loose

FIRST_BANKS = 48
"""Banks tried per direction in a sketch."""


def _cheapest_mix(
    bench: Workbench, node: str, types: IntArray, cost: IntArray
) -> dict[str, IntArray]:
    """For a sketch without a bank of one type: the cheapest of two types, if there is one."""
    best = screen.cheapest_bank(bench.scene, node, types, cost, types_max=2)
    names = ("first", "first_pieces", "second", "second_pieces")
    columns = [] if best is None else list(best)
    none: IntArray = np.zeros(0, dtype=np.int64)
    return {name: np.array([columns[k]]) if columns else none for k, name in enumerate(names)}


def least_bank(bench: Workbench, node: str) -> int | None:
    """Least that a bank which keeps every limit adds to the cost of a set; None where none does."""
    found, stage = bench.found, bench.stage
    types = found.pool.bank[node]
    rules = stage.spec.choice
    least = found.least["capacitor"][types, : rules.bank_pieces_max + 1]
    best = screen.cheapest_bank(
        bench.scene,
        node,
        types,
        least,
        types_max=rules.bank_types_max,
        least=floors_banks.covering_with(found, node, np.array([bench.skeleton]), types),
    )
    if best is None:
        return None
    first, pieces, second, more = best
    return int(least[first, pieces] + (least[second, more] if second >= 0 else 0))


def bank_group(bench: Workbench, node: str) -> Group:
    """Banks of one node: one type first, then two types where they can still matter."""
    found, stage = bench.found, bench.stage
    types = found.pool.bank[node]
    rules = stage.spec.choice
    sizing = np.flatnonzero(limits.steady(stage))
    duty = screen.bank_duty(bench.scene, node, types, found.objective)
    firm = screen.bank_duty(bench.scene, node, types, sizing)
    limit = screen.bank_limits(bench.scene, node, types, sizing)
    usable = bank_choice.usable_types(duty, firm, limit)
    columns = slice(0, rules.bank_pieces_max + 1)
    least = np.where(usable[:, None], found.least["capacitor"][types, columns], PRICE_NONE)
    alone = np.where(usable[:, None], found.prices.alone("capacitor")[types, columns], PRICE_NONE)
    if not bench.aim.best_only:
        least = np.where(_worth_sharing(bench, node)[:, None], least, alone)
    single = _single_banks(bench, node, (duty, firm), limit, least)
    banks = [single]
    if rules.bank_types_max > 1 and not bench.aim.best_only:
        banks.append(_mixed_banks(bench, node, (duty, firm), limit, alone, least, single))
    elif rules.bank_types_max > 1 and not len(single["first"]):
        banks.append(_cheapest_mix(bench, node, types, least))
    chosen = {name: np.concatenate([one[name] for one in banks]) for name in single}
    return _bank_options(bench, node, types, chosen)


def _worth_sharing(bench: Workbench, node: str) -> BoolArray:
    """Types of a node that both banks might hold on the front, (n_type,).

    The least money of a bank of either node that holds the type, with nothing lost in both banks,
    must leave the rest of the set open.
    """
    found, banks = bench.found, bench.found.pool.bank
    row = np.array([bench.skeleton])
    if len(banks) > 2:
        return np.ones(len(banks[node]), dtype=np.bool_)
    own, (other,) = banks[node], [name for name in banks if name != node]
    here = floors_banks.covering_with(found, node, row, own)
    there = np.full(len(bench.stage.tables["capacitor"]), 1 << 40)
    there[banks[other]] = floors_banks.covering_with(found, other, row, banks[other])
    both = here + there[own]
    rest = bench.beside(*banks)
    if not len(bench.aim.stair[0]):
        return np.asarray(both < PRICE_NONE)
    most = open_losses.largest_loss_beside(both, rest, loose(bench.aim.stair))
    return np.asarray((most + ROUNDING_UNITS > 0.0) & (both < PRICE_NONE))


def _single_banks(
    bench: Workbench,
    node: str,
    duties: tuple[BankDuty, BankDuty],
    limit: BankLimits,
    least: IntArray,
) -> dict[str, IntArray]:
    """Banks of one type that matter by their own loss and keep every limit."""
    duty, firm = duties
    every = screen.every_bank(least)
    cost = least[every["first"], every["first_pieces"]]
    bought = cost < PRICE_NONE
    every = {name: values[bought] for name, values in every.items()}
    cost = cost[bought]
    loss = bank_choice.weighted_loss(duty=duty, weight=bench.found.weight, **every)
    if bench.aim.best_only:
        keep: IntArray | BoolArray = _first_banks(bench, cost, loss, firm, limit, every)
    else:
        keep = bench.matters(bench.beside(node), cost, loss)
    every = {name: values[keep] for name, values in every.items()}
    cost, loss = cost[keep], loss[keep]
    met = bank_choice.verdicts(duty=firm, limits=limit, **every)
    passes = np.logical_and.reduce(list(met.values()))
    every = {name: values[passes] for name, values in every.items()}
    cost, loss = cost[passes], loss[passes]
    if bench.aim.best_only and len(cost):
        keep = bench.best(cost, loss)
        every = {name: values[keep] for name, values in every.items()}
    return every


def _first_banks(
    bench: Workbench,
    cost: IntArray,
    loss: FloatArray,
    firm: BankDuty,
    limit: BankLimits,
    every: dict[str, IntArray],
) -> IntArray:
    """Banks worth a try in a sketch: the first few in some directions, and the cheapest to pass."""
    weights, units = bench.aim.weights[:: len(bench.aim.weights) // 8], market.whole_units(loss)
    value = weights[:, :1] * cost[None, :] + weights[:, 1:] * units[None, :]
    tried = np.argsort(value, axis=1)[:, :FIRST_BANKS].ravel()
    for start in range(0, len(cost), FIRST_BANKS):
        some = np.arange(start, min(start + FIRST_BANKS, len(cost)))
        part = {name: values[some] for name, values in every.items()}
        met = bank_choice.verdicts(duty=firm, limits=limit, **part)
        if np.logical_and.reduce(list(met.values())).any():
            tried = np.concatenate([tried, some])
            break
    return np.unique(tried)


def _mixed_banks(
    bench: Workbench,
    node: str,
    duties: tuple[BankDuty, BankDuty],
    limit: BankLimits,
    alone: IntArray,
    least: IntArray,
    single: dict[str, IntArray],
) -> dict[str, IntArray]:
    """Banks of two types that can still matter.

    The sets known so far enter as levels: at each cost the loss above which no set with such a
    bank can be on the front. Unless the aim is complete, a bank also goes when another one loses
    no more and costs no more, sharing nothing, than the first does sharing all it can.
    """
    duty, firm = duties
    cost, loss = _levels(bench, node, least)
    dearest = int(cost[-1]) if len(bench.aim.stair[0]) else None
    if dearest is not None:
        row = np.array([bench.skeleton])
        types = bench.found.pool.bank[node]
        hopeless = floors_banks.covering_with(bench.found, node, row, types) > dearest
        least = np.where(hopeless[:, None], PRICE_NONE, least)
    cost, loss = cost[:-1], loss[:-1]
    if not bench.aim.complete:
        known = bank_choice.weighted_loss(duty=duty, weight=bench.found.weight, **single)
        cost = np.concatenate([alone[single["first"], single["first_pieces"]], cost])
        loss = np.concatenate([known, loss])
    mixed = bank_mix.mixed_options(
        objective=duty,
        weight=bench.found.weight,
        sizing=firm,
        limits=limit,
        cost=np.where(least >= PRICE_NONE, bank_choice.NOT_OFFERED, least),
        cost_worst=np.where(alone >= PRICE_NONE, bank_choice.NOT_OFFERED, alone),
        single_cost=cost,
        single_loss=loss,
        cost_max=dearest,
        grow=not bench.aim.complete,
    )
    optimistic = least[mixed.first, mixed.first_pieces] + least[mixed.second, mixed.second_pieces]
    keep = bench.matters(bench.beside(node), optimistic, mixed.loss)
    return {
        "first": mixed.first[keep],
        "first_pieces": mixed.first_pieces[keep],
        "second": mixed.second[keep],
        "second_pieces": mixed.second_pieces[keep],
    }


def _levels(bench: Workbench, node: str, least: IntArray) -> tuple[IntArray, FloatArray]:
    """Costs, rising, and the loss from which a bank of at least that cost cannot matter [W].

    The last level is the first at which nothing can matter any more, or the dearest bank.
    """
    affordable = least[:, 1:][least[:, 1:] < PRICE_NONE]
    if not len(affordable):
        return np.zeros(1, dtype=np.int64), np.zeros(1)
    ends = int(affordable.min()), 2 * int(affordable.max())
    grid = np.unique(np.linspace(*ends, LEVELS).astype(np.int64))
    loss = bench.open_loss(bench.beside(node), grid)
    hopeless = np.flatnonzero(loss <= 0.0)
    end = int(hopeless[0]) + 1 if len(hopeless) else len(grid)
    return grid[:end], loss[:end]


def _bank_options(
    bench: Workbench, node: str, types: IntArray, chosen: dict[str, IntArray]
) -> Group:
    """Banks as a group of the decision, with their loss in every lane."""
    found, stage = bench.found, bench.stage
    every = np.arange(len(stage.lanes))
    duty = screen.bank_duty(bench.scene, node, types, every)
    loss = bank.solve(
        harmonics=duty.harmonics,
        frequency=duty.frequency,
        i_rms_ac=duty.i_rms_ac,
        branches=duty.branches,
        source=duty.source,
        ripple=False,
        first=chosen["first"],
        first_pieces=chosen["first_pieces"],
        second=chosen["second"],
        second_pieces=chosen["second_pieces"],
    ).loss
    first, second = types[chosen["first"]], chosen["second"]
    second = np.where(second < 0, -1, types[np.maximum(second, 0)])
    first_pieces = chosen["first_pieces"]
    second_pieces = np.where(second < 0, 0, chosen["second_pieces"])
    body = limits.body_area(stage, "capacitor")
    part = np.stack([found.prices.number("capacitor", rows) for rows in (first, second)], axis=1)
    keep = _forced_in_bank(bench, node, part) & np.isfinite(loss).all(axis=1)
    blank: FloatArray = np.zeros((1, len(every)))
    area = body[first] * first_pieces + np.where(second < 0, 0.0, body[second] * second_pieces)
    return group_of(
        bench,
        f"{node} bank",
        (f"{node}-bank", f"{node}-bank"),
        part[keep],
        np.stack([first_pieces, second_pieces], axis=1)[keep],
        loss=loss[keep],
        i_drive=blank,
        gain=blank,
        area=area[keep],
    )


def _forced_in_bank(bench: Workbench, node: str, part: IntArray) -> BoolArray:
    """Banks that hold every part forced at their position."""
    keep = np.ones(len(part), dtype=bool)
    names = np.array(bench.found.prices.names)
    for one in bench.stage.spec.choice.force:
        if one.position == f"{node}-bank":
            wanted = np.flatnonzero(names == one.part_number)
            keep &= np.isin(part, wanted).any(axis=1)
    return keep
