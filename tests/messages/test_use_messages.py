"""What a malformed load or source is told: place, what came, what is needed, and the remedy."""

from __future__ import annotations

import pytest

from optimizer.errors import InputError, Problem
from optimizer.spec import parse_spec
from tests.use_specs import Data, text_of


def problems_of(load: str, source: str, /, **changes: Data) -> list[str]:
    text = text_of(load, source, **changes)
    with pytest.raises(InputError) as caught:
        parse_spec(text, path="use.toml")
    return [_sentence(problem, text) for problem in caught.value.problems]


def _sentence(problem: Problem, text: str) -> str:
    """The problem with the text of its line instead of the line's number."""
    number = int(problem.place.rsplit(":", 1)[1])
    return str(problem).replace(problem.place, f"<{text.splitlines()[number - 1].strip()}>")


SURGE = {"name": "start", "i_output_a": 6, "time_ms": 300}

CASES: dict[str, tuple[str, str, dict[str, Data], str]] = {
    "unknown kind of load": (
        "led-string",
        "range",
        {"load": {"kind": "led-sting"}},
        "<kind = \"led-sting\"> load.kind: got 'led-sting', need one of rail, led-string,"
        " lead-acid, lithium; did you mean led-string?",
    ),
    "unknown kind of source": (
        "rail",
        "solar",
        {"source": {"kind": "sola"}},
        "<kind = \"sola\"> source.kind: got 'sola', need one of range, solar, battery, vehicle;"
        " did you mean solar?",
    ),
    "bins out of order": (
        "led-string",
        "range",
        {"load": {"v_led_min_v": 3.1}},
        "<v_led_min_v = 3.1> load.v_led_min_v: got 3.1 V above v_led_typ = 2.95 V, need v_led_min"
        " <= v_led_typ; correct one of the two",
    ),
    "LEDs without count": (
        "led-string",
        "range",
        {"load": {"leds_pcs": 8.5}},
        "<leds_pcs = 8.5> load.leds_pcs: got 8.5, need a whole number",
    ),
    "pulses too short": (
        "led-string",
        "range",
        {"load": {"dimming": {"pwm_frequency_hz": 3000, "pwm_ratio": 1000}}},
        "<pwm_ratio = 1000> load.dimming.pwm_ratio: got 1000:1 at 3 kHz, need at most 30.67:1, 3"
        " cycles of 300 kHz at its tolerance in the shortest pulse; PWM 30:1 x analogue 32.6:1"
        " (analogue_share_pct = 3.07)",
    ),
    "pulses too fast, slower would do": (
        "led-string",
        "range",
        {"load": {"dimming": {"pwm_frequency_hz": 3000, "pwm_ratio": 100}}},
        "<pwm_ratio = 100> load.dimming.pwm_ratio: got 100:1 at 3 kHz, need at most 30.67:1, 3"
        " cycles of 300 kHz at its tolerance in the shortest pulse; PWM 30:1 x analogue 3.26:1"
        " (analogue_share_pct = 30.7), or PWM at 920 Hz (flicker: see the notes)",
    ),
    "charge above the cell maker's limit": (
        "lithium",
        "range",
        {"load": {"v_output_tolerance_pct": 2}},
        "<v_cell_charge_v = 3.6> load.v_cell_charge_v: got 3.672 V a cell at its tolerance, need at"
        " most v_cell_limit = 3.65 V; tighten v_output_tolerance_pct to 1.389 % or lower"
        " v_cell_charge_v",
    ),
    "float above charge": (
        "lead-acid",
        "range",
        {"load": {"v_cell_float_v": 2.38, "v_cell_charge_v": 2.35}},
        "<v_cell_float_v = 2.38> load.v_cell_float_v: got 2.38 V above v_cell_charge = 2.35 V, need"
        " v_cell_float <= v_cell_charge; correct one of the two",
    ),
    "over-voltage inside the charge voltage": (
        "lead-acid",
        "range",
        {"load": {"cells_pcs": 24}},
        "<v_overvoltage_min_v = 60> controllers.four-switch.v_overvoltage_min_v: got an"
        " over-voltage limit of 60 V, need more than the highest output 63.8012 V; raise the"
        " over-voltage limit or tighten v_output_tolerance_pct",
    ),
    "power point above open circuit": (
        "rail",
        "solar",
        {"source": {"v_power_v": 39}},
        "<v_power_v = 39> source.v_power_v: got 39 V, not below v_open = 38.4 V, need v_power <"
        " v_open; correct one of the two",
    ),
    "a coefficient of the wrong sign": (
        "rail",
        "solar",
        {"source": {"tempco_open_pct_per_k": 0.31}},
        "<tempco_open_pct_per_k = 0.31> source.tempco_open_pct_per_k: got 0.31 %/K, need -1 %/K to"
        " 0 %/K; correct the value or its unit",
    ),
    "cells out of order": (
        "rail",
        "battery",
        {"source": {"v_cell_min_v": 2.2}},
        "<v_cell_min_v = 2.2> source.v_cell_min_v: got 2.2 V, not below v_cell_typ = 2.1 V, need"
        " v_cell_min < v_cell_typ; correct one of the two",
    ),
    "a cable that eats the battery": (
        "rail",
        "battery",
        {"source": {"resistance_cable_ohm": 1, "v_cell_min_v": 0.8}},
        "<resistance_cable_ohm = 1> source.resistance_cable_ohm: got a drop of 10.8 V at full"
        " power, need less than half of the lowest battery voltage; thicker or shorter cable",
    ),
    "no such vehicle": (
        "rail",
        "vehicle",
        {"source": {"v_system_v": 14}},
        "<v_system_v = 14> source.v_system_v: got 14 V, need 12 V or 24 V",
    ),
    "code of the other vehicle": (
        "rail",
        "vehicle",
        {"source": {"code": "A"}},
        "<code = \"A\"> source.code: got 'A', need a code of a 24 V supply: E, F, G, H",
    ),
    "a transient without its voltage": (
        "rail",
        "range",
        {"source": {"transients": [{"name": "dump", "time_ms": 400}]}},
        "<[[source.transients]]> source.transients[1].v_input_v: got nothing, need 2 V to 200 V;"
        " add v_input_v to [source.transients[1]]",
    ),
    "a surge that is no surge": (
        "rail",
        "range",
        {"load": {"surges": [{"name": "start", "i_output_a": 3, "time_ms": 300}]}},
        "<i_output_a = 3> load.surges[1].i_output_a: got 3 A, need more than the full current 4 A;"
        " leave it out: full load covers it",
    ),
    "a surge above every input": (
        "rail",
        "range",
        {"load": {"surges": [SURGE | {"v_input_min_v": 30}]}},
        "<v_input_min_v = 30> load.surges[1].v_input_min_v: got 30 V, need at most the highest"
        " input 29.4 V; lower it, or leave it out for a surge at every input",
    ),
    "a phase at a voltage the battery never has": (
        "lead-acid",
        "range",
        {
            "mission": {
                "phases": [{"name": "x", "time_h": 1, "load_share_pct": 50, "v_output_v": 40}]
            }
        },
        "<v_output_v = 40> mission.phases[1].v_output_v: got 40 V, need an output of the load,"
        " 18.005 V to 31.9256 V; correct it or [load]",
    ),
    "phases beside loads": (
        "lead-acid",
        "range",
        {
            "mission": {
                "phases": [{"name": "x", "time_h": 1, "load_share_pct": 50}],
                "loads": [{"load_share_pct": 50, "share_pct": 100}],
            }
        },
        "<[[mission.phases]]> mission.phases: got mission.phases beside mission.loads, need phases"
        " or loads, not both; remove one",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_one_damage_is_one_sentence(case: str) -> None:
    load, source, changes, expected = CASES[case]
    assert problems_of(load, source, **changes) == [expected]
