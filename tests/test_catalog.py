"""Reading catalogs: styles of CSV, fills, duplicates, access, lint."""

from __future__ import annotations

import hashlib
import math
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from optimizer.catalog import Catalog, PartTable, lint, read_catalog
from optimizer.cells import CellError, Style, number, numbers, prices
from optimizer.columns import KINDS, column, columns_of
from optimizer.units import UNITLESS, UNITS
from tests.catalog_samples import Row, changed, rows, text_of, write

FINITE = st.floats(allow_nan=False, allow_infinity=False)
NUMERIC = {c.header for kind in KINDS for c in columns_of(kind) if c.form != "text"} - {
    "technology", "status", "approval", "core_class", "shielded",
}  # fmt: skip


def same(one: PartTable, two: PartTable) -> bool:
    """Whether two tables hold the same data, places apart."""
    numbers = all(
        np.array_equal(one.numbers[key], two.numbers[key], equal_nan=True) for key in one.numbers
    )
    filled = all(np.array_equal(one.filled[key], two.filled[key]) for key in one.filled)
    rest = [(t.part_number, t.texts, t.curves, t.price_breaks) for t in (one, two)]
    return numbers and filled and rest[0] == rest[1]


def read(folder: Path, kind: str, made: list[Row], **style: str) -> PartTable:
    return read_catalog(write(folder, kind, made, **style)).table(kind)


# --- numbers -------------------------------------------------------------------------------------


@given(value=FINITE)
def test_number_round_trip(value: float) -> None:
    assert number(repr(value), UNITLESS) == value


@given(value=FINITE)
def test_decimal_comma_round_trip(value: float) -> None:
    assert number(repr(value).replace(".", ","), UNITLESS, Style(comma=True)) == value


@given(value=FINITE, suffix=st.sampled_from(["uf", "mohm", "nc", "mhz", "ua"]),
       blank=st.sampled_from(["", " "]), unit=st.booleans())  # fmt: skip
def test_own_prefix_changes_nothing(value: float, suffix: str, blank: str, unit: bool) -> None:
    known = UNITS[suffix]
    tail = known.label if unit else known.prefix
    assert number(f"{value!r}{blank}{tail}", known) == value


@given(value=FINITE, suffix=st.sampled_from(["uf", "mohm", "nc", "mhz", "v"]),
       prefix=st.sampled_from("pnumkMG"))  # fmt: skip
def test_another_prefix_is_refused(value: float, suffix: str, prefix: str) -> None:
    assume(prefix != UNITS[suffix].prefix)
    with pytest.raises(CellError):
        number(f"{value!r}{prefix}", UNITS[suffix])


@given(texts=st.lists(st.one_of(st.text(max_size=6), FINITE.map(repr)), max_size=8),
       comma=st.booleans())  # fmt: skip
@settings(max_examples=300)
def test_whole_column_equals_cell_by_cell(texts: list[str], comma: bool) -> None:
    """The fast way over a column and the slow way over each cell are twins."""
    unit, style = UNITS["v"], Style(comma=comma)
    values, errors = numbers(texts, unit, style)
    for row, text in enumerate(texts):
        if text in ("", "-", "n/a", "N/A", "N/a"):
            assert math.isnan(values[row])
            continue
        try:
            assert values[row] == number(text, unit, style)
            assert row not in errors
        except CellError:
            assert row in errors


@pytest.mark.parametrize(
    ("text", "suffix", "expected"),
    [("47u", "uf", 47), ("47\u00b5F", "uf", 47), ("47 uF", "uf", 47), ("4.7mOhm", "mohm", 4.7),
     ("4.7 m\u03a9", "mohm", 4.7), ("20%", "pct", 20), ("1e-6", "uf", 1e-6), ("+3", "v", 3),
     ("\u22125", "c", -5), ("12 V", "v", 12), (".5", "w", 0.5), ("5.", "w", 5),
     ("1.2 K/W", "k_per_w", 1.2), ("85\u00b0C", "c", 85)],
)  # fmt: skip
def test_accepted_spellings(text: str, suffix: str, expected: float) -> None:
    assert number(text, UNITS[suffix]) == expected


@given(st.lists(st.tuples(st.integers(1, 10**6), st.floats(1e-4, 1e3)), min_size=1, max_size=6))
def test_prices_round_trip(pairs: list[tuple[int, float]]) -> None:
    assert prices(" ".join(f"{q}:{p!r}" for q, p in pairs), Style()) == tuple(pairs)


# --- styles of file ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_si(tmp_path: Path, kind: str) -> None:
    table = read(tmp_path, kind, rows(kind))
    assert table.part_number == tuple(f"{kind[0].upper()}-{n}" for n in (1, 2, 3))
    assert not any(mask.any() for mask in table.filled.values())
    for item in columns_of(kind):
        if item.form == "number":
            text = rows(kind)[0][item.header]
            expected = float(text or "nan") * item.units[0].factor
            np.testing.assert_array_equal(table.numbers[item.key], [expected] * 3)
    assert table.price_breaks[0] == ((1, 0.95), (100, 0.7), (1000, 0.52))


def test_si_by_hand(tmp_path: Path) -> None:
    mosfet = read(tmp_path, "mosfet", rows("mosfet"))
    assert mosfet.numbers["rds_on_10v_max"][0] == 0.005
    assert mosfet.numbers["q_gate_10v_typ"][0] == pytest.approx(30e-9, rel=1e-15)
    assert mosfet.numbers["current_slope_test"][0] == 1e8
    assert mosfet.numbers["rds_on_tempco_typ"][0] == pytest.approx(0.0055, rel=1e-15)
    capacitor = read(tmp_path, "capacitor", rows("capacitor"))
    assert capacitor.curves["capacitance_bias"][0][1] == (0.25, 0.9)
    inductor = read(tmp_path, "inductor", rows("inductor"))
    assert inductor.curves["inductance_bias"][0][2] == (12.0, 0.8)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_permuted_columns(tmp_path: Path, kind: str, seed: int) -> None:
    made = rows(kind)
    order = list(made[0])
    random.Random(seed).shuffle(order)
    straight = read(tmp_path, kind, made)
    (tmp_path / "p").mkdir()
    path = tmp_path / "p" / f"{kind}s.csv"
    path.write_text(text_of(made, order=order))
    assert same(straight, read_catalog(path).table(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_semicolon_and_decimal_comma(tmp_path: Path, kind: str) -> None:
    made = rows(kind)
    comma = [{h: c.replace(".", ",") if h in NUMERIC else c for h, c in r.items()} for r in made]
    straight = read(tmp_path, kind, made)
    assert same(straight, read(tmp_path, kind, made, separator=";"))
    assert same(straight, read(tmp_path, kind, comma, separator=";"))


def _damage_free(text: str) -> dict[str, bytes]:
    return {
        "byte-order mark": b"\xef\xbb\xbf" + text.encode(),
        "blank lines": ("\n\n" + text.replace("\n", "\n\n,,,\n")).encode(),
        "carriage returns": text.replace("\n", "\r\n").encode(),
        "old line ends": text.replace("\n", "\r").encode(),
        "quoted": "\n".join(
            ",".join(f'"{c}"' for c in line.split(",")) for line in text.split("\n") if line
        ).encode(),
        "blanks around": text.replace(",", " , ").encode(),
        "trailing commas": text.replace("\n", ",,\n").encode(),
        "capitals": (text.split("\n")[0].upper() + "\n" + text.split("\n", 1)[1]).encode(),
    }


@pytest.mark.parametrize("style", list(_damage_free("\n")))
def test_harmless_styles(tmp_path: Path, style: str) -> None:
    straight = read(tmp_path, "resistor", rows("resistor"))
    path = tmp_path / "resistors.csv"
    path.write_bytes(_damage_free(text_of(rows("resistor")))[style])
    assert same(straight, read_catalog(path).table("resistor"))


def test_line_numbers_survive_blank_lines_and_long_cells(tmp_path: Path) -> None:
    made = rows("resistor")
    made[0]["series"] = "two\nlines"
    text = text_of(made).replace("two\nlines", '"two\nlines"')
    path = tmp_path / "resistors.csv"
    path.write_text("\n" + text.replace("R-3", "\n\nR-3", 1))
    places = read_catalog(path).table("resistor").place
    assert [place.rsplit(":", 1)[1] for place in places] == ["3", "5", "8"]


def test_several_files_of_a_kind(tmp_path: Path) -> None:
    one, two, three = rows("mosfet")
    short = {h: c for h, c in two.items() if h != "stock_pcs"}
    (tmp_path / "mosfets_a.csv").write_text(text_of([one]))
    (tmp_path / "mosfets_b.csv").write_text(text_of([short], separator=";"))
    (tmp_path / "Mosfets-c.CSV").write_text(text_of([three]))
    (tmp_path / "readme.csv").write_text("ignored")
    catalog = read_catalog([tmp_path, tmp_path / "mosfets_a.csv"])
    table = catalog.table("mosfet")
    assert sorted(table.part_number) == ["M-1", "M-2", "M-3"]
    assert np.isnan(table.numbers["stock"]).sum() == 1
    assert [len(catalog.table(kind)) for kind in KINDS] == [3, 0, 0, 0, 0]
    path = tmp_path / "mosfets_a.csv"
    assert catalog.hashes[path.as_posix()] == hashlib.sha256(path.read_bytes()).hexdigest()


def test_unknown_column_is_a_note(tmp_path: Path) -> None:
    extra = {"comment": "fine", "rds_on_7v_max_mohm": "6"}
    catalog = read_catalog(write(tmp_path, "mosfet", [r | extra for r in rows("mosfet")]))
    assert [n.subject.rsplit(" ")[-1] for n in catalog.notes] == list(extra)


# --- fills ---------------------------------------------------------------------------------------


def test_typical_only_and_maximum_only(tmp_path: Path) -> None:
    cells = {(1, "rds_on_10v_max_mohm"): "", (2, "rds_on_10v_typ_mohm"): "-"}
    table = read(tmp_path, "mosfet", changed("mosfet", cells))
    np.testing.assert_allclose(table.numbers["rds_on_10v_max"], [5.2e-3, 5e-3, 5e-3], rtol=1e-12)
    np.testing.assert_allclose(table.numbers["rds_on_10v_typ"], [4e-3, 5e-3, 4e-3], rtol=1e-12)
    assert table.filled["rds_on_10v_max"].tolist() == [True, False, False]
    assert table.filled["rds_on_10v_typ"].tolist() == [False, True, False]


def test_no_logic_level_rating(tmp_path: Path) -> None:
    cells = {(2, h): "" for h in ("rds_on_4v5_typ_mohm", "rds_on_4v5_max_mohm")}
    table = read(tmp_path, "mosfet", changed("mosfet", cells))
    assert np.isnan(table.numbers["rds_on_4v5_max"]).tolist() == [False, True, False]
    assert not table.filled["rds_on_4v5_max"].any()


def test_saturation_without_its_drop(tmp_path: Path) -> None:
    cells = {(1, "saturation_drop_pct"): "", (1, "inductance_bias_a_pct"): ""}
    table = read(tmp_path, "inductor", changed("inductor", cells))
    assert table.numbers["saturation_drop"][0] == pytest.approx(0.3)
    assert table.numbers["i_saturation_typ"][0] == pytest.approx(0.8 * 12)
    assert table.filled["i_saturation_typ"].tolist() == [True, False, False]
    np.testing.assert_allclose(table.curves["inductance_bias"][0], [(0, 1), (9.6, 0.7)])


@pytest.mark.parametrize(
    "gone", ["core_loss_reference_typ_mw", "core_loss_exponent_ripple"],
)  # fmt: skip
def test_incomplete_core_loss(tmp_path: Path, gone: str) -> None:
    table = read(tmp_path, "inductor", changed("inductor", {(2, gone): "n/a"}))
    assert len(table) == 3
    for key in ("core_loss_reference_typ", "core_loss_exponent_frequency"):
        assert np.isnan(table.numbers[key]).tolist() == [False, True, False]
    assert table.filled["core_loss_reference_typ"].tolist() == [False, True, False]


def test_unknown_status_is_tagged_and_stale_price_noted(tmp_path: Path) -> None:
    cells = {(2, "status"): "", (3, "price_date"): ""}
    catalog = read_catalog(write(tmp_path, "mosfet", changed("mosfet", cells)))
    assert catalog.table("mosfet").texts["status"] == ("active", "unknown", "active")
    assert {n.subject for n in catalog.notes} == {"mosfet status", "mosfet price_date"}


def test_reel_order_is_assumed_from_the_first_break(tmp_path: Path) -> None:
    cells = {(1, "price_breaks_each"): "3000:0.4", (1, "order_minimum_pcs"): "",
             (1, "order_multiple_pcs"): ""}  # fmt: skip
    table = read(tmp_path, "mosfet", changed("mosfet", cells))
    assert table.numbers["order_minimum"].tolist() == [3000, 1, 1]
    assert table.numbers["order_multiple"].tolist() == [3000, 1, 1]


def test_adding_a_part_changes_no_other(tmp_path: Path) -> None:
    holes = {(row, header): "" for row in (1, 2) for header in HARMFUL["mosfet"][::2]}
    made = changed("mosfet", holes)
    made[2]["q_recovery_typ_nc"] = made[2]["q_recovery_max_nc"] = "2000"
    alone = read(tmp_path, "mosfet", made[:2])
    assert same(alone, read(tmp_path, "mosfet", made).take([0, 1]))


HARMFUL = {
    "mosfet": ["rds_on_10v_typ_mohm", "rds_on_10v_max_mohm", "rds_on_tempco_typ_pct_per_k",
               "q_gate_10v_typ_nc", "q_gate_10v_max_nc", "r_gate_typ_ohm", "r_gate_max_ohm",
               "q_output_typ_nc", "q_output_max_nc", "q_recovery_typ_nc", "q_recovery_max_nc",
               "v_body_diode_typ_v", "v_body_diode_max_v", "rth_junction_case_typ_k_per_w",
               "rth_junction_case_max_k_per_w"],
    "diode": ["v_forward_typ_v", "v_forward_max_v", "v_forward_125c_typ_v", "i_reverse_typ_ma",
              "i_reverse_max_ma", "i_reverse_125c_typ_ma", "i_reverse_125c_max_ma",
              "rth_junction_case_typ_k_per_w", "rth_junction_case_max_k_per_w"],
    "inductor": ["inductance_tolerance_pct", "dcr_typ_mohm", "dcr_max_mohm",
                 "saturation_drop_pct", "temp_rise_rated_k", "resistance_ac_300khz_typ_mohm"],
    "capacitor": ["capacitance_tolerance_pct", "capacitance_temp_drop_pct", "esr_typ_mohm",
                  "capacitance_ageing_pct_per_decade", "esr_max_mohm", "esr_m40c_max_mohm",
                  "esl_typ_nh", "self_heating_k_per_a2"],
    "resistor": ["resistance_tolerance_pct", "resistance_tempco_ppm_per_k", "esl_typ_nh",
                 "resistance_drift_pct"],
}  # fmt: skip
"""Numbers that only do harm: more is worse."""


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(max_examples=100, deadline=None)
def test_truth_no_worse_than_its_fill_worsens_nothing(
    tmp_path_factory: pytest.TempPathFactory, kind: str, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    gone = data.draw(st.lists(st.sampled_from(HARMFUL[kind]), min_size=1, unique=True))
    before = read_catalog(write(folder, kind, changed(kind, {(1, h): "" for h in gone}, 1)))
    assume(len(before.table(kind)) == 1)
    known = column(kind, data.draw(st.sampled_from(gone)))
    assumed = before.table(kind).numbers[known.key][0] / known.units[0].factor
    truth = data.draw(st.floats(max(known.low, 0.0), assumed * (1 - 1e-9)))
    cells = {(1, h): repr(truth) if h == known.header else "" for h in gone}
    after = read_catalog(write(folder, kind, changed(kind, cells, 1)))
    assume(len(after.table(kind)) == 1)
    for header in HARMFUL[kind]:
        key = column(kind, header).key
        old, new = before.table(kind).numbers[key][0], after.table(kind).numbers[key][0]
        assert new <= old * (1 + 1e-9), header


@pytest.mark.parametrize("kind", KINDS)
def test_truth_beside_a_missing_partner_worsens_nothing(tmp_path: Path, kind: str) -> None:
    """Every limit of every quantity missing, then one of them told, at 60 values up to its fill."""
    for header in HARMFUL[kind]:
        argument = column(kind, header).argument
        gone = [h for h in HARMFUL[kind] if column(kind, h).argument == argument]
        blank = read(tmp_path, kind, changed(kind, {(1, h): "" for h in gone}, 1))
        known = column(kind, header)
        if len(blank) == 0:
            continue
        assumed = float(blank.numbers[known.key][0]) / known.units[0].factor
        truths = np.linspace(max(known.low, assumed / 60), assumed * (1 - 1e-9), 60).tolist()
        cells = {(n, h): "" for n in range(1, 61) for h in gone}
        cells |= {(n, header): repr(truth) for n, truth in enumerate(truths, start=1)}
        told = read(tmp_path, kind, changed(kind, cells, 60))
        assert len(told) > 40
        for other in (column(kind, h).key for h in gone):
            assert told.numbers[other].max() <= blank.numbers[other][0] * (1 + 1e-9), header


# --- duplicates, access, lint --------------------------------------------------------------------


def test_identical_rows_are_kept_once(tmp_path: Path) -> None:
    made = rows("mosfet")
    (tmp_path / "mosfets_a.csv").write_text(text_of(made))
    spelled = made[1] | {"rds_on_10v_max_mohm": "5.0m", "status": "Active"}
    (tmp_path / "mosfets_b.csv").write_text(text_of([spelled]))
    catalog = read_catalog(tmp_path)
    assert len(catalog.table("mosfet")) == 3
    (note,) = catalog.notes
    assert note.text == f"repeats {tmp_path}/mosfets_a.csv:3, kept once"
    assert catalog.refused == ()


def test_one_part_number_in_two_kinds_is_a_conflict(tmp_path: Path) -> None:
    write(tmp_path, "mosfet", rows("mosfet"))
    write(tmp_path, "resistor", changed("resistor", {(2, "part_number"): "M-2"}))
    catalog = read_catalog(tmp_path, strict=False)
    assert [p.place for p in catalog.problems] == [f"{tmp_path}/resistors.csv:3"]
    assert "kind (mosfet)" in catalog.problems[0].got
    assert [len(catalog.table(kind)) for kind in KINDS] == [2, 0, 0, 0, 2]


def test_value_and_take(tmp_path: Path) -> None:
    made = changed("mosfet", {(2, "rds_on_10v_max_mohm"): "6", (3, "r_gate_typ_ohm"): ""})
    table = read(tmp_path, "mosfet", made)
    np.testing.assert_allclose(table.value("rds_on", "max", "10v"), [5e-3, 6e-3, 5e-3])
    np.testing.assert_allclose(table.value("q_gate_drain", "max"), [5e-9] * 3)
    np.testing.assert_allclose(table.value("temp_junction_rating", "max"), [175] * 3)
    with pytest.raises(KeyError):
        table.value("colour")
    taken = table.take([2, 1])
    assert taken.part_number == ("M-3", "M-2")
    assert taken.filled["r_gate_typ"].tolist() == [True, False]
    assert taken.place == (table.place[2], table.place[1])
    assert same(taken, table.take(np.array([False, True, True])).take([1, 0]))
    assert len(table.take([])) == 0
    with pytest.raises(ValueError):
        table.numbers["r_gate_typ"][0] = 1.0


def test_lint_sorts_and_counts(tmp_path: Path) -> None:
    cells = {(10, "r_gate_typ_ohm"): "x", (2, "q_output_typ_nc"): "46", (3, "v_plateau_typ_v"): "",
             (4, "r_gate_max_ohm"): "", (5, "price_date"): "", (11, "part_number"): "M-12",
             (11, "stock_pcs"): "1"}  # fmt: skip
    path = write(tmp_path, "mosfet", changed("mosfet", cells, 12))
    (tmp_path / "inductors.csv").write_bytes(b"")
    report = lint(tmp_path)
    seen = [(f.place.rsplit("/", 1)[1], f.column, f.severity) for f in report.items]
    assert seen == [
        ("inductors.csv", "", "wrong"),
        ("mosfets.csv:3", "q_output_typ_nc", "wrong"),
        ("mosfets.csv:4", "v_plateau_typ_v", "refused"),
        ("mosfets.csv:5", "r_gate_max_ohm", "filled"),
        ("mosfets.csv:6", "price_date", "suspicious"),
        ("mosfets.csv:11", "r_gate_typ_ohm", "wrong"),
        ("mosfets.csv:11", "r_gate_typ_ohm", "filled"),
        ("mosfets.csv:12", "part_number", "wrong"),
        ("mosfets.csv:13", "part_number", "wrong"),
    ]
    assert report.counts == {"wrong": 5, "refused": 1, "filled": 2, "suspicious": 1}
    assert report.rows["mosfet"] == 12
    assert report.used["mosfet"] == 7
    assert path.read_text() == text_of(changed("mosfet", cells, 12))


def test_lint_finds_prices_far_older_than_the_others(tmp_path: Path) -> None:
    cells = {(4, "price_date"): "2022-03-01"}
    report = lint(write(tmp_path, "mosfet", changed("mosfet", cells, 6)))
    (found,) = [f for f in report.items if f.severity == "suspicious"]
    assert (found.part_number, found.column) == ("M-4", "price_date")
    assert found.text.startswith("price of 2022-03-01, 4.")
    assert report.used["mosfet"] == 6


@pytest.mark.parametrize("factor", [0.15, 6.0])
def test_lint_finds_figure_of_merit_outliers(tmp_path: Path, factor: float) -> None:
    cells = {(4, h): repr(factor * float(c)) for h, c in rows("mosfet")[0].items()
             if h.startswith("rds_on_") and h.endswith("mohm")}  # fmt: skip
    report = lint(write(tmp_path, "mosfet", changed("mosfet", cells, 9)))
    found = [f for f in report.items if f.severity == "suspicious"]
    assert [f.part_number for f in found] == ["M-4", "M-4"]
    assert f"rds_on x q_gate is {factor:g} times the median of 9 parts" in found[0].text
    assert report.used["mosfet"] == 9


def test_planted_flaws_are_all_found_and_none_is_fixed(tmp_path: Path) -> None:
    """One fault per row over every order rule and range: each row is refused, none is used."""
    made: list[Row] = rows("mosfet", 40)
    items = [c for c in columns_of("mosfet") if c.form == "number"][:40]
    for row, item in zip(made, items, strict=False):
        row[item.header] = repr(item.high * 2)
    made = made[: len(items)]
    catalog: Catalog = read_catalog(write(tmp_path, "mosfet", made))
    assert len(catalog.refused) == len(items)
    assert len(catalog.table("mosfet")) == 0
