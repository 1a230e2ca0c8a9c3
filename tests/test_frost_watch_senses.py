"""The orchard's charger with two resistors for its charge-current sense, through the command.

The shipped example keeps one value; this is the same job with a catalog of few of its parts. By
hand: the drop at the end of charge is 5 mV on 10 mohm and 10 mV on 20 mohm, so 1 mV of offset is
0.1 A there and 0.05 A here, and 20 mohm costs 5 A * 5 A * 10 mohm = 0.25 W more at full current.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from optimizer import cli
from optimizer.archive import part_set_of, read_run
from optimizer.studies.boards import places_of

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "runs" / "examples"
CHANGED = (
    ('name = "orchard', 'catalogs = ["parts"]\nname = "orchard'),
    ("resistance_sense_mohm = 10 ", 'sense_part = "cheapest"\nresistance_sense_mohm = [10, 20] '),
    ("frequencies_khz = [250, 350]", "frequencies_khz = [250]"),
)


def few_parts(folder: Path, kept: set[str]) -> None:
    """The shipped catalogs with some parts only, and every resistor of 10 and of 20 mohm."""
    folder.mkdir()
    for path in (ROOT / "catalogs").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            rows = [
                row
                for row in reader
                if row["part_number"] in kept or row.get("resistance_typ_mohm") in ("10", "20")
            ]
        if rows:
            with (folder / path.name).open("w", encoding="utf-8", newline="") as file:
                writer = csv.DictWriter(file, reader.fieldnames or ())
                writer.writeheader()
                writer.writerows(rows)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("orchard")
    old = read_run(EXAMPLES / "frost_watch")
    knee = next(point["number"] for point in old["points"] if point["mark"] == "knee")
    few_parts(folder / "parts", {one.part for one in places_of(part_set_of(old, knee, place=""))})
    text = (EXAMPLES / "frost_watch.toml").read_text("utf-8")
    for before, after in CHANGED:
        assert before in text
        text = text.replace(before, after)
    spec = folder / "orchard.toml"
    spec.write_text(text, "utf-8")
    assert cli.main(["front", str(spec), "--runs", str(folder / "runs")]) == cli.DONE
    return spec, read_run(folder / "runs" / "orchard")


def test_both_are_on_one_front_with_their_end_of_charge(run: tuple[Path, dict[str, Any]]) -> None:
    points = run[1]["points"]
    assert run[1]["complete"]
    assert all(point["proof"] for point in points)
    told = {round(1e3 * p["charge_sense"]["resistance"]): p["charge_sense"] for p in points}
    assert set(told) == {10, 20}
    for ohms, sense in told.items():
        low, high = sense["i_end_min"], sense["i_end_max"]
        assert low < 0.5 - 1e-3 / (ohms * 1e-3) < 0.5 + 1e-3 / (ohms * 1e-3) < high
        assert sense["part"]
    assert told[20]["i_end_max"] - 0.5 < told[10]["i_end_max"] - 0.5
    notes = " ".join(one["text"] for one in run[1]["notes"])
    assert "250 mW in it at full current" in notes
    assert "500 mW in it at full current" in notes
    assert "hot module with cold load: " in notes


def test_no_point_is_beaten_in_cost_loss_and_end_of_charge(
    run: tuple[Path, dict[str, Any]],
) -> None:
    rows = [
        (p["cost"], p["loss_model"] + p["charge_sense"]["loss"], p["charge_sense"]["i_end_max"])
        for p in run[1]["points"]
    ]
    for row in rows:
        assert not any(
            other != row and all(x <= y for x, y in zip(other, row, strict=True)) for other in rows
        )


def test_a_point_is_verified_with_its_own_resistor(
    run: tuple[Path, dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    spec, kept = run
    last = kept["points"][-1]
    folder = spec.parent / "runs" / "orchard"
    call = ["verify", str(spec), "--point", str(last["number"]), "--run", str(folder), "--json"]
    assert cli.main(call) == cli.DONE
    seen = json.loads(capsys.readouterr().out)
    assert seen["verified"]["cost"] == pytest.approx(last["cost"])
    (line,) = [b for b in seen["verified"]["bill"] if "charge-sense" in b["positions"]]
    assert last["charge_sense"]["part"] == f"{line['pieces']} x {line['part_number']}"
