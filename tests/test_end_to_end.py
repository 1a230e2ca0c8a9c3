"""The whole command on a tiny job: each row of the spec switched on in turn, and what it leaves."""

from __future__ import annotations

import csv
import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest

from optimizer.archive import read_run
from optimizer.cli import DONE, INFEASIBLE, INTERRUPTED, WRONG_INPUT, main
from tests import tiny

Plain = dict[str, Any]


def run_front(folder: Path, *options: str, code: int = DONE, name: str = "tiny") -> Plain:
    """Run ``front`` on the spec of a folder and read its run back."""
    runs = folder / "runs"
    arguments = ["front", str(folder / "tiny.toml"), "--runs", str(runs), *options]
    assert main(arguments) == code
    found: Plain = dict(read_run(runs / name))
    return found


def solved(folder: Path, **sections: Any) -> Plain:
    """The run of the tiny job with some keys of its spec changed."""
    tiny.job(folder, **sections)
    return run_front(folder)


@pytest.fixture(scope="module")
def free(tmp_path_factory: pytest.TempPathFactory) -> Plain:
    """The run without any row."""
    return solved(tmp_path_factory.mktemp("free"))


def sets(run: Plain) -> list[Plain]:
    return [point["verified"]["part_set"] for point in run["points"]]


def bought(run: Plain) -> list[set[str]]:
    return [{line["part_number"] for line in p["verified"]["bill"]} for p in run["points"]]


def transistors(run: Plain) -> list[tuple[str, ...]]:
    return [tuple(part for part, _ in one["transistors"].values()) for one in sets(run)]


def steps(run: Plain) -> list[tuple[float, float]]:
    return [(point["cost"], point["loss_model"]) for point in run["points"]]


def nowhere_better(run: Plain, than: Plain) -> bool:
    """Whether each point of a run with more rows is met by one without."""
    return all(
        any(c <= cost + 1e-9 and w <= loss + 1e-9 for c, w in steps(than))
        for cost, loss in steps(run)
    )


# --- one run --------------------------------------------------------------------------------------


def test_a_front_is_a_staircase_with_marks_and_proofs(free: Plain) -> None:
    costs, losses = zip(*steps(free), strict=True)
    assert list(costs) == sorted(set(costs))
    assert list(losses) == sorted(set(losses), reverse=True)
    assert free["complete"]
    assert free["not_proved"] == ""
    marks = [point["mark"] for point in free["points"]]
    assert marks[0] == "cheapest"
    assert marks[-1] == "least loss"
    assert marks.count("knee") == 1
    assert all(point["proof"] for point in free["points"])
    assert all(p["bound"] == pytest.approx(p["loss_model"]) for p in free["points"])


def test_the_solver_proves_ends_and_knee_again(free: Plain) -> None:
    proofs = {p["mark"]: p["proof"] for p in free["points"] if p["mark"]}
    assert set(proofs.values()) == {"merge+solver"}


def test_every_point_holds_its_limits_and_its_power_balance(free: Plain) -> None:
    for point in free["points"]:
        verified = point["verified"]
        assert verified["chain"]["closes"]
        assert min(m["margin"] for m in verified["margins"]) >= -1e-9
        assert max(verified["balance_error"]) < 1e-3
        margins = [m["margin"] for m in verified["margins"]]
        assert margins == sorted(margins)


def test_losses_by_part_and_mechanism_add_up_to_the_total(free: Plain) -> None:
    verified = free["points"][0]["verified"]
    summed = [sum(lane) for lane in zip(*verified["losses"].values(), strict=True)]
    assert summed == pytest.approx(verified["loss_total"], rel=1e-6)
    share = verified["lanes"]["share"]
    weighed = sum(s * w for s, w in zip(share, verified["loss_total"], strict=True))
    assert verified["loss_mission"] == pytest.approx(weighed, rel=1e-6)


def test_the_own_state_stays_within_the_difference_told(free: Plain) -> None:
    for point in free["points"]:
        own, model = point["verified"]["loss_mission"], point["loss_model"]
        assert own / model - 1.0 == pytest.approx(point["loss_difference"], abs=1e-6)
        assert abs(point["loss_difference"]) <= free["state_difference"] + 1e-9


def test_the_bill_is_what_the_price_list_says(free: Plain) -> None:
    """Prices by hand: 100 boards, so the break at 100 pieces holds for every line."""
    breaks = {
        name: float(cells["price_breaks_each"].split("100:")[1].split()[0])
        for rows in tiny.PARTS.values()
        for name, cells in rows.items()
    }
    data = tiny.spec_data()
    boards, line_item = data["purchase"]["boards_pcs"], data["purchase"]["line_item_each"]
    for point in free["points"]:
        lines = point["verified"]["bill"]
        parts = sum(breaks[line["part_number"]] * line["pieces"] for line in lines)
        placed = data["purchase"]["placement_each"] * sum(line["pieces"] for line in lines)
        fixed = data["controllers"]["buck"]["cost_each"] + line_item / boards * len(lines)
        assert point["cost"] == pytest.approx(parts + placed + fixed, abs=1e-3)
        assert point["cost"] == pytest.approx(sum(point["verified"]["cost_items"].values()))
        assert all(line["quantity"] == boards * line["pieces"] for line in lines)


def test_front_csv_and_parts_lists_say_the_same(tmp_path: Path) -> None:
    run = solved(tmp_path)
    folder = tmp_path / "runs" / "tiny"
    with (folder / "front.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(run["points"])
    assert [float(row["cost_each"]) for row in rows] == [
        pytest.approx(round(p["cost"], 2)) for p in run["points"]
    ]
    with (folder / "parts" / "point_001.csv").open(encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    assert {line["part_number"] for line in lines} == bought(run)[0]


def test_a_second_run_of_the_same_name_keeps_the_first(tmp_path: Path) -> None:
    solved(tmp_path)
    (result,) = (tmp_path / "runs" / "tiny").glob("result.json*")
    before = result.read_bytes()
    run_front(tmp_path, name="tiny-2")
    assert result.read_bytes() == before


# --- rows, one after the other --------------------------------------------------------------------


def test_same_part(free: Plain, tmp_path: Path) -> None:
    assert any(len(set(held)) > 1 for held in transistors(free))
    run = solved(tmp_path, choice={"same_part": [["input-high", "input-low"]]})
    assert all(len(set(held)) == 1 for held in transistors(run))
    assert nowhere_better(run, free)
    assert run["complete"]


def test_at_most_so_many_part_numbers(free: Plain, tmp_path: Path) -> None:
    assert max(len(parts) for parts in bought(free)) > 5
    run = solved(tmp_path, choice={"part_numbers_max_pcs": 5})
    assert max(len(parts) for parts in bought(run)) <= 5
    assert nowhere_better(run, free)
    assert run["complete"]


@pytest.mark.parametrize("position", [None, "input-low"])
def test_force(free: Plain, tmp_path: Path, position: str | None) -> None:
    forced = {"part_number": "M-FINE"} | ({"position": position} if position else {})
    run = solved(tmp_path, choice={"force": [forced]})
    if position:
        assert all(one["transistors"][position][0] == "M-FINE" for one in sets(run))
    assert all("M-FINE" in parts for parts in bought(run))
    assert not all("M-FINE" in parts for parts in bought(free))
    assert nowhere_better(run, free)
    assert run["complete"]


def test_forbid(free: Plain, tmp_path: Path) -> None:
    assert any("L-LARGE" in parts for parts in bought(free))
    run = solved(tmp_path, choice={"forbid": ["L-LARGE"]})
    assert run["points"]
    assert not any("L-LARGE" in parts for parts in bought(run))
    assert nowhere_better(run, free)


def test_life_cycle(free: Plain, tmp_path: Path) -> None:
    assert any("M-MIDDLE" in parts for parts in bought(free))
    run = solved(tmp_path, purchase={"states_allowed": ["active"]})
    assert run["points"]
    assert not any("M-MIDDLE" in parts for parts in bought(run))
    fell = {f["reason"]: f["fell"] for w in run["waterfalls"] for f in w["falls"]}
    assert fell["life-cycle state"] == 1


def test_area(free: Plain, tmp_path: Path) -> None:
    used = [point["verified"]["area"] for point in free["points"]]
    limit = 1e6 * (min(used) + max(used)) / 2.0
    run = solved(tmp_path, limits={"area_max_mm2": limit})
    assert max(point["verified"]["area"] for point in run["points"]) <= 1e-6 * limit * (1 + 1e-9)
    assert len(run["points"])
    assert nowhere_better(run, free)
    assert run["complete"]


@pytest.mark.parametrize("guaranteed", [False, True])
def test_floors(free: Plain, tmp_path: Path, guaranteed: bool) -> None:
    name = "firm (guaranteed)" if guaranteed else "full load"
    reached = [p["verified"]["efficiency_named"][name] for p in free["points"]]
    floor = (min(reached) + max(reached)) / 2.0
    floors = tiny.spec_data()["limits"]["floors"]
    floors[2 if guaranteed else 0]["efficiency_pct"] = 100.0 * floor
    run = solved(tmp_path, limits={"floors": floors, "loss_ceiling_pct": 20.0})
    named = [p["verified"]["efficiency_named"][name] for p in run["points"]]
    assert len(named)
    assert min(named) >= floor - 1e-4
    assert run["points"][0]["cost"] > free["points"][0]["cost"]


@pytest.mark.parametrize("engine", ["auto", "solver"])
def test_worst_point_loss(free: Plain, tmp_path: Path, engine: str) -> None:
    """One lane is the worst of every good set here, so the merge proves it; the solver agrees."""
    tiny.job(tmp_path, choice={"objective": "worst-point"})
    run = run_front(tmp_path, "--engine", engine)
    assert run["objective"] == "worst-point"
    assert run["engine"] == ("solver" if engine == "solver" else "merge")
    assert run["complete"]
    assert {point["proof"] for point in run["points"]} <= {"merge", "merge+solver", "solver"}
    least = min(p["verified"]["loss_worst"] for p in free["points"])
    assert run["points"][-1]["verified"]["loss_worst"] <= least * (1.0 + 1e-3)


def test_height(free: Plain, tmp_path: Path) -> None:
    assert max(point["verified"]["height"] for point in free["points"]) > 4e-3
    run = solved(tmp_path, limits={"height_max_mm": 4.0})
    assert max(point["verified"]["height"] for point in run["points"]) <= 4e-3


def test_pooled_prices(tmp_path: Path) -> None:
    """A break at 300 pieces is reached only by one part at both transistor positions and more."""
    tiny.job(tmp_path, purchase={"boards_pcs": 150, "line_item_each": 0.0})
    path = tmp_path / "parts" / "mosfets.csv"
    text = path.read_text("utf-8").replace("1:0.60 100:0.40", "1:0.60 300:0.20")
    path.write_text(text, encoding="utf-8")
    run = run_front(tmp_path)
    line = next(
        line for line in run["points"][0]["verified"]["bill"] if line["part_number"] == "M-CHEAP"
    )
    assert (line["pieces"], line["quantity"], line["unit_price"]) == (2, 300, 0.2)


def test_buying_more_where_that_is_cheaper(tmp_path: Path) -> None:
    """250 pieces at 0.60 are dearer than 400 at 0.25: the rest is listed and worth nothing."""
    tiny.job(tmp_path, purchase={"boards_pcs": 125, "line_item_each": 0.0})
    path = tmp_path / "parts" / "mosfets.csv"
    text = path.read_text("utf-8").replace("1:0.60 100:0.40", "1:0.60 400:0.25")
    path.write_text(text, encoding="utf-8")
    run = run_front(tmp_path)
    lines = [line for p in run["points"] for line in p["verified"]["bill"]]
    line = next(x for x in lines if x["part_number"] == "M-CHEAP" and x["pieces"] == 2)
    assert (line["quantity"], line["line_price"], line["excess"]) == (400, 100.0, 150)


# --- engines, time, failures ----------------------------------------------------------------------


def test_the_solver_alone_finds_the_same_front(free: Plain, tmp_path: Path) -> None:
    tiny.job(tmp_path)
    run = run_front(tmp_path, "--engine", "solver")
    assert [c for c, _ in steps(run)] == pytest.approx([c for c, _ in steps(free)], abs=1e-4)
    assert [w for _, w in steps(run)] == pytest.approx([w for _, w in steps(free)], abs=1e-5)
    assert {point["proof"] for point in run["points"]} == {"solver"}


def test_prove_all(tmp_path: Path) -> None:
    tiny.job(tmp_path)
    run = run_front(tmp_path, "--prove", "all")
    assert {point["proof"] for point in run["points"]} == {"merge+solver"}


def test_nothing_feasible_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tiny.job(tmp_path, limits={"height_max_mm": 1.5})
    arguments = ["front", str(tmp_path / "tiny.toml"), "--runs", str(tmp_path / "runs")]
    assert main(arguments) == INFEASIBLE
    told = capsys.readouterr().err
    assert "buck inductor: 2 parts, 2 fell on height, 0 left" in told
    assert "Traceback" not in told
    assert not (tmp_path / "runs" / "tiny").exists()


def test_time_that_ends_the_search_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tiny.job(tmp_path)
    arguments = ["front", str(tmp_path / "tiny.toml"), "--runs", str(tmp_path / "runs")]
    assert main([*arguments, "--time-limit", "0.000001"]) == INTERRUPTED
    assert "Not proved" in capsys.readouterr().err


def test_verify_of_a_point_gives_the_figures_of_the_run(
    free: Plain, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:

    tiny.job(tmp_path)
    run_front(tmp_path)
    capsys.readouterr()
    folder = tmp_path / "runs" / "tiny"
    spec = str(tmp_path / "tiny.toml")
    assert main(["verify", spec, "--point", "1", "--run", str(folder), "--json"]) == DONE
    verified = json.loads(capsys.readouterr().out)["verified"]
    known = free["points"][0]["verified"]
    assert verified["cost"] == pytest.approx(known["cost"])
    assert verified["loss_total"] == pytest.approx(known["loss_total"], rel=1e-6)


BOARD = """
topology = "buck"
frequency_khz = 300

[positions]
input-high = {{ part_number = "{high}", pieces = 1 }}
input-low = {{ part_number = "M-FINE", pieces = 1 }}
inductor = {{ part_number = "L-LARGE" }}
sense-resistor = {{ part_number = "R-FOUR" }}
input-bank = [{{ part_number = "C-TEN", pieces = 4 }}]
output-bank = [{{ part_number = "C-TWENTY", pieces = 2 }}]
"""


def board(folder: Path, high: str) -> list[str]:
    path = folder / "board.toml"
    path.write_text(BOARD.format(high=high), encoding="utf-8")
    return ["verify", str(folder / "tiny.toml"), "--board", str(path)]


def test_verify_of_a_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tiny.job(tmp_path)
    assert main(board(tmp_path, "M-CHEAP")) == DONE
    told = capsys.readouterr().out
    assert "Every limit holds at every operating point." in told
    assert "M-CHEAP" in told
    assert "Limit chain closes" in told


def test_verify_of_a_board_that_fails(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tiny.job(tmp_path, limits={"height_max_mm": 4.0}, purchase={"states_allowed": ["active"]})
    assert main(board(tmp_path, "M-MIDDLE")) == INFEASIBLE
    told = capsys.readouterr().out
    assert "FAILS, limits that do not hold: 1" in told
    assert "life-cycle state not-for-new, NOT among the states" in told


def test_verify_of_unknown_parts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tiny.job(tmp_path)
    assert main(board(tmp_path, "M-CHEEP")) == WRONG_INPUT
    told = capsys.readouterr().err
    assert "part set input-high: got 'M-CHEEP', need a part of the mosfet catalogs" in told
    assert "did you mean 'M-CHEAP'?" in told


def test_verify_without_a_rating_at_the_drive_shows_failing_margins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tiny.job(tmp_path)
    path = tmp_path / "parts" / "mosfets.csv"
    rows = list(csv.DictReader(path.open(encoding="utf-8")))
    for row in rows:
        if row["part_number"] == "M-CHEAP":
            row |= {key: "" for key in row if "_4v5_" in key}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    assert main(board(tmp_path, "M-CHEAP")) == INFEASIBLE
    found = capsys.readouterr()
    assert "Traceback" not in found.err
    assert "nan" not in found.out
    assert "losses not known" in found.out
    assert "rds_on_4v5_max_mohm" in found.out


def test_the_folder_of_a_run_reads_back_after_a_move(tmp_path: Path) -> None:
    run = solved(tmp_path)
    moved = tmp_path / "elsewhere"
    shutil.move(tmp_path / "runs" / "tiny", moved)
    assert len(read_run(moved)["points"]) == len(run["points"])
    assert math.isfinite(run["state_difference"])
