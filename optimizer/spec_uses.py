"""What the kind of load and of source has to say beside its numbers: cautions and facts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from optimizer import loads
from optimizer.load_records import (
    BatteryBus,
    LeadAcid,
    LedString,
    Lithium,
    SolarModule,
    VehicleBus,
)
from optimizer.records import Note
from optimizer.spec_text import trade

Values = Mapping[str, Any]

BATTERY = (
    "Batteries: fault currents of thousands of amperes, burns by rings and tools, acid, hydrogen or"
    " lithium fire. Fuse the battery close to it, keep polarity, never leave a prototype charging"
    " unattended; the maker's limits and local codes prevail."
)
PACK = (
    "Lithium: an independent protection in the pack is always needed; this stage is never the only"
    " barrier. No charge outside the cell maker's temperatures."
)
SOLAR = (
    "Solar modules are live whenever lit and cannot be switched off at the module; a d.c. arc does"
    " not extinguish itself; the voltage rises in the cold."
)
LAMP = (
    "Lamps: do not stare into the light; optical risk group and heat are not judged here; flicker"
    " and strobe can hurt photosensitive people and hide moving machinery; emergency and escape"
    " lighting is regulated."
)


def use_notes(load: Values, source: Values) -> tuple[Note, ...]:
    """Notes that follow from the kinds of load and source."""
    found: list[Note] = []
    record, feed = load["record"], source["record"]
    if isinstance(record, LedString):
        found += _lamp(record)
        found += _strings(record, load, source)
    if isinstance(record, LeadAcid | Lithium):
        found += _charger(record, load["i_output"])
    if isinstance(feed, SolarModule):
        found.append(Note("caution", "solar", SOLAR))
    if isinstance(feed, BatteryBus) or isinstance(record, LeadAcid | Lithium):
        found.append(Note("caution", "battery", BATTERY))
    if isinstance(feed, VehicleBus):
        text = "unsuppressed load dump is outside a 60 V stage: it needs suppression or a clamp"
        found.append(Note("caution", "vehicle", text))
    return tuple(found)


def _lamp(one: LedString) -> Iterator[Note]:
    yield Note("caution", "lamp", LAMP)
    dim = one.dimming
    if dim.pwm_ratio <= 1.0:
        return
    pulse = 1.0 / (dim.pwm_frequency * dim.pwm_ratio)
    text = (
        f"shortest pulse {trade(float(f'{pulse:.4g}'), 'time')} at"
        f" {trade(dim.pwm_frequency, 'frequency')} and {dim.pwm_ratio:g}:1; with the current down"
        f" to {trade(dim.analogue_share, 'share')} the whole range is"
        f" {dim.pwm_ratio / dim.analogue_share:.4g}:1"
    )
    yield Note("assumed", "dimming", text)
    yield Note("finding", "flicker", flicker_text(dim.pwm_frequency))
    text = "ceramic capacitors may whine at the rate of the pulses; cameras may show bands"
    yield Note("finding", "pulses", text)


def _strings(one: LedString, load: Values, source: Values) -> Iterator[Note]:
    """How many LEDs a stage that steps one way only would need, one LED shorted included."""
    low, high = source["v_min"], max(source["v_max"], source["v_transient_max"])
    if not (load["v_output"] and low):
        return
    volts = [d.v_output for d in load["demands"] if d.i_output < load["i_output"]]
    least = min([one.v_led_min, *(v / one.leds for v in volts)])
    most = max(d.v_output for d in load["demands"]) / one.leds
    up = math.floor(high / least) + 2
    down = math.ceil(min(low, source["v_transient_min"]) / most) - 1
    text = (
        f"from {up} LEDs on step-up alone would do even with one shorted (then up to"
        f" {trade(float(f'{up * most:.4g}'), 'voltage')}, and it cannot part a shorted string from"
        " the source: needs a series disconnect)"
    )
    if down >= 1:
        text += f"; up to {down} LEDs step-down alone"
    yield Note("finding", "re-stringing", text)


def flicker_text(pwm_frequency: float) -> str:
    """Where full modulation lies beside the lines of IEEE 1789.

    >>> flicker_text(1200.0)
    'full modulation at 1.2 kHz: above the low-risk line of 96 %, above the no-effect line of 40 %
    (IEEE Std 1789-2015, from memory)'
    """
    low = loads.flicker_low_risk(pwm_frequency=pwm_frequency)
    none = loads.flicker_no_effect(pwm_frequency=pwm_frequency)
    parts = [
        f"{'above' if line < 1.0 else 'below'} the {name} line"
        + ("" if math.isinf(line) else f" of {min(line, 9.99) * 100.0:.3g} %")
        for name, line in (("low-risk", low), ("no-effect", none))
    ]
    frequency = trade(pwm_frequency, "frequency")
    return f"full modulation at {frequency}: {', '.join(parts)} (IEEE Std 1789-2015, from memory)"


def _charger(one: LeadAcid | Lithium, i_output: float) -> Iterator[Note]:
    if isinstance(one, Lithium):
        yield Note("caution", "lithium", PACK)
    end = one.end_share * i_output
    error = loads.i_end_error(v_sense_offset=one.v_sense_offset, resistance=one.resistance_sense)
    low, high = (trade(float(f"{x:.3g}"), "current") for x in (max(end - error, 0.0), end + error))
    loss = i_output**2 * one.resistance_sense
    text = (
        f"charging ends at {trade(end, 'current')}: with an offset of"
        f" {trade(one.v_sense_offset, 'voltage')} on {trade(one.resistance_sense, 'resistance')} it"
        f" stops between {low} and {high}; twice the resistance halves the error and costs"
        f" {trade(float(f'{loss:.3g}'), 'power')} more at full current"
    )
    yield Note("caution" if error >= end else "assumed", "end of charge", text)
    text = f"{trade(float(f'{loss:.3g}'), 'power')} at full current, counted as output power"
    yield Note("assumed", "charge-current sense", text)
