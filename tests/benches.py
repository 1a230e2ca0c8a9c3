"""One step-down stage of invented parts with room at every limit: the bench limits are tried on."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from optimizer import assembly, buying, evaluation
from optimizer.assembly import Physics, Sets
from optimizer.catalog import read_catalog
from optimizer.points import points
from optimizer.spec import parse_spec
from optimizer.stage import Stage, build_stage
from optimizer.tables import PartTable
from tests import catalog_samples
from tests.oracles import random_cases

Data = dict[str, Any]

V_INPUT, V_MAX, V_OUTPUT, I_OUTPUT, TEMP_COLD, TEMP_HOT = 24.0, 26.0, 12.0, 3.0, -10.0, 45.0
TOLERANCE, RINGING = 0.02, 0.2

DATA: Data = {
    "name": "bench",
    "topologies": ["buck"],
    "source": {"v_min_v": 22.0, "v_nominal_v": V_INPUT, "v_max_v": V_MAX},
    "load": {"kind": "rail", "v_output_v": V_OUTPUT, "i_output_a": I_OUTPUT},
    "ambient": {"temp_cold_c": TEMP_COLD, "temp_hot_c": TEMP_HOT},
    "board": {"board_k_per_w": 4.0},
    "controllers": {
        "buck": {
            "frequencies_khz": [300],
            "frequency_tolerance_pct": 8,
            "v_drive_min_v": 6.8,
            "v_drive_typ_v": 7.2,
            "v_drive_max_v": 7.6,
            "r_driver_source_ohm": 2,
            "r_driver_sink_ohm": 1,
            "time_dead_on_ns": 30,
            "time_dead_off_ns": 30,
            "time_on_min_ns": 100.0,
            "time_off_min_ns": 100.0,
            "v_sense_min_mv": 45.0,
            "v_sense_typ_mv": 50.0,
            "v_sense_max_mv": 55.0,
            "time_sense_delay_max_ns": 100,
            "v_overvoltage_min_v": 12.8,
            "v_overvoltage_typ_v": 13.2,
            "v_overvoltage_max_v": 13.5,
            "i_quiescent_ma": 1.5,
            "i_drive_limit_ma": 90.0,
            "loss_drive_limit_w": 2.0,
            "cost_each": 1.5,
        }
    },
    "limits": {
        "v_ripple_input_mv": 2000.0,
        "v_ripple_output_mv": 500.0,
        "ripple_ratio_max_pct": 150.0,
        "thermal_gain_max_pct": 60.0,
        "loss_ceiling_pct": 9.0,
        "rise_hottest_k": 90.0,
        "area_max_mm2": 2000.0,
        "height_max_mm": 10.0,
        "floors": [
            {"name": "full load", "v_input_v": V_INPUT, "efficiency_pct": 70.0},
            {
                "name": "half load",
                "v_input_v": V_INPUT,
                "load_share_pct": 50.0,
                "efficiency_pct": 70.0,
            },
            {
                "name": "firm",
                "v_input_v": V_INPUT,
                "efficiency_pct": 70.0,
                "guaranteed": True,
            },
        ],
    },
    "purchase": {
        "boards_pcs": 100,
        "placement_each": 0.01,
        "line_item_each": 10.0,
        "currency": "EUR",
    },
    "mission": {"rows": [{"v_input_v": V_INPUT, "load_share_pct": 60.0, "share_pct": 100.0}]},
    "choice": {"objective": "mission"},
}

CELLS: dict[str, dict[str, str]] = {
    "mosfet": {"q_recovery_typ_nc": "20", "q_recovery_max_nc": "30"},
    "inductor": {"height_mm": "3", "inductance_bias_a_pct": "0:100 6:96 12:85 18:72 26:60"},
    "capacitor": {},
    "resistor": {},
}


@dataclass(frozen=True, slots=True)
class Bench:
    """A spec as data and the tables of a tiny catalog; `sets` is (mosfet, pieces of a bank)."""

    data: Data
    tables: Mapping[str, PartTable]

    def with_spec(self, section: str, key: str, value: Any) -> Bench:
        """The bench with one key of the spec changed; see `random_cases.UPPER` for sections."""
        data = copy.deepcopy(self.data)
        if section == "controller":
            data["controllers"]["buck"][key] = value
            record = data["controllers"]["buck"]
            record["v_sense_typ_mv"] = float(
                np.clip(50.0, record["v_sense_min_mv"], record["v_sense_max_mv"])
            )
        elif section == "floor":
            data["limits"]["floors"][int(key)]["efficiency_pct"] = value
        else:
            data[section][key] = value
        return Bench(data, self.tables)

    def with_part(self, kind: str, **columns: float) -> Bench:
        """The bench with columns of every part of a kind changed, in SI."""
        table = self.tables[kind]
        numbers = dict(table.numbers)
        for column, value in columns.items():
            numbers[column] = np.full(len(table), value)
        return Bench(self.data, dict(self.tables) | {kind: replace(table, numbers=numbers)})

    def with_text(self, kind: str, column: str, text: str) -> Bench:
        """The bench with a text of every part of a kind changed."""
        table = self.tables[kind]
        texts = dict(table.texts) | {column: (text,) * len(table)}
        return Bench(self.data, dict(self.tables) | {kind: replace(table, texts=texts)})

    def stage(self) -> Stage:
        """The stage of the bench."""
        spec = parse_spec(random_cases.toml(self.data))
        return build_stage(spec, "buck", lanes=points(spec, "buck").lanes, tables=self.tables)

    def prices(self) -> buying.Prices:
        """What its parts cost."""
        return buying.prices(self.stage().spec, self.tables)


def bench(folder: Path, cells: Mapping[str, Mapping[str, str]] = CELLS) -> Bench:
    """The bench with parts read from files, `cells` replacing those of the samples."""
    for kind in CELLS:
        rows = catalog_samples.rows(kind, 1)
        rows[0].update(cells.get(kind, {}))
        catalog_samples.write(folder, kind, rows)
    return Bench(DATA, read_catalog([folder]).tables)


def one_set(*, count: int = 1, pieces: int = 3, mosfet_pieces: Sequence[int] = (1, 1)) -> Sets:
    """`count` equal sets of the only parts there are."""
    zero = np.zeros(count, dtype=np.int64)
    many = np.full(count, pieces)
    control, synchronous = (np.full(count, n) for n in mosfet_pieces)
    return Sets(
        frequency=np.full(count, 300e3),
        coil=zero,
        coil_pieces=zero + 1,
        transistor={"input-high": (zero, control), "input-low": (zero, synchronous)},
        bank=dict.fromkeys(("input", "output"), (zero, many, zero - 1, zero)),
        sense=(zero, zero + 1),
    )


def at_sizing(stage: Stage, sets: Sets) -> Physics:
    """The sets at the sizing state, other lanes without loss."""
    scene = evaluation.sizing_scene(stage, sets.frequency, sets.coil)
    return assembly.evaluate(scene, sets)
