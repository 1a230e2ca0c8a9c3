"""The dimming input of a lamp's controller, and the loop that regulates a current."""

from __future__ import annotations

from typing import Any

from optimizer.spec_tables import Key, share, volts
from optimizer.spec_text import Reading, trade

Values = dict[str, Any]

PATH = ("set_points", "dimming")
CURRENT_PATH = ("set_points", "current")

DIMMING_INPUT = (
    Key("levels", "share", "pct", 1e-3, 0.9, many=True),
    share("accuracy", 1e-3, 0.5, default=0.1, why="of each level; common practice"),
    volts("v_reference", 0.2, 20.0),
    share("v_reference_tolerance", 0.0, 0.1, default=0.015, why="a common reference"),
    volts("v_full", 0.1, 20.0),
    volts("v_zero", 0.0, 10.0, default=0.0, why="no current at 0 V"),
    volts("v_offset", 0.0, 0.5, default=5e-3, why="of the input, either way"),
    share("slope_tolerance", 0.0, 0.2, default=0.02, why="of the input"),
    Key("i_bias_max", "current", "ua", 0.0, 1e-4, 1e-7, "of the input, either way"),
)

CURRENT_LOOP = (
    volts("v_sense", 1e-3, 5.0),
    share("v_sense_tolerance", 0.0, 0.2, default=0.02, why="a common current loop"),
    volts("v_offset", 0.0, 0.05, default=1e-3, why="of its amplifier, either way"),
    share("accuracy", 1e-3, 0.5, default=0.05, why="of the full current; common practice"),
    Key("resistors", "count", "pcs", 1, 2, 1, "one alone, never two in parallel"),
)


def read_current(reading: Reading, raw: Any, load: Values) -> Values | None:
    """Fields of `spec_records.CurrentLoop`; None where the section is absent."""
    if raw is None:
        return None
    values = reading.section(raw, CURRENT_PATH, CURRENT_LOOP)
    if load["kind"] == "rail":
        got, need = "a load of kind 'rail'", "a lamp or a charger, whose current is regulated"
        reading.problem(CURRENT_PATH, got=got, need=need, fix="remove the section")
    held, offset = values["v_sense"], values["v_offset"]
    if None not in (held, offset) and offset >= held:
        got = f"{trade(offset, 'voltage')} on {trade(held, 'voltage')}"
        need = "an offset below what is sensed"
        reading.problem((*CURRENT_PATH, "v_offset_mv"), got=got, need=need, fix="correct one")
    return values


def read_dimming(reading: Reading, raw: Any, load: Values) -> Values | None:
    """Fields of `spec_records.DimmingInput`; None where the section is absent."""
    if raw is None:
        return None
    values = reading.section(raw, PATH, DIMMING_INPUT)
    if load["kind"] not in (None, "led-string"):
        got, fix = f"a load of kind {load['kind']!r}", "remove the section"
        reading.problem(PATH, got=got, need="a lamp: kind = 'led-string'", fix=fix)
    if None in values.values():
        return values
    zero, full, feed = (values[name] for name in ("v_zero", "v_full", "v_reference"))
    if zero >= full:
        got = f"{trade(zero, 'voltage')} for no current, {trade(full, 'voltage')} for full"
        reading.problem((*PATH, "v_zero_v"), got=got, need="v_zero < v_full", fix="correct one")
        return values
    if not values["levels"]:
        need = "at least one level"
        reading.problem((*PATH, "levels_pct"), got="an empty list", need=need, fix="name one")
        return values
    top = zero + max(values["levels"]) * (full - zero)
    if feed <= top:
        got, need = trade(feed, "voltage"), f"more than the {trade(top, 'voltage')} of a level"
        fix = "feed the divider from a higher reference"
        reading.problem((*PATH, "v_reference_v"), got=got, need=need, fix=fix)
    return values
