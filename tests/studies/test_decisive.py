"""Filled cells that decide: against every set, and halves of groups against each cell by itself."""

from __future__ import annotations

import csv
import math
import os
from pathlib import Path

import pytest

from optimizer.catalog import read_catalog
from optimizer.cli import DONE, main
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.spec import read_spec
from optimizer.studies.archived import Archived
from optimizer.studies.decisive import (
    decisive_fills,
    effect_of,
    filled_cells,
    refilled,
)
from tests import tiny
from tests.oracles import brute_force
from tests.oracles.brute_force import Points
from tests.studies import cases
from tests.test_story_catalog import KINDS, shipped

# --- against every set ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Archived:
    """A tiny run with some cells blank, each also stated by another part of its kind."""
    folder = tmp_path_factory.mktemp("small")
    parts = {kind: dict(rows) for kind, rows in tiny.PARTS.items()}
    parts["mosfet"]["M-CHEAP"] = parts["mosfet"]["M-CHEAP"] | {"rds_on_10v_max_mohm": ""}
    parts["mosfet"]["M-FINE"] = parts["mosfet"]["M-FINE"] | {"q_output_max_nc": ""}
    parts["inductor"]["L-SMALL"] = parts["inductor"]["L-SMALL"] | {"dcr_typ_mohm": ""}
    parts["capacitor"]["C-TEN"] = parts["capacitor"]["C-TEN"] | {"capacitance_bias_pct_pct": ""}
    parts["resistor"]["R-FOUR"] = parts["resistor"]["R-FOUR"] | {"resistance_tolerance_pct": ""}
    tiny.write_catalogs(folder / "parts", parts)
    data = tiny.spec_data()
    data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
    data["limits"] |= {"v_ripple_output_mv": 90.0, "v_ripple_input_mv": 600.0}
    spec = read_spec(tiny.write_spec(folder, data))
    case = cases.finished(spec, read_catalog(spec.catalogs))
    assert case is not None
    return case


def front(case: Archived, catalog: object) -> Points:
    judged = cases.looked(case.spec, catalog, dict(case.prepared.references))  # type: ignore[arg-type]
    return brute_force.front(judged, worst=False)


def test_a_cell_moves_the_front_as_far_as_all_sets_say(small: Archived) -> None:
    cells, unseen = filled_cells(small)
    assert unseen == []
    assert {c.key for c in cells} >= {"rds_on_10v_max", "dcr_typ", "capacitance_bias"}
    before, moved = front(small, small.catalog), 0
    for cell in cells:
        after = front(small, refilled(small.catalog, [cell]))
        gains = [gain(before, c, w) for c, w in pairs(after)]
        new = [(c, w) for c, w in gains if c > 0.01 + 1e-6 and w > 1e-3 + 1e-7]
        effect = effect_of(small, [cell])
        assert effect.fresh == len(new), cell
        told = effect.cost * COST_UNIT, effect.loss * LOSS_UNIT
        for value, seen in zip(told, zip(*new, strict=True), strict=False):
            assert value == pytest.approx(max(g for g in seen if g < math.inf), abs=2e-4), cell
        moved += effect.moves
    assert 0 < moved < len(cells)


def gain(before: Points, cost: float, loss: float) -> tuple[float, float]:
    """What a point saves on all sets of before: money at no more loss, watts at no more cost."""
    dearer = [c for c, w in pairs(before) if w <= loss + 1e-7]
    lossier = [w for c, w in pairs(before) if c <= cost + 1e-7]
    return min(dearer, default=math.inf) - cost, min(lossier, default=math.inf) - loss


def pairs(points: Points) -> list[tuple[float, float]]:
    return list(zip(points.cost.tolist(), points.loss.tolist(), strict=True))


def test_counterparts_are_stated_by_another_part(small: Archived) -> None:
    """The stated value farthest to the good side of its fill, carried over to the fill at hand."""
    cell = next(c for c in filled_cells(small)[0] if c.key == "rds_on_10v_max")
    others = small.catalog.tables["mosfet"].numbers
    given = [others["rds_on_10v_max"][k] / others["rds_on_10v_typ"][k] for k in (1, 2)]
    assert cell.value == pytest.approx(1.3 * 48e-3)
    assert cell.best == pytest.approx(min(given) * 48e-3)


# --- many cells -----------------------------------------------------------------------------------

EACH = 9
"""Rows of each kind."""

BLANK: dict[str, dict[str, range]] = {
    "mosfet": {"rds_on_10v_max_mohm": range(8), "r_gate_max_ohm": range(2, 6)},
    "inductor": {"dcr_max_mohm": range(6), "inductance_tolerance_pct": range(4, 8)},
    "capacitor": {"capacitance_bias_pct_pct": range(4), "esr_max_mohm": range(4, 8)},
    "resistor": {"resistance_tolerance_pct": range(4), "resistance_drift_pct": range(4)},
}
"""Cells that a fill stands in for: 38 of them."""

WITHIN = {
    "mosfet": ("v_drain_source_rating_v", 55, 65),
    "inductor": ("inductance_typ_uh", 7, 25),
    "capacitor": ("v_rating_v", 45, 110),
    "resistor": ("resistance_typ_mohm", 3.5, 8),
}
"""Rows that the job can use."""


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A step-down spec and a few sound rows of the shipped catalogs with 38 cells blank."""
    folder = tmp_path_factory.mktemp("blank")
    (folder / "parts").mkdir()
    for kind in KINDS:
        header, low, high = WITHIN[kind]
        rows = [r for r in shipped(kind) if r["status"] == "active" and r["approval"] == "yes"]
        rows = [r for r in rows if low < float(r[header]) < high]
        rows = [r for r in rows if r.get("rds_on_4v5_max_mohm") != ""]
        if kind == "capacitor":
            rows = [r for r in rows if r["technology"] == "ceramic-2"]
        if kind == "inductor":
            rows = [r for r in rows if float(r["i_saturation_typ_a"]) > 6]
        rows = rows[:EACH]
        for column, blank in BLANK[kind].items():
            for row in blank:
                rows[row][column] = ""
        path = folder / "parts" / f"{kind}s.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    data = tiny.spec_data()
    data["choice"] |= {"bank_pieces_max_pcs": 6, "bank_types_max_pcs": 1}
    data["limits"] |= {"v_ripple_output_mv": 100.0, "v_ripple_input_mv": 700.0}
    return tiny.write_spec(folder, data)


@pytest.fixture(scope="module")
def many(job: Path) -> Archived:
    spec = read_spec(job)
    case = cases.finished(spec, read_catalog(spec.catalogs))
    assert case is not None
    return case


def test_few_of_many_fills_decide(many: Archived) -> None:
    """Halves of groups find the one cell that decides: the class II ceramic without a bias curve.

    FILLS=all asks each of the 38 by itself too.
    """
    found = decisive_fills(many)
    assert found.proved
    assert found.data["filled"] == 38
    assert [c["column"] for c in found.data["deciding"]] == ["capacitance_bias_pct_pct"]
    assert found.data["searches"] < 20
    assert found.answer.startswith("the front depends on 1 of the 38 filled cells")
    cells, _ = filled_cells(many)
    others = [c for c in cells if c.part != found.data["deciding"][0]["part"]]
    assert not effect_of(many, others).moves
    if os.environ.get("FILLS") == "all":
        assert decisive_fills(many, each=True).data["deciding"] == found.data["deciding"]


def test_a_stop_leaves_cells_unasked(small: Archived) -> None:
    found = decisive_fills(small, stop=lambda: True)
    assert not found.proved
    assert len(found.data["not_asked"]) == found.data["filled"]


def test_the_command_tells_each_cell(
    small: Archived, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = Path(small.spec.path)
    assert main(["front", str(path), "--runs", str(tmp_path)]) == DONE
    capsys.readouterr()
    assert main(["fills", str(path), "--run", str(tmp_path / "tiny"), "--each"]) == DONE
    text = " ".join(capsys.readouterr().out.split())
    for cell in filled_cells(small)[0]:
        told = f"{cell.part} {cell.header}" in text or f"{cell.part} │ {cell.header}" in text
        assert told == effect_of(small, [cell]).moves, cell
