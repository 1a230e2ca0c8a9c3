"""Specs of every kind of load and source as nested data, to be changed and read."""

from __future__ import annotations

import copy
from typing import Any

from optimizer.spec import parse_spec
from optimizer.spec_records import Spec
from tests import benches
from tests.oracles import random_cases

Data = dict[str, Any]

WINDOW: Data = {
    "ratio_low_pct": 90,
    "ratio_high_pct": 118,
    "ratio_tolerance_pct": 2,
    "law": "output duty",
    "duty_pct": 20,
    "pulse": "start",
    "frequency_share_pct": 100,
}

LOADS: dict[str, Data] = {
    "rail": {"kind": "rail", "v_output_v": 24, "i_output_a": 4},
    "led-string": {
        "kind": "led-string",
        "leds_pcs": 8,
        "v_led_min_v": 2.65,
        "v_led_typ_v": 2.95,
        "v_led_max_v": 3.25,
        "v_led_tempco_mv_per_k": 0,
        "i_output_a": 2,
    },
    "lead-acid": {"kind": "lead-acid", "cells_pcs": 12, "i_output_a": 5},
    "lithium": {
        "kind": "lithium",
        "cells_pcs": 8,
        "v_output_tolerance_pct": 1,
        "v_cell_charge_v": 3.6,
        "v_cell_limit_v": 3.65,
        "v_cell_precharge_v": 2.5,
        "v_cell_min_v": 2.0,
        "i_output_a": 4,
    },
}

SOURCES: dict[str, Data] = {
    "range": {"v_min_v": 21, "v_nominal_v": 25, "v_max_v": 29.4},
    "solar": {
        "kind": "solar",
        "v_open_v": 38.4,
        "v_power_v": 31.5,
        "i_short_a": 6.4,
        "i_power_a": 5.9,
        "tempco_open_pct_per_k": -0.31,
        "tempco_power_pct_per_k": -0.42,
        "temp_cell_cold_c": -25,
        "temp_cell_hot_c": 70,
    },
    "battery": {
        "kind": "battery",
        "cells_pcs": 12,
        "v_cell_min_v": 1.85,
        "v_cell_typ_v": 2.1,
        "v_cell_max_v": 2.45,
    },
    "vehicle": {"kind": "vehicle", "v_system_v": 24},
}


def data_of(load: str, source: str, /, **changes: Data) -> Data:
    """A four-switch job; `changes` by section, for example load={"cells_pcs": 6}."""
    data = copy.deepcopy(benches.DATA)
    record = data["controllers"].pop("buck")
    volts = {f"v_overvoltage_{end}_v": v for end, v in (("min", 60), ("typ", 62), ("max", 64))}
    data["controllers"]["four-switch"] = {**record, **volts, "window": dict(WINDOW)}
    data["topologies"] = ["four-switch"]
    data["load"] = copy.deepcopy(LOADS[load])
    data["source"] = copy.deepcopy(SOURCES[source])
    data["ambient"] = {"temp_cold_c": -20, "temp_nominal_c": 25, "temp_hot_c": 45}
    data["limits"] = {"v_ripple_input_mv": 2000}
    del data["mission"]
    for section, values in changes.items():
        data[section] = {**data.get(section, {}), **values}
    return data


def text_of(load: str, source: str, /, **changes: Data) -> str:
    """The job as the text of a spec file."""
    return random_cases.toml(data_of(load, source, **changes))


def spec_of(load: str, source: str, /, **changes: Data) -> Spec:
    """The job as read."""
    return parse_spec(text_of(load, source, **changes), path="use.toml")
