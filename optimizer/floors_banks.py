"""Lower bounds on the banks of a skeleton: money that ripple asks for, loss that money allows."""

from __future__ import annotations

import numpy as np

from optimizer import evaluation, limits, parameters, screen
from optimizer.dominance import Staircase, stair_of
from optimizer.evaluation import Scene
from optimizer.market import Market, whole_units
from optimizer.parts import bank, bank_family
from optimizer.records import LOSS_UNIT, FloatArray, IntArray

REQUESTS = 6
"""Requests a bank must cover in the bound on its cost: the hardest ones."""

BANK_STEPS = 20
"""Steps of cost in the staircase of bounds on a bank."""


def bank_stair(found: Market, node: str, skeleton: int, types: IntArray, least: int) -> Staircase:
    """Bounds on a bank: at each cost from the least one on, the loss no bank of it goes below."""
    rows = np.array([skeleton])
    cost = np.unique(np.geomspace(max(least, 1), 8 * max(least, 1), BANK_STEPS).astype(np.int64))
    if found.stage.source_branch is not None and node == "input":
        return cost[:1], np.zeros(1, dtype=np.int64)
    steepest = np.nanmax(_conductance(found, node, rows, types) / _price_each(found, types))
    dear = np.append(cost[1:], 1 << 50)
    loss = _bank_square(found, node, rows)[0] / (steepest * dear)
    return stair_of(cost, whole_units(loss))


def bank_bounds(
    found: Market, node: str, weights: FloatArray, rows: IntArray, types: IntArray
) -> FloatArray:
    """Bound in every direction on the bank of each skeleton of `rows`, (n_row, n_direction).

    All skeletons of `rows` share their frequency. A bank of cost c has at most c times the best
    conductance per money, so it loses at least mean square current over that.
    """
    unit = _price_each(found, types)
    current = _bank_square(found, node, rows)
    per_cost = _conductance(found, node, rows, types) / unit
    steepest = np.nanmax(np.where(np.isfinite(per_cost), per_cost, 0.0), initial=1e-30)
    least = np.maximum(bank_money(found, node)[rows], float(unit.min()))
    if found.stage.source_branch is not None and node == "input":
        current = np.zeros_like(current)
    pull = current / steepest / LOSS_UNIT
    with np.errstate(divide="ignore", invalid="ignore"):
        best = np.sqrt(weights[None, :, 1] * pull[:, None] / weights[None, :, 0])
    cost = np.maximum(np.where(np.isnan(best), 0.0, best), least[:, None])
    with np.errstate(invalid="ignore"):
        spent = np.where(weights[None, :, 0] > 0, weights[None, :, 0] * np.floor(cost), 0.0)
    lost = weights[None, :, 1] * (np.maximum(pull[:, None] / cost - 2.0, 0.0))
    return np.asarray(np.where(np.isinf(cost), 0.0, spent + lost))


def _price_each(found: Market, types: IntArray) -> FloatArray:
    """Least money per piece of each type, over every number of pieces."""
    table = found.least["capacitor"][types]
    count = np.arange(1, table.shape[1])
    return np.asarray((table[:, 1:] / count).min(axis=1).clip(1e-9))


def _bank_square(found: Market, node: str, rows: IntArray) -> FloatArray:
    """Weighted mean square of the current the bank carries [A2], (n_row,)."""
    rms = evaluation.bank_rms(found.view.wave, node)
    return np.asarray(rms[rows] ** 2 @ found.weight)


def _conductance(found: Market, node: str, rows: IntArray, types: IntArray) -> FloatArray:
    """Largest conductance of one piece of each type in any objective lane [S], (n_type,)."""
    part = found.part
    lanes = part.lanes
    hottest = found.view.state.temp_board[rows].max(axis=0, keepdims=True)
    bias = (lanes.v_output if node == "output" else lanes.v_input)[None, :]
    one = parameters.branches(
        parameters.take(part.capacitors, types), lanes=lanes, v_bias=bias, temp_board=hottest
    )
    return np.asarray(1.0 / np.nanmin(np.where(np.isnan(one.esr), np.inf, one.esr), axis=1))


def bank_money(found: Market, node: str) -> IntArray:
    """Money below which no bank of a node passes, for every skeleton, (n_set,).

    Worked out once for all skeletons of each frequency. A source impedance may take ripple off
    the bank: then one piece is all that is asked.
    """
    if node not in found.money:
        frequency = np.round(found.frequency())
        money = np.zeros(len(frequency), dtype=np.int64)
        for value in np.unique(frequency):
            rows = np.flatnonzero(frequency == value)
            money[rows] = _family_money(found, node, rows)
        found.money[node] = money
    return found.money[node]


def _family_money(found: Market, node: str, rows: IntArray) -> IntArray:
    """The same for the skeletons `rows` of one frequency, (n_row,)."""
    types, rules = found.pool.bank[node], found.stage.spec.choice
    cost = found.least["capacitor"][types, : rules.bank_pieces_max + 1]
    family = _family_duty(found, node, rows)
    return bank_family.least_costs(family, cost, two_types=rules.bank_types_max > 1)


def family_banks(
    found: Market, node: str, skeleton: int, table: str = "least"
) -> bank_family.FamilyBanks:
    """Banks that may pass beside some skeleton of the frequency of this one, listed once for all.

    table : what they are listed by: "alone", "least" or "marginal", as in `Market`
    """
    frequency = np.round(found.frequency())
    key = (node, float(frequency[skeleton]), table)
    if key not in found.listed:
        rows = np.flatnonzero(frequency == frequency[skeleton])
        types, most = found.pool.bank[node], found.stage.spec.choice.bank_pieces_max
        kinds = {"alone": found.prices.alone, "least": found.least.__getitem__}
        cost = kinds.get(table, found.marginal.__getitem__)("capacitor")
        duty = _family_duty(found, node, rows)
        found.listed[key] = bank_family.FamilyBanks(duty, cost[types, : most + 1])
    return found.listed[key]


def _family_duty(found: Market, node: str, rows: IntArray) -> bank_family.FamilyDuty:
    """What the skeletons `rows` of one frequency ask of the bank of a node."""
    types = found.pool.bank[node]
    lanes = np.flatnonzero(limits.steady(found.stage))
    scene = found.scene.take(rows)
    first = scene.take(slice(0, 1))
    duty = screen.bank_duty(first, node, types, lanes)
    limit = screen.bank_limits(first, node, types, lanes)
    current = evaluation.bank_current(scene, node)
    return bank_family.FamilyDuty(
        harmonics=current["harmonics"][:, lanes],
        i_rms_ac=current["i_rms_ac"][:, lanes],
        frequency=duty.frequency[0],
        branches=duty.branches,
        source=duty.source,
        v_ripple=_ripple_most(scene, node, lanes),
        i_ripple=limit.i_ripple,
    )


def _ripple_most(scene: Scene, node: str, lanes: IntArray) -> FloatArray:
    """Largest ripple that any set of a scene allows at a node in some lanes [V], (n_lane,)."""
    return np.asarray(limits.ripple_voltage(scene, node).max(axis=0)[lanes])


def covering_with(found: Market, node: str, skeleton: int, types: IntArray) -> IntArray:
    """The same for banks that hold a given type, (n_type,); 1 << 40 where none can.

    Each piece covers a share of the admittance the ripple asks for (fundamental) and of the
    ripple current, in the most demanding lanes; shares add at most. Worked out once for all
    skeletons of a frequency. A source impedance may take ripple off the bank: then one piece is
    all that is asked.
    """
    frequency = np.round(found.frequency())
    rows = np.flatnonzero(frequency == frequency[skeleton])
    key = (node, float(frequency[skeleton]))
    if key not in found.covered:
        cost = found.least["capacitor"][types]
        rules = found.stage.spec.choice
        if node == "input" and found.stage.source_branch is not None:
            found.covered[key] = cost[:, 1]
        else:
            share = _covering_shares(found, node, rows, types)
            two = rules.bank_types_max > 1
            found.covered[key] = _cheapest_covers(share, cost, rules.bank_pieces_max, two=two)
    return found.covered[key]


def _covering_shares(found: Market, node: str, rows: IntArray, types: IntArray) -> FloatArray:
    """Share of each request that one piece of each type can cover, (n_type, n_request)."""
    scene = found.scene.take(rows)
    lanes = np.flatnonzero(limits.steady(found.stage))
    first = scene.take(slice(0, 1))
    duty = screen.bank_duty(first, node, types, lanes)
    limit = screen.bank_limits(first, node, types, lanes)
    g, b = bank.admittance(
        capacitance=duty.branches.capacitance,
        esr=duty.branches.esr,
        esl=duty.branches.esl,
        omega=2.0 * np.pi * duty.frequency,
    )
    current = evaluation.bank_current(scene, node)
    mild = np.abs(current["harmonics"][:, lanes, 0]).min(axis=0)
    rms = current["i_rms_ac"][:, lanes].min(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ripple = np.hypot(g, b) / (np.pi / 2 * mild / _ripple_most(scene, node, lanes))
        heat = limit.i_ripple / rms
    share = np.concatenate([ripple, heat], axis=1)
    share = np.where(np.isnan(share).any(axis=1, keepdims=True), 0.0, share)
    hardest = np.argsort(np.median(share[share.max(axis=1) > 0], axis=0))[:REQUESTS]
    return np.asarray(share[:, hardest]) * (1.0 + 1e-6)


def _cheapest_covers(share: FloatArray, cost: IntArray, most: int, *, two: bool) -> IntArray:
    """Least cost of n pieces of each type, and m of another where allowed, that cover all."""
    none = 1 << 40
    cost = np.concatenate([cost[:, : most + 1], np.full((len(cost), 1), none)], axis=1)
    index = np.arange(len(cost))

    def needed(left: FloatArray) -> IntArray:
        with np.errstate(divide="ignore", invalid="ignore"):
            count = np.where(left > 0.0, left / share, 0.0).max(axis=-1)
        return np.asarray(np.ceil(np.minimum(count, most + 1)), dtype=np.int64)

    best = cost[index, needed(np.ones(share.shape[1]))]
    if not two:
        return np.asarray(best)
    best = best.copy()
    for one in np.flatnonzero(share.max(axis=1) > 0.0):
        for number in range(1, most + 1):
            if cost[one, number] >= best[one]:
                break
            other = needed(1.0 - number * share[one])
            best[one] = min(best[one], int(cost[one, number] + cost[index, other].min()))
    return np.asarray(best)
