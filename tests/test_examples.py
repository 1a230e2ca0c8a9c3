"""The shipped runs against the code: every point verified again, and one run searched again.

EXAMPLES=all (an environment variable) searches all of them again, which takes minutes.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from optimizer import conclude, search
from optimizer.archive import part_set_of, read_run
from optimizer.catalog import read_catalog
from optimizer.catalog_changes import read_changes
from optimizer.cli import main
from optimizer.records import COST_UNIT
from optimizer.spec import read_spec

FOLDER = Path(__file__).parents[1] / "runs" / "examples"
NAMES = ("cabinet", "cargo_bike", "hut_link")
USES = ("clinic_fridge", "ferry_lamp", "frost_watch", "tunnel_lamp")
"""Lamps, chargers, surges. Losses fed from the output node add to the current of the output bank;
the sizing states put all loss into the coil's path, so a ripple limit that is just met there may be
missed by a little at the own state. The notes of the run say so."""
MISSED_MOST = 0.01
AGAIN = (*NAMES, *USES) if os.environ.get("EXAMPLES") == "all" else ()
SIZE_MAX = 3e6
STEP_COST, STEP_LOSS = 0.01, 1e-3


def run_of(name: str) -> dict[str, Any]:
    """The archived run of an example."""
    run: dict[str, Any] = read_run(FOLDER / name)
    return run


@pytest.mark.parametrize("name", [*NAMES, *USES])
def test_shipped_run_is_complete_proved_and_small(name: str) -> None:
    run = run_of(name)
    assert run["complete"]
    assert all(point["proof"] for point in run["points"])
    assert sum(path.stat().st_size for path in (FOLDER / name).rglob("*")) < SIZE_MAX


@pytest.mark.parametrize("name", [*NAMES, *USES])
def test_some_points_verify_to_the_archived_numbers(name: str) -> None:
    """Ends, knee and a few between: own state, cost, margins and power balance."""
    run = run_of(name)
    spec = read_spec(FOLDER / f"{name}.toml")
    catalog = read_catalog(spec.catalogs)
    points = run["points"]
    marked = [k for k, point in enumerate(points) if point["mark"]]
    chosen = sorted({*marked, *range(0, len(points), max(1, len(points) // 4))})
    for k in chosen:
        part_set = part_set_of(run, points[k]["number"], place=name)
        verified, _ = conclude.verify_board(spec, catalog, part_set)
        assert verified.cost == pytest.approx(points[k]["cost"], abs=1e-4)
        stored = points[k]["verified"]["loss_mission"]
        assert verified.loss_mission == pytest.approx(stored, rel=1e-6)
        assert float(verified.balance_error.max()) < 1e-3
        missed = [margin.margin for margin in verified.failures]
        assert min(missed, default=0.0) > -MISSED_MOST if name in USES else not missed


@pytest.mark.parametrize("name", [*NAMES, *USES])
def test_power_balances_at_every_lane_of_the_detailed_points(name: str) -> None:
    points = run_of(name)["points"]
    kept = [point for point in points if point["verified"]["balance_error"]]
    assert len(kept) >= min(30, len(points))
    for point in kept:
        errors = point["verified"]["balance_error"]
        assert errors
        assert max(errors) < 1e-3


@pytest.mark.parametrize("name", AGAIN)
def test_search_again_gives_the_same_front(name: str) -> None:
    spec = read_spec(FOLDER / f"{name}.toml")
    again = conclude.front(spec, read_catalog(spec.catalogs), engine="merge")
    old = [(p["cost"], p["loss_model"]) for p in run_of(name)["points"]]
    new = [(p.cost, p.loss_model) for p in again.points]
    for some, other in ((old, new), (new, old)):
        for cost, loss in some:
            assert any(abs(cost - c) <= STEP_COST and abs(loss - v) <= STEP_LOSS for c, v in other)


@pytest.mark.skipif(not AGAIN, reason="EXAMPLES=all searches the whole catalogs")
def test_forbidding_mixed_banks_worsens_the_front() -> None:
    points = run_of("cabinet")["points"]
    banks = ("bank_input", "bank_output")
    assert any(len(p["verified"]["part_set"][bank]) > 1 for p in points for bank in banks)
    spec = read_spec(FOLDER / "cabinet.toml")
    spec = replace(spec, choice=replace(spec.choice, bank_types_max=1))
    found = search.solve(spec, read_catalog([*spec.catalogs]), engine="merge")
    assert found.front is not None
    assert found.front.complete
    assert min(p.cost for p in found.front.points) * COST_UNIT > points[0]["cost"] + STEP_COST


def test_the_shipped_runs_are_a_fleet_with_withdrawn_parts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command of `runs/changes.toml`: what is affected is what holds the parts."""
    changes = read_changes(FOLDER.parent / "changes.toml")
    call = ["fleet", str(FOLDER), "--changes", str(FOLDER.parent / "changes.toml")]
    assert main([*call, "--jobs", "1", "--journal", str(tmp_path / "j"), "--json"]) == 0
    lines = {one["run"]: one for one in json.loads(capsys.readouterr().out)["lines"]}
    assert set(lines) == {*NAMES, *USES}
    for name, line in lines.items():
        knee = next(point for point in run_of(name)["points"] if point["mark"] == "knee")
        held = {one["part_number"] for one in knee["verified"]["bill"]}
        assert set(line["affected"]) == held & changes.names
        assert (line["verdict"] == "unaffected") == (not line["affected"])
