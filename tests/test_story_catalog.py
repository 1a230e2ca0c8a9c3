"""A catalog of 240 rows with planted flaws: each is told with its line, and nothing is guessed.

``python -m tests.test_story_catalog`` writes the shipped example, `catalogs/flawed`, anew.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import pytest

from optimizer.catalog import lint, read_catalog
from optimizer.errors import InputError
from optimizer.spec import CATALOGS
from optimizer.tables import FILLED, REFUSED, WRONG

Rows = list[dict[str, str]]
KINDS = ("mosfet", "inductor", "capacitor", "resistor")
EACH = 60

WRONG_CELLS: dict[str, list[tuple[int, str, str]]] = {
    "mosfet": [
        (3, "rds_on_10v_max_mohm", "0.0047"),  # ohms in a column of milliohms
        (8, "rds_on_10v_max_mohm", "4,7"),  # decimal comma between commas
        (12, "q_gate_4v5_typ_nc", "0.1"),  # less than the charge to the plateau needs
        (17, "v_drain_source_rating_v", "sixty"),
    ],
    "inductor": [(5, "inductance_typ_uh", "47m"), (9, "dcr_typ_mohm", "-3")],
    "capacitor": [(4, "capacitance_typ_uf", "47u0"), (21, "v_rating_v", "100 mV")],
    "resistor": [(2, "resistance_typ_mohm", "0.0000001")],
}
MISSING_CELLS: dict[str, list[tuple[int, str]]] = {
    "inductor": [(14, "i_saturation_typ_a"), (15, "length_mm")],
    "resistor": [(6, "power_rating_w")],
}
"""Cells without which a row cannot be used: neither the catalog nor a fill gives them."""

TYPICAL_ONLY = (20, 21, 22)
TWICE = (25, 26, 27)
NO_BIAS, NO_STATUS = 10, 30


def shipped(kind: str) -> Rows:
    """Rows of the shipped catalog that lint has nothing against."""
    path = CATALOGS / f"{kind}s.csv"
    bad = {found.part_number for found in lint(path).items}
    with path.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["part_number"] not in bad]


def spoiled(kind: str) -> Rows:
    """Sixty rows of a kind with its flaws planted."""
    rows = shipped(kind)
    if kind == "capacitor":
        rows.sort(key=lambda row: row["technology"] != "ceramic-2")
    rows = rows[:EACH]
    for row, column, text in WRONG_CELLS.get(kind, []):
        rows[row][column] = text
    for row, column in MISSING_CELLS.get(kind, []):
        rows[row][column] = ""
    if kind == "inductor":
        rows[14]["inductance_bias_a_pct"] = rows[14]["saturation_drop_pct"] = ""
    if kind == "mosfet":
        for row in TYPICAL_ONLY:
            rows[row]["rds_on_10v_max_mohm"] = ""
        for row in TWICE:  # the same number again, at another price
            other = dict(rows[row + 10]) | {"part_number": rows[row]["part_number"]}
            rows[row + 10] = other
        rows[NO_STATUS]["status"] = ""
    if kind == "capacitor":
        rows[NO_BIAS]["capacitance_bias_pct_pct"] = ""
    return rows


FLAWED = CATALOGS / "flawed"


def write(folder: Path) -> None:
    """The catalogs with their flaws."""
    for kind in KINDS:
        rows = spoiled(kind)
        with (folder / f"{kind}s.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


@pytest.fixture(scope="module")
def folder() -> Path:
    return FLAWED


def test_the_shipped_example_holds_these_flaws(tmp_path: Path) -> None:
    write(tmp_path)
    for kind in KINDS:
        name = f"{kind}s.csv"
        assert (FLAWED / name).read_text("utf-8") == (tmp_path / name).read_text("utf-8"), name


def test_every_row_is_read_and_every_flaw_has_its_line(folder: Path) -> None:
    found = lint(folder)
    assert sum(found.rows.values()) == len(KINDS) * EACH
    bad = {
        item.place.rsplit("/", 1)[-1] for item in found.items if item.severity in (WRONG, REFUSED)
    }
    planted = {
        f"{kind}s.csv:{row + 2}" for kind, cells in WRONG_CELLS.items() for row, _, _ in cells
    }
    planted |= {
        f"{kind}s.csv:{row + 2}" for kind, cells in MISSING_CELLS.items() for row, _ in cells
    }
    planted |= {f"mosfets.csv:{row + 2 + more}" for row in TWICE for more in (0, 10)}
    assert bad == planted
    assert sum(found.rows.values()) - sum(found.used.values()) == len(planted)


def test_fills_are_told_and_nothing_else_is(folder: Path) -> None:
    filled = Counter(
        item.place.rsplit("/", 1)[-1] for item in lint(folder).items if item.severity == FILLED
    )
    assert {f"mosfets.csv:{row + 2}" for row in TYPICAL_ONLY} <= set(filled)
    assert f"capacitors.csv:{NO_BIAS + 2}" in filled


def test_prices_that_contradict_each_other_are_never_guessed(folder: Path) -> None:
    catalog = read_catalog(folder, strict=False)
    twice = {spoiled("mosfet")[row]["part_number"] for row in TWICE}
    assert not twice & set(catalog.tables["mosfet"].part_number)
    with pytest.raises(InputError) as error:
        read_catalog(folder)
    assert sum("one row per part" in str(problem) for problem in error.value.problems) == len(TWICE)


def test_a_missing_bias_curve_costs_capacitance(folder: Path) -> None:
    """The fill is pessimistic: less is left at the rated voltage than the row itself had said."""
    table = read_catalog(folder, strict=False).tables["capacitor"]
    name = spoiled("capacitor")[NO_BIAS]["part_number"]
    own = read_catalog(CATALOGS / "capacitors.csv", strict=False).tables["capacitor"]
    filled, true = (
        one.curves["capacitance_bias"][one.part_number.index(name)][-1][1] for one in (table, own)
    )
    assert filled < true


def test_a_blank_state_is_unknown_not_active(folder: Path) -> None:
    table = read_catalog(folder, strict=False).tables["mosfet"]
    row = table.part_number.index(spoiled("mosfet")[NO_STATUS]["part_number"])
    assert table.texts["status"][row] == "unknown"


if __name__ == "__main__":
    write(FLAWED)
