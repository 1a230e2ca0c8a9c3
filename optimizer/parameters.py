"""The only column-to-argument map: catalog rows and lanes to the parameters of the physics.

The lane picks the limit (typical for the expected set, minimum or maximum for the guaranteed
one), the spec picks the condition. Every array is (n_part, n_lane) unless said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np

from optimizer.catalog import PartTable
from optimizer.parts import capacitor, diode, inductor, mosfet, resistor, switching
from optimizer.parts.bank import Branches
from optimizer.parts.bridge_records import Drive, Mosfet
from optimizer.parts.diode import Diode
from optimizer.records import BoolArray, FloatArray, IntArray, Lanes
from optimizer.spec_records import Board, Controller, Pads

Record = TypeVar("Record")

TIME_SERVICE = 10 * 365.25 * 86400.0
"""Service time class II ceramics age over in the guaranteed set [s]: ten years, a preset."""

TIME_AGEING_REFERENCE = 24 * 3600.0
"""Age at which the stated capacitance is taken to hold [s]: the safe choice."""

BY_COEFFICIENT = ("ceramic-1", "ceramic-2", "film")
"""Technologies whose heating is stated as kelvin per square ampere."""


def column(table: PartTable, key: str) -> FloatArray:
    """One catalog column, (n_part, 1)."""
    return table.numbers[key][:, None]


def _measured(table: PartTable, key: str) -> FloatArray:
    """One catalog column, NaN where it was filled, (n_part, 1).

    For charges that two mechanisms read from opposite sides: no one value is pessimistic for both,
    and the physics takes the worse end of each where it finds NaN.
    """
    filled = table.filled.get(key, np.zeros(len(table), dtype=bool))
    return np.where(filled[:, None], np.nan, column(table, key))


def pick(
    table: PartTable, quantity: str, guaranteed: BoolArray, *, limit: str = "max"
) -> FloatArray:
    """Typical value in expected lanes, `limit` in guaranteed ones, (n_part, n_lane)."""
    typical = column(table, f"{quantity}_typ")
    return np.where(guaranteed[None, :], column(table, f"{quantity}_{limit}"), typical)


def take(record: Record, rows: IntArray | BoolArray) -> Record:
    """The same record of arrays for some rows of its first axis."""
    kept: dict[str, Any] = {}
    for item in fields(record):  # type: ignore[arg-type]
        value = getattr(record, item.name)
        kept[item.name] = value[rows] if np.ndim(value) and len(value) > 1 else value
    return type(record)(**kept)


# --- transistors ----------------------------------------------------------------------------------


def mosfets(table: PartTable, *, lanes: Lanes, controller: Controller, pads: Pads) -> Mosfet:
    """Parameters of every transistor as one piece; NaN on-resistance where the drive is too low.

    Guaranteed lanes: lowest drive for resistance, highest for charge, charges of the plateau
    scaled by the ratio of the limits of the gate charge (they carry no limit of their own).
    """
    strict = lanes.guaranteed
    low = np.where(strict, controller.v_drive_min, controller.v_drive_typ)[None, :]
    high = np.where(strict, controller.v_drive_max, controller.v_drive_typ)[None, :]
    plateau = column(table, "v_plateau_typ")
    spread = np.where(
        strict[None, :], column(table, "q_gate_10v_max") / column(table, "q_gate_10v_typ"), 1.0
    )
    output = pick(table, "q_output", strict)
    pad = np.array([pads.rth_pad(pattern) for pattern in table.texts["land_pattern"]])[:, None]
    return Mosfet(
        rds_on=mosfet.at_drive(
            v_drive=low,
            at_4v5=pick(table, "rds_on_4v5", strict),
            at_10v=pick(table, "rds_on_10v", strict),
            v_plateau=plateau,
        ),
        rds_on_tempco=column(table, "rds_on_tempco_typ"),
        v_plateau=plateau,
        q_gate=mosfet.q_gate_at_drive(
            v_drive=high,
            at_4v5=pick(table, "q_gate_4v5", strict),
            at_10v=pick(table, "q_gate_10v", strict),
        ),
        q_gate_source=_measured(table, "q_gate_source_typ") * spread,
        q_gate_threshold=_measured(table, "q_gate_threshold_typ") * spread,
        q_gate_drain=column(table, "q_gate_drain_typ") * spread,
        v_gate_drain_test=column(table, "v_gate_drain_test"),
        r_gate=pick(table, "r_gate", strict),
        q_output=output,
        v_output_test=column(table, "v_output_test"),
        q_recovery=np.maximum(pick(table, "q_recovery", strict) - output, 0.0),
        i_recovery_test=column(table, "i_recovery_test"),
        current_slope_test=column(table, "current_slope_test"),
        v_body_diode=pick(table, "v_body_diode", strict),
        rth=mosfet.rth_board(
            rth_junction_case=pick(table, "rth_junction_case", strict), rth_pad=pad
        ),
        pieces=np.ones((len(table.part_number), 1)),
    )


def in_parallel(record: Mosfet, rows: IntArray, pieces: IntArray) -> Mosfet:
    """Rows of transistors, each with its number of parallel pieces, (n_choice, n_lane)."""
    chosen = take(record, rows)
    values = {item.name: getattr(chosen, item.name) for item in fields(chosen)}
    values["pieces"] = pieces[:, None].astype(np.float64)
    return Mosfet(**values)


TEMP_HOLD = 25.0
"""In the guaranteed set the forward voltage of a diode is not taken to fall above this [degC], so
that its loss rises with the state."""


def diodes(table: PartTable, *, lanes: Lanes, pads: Pads) -> Diode:
    """Parameters of every diode; the limit of the forward voltage moves its line as a whole."""
    strict = lanes.guaranteed[None, :]
    at_test = column(table, "v_forward_typ")
    current = column(table, "i_forward_test")
    resistance = diode.resistance_forward(
        v_forward=at_test,
        v_forward_tenth=column(table, "v_forward_tenth_typ"),
        i_forward_test=current,
    )
    hot = pick(table, "i_reverse_125c", lanes.guaranteed)
    test = column(table, "v_junction_test")
    capacitance_junction = column(table, "capacitance_junction_typ")
    pad = np.array([pads.rth_pad(pattern) for pattern in table.texts["land_pattern"]])[:, None]
    return Diode(
        v_forward=pick(table, "v_forward", lanes.guaranteed) - resistance * current,
        v_forward_slope=(at_test - column(table, "v_forward_125c_typ")) / 100.0,
        temp_hold=np.where(strict, TEMP_HOLD, np.inf),
        resistance=resistance,
        i_reverse_125c=hot,
        growth=np.log(hot / pick(table, "i_reverse", lanes.guaranteed)) / 100.0,
        q_output=switching.q_output_from_capacitance(
            capacitance_output=capacitance_junction,
            v_output_test=test,
            v_node=test,
        ),
        v_output_test=test,
        rth=pick(table, "rth_junction_case", lanes.guaranteed) + pad,
        pieces=np.ones((len(table.part_number), 1)),
    )


def ideal_diode(like: Diode) -> Diode:
    """A diode for bounds that loses nothing, (1, n_lane)."""
    zero, one = np.zeros((1, 1)), np.ones((1, 1))
    values = {item.name: zero for item in fields(like)}
    return Diode(**values | {"v_output_test": one, "rth": one, "pieces": one})


def without_charges(like: Mosfet) -> Mosfet:
    """An ideal partner for bounds: no resistance, no charge, no drop, (1, n_lane)."""
    zero, one = np.zeros((1, 1)), np.ones((1, 1))
    values = {item.name: one for item in fields(like)}
    for name in ("rds_on", "rds_on_tempco", "q_gate", "q_gate_source", "q_gate_threshold"):
        values[name] = zero
    for name in ("q_gate_drain", "q_output", "q_recovery", "v_body_diode"):
        values[name] = zero
    return Mosfet(**values)


def drive(*, lanes: Lanes, controller: Controller, board: Board) -> Drive:
    """How every half bridge is driven; in guaranteed lanes the slowest drive, but for recovery."""
    typical = controller.v_drive_typ
    return Drive(
        v_drive=np.where(lanes.guaranteed, controller.v_drive_min, typical),
        v_drive_most=np.where(lanes.guaranteed, controller.v_drive_max, typical),
        r_driver_source=np.array(controller.r_driver_source),
        r_driver_sink=np.array(controller.r_driver_sink),
        r_gate_external=np.array(controller.r_gate_external),
        time_dead_on=np.array(controller.time_dead_on),
        time_dead_off=np.array(controller.time_dead_off),
        inductance_loop=np.array(board.inductance_loop),
        sharing=np.array(board.sharing),
    )


# --- inductors ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Inductors:
    """Parameters of every inductor: (n_part, 1), (n_part, n_knot), dcr_20 (n_part, n_lane).

    dcr_20 : winding resistance at 20 degC; resistance_ac_extra : winding resistance at 300 kHz
    coupling : of two windings on one core, NaN of one winding
    share_hot : saturation current at 100 degC over 25 degC; knee : margin a hard knee must keep
    """

    inductance: FloatArray
    inductance_tolerance: FloatArray
    coupling: FloatArray
    curve_current: FloatArray
    curve_share: FloatArray
    dcr_20: FloatArray
    resistance_ac_300khz: FloatArray
    rth: FloatArray
    core_loss_reference: FloatArray
    core_loss_exponent_frequency: FloatArray
    core_loss_exponent_ripple: FloatArray
    share_hot: FloatArray
    knee: FloatArray
    temp_saturation: FloatArray
    temp_part_rating: FloatArray
    v_winding_rating: FloatArray


def inductors(table: PartTable, *, lanes: Lanes) -> Inductors:
    """Parameters of every inductor; the thermal resistance follows from the rated-current test."""
    current, share = knots(table.curves["inductance_bias"], flat=((0.0, 1.0),))
    classes, coupling = table.texts["core_class"], column(table, "coupling_typ")
    to_20 = inductor.copper_factor(
        temp_part=np.array(20.0), temp_reference=column(table, "temp_dcr")
    )
    return Inductors(
        inductance=column(table, "inductance_typ"),
        inductance_tolerance=column(table, "inductance_tolerance"),
        coupling=coupling,
        curve_current=current,
        curve_share=share,
        dcr_20=pick(table, "dcr", lanes.guaranteed) * to_20,
        resistance_ac_300khz=column(table, "resistance_ac_300khz_typ"),
        rth=inductor.rth_rated(
            temp_rise=column(table, "temp_rise_rated"),
            i_rated=column(table, "i_rated_typ"),
            dcr=column(table, "dcr_typ") * to_20 * np.where(np.isnan(coupling), 1.0, 2.0),
        ),
        core_loss_reference=column(table, "core_loss_reference_typ"),
        core_loss_exponent_frequency=column(table, "core_loss_exponent_frequency"),
        core_loss_exponent_ripple=column(table, "core_loss_exponent_ripple"),
        share_hot=np.array([[inductor.HOT_SHARE[name]] for name in classes]),
        knee=np.array([[inductor.KNEE_MARGIN[name]] for name in classes]),
        temp_saturation=column(table, "temp_saturation"),
        temp_part_rating=column(table, "temp_part_rating"),
        v_winding_rating=column(table, "v_winding_rating"),
    )


# --- capacitors -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Capacitors:
    """What does not depend on the state: (n_part, 1) or (n_part, n_knot).

    share_knots : (share of the rated voltage, share of the capacitance left) of the bias curve
    """

    capacitance: FloatArray
    tolerance: FloatArray
    temp_drop: FloatArray
    ageing: FloatArray
    v_rating: FloatArray
    curve_voltage: FloatArray
    curve_share: FloatArray
    esr_typ: FloatArray
    esr_max: FloatArray
    esr_cold: FloatArray
    esl: FloatArray
    i_ripple_rating: FloatArray
    heating: FloatArray
    temp_part_rating: FloatArray


def knots(
    curves: Sequence[Sequence[tuple[float, float]]], *, flat: tuple[tuple[float, float], ...]
) -> tuple[FloatArray, FloatArray]:
    """Curves padded with NaN to one width; `flat` stands in where a part has none."""
    filled = [curve if len(curve) else flat for curve in curves]
    width = max((len(curve) for curve in filled), default=1)
    table = np.full((2, len(filled), width), np.nan)
    for row, curve in enumerate(filled):
        table[:, row, : len(curve)] = np.array(curve, dtype=np.float64).T
    return table[0], table[1]


def capacitors(table: PartTable) -> Capacitors:
    """Parameters of every capacitor that hold at any state."""
    x, y = knots(table.curves["capacitance_bias"], flat=((0.0, 1.0), (1.0, 1.0)))
    by_coefficient = np.isin(np.array(table.texts["technology"]), BY_COEFFICIENT)[:, None]
    return Capacitors(
        capacitance=column(table, "capacitance_typ"),
        tolerance=column(table, "capacitance_tolerance"),
        temp_drop=column(table, "capacitance_temp_drop"),
        ageing=column(table, "capacitance_ageing"),
        v_rating=column(table, "v_rating"),
        curve_voltage=x,
        curve_share=y,
        esr_typ=column(table, "esr_typ"),
        esr_max=column(table, "esr_max"),
        esr_cold=column(table, "esr_m40c_max"),
        esl=column(table, "esl_typ"),
        i_ripple_rating=column(table, "i_ripple_rating"),
        heating=capacitor.heating_coefficient(
            by_coefficient=by_coefficient,
            self_heating=column(table, "self_heating"),
            temp_rise_ripple=column(table, "temp_rise_ripple"),
            i_ripple_rating=column(table, "i_ripple_rating"),
        ),
        temp_part_rating=column(table, "temp_part_rating"),
    )


def branches(
    parts: Capacitors, *, lanes: Lanes, v_bias: FloatArray, temp_board: FloatArray
) -> Branches:
    """One capacitor of each type at the bias and board temperature of each lane.

    v_bias, temp_board : (n_lane,), or (n_part, n_lane) where each row is its own set
    """
    share = capacitor.share_at_bias(
        v_bias=np.atleast_2d(v_bias),
        v_rating=parts.v_rating,
        curve_voltage=parts.curve_voltage,
        curve_share=parts.curve_share,
    )
    decades = capacitor.ageing_decades(
        time_service=np.array(TIME_SERVICE), time_reference=np.array(TIME_AGEING_REFERENCE)
    )
    least = capacitor.capacitance_guaranteed(
        capacitance=parts.capacitance,
        capacitance_tolerance=parts.tolerance,
        share_bias=share,
        capacitance_temp_drop=parts.temp_drop,
        capacitance_ageing=parts.ageing,
        decades=decades,
    )
    usual = capacitor.capacitance_expected(capacitance=parts.capacitance, share_bias=share)
    strict = lanes.guaranteed[None, :]
    esr = capacitor.esr_at_temperature(
        esr=np.where(strict, parts.esr_max, parts.esr_typ),
        esr_limit=parts.esr_max,
        esr_cold=parts.esr_cold,
        temp_part=np.atleast_2d(temp_board),
    )
    shape = np.broadcast_shapes(share.shape, esr.shape)
    return Branches(
        capacitance=np.broadcast_to(np.where(strict, least, usual), shape),
        esr=np.broadcast_to(esr, shape),
        esl=np.broadcast_to(parts.esl, shape),
    )


def body_area(table: PartTable, margin: float) -> FloatArray:
    """Room one piece of each part takes on the board, margin on every side [m2], (n_part,)."""
    length, width = table.numbers["length"], table.numbers["width"]
    return np.asarray((length + 2.0 * margin) * (width + 2.0 * margin))


# --- sense resistors ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Resistors:
    """Parameters of every sense resistor, (n_part, 1) each."""

    resistance: FloatArray
    tolerance: FloatArray
    drift: FloatArray
    tempco: FloatArray
    solder: FloatArray
    power_rating: FloatArray
    temp_power_derating: FloatArray
    temp_part_rating: FloatArray
    esl: FloatArray


def resistors(table: PartTable) -> Resistors:
    """Parameters of every sense resistor."""
    return Resistors(
        resistance=column(table, "resistance_typ"),
        tolerance=column(table, "resistance_tolerance"),
        drift=column(table, "resistance_drift"),
        tempco=column(table, "resistance_tempco"),
        solder=resistor.solder_error(terminals=column(table, "terminals")),
        power_rating=column(table, "power_rating"),
        temp_power_derating=column(table, "temp_power_derating"),
        temp_part_rating=column(table, "temp_part_rating"),
        esl=column(table, "esl_typ"),
    )
