"""Where the numbers of the transistors come from: each at its hottest operating point."""

from __future__ import annotations

from collections.abc import Generator, Iterator

import numpy as np

from optimizer import parameters
from optimizer.conclude_derivations_diode import diode_derivations
from optimizer.conclude_inputs import Source
from optimizer.limits import steady
from optimizer.parts import mosfet
from optimizer.parts.bridge_records import Mosfet, Position
from optimizer.records import DIODES, FloatArray, Leg
from optimizer.results_evidence import PRESET, Derivation, Input

EDGE_CELLS = "typical charges, scaled by the ratio of the limits of the gate charge"


def leg_derivations(source: Source, leg: Leg) -> Iterator[Derivation]:
    """Both switches of a half bridge."""
    bridge = source.result.bridges[leg.name]
    for name, position in ((leg.control, bridge.control), (leg.synchronous, bridge.synchronous)):
        if name in DIODES:
            yield from diode_derivations(source, leg, position)
        else:
            yield from _transistor(source, leg, name, position)


def _transistor(source: Source, leg: Leg, name: str, position: Position) -> Iterator[Derivation]:
    stage = source.stage
    row, pieces = source.one.transistor[name]
    lane = source.worst(source.row(position.temp_junction), steady(stage))
    part = parameters.take(stage.mosfets, np.array([row]))

    def of_part(values: FloatArray) -> float:
        return float(np.broadcast_to(values, (1, len(stage.lanes)))[0, lane])

    def of(values: FloatArray) -> float:
        return float(source.row(values)[lane])

    count = Input("pieces", float(pieces), "1", "stated", "parts list")
    yield from _channel(source, name, position, lane, of_part(part.rds_on), count)
    yield from _heat(source, name, position, lane, part, count)
    wave = source.result.scene.wave.legs[leg.name]
    if not source.row(wave.frequency_edges)[lane] > 0.0:
        return
    if name == leg.control and of(wave.i_turn_on) > 0.0:
        yield from _turn_on(source, leg, lane, part, pieces, of(position.loss_turn_on))
        if leg.synchronous not in DIODES:
            yield from _recovery(source, leg, lane, of(position.loss_recovery))
    low = bool(stage.lanes.guaranteed[lane])
    drive = stage.controller.v_drive_max if low else stage.controller.v_drive_typ
    frequency = of(wave.frequency_edges)
    gate = source.spec("v_drive", drive, "V", "controller v_drive")
    yield source.derivation(
        "mosfet.q_gate_at_drive",
        name,
        "gate charge at the drive voltage",
        lane,
        of_part(part.q_gate),
        *_two(source, row, "q_gate", "C", lane),
        gate,
    )
    yield source.derivation(
        "mosfet.i_drive",
        name,
        "gate current",
        lane,
        of(position.i_drive),
        count,
        source.computed("q_gate", of_part(part.q_gate), "C", "row above"),
        source.computed("frequency_edges", frequency, "Hz", "frequency with tolerance"),
    )


def _two(source: Source, row: int, quantity: str, unit: str, lane: int) -> tuple[Input, Input]:
    """The 4.5 V and the 10 V cell of a quantity."""
    low, high = (
        source.lane_cell("mosfet", row, f"{quantity}_{volts}", f"at_{volts}", unit, lane)
        for volts in ("4v5", "10v")
    )
    return low, high


def _channel(
    source: Source, name: str, position: Position, lane: int, rds_on: float, count: Input
) -> Iterator[Derivation]:
    """On-resistance at the drive voltage, hot, and the conduction loss."""
    stage, row = source.stage, source.one.transistor[name][0]
    strict = bool(stage.lanes.guaranteed[lane])
    control = stage.controller
    drive = control.v_drive_min if strict else control.v_drive_typ
    cells = _two(source, row, "rds_on", "ohm", lane)
    if all(np.isfinite(cell.value) for cell in cells):
        yield source.derivation(
            "mosfet.at_drive",
            name,
            "on-resistance at the drive voltage, 25 degC",
            lane,
            rds_on,
            *cells,
            source.spec("v_drive", drive, "V", "controller v_drive"),
        )
    yield from _conduction(source, name, position, lane, rds_on, count)


def _conduction(
    source: Source, name: str, position: Position, lane: int, rds_on: float, count: Input
) -> Iterator[Derivation]:
    row = source.one.transistor[name][0]
    temp = float(source.row(position.temp_average)[lane])
    tempco = source.cell("mosfet", row, "rds_on_tempco_typ", "rds_on_tempco", "1/K")
    factor = float(
        mosfet.resistance_factor(rds_on_tempco=np.array(tempco.value), temp_junction=np.array(temp))
    )
    yield source.derivation(
        "mosfet.resistance_factor",
        name,
        "resistance over 25 degC",
        lane,
        factor,
        tempco,
        source.computed("temp_junction", temp, "degC", "average piece"),
    )
    resistance = float(source.row(position.resistance)[lane])
    yield source.derivation(
        "mosfet.resistance_hot",
        name,
        "resistance, hot",
        lane,
        resistance,
        source.computed("rds_on", rds_on, "ohm", "at the drive voltage"),
        count,
        source.computed("factor", factor, "1", "row above"),
    )
    loss = float(source.row(position.loss_conduction)[lane])
    yield source.derivation(
        "mosfet.loss_conduction",
        name,
        "conduction loss",
        lane,
        loss,
        source.computed(
            "i_rms",
            _channel_rms(source, name, lane),
            "A",
            "waveform; of a synchronous transistor without the dead times",
        ),
        source.computed("resistance", resistance, "ohm", "row above"),
    )


def _channel_rms(source: Source, name: str, lane: int) -> float:
    """Rms current of the channel: the dead times of a synchronous transistor are taken off."""
    found, drive = source.result.scene, source.stage.drive
    square = float(source.row(found.wave.position_rms[name])[lane]) ** 2
    for leg in source.stage.topology.LEGS:
        if leg.synchronous == name:
            wave = found.wave.legs[leg.name]
            on, off, edges = (
                float(source.row(x)[lane])
                for x in (wave.i_turn_on, wave.i_turn_off, wave.frequency_edges)
            )
            dead = on**2 * float(drive.time_dead_on) + off**2 * float(drive.time_dead_off)
            square = max(square - edges * dead, 0.0)
    return float(np.sqrt(square))


def _heat(
    source: Source,
    name: str,
    position: Position,
    lane: int,
    part: Mosfet,
    count: Input,
) -> Iterator[Derivation]:
    """Thermal resistance and junction temperature of the hottest piece."""
    stage, row, pieces = source.stage, source.one.transistor[name][0], count.value
    pattern = stage.tables["mosfet"].texts["land_pattern"][row]
    pad = Input("rth_pad", stage.spec.pads.rth_pad(pattern), "K/W", PRESET, f"pad of {pattern}")
    case = source.lane_cell("mosfet", row, "rth_junction_case", "rth_junction_case", "K/W", lane)
    rth = float(np.broadcast_to(part.rth, (1, len(stage.lanes)))[0, lane])
    yield source.derivation("mosfet.rth_board", name, "junction to board", lane, rth, case, pad)
    temp = float(source.row(position.temp_junction)[lane])
    rds_on = float(np.broadcast_to(part.rds_on, (1, len(stage.lanes)))[0, lane])
    uneven = float(stage.drive.sharing) ** 2 if pieces > 1 else 1.0
    factor = float(
        mosfet.resistance_factor(
            rds_on_tempco=part.rds_on_tempco[0], temp_junction=np.array(temp)
        ).item()
    )
    channel = _channel_rms(source, name, lane) ** 2 * rds_on / pieces**2 * uneven * factor
    loss = channel + float(source.row(position.loss_charge)[lane]) / pieces
    text = (
        "conduction + edges of this position"
        if pieces == 1
        else (f"hottest piece: {float(stage.drive.sharing):g} x the mean current, its own edges")
    )
    yield source.derivation(
        "board.temp_over",
        name,
        "junction temperature",
        lane,
        temp,
        source.board(lane, "temp_reference"),
        source.computed("rth", rth, "K/W", "row above"),
        source.computed("loss", loss, "W", text),
    )


def _turn_on(
    source: Source, leg: Leg, lane: int, part: Mosfet, pieces: int, loss: float
) -> Iterator[Derivation]:
    """Gate current, switch charge and overlap energy of the control transistor."""
    stage, name = source.stage, leg.control
    row = source.one.transistor[name][0]
    drive, width = stage.drive, (1, len(stage.lanes))

    def at(values: FloatArray) -> float:
        return float(np.broadcast_to(values, width)[0, lane])

    inner = at(part.r_gate)
    gate = pieces * float(drive.r_driver_source) + inner + float(drive.r_gate_external)
    v_drive, plateau = at(drive.v_drive), at(part.v_plateau)
    current = (v_drive - plateau) / gate
    yield source.derivation(
        "mosfet.i_gate_on",
        name,
        "gate current on the plateau",
        lane,
        current,
        source.spec("v_drive", v_drive, "V", "controller v_drive"),
        source.cell("mosfet", row, "v_plateau_typ", "v_plateau", "V"),
        source.computed(
            "resistance_gate",
            gate,
            "ohm",
            f"driver x pieces, external, {source.cell_name('mosfet', row, 'r_gate_typ')}",
        ),
    )
    charges = (at(part.q_gate_source), at(part.q_gate_threshold), at(part.q_gate_drain))
    yield from _overlap(source, leg, lane, charges, current, loss)


def _overlap(
    source: Source,
    leg: Leg,
    lane: int,
    charges: tuple[float, float, float],
    current: float,
    loss: float,
) -> Iterator[Derivation]:
    """Switch charge and energy of a turn-on; `charges` : to plateau, to threshold, of plateau."""
    name, wave = leg.control, source.result.scene.wave.legs[leg.name]
    row = source.one.transistor[name][0]
    v_node = float(source.row(wave.v_node)[lane])
    plateau_charge = mosfet.q_to_plateau(
        q_gate_source=np.array(charges[0]),
        q_gate_threshold=np.array(charges[1]),
        q_gate_drain=np.array(charges[2]),
    )
    drain = charges[2]
    test = source.cell("mosfet", row, "v_gate_drain_test", "v_gate_drain_test", "V")
    charge = drain * float(np.sqrt(v_node / test.value)) + float(plateau_charge)
    yield source.derivation(
        "mosfet.q_switch",
        name,
        "switch charge",
        lane,
        charge,
        source.computed(
            "q_gate_drain",
            drain,
            "C",
            f"{source.cell_name('mosfet', row, 'q_gate_drain_typ')}; {EDGE_CELLS}",
        ),
        test,
        source.computed(
            "q_plateau",
            float(plateau_charge),
            "C",
            f"q_gate_source less q_gate_threshold; {EDGE_CELLS}",
        ),
        source.computed("v_node", v_node, "V", f"{source.node_words(leg.node)} of the point"),
    )
    frequency = float(source.row(wave.frequency_edges)[lane])
    yield source.derivation(
        "switching.energy_overlap",
        name,
        "energy of a turn-on",
        lane,
        loss / frequency,
        source.computed("v_node", v_node, "V", f"{source.node_words(leg.node)} of the point"),
        source.computed("i_edge", source.row(wave.i_turn_on)[lane], "A", "waveform, valley"),
        source.computed("time_edge", charge / current, "s", "switch charge over gate current"),
    )


def _recovery(source: Source, leg: Leg, lane: int, loss: float) -> Iterator[Derivation]:
    """Recovery loss of the partner's diode, and its charge from the test of the catalog."""
    stage, found = source.stage, source.result.scene
    wave, bridge = found.wave.legs[leg.name], source.result.bridges[leg.name]
    v_node, edges, current, peak = (
        float(source.row(x)[lane])
        for x in (wave.v_node, wave.frequency_edges, wave.i_turn_on, bridge.i_recovery)
    )
    row, pieces = source.one.transistor[leg.synchronous]
    part = parameters.take(stage.mosfets, np.array([row]))
    test = float(np.broadcast_to(part.q_recovery, (1, len(stage.lanes)))[0, lane])
    if not (test > 0.0 and peak > 0.0):
        return
    charge = loss / (v_node * edges)
    slope = peak**2 / (2.0 * charge)
    cool = yield from _recovery_cool(source, leg.synchronous, lane, test, slope, current)
    partner = f"of {leg.synchronous}"
    dead = stage.controller.time_dead_on
    temp = float(source.row(bridge.synchronous.temp_junction)[lane])
    yield source.derivation(
        "switching.q_recovery_hot",
        leg.synchronous,
        "recovery charge, hot",
        lane,
        charge,
        source.computed("q_recovery", pieces * cool, "C", "row above, all pieces"),
        source.computed("temp_junction", temp, "degC", partner),
        source.computed("i_turn_on", current, "A", "waveform, valley"),
        source.spec("time_dead_on", dead, "s", "controller time_dead_on"),
    )
    yield source.derivation(
        "switching.loss_recovery",
        leg.control,
        "recovery loss of the partner's diode",
        lane,
        loss,
        source.computed("v_node", v_node, "V", f"{source.node_words(leg.node)} of the point"),
        source.computed("q_recovery", charge, "C", "row above"),
        source.computed("frequency_edges", edges, "Hz", "frequency with tolerance"),
    )


def _recovery_cool(
    source: Source, name: str, lane: int, test: float, slope: float, current: float
) -> Generator[Derivation, None, float]:
    """Recovery charge of one piece at 25 degC, scaled from its test."""
    row, pieces = source.one.transistor[name]
    diode = source.cell("mosfet", row, "i_recovery_test", "i_recovery_test", "A")
    speed = source.cell("mosfet", row, "current_slope_test", "current_slope_test", "A/s")
    cool = test * float(np.sqrt(slope / pieces / speed.value * current / pieces / diode.value))
    yield source.derivation(
        "switching.q_recovery_25",
        name,
        "recovery charge of one, 25 degC",
        lane,
        cool,
        source.computed(
            "q_recovery",
            test,
            "C",
            f"{source.cell_name('mosfet', row, 'q_recovery_typ')} less q_output",
        ),
        source.computed("slope", slope / pieces, "A/s", "current slope of the edge, a piece"),
        speed,
        source.computed("i_turn_on", current / pieces, "A", "waveform, valley, a piece"),
        diode,
    )
    return cool
