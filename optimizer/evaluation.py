"""Joins waveforms and part physics: what each position does in every lane of a stage.

The first axis is whatever the caller varies: complete sets (verification) or the choices at one
position under one waveform (options). Both call the same functions; neither sees the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar

import numpy as np

from optimizer import parameters, spectra, waveforms
from optimizer.parts import bank, half_bridge, inductor, resistor
from optimizer.parts.bridge_records import HalfBridge, LegStress, Mosfet
from optimizer.parts.diode import Diode
from optimizer.records import (
    BRACKET_CEILING,
    BoolArray,
    ComplexArray,
    FloatArray,
    IntArray,
    Leg,
    Operation,
    State,
    Waveform,
)
from optimizer.stage import Stage
from optimizer.topologies.intervals import windings

Record = TypeVar("Record")

MECHANISMS = {
    "conduction": "loss_conduction",
    "turn-on": "loss_turn_on",
    "turn-off": "loss_turn_off",
    "output charge": "loss_output",
    "recovery": "loss_recovery",
    "dead time": "loss_dead_time",
    "loop": "loss_loop",
}
"""What heats a transistor, and the field of its position that holds it."""

MECHANISMS_DIODE = {"conduction": "loss_conduction", "reverse current": "loss_reverse"}
"""The same for a diode."""

LANE_ONLY = ("region", "input_current", "output_current", "coupling_current")
"""Fields without the set axis."""


@dataclass(frozen=True, slots=True)
class Scene:
    """The waveforms of one or many stages under a given state; arrays (n_set, n_lane).

    coil : row of the inductor of each set, (n_set,)
    spectrum : node -> peak phasors of the bank current, (n_set, n_lane, n_harmonic)
    """

    stage: Stage
    coil: IntArray
    operation: Operation
    state: State
    wave: Waveform
    spectrum: Mapping[str, ComplexArray]

    def take(self, rows: slice | IntArray) -> Scene:
        """The scene of some of its sets."""
        spectrum = {node: lines[rows] for node, lines in self.spectrum.items()}
        return Scene(
            self.stage,
            self.coil[rows],
            set_rows(self.operation, rows),
            set_rows(self.state, rows),
            set_rows(self.wave, rows),
            spectrum,
        )

    def lanes(self, stage: Stage, index: IntArray) -> Scene:
        """The scene in some of its lanes; `stage` is the one built for those lanes."""
        spectrum = {node: lines[:, index] for node, lines in self.spectrum.items()}
        return Scene(
            stage,
            self.coil,
            lane_columns(self.operation, index),
            lane_columns(self.state, index),
            lane_columns(self.wave, index),
            spectrum,
        )


def lane_columns(record: Record, index: IntArray) -> Record:
    """A record of (n_set, n_lane, ...) arrays for some of its lanes."""
    kept: dict[str, Any] = {}
    for item in fields(record):  # type: ignore[arg-type]
        value = getattr(record, item.name)
        kept[item.name] = value[index] if item.name in LANE_ONLY else _value_columns(value, index)
    return type(record)(**kept)


def _value_columns(value: Any, index: IntArray) -> Any:
    if isinstance(value, Mapping):
        return {key: _value_columns(item, index) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return lane_columns(value, index)
    return value[:, index]


def set_rows(record: Record, rows: slice | IntArray) -> Record:
    """A record of (n_set, ...) arrays for some of its sets; lane-only fields are kept."""
    kept: dict[str, Any] = {}
    for item in fields(record):  # type: ignore[arg-type]
        value = getattr(record, item.name)
        kept[item.name] = value if item.name in LANE_ONLY else _value_rows(value, rows)
    return type(record)(**kept)


def _value_rows(value: Any, rows: slice | IntArray) -> Any:
    if isinstance(value, Mapping):
        return {key: _value_rows(item, rows) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return set_rows(value, rows)
    return value[rows] if np.ndim(value) > 1 and len(value) > 1 else value


# --- from state to waveforms ----------------------------------------------------------------------


def operation(
    stage: Stage, frequency: FloatArray, coil: IntArray, i_mean: FloatArray | None
) -> Operation:
    """What each set is asked in each lane, with the inductance left at the mean current.

    frequency : nominal [Hz], (n_set,); coil : row of the inductor, (n_set,)
    i_mean : mean inductor current, the larger of two [A], (n_set, n_lane); None leaves the bias
        out
    """
    lanes, parts = stage.lanes, stage.inductors
    share: FloatArray = np.ones((len(coil), len(lanes)))
    if i_mean is not None:
        share = inductor.share_at_current(
            i_mean=i_mean,
            curve_current=parts.curve_current[coil],
            curve_share=parts.curve_share[coil],
        )
    corner = lanes.corner[None, :].astype(np.float64)
    shape = share.shape
    inductance = inductor.inductance_at(
        inductance=parts.inductance[coil],
        inductance_tolerance=parts.inductance_tolerance[coil],
        direction=corner,
        share=share,
    )
    if stage.two_coils:
        coupling = np.nan_to_num(parts.coupling[coil])
        inductance = inductor.inductance_pair(inductance=inductance, coupling=coupling)
    return Operation(
        v_input=np.broadcast_to(lanes.v_input, shape),
        v_output=np.broadcast_to(lanes.v_output, shape),
        i_output=np.broadcast_to(lanes.i_output, shape),
        frequency=frequency[:, None] * (1.0 + corner * stage.controller.frequency_tolerance),
        inductance=inductance,
        region=lanes.region,
    )


def i_bias(wave: Waveform) -> FloatArray:
    """Mean current that biases an inductor, the larger of two windings [A], (n_set, n_lane)."""
    return np.asarray(np.abs(wave.winding_mean).max(axis=-1))


def scene(
    stage: Stage, coil: IntArray, job: Operation, state: State, *, spectrum: bool = True
) -> Scene:
    """Waveforms and bank spectra of the sets of `job` under `state`."""
    window, emulation = stage.controller.window, stage.emulation
    wave = waveforms.solve(stage.topology, job, state, window, emulation=emulation)
    lines: Mapping[str, ComplexArray] = dict.fromkeys(stage.nodes, np.zeros((1, 1, 1), complex))
    if spectrum:
        turns = spectra.edge_turns(wave, bank.HARMONICS)
        lines = {node: spectra.harmonics(wave, node, bank.HARMONICS, turns) for node in stage.nodes}
    return Scene(stage, coil, job, state, wave, lines)


def sizing_scene(
    stage: Stage, frequency: FloatArray, coil: IntArray, *, spectrum: bool = True
) -> Scene:
    """The sets at the sizing state: every sizing lane at its bracket, other lanes without loss."""
    lanes, window = stage.lanes, stage.controller.window
    loss = np.where(lanes.bracket == BRACKET_CEILING, lanes.loss_ceiling, 0.0)
    board = stage.temp_board_sizing
    i_mean = None
    for _ in range(2):
        job = operation(stage, frequency, coil, i_mean)
        state = waveforms.sizing_state(
            stage.topology, job, window, loss, temp_board=board, emulation=stage.emulation
        )
        wave = waveforms.solve(stage.topology, job, state, window, emulation=stage.emulation)
        i_mean = i_bias(wave)
    return scene(stage, coil, operation(stage, frequency, coil, i_mean), state, spectrum=spectrum)


# --- positions ------------------------------------------------------------------------------------


def leg_stress(found: Scene, leg: Leg) -> LegStress:
    """What the waveform asks of one half bridge."""
    wave = found.wave.legs[leg.name]
    node = waveforms.node_voltages(found.operation)[leg.node]
    return LegStress(
        i_turn_on=wave.i_turn_on,
        i_turn_off=wave.i_turn_off,
        v_node=node,
        frequency_edges=wave.frequency_edges,
        i_rms_control=found.wave.position_rms[leg.control],
        i_rms_synchronous=found.wave.position_rms[leg.synchronous],
        inductance=found.operation.inductance,
        temp_board=found.state.temp_board,
        i_mean_synchronous=found.wave.position_mean[leg.synchronous],
        share_blocking=1.0 - found.wave.position_share[leg.synchronous],
    )


def hard_edges(found: Scene, leg: Leg) -> BoolArray:
    """Where no edge of a leg is soft, (n_set, n_lane).

    There a partner without charges makes either transistor coolest; at a soft edge the partner's
    charge could save more at turn-off than it costs. Beside a diode the current never reverses.
    """
    wave = found.wave.legs[leg.name]
    if leg.rectifier == "diode":
        return np.ones(wave.switches.shape, dtype=bool)
    return np.asarray(~wave.switches | ((wave.i_turn_on > 0.0) & (wave.i_turn_off > 0.0)))


def half_bridges(
    found: Scene, leg: Leg, control: Mosfet, synchronous: Mosfet | Diode
) -> HalfBridge:
    """Both switches of a leg; rows of the parameters are sets, or choices under one set."""
    return bridges_under(found.stage, leg_stress(found, leg), control, synchronous)


def bridges_under(
    stage: Stage, stress: LegStress, control: Mosfet, synchronous: Mosfet | Diode
) -> HalfBridge:
    """The same under a stress of its own."""
    shared: dict[str, Any] = {
        "stress": stress,
        "drive": stage.drive,
        "board_k_per_w": np.array(stage.spec.board.board_k_per_w),
        "thermal_gain_max": np.array(stage.spec.limits.thermal_gain_max),
    }
    if isinstance(synchronous, Diode):
        return half_bridge.solve_with_diode(control, synchronous, **shared)
    return half_bridge.solve(control, synchronous, **shared)


def controls(stage: Stage, rows: IntArray, pieces: IntArray) -> Mosfet:
    """Parameters of choices of a control position."""
    return parameters.in_parallel(stage.mosfets, rows, pieces)


def rectifiers(stage: Stage, leg: Leg, rows: IntArray, pieces: IntArray) -> Mosfet | Diode:
    """Parameters of choices of the synchronous position of a leg: transistors, or diodes."""
    if leg.rectifier == "diode":
        return parameters.take(stage.diodes, rows)
    return parameters.in_parallel(stage.mosfets, rows, pieces)


def ideal_rectifier(stage: Stage, leg: Leg) -> Mosfet | Diode:
    """A synchronous partner without loss and charge, for bounds."""
    if leg.rectifier == "diode":
        return parameters.ideal_diode(stage.diodes)
    return parameters.without_charges(stage.mosfets)


@dataclass(frozen=True, slots=True)
class Coil:
    """The inductor of each set, (n_set, n_lane) each.

    Of two coils losses are those of both, the temperature is the hotter one's.
    resistance : of its winding for direct current, hot, in the path of the switched current; of
    two coils none: drops : name of each winding -> its resistance times its mean current [V]
    loss_ac : what the ripple loses beyond that resistance; loss_fed : loss that neither a
    resistance in the path nor a drop carries; i_saturation : switched current it still holds hot
    [A]; gain : its share of the thermal-gain row; core_assumed : core loss stands in for missing
    data, (n_set, 1); temp_windings : name of each winding -> its own [degC]
    """

    loss_copper: FloatArray
    loss_ac: FloatArray
    loss_core: FloatArray
    loss: FloatArray
    temp: FloatArray
    loss_fed: FloatArray
    resistance: FloatArray
    drops: Mapping[str, FloatArray]
    i_saturation: FloatArray
    gain: FloatArray
    core_assumed: FloatArray
    temp_windings: Mapping[str, FloatArray]


def coils(found: Scene) -> Coil:
    """Copper, core, temperature and hot saturation of the inductor, or of both, of each set."""
    stage, wave = found.stage, found.wave
    parts = parameters.take(stage.inductors, found.coil)
    rms, mean = (np.moveaxis(value, -1, 0) for value in (wave.winding_rms, wave.winding_mean))
    square = rms * rms
    frequency = 1.0 / wave.time_pattern
    r_ac = inductor.resistance_ac(
        resistance_ac_300khz=parts.resistance_ac_300khz, frequency=frequency
    )
    loss_ac = inductor.loss_copper_ac(
        i_rms=rms, i_mean=mean, resistance=np.maximum(r_ac - parts.dcr_20, 0.0)
    )
    core = _core(found, parts, wave.i_ripple[..., 0] / len(rms), frequency)
    together = ~np.isnan(parts.coupling) & stage.two_coils
    heat = [square * parts.dcr_20, loss_ac]
    heat = [np.where(together, one.sum(axis=0), one) for one in heat]
    temp = inductor.temp_winding(
        temp_board=found.state.temp_board,
        rth=parts.rth,
        loss_copper_20=heat[0],
        loss_fixed=heat[1] + core,
    )
    factor = inductor.copper_factor(temp_part=temp, temp_reference=np.array(20.0))
    hot = parts.dcr_20 * factor
    copper, ac = (square * hot).sum(axis=0), loss_ac.sum(axis=0)
    core = core * np.where(together, 1.0, float(len(rms)))
    carried = (mean * mean * hot).sum(axis=0) if stage.two_coils else copper
    slope = inductor.COPPER_PER_K * heat[0]
    gain = _gain_single(stage, parts.rth, slope)
    hottest = temp.max(axis=0)
    return Coil(
        loss_copper=copper,
        loss_ac=ac,
        loss_core=core,
        loss=copper + ac + core,
        temp=hottest,
        loss_fed=copper - carried + ac + core,
        resistance=np.zeros_like(copper) if stage.two_coils else hot[0],
        drops=dict(zip(windings(stage.topology), hot * mean, strict=False)),
        i_saturation=inductor.i_saturation_switched(
            i_saturation=_saturation(stage, parts, hottest), share=limit_share(found, parts)
        ),
        gain=np.where(together, gain[0], gain.sum(axis=0)),
        core_assumed=np.isnan(parts.core_loss_reference).astype(np.float64),
        temp_windings=dict(zip(windings(stage.topology) or ("winding",), temp, strict=True)),
    )


def limit_share(found: Scene, parts: parameters.Inductors) -> FloatArray:
    """Most that a winding carries of the switched current at the limit.

    Of two coils the input one carries the duty and the output one the rest of its mean, half of
    its ripple each; windings on one core magnetise it together, like half of the sum in both.
    """
    if not found.stage.two_coils:
        return np.ones((1, 1))
    duty = found.wave.duty_output
    return np.where(np.isnan(parts.coupling), np.maximum(duty, 1.0 - duty), 0.5)


def _core(
    found: Scene, parts: parameters.Inductors, ripple: FloatArray, frequency: FloatArray
) -> FloatArray:
    """Core loss of one piece at the ripple of a winding [W]."""
    alpha = parts.core_loss_exponent_frequency
    core = inductor.loss_core(
        core_loss_reference=parts.core_loss_reference,
        core_loss_exponent_frequency=alpha,
        core_loss_exponent_ripple=parts.core_loss_exponent_ripple,
        frequency=frequency,
        i_ripple=ripple,
        factor_waveform=spectra.flux_factor(found.wave, alpha=alpha)[..., 0],
    )
    unknown = np.isnan(parts.core_loss_reference)
    if unknown.any():
        core = np.where(unknown, _core_unknown(found, parts.dcr_20, ripple, frequency), core)
    return core


def _core_unknown(
    found: Scene, dcr_20: FloatArray, ripple: FloatArray, frequency: FloatArray
) -> FloatArray:
    """Stand-in for a part without core data: hot copper loss, scaled by the ripple."""
    lanes = found.stage.lanes
    full = lanes.full_load & ~lanes.transient
    mean = i_bias(found.wave)
    copper = dcr_20 * inductor.copper_factor(
        temp_part=np.array(100.0), temp_reference=np.array(20.0)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(full, ripple / mean, 0.0).max(axis=1, keepdims=True)
        loss = np.where(full, copper * mean**2, 0.0).max(axis=1, keepdims=True)
        return inductor.loss_core_unknown(
            loss_copper_hot=loss,
            i_ripple=ripple,
            i_ripple_worst=ripple.max(axis=1, keepdims=True),
            ripple_ratio_worst=ratio,
            frequency=frequency,
        )


def _saturation(stage: Stage, parts: parameters.Inductors, temp: FloatArray) -> FloatArray:
    """Current at which the hot part has lost the allowed share; a hard knee keeps its margin."""
    current = inductor.current_at_share(
        share=np.full((len(parts.knee), 1), 1.0 - stage.spec.limits.saturation_drop_max),
        curve_current=parts.curve_current,
        curve_share=parts.curve_share,
    )
    factor = inductor.saturation_factor(
        share_hot=parts.share_hot, temp_part=temp, temp_saturation=parts.temp_saturation
    )
    return inductor.i_saturation_usable(i_saturation=current, factor=factor, knee=parts.knee)


def _gain_single(stage: Stage, rth: FloatArray, slope: FloatArray) -> FloatArray:
    """Share of the thermal-gain row of one part that only heats itself and the board."""
    room = stage.spec.limits.thermal_gain_max - rth * slope
    gain = stage.spec.board.board_k_per_w * slope / np.where(room > 0.0, room, np.nan)
    return np.where(room > 0.0, gain, np.inf)


def branches(found: Scene, node: str, rows: IntArray | None = None) -> bank.Branches:
    """One capacitor of every type at a node of the first set; of `rows` with their own sets."""
    parts, bias = found.stage.capacitors, bank_bias(found.operation, node)
    temp = found.state.temp_board
    if rows is None:
        bias, temp = bias[:1], temp[:1]
    else:
        parts = parameters.take(parts, rows)
    return parameters.branches(parts, lanes=found.stage.lanes, v_bias=bias, temp_board=temp)


def own_banks(
    found: Scene,
    node: str,
    first: IntArray,
    first_pieces: IntArray,
    second: IntArray,
    second_pieces: IntArray,
    *,
    ripple: bool,
) -> bank.Bank:
    """The bank of each set at a node, every set with its own current and board temperature."""
    count = len(first)
    one = branches(found, node, first)
    two = branches(found, node, np.maximum(second, 0))
    both = bank.Branches(
        *(np.concatenate([getattr(one, n), getattr(two, n)]) for n in ("capacitance", "esr", "esl"))
    )
    own = np.arange(count)
    return bank.solve(
        **bank_current(found, node),
        branches=both,
        first=own,
        first_pieces=first_pieces,
        second=np.where(second < 0, -1, own + count),
        second_pieces=second_pieces,
        source=found.stage.source_branch if node == "input" else None,
        ripple=ripple,
    )


def bank_bias(job: Operation, node: str) -> FloatArray:
    """Mean voltage across the bank of a node [V]; between two coils stands the input."""
    return job.v_output if node == "output" else job.v_input


def bank_rms(wave: Waveform, node: str) -> FloatArray:
    """Rms of the current a bank must carry [A]."""
    return {
        "input": wave.i_input_rms_ac,
        "output": wave.i_output_rms_ac,
        "coupling": wave.i_coupling_rms_ac,
    }[node]


def bank_current(found: Scene, node: str) -> dict[str, Any]:
    """Spectrum, fundamental and rms of the current a bank carries, as `bank.solve` takes them."""
    return {
        "harmonics": found.spectrum[node],
        "frequency": 1.0 / found.wave.time_pattern,
        "i_rms_ac": bank_rms(found.wave, node),
    }


@dataclass(frozen=True, slots=True)
class Sense:
    """The sense resistors, (n_set, n_lane) each.

    loss : of all pieces [W]; loss_each : of one [W]; resistance : in the inductor's path [ohm]
    temp : of one piece [degC]; resistance_low, resistance_high : of every group delivered [ohm]
    """

    loss: FloatArray
    loss_each: FloatArray
    resistance: FloatArray
    temp: FloatArray
    resistance_low: FloatArray
    resistance_high: FloatArray


def i_sensed(found: Scene) -> FloatArray:
    """Rms current of the sense resistor: of the coil, or of the switch that two coils share [A]."""
    if not found.stage.two_coils:
        return found.wave.i_rms[..., 0]
    return found.wave.position_rms[found.stage.topology.LEGS[0].control]


def senses(found: Scene, rows: IntArray, pieces: IntArray) -> Sense:
    """Heat and limits of the sense resistors; the largest tolerance in guaranteed lanes."""
    parts = parameters.take(found.stage.resistors, rows)
    count = pieces[:, None].astype(np.float64)
    share = 1.0 + np.where(found.stage.lanes.guaranteed[None, :], parts.tolerance, 0.0)
    each = resistor.loss_piece(
        i_rms=i_sensed(found), resistance=parts.resistance * share, pieces=count
    )
    temp = resistor.temp_part(
        temp_board=found.state.temp_board,
        loss=each,
        power_rating=parts.power_rating,
        temp_power_derating=parts.temp_power_derating,
        temp_part_rating=parts.temp_part_rating,
    )
    spread = {
        "resistance": parts.resistance,
        "resistance_tolerance": parts.tolerance,
        "resistance_drift": parts.drift,
        "resistance_tempco": parts.tempco,
        "temp_part": temp,
        "pieces": count,
    }
    return Sense(
        loss=each * count,
        loss_each=each,
        resistance=parts.resistance * share / count,
        temp=temp,
        resistance_low=resistor.resistance_low(**spread),
        resistance_high=resistor.resistance_high(**spread, resistance_solder=parts.solder),
    )
