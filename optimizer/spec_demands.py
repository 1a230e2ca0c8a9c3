"""What each kind of load demands of the stage, and the frequencies that pulses of light allow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from optimizer import loads
from optimizer.load_records import Demand, Dimming, LeadAcid, LedString, Lithium
from optimizer.spec_text import Reading, trade

Values = dict[str, Any]


# --- demands: the nominal one first ---------------------------------------------------------------


def _led_demands(one: LedString, values: Values, ambient: Values) -> tuple[Demand, ...]:
    """Nominal; cold, full current, top bin; hot, dimmed, low bin; one LED shorted."""
    n, full = one.leds, values["i_output"]
    cold, hot = ambient["temp_cold"], ambient["temp_hot"]

    def volts_of(v_led: float, temp: float, pieces: int = n) -> float:
        return pieces * loads.v_led_at(
            v_led=v_led,
            v_led_tempco=one.v_led_tempco,
            temp_junction=temp,
            resistance_led=one.resistance_led,
            i_led=full,
            i_full=full,
        )

    dimmed = one.dimming.analogue_share * full
    low = n * loads.v_led_low(
        v_led=one.v_led_min,
        v_led_tempco=one.v_led_tempco,
        temp_junction=one.temp_led_hot,
        resistance_led=one.resistance_led,
        i_led=dimmed,
        i_full=full,
    )
    found = [
        Demand("nominal", volts_of(one.v_led_typ, 0.5 * (25.0 + one.temp_led_hot)), full),
        Demand("cold, full current, top bin", volts_of(one.v_led_max, cold), full, hot=False),
        Demand("just lit in the hot, top bin", volts_of(one.v_led_max, hot), full, cold=False),
        Demand("hot, full current, low bin", volts_of(one.v_led_min, one.temp_led_hot), full),
    ]
    if dimmed < full:
        found.append(Demand("hot, dimmed, low bin", low, dimmed))
    if n > 1:
        short = volts_of(one.v_led_min, one.temp_led_hot, n - 1)
        found.append(Demand("one LED shorted, hot, low bin", short, full))
    return tuple(found)


def _path(one: LeadAcid | Lithium, current: float) -> float:
    return current * (one.resistance_sense + one.resistance_cable)


def _lead_acid_demands(one: LeadAcid, values: Values, ambient: Values) -> tuple[Demand, ...]:
    """Charge at nominal, cold and hot battery; bulk; deep discharged; one cell shorted; float."""
    n, full, spread = one.cells, values["i_output"], values["v_output_tolerance"]

    def cell(v_cell: float, temp: float) -> float:
        return loads.v_cell_at(
            v_cell=v_cell,
            v_cell_tempco=one.v_cell_tempco,
            temp_battery=temp,
            temp_battery_cold=one.temp_battery_cold,
            temp_battery_hot=one.temp_battery_hot,
        )

    def charge(temp: float) -> float:
        return float(n * cell(one.v_cell_charge, temp) * (1.0 + spread) + _path(one, full))

    nominal = n * cell(one.v_cell_charge, ambient["temp_nominal"]) + _path(one, full)
    cold, hot = one.temp_battery_cold, one.temp_battery_hot
    floated = n * cell(one.v_cell_float, ambient["temp_nominal"])
    found = [
        Demand("charge", nominal, full),
        Demand("end of bulk, cold battery", charge(cold), full, hot=False),
        Demand("end of bulk, hot battery", charge(hot), full, cold=False),
        Demand("bulk", n * one.v_cell_bulk + _path(one, full), full),
        Demand("deep discharged", n * one.v_cell_deep + _path(one, one.i_deep), one.i_deep),
        Demand("float", floated, min(one.i_deep, one.end_share * full)),
    ]
    if n > 1:
        short = (n - 1) * one.v_cell_bulk + _path(one, full)
        found.append(Demand("one cell shorted", short, full))
    return tuple(found)


def _lithium_demands(one: Lithium, values: Values, ambient: Values) -> tuple[Demand, ...]:
    """Constant voltage; constant current from its start; pre-charge from the lowest voltage."""
    n, full, spread = one.cells, values["i_output"], values["v_output_tolerance"]
    path, gentle = _path(one, full), _path(one, one.i_precharge)
    top = n * one.v_cell_charge * (1.0 + spread) + path
    return (
        Demand("constant voltage", n * one.v_cell_charge + path, full),
        Demand("constant voltage, high", top, full),
        Demand("constant current, start", n * one.v_cell_precharge + path, full),
        Demand("pre-charge, start", n * one.v_cell_min + gentle, one.i_precharge),
        Demand("pre-charge, end", n * one.v_cell_precharge + gentle, one.i_precharge),
    )


DEMANDS: dict[str, Callable[[Any, Values, Values], tuple[Demand, ...]]] = {
    "led-string": _led_demands,
    "lead-acid": _lead_acid_demands,
    "lithium": _lithium_demands,
}


# --- frequencies that pulses allow ----------------------------------------------------------------


def dimmed_frequencies(
    reading: Reading, name: str, values: Values, load: Values
) -> tuple[float, ...] | None:
    """Frequencies of a controller at which the shortest pulse holds its cycles."""
    frequencies: Sequence[float] | None = values["frequencies"]
    record, spread = load.get("record"), values["frequency_tolerance"]
    if not isinstance(record, LedString) or not frequencies or spread is None:
        return None if frequencies is None else tuple(frequencies)
    dim = record.dimming
    reach = {
        frequency: loads.pwm_ratio_max(
            frequency=frequency,
            frequency_tolerance=spread,
            pwm_frequency=dim.pwm_frequency,
            cycles_min=float(dim.cycles_min),
        )
        for frequency in frequencies
    }
    kept = tuple(f for f in frequencies if reach[f] >= dim.pwm_ratio * (1.0 - 1e-9))
    if dim.pwm_ratio <= 1.0 or len(kept) == len(frequencies):
        return tuple(frequencies)
    if kept:
        gone = [trade(f, "frequency") for f in frequencies if f not in kept]
        text = (
            f"{', '.join(gone)} left out: the shortest pulse of {dim.pwm_ratio:g}:1 at"
            f" {trade(dim.pwm_frequency, 'frequency')} holds fewer than {dim.cycles_min} cycles"
        )
        reading.note("excluded", ("controllers", name, "frequencies"), text)
        return kept
    _refuse_ratio(reading, dim, max(reach.values()), max(frequencies))
    return tuple(frequencies)


def _refuse_ratio(reading: Reading, dim: Dimming, reach: float, frequency: float) -> None:
    """Say what ratio is honest, and what product of pulses and current would do."""
    rest = dim.pwm_ratio / reach
    slower = dim.pwm_frequency * reach / dim.pwm_ratio
    offer = f"PWM {int(reach)}:1 x analogue {rest:.3g}:1 (analogue_share_pct = {100.0 / rest:.3g})"
    if slower >= 100.0:
        offer += f", or PWM at {int(slower)} Hz (flicker: see the notes)"
    reading.problem(
        ("load", "dimming", "pwm_ratio"),
        got=f"{dim.pwm_ratio:g}:1 at {trade(dim.pwm_frequency, 'frequency')}",
        need=f"at most {reach:.4g}:1, {dim.cycles_min} cycles of {trade(frequency, 'frequency')}"
        " at its tolerance in the shortest pulse",
        fix=offer,
    )
