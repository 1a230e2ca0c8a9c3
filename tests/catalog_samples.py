"""Small catalogs of our own for tests: valid rows, written in any style, with cells replaced."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

Row = dict[str, str]

COMMON: Row = {
    "part_number": "T-0",
    "maker": "Tester",
    "series": "S",
    "status": "active",
    "land_pattern": "pads",
    "length_mm": "6",
    "width_mm": "5",
    "height_mm": "1",
    "temp_min_c": "-40",
    "temp_max_c": "125",
    "grade": "industrial",
    "price_breaks_each": "1:0.95 100:0.7 1000:0.52",
    "currency": "EUR",
    "price_date": "2026-05-04",
    "order_minimum_pcs": "1",
    "order_multiple_pcs": "1",
    "stock_pcs": "900",
    "lead_time_weeks": "12",
    "approval": "yes",
    "second_source_group": "G1",
    "data_source": "test",
    "data_revision": "r1",
}

KINDS: dict[str, Row] = {
    "mosfet": {
        "v_drain_source_rating_v": "60",
        "v_gate_source_rating_v": "20",
        "rds_on_10v_typ_mohm": "4",
        "rds_on_10v_max_mohm": "5",
        "rds_on_4v5_typ_mohm": "5.5",
        "rds_on_4v5_max_mohm": "7",
        "rds_on_tempco_typ_pct_per_k": "0.55",
        "v_threshold_min_v": "1.2",
        "v_threshold_typ_v": "1.8",
        "v_threshold_max_v": "2.4",
        "v_plateau_typ_v": "3.1",
        "q_gate_10v_typ_nc": "30",
        "q_gate_10v_max_nc": "38",
        "q_gate_4v5_typ_nc": "15",
        "q_gate_4v5_max_nc": "19",
        "q_gate_source_typ_nc": "8",
        "q_gate_threshold_typ_nc": "5",
        "q_gate_drain_typ_nc": "5",
        "v_gate_drain_test_v": "30",
        "r_gate_typ_ohm": "1.2",
        "r_gate_max_ohm": "1.8",
        "q_output_typ_nc": "35",
        "q_output_max_nc": "45",
        "v_output_test_v": "30",
        "q_recovery_typ_nc": "40",
        "q_recovery_max_nc": "52",
        "i_recovery_test_a": "20",
        "current_slope_test_a_per_us": "100",
        "v_body_diode_typ_v": "0.85",
        "v_body_diode_max_v": "1",
        "rth_junction_case_typ_k_per_w": "1.1",
        "rth_junction_case_max_k_per_w": "1.5",
        "rth_junction_ambient_max_k_per_w": "40",
        "temp_junction_rating_c": "175",
        "i_drain_pulse_rating_a": "200",
    },
    "diode": {
        "v_reverse_rating_v": "60",
        "i_forward_rating_a": "8",
        "i_forward_test_a": "8",
        "v_forward_typ_v": "0.6",
        "v_forward_max_v": "0.66",
        "v_forward_tenth_typ_v": "0.42",
        "v_forward_125c_typ_v": "0.52",
        "i_reverse_typ_ma": "0.01",
        "i_reverse_max_ma": "0.03",
        "i_reverse_125c_typ_ma": "5",
        "i_reverse_125c_max_ma": "12",
        "capacitance_junction_typ_pf": "220",
        "v_junction_test_v": "10",
        "rth_junction_case_typ_k_per_w": "1.5",
        "rth_junction_case_max_k_per_w": "2",
        "rth_junction_ambient_max_k_per_w": "45",
        "temp_junction_rating_c": "150",
    },
    "inductor": {
        "inductance_typ_uh": "10",
        "inductance_tolerance_pct": "20",
        "dcr_typ_mohm": "12",
        "dcr_max_mohm": "14",
        "temp_dcr_c": "25",
        "i_saturation_typ_a": "12",
        "saturation_drop_pct": "20",
        "temp_saturation_c": "25",
        "i_rated_typ_a": "9",
        "temp_rise_rated_k": "40",
        "inductance_bias_a_pct": "0:100 6:95 12:80 18:60",
        "core_class": "composite",
        "core_loss_reference_typ_mw": "12",
        "core_loss_exponent_frequency": "1.3",
        "core_loss_exponent_ripple": "2.3",
        "resistance_ac_300khz_typ_mohm": "200",
        "v_winding_rating_v": "80",
        "temp_part_rating_c": "125",
        "coupling_typ_pct": "",
        "frequency_resonance_min_mhz": "15",
        "shielded": "yes",
    },
    "capacitor": {
        "technology": "ceramic-2",
        "capacitance_typ_uf": "10",
        "capacitance_tolerance_pct": "10",
        "v_rating_v": "50",
        "capacitance_bias_pct_pct": "0:100 25:90 50:65 75:45 100:30",
        "capacitance_temp_drop_pct": "15",
        "capacitance_ageing_pct_per_decade": "3",
        "esr_typ_mohm": "3",
        "esr_max_mohm": "4",
        "esr_m40c_max_mohm": "4",
        "esl_typ_nh": "1",
        "i_ripple_rating_a": "4",
        "temp_ripple_c": "85",
        "frequency_ripple_khz": "100",
        "temp_rise_ripple_k": "20",
        "self_heating_k_per_a2": "0.6",
        "life_rating_h": "",
        "temp_part_rating_c": "125",
        "i_leakage_max_ua": "0.1",
    },
    "resistor": {
        "resistance_typ_mohm": "4.7",
        "resistance_tolerance_pct": "1",
        "resistance_tempco_ppm_per_k": "100",
        "power_rating_w": "2",
        "temp_power_derating_c": "70",
        "temp_part_rating_c": "170",
        "esl_typ_nh": "1",
        "terminals_pcs": "2",
        "resistance_drift_pct": "1",
    },
}


def rows(kind: str, count: int = 3) -> list[Row]:
    """Valid rows that differ by part number only."""
    prefix = kind[0].upper()
    return [COMMON | KINDS[kind] | {"part_number": f"{prefix}-{n}"} for n in range(1, count + 1)]


def changed(kind: str, cells: Mapping[tuple[int, str], str], count: int = 3) -> list[Row]:
    """Valid rows with some cells replaced, keyed by (row from 1, header)."""
    made = rows(kind, count)
    for (row, header), text in cells.items():
        made[row - 1][header] = text
    return made


def text_of(made: Sequence[Row], *, separator: str = ",", order: Sequence[str] = ()) -> str:
    """Rows as CSV; cells are quoted where they hold the separator."""
    headers = list(order) or list(made[0])
    lines = [headers, *([row[header] for header in headers] for row in made)]
    return "\n".join(separator.join(_quoted(c, separator) for c in line) for line in lines) + "\n"


def _quoted(cell: str, separator: str) -> str:
    return f'"{cell}"' if separator in cell else cell


def write(folder: Path, kind: str, made: Sequence[Row], **style: str) -> Path:
    """Write rows as ``<kind>s.csv``."""
    path = folder / f"{kind}s.csv"
    path.write_text(text_of(made, **style), encoding="utf-8")  # type: ignore[arg-type]
    return path
