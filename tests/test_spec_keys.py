"""The list of keys in runs/README.md is that of the tables the reader works from.

``python -m tests.test_spec_keys > runs/README.md`` writes it again.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from optimizer import spec_dimming, spec_loads, spec_sources, spec_tables
from optimizer.spec_tables import FROM_OTHERS, REQUIRED, Key
from optimizer.spec_text import Reading, trade

PAGE = Path(__file__).parents[1] / "runs" / "README.md"

HEAD = """# Specs and runs

`examples/` holds commented specs with their results; `changes.toml` is an example of parts gone or
changed. Below is every key of a spec: what it takes, and what stands in where it is left out
("needed" where nothing does). The suffix is the unit; others of its kind do as well (`_mv` or `_v`,
`_ns` or `_us`). Whatever stood in is printed with the result.

A first spec needs `[source]`, `[load]`, `[ambient]`, one `[controllers.TOPOLOGY]` and `[purchase]`.
"""

SECTIONS: dict[str, tuple[Key, ...]] = {
    "top of the file": spec_tables.TOP,
    "[source]": spec_tables.SOURCE,
    '[source] kind = "solar"': spec_sources.SOLAR,
    '[source] kind = "battery"': spec_sources.BATTERY,
    '[source] kind = "vehicle"': spec_sources.VEHICLE,
    "[[source.transients]]": spec_sources.TRANSIENT,
    '[load] kind = "rail"': spec_tables.LOAD,
    '[load] kind = "led-string"': spec_loads.LED_STRING,
    "[load.dimming] of an LED string": spec_loads.DIMMING,
    '[load] kind = "lead-acid"': spec_loads.LEAD_ACID,
    '[load] kind = "lithium"': spec_loads.LITHIUM,
    "[[load.surges]]": spec_loads.SURGE,
    "[ambient]": spec_tables.AMBIENT,
    "[board]": spec_tables.BOARD,
    "[controllers.TOPOLOGY]": spec_tables.CONTROLLER,
    "[controllers.four-switch.window]": spec_tables.WINDOW,
    "[limits]": spec_tables.LIMITS,
    "[[limits.floors]]": spec_tables.FLOOR,
    "[policy]": spec_tables.POLICY,
    "[purchase]": spec_tables.PURCHASE,
    "[[purchase.exchange_rates]]": spec_tables.EXCHANGE_RATE,
    "[[mission.rows]]": spec_tables.MISSION_ROW,
    "[mission] inputs, each": spec_tables.MISSION_INPUT,
    "[mission] loads, each": spec_tables.MISSION_LOAD,
    "[mission] ambients, each": spec_tables.MISSION_AMBIENT,
    "[[mission.phases]]": spec_tables.MISSION_PHASE,
    "[choice]": spec_tables.CHOICE,
    "[[choice.force]]": spec_tables.FORCE,
    "[faults]": spec_tables.FAULTS,
    "[set_points]": spec_tables.SET_POINTS,
    "[set_points.current] of a lamp or charger": spec_dimming.CURRENT_LOOP,
    "[set_points.dimming] of an LED string": spec_dimming.DIMMING_INPUT,
    "[loop]": spec_tables.LOOP,
    "[life]": spec_tables.LIFE,
}
"""Heading -> keys, in the order of a spec."""

BESIDES = {
    "[choice]": '`same_part = [["input-high", "input-low"]]`: positions that hold one part.\n'
}
"""What no table of keys can hold."""

MEANING = {
    "board_k_per_w": "rise of the board over ambient per watt of total loss",
    "sharing": "current of the hottest of parallel transistors, 100 % is even",
    "ringing_share": "overshoot of the switch nodes over their voltage",
    "frequency_tolerance": "of the oscillator, either way",
    "v_drive_min": "gate drive",
    "v_drive_typ": "gate drive",
    "v_drive_max": "gate drive",
    "r_driver_source": "of the driver while it turns on",
    "r_driver_sink": "of the driver while it turns off",
    "time_dead_on": "before the transistor that takes the current over",
    "time_dead_off": "after it turned off",
    "v_sense_min": "threshold of the current limit over the sense resistor",
    "v_sense_typ": "threshold of the current limit over the sense resistor",
    "v_sense_max": "threshold of the current limit over the sense resistor",
    "time_sense_delay_max": "from threshold to transistor off",
    "i_quiescent": "of the controller, from the input",
    "i_drive_limit": "mean current of the drive regulator",
    "loss_drive_limit": "heat of the drive regulator",
    "cost_each": "of the controller and what belongs to it",
    "ratio_low": "input/output at which the window begins",
    "ratio_high": "input/output at which the window ends",
    "law": "which duty is held in the window",
    "duty": "the duty held",
    "pulse": "where the output pulse lies in the input on-time",
    "frequency_share": "of the switching frequency, each leg in the window",
    "ripple_ratio_max": "coil ripple peak to peak over its mean, at full load",
    "rise_hottest": "of the hottest part over ambient",
    "thermal_gain_max": "of the loop from loss to temperature to loss; 100 % runs away",
    "loss_ceiling": "of the output power, guaranteed set",
    "efficiency": "least efficiency at the point",
    "guaranteed": "asked of limit values instead of typical ones",
    "boards": "built at a time; prices are those of this quantity",
    "placement_each": "for each piece placed",
    "line_item_each": "for each distinct part number of a build",
    "share": "of operating time; all rows together 100 %",
}
"""What a name leaves open."""


def stands_in(key: Key) -> str:
    """What happens where a key is left out."""
    if key.default is REQUIRED:
        return "needed"
    if key.default is FROM_OTHERS:
        return "follows from other keys"
    stood = trade(key.default, key.family)
    return key.why if stood == "none" else f"{stood}: {key.why}"


def lines() -> Iterator[str]:
    """The page, line by line."""
    yield HEAD
    reading = Reading("", "")
    for heading, keys in SECTIONS.items():
        yield f"## {heading}\n"
        yield "| key | takes | left out | what |\n| --- | --- | --- | --- |"
        for key in keys:
            cells = (reading.wanted(key), stands_in(key), MEANING.get(key.name, ""))
            yield f"| `{key.spelling}` | {' | '.join(cells)} |"
        yield f"\n{BESIDES[heading]}" if heading in BESIDES else ""


def test_the_page_lists_the_keys_of_the_tables() -> None:
    assert PAGE.read_text("utf-8") == "\n".join(lines())


def test_every_table_of_keys_is_on_the_page() -> None:
    shown = {id(keys) for keys in SECTIONS.values()}
    for room in (spec_tables, spec_loads, spec_sources):
        for name, value in vars(room).items():
            if isinstance(value, tuple) and value and all(isinstance(k, Key) for k in value):
                fragment = all(any(k in keys for keys in SECTIONS.values()) for k in value)
                assert id(value) in shown or fragment, name


@pytest.mark.parametrize("name", sorted(MEANING))
def test_every_meaning_belongs_to_a_key(name: str) -> None:
    assert any(key.name == name for keys in SECTIONS.values() for key in keys)


def test_a_spec_of_needed_keys_alone_is_read() -> None:
    """What the page calls needed is what the reader asks for, no more."""
    from optimizer.spec import parse_spec

    values = {
        "v_min": 20, "v_nominal": 24, "v_max": 28, "kind": '"rail"', "v_output": 12,
        "i_output": 5, "temp_cold": -10, "temp_hot": 50, "frequencies": "[300]",
        "frequency_tolerance": 10, "v_drive_min": 7, "v_drive_typ": 7.5, "v_drive_max": 8,
        "r_driver_source": 2, "r_driver_sink": 1, "time_dead_on": 25, "time_dead_off": 25,
        "time_on_min": 80, "time_off_min": 200, "v_sense_min": 0.045, "v_sense_typ": 0.05,
        "v_sense_max": 0.055, "time_sense_delay_max": 100, "v_overvoltage_min": 13,
        "v_overvoltage_typ": 13.5, "v_overvoltage_max": 14, "i_quiescent": 2,
        "i_drive_limit": 60, "loss_drive_limit": 1, "cost_each": 1, "boards": 500,
        "placement_each": 0.02, "line_item_each": 40,
    }  # fmt: skip
    text = ""
    for heading in ("[source]", '[load] kind = "rail"', "[ambient]", "[controllers.TOPOLOGY]"):
        text += heading.split("]")[0].replace("TOPOLOGY", "buck") + "]\n"
        for key in SECTIONS[heading]:
            if key.default is REQUIRED:
                text += f"{key.spelling} = {values[key.name]}\n"
    text += "[purchase]\n"
    for key in SECTIONS["[purchase]"]:
        if key.default is REQUIRED:
            text += f"{key.spelling} = {values[key.name]}\n"
    assert parse_spec(text).topologies == ("buck",)


if __name__ == "__main__":
    print("\n".join(lines()), end="")
