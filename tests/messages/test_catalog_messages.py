"""Exact text of what a user reads about a damaged catalog: place, name, what came, need, remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.catalog import lint, read_catalog
from optimizer.errors import InputError
from tests.catalog_samples import changed, rows, text_of, write

# (name, kind, header, cell, text after "place header: ")
CELLS = [
    ("word", "mosfet", "rds_on_10v_max_mohm", "abc",
     "got 'abc', need a number in mohm; correct the cell"),
    ("nan", "mosfet", "q_output_typ_nc", "nan",
     "got 'nan', need a number in nC; correct the cell"),
    ("infinite", "resistor", "power_rating_w", "inf",
     "got 'inf', need a number in W; correct the cell"),
    ("overflow", "resistor", "power_rating_w", "1e999",
     "got '1e999', need a finite number; correct the cell"),
    ("underscore", "mosfet", "q_gate_10v_typ_nc", "3_0",
     "got '3_0', need a number in nC; correct the cell"),
    ("other digits", "mosfet", "q_gate_10v_typ_nc", "\u0663\u0660",
     "got '\u0663\u0660', need a number in nC; correct the cell"),
    ("two points", "inductor", "dcr_typ_mohm", "1.2.3",
     "got '1.2.3', need a number in mohm; correct the cell"),
    ("wrong prefix", "capacitor", "capacitance_typ_uf", "47n",
     "got '47n', need a number in uF: this reads as 0.047 uF or as 47 uF; "
     "write 0.047 or 47 without a prefix"),
    ("wrong prefix and unit", "mosfet", "rds_on_10v_typ_mohm", "0.004 ohm",
     "got '0.004 ohm', need a number in mohm: this reads as 4 mohm or as 0.004 mohm; "
     "write 4 or 0.004 without a prefix"),
    ("prefix on a plain unit", "mosfet", "v_drain_source_rating_v", "60m",
     "got '60m', need a number in V: this reads as 0.06 V or as 60 V; "
     "write 0.06 or 60 without a prefix"),
    ("milli for mega", "inductor", "frequency_resonance_min_mhz", "15m",
     "got '15m', need a number in MHz: this reads as 1.5e-08 MHz or as 15 MHz; "
     "write 1.5e-08 or 15 without a prefix"),
    ("another unit", "inductor", "i_rated_typ_a", "9 V",
     "got '9 V', need a number in A; correct the cell"),
    ("decimal comma", "inductor", "dcr_typ_mohm", "11,5",
     "got '11,5', need a decimal point, because commas separate the cells of this file; "
     "write 11.5, or separate the cells by semicolons"),
    ("blank in number", "resistor", "resistance_typ_mohm", "1 000",
     "got '1 000', need a number in mohm; write it without spaces between the digits"),
    ("formula", "mosfet", "v_plateau_typ_v", "=3+1",
     "got '=3+1', need a number in V; write the value itself, not a formula or quoted text"),
    ("range", "mosfet", "rds_on_10v_typ_mohm", "3..4",
     "got '3..4', need a number in mohm; correct the cell"),
    ("less than", "resistor", "esl_typ_nh", "<2",
     "got '<2', need a number in nH; correct the cell"),
    ("status slip", "mosfet", "status", "actve",
     "got 'actve', need one of active, not-for-new, last-time-buy, obsolete, unknown; "
     "did you mean 'active'?"),
    ("technology", "capacitor", "technology", "paper",
     "got 'paper', need one of ceramic-2, ceramic-1, film, aluminium, polymer, hybrid, tantalum; "
     "correct the cell"),
    ("date", "resistor", "price_date", "4.5.2026",
     "got '4.5.2026', need a day YYYY-MM-DD; correct the cell"),
    ("currency", "resistor", "currency", "euro",
     "got 'euro', need a three-letter currency such as EUR; correct the cell"),
    ("price without colon", "mosfet", "price_breaks_each", "1:0.95 100",
     "got '1:0.95 100', need pairs quantity:unit price separated by blanks; correct '100'"),
    ("price word", "mosfet", "price_breaks_each", "1:free",
     "got 'free' in '1:free', need a number; correct the cell"),
    ("price quantity", "mosfet", "price_breaks_each", "1.5:0.9",
     "got '1.5:0.9', need whole quantities from 1 up; correct '1.5:0.9'"),
    ("quantity zero", "mosfet", "price_breaks_each", "0:0.9",
     "got '0:0.9', need whole quantities from 1 up; correct '0:0.9'"),
    ("curve without colon", "capacitor", "capacitance_bias_pct_pct", "0:100 50",
     "got '0:100 50', need points x:y separated by blanks; correct '50'"),
    ("curve word", "inductor", "inductance_bias_a_pct", "0:100 6:x",
     "got 'x' in '0:100 6:x', need a number in %; correct the cell"),
    ("one point", "inductor", "inductance_bias_a_pct", "0:100",
     "got '0:100', need at least two points x:y; add a point"),
]  # fmt: skip


@pytest.mark.parametrize("row", [1, 2, 3])
@pytest.mark.parametrize(
    ("kind", "header", "cell", "expected"), [c[1:] for c in CELLS], ids=[c[0] for c in CELLS]
)
def test_unreadable_cell(
    tmp_path: Path, row: int, kind: str, header: str, cell: str, expected: str
) -> None:
    path = write(tmp_path, kind, changed(kind, {(row, header): cell}))
    with pytest.raises(InputError) as caught:
        read_catalog(path)
    assert str(caught.value) == f"{path}:{row + 1} {header}: {expected}"


# rows that are refused while the rest is used: (name, kind, cells of the row, column, text)
ROWS = [
    ("unit slip", "capacitor", {"capacitance_typ_uf": "0.000001"}, "capacitance_typ_uf",
     "got 1 pF, need 10 nF to 100 mF (plausible); did you mean 1?"),
    ("milliohm typed as ohm", "mosfet", {"rds_on_10v_typ_mohm": "0.005"}, "rds_on_10v_typ_mohm",
     "got 5 uohm, need 100 uohm to 5 ohm (plausible); did you mean 5?"),
    ("negative", "inductor", {"inductance_typ_uh": "-10"}, "inductance_typ_uh",
     "got -10 uH, need 50 nH to 10 mH (plausible); check the unit and the cell"),
    ("zero", "resistor", {"power_rating_w": "0"}, "power_rating_w",
     "got 0 W, need 0.02 W to 100 W (plausible); check the unit and the cell"),
    ("half a terminal", "resistor", {"terminals_pcs": "2.5"}, "terminals_pcs",
     "got 2.5 pieces, need a whole number; correct the cell"),
    ("typical above maximum", "mosfet", {"rds_on_10v_typ_mohm": "5.2"}, "rds_on_10v_typ_mohm",
     "got 5.2 mohm, need at most the 5 mohm of rds_on_10v_max_mohm; correct one of them"),
    ("minimum above typical", "mosfet", {"v_threshold_min_v": "2.1"}, "v_threshold_min_v",
     "got 2.1 V, need at most the 1.8 V of v_threshold_typ_v; correct one of them"),
    ("better at low drive", "mosfet", {"rds_on_4v5_max_mohm": "4.9", "rds_on_4v5_typ_mohm": ""},
     "rds_on_10v_max_mohm",
     "got 5 mohm, need at most the 4.9 mohm of rds_on_4v5_max_mohm; correct one of them"),
    ("more charge at low drive", "mosfet", {"q_gate_4v5_typ_nc": "31", "q_gate_4v5_max_nc": ""},
     "q_gate_4v5_typ_nc",
     "got 31 nC, need at most the 30 nC of q_gate_10v_typ_nc; correct one of them"),
    ("plateau above total", "mosfet", {"q_gate_drain_typ_nc": "30"}, "q_gate_drain_typ_nc",
     "got 30 nC, need less than the 30 nC of q_gate_10v_typ_nc; correct one of them"),
    ("threshold above source", "mosfet", {"q_gate_threshold_typ_nc": "9"},
     "q_gate_threshold_typ_nc",
     "got 9 nC, need at most the 8 nC of q_gate_source_typ_nc; correct one of them"),
    ("rising inductance", "inductor", {"inductance_bias_a_pct": "0:80 6:95"},
     "inductance_bias_a_pct", "got '0:80 6:95', need a falling curve; correct the points"),
    ("current order", "inductor", {"inductance_bias_a_pct": "0:100 6:95 6:90"},
     "inductance_bias_a_pct",
     "got '0:100 6:95 6:90', need rising A from point to point; correct the points"),
    ("bias above rating", "capacitor", {"capacitance_bias_pct_pct": "0:100 120:30"},
     "capacitance_bias_pct_pct", "got '0:100 120:30', need 0 to 100 %; correct the points"),
    ("nothing left", "capacitor", {"capacitance_bias_pct_pct": "0:100 100:0"},
     "capacitance_bias_pct_pct",
     "got '0:100 100:0', need shares above 0 and up to 105 %; correct the points"),
    ("dearer in bulk", "mosfet", {"price_breaks_each": "1:0.5 100:0.6"}, "price_breaks_each",
     "got '1:0.5 100:0.6', need unit prices that do not rise with the quantity; "
     "correct the pairs"),
    ("break twice", "mosfet", {"price_breaks_each": "1:0.5 1:0.4"}, "price_breaks_each",
     "got '1:0.5 1:0.4', need rising quantities; correct the pairs"),
    ("price of nothing", "mosfet", {"price_breaks_each": "1:0"}, "price_breaks_each",
     "got '1:0', need prices of 1e-05 to 10000 (plausible); correct the pairs"),
]  # fmt: skip


@pytest.mark.parametrize("row", [1, 3])
@pytest.mark.parametrize(
    ("kind", "cells", "column", "expected"), [r[1:] for r in ROWS], ids=[r[0] for r in ROWS]
)
def test_implausible_row(
    tmp_path: Path, row: int, kind: str, cells: dict[str, str], column: str, expected: str
) -> None:
    damaged = changed(kind, {(row, header): text for header, text in cells.items()})
    path = write(tmp_path, kind, damaged)
    catalog = read_catalog(path)
    (refusal,) = catalog.refused
    assert refusal.place == f"{path}:{row + 1}"
    assert refusal.part_number == damaged[row - 1]["part_number"]
    assert f"{column}: {expected}" in refusal.reason
    assert len(catalog.table(kind)) == 2
    found = [f for f in lint(path).items if f.severity == "wrong" and f.column == column]
    assert [(f.place, f.text) for f in found] == [(f"{path}:{row + 1}", expected)]


MISSING = [
    ("mosfet", ["v_plateau_typ_v"], "no v_plateau_typ_v"),
    ("mosfet", ["q_gate_drain_typ_nc"], "no q_gate_drain_typ_nc"),
    ("mosfet", ["rds_on_10v_typ_mohm", "rds_on_10v_max_mohm"],
     "no rds_on_10v_typ_mohm and no way to fill it (= rds_on_10v_max)"),
    ("mosfet", ["part_number"], "no part_number"),
    ("mosfet", ["price_breaks_each"], "no price_breaks_each"),
    ("mosfet", ["height_mm"], "no height_mm"),
    ("mosfet", ["rth_junction_case_typ_k_per_w", "rth_junction_case_max_k_per_w",
                "rth_junction_ambient_max_k_per_w"],
     "no rth_junction_case_typ_k_per_w and no way to fill it "
     "(= rth_junction_case_max, else half of rth_junction_ambient_max)"),
    ("inductor", ["i_saturation_typ_a"], "no i_saturation_typ_a"),
    ("capacitor", ["technology"], "no technology"),
    ("resistor", ["power_rating_w"], "no power_rating_w"),
]  # fmt: skip


@pytest.mark.parametrize("blank", ["", "-", "n/a", "N/A"])
@pytest.mark.parametrize(("kind", "headers", "expected"), MISSING)
def test_missing_without_fill(
    tmp_path: Path, blank: str, kind: str, headers: list[str], expected: str
) -> None:
    path = write(tmp_path, kind, changed(kind, {(2, header): blank for header in headers}))
    catalog = read_catalog(path)
    (refusal,) = catalog.refused
    assert refusal.place == f"{path}:3"
    assert refusal.reason.split("; ")[0] == expected


@pytest.mark.parametrize("technology", ["aluminium", "polymer", "hybrid", "tantalum"])
def test_ripple_rating_needed(tmp_path: Path, technology: str) -> None:
    cells = {
        (2, "technology"): technology,
        (2, "i_ripple_rating_a"): "",
        (2, "life_rating_h"): "1e3",
    }
    path = write(tmp_path, "capacitor", changed("capacitor", cells))
    assert [r.reason for r in read_catalog(path).refused] == ["no i_ripple_rating_a"]


def _head(text: str, old: str, new: str) -> str:
    head, _, rest = text.partition("\n")
    assert old in head
    return head.replace(old, new) + "\n" + rest


def _line(text: str, line: int, old: str, new: str) -> str:
    lines = text.split("\n")
    assert old in lines[line - 1]
    lines[line - 1] = lines[line - 1].replace(old, new, 1)
    return "\n".join(lines)


GOOD = text_of(rows("resistor"))
WIDTH = len(GOOD.split("\n")[0].split(","))
SAVE = "need a text file in UTF-8; save it as CSV in UTF-8"
QUOTE = "quote cells that hold a comma; a decimal comma needs semicolons between cells"
FILES: list[tuple[str, bytes, str]] = [
    ("empty", b"", ": got an empty file, need a header and rows; fill or remove the file"),
    ("blank lines only", b"\n\n,,,\n",
     ": got an empty file, need a header and rows; fill or remove the file"),
    ("header only", GOOD.split("\n")[0].encode(),
     ": got a header without rows, need at least one part; add parts or remove it"),
    ("UTF-16", GOOD.encode("utf-16"), f": got UTF-16 or binary data, {SAVE}"),
    ("zero bytes", GOOD.encode() + b"\0", f": got UTF-16 or binary data, {SAVE}"),
    ("other encoding", _line(GOOD, 3, "Tester", "T\u00e4ster").encode("cp1252"),
     f":3: got byte 0xe4 that is not UTF-8, {SAVE}"),
    ("tabs", GOOD.replace(",", "\t").encode(),
     ":1: got a header of one cell, need cells separated by commas or semicolons; "
     "export it again with one of them"),
    ("open quote", _line(GOOD, 3, "Tester", '"Tester').encode(),
     ":3: got a broken row (unexpected end of data), need CSV; close the quotes of this row"),
    ("text after quote", _line(GOOD, 2, "Tester", '"Tes"ter').encode(),
     ":2: got a broken row (',' expected after '\"'), need CSV; close the quotes of this row"),
    ("a cell too many", _line(GOOD, 4, "4.7", "4,7").encode(),
     f":4: got {WIDTH + 1} cells, need {WIDTH} as in the header; {QUOTE}"),
    ("a cell too few", _line(GOOD, 2, "Tester,", "").encode(),
     f":2: got {WIDTH - 1} cells, need {WIDTH} as in the header; {QUOTE}"),
    ("column twice", _head(GOOD, "maker", "series").encode(),
     ":1 series: got the column twice, need each column once; remove one of them"),
    ("slip in a header", _head(GOOD, "resistance_drift_pct", "resistance_drifft_pct").encode(),
     ":1 resistance_drifft_pct: got an unknown column, need a resistor column; "
     "did you mean 'resistance_drift_pct'?"),
    ("unit of another quantity", _head(GOOD, "esl_typ_nh", "esl_typ_uh").encode(),
     ":1 esl_typ_uh: got an unknown column, need a resistor column; did you mean 'esl_typ_nh'?"),
    ("cells without header", _head(GOOD, "series", "").encode(),
     ":1 column 3: got cells without a header, need a header; name or remove the column"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "expected"), [f[1:] for f in FILES], ids=[f[0] for f in FILES])
def test_damaged_file(tmp_path: Path, data: bytes, expected: str) -> None:
    path = tmp_path / "resistors.csv"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_catalog(path)
    assert str(caught.value) == f"{path}{expected}"
    assert [p.place for p in lint(path).problems] == [caught.value.problems[0].place]


@pytest.mark.parametrize("header", ["weight_kg", "inductance_loop_nhh"])
def test_unknown_unit(tmp_path: Path, header: str) -> None:
    path = write(tmp_path, "resistor", [row | {header: "3"} for row in rows("resistor")])
    with pytest.raises(InputError) as caught:
        read_catalog(path)
    (problem,) = caught.value.problems
    assert problem.got == f"a numeric column with the unknown unit {header.rsplit('_')[-1]!r}"
    assert problem.fix == {"weight_kg": "rename or remove the column",
                           "inductance_loop_nhh": "did you mean 'nh'?"}[header]  # fmt: skip


NO_COLUMN = [
    ("resistor", ["power_rating_w"], ["power_rating_w"], "power_rating_w"),
    ("mosfet", ["rds_on_10v_typ_mohm", "rds_on_10v_max_mohm"], ["rds_on_10v_typ_mohm"],
     "rds_on_10v_typ_mohm or rds_on_10v_max_mohm"),
    ("capacitor", ["part_number", "currency"], ["currency", "part_number"], "currency"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "gone", "names", "need"), NO_COLUMN)
def test_missing_column(
    tmp_path: Path, kind: str, gone: list[str], names: list[str], need: str
) -> None:
    made = [{h: c for h, c in row.items() if h not in gone} for row in rows(kind)]
    path = write(tmp_path, kind, made)
    with pytest.raises(InputError) as caught:
        read_catalog(path)
    assert [p.name for p in caught.value.problems] == names
    assert str(caught.value.problems[0]) == (
        f"{path}:1 {names[0]}: got no such column, need {need}; add the column"
    )


def test_contradicting_rows(tmp_path: Path) -> None:
    made = changed("mosfet", {(3, "part_number"): "M-1", (3, "price_breaks_each"): "1:0.4"})
    path = write(tmp_path, "mosfet", made)
    with pytest.raises(InputError) as caught:
        read_catalog(path)
    assert str(caught.value) == (
        f"{path}:4 part_number: got 'M-1' again, with other data than {path}:2 in "
        "price_breaks_each, need one row per part; delete the wrong row; neither is used"
    )
    lenient = read_catalog(path, strict=False)
    assert lenient.table("mosfet").part_number == ("M-2",)


def test_thousands_beside_decimal_comma(tmp_path: Path) -> None:
    made = [
        {h: c if h == "price_breaks_each" else c.replace(".", ",") for h, c in row.items()}
        for row in changed("resistor", {(2, "stock_pcs"): "1.200"})
    ]
    made[1]["stock_pcs"] = "1.200"
    path = write(tmp_path, "resistor", made, separator=";")
    with pytest.raises(InputError) as caught:
        read_catalog(path)
    assert str(caught.value) == (
        f"{path}:3 stock_pcs: got '1.200', need one decimal mark in the whole file: this reads "
        "as 1200 or as 1,200; write 1200 or 1,200"
    )


def test_paths(tmp_path: Path) -> None:
    (tmp_path / "valves.csv").write_text("a,b\n1,2\n")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError) as caught:
        read_catalog([tmp_path / "none.csv", tmp_path / "empty", tmp_path / "valves.csv"])
    kinds = "mosfets, diodes, inductors, capacitors, resistors"
    assert {str(p) for p in caught.value.problems} == {
        f"{tmp_path}/none.csv: got no such file or folder, need a catalog; correct the path",
        f"{tmp_path}/empty: got a folder without catalogs, need files named mosfets*.csv, "
        "diodes*.csv, inductors*.csv, capacitors*.csv, resistors*.csv; rename the files or correct "
        "the path",
        f"{tmp_path}/valves.csv: got a file name of no known kind, need a name that starts with "
        f"{kinds}; rename the file",
    }


def test_every_problem_of_every_file_at_once(tmp_path: Path) -> None:
    write(tmp_path, "mosfet", changed("mosfet", {(1, "r_gate_typ_ohm"): "x", (3, "status"): "?"}))
    write(tmp_path, "resistor", changed("resistor", {(2, "esl_typ_nh"): "1u"}))
    (tmp_path / "inductors.csv").write_bytes(b"")
    with pytest.raises(InputError) as caught:
        read_catalog(tmp_path)
    assert [p.place.rsplit("/", 1)[-1] for p in caught.value.problems] == [
        "inductors.csv", "mosfets.csv:2", "mosfets.csv:4", "resistors.csv:3",
    ]  # fmt: skip
