"""Lower bounds on what each position of a skeleton costs and loses, cheap enough for all of them.

A bound here may be loose but never too high: what it drops is provably not on the front. Losses
are weighted over the objective lanes; bounds are taken in every direction of a fan of weights.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

from optimizer import dominance, evaluation, limits, parameters, screen
from optimizer.buying import Prices, controller_units
from optimizer.dominance import Staircase
from optimizer.evaluation import Coil, Scene
from optimizer.parts import bank, half_bridge, mosfet, switching
from optimizer.parts.bridge_records import HalfBridge, LegStress, Mosfet
from optimizer.pool import Pool
from optimizer.records import LOSS_UNIT, BoolArray, FloatArray, IntArray, Leg
from optimizer.stage import Stage, build_stage, lanes_where

Choices = tuple[IntArray, IntArray]
"""Rows and pieces."""

REQUESTS = 10
"""Requests a bank must cover in the bound on its cost: the hardest ones."""

BANK_STEPS = 40
"""Steps of cost in the staircase of bounds on a bank."""

BUCKETS = 6
"""Classes of control transistors by how fast they switch."""


@dataclass(frozen=True, slots=True)
class Market:
    """Everything the options of one topology are made from.

    stage, scene, coils : all lanes, one row per skeleton
    part, view : the stage and the scene in the objective lanes only
    objective : those lanes; weight : their weights, (n_objective,)
    least : kind -> least an option's pieces can add to any set [COST_UNIT], placement included
    fixed_cost : controller [COST_UNIT]; covered : (node, frequency) -> least cost of a bank
    """

    stage: Stage
    pool: Pool
    prices: Prices
    scene: Scene
    coils: Coil
    part: Stage
    view: Scene
    objective: IntArray
    weight: FloatArray
    least: Mapping[str, IntArray]
    fixed_cost: int
    covered: dict[tuple[str, float], float] = field(default_factory=dict)

    def choices(self, position: str) -> Choices:
        """Every transistor of a position in every number of pieces."""
        most = self.stage.spec.choice.transistors_parallel_max
        return screen.transistor_choices(self.pool.transistor[position], most)

    def frequency(self) -> FloatArray:
        """Nominal frequency of each skeleton [Hz], (n_set,)."""
        tolerance = self.stage.controller.frequency_tolerance
        corner = self.stage.lanes.corner[0]
        return np.asarray(self.scene.operation.frequency[:, 0] / (1.0 + corner * tolerance))


def market(
    stage: Stage, pool: Pool, prices: Prices, scene: Scene, lanes: BoolArray, weight: FloatArray
) -> Market:
    """Collect what the options need; `lanes`, `weight` : of the objective, (n_lane,)."""
    index = np.flatnonzero(lanes)
    part = build_stage(
        stage.spec, stage.topology.NAME, lanes=lanes_where(stage.lanes, lanes), tables=stage.tables
    )
    return Market(
        stage=stage,
        pool=pool,
        prices=prices,
        scene=scene,
        coils=evaluation.coils(scene),
        part=part,
        view=scene.lanes(part, index),
        objective=index,
        weight=weight[index],
        least=_least_costs(stage, prices),
        fixed_cost=controller_units(stage.spec, stage.topology.NAME),
    )


def _least_costs(stage: Stage, prices: Prices) -> dict[str, IntArray]:
    """What so many pieces of each part add at least to the cost of any set.

    A part that can be bought for one place only costs what it costs alone. Transistors may be
    shared by two legs and capacitors by two banks: there each place is given either a share of
    the pooled price, or the price alone less half of the most that sharing can save, per part
    whichever is nearer to the price alone. Both divide no more than what is paid.
    """
    rules = stage.spec.choice
    legs = len(stage.topology.LEGS)
    most = {
        "mosfet": 2 * rules.transistors_parallel_max if legs > 1 else 0,
        "capacitor": rules.bank_pieces_max,
        "inductor": 0,
        "resistor": 0,
    }
    return {kind: _least_cost(prices, kind, count) for kind, count in most.items()}


def _least_cost(prices: Prices, kind: str, most: int) -> IntArray:
    """As above for one kind, of which either place holds up to `most` pieces."""
    alone = prices.alone(kind)
    if most == 0:
        return alone
    start, count = prices.offset[kind], len(alone)
    pieces = np.arange(alone.shape[1])
    pooled = dominance.optimistic_cost(
        np.repeat(np.arange(count), len(pieces))[:, None],
        np.tile(pieces, count)[:, None],
        price=prices.table[start : start + count],
        line_item=prices.line_item,
        placement=prices.placement,
        others=np.full(count, most),
    ).reshape(alone.shape)
    saving = np.zeros(count, dtype=np.int64)
    for one in range(1, most + 1):
        for two in range(one, min(most, alone.shape[1] - 1 - one) + 1):
            saved = alone[:, one] + alone[:, two] - alone[:, one + two]
            saving = np.maximum(saving, saved)
    halved = alone - (saving[:, None] + 1) // 2 * (pieces[None, :] > 0)
    nearer = halved[:, 1] >= pooled[:, 1]
    return np.asarray(np.where(nearer[:, None], halved, pooled))


def whole_units(loss: FloatArray) -> IntArray:
    """A lower bound on losses as whole loss units, one unit of rounding taken off."""
    units = np.floor(np.where(np.isfinite(loss), loss, 0.0) / LOSS_UNIT) - 1
    return np.asarray(units, dtype=np.int64)


# --- half bridges ---------------------------------------------------------------------------------


def mildest_stress(stress: LegStress, part: Stage) -> LegStress:
    """A stress no harder than that of any skeleton, lane by lane, as one row.

    The rms current of the synchronous channel is set so that its square, dead times taken off,
    is the least of all.
    """
    dead = _dead_square(stress, part)
    channel = np.maximum(stress.i_rms_synchronous**2 - dead, 0.0).min(axis=0, keepdims=True)
    least = LegStress(
        i_turn_on=stress.i_turn_on.min(axis=0, keepdims=True),
        i_turn_off=stress.i_turn_off.min(axis=0, keepdims=True),
        v_node=stress.v_node[:1],
        frequency_edges=stress.frequency_edges[:1],
        i_rms_control=stress.i_rms_control.min(axis=0, keepdims=True),
        i_rms_synchronous=np.sqrt(channel),
        inductance=stress.inductance[:1],
        temp_board=stress.temp_board.min(axis=0, keepdims=True),
    )
    rms = np.sqrt(channel + _dead_square(least, part))
    return LegStress(
        least.i_turn_on,
        least.i_turn_off,
        least.v_node,
        least.frequency_edges,
        least.i_rms_control,
        rms,
        least.inductance,
        least.temp_board,
    )


def _dead_square(stress: LegStress, part: Stage) -> FloatArray:
    """Mean square of the current in the dead times, which the channel does not carry."""
    drive = part.drive
    return np.asarray(
        stress.frequency_edges
        * (stress.i_turn_on**2 * drive.time_dead_on + stress.i_turn_off**2 * drive.time_dead_off)
    )


@dataclass(frozen=True, slots=True)
class LegFloors:
    """Weighted losses [W] below which no half bridge of a leg can go.

    The loss of a pair is at least control[c] + synchronous[bucket[c], s]: controls that switch
    about equally fast share a bucket, so that the recovery they cause is bounded closely.
    """

    control: FloatArray
    bucket: IntArray
    synchronous: FloatArray


def leg_floors(
    found: Market, leg: Leg, stress: LegStress, control: Choices, synchronous: Choices
) -> LegFloors:
    """Bounds on both positions of a leg under a stress of one row.

    The pair law couples the positions by three charges. Output: a hard turn-on costs V*Q_c/3 +
    2/3*V*Q_s; the partner's charge can save at most 1/2*V*Q_s at turn-off, so either the turn-off
    is left out, or V*Q_s/6 is all that the partner is charged (per lane, whichever bounds better).
    Recovery: grows with the current slope, taken at the slowest control of the bucket. Where an
    edge may be soft only conduction at board temperature and gate drive count.
    """
    part = found.part
    hard = (stress.i_turn_on > 0.0) & (stress.i_turn_off > 0.0) & (stress.frequency_edges > 0.0)
    own = parameters.in_parallel(part.mosfets, *control)
    partner = parameters.in_parallel(part.mosfets, *synchronous)
    ideal = parameters.without_charges(part.mosfets)
    one = _solved(found, own, ideal, stress).control
    charge = partner.pieces * switching.q_output_at(
        q_output=partner.q_output, v_output_test=partner.v_output_test, v_node=stress.v_node
    )
    edge = stress.v_node * charge * stress.frequency_edges
    keeps = np.nanmedian(one.loss_turn_off, axis=0) > np.nanmedian(edge, axis=0) / 2.0
    edges = one.loss_turn_on + one.loss_output + one.loss_loop
    edges = edges + np.where(keeps, one.loss_turn_off, 0.0)
    cold = _cold(own, stress.i_rms_control**2, stress.temp_board)
    gate = part.lanes.v_input * one.i_drive
    control_loss = np.where(hard, one.loss_conduction + edges, cold) + gate
    speed = _speed(found, own)
    order = np.quantile(speed[np.isfinite(speed)], np.linspace(0.0, 1.0, BUCKETS + 1)[:-1])
    bucket = np.maximum(np.searchsorted(order, speed, side="right") - 1, 0)
    square = stress.i_rms_synchronous**2 - _dead_square(stress, part)
    cold = _cold(partner, np.maximum(square, 0.0), stress.temp_board)
    rows = []
    for slowest in order:
        both = _solved(found, _as_fast(ideal, slowest, found), partner, stress)
        two = both.synchronous
        taken = edge * np.where(keeps, 1.0 / 6.0, 2.0 / 3.0)
        recovery = both.control.loss_recovery
        loss = two.loss_conduction + two.loss_dead_time + taken + recovery
        rows.append(np.where(hard, loss, cold) + part.lanes.v_input * two.i_drive)
    return LegFloors(
        control=_weighed(control_loss, found.weight),
        bucket=np.asarray(bucket, dtype=np.int64),
        synchronous=np.stack([_weighed(row, found.weight) for row in rows]),
    )


def _weighed(loss: FloatArray, weight: FloatArray) -> FloatArray:
    return np.asarray(np.where(np.isnan(loss), np.inf, loss) @ weight)


def _solved(found: Market, control: Mosfet, partner: Mosfet, stress: LegStress) -> HalfBridge:
    spec = found.part.spec
    return half_bridge.solve(
        control,
        partner,
        stress=stress,
        drive=found.part.drive,
        board_k_per_w=np.array(spec.board.board_k_per_w),
        thermal_gain_max=np.array(spec.limits.thermal_gain_max),
    )


def _cold(own: Mosfet, square: FloatArray, temp_board: FloatArray) -> FloatArray:
    """Conduction loss at board temperature [W]."""
    factor = mosfet.resistance_factor(rds_on_tempco=own.rds_on_tempco, temp_junction=temp_board)
    return np.asarray(square * own.rds_on / own.pieces * factor)


def _speed(found: Market, own: Mosfet) -> FloatArray:
    """Least rise of the drain current per ampere switched, over the lanes [1/s], (n_choice,).

    Gate current over the charge between threshold and plateau; inf where that charge is unknown,
    since the loop inductance alone then sets the slope.
    """
    drive = found.part.drive
    inner = np.where(np.isnan(own.r_gate), half_bridge.R_GATE_SLOPE, own.r_gate)
    gate = own.pieces * drive.r_driver_source + inner + drive.r_gate_external
    current = mosfet.i_gate_on(v_drive=drive.v_drive, v_plateau=own.v_plateau, resistance_gate=gate)
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = current / (own.q_gate_source - own.q_gate_threshold)
    return np.asarray(np.where(np.isnan(speed), np.inf, speed).min(axis=1))


def _as_fast(ideal: Mosfet, speed: float, found: Market) -> Mosfet:
    """An ideal control transistor that lets the current rise at `speed` in every lane."""
    drive = found.part.drive
    gate = drive.r_driver_source + ideal.r_gate + drive.r_gate_external
    current = mosfet.i_gate_on(
        v_drive=drive.v_drive, v_plateau=ideal.v_plateau, resistance_gate=gate
    )
    values = {item.name: getattr(ideal, item.name) for item in fields(ideal)}
    values["q_gate_source"] = np.asarray(current / speed)
    return Mosfet(**values)


@dataclass(frozen=True, slots=True)
class LegClasses:
    """Bounds on the half bridges of one leg in every direction, by what they share.

    apart : sharing no part with another leg, each part bought for this leg alone, (n_direction,)
    shared : holding a given transistor that another leg holds too, at the cost that the largest
        possible pooling brings, (n_mosfet, n_direction); inf where no pair holds it
    """

    apart: FloatArray
    shared: FloatArray


def leg_classes(
    found: Market, floors: LegFloors, control: Choices, synchronous: Choices, weights: FloatArray
) -> LegClasses:
    """Bounds of a leg from the floors of its positions."""
    alone, least = found.prices.alone("mosfet"), found.least["mosfet"]
    apart = np.full(len(weights), np.inf)
    shared = np.full((len(alone), len(weights)), np.inf)
    for number, losses in enumerate(floors.synchronous):
        some = np.flatnonzero((floors.bucket == number) & np.isfinite(floors.control))
        fit = np.flatnonzero(np.isfinite(losses))
        if not len(some) or not len(fit):
            continue
        one, two = _cut(control, some), _cut(synchronous, fit)
        one_loss, two_loss = floors.control[some], losses[fit]
        sums = [values(alone[c], v, weights) for c, v in ((one, one_loss), (two, two_loss))]
        apart = np.minimum(apart, sums[0].min(axis=0) + sums[1].min(axis=0))
        sums = [values(least[c], v, weights) for c, v in ((one, one_loss), (two, two_loss))]
        np.minimum.at(shared, one[0], sums[0] + sums[1].min(axis=0))
        np.minimum.at(shared, two[0], sums[1] + sums[0].min(axis=0))
        rows, pieces, loss = _same_part((one, one_loss), (two, two_loss))
        if len(rows):
            apart = np.minimum(apart, values(alone[rows, pieces], loss, weights).min(axis=0))
            np.minimum.at(shared, rows, values(least[rows, pieces], loss, weights))
    return LegClasses(apart, shared)


def _cut(choices: Choices, index: IntArray) -> Choices:
    return choices[0][index], choices[1][index]


def values(cost: IntArray, loss: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of cost and loss [W], (n_choice, n_direction)."""
    return np.asarray(
        weights[None, :, 0] * cost[:, None] + weights[None, :, 1] * whole_units(loss)[:, None]
    )


def _same_part(
    one: tuple[Choices, FloatArray], two: tuple[Choices, FloatArray]
) -> tuple[IntArray, IntArray, FloatArray]:
    """Rows, pieces and loss floors of the pairs that hold one part in both positions."""
    (one_rows, one_pieces), one_loss = one
    (two_rows, two_pieces), two_loss = two
    i, j = np.nonzero(one_rows[:, None] == two_rows[None, :])
    return one_rows[i], one_pieces[i] + two_pieces[j], one_loss[i] + two_loss[j]


def family_bound(legs: Mapping[str, LegClasses]) -> FloatArray:
    """Bound on all legs together: nothing shared, or one part held by both."""
    every = list(legs.values())
    apart = np.sum([one.apart for one in every], axis=0)
    if len(every) < 2:
        return np.asarray(apart)
    together = every[0].shared + every[1].shared
    return np.asarray(np.minimum(apart, together.min(axis=0)))


def legs(
    found: Market, weights: FloatArray, rows: IntArray
) -> dict[str, tuple[LegFloors, LegClasses]]:
    """Floors and bounds of each leg of the skeletons `rows` together."""
    scene = found.view.take(rows)
    every = {}
    for leg in found.stage.topology.LEGS:
        stress = mildest_stress(evaluation.leg_stress(scene, leg), found.part)
        control, synchronous = found.choices(leg.control), found.choices(leg.synchronous)
        one = leg_floors(found, leg, stress, control, synchronous)
        every[leg.name] = one, leg_classes(found, one, control, synchronous, weights)
    return every


# --- staircases of bounds -------------------------------------------------------------------------


def summed(first: Staircase, second: Staircase) -> Staircase:
    """Staircase of all sums of one point of each."""
    cost = (first[0][:, None] + second[0][None, :]).ravel()
    loss = (first[1][:, None] + second[1][None, :]).ravel()
    kept = dominance.staircase(cost, loss)
    return cost[kept], loss[kept]


def stair_of(cost: IntArray, loss: IntArray) -> Staircase:
    """Nondominated points of options, cost rising."""
    kept = dominance.staircase(cost, loss)
    return cost[kept], loss[kept]


def leg_stair(
    found: Market, floors: LegFloors, control: Choices, synchronous: Choices
) -> Staircase:
    """Bounds on the pairs of a leg that share nothing with another leg, as a staircase."""
    alone = found.prices.alone("mosfet")
    costs, losses = [], []
    for number, floor in enumerate(floors.synchronous):
        some = np.flatnonzero((floors.bucket == number) & np.isfinite(floors.control))
        fit = np.flatnonzero(np.isfinite(floor))
        if not len(some) or not len(fit):
            continue
        one, two = _cut(control, some), _cut(synchronous, fit)
        one_loss, two_loss = floors.control[some], floor[fit]
        pairs = summed(
            stair_of(alone[one], whole_units(one_loss)), stair_of(alone[two], whole_units(two_loss))
        )
        rows, pieces, loss = _same_part((one, one_loss), (two, two_loss))
        costs += [pairs[0], alone[rows, pieces]]
        losses += [pairs[1], whole_units(loss)]
    if not costs:
        none: IntArray = np.zeros(0, dtype=np.int64)
        return none, none
    return stair_of(np.concatenate(costs), np.concatenate(losses))


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


def largest_loss_beside(cost: IntArray, others: Staircase, stair: Staircase) -> FloatArray:
    """Loss in units below which an option of each cost may still be on the front, (n_cost,).

    others : bounds on everything else as a staircase; stair : front known so far. Sharper than
    directions, which only see the convex hull of both.
    """
    limit = np.concatenate([[np.inf], stair[1].astype(np.float64)])
    place = np.searchsorted(stair[0], cost[:, None] + others[0][None, :], side="right")
    return np.asarray((limit[place] - others[1][None, :]).max(axis=1))


# --- what a front already known leaves open -------------------------------------------------------


def largest_loss(
    cost: IntArray, others: FloatArray, weights: FloatArray, stair: Staircase
) -> FloatArray:
    """Loss in units up to which an option of each cost may still be on the front, (n_cost,).

    others : bound on everything else in each direction, (n_direction,)
    A set is still open when its weighted sum in every direction stays below that of one upper
    corner of what the front leaves uncovered; solved for the loss, and falling with the cost.
    """
    corner = dominance.corners(stair)
    with np.errstate(invalid="ignore"):
        terms = np.where(weights[None] > 0, weights[None] * corner[:, None, :], 0.0)
    reach = terms.sum(axis=2) * (1.0 + 1e-12) - others[None, :]
    paid = weights[:, 1] > 0
    free = reach[:, None, ~paid] - weights[None, None, ~paid, 0] * cost[None, :, None]
    affordable = (free >= 0.0).all(axis=2)
    room = reach[:, None, paid] - weights[None, None, paid, 0] * cost[None, :, None]
    most = (room / weights[None, None, paid, 1]).min(axis=2)
    return np.asarray(np.where(affordable, most, -np.inf).max(axis=0))


# --- banks ----------------------------------------------------------------------------------------


def bank_bounds(
    found: Market, node: str, weights: FloatArray, rows: IntArray, types: IntArray
) -> FloatArray:
    """Bound in every direction on the bank of each skeleton of `rows`, (n_row, n_direction).

    All skeletons of `rows` share their frequency. A bank of cost c has at most c times the best
    conductance per money, so it loses at least mean square current over that; it needs at least
    the money that buys the admittance the ripple asks for at the fundamental (peak-to-peak is at
    least pi/2 of any harmonic's amplitude) and the ripple current its capacitors may carry.
    """
    unit = _price_each(found, types)
    current = _bank_square(found, node, rows)
    per_cost = _conductance(found, node, rows, types) / unit
    steepest = np.nanmax(np.where(np.isfinite(per_cost), per_cost, 0.0), initial=1e-30)
    least = np.maximum(_least_money(found, node, rows, types, unit), float(unit.min()))
    least = np.maximum(least, covering_money(found, node, rows, types))
    if found.stage.source_branch is not None and node == "input":
        current, least = np.zeros_like(current), np.full(len(rows), float(unit.min()))
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
    wave = found.view.wave
    rms = wave.i_input_rms_ac if node == "input" else wave.i_output_rms_ac
    return np.asarray(rms[rows] ** 2 @ found.weight)


def _conductance(found: Market, node: str, rows: IntArray, types: IntArray) -> FloatArray:
    """Largest conductance of one piece of each type in any objective lane [S], (n_type,)."""
    part = found.part
    lanes = part.lanes
    hottest = found.view.state.temp_board[rows].max(axis=0, keepdims=True)
    bias = (lanes.v_input if node == "input" else lanes.v_output)[None, :]
    one = parameters.branches(
        parameters.take(part.capacitors, types), lanes=lanes, v_bias=bias, temp_board=hottest
    )
    return np.asarray(1.0 / np.nanmin(np.where(np.isnan(one.esr), np.inf, one.esr), axis=1))


def _least_money(
    found: Market, node: str, rows: IntArray, types: IntArray, unit: FloatArray
) -> FloatArray:
    """Money below which no bank meets ripple voltage and ripple current, (n_row,)."""
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
    best = np.nanmax(np.nan_to_num(np.hypot(g, b)) / unit[:, None], axis=0)
    carries = np.nanmax(np.nan_to_num(limit.i_ripple, posinf=1e9) / unit[:, None], axis=0)
    current = evaluation.bank_current(scene, node)
    asked = np.pi / 2 * np.abs(current["harmonics"][:, lanes, 0]) / limit.v_ripple
    with np.errstate(divide="ignore", invalid="ignore"):
        by_ripple = np.nanmax(np.nan_to_num(asked / best, posinf=0.0), axis=1)
        by_heat = np.nanmax(
            np.nan_to_num(current["i_rms_ac"][:, lanes] / carries, posinf=0.0), axis=1
        )
    return np.asarray(np.maximum(by_ripple, by_heat) * (1.0 - 1e-6))


def covering_money(found: Market, node: str, rows: IntArray, types: IntArray) -> float:
    """Cost of the cheapest bank of up to two types whose pieces can meet the mildest request.

    Each piece covers a share of the admittance the ripple asks for (fundamental) and of the
    ripple current, in the most demanding lanes; shares add at most. Kept per frequency, from the
    first request on: `rows` of one frequency come together first.
    """
    key = (node, float(found.frequency()[rows[0]]))
    if key not in found.covered:
        share = _covering_shares(found, node, rows, types)
        found.covered[key] = _cheapest_cover(
            share,
            found.least["capacitor"][types],
            found.stage.spec.choice.bank_pieces_max,
            two=found.stage.spec.choice.bank_types_max > 1,
        )
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
        ripple = np.hypot(g, b) / (np.pi / 2 * mild / limit.v_ripple)
        heat = limit.i_ripple / rms
    share = np.concatenate([ripple, heat], axis=1)
    share = np.where(np.isnan(share).any(axis=1, keepdims=True), 0.0, share)
    hardest = np.argsort(np.median(share[share.max(axis=1) > 0], axis=0))[:REQUESTS]
    return np.asarray(share[:, hardest]) * (1.0 + 1e-6)


def _cheapest_cover(share: FloatArray, cost: IntArray, most: int, *, two: bool) -> float:
    """Least cost of n pieces of one type and m of another that cover every request."""
    pieces = np.arange(1, most + 1)
    useful = np.flatnonzero((share > 0.0).all(axis=1) | (share > 0.0).any(axis=1))
    share, cost = share[useful], cost[useful, : most + 1]
    if not len(share):
        return 0.0

    def needed(left: FloatArray) -> IntArray:
        with np.errstate(divide="ignore", invalid="ignore"):
            count = np.where(left > 0.0, left / share, 0.0).max(axis=-1)
        return np.asarray(np.ceil(np.minimum(count, most + 1)), dtype=np.int64)

    count = needed(np.ones(share.shape[1]))
    padded = np.concatenate([cost, np.full((len(cost), 1), 1 << 40)], axis=1)
    index = np.arange(len(cost))
    best = int(padded[index, np.minimum(count, most + 1)].min())
    if not two:
        return float(best)
    cheapest = int(cost[:, 1].min())
    for one in np.argsort(cost[:, 1]):
        if cost[one, 1] + cheapest >= best:
            break
        for number in pieces:
            if cost[one, number] + cheapest >= best:
                break
            other = np.maximum(needed(1.0 - number * share[one]), 1)
            best = min(best, int(cost[one, number] + padded[index, other].min()))
    return float(best)


# --- the rest of a skeleton -----------------------------------------------------------------------


def fixed_losses(found: Market, rows: IntArray) -> FloatArray:
    """Weighted loss of inductor, board copper and controller supply [W], (n_row,)."""
    stage, view = found.stage, found.view
    i_rms = view.wave.i_rms[rows][..., 0]
    board = stage.spec.board.resistance * i_rms**2
    supply = view.operation.v_input[rows] * stage.controller.i_quiescent
    return np.asarray((found.coils.loss[rows][:, found.objective] + board + supply) @ found.weight)


def sense_floors(found: Market, rows: IntArray) -> FloatArray:
    """Weighted loss of the smallest resistance that can close the limit chain [W], (n_row,)."""
    scene = found.scene.take(rows)
    coils = evaluation.set_rows(found.coils, rows)
    low, _ = screen.sense_range(found.stage, scene, coils)
    square = found.view.wave.i_rms[rows][..., 0] ** 2 @ found.weight
    return np.asarray(np.where(np.isfinite(low), low, 0.0) * square)


def skeleton_bounds(
    found: Market, weights: FloatArray, rows: IntArray, legs: FloatArray
) -> FloatArray:
    """Bound in every direction on complete sets of the skeletons `rows`, (n_row, n_direction).

    `legs` : bound on their half bridges, (n_direction,) or (n_row, n_direction); all skeletons of
    `rows` share their frequency
    """
    own = found.prices.alone("inductor")[found.scene.coil[rows], 1]
    sense = int(found.least["resistor"][found.pool.sense, 1].min(initial=1 << 40))
    cost = found.fixed_cost + own + sense
    loss = whole_units(fixed_losses(found, rows)) + whole_units(sense_floors(found, rows))
    total = weights[None, :, 0] * cost[:, None] + weights[None, :, 1] * loss[:, None] + legs
    for node, types in found.pool.bank.items():
        total = total + bank_bounds(found, node, weights, rows, types)
    return np.asarray(total)
