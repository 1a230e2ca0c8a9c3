"""Lower bounds on the half bridges of a skeleton, as sums over positions despite the pair law."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np

from optimizer import evaluation, parameters
from optimizer.dominance import Staircase, stair_of, summed
from optimizer.market import Choices, Market, whole_units
from optimizer.open_losses import lower_at, values
from optimizer.parts import diode, half_bridge, mosfet, switching
from optimizer.parts.bridge_records import HalfBridge, LegStress, Mosfet
from optimizer.records import FloatArray, IntArray, Leg
from optimizer.stage import Stage

BUCKETS = 6
"""Classes of control transistors by how fast they switch."""


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
        i_mean_synchronous=stress.i_mean_synchronous.min(axis=0, keepdims=True),
        share_blocking=stress.share_blocking.min(axis=0, keepdims=True),
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
        least.i_mean_synchronous,
        least.share_blocking,
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
    known = speed[np.isfinite(speed)]
    steps = np.linspace(0.0, 1.0, BUCKETS + 1)[:-1]
    order = np.quantile(known, steps) if known.size else np.array([np.inf])
    bucket = np.maximum(np.searchsorted(order, speed, side="right") - 1, 0)
    square = stress.i_rms_synchronous**2 - _dead_square(stress, part)
    cold = _cold(partner, np.maximum(square, 0.0), stress.temp_board)
    # What a swing leaves falls as the peak rises, so it stays out of a bound.
    unswung = replace(partner, q_output=np.zeros((1, 1)))
    two = _solved(found, ideal, unswung, stress).synchronous
    taken = edge * np.where(keeps, 1.0 / 6.0, 2.0 / 3.0)
    loss = two.loss_conduction + two.loss_dead_time + taken
    gate = part.lanes.v_input * two.i_drive
    rows = []
    for slowest in order:
        fast = _as_fast(ideal, slowest, found)
        recovery = half_bridge.loss_recovery(fast, partner, two, stress=stress, drive=part.drive)
        rows.append(np.where(hard, loss + recovery, cold) + gate)
    return LegFloors(
        control=_weighed(control_loss, found.weight),
        bucket=np.asarray(bucket, dtype=np.int64),
        synchronous=np.stack([_weighed(row, found.weight) for row in rows]),
    )


def floors_diode(
    found: Market, leg: Leg, stress: LegStress, control: Choices, synchronous: Choices
) -> LegFloors:
    """The same for a leg with a diode, whose charge is all that couples the positions.

    It adds at least 2/3 V Q to the turn-on and saves at most 1/2 V Q at the turn-off, so the
    transistor beside no charge at all is a bound. The diode is bounded at the temperature at
    which its line loses least: its own is unknown, but no higher than the rating that is kept.
    """
    part = found.part
    ideal = evaluation.ideal_rectifier(part, leg)
    one = evaluation.bridges_under(part, stress, evaluation.controls(part, *control), ideal).control
    device = parameters.take(part.diodes, synchronous[0])
    rating = part.tables["diode"].numbers["temp_junction_rating"][synchronous[0]][:, None]
    forward = diode.v_forward_hot(
        v_forward=device.v_forward,
        v_forward_slope=device.v_forward_slope,
        temp_junction=rating,
        temp_hold=device.temp_hold,
    )
    least = diode.loss_forward(
        v_forward=np.maximum(forward, 0.0),
        i_mean=stress.i_mean_synchronous,
        resistance=device.resistance,
        i_rms=stress.i_rms_synchronous,
    )
    return LegFloors(
        control=_weighed(one.loss + part.lanes.v_input * one.i_drive, found.weight),
        bucket=np.zeros(len(control[0]), dtype=np.int64),
        synchronous=_weighed(least, found.weight)[None, :],
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
    current = mosfet.i_gate_on(
        v_drive=drive.v_drive_most, v_plateau=own.v_plateau, resistance_gate=gate
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = current / (own.q_gate_source - own.q_gate_threshold)
    return np.asarray(np.where(np.isnan(speed), np.inf, speed).min(axis=1))


def _as_fast(ideal: Mosfet, speed: float, found: Market) -> Mosfet:
    """An ideal control transistor that lets the current rise at `speed` in every lane."""
    drive = found.part.drive
    gate = drive.r_driver_source + ideal.r_gate + drive.r_gate_external
    current = mosfet.i_gate_on(
        v_drive=drive.v_drive_most, v_plateau=ideal.v_plateau, resistance_gate=gate
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
    alone, least = found.prices.alone("switch"), found.least["switch"]
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
        lower_at(shared, one[0], sums[0] + sums[1].min(axis=0))
        lower_at(shared, two[0], sums[1] + sums[0].min(axis=0))
    rows, pieces, loss = _same_part(floors, control, synchronous)
    if len(rows):
        apart = np.minimum(apart, values(alone[rows, pieces], loss, weights).min(axis=0))
        lower_at(shared, rows, values(least[rows, pieces], loss, weights))
    return LegClasses(apart, shared)


def _cut(choices: Choices, index: IntArray) -> Choices:
    return choices[0][index], choices[1][index]


def _same_part(
    floors: LegFloors, control: Choices, synchronous: Choices
) -> tuple[IntArray, IntArray, FloatArray]:
    """Rows, pieces and loss floors of the pairs that hold one part in both positions."""
    i, j = np.nonzero(control[0][:, None] == synchronous[0][None, :])
    loss = floors.control[i] + floors.synchronous[floors.bucket[i], j]
    some = np.isfinite(loss)
    i, j = i[some], j[some]
    return control[0][i], control[1][i] + synchronous[1][j], loss[some]


def family_bound(legs: Mapping[str, LegClasses]) -> FloatArray:
    """Bound on all legs together: nothing shared, or one part held by both."""
    every = list(legs.values())
    apart = np.sum([one.apart for one in every], axis=0)
    return np.asarray(np.minimum(apart, shared_bound(legs)))


def shared_bound(legs: Mapping[str, LegClasses]) -> FloatArray:
    """Bound on all legs together where one part stands in both; inf with one leg alone."""
    every = list(legs.values())
    if len(every) < 2:
        return np.full_like(every[0].apart, np.inf)
    return np.asarray((every[0].shared + every[1].shared).min(axis=0))


def family_stair(found: Market, floors: Mapping[str, LegFloors]) -> Staircase:
    """Bounds on all legs together where they share nothing, as a staircase."""
    total: Staircase = (np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64))
    for leg in found.stage.topology.LEGS:
        total = summed(total, leg_stair(found, floors[leg.name], *numbered(found, leg)))
    return total


def legs(
    found: Market, weights: FloatArray, rows: IntArray
) -> dict[str, tuple[LegFloors, LegClasses]]:
    """Floors and bounds of each leg of the skeletons `rows` together."""
    scene = found.view.take(rows)
    every = {}
    for leg in found.stage.topology.LEGS:
        stress = mildest_stress(evaluation.leg_stress(scene, leg), found.part)
        choices = found.choices(leg.control), found.choices(leg.synchronous)
        make = floors_diode if leg.rectifier == "diode" else leg_floors
        one = make(found, leg, stress, *choices)
        every[leg.name] = one, leg_classes(found, one, *numbered(found, leg), weights)
    return every


def numbered(found: Market, leg: Leg) -> tuple[Choices, Choices]:
    """Every choice of both positions of a leg by part numbers."""
    control, synchronous = (
        found.numbered(p, found.choices(p)) for p in (leg.control, leg.synchronous)
    )
    return control, synchronous


def leg_stair(
    found: Market, floors: LegFloors, control: Choices, synchronous: Choices
) -> Staircase:
    """Bounds on the pairs of a leg that share nothing with another leg, as a staircase."""
    alone = found.prices.alone("switch")
    rows, pieces, loss = _same_part(floors, control, synchronous)
    costs, losses = [alone[rows, pieces]], [whole_units(loss)]
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
        costs.append(pairs[0])
        losses.append(pairs[1])
    return stair_of(np.concatenate(costs), np.concatenate(losses))
