"""What a charger's current sense costs beside an equal part at the coil, and its second source.

Prices are added up line by line in plain words; every set of a tiny catalog is looked at.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import buying, charge_sense, cli, conclude, conclude_notes, purchase, search
from optimizer.archive import read_run
from optimizer.archive_inputs import reopen
from optimizer.assembly import Sets
from optimizer.batch_family import family_of
from optimizer.catalog import Catalog, read_catalog
from optimizer.errors import InputError, NoFeasibleDesign
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.results import as_plain
from optimizer.spec import read_spec
from optimizer.spec_edit import edited
from optimizer.spec_records import Spec
from optimizer.studies import second_source
from tests import tiny
from tests.oracles import brute_force
from tests.oracles.random_cases import SETS_MAX
from tests.test_charge_sense import EXACT, picked
from tests.test_conclude_senses import charger

# --- one line with the resistor in series with the coil -------------------------------------------

SHARED: dict[str, dict[str, str]] = {
    "R-BOTH": {**EXACT, "price_breaks_each": "1:0.30 150:0.20"},
    "R-COIL": {**EXACT, "resistance_typ_mohm": "4.3", "price_breaks_each": "1:0.28"},
    "R-FORTY": {**EXACT, "resistance_typ_mohm": "40", "power_rating_w": "3",
                "price_breaks_each": "1:0.10"},
}  # fmt: skip
"""4.7 mohm of one part only; in series with the coil R-COIL is cheaper and loses less alone."""


def paid(spec: Spec, catalog: Catalog, held: dict[tuple[str, int], int]) -> int:
    """Cost units of the parts of a board in plain words: each part number one line."""
    total, rules = 0, spec.purchase
    for (kind, row), pieces in held.items():
        breaks = list(catalog.tables[kind].price_breaks[row])
        line = purchase.line_price(pieces * rules.boards, breaks).total
        total += purchase.cost_units(line, boards=rules.boards)
        total += purchase.cost_units(rules.line_item_each, boards=rules.boards)
        total += pieces * purchase.cost_units(rules.placement_each, boards=1)
    return int(total)


def parts_of(sets: Sets, k: int) -> dict[tuple[str, int], int]:
    """Pieces of each part of one set on one board."""
    held: Counter[tuple[str, int]] = Counter()
    held["inductor", int(sets.coil[k])] += int(sets.coil_pieces[k])
    held["resistor", int(sets.sense[0][k])] += int(sets.sense[1][k])
    for row, pieces in sets.transistor.values():
        held["mosfet", int(row[k])] += int(pieces[k])
    for first, first_pieces, second, second_pieces in sets.bank.values():
        held["capacitor", int(first[k])] += int(first_pieces[k])
        if second[k] >= 0:
            held["capacitor", int(second[k])] += int(second_pieces[k])
    return dict(held)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Catalog]:
    """The job of `SHARED` at 4.7 mohm, where one part may stand at both places."""
    folder = tmp_path_factory.mktemp("shared")
    tiny.write_catalogs(folder / "parts", {**tiny.PARTS, "resistor": SHARED})
    data = charger(sense_part="cheapest", resistance_sense_mohm=4.7)
    data["choice"]["resistors_parallel_max_pcs"] = 2
    spec = read_spec(tiny.write_spec(folder, data))
    return spec, read_catalog(spec.catalogs)


def test_the_front_pools_the_part_with_an_equal_one_at_the_coil(
    shared: tuple[Spec, Catalog],
) -> None:
    """Every set, its price added up line by line in plain words, against the front."""
    spec, catalog = shared
    found, charge = search.solve(spec, catalog), picked(spec, catalog)
    assert found.front is not None
    assert found.front.complete
    judged = brute_force.judge_case(spec, catalog, references=dict(found.references))
    assert sum(len(part.sets) for part in judged) <= SETS_MAX
    fixed, key = buying.controller_units(spec, "buck"), ("resistor", charge.row)
    for part in judged:
        held = [parts_of(part.sets, k) for k in range(len(part.sets))]
        each = [one | {key: one.get(key, 0) + charge.pieces} for one in held]
        assert [fixed + paid(spec, catalog, one) for one in each] == part.cost.tolist()
    wanted = brute_force.front(judged, worst=False)
    points = [(one.cost * COST_UNIT, one.loss * LOSS_UNIT) for one in found.front.points]
    assert brute_force.differences(brute_force.Points(*np.array(points).T), wanted) == []
    names = catalog.tables["resistor"].part_number
    both = {names[judged[n].sets.sense[0][k]] for n, k in wanted.which}
    assert both == {"R-BOTH", "R-COIL"}


def test_the_bill_holds_both_on_one_line_and_adds_up(shared: tuple[Spec, Catalog]) -> None:
    spec, catalog = shared
    run = conclude.front(spec, catalog, engine="merge", detailed=0)
    lines = [line for p in run.points for line in p.verified.bill if line.part_number == "R-BOTH"]
    both = [line for line in lines if len(line.positions) > 1]
    assert both
    assert len(lines) == len(run.points)
    for line in both:
        assert line.positions == ("sense-resistor", charge_sense.POSITION)
        assert line.pieces == 2
        assert line.unit_price == 0.20
        assert charge_sense.held_on(as_plain([line]), 1) == ("R-BOTH", 1)
    for point in run.points:
        assert point.verified.cost == pytest.approx(point.cost)
        assert sum(point.verified.cost_items.values()) == pytest.approx(point.cost)


def test_a_front_with_the_price_apart_lacks_points(
    shared: tuple[Spec, Catalog], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The planted fault: the part as a line of its own, whatever stands at the coil."""
    spec, catalog = shared
    true = search.solve(spec, catalog).front
    listed = buying.price_list(spec, [catalog.tables[kind] for kind in buying.KIND_ORDER])
    apart = replace(listed, charge=picked(spec, catalog))
    monkeypatch.setattr(buying, "prices", lambda *_: apart)
    wrong = search.solve(spec, catalog).front
    assert true is not None
    assert wrong is not None
    assert min(p.cost for p in true.points) < min(p.cost for p in wrong.points)
    assert {p.loss for p in true.points} - {p.loss for p in wrong.points}


def test_a_part_that_would_be_cheaper_at_both_places_is_told(tmp_path: Path) -> None:
    """R-DRIFTY is cheaper by 0.05, not exact enough for the coil; a line item of 8 is 0.08."""
    drifty = {
        **SHARED["R-BOTH"],
        "resistance_drift_pct": "10",
        "resistance_tolerance_pct": "10",
        "price_breaks_each": "1:0.15",
    }
    only = {"R-BOTH": SHARED["R-BOTH"], "R-DRIFTY": drifty}
    tiny.write_catalogs(tmp_path / "parts", {**tiny.PARTS, "resistor": only})
    data = charger(sense_part="cheapest", resistance_sense_mohm=4.7)
    data["controllers"]["buck"]["v_sense_min_mv"] = 34.0
    spec = read_spec(tiny.write_spec(tmp_path, data))
    catalog = read_catalog(spec.catalogs)
    assert picked(spec, catalog).name == "1 x R-DRIFTY"
    run = conclude.front(spec, catalog, engine="merge", detailed=0)
    texts = [note.text for note in run.notes if note.subject == charge_sense.SUBJECT]
    (told,) = [text for text in texts if "in series with the coil; with it" in text]
    same = edited(spec, ['load.sense_part = "R-BOTH"'])
    other = conclude.front(same, catalog, engine="merge", detailed=0)
    saved = run.points[0].cost - other.points[0].cost
    assert saved > 0.0
    assert told.startswith(f"{len(run.points)} points hold R-BOTH in series with the coil")
    assert f"up to {saved:.4f} EUR less" in told
    assert not any("with it at the" in note.text for note in other.notes)


def test_the_bound_of_a_family_holds_for_the_part_of_its_run(tmp_path: Path) -> None:
    """Two runs of 100 boards, a line of 24 on both is 0.12 a board.

    R-DRIFTY costs 0.15 in an order of 300, less than R-BOTH, but will not do at the coil: one line
    of R-BOTH (2 x 0.20 + 0.12) costs less than any board with both (0.20 + 0.15 + 2 x 0.12).
    """
    drifty = {**SHARED["R-BOTH"], "resistance_drift_pct": "10", "resistance_tolerance_pct": "10",
              "price_breaks_each": "1:0.25 300:0.15"}  # fmt: skip
    both = {**SHARED["R-BOTH"], "price_breaks_each": "1:0.20"}
    only = {"R-BOTH": both, "R-DRIFTY": drifty}
    tiny.write_catalogs(tmp_path / "parts", {**tiny.PARTS, "resistor": only})
    data = charger(sense_part="cheapest", resistance_sense_mohm=4.7)
    data["controllers"]["buck"]["v_sense_min_mv"] = 34.0
    data["purchase"]["line_item_each"] = 24.0
    path = tiny.write_spec(tmp_path, data)
    for name in ("one", "two"):
        call = ["front", str(path), "--runs", str(tmp_path / "runs"), "--name", name]
        assert cli.main(call) == cli.DONE
    opened = [reopen(tmp_path / "runs" / name) for name in ("one", "two")]
    assert picked(opened[0].spec, read_catalog(opened[0].spec.catalogs)).name == "1 x R-BOTH"
    found = family_of(opened, [100, 100], with_bound=True)
    assert found.bound is not None
    assert 0.9 * found.cheapest[-1].cost < found.bound <= found.cheapest[-1].cost


# --- second sources -------------------------------------------------------------------------------

TWO_MAKERS: dict[str, dict[str, str]] = {
    "R-LONE": {**EXACT, "resistance_typ_mohm": "10", "land_pattern": "odd",
               "price_breaks_each": "1:0.10"},
    "R-FIRST": {**EXACT, "resistance_typ_mohm": "10", "price_breaks_each": "1:0.30"},
    "R-SECOND": {**EXACT, "resistance_typ_mohm": "10", "price_breaks_each": "1:0.35",
                 "maker": "Other", "length_mm": "12"},
    "R-WEAK": {**EXACT, "resistance_typ_mohm": "10", "price_breaks_each": "1:0.20",
               "maker": "Other", "power_rating_w": "0.25"},
}  # fmt: skip
"""10 mohm: the cheapest has pads of its own, R-WEAK does not stand the heat."""


def doubled(folder: Path, *, gone: str = "", **purchase: Any) -> tuple[Path, Spec, Catalog]:
    resistors = {k: v for k, v in {**tiny.PARTS["resistor"], **TWO_MAKERS}.items() if k != gone}
    tiny.write_catalogs(folder / "parts", {**tiny.PARTS, "resistor": resistors})
    data = charger(sense_part="cheapest", resistance_sense_mohm=10)
    data["purchase"] |= purchase
    path = tiny.write_spec(folder, data)
    spec = read_spec(path)
    return path, spec, read_catalog(spec.catalogs)


def test_a_demand_takes_the_cheapest_part_that_has_an_alternate(tmp_path: Path) -> None:
    _, spec, catalog = doubled(tmp_path)
    free = picked(spec, catalog)
    assert (free.name, free.alternates) == ("1 x R-LONE", ())
    assert free.text.endswith("on its pads no part of another maker")
    asked = edited(spec, ['purchase.second_source = ["charge-sense"]'])
    found = picked(asked, catalog)
    assert (found.name, found.alternates) == ("1 x R-FIRST", ("R-SECOND",))
    assert found.text.endswith("on its pads also 1 x R-SECOND")
    twin = picked(edited(asked, ['load.sense_part = "R-SECOND"']), catalog)
    assert found.area < found.area_most == twin.area
    fronts = [search.solve(one, catalog).front for one in (spec, asked)]
    assert fronts[0] is not None
    assert fronts[1] is not None
    more = found.units - free.units
    assert [(p.cost + more, p.loss) for p in fronts[0].points] == [
        (p.cost, p.loss) for p in fronts[1].points
    ]


def test_a_demand_that_no_part_meets_leaves_no_set_and_says_so(tmp_path: Path) -> None:
    _, spec, catalog = doubled(tmp_path, gone="R-SECOND", second_source=["charge-sense"])
    found = picked(spec, catalog)
    assert not found.found
    assert "2 on no part of another maker on its pads" in found.text
    with pytest.raises(NoFeasibleDesign, match="second source at the charge-current sense") as told:
        conclude.front(spec, catalog, engine="merge", detailed=0)
    assert "second sources" in str(told.value.remedy)


def test_a_demand_without_a_part_is_refused_and_all_names_what_it_leaves_out(
    tmp_path: Path,
) -> None:
    _, spec, catalog = doubled(tmp_path)
    with pytest.raises(InputError, match="a second source for the charge-sense, which has no part"):
        edited(spec, ["load.sense_part = none", 'purchase.second_source = ["charge-sense"]'])
    bare = edited(spec, ["load.sense_part = none", 'purchase.second_source = ["sense-resistor"]'])
    makers = replace(bare, purchase=replace(bare.purchase, second_source=()))
    prepared = search.prepared(makers, catalog)
    (text,) = [
        note.text
        for note in conclude_notes.run_notes(replace(prepared, spec=bare), catalog, ())
        if note.subject == "second sources"
    ]
    assert text.endswith("the charge-current sense has none, as no part of it is asked for")


def test_the_table_of_a_board_names_the_second_source_of_the_charge_sense(tmp_path: Path) -> None:
    _, spec, catalog = doubled(tmp_path, second_source=["charge-sense"])
    board = tiny.board(sense=("R-FOUR", 1))
    table = second_source.second_source(spec, catalog, board)
    (line,) = [one for one in table.lines if one.positions == (charge_sense.POSITION,)]
    assert (line.primary, line.maker, line.pieces) == ("R-FIRST", "Tester", 1)
    assert line.alternate == "R-SECOND"
    told = {one.part: one for one in line.candidates}
    assert told["R-SECOND"].cost_change == pytest.approx(0.05)
    assert not told["R-WEAK"].passes
    assert "power" in told["R-WEAK"].reason
    assert charge_sense.POSITION not in table.single
    assert table.cost_most - table.cost_least == pytest.approx(0.05)
    alone = edited(spec, ['load.sense_part = "R-LONE"', "purchase.second_source = []"])
    table = second_source.second_source(alone, catalog, board)
    assert charge_sense.POSITION in table.single
    assert not table.robust


def test_the_evidence_of_a_point_names_what_stands_in_for_it(tmp_path: Path) -> None:
    path, _, _ = doubled(tmp_path, second_source=["charge-sense"])
    assert cli.main(["front", str(path), "--runs", str(tmp_path / "runs")]) == cli.DONE
    point = read_run(tmp_path / "runs" / "tiny")["points"][0]
    others = {one["part_number"]: one for one in point["evidence"]["alternates"]["R-FIRST"]}
    assert others["R-SECOND"]["passes"]
    assert others["R-SECOND"]["cost"] == pytest.approx(point["cost"] + 0.05)
    assert others["R-SECOND"]["loss_mission"] == pytest.approx(point["verified"]["loss_mission"])
    assert set(others) == {"R-SECOND"}


def test_a_part_at_both_places_is_replaced_at_both(tmp_path: Path) -> None:
    """R-TWIN costs 0.05 more a piece: two of it 0.10, still on one line."""
    twin = {**SHARED["R-BOTH"], "price_breaks_each": "1:0.25", "maker": "Other"}
    both = {**SHARED["R-BOTH"], "price_breaks_each": "1:0.20"}
    resistors = {"R-BOTH": both, "R-TWIN": twin}
    tiny.write_catalogs(tmp_path / "parts", {**tiny.PARTS, "resistor": resistors})
    data = charger(sense_part="cheapest", resistance_sense_mohm=4.7)
    spec = read_spec(tiny.write_spec(tmp_path, data))
    run = conclude.front(spec, read_catalog(spec.catalogs), engine="merge", detailed=1)
    point = next(one for one in run.points if one.evidence is not None)
    assert point.evidence is not None
    (other,) = point.evidence.alternates["R-BOTH"]
    assert (other.part_number, other.passes) == ("R-TWIN", True)
    assert other.cost == pytest.approx(point.cost + 0.10)
