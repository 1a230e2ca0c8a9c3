"""Any CSV export to catalog rows: units, combined cells, prices, words, and every bad cell told."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.catalog import read_catalog
from optimizer.cells import CellError
from optimizer.columns import columns_of
from optimizer.errors import InputError
from optimizer.mapping import ColumnMap, Imported, convert, pattern_of, read_mapping
from optimizer.mapping_values import letter_code, number_in
from optimizer.spec import CATALOGS
from optimizer.units import UNITS
from tests import catalog_samples

COLUMNS = {kind: {c.header: c for c in columns_of(kind)} for kind in ("mosfet", "resistor")}
COLUMNS["capacitor"] = {c.header: c for c in columns_of("capacitor")}
COLUMNS["inductor"] = {c.header: c for c in columns_of("inductor")}

VALUES = [
    ("mosfet", "rds_on_10v_max_mohm", "4.7 mOhm", 4.7),
    ("mosfet", "rds_on_10v_max_mohm", "0.0047 Ohms", 4.7),
    ("mosfet", "rds_on_10v_max_mohm", "4.7mΩ", 4.7),
    ("mosfet", "v_drain_source_rating_v", "80V", 80.0),
    ("mosfet", "v_drain_source_rating_v", "0.08 kV", 80.0),
    ("mosfet", "v_gate_source_rating_v", "±20V", 20.0),
    ("mosfet", "q_gate_10v_typ_nc", "0.021 µC", 21.0),
    ("mosfet", "temp_junction_rating_c", "175 °C", 175.0),
    ("mosfet", "temp_junction_rating_c", "347 degF", 175.0),
    ("mosfet", "temp_junction_rating_c", "448.15 K", 175.0),
    ("mosfet", "rth_junction_case_max_k_per_w", "1.6 °C/W", 1.6),
    ("mosfet", "rth_junction_case_max_k_per_w", "1.6 K/W", 1.6),
    ("mosfet", "current_slope_test_a_per_us", "100 A/µs", 100.0),
    ("mosfet", "lead_time_weeks", "14 days", 2.0),
    ("mosfet", "length_mm", "0.5 cm", 5.0),
    ("mosfet", "stock_pcs", "1,200 pcs", 1200.0),
    ("capacitor", "capacitance_typ_uf", "4700 pF", 0.0047),
    ("capacitor", "capacitance_typ_uf", "4n7", 0.0047),
    ("capacitor", "life_rating_h", "2,000 hrs", 2000.0),
    ("inductor", "temp_rise_rated_k", "40 °C", 40.0),
    ("inductor", "inductance_typ_uh", "0.01 mH", 10.0),
    ("resistor", "resistance_typ_mohm", "R010", 10.0),
    ("resistor", "resistance_tolerance_pct", "±1%", 1.0),
    ("resistor", "resistance_tempco_ppm_per_k", "±75ppm/°C", 75.0),
    ("resistor", "power_rating_w", "500 mW", 0.5),
]


@pytest.mark.parametrize(("kind", "header", "text", "value"), VALUES)
def test_values_in_any_unit(kind: str, header: str, text: str, value: float) -> None:
    assert number_in(text, COLUMNS[kind][header]) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "symbol", "value"),
    [
        ("4R7", "ohm", 4.7),
        ("R47", "ohm", 0.47),
        ("4K7", "ohm", 4700.0),
        ("1M0", "ohm", 1e6),
        ("59R04", "ohm", 59.04),
        ("p33", "uf", 0.33e-12),
        ("3p32", "uf", 3.32e-12),
        ("3n32", "uf", 3.32e-9),
        ("590n", "uf", None),
        ("4.7", "ohm", None),
    ],
)
def test_letter_codes(text: str, symbol: str, value: float | None) -> None:
    """Codes for resistance and capacitance: IEC 60062, its examples from memory."""
    found = letter_code(text, UNITS[symbol])
    assert found == (None if value is None else pytest.approx(value, rel=1e-12))


def test_the_other_decimal_mark() -> None:
    column = COLUMNS["mosfet"]["v_drain_source_rating_v"]
    assert number_in("1.200,5 V", column, decimal=",") == pytest.approx(1200.5)
    assert number_in("1,200.5 V", column) == pytest.approx(1200.5)
    assert number_in("80", column, unit="V") == 80.0


@pytest.mark.parametrize(
    ("header", "text", "told"),
    [
        ("rds_on_10v_max_mohm", "4.7", "a unit of mohm"),
        ("q_gate_10v_typ_nc", "21", 'unit = "nC"'),
        ("rds_on_10v_max_mohm", "4.7 V", "a unit of mohm"),
        ("rds_on_10v_max_mohm", "4.7 mOhm @ 20 A", "map the part of the cell"),
        ("rds_on_10v_max_mohm", "low", "a number in mohm"),
        ("v_drain_source_rating_v", "40-60 V", "a unit of V"),
        ("q_gate_10v_typ_nc", "21 wombats", "a unit of nC"),
    ],
)
def test_values_that_cannot_be_read(header: str, text: str, told: str) -> None:
    with pytest.raises(CellError) as error:
        number_in(text, COLUMNS["mosfet"][header])
    assert told in f"{error.value.need}; {error.value.fix}"


def test_patterns_allow_blanks_anywhere() -> None:
    pattern = pattern_of("{value} @ {current}, {drive}")
    for text in ("4.7 mOhm @ 20 A, 10 V", "4.7mOhm@20A,10V", " 4.7 mOhm  @ 20 A , 10 V "):
        match = pattern.fullmatch(text)
        assert match is not None
        assert match["drive"].replace(" ", "") == "10V"
    assert pattern.fullmatch("4.7 mOhm") is None
    assert pattern_of("{value} ({})").fullmatch("175 °C (TJ)") is not None


# --- whole files ----------------------------------------------------------------------------------

SHIPPED = CATALOGS / "import"
MAP = (SHIPPED / "stock_list.toml").read_text("utf-8")
EXPORT = (SHIPPED / "stock_list.csv").read_text("utf-8")


def files(folder: Path, export: str = EXPORT, mapping: str = MAP) -> tuple[Path, ColumnMap]:
    (folder / "map.toml").write_text(mapping, encoding="utf-8")
    path = folder / "export.csv"
    path.write_text(export, encoding="utf-8")
    return path, read_mapping(folder / "map.toml")


def rows_of(found: Imported) -> dict[str, dict[str, str]]:
    head, *body = [line.split(",") for line in found.text.splitlines()]
    return {cells[0]: dict(zip(head, cells, strict=True)) for cells in body}


def test_an_export_becomes_catalog_rows(tmp_path: Path) -> None:
    found = convert(*files(tmp_path))
    assert (found.rows_read, found.rows_written, found.rows_left_out) == (4, 3, 1)
    rows = rows_of(found)
    one, two = rows["T-1"], rows["T-2"]
    assert one["rds_on_10v_max_mohm"] == "4.7"
    assert one["rds_on_4v5_max_mohm"] == ""
    assert one["price_breaks_each"] == "1:1.2 100:0.95"
    assert one["price_date"] == "2026-11-03"
    assert one["status"] == "active"
    assert (one["v_drain_source_rating_v"], two["v_drain_source_rating_v"]) == ("80", "100")
    assert two["price_breaks_each"] == "1:1020.5"
    assert two["height_mm"] == "1"
    assert two["q_gate_10v_typ_nc"] == "18"
    assert two["rth_junction_case_max_k_per_w"] == "1.8"


def test_every_cell_that_cannot_be_read_is_told_by_row(tmp_path: Path) -> None:
    found = convert(*files(tmp_path))
    told = {(p.place.rsplit(":", 1)[1], p.name) for p in found.problems}
    row = "6"
    assert told == {
        (row, "State -> status"),
        (row, "Body -> length_mm"),
        (row, "Body -> width_mm"),
        (row, "Body -> height_mm"),
        (row, "price_breaks_each"),
        (row, "Quoted -> price_date"),
        (row, "Voltage -> v_drain_source_rating_v"),
        (row, "Ron -> rds_on_10v_max_mohm"),
        (row, "Ron -> rds_on_4v5_max_mohm"),
        (row, "Thermal -> rth_junction_case_max_k_per_w"),
        (row, "Charge -> q_gate_10v_typ_nc"),
        ("7", "part_number"),
    }
    text = str(next(p for p in found.problems if p.name.startswith("State")))
    assert text == (
        f"{tmp_path.as_posix()}/export.csv:6 State -> status: got 'Gone', "
        "need one of Made, Ending; add it to the words of status"
    )
    assert set(rows_of(found)["T-3"].values()) >= {"T-3", "Vorlan", ""}


def test_the_rows_are_read_as_a_catalog(tmp_path: Path) -> None:
    """What is written goes through the reader of catalogs; what was mapped arrives in SI."""
    sample = catalog_samples.rows("resistor", 3)
    head = list(sample[0])
    units = {"resistance_typ_mohm": "mOhm", "power_rating_w": "W"}
    export = [",".join(f"X {name}" for name in head)]
    export += [
        ",".join(f'"{row[name]} {units.get(name, "")}"'.replace(' "', '"') for name in head)
        for row in sample
    ]
    columns = [
        f'{name} = {{ from = "X {name}"'
        + ("" if COLUMNS["resistor"][name].form != "prices" else ", verbatim = true")
        + (f', unit = "{COLUMNS["resistor"][name].units[0].label}"' if numeric(name) else "")
        + " }"
        for name in head
    ]
    mapping = 'kind = "resistor"\n[columns]\n' + "\n".join(columns)
    (tmp_path / "export.csv").write_text("\n".join(export), encoding="utf-8")
    (tmp_path / "map.toml").write_text(mapping, encoding="utf-8")
    found = convert(tmp_path / "export.csv", read_mapping(tmp_path / "map.toml"))
    assert found.problems == ()
    out = tmp_path / "resistors-own.csv"
    out.write_text(found.text, encoding="utf-8")
    (tmp_path / "plain").mkdir()
    catalog_samples.write(tmp_path / "plain", "resistor", sample)
    mine = read_catalog([out]).tables["resistor"]
    plain = read_catalog([tmp_path / "plain"]).tables["resistor"]
    assert mine.part_number == plain.part_number
    assert mine.price_breaks == plain.price_breaks
    for key, values in plain.numbers.items():
        assert mine.numbers[key] == pytest.approx(values, nan_ok=True, rel=1e-9), key


def numeric(name: str) -> bool:
    column = COLUMNS["resistor"][name]
    return column.form == "number" and bool(column.units[0].label)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (('kind = "mosfet"', 'kind = "fet"'), "kind: got 'fet', need one of mosfet"),
        (("[columns]", "[columns]\nrds_on_10v_mux_mohm = { from = 'x' }"), "did you mean"),
        (('piece = "case"', 'piece = "caze"'), "did you mean 'case'?"),
        (('from = "Charge"', 'from = "Chrage"'), "did you mean 'Charge'?"),
        (('fixed = "EUR"', 'fixd = "EUR"'), "columns.currency"),
        (('"Thermal" =', '"Termal" ='), "add 'Thermal' to [cells]"),
        (('decimal = ","', 'decimal = ";"'), "need '.' or ','"),
        (("part_number = {", "maker_ = {"), "no such section or no part_number"),
        (("skip_lines = 2", "skip_lines = 9"), "check skip_lines"),
        (("[cells]", "[cells"), "text that is no TOML"),
    ],
)
def test_a_mapping_that_does_not_fit(tmp_path: Path, change: tuple[str, str], told: str) -> None:
    with pytest.raises(InputError) as error:
        convert(*files(tmp_path, mapping=MAP.replace(*change)))
    assert told in str(error.value)


def test_a_price_in_another_currency_is_not_taken(tmp_path: Path) -> None:
    found = convert(*files(tmp_path, export=EXPORT.replace("1,20 €", "1,20 $")))
    (problem,) = [p for p in found.problems if p.place.endswith(":4")]
    assert problem.need == "a price in EUR"
