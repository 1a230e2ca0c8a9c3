"""What a half bridge is described by, and what `half_bridge.solve` gives back."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.records import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Mosfet:
    """Parameters of the transistors at one position, each broadcasting to (n_choice, n_lane).

    rds_on : at 25 degC and the actual drive voltage [ohm]; rds_on_tempco [1/K]
    q_gate : at the actual drive voltage [C]
    q_gate_source, q_gate_threshold : up to plateau and threshold, NaN where missing [C]
    q_gate_drain : [C] at v_gate_drain_test [V]; r_gate : internal, NaN where missing [ohm]
    q_output : [C] at v_output_test [V]
    q_recovery : without output charge [C], at i_recovery_test [A] and current_slope_test [A/s]
    rth : junction to board, pad included [K/W]; pieces : in parallel [1]
    """

    rds_on: FloatArray
    rds_on_tempco: FloatArray
    v_plateau: FloatArray
    q_gate: FloatArray
    q_gate_source: FloatArray
    q_gate_threshold: FloatArray
    q_gate_drain: FloatArray
    v_gate_drain_test: FloatArray
    r_gate: FloatArray
    q_output: FloatArray
    v_output_test: FloatArray
    q_recovery: FloatArray
    i_recovery_test: FloatArray
    current_slope_test: FloatArray
    v_body_diode: FloatArray
    rth: FloatArray
    pieces: FloatArray


@dataclass(frozen=True, slots=True)
class Drive:
    """How the half bridge is driven and laid out; scalars or (n_lane,).

    v_drive : of the gates [V]; v_drive_most : the highest of it, for the slope of the current [V];
    r_driver_source, r_driver_sink : of the driver, shared by parallel pieces [ohm];
    r_gate_external : one for each piece [ohm]; time_dead_on, time_dead_off : before the control
    transistor turns on and after it turns off [s]; inductance_loop [H]; sharing : current of the
    hottest of several pieces over their mean [1]
    """

    v_drive: FloatArray
    v_drive_most: FloatArray
    r_driver_source: FloatArray
    r_driver_sink: FloatArray
    r_gate_external: FloatArray
    time_dead_on: FloatArray
    time_dead_off: FloatArray
    inductance_loop: FloatArray
    sharing: FloatArray


@dataclass(frozen=True, slots=True)
class LegStress:
    """What the waveform asks of one half bridge; every array broadcasts to (n_choice, n_lane).

    i_turn_on, i_turn_off : inductor current when the control transistors turn on and off [A]
    v_node : voltage switched [V]; frequency_edges : control turn-ons per second, 0 at rest [Hz]
    i_rms_control, i_rms_synchronous : rms current of the positions, dead times included [A]
    inductance : what swings the node below zero current [H]; temp_board [degC]
    i_mean_synchronous : mean current of the synchronous position [A]
    share_blocking : share of the period in which that position does not conduct [1]
    """

    i_turn_on: FloatArray
    i_turn_off: FloatArray
    v_node: FloatArray
    frequency_edges: FloatArray
    i_rms_control: FloatArray
    i_rms_synchronous: FloatArray
    inductance: FloatArray
    temp_board: FloatArray
    i_mean_synchronous: FloatArray
    share_blocking: FloatArray


@dataclass(frozen=True, slots=True)
class Position:
    """Losses [W] and temperatures [degC] of all pieces of one position, (n_choice, n_lane) each.

    loss_charge : everything but conduction; loss : the sum, of average pieces
    temp_junction : of the hottest piece; temp_average : of a piece with its even share
    resistance : of the position at the average temperature [ohm]
    v_forward : of a diode beside its resistance, 0 of a transistor [V]
    i_drive : mean gate current [A]
    slope : rise of the loss of the hottest piece per kelvin of its own [W/K]
    """

    loss_conduction: FloatArray
    loss_turn_on: FloatArray
    loss_turn_off: FloatArray
    loss_output: FloatArray
    loss_recovery: FloatArray
    loss_dead_time: FloatArray
    loss_loop: FloatArray
    loss_reverse: FloatArray
    loss_charge: FloatArray
    loss: FloatArray
    temp_junction: FloatArray
    temp_average: FloatArray
    resistance: FloatArray
    v_forward: FloatArray
    i_drive: FloatArray
    slope: FloatArray


@dataclass(frozen=True, slots=True)
class HalfBridge:
    """Both positions and what they do together, (n_choice, n_lane).

    loss : of both [W]; slope_cross : rise of the loss of one control piece per kelvin of the
    synchronous ones [W/K]; gain : share of the thermal-gain row, inf where a piece alone exceeds
    the gain allowed; runaway : no steady temperature exists; i_recovery : reverse peak [A]
    """

    control: Position
    synchronous: Position
    loss: FloatArray
    slope_cross: FloatArray
    gain: FloatArray
    runaway: BoolArray
    i_recovery: FloatArray
