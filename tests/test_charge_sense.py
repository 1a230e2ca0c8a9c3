"""The part of a charger's current sense: which one, at what price, how hot, how exact.

By hand: 5 A on 10 mohm lose 0.25 W, with 1 % 0.2525 W; two of 20 mohm 0.12625 W each. The board is
taken at 12 % of 14.8 V * 5 A. The drop at the end of charge (0.5 A) is 5 mV, the offset 1 mV.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import buying, charge_sense, cli, conclude, purchase, search
from optimizer import conclude_senses as senses
from optimizer.archive import board_of, read_run
from optimizer.archive_inputs import reopen
from optimizer.batch_family import choosable
from optimizer.batch_fleet import Question, answer_of
from optimizer.catalog import Catalog, read_catalog
from optimizer.catalog_changes import Changes
from optimizer.records import COST_UNIT
from optimizer.spec import read_spec
from optimizer.spec_edit import by_sense, edited
from optimizer.spec_records import Spec
from optimizer.studies.archived import take_up
from optimizer.studies.shortlist import shortlist
from tests import tiny
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
