"""Two positions that switch against each other: who heats by what, and how hot it gets.

The control transistors take the current over from the synchronous ones, or from a diode. No
iteration between them: the synchronous temperature does not depend on the control one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.parts import diode, mosfet, switching
from optimizer.parts.bridge_records import Drive, HalfBridge, LegStress, Mosfet, Position
from optimizer.parts.diode import Diode
from optimizer.records import FloatArray

__all__ = [
    "Drive",
    "HalfBridge",
    "LegStress",
    "Mosfet",
    "Position",
    "gain_pair",
    "solve",
    "solve_with_diode",
    "v_peaks",
]

R_GATE_OVERLAP = 2.0
"""Internal gate resistance assumed for the overlap time where none is given [ohm]."""

R_GATE_SLOPE = 0.5
"""Internal gate resistance assumed for the current slope where none is given [ohm]."""


@dataclass(frozen=True, slots=True)
class _Times:
    """Overlap times of one position and its output charge at the node voltage."""

    turn_on: FloatArray
    turn_off: FloatArray
    q_output: FloatArray


@dataclass(frozen=True, slots=True)
class _Edges:
    """Energies per period that do not follow temperature [J]."""

    turn_on: FloatArray
    turn_off: FloatArray
    output: FloatArray
    dead_time: FloatArray
    loop: FloatArray


def solve(
    control: Mosfet,
    synchronous: Mosfet,
    *,
    stress: LegStress,
    drive: Drive,
    board_k_per_w: FloatArray,
    thermal_gain_max: FloatArray,
) -> HalfBridge:
    """Losses by mechanism, temperatures and thermal gain of every choice in every lane.

    control, synchronous : parameters in the units of `Mosfet`, (n_choice, n_lane)
    stress : currents, voltage and board temperature in the units of `LegStress`, (n_choice, n_lane)
    drive : in the units of `Drive`, (n_lane,)
    board_k_per_w : board over ambient per watt of all loss [K/W], ()
    thermal_gain_max : gain demanded, below 1 [1], ()
    Returns : `HalfBridge` in [W], [degC], [ohm], [A], (n_choice, n_lane); NaN where a piece runs
        away or a parameter is missing

    Holds for: continuous conduction; where the synchronous transistors take over a current below
        zero, without recovery of the control diode; the dead times are those given, whatever the
        node does.
    Source: derived in DEVELOPERS.md, half bridge; mechanisms as in `mosfet` and `switching`.

    >>> import dataclasses
    >>> def fill(kind, value): return kind(*[np.array(value)] * len(dataclasses.fields(kind)))
    >>> plain = dataclasses.replace(fill(Mosfet, 0.0), rds_on=np.array(0.01), rth=np.array(10.0),
    ...     pieces=np.array(1.0), v_gate_drain_test=np.array(25.0), v_output_test=np.array(25.0),
    ...     v_plateau=np.array(3.0), i_recovery_test=np.array(1.0),
    ...     current_slope_test=np.array(1e8))
    >>> rest = dataclasses.replace(fill(LegStress, 0.0), i_rms_control=np.array(5.0),
    ...     temp_board=np.array(60.0), inductance=np.array(1e-5))
    >>> found = solve(plain, plain, stress=rest, drive=fill(Drive, 7.0),
    ...     board_k_per_w=np.array(6.0), thermal_gain_max=np.array(0.4))
    >>> round(float(found.loss), 3), round(float(found.control.temp_junction), 2)
    (0.25, 62.5)
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        times_c, times_s = (_times(m, drive, stress.v_node) for m in (control, synchronous))
        edges_c = _edges_control(control, times_c, times_s, stress, drive)
        edges_s = _edges_synchronous(synchronous, times_c, times_s, stress, drive)
        channel_c = stress.i_rms_control * stress.i_rms_control
        channel_s = _channel_synchronous(stress, drive)
        frequency = stress.frequency_edges
        sync = _position(synchronous, edges_s, channel_s, np.zeros(()), stress, drive)
        charge, charge_slope, slope = _recovery(control, synchronous, sync, stress, drive)
        reverse = switching.i_recovery(q_recovery=charge, slope=slope)
        rung = switching.energy_loop(inductance_loop=drive.inductance_loop, i_edge=reverse)
        edges_c = replace(edges_c, loop=edges_c.loop + rung)
        lost = switching.loss_recovery(
            v_node=stress.v_node, q_recovery=charge, frequency_edges=frequency
        )
        ctrl = _position(control, edges_c, channel_c, lost, stress, drive)
        per_charge = stress.v_node + drive.inductance_loop * slope
        cross = per_charge * charge_slope * frequency / control.pieces
        gain = gain_pair(
            rth_control=control.rth,
            rth_synchronous=synchronous.rth,
            slope_control=ctrl.slope,
            slope_synchronous=sync.slope,
            slope_cross=cross,
            pieces_control=control.pieces,
            pieces_synchronous=synchronous.pieces,
            board_k_per_w=board_k_per_w,
            thermal_gain_max=thermal_gain_max,
        )
        runaway = (control.rth * ctrl.slope >= 1.0) | (synchronous.rth * sync.slope >= 1.0)
        return HalfBridge(
            control=ctrl,
            synchronous=sync,
            loss=ctrl.loss + sync.loss,
            slope_cross=cross,
            gain=gain,
            runaway=runaway,
            i_recovery=reverse,
        )


def solve_with_diode(
    control: Mosfet,
    rectifier: Diode,
    *,
    stress: LegStress,
    drive: Drive,
    board_k_per_w: FloatArray,
    thermal_gain_max: FloatArray,
) -> HalfBridge:
    """As `solve`, with a Schottky diode in the place of the synchronous transistors.

    It conducts whenever the control transistors do not and current flows, so there is no dead
    time; it has no recovery, and its junction charge takes the place of the output charge.

    control : parameters in the units of `Mosfet`, (n_choice, n_lane)
    rectifier : parameters in the units of `Diode`, (n_choice, n_lane)
    stress : currents, voltage and board temperature in the units of `LegStress`, (n_choice, n_lane)
    drive : in the units of `Drive`, (n_lane,)
    board_k_per_w : board over ambient per watt of all loss [K/W], ()
    thermal_gain_max : gain demanded, below 1 [1], ()
    Returns : `HalfBridge` in [W], [degC], [ohm], [V], [A], (n_choice, n_lane); NaN where a piece
        runs away or a parameter is missing

    Holds for: currents at or above zero; while the coil current rests the node swings by itself,
        and the turn-on after it is counted at the full node voltage.
    Source: derived in DEVELOPERS.md, diode; mechanisms as in `diode`, `mosfet` and `switching`.

    >>> import dataclasses
    >>> def fill(kind, value): return kind(*[np.array([value])] * len(dataclasses.fields(kind)))
    >>> plain = dataclasses.replace(fill(Mosfet, 0.0), rth=np.array([10.0]),
    ...     pieces=np.array([1.0]), v_gate_drain_test=np.array([25.0]),
    ...     v_output_test=np.array([25.0]), v_plateau=np.array([3.0]))
    >>> part = dataclasses.replace(fill(Diode, 0.0), v_forward=np.array([0.5]),
    ...     rth=np.array([10.0]), v_output_test=np.array([10.0]), pieces=np.array([1.0]))
    >>> rest = dataclasses.replace(fill(LegStress, 0.0), i_mean_synchronous=np.array([4.0]),
    ...     temp_board=np.array([60.0]), inductance=np.array([1e-5]))
    >>> found = solve_with_diode(plain, part, stress=rest, drive=fill(Drive, 7.0),
    ...     board_k_per_w=np.array(6.0), thermal_gain_max=np.array(0.4))
    >>> found.loss.round(3), found.synchronous.temp_junction.round(2)
    (array([2.]), array([80.]))
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        own = _times(control, drive, stress.v_node)
        charge = switching.q_output_at(
            q_output=rectifier.q_output,
            v_output_test=rectifier.v_output_test,
            v_node=stress.v_node,
        )
        at_once = _Times(np.zeros_like(charge), np.zeros_like(charge), charge)
        edges = _edges_control(control, own, at_once, stress, drive)
        channel = stress.i_rms_control * stress.i_rms_control
        ctrl = _position(control, edges, channel, np.zeros(()), stress, drive)
        back = _rectifier(rectifier, stress)
        none = np.zeros_like(ctrl.loss + back.loss)
        gain = gain_pair(
            rth_control=control.rth,
            rth_synchronous=rectifier.rth,
            slope_control=ctrl.slope,
            slope_synchronous=back.slope,
            slope_cross=none,
            pieces_control=control.pieces,
            pieces_synchronous=rectifier.pieces,
            board_k_per_w=board_k_per_w,
            thermal_gain_max=thermal_gain_max,
        )
        runaway = (control.rth * ctrl.slope >= 1.0) | ~np.isfinite(back.temp_junction)
        return HalfBridge(
            control=ctrl,
            synchronous=back,
            loss=ctrl.loss + back.loss,
            slope_cross=none,
            gain=np.where(np.isnan(back.temp_junction), np.nan, gain),
            runaway=runaway,
            i_recovery=none,
        )


def _rectifier(device: Diode, stress: LegStress) -> Position:
    """The diode at its own temperature; where its loss falls with it, the slope counts as none."""
    duty = {
        "i_mean": stress.i_mean_synchronous,
        "i_rms": stress.i_rms_synchronous,
        "v_node": stress.v_node,
        "share_blocking": stress.share_blocking,
    }
    temp = diode.temp_junction(device, **duty, temp_board=stress.temp_board)
    loss, slope = diode.losses(device, temp, **duty)
    forward = diode.v_forward_hot(
        v_forward=device.v_forward,
        v_forward_slope=device.v_forward_slope,
        temp_junction=temp,
        temp_hold=device.temp_hold,
    )
    conduction = diode.loss_forward(
        v_forward=forward,
        i_mean=stress.i_mean_synchronous,
        resistance=device.resistance,
        i_rms=stress.i_rms_synchronous,
    )
    none = np.zeros_like(loss)
    return Position(
        loss_conduction=conduction,
        loss_turn_on=none,
        loss_turn_off=none,
        loss_output=none,
        loss_recovery=none,
        loss_dead_time=none,
        loss_loop=none,
        loss_reverse=loss - conduction,
        loss_charge=loss - conduction,
        loss=loss,
        temp_junction=temp,
        temp_average=temp,
        resistance=device.resistance + none,
        v_forward=forward,
        i_drive=none,
        slope=np.maximum(slope, 0.0),
    )


def loss_recovery(
    control: Mosfet,
    synchronous: Mosfet,
    solved: Position,
    *,
    stress: LegStress,
    drive: Drive,
) -> FloatArray:
    """Recovery loss beside another control transistor, the synchronous one as it was solved.

    control, synchronous : parameters in the units of `Mosfet`, (n_choice, n_lane)
    solved : the synchronous position beside a control of the same output charge
    stress : in the units of `LegStress`, (n_choice, n_lane)
    drive : in the units of `Drive`, (n_lane,)
    Returns : loss in the control transistors [W], (n_choice, n_lane)

    Holds for: as `solve`; the speed of the control changes nothing else of the synchronous one.
    Source: derived in DEVELOPERS.md, half bridge.

    >>> import dataclasses
    >>> def fill(kind, value): return kind(*[np.array(value)] * len(dataclasses.fields(kind)))
    >>> part = dataclasses.replace(fill(Mosfet, 1.0), q_recovery=np.array(5e-8),
    ...     current_slope_test=np.array(1e8), q_gate_source=np.array(2.0))
    >>> stress, drive = fill(LegStress, 5.0), fill(Drive, 7.0)
    >>> found = solve(part, part, stress=stress, drive=drive,
    ...     board_k_per_w=np.array(6.0), thermal_gain_max=np.array(0.4))
    >>> bool(loss_recovery(part, part, found.synchronous, stress=stress, drive=drive)
    ...     == found.control.loss_recovery)
    True
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        charge, _, _ = _recovery(control, synchronous, solved, stress, drive)
        return switching.loss_recovery(
            v_node=stress.v_node, q_recovery=charge, frequency_edges=stress.frequency_edges
        )


def gain_pair(
    *,
    rth_control: FloatArray,
    rth_synchronous: FloatArray,
    slope_control: FloatArray,
    slope_synchronous: FloatArray,
    slope_cross: FloatArray,
    pieces_control: FloatArray,
    pieces_synchronous: FloatArray,
    board_k_per_w: FloatArray,
    thermal_gain_max: FloatArray,
) -> FloatArray:
    """What one half bridge adds to the thermal-gain row, whose sum must not exceed 1.

    With nodes i (one piece each), J_ij = dP_i/dT_j, D the piece's own thermal resistance, n the
    pieces and b the board, a disturbance of the temperatures returns multiplied by
    M = D J + b 1 n' J. M has no negative entry, so with g > r_i J_ii its largest eigenvalue is at
    most g exactly when b n' J (g - D J)^-1 1 <= 1. J and D are block diagonal (one block a half
    bridge), so the left side is a sum over half bridges and single parts; this is one term.

    rth_control, rth_synchronous : piece to board [K/W], (n_choice, n_lane)
    slope_control, slope_synchronous : loss of a piece per kelvin of its own [W/K],
        (n_choice, n_lane)
    slope_cross : loss of a control piece per kelvin of the synchronous ones [W/K],
        (n_choice, n_lane)
    pieces_control, pieces_synchronous : in parallel [1], (n_choice, n_lane)
    board_k_per_w : board over ambient per watt of all loss [K/W], ()
    thermal_gain_max : gain g demanded, below 1 [1], ()
    Returns : term of the row [1], (n_choice, n_lane); inf where a piece alone reaches the gain

    Holds for: steady state, one board temperature, losses rising with temperature.
    Source: derived in DEVELOPERS.md, thermal gain (determinant of a rank-one change).

    >>> two = np.array(2.0)
    >>> gain_pair(rth_control=np.array(10.0), rth_synchronous=np.array(10.0),
    ...     slope_control=np.array(0.01), slope_synchronous=np.array(0.01),
    ...     slope_cross=np.array(0.0), pieces_control=two, pieces_synchronous=two,
    ...     board_k_per_w=np.array(6.0), thermal_gain_max=np.array(0.4))
    array(0.8)
    """
    left_s = thermal_gain_max - rth_synchronous * slope_synchronous
    left_c = thermal_gain_max - rth_control * slope_control
    with np.errstate(divide="ignore", invalid="ignore"):
        x_s = 1.0 / left_s
        x_c = (1.0 + rth_control * slope_cross * x_s) / left_c
        heat_c = pieces_control * (slope_control * x_c + slope_cross * x_s)
        term = board_k_per_w * (heat_c + pieces_synchronous * slope_synchronous * x_s)
    return np.where((left_s <= 0.0) | (left_c <= 0.0), np.inf, term)


def v_peaks(
    control: Mosfet,
    synchronous: Mosfet,
    *,
    stress: LegStress,
    drive: Drive,
    i_recovery: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Undamped bounds of the ringing peaks of the control and the synchronous transistors.

    control, synchronous : parameters in the units of `Mosfet`, (n_choice, n_lane)
    stress : in the units of `LegStress`, (n_choice, n_lane)
    drive : in the units of `Drive`, (n_lane,)
    i_recovery : reverse peak of the synchronous diode [A], (n_choice, n_lane)
    Returns : two voltages [V], (n_choice, n_lane); the node voltage where the leg rests

    Holds for: as `switching.v_peak_turn_off` and `switching.v_peak_turn_on`.
    Source: derived in DEVELOPERS.md, ringing.

    >>> import dataclasses
    >>> def fill(kind, value): return kind(*[np.array(value)] * len(dataclasses.fields(kind)))
    >>> part = dataclasses.replace(fill(Mosfet, 1.0), q_output=np.array(5e-8),
    ...     v_output_test=np.array(50.0))
    >>> stress = dataclasses.replace(fill(LegStress, 5.0), v_node=np.array(50.0))
    >>> pair = v_peaks(part, part, stress=stress, i_recovery=np.array(0.0),
    ...     drive=dataclasses.replace(fill(Drive, 1.0), inductance_loop=np.array(4e-9)))
    >>> [round(float(v), 3) for v in pair]
    [60.0, 100.0]
    """
    charges = [_q_output(device, stress.v_node) for device in (control, synchronous)]
    with np.errstate(divide="ignore", invalid="ignore"):
        opened = switching.v_peak_turn_off(
            v_node=stress.v_node,
            i_edge=stress.i_turn_off,
            inductance_loop=drive.inductance_loop,
            q_output=charges[0],
        )
        snapped = switching.v_peak_turn_on(
            v_node=stress.v_node,
            i_recovery=i_recovery,
            inductance_loop=drive.inductance_loop,
            q_output=charges[1],
        )
    moves = stress.frequency_edges > 0.0
    return np.where(moves, opened, stress.v_node), np.where(moves, snapped, stress.v_node)


def _q_output(device: Mosfet, v_node: FloatArray) -> FloatArray:
    """Output charge of all pieces at the node voltage."""
    return device.pieces * switching.q_output_at(
        q_output=device.q_output, v_output_test=device.v_output_test, v_node=v_node
    )


def _times(device: Mosfet, drive: Drive, v_node: FloatArray) -> _Times:
    """Overlap times with the driver shared by the pieces, and output charge."""
    inner = np.where(np.isnan(device.r_gate), R_GATE_OVERLAP, device.r_gate) + drive.r_gate_external
    i_on = mosfet.i_gate_on(
        v_drive=drive.v_drive,
        v_plateau=device.v_plateau,
        resistance_gate=device.pieces * drive.r_driver_source + inner,
    )
    i_off = mosfet.i_gate_off(
        v_plateau=device.v_plateau, resistance_gate=device.pieces * drive.r_driver_sink + inner
    )
    charge = mosfet.q_switch(
        q_gate_drain=device.q_gate_drain,
        v_gate_drain_test=device.v_gate_drain_test,
        q_plateau=mosfet.q_to_plateau(
            q_gate_source=device.q_gate_source,
            q_gate_threshold=device.q_gate_threshold,
            q_gate_drain=device.q_gate_drain,
        ),
        v_node=v_node,
    )
    return _Times(charge / i_on, charge / i_off, _q_output(device, v_node))


def _edges_control(
    device: Mosfet, own: _Times, partner: _Times, stress: LegStress, drive: Drive
) -> _Edges:
    """Edges of the control transistors: hard unless the current has swung the node."""
    valley, peak, v_node = stress.i_turn_on, stress.i_turn_off, stress.v_node
    turn_on = switching.energy_overlap(v_node=v_node, i_edge=valley, time_edge=own.turn_on)
    turn_off = switching.energy_turn_off(
        v_node=v_node,
        i_edge=peak,
        time_edge=own.turn_off,
        q_output_pair=own.q_output + partner.q_output,
    )
    output = _output(-valley, own, partner, stress, drive.time_dead_on)
    dead = device.v_body_diode * (
        np.maximum(-valley, 0.0) * drive.time_dead_on + np.maximum(-peak, 0.0) * drive.time_dead_off
    )
    loop = switching.energy_loop(
        inductance_loop=drive.inductance_loop, i_edge=np.maximum(peak, 0.0)
    )
    return _Edges(turn_on, turn_off, output, dead, loop)


def _edges_synchronous(
    device: Mosfet, partner: _Times, own: _Times, stress: LegStress, drive: Drive
) -> _Edges:
    """Edges of the synchronous transistors: the mirror image."""
    valley, peak, v_node = stress.i_turn_on, stress.i_turn_off, stress.v_node
    turn_on = switching.energy_overlap(v_node=v_node, i_edge=-peak, time_edge=own.turn_on)
    turn_off = switching.energy_turn_off(
        v_node=v_node,
        i_edge=-valley,
        time_edge=own.turn_off,
        q_output_pair=own.q_output + partner.q_output,
    )
    output = _output(peak, own, partner, stress, drive.time_dead_off)
    dead = device.v_body_diode * (
        np.maximum(valley, 0.0) * drive.time_dead_on + np.maximum(peak, 0.0) * drive.time_dead_off
    )
    loop = switching.energy_loop(
        inductance_loop=drive.inductance_loop, i_edge=np.maximum(-valley, 0.0)
    )
    return _Edges(turn_on, turn_off, output, dead, loop)


def _output(
    i_swing: FloatArray, own: _Times, partner: _Times, stress: LegStress, time_dead: FloatArray
) -> FloatArray:
    """Energy of the output charges that the inductor has not moved when `own` turns on."""
    pair = {"q_output": own.q_output, "q_output_partner": partner.q_output}
    hard = switching.energy_output_pair(v_node=stress.v_node, **pair)
    if not (i_swing > 0.0).any():
        return hard
    swapped = {"q_output": partner.q_output, "q_output_partner": own.q_output}
    moved = switching.q_swung(
        i_swing=i_swing,
        time_dead=time_dead,
        inductance=stress.inductance,
        energy_swing=switching.energy_output_pair(v_node=stress.v_node, **swapped),
        **pair,
    )
    still = own.q_output + partner.q_output - moved
    left = switching.energy_output_left(
        v_node=stress.v_node,
        share_left=switching.share_left(q_swung=moved, **pair),
        share_moved=switching.share_left(q_swung=still, **swapped),
        **pair,
    )
    return np.where(moved > 0.0, left, hard)


def _channel_synchronous(stress: LegStress, drive: Drive) -> FloatArray:
    """Square of the rms current of the synchronous channel, without the dead times."""
    valley, peak = stress.i_turn_on, stress.i_turn_off
    dead = valley * valley * drive.time_dead_on + peak * peak * drive.time_dead_off
    square = stress.i_rms_synchronous * stress.i_rms_synchronous
    return np.maximum(square - stress.frequency_edges * dead, 0.0)


def _recovery(
    control: Mosfet, synchronous: Mosfet, sync: Position, stress: LegStress, drive: Drive
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Recovery charge of all synchronous pieces, its rise per kelvin, and the current slope."""
    current = np.maximum(stress.i_turn_on, 0.0)
    inner = np.where(np.isnan(control.r_gate), R_GATE_SLOPE, control.r_gate)
    gate = control.pieces * drive.r_driver_source + inner + drive.r_gate_external
    slope = switching.current_slope(
        i_turn_on=current,
        i_gate=mosfet.i_gate_on(
            v_drive=drive.v_drive_most, v_plateau=control.v_plateau, resistance_gate=gate
        ),
        q_plateau=control.q_gate_source - control.q_gate_threshold,
        v_node=stress.v_node,
        inductance_loop=drive.inductance_loop,
    )
    pieces = synchronous.pieces
    cool = pieces * switching.q_recovery_25(
        q_recovery=synchronous.q_recovery,
        slope=slope / pieces,
        current_slope_test=synchronous.current_slope_test,
        i_turn_on=current / pieces,
        i_recovery_test=synchronous.i_recovery_test,
    )
    hot = switching.q_recovery_hot(
        q_recovery=cool,
        temp_junction=sync.temp_junction,
        i_turn_on=current,
        time_dead_on=drive.time_dead_on,
    )
    rises = hot < current * drive.time_dead_on
    return hot, np.where(rises, switching.RECOVERY_PER_K * cool, 0.0), slope


def _position(
    device: Mosfet,
    edges: _Edges,
    channel_square: FloatArray,
    loss_recovery: FloatArray,
    stress: LegStress,
    drive: Drive,
) -> Position:
    """Temperatures of the hottest and of an average piece, then the losses of the position."""
    frequency, pieces, tempco = stress.frequency_edges, device.pieces, device.rds_on_tempco
    energy = edges.turn_on + edges.turn_off + edges.output + edges.dead_time + edges.loop
    charge = energy * frequency + loss_recovery
    at_25 = channel_square * (device.rds_on / (pieces * pieces))
    uneven = np.where(pieces > 1.0, drive.sharing * drive.sharing, 1.0)
    average, hottest = (
        mosfet.temp_junction(
            temp_board=stress.temp_board,
            rth=device.rth,
            loss_conduction_25=conduction,
            loss_fixed=charge / pieces,
            rds_on_tempco=tempco,
        )
        for conduction in (at_25, at_25 * uneven)
    )
    factor = mosfet.resistance_factor(rds_on_tempco=tempco, temp_junction=average)
    resistance = mosfet.resistance_hot(rds_on=device.rds_on, pieces=pieces, factor=factor)
    conduction = channel_square * resistance
    held = 1.0 + tempco * (hottest - 25.0) < mosfet.RESISTANCE_FACTOR_MIN
    return Position(
        loss_conduction=conduction,
        loss_turn_on=edges.turn_on * frequency,
        loss_turn_off=edges.turn_off * frequency,
        loss_output=edges.output * frequency,
        loss_recovery=np.broadcast_to(loss_recovery, conduction.shape),
        loss_dead_time=edges.dead_time * frequency,
        loss_loop=edges.loop * frequency,
        loss_reverse=np.zeros_like(conduction),
        loss_charge=charge,
        loss=conduction + charge,
        temp_junction=hottest,
        temp_average=average,
        resistance=resistance,
        v_forward=np.zeros_like(conduction),
        i_drive=mosfet.i_drive(pieces=pieces, q_gate=device.q_gate, frequency_edges=frequency),
        slope=np.where(held, 0.0, tempco * at_25 * uneven),
    )
