"""A tiny step-down job of invented parts on files, for runs of the whole command."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from optimizer.results import PartSet
from tests import benches, catalog_samples
from tests.oracles import random_cases

Data = dict[str, Any]
Cells = Mapping[str, str]

PARTS: dict[str, dict[str, Cells]] = {
    "mosfet": {
        "M-CHEAP": {
            "rds_on_10v_typ_mohm": "48", "rds_on_10v_max_mohm": "60",
            "rds_on_4v5_typ_mohm": "60", "rds_on_4v5_max_mohm": "75",
            "q_gate_10v_typ_nc": "12", "q_gate_10v_max_nc": "15",
            "q_gate_4v5_typ_nc": "6", "q_gate_4v5_max_nc": "8",
            "q_gate_source_typ_nc": "3", "q_gate_threshold_typ_nc": "2",
            "q_gate_drain_typ_nc": "2", "q_output_typ_nc": "12", "q_output_max_nc": "15",
            "q_recovery_typ_nc": "14", "q_recovery_max_nc": "18",
            "price_breaks_each": "1:0.60 100:0.40",
        },
        "M-MIDDLE": {
            "rds_on_10v_typ_mohm": "18", "rds_on_10v_max_mohm": "22",
            "rds_on_4v5_typ_mohm": "22", "rds_on_4v5_max_mohm": "28",
            "q_gate_10v_typ_nc": "20", "q_gate_10v_max_nc": "25",
            "q_gate_4v5_typ_nc": "10", "q_gate_4v5_max_nc": "13",
            "q_gate_source_typ_nc": "5", "q_gate_threshold_typ_nc": "3",
            "q_gate_drain_typ_nc": "3", "q_output_typ_nc": "20", "q_output_max_nc": "26",
            "q_recovery_typ_nc": "23", "q_recovery_max_nc": "30",
            "price_breaks_each": "1:1.10 100:0.70", "status": "not-for-new",
        },
        "M-FINE": {"price_breaks_each": "1:1.9 100:1.30", "length_mm": "5", "width_mm": "6"},
    },
    "inductor": {
        "L-SMALL": {"height_mm": "3", "price_breaks_each": "1:0.9 100:0.6"},
        "L-LARGE": {
            "length_mm": "10", "width_mm": "10", "height_mm": "5", "inductance_typ_uh": "15",
            "dcr_typ_mohm": "8", "dcr_max_mohm": "9.5", "i_saturation_typ_a": "16",
            "i_rated_typ_a": "13", "core_loss_reference_typ_mw": "6",
            "inductance_bias_a_pct": "0:100 8:95 16:80 24:60",
            "price_breaks_each": "1:2.1 100:1.6",
        },
    },
    "capacitor": {
        "C-TEN": {"price_breaks_each": "1:0.2 100:0.12"},
        "C-TWENTY": {
            "capacitance_typ_uf": "22", "esr_typ_mohm": "2", "esr_max_mohm": "3",
            "esr_m40c_max_mohm": "3", "price_breaks_each": "1:0.5 100:0.34",
        },
    },
    "resistor": {
        "R-FOUR": {"price_breaks_each": "1:0.3 100:0.2"},
        "R-THREE": {"resistance_typ_mohm": "4.3", "price_breaks_each": "1:0.45 100:0.32"},
    },
}  # fmt: skip
"""Kind -> part number -> the cells in which a part differs from the sample of its kind."""

SMALLER: dict[str, dict[str, Any]] = {
    "choice": {
        "objective": "mission",
        "transistors_parallel_max_pcs": 1,
        "bank_pieces_max_pcs": 4,
        "bank_types_max_pcs": 2,
        "resistors_parallel_max_pcs": 1,
    },
    "purchase": {"states_allowed": ["active", "not-for-new", "unknown"], "line_item_each": 8.0},
}


def write_catalogs(
    folder: Path, parts: Mapping[str, Mapping[str, Cells]] = PARTS, **cells: str
) -> None:
    """The catalogs; `cells` replaces a column in every row that has it."""
    folder.mkdir(parents=True, exist_ok=True)
    for kind, rows in parts.items():
        made = []
        for name, own in rows.items():
            row = catalog_samples.rows(kind, 1)[0] | dict(own) | {"part_number": name}
            made.append(row | {key: text for key, text in cells.items() if key in row})
        catalog_samples.write(folder, kind, made)


def spec_data() -> Data:
    """The job as nested tables, ready to be changed."""
    data = copy.deepcopy(benches.DATA)
    data["name"] = "tiny"
    data["catalogs"] = ["parts"]
    for section, values in SMALLER.items():
        data[section] |= values
    return data


def write_spec(folder: Path, data: Data, *, name: str = "tiny") -> Path:
    """The spec as a file beside its catalogs."""
    path = folder / f"{name}.toml"
    path.write_text(random_cases.toml(data), encoding="utf-8")
    return path


def job(folder: Path, **sections: Mapping[str, Any]) -> Path:
    """Spec and catalogs on files; `sections` changes keys of the spec."""
    write_catalogs(folder / "parts")
    data = spec_data()
    for section, values in sections.items():
        data[section] |= dict(values)
    return write_spec(folder, data)


def board(**changes: object) -> PartSet:
    """A set that keeps the limits of the tiny job, with some of it changed."""
    one = PartSet(
        topology="buck",
        frequency=300e3,
        inductor="L-LARGE",
        transistors={"input-high": ("M-FINE", 1), "input-low": ("M-FINE", 1)},
        bank_input=(("C-TEN", 4),),
        bank_output=(("C-TWENTY", 4),),
        sense=("R-FOUR", 1),
    )
    return replace(one, **changes)  # type: ignore[arg-type]
