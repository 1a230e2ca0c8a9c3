"""The part of a charger's current sense: which one, at what price, how hot, how exact.

By hand: 5 A on 10 mohm lose 0.25 W, with 1 % 0.2525 W; two of 20 mohm 0.12625 W each. The board is
taken at 12 % of 14.8 V * 5 A. The drop at the end of charge (0.5 A) is 5 mV, the offset 1 mV.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import buying, charge_sense, cli, conclude, conclude_notes, purchase, search
from optimizer import conclude_senses as senses
from optimizer.archive import board_of, read_run
from optimizer.archive_inputs import reopen
from optimizer.assembly import Sets
from optimizer.batch_family import choosable, family_of
from optimizer.batch_fleet import Question, answer_of
from optimizer.catalog import Catalog, read_catalog
from optimizer.catalog_changes import Changes
from optimizer.errors import InputError, NoFeasibleDesign
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.results import as_plain
from optimizer.spec import read_spec
from optimizer.spec_edit import by_sense, edited
from optimizer.spec_records import Spec
from optimizer.studies import second_source
from optimizer.studies.archived import take_up
from optimizer.studies.shortlist import shortlist
from tests import tiny
from tests.oracles import brute_force
from tests.oracles.random_cases import SETS_MAX
from tests.test_conclude_senses import charger

EXACT = {"terminals_pcs": "4", "resistance_tolerance_pct": "1", "resistance_drift_pct": "0.5"}
RESISTORS: dict[str, dict[str, str]] = {
    "R-TEN-WEAK": {**EXACT, "resistance_typ_mohm": "10", "power_rating_w": "0.25",
                   "price_breaks_each": "1:0.05"},
    "R-TEN": {**EXACT, "resistance_typ_mohm": "10", "price_breaks_each": "1:0.40 100:0.30"},
    "R-TEN-LOOSE": {**EXACT, "resistance_typ_mohm": "10", "resistance_tolerance_pct": "5",
                    "price_breaks_each": "1:0.40 100:0.30"},
    "R-TWENTY": {**EXACT, "resistance_typ_mohm": "20", "price_breaks_each": "1:0.30 100:0.20"},
    "R-GONE": {**EXACT, "resistance_typ_mohm": "20", "price_breaks_each": "1:0.01",
               "status": "obsolete"},
}  # fmt: skip


def job(folder: Path, **load: Any) -> Path:
    parts = {**tiny.PARTS, "resistor": {**tiny.PARTS["resistor"], **RESISTORS}}
    tiny.write_catalogs(folder / "parts", parts)
    data = charger(**{"sense_part": "cheapest", **load})
    data["choice"]["resistors_parallel_max_pcs"] = 2
    return tiny.write_spec(folder, data)


def picked(spec: Spec, catalog: Catalog) -> charge_sense.ChargePart:
    found = buying.charge_of(spec, catalog.tables)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Catalog, Path]:
    folder = tmp_path_factory.mktemp("charge")
    path = job(folder)
    assert cli.main(["front", str(path), "--runs", str(folder / "runs")]) == cli.DONE
    spec = read_spec(path)
    return spec, read_catalog(spec.catalogs), folder / "runs" / "tiny"


def test_the_cheapest_that_stands_the_heat_is_taken(made: tuple[Spec, Catalog, Path]) -> None:
    spec, catalog, _ = made
    twenty, ten = (picked(one, catalog) for one in by_sense(spec))
    assert twenty.name == "1 x R-TWENTY"
    assert ten.name == "1 x R-TEN"
    boards, rules = spec.purchase.boards, spec.purchase
    for one, breaks in ((twenty, [(1, 0.3), (100, 0.2)]), (ten, [(1, 0.4), (100, 0.3)])):
        line = purchase.line_price(boards, breaks).total
        cost = (line + rules.line_item_each) / boards + rules.placement_each
        assert one.units * COST_UNIT == pytest.approx(cost, abs=2 * COST_UNIT)
    ten_alone = by_sense(spec)[1]
    weak = picked(edited(ten_alone, ['load.sense_part = "R-TEN-WEAK"']), catalog)
    assert not weak.found
    assert "1 on power" in weak.text
    unknown = picked(edited(ten_alone, ['load.sense_part = "R-TENN"']), catalog)
    assert unknown.text == "no R-TENN is in the catalogs"
    gone = picked(edited(by_sense(spec)[0], ['load.sense_part = "R-GONE"']), catalog)
    assert "1 on life-cycle state" in gone.text


def test_parts_in_parallel_make_a_value(made: tuple[Spec, Catalog, Path]) -> None:
    spec, catalog, _ = made
    ten = edited(by_sense(spec)[1], ['load.sense_part = "R-TWENTY"'])
    found = picked(ten, catalog)
    assert found.name == "2 x R-TWENTY"
    assert "126 mW each" in found.text
    none = picked(edited(by_sense(spec)[1], ["load.resistance_sense_mohm = 7"]), catalog)
    assert not none.found
    assert none.text == "no part of the catalogs makes 7 mohm, alone or in parallel"


def test_spread_and_offset_say_where_charging_ends(made: tuple[Spec, Catalog, Path]) -> None:
    spec, catalog, _ = made
    ten = by_sense(spec)[1]
    found, sense = picked(ten, catalog), senses.sense_of(ten, picked(ten, catalog))
    board = 40.0 + 4.0 * (0.12 * ten.load.v_highest * 5.0 + 0.2525)
    temp = board + 0.2525 * (170.0 - 70.0) / 2.0
    temp += 0.0 if ten.ambient.temp_hot == 40.0 else ten.ambient.temp_hot - 40.0
    spread = 0.01 + 0.005 + 100e-6 * abs(temp - 25.0)
    assert found.i_end_max == pytest.approx(6e-3 / (10e-3 * (1.0 - spread)))
    assert found.i_end_min == pytest.approx(4e-3 / (10e-3 * (1.0 + spread)))
    assert (sense.i_end_min, sense.i_end_max) == (found.i_end_min, found.i_end_max)
    assert sense.error > senses.sense_of(ten).error
    strict = edited(spec, [f"load.i_end_error_max_ma = {1e3 * sense.error - 1:.3f}"])
    fallen = [picked(one, catalog) for one in by_sense(strict)][-1]
    assert "error of the end of charge" in fallen.text


def test_the_front_is_the_same_set_for_set_and_dearer_by_the_part(
    made: tuple[Spec, Catalog, Path],
) -> None:
    spec, catalog, _ = made
    for one in by_sense(spec):
        without = replace(one, load=replace(one.load, sense_part=""))
        fronts = [search.solve(s, catalog).front for s in (one, without)]
        assert fronts[0] is not None
        assert fronts[1] is not None
        more = picked(one, catalog).units
        assert [(p.cost, p.loss) for p in fronts[0].points] == [
            (p.cost + more, p.loss) for p in fronts[1].points
        ]


def test_the_part_stands_in_the_bill_and_the_front_is_joined_with_it(
    made: tuple[Spec, Catalog, Path],
) -> None:
    spec, catalog, folder = made
    run = read_run(folder)
    for point in run["points"]:
        (line,) = [
            one for one in point["verified"]["bill"] if one["positions"] == [charge_sense.POSITION]
        ]
        assert point["charge_sense"]["part"] == f"1 x {line['part_number']}"
        assert sum(point["verified"]["cost_items"].values()) == pytest.approx(point["cost"])
    case = take_up(spec, catalog, run)
    founds = [search.solve(one, catalog) for one in by_sense(spec)]
    rows = {
        (p.cost, p.loss + senses.loss_units(senses.found_sense(f)), senses.found_sense(f).error)
        for f in founds
        for p in (f.front.points if f.front else ())
    }
    wanted = {
        a for a in rows
        if not any(b != a and all(x <= y for x, y in zip(b, a, strict=True)) for b in rows)
    }  # fmt: skip
    got = list(zip(case.front.cost, case.front.loss, case.front.error, strict=True))
    assert len(got) == len(wanted)
    near = sorted(wanted)
    for (c, v, e), (cost, loss, error) in zip(sorted(got), near, strict=True):
        assert c == cost
        assert abs(v - loss) <= 20
        assert e == pytest.approx(error, rel=1e-5)
    notes = [one["text"] for one in run["notes"] if one["subject"].startswith(charge_sense.SUBJECT)]
    assert any(text.startswith("1 x R-TEN, the cheapest that will do") for text in notes)
    order = shortlist(case, sets=4, differ=1).data["order"]
    assert {"R-TEN", "R-TWENTY"} & {line["part_number"] for line in order}


def test_area_counts_the_part(made: tuple[Spec, Catalog, Path]) -> None:
    spec, catalog, _ = made
    one = by_sense(spec)[0]
    front = conclude.front(one, catalog, engine="merge", detailed=0)
    used = min(point.verified.area for point in front.points)
    part = picked(one, catalog).area
    assert part > 0.0
    tight = replace(one, limits=replace(one.limits, area_max=used + 1e-9))
    again = conclude.front(tight, catalog, engine="solver", detailed=0)
    assert max(point.verified.area for point in again.points) <= used + 1e-9
    bare = replace(tight, load=replace(tight.load, sense_part=""))
    more = conclude.front(bare, catalog, engine="solver", detailed=0)
    assert min(point.verified.area for point in more.points) == pytest.approx(used - part)


def test_a_part_gone_is_told_and_dearer(
    made: tuple[Spec, Catalog, Path],
) -> None:
    *_, folder = made
    opened = reopen(folder)
    number = next(
        p["number"] for p in opened.run["points"] if p["charge_sense"]["part"] == "1 x R-TEN"
    )
    found = answer_of(opened, number, Question(Changes(("R-TEN",))))
    assert found["answer"]["verdict"] == "passes"
    assert found["answer"]["affected"] == ["R-TEN"]
    assert found["lost_pieces"] == {"R-TEN": 1}
    (reason,) = found["answer"]["reasons"]
    assert "R-TEN (charge-current sense) changed; now" in reason
    assert found["answer"]["again"]["cost_change"] >= 0.0
    assert found["front"]["status"] == "points fall"
    other = answer_of(opened, number, Question(Changes(("C-TEN",))))
    assert "charge-current" not in json.dumps(other["answer"]["reasons"])
    point = opened.run["points"][number - 1]
    bill = point["verified"]["bill"]
    held = choosable(by_sense(opened.spec)[1], board_of(point), 1.0, "", bill=bill)
    assert held.pieces["R-TEN"] == 1


def test_without_the_key_or_a_part_all_stays_as_it_was(made: tuple[Spec, Catalog, Path]) -> None:
    spec, catalog, _ = made
    one = by_sense(spec)[1]
    plain = replace(one, load=replace(one.load, sense_part=""))
    assert buying.charge_of(plain, catalog.tables) is None
    odd = edited(one, ["load.resistance_sense_mohm = 7"])
    bare = edited(odd, ["load.sense_part = none"])
    costs = [
        [p.cost for p in conclude.front(s, catalog, engine="merge", detailed=0).points]
        for s in (odd, bare)
    ]
    assert costs[0] == costs[1]
    texts = [
        [n.text for n in conclude.front(s, catalog, engine="merge", detailed=0).notes]
        for s in (odd, bare)
    ]
    assert any("no part of the catalogs makes 7 mohm" in text for text in texts[0])
    assert any("not given, assumed not counted" in text for text in texts[1])
    assert np.isfinite(costs[0]).all()


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
                 "maker": "Other"},
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
