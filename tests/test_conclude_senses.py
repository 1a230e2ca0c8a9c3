"""The charge-current sense as a choice: one joint front, against all sets of all values.

Check values by hand: 0.5 A on 10 mohm is 5 mV; an offset of 1 mV is 0.1 A there, so charging
ends between 0.4 and 0.6 A; 20 mohm halves the error and costs 5 A * 5 A * 10 mohm = 0.25 W more.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer import cli, conclude, search
from optimizer import conclude_senses as senses
from optimizer.archive import read_run
from optimizer.catalog import read_catalog
from optimizer.charge_sense import SUBJECT
from optimizer.errors import InputError
from optimizer.found import Found
from optimizer.frontier import Frontier
from optimizer.points import points
from optimizer.records import COST_UNIT, LOSS_UNIT, Selection
from optimizer.report.netlist import netlist_text
from optimizer.report.page_data import page_data
from optimizer.report.tables import front_tables
from optimizer.spec import parse_spec, read_spec
from optimizer.spec_edit import by_sense
from optimizer.spec_records import Spec
from tests import tiny, use_specs
from tests.oracles import brute_force
from tests.oracles.random_cases import SETS_MAX

OHMS = [20, 10]


def charger(*, types: int = 1, **load: Any) -> dict[str, Any]:
    """A lead-acid charger of 5 A on a tiny catalog."""
    data = tiny.spec_data()
    data["load"] = {"kind": "lead-acid", "cells_pcs": 6, "i_output_a": 5, **load}
    data["load"].setdefault("resistance_sense_mohm", OHMS)
    data["controllers"]["buck"] |= {
        "v_overvoltage_min_v": 17.0, "v_overvoltage_typ_v": 17.5, "v_overvoltage_max_v": 18.0,
        "v_sense_min_mv": 44.0,
    }  # fmt: skip
    del data["mission"], data["limits"]["floors"]
    data["limits"] |= {"loss_ceiling_pct": 12.0, "v_ripple_output_mv": 500.0}
    data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": types}
    return data


def written(folder: Path, data: dict[str, Any]) -> Path:
    tiny.write_catalogs(folder / "parts")
    return tiny.write_spec(folder, data)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: Any) -> tuple[Path, Path]:
    """Spec file and run folder of the charger."""
    folder = tmp_path_factory.mktemp("senses")
    spec = written(folder, charger())
    assert cli.main(["front", str(spec), "--runs", str(folder / "runs")]) == cli.DONE
    return spec, folder / "runs" / "tiny"


def test_the_front_offers_both_with_their_errors(ran: tuple[Path, Path]) -> None:
    """Orchard charger: 0.4 to 0.6 A on 10 mohm; 20 mohm halves it for 0.25 W more."""
    run = read_run(ran[1])
    assert run["complete"]
    by_ohms: dict[float, dict[str, Any]] = {}
    for point in run["points"]:
        by_ohms.setdefault(round(point["charge_sense"]["resistance"], 6), point["charge_sense"])
    ten, twenty = by_ohms[0.01], by_ohms[0.02]
    assert (ten["i_end_min"], ten["i_end"], ten["i_end_max"]) == pytest.approx((0.4, 0.5, 0.6))
    assert (twenty["i_end_min"], twenty["i_end_max"]) == pytest.approx((0.45, 0.55))
    notes = [n["text"] for n in run["notes"] if n["subject"] == SUBJECT]
    assert any("20 mohm: charging ends at 500 mA, between 450 mA and 550 mA" in t for t in notes)
    assert any("10 mohm: " in text and "; 250 mW in it at full current" in text for text in notes)
    assert any("20 mohm: " in text and "; 500 mW in it at full current" in text for text in notes)
    mission = sum(row.share * (row.load_share * 5.0) ** 2 for row in read_spec(ran[0]).mission)
    assert twenty["loss"] - ten["loss"] == pytest.approx(0.01 * mission)


def test_every_point_is_labelled_where_it_is_read(ran: tuple[Path, Path], capfd: Any) -> None:
    run = read_run(ran[1])
    with (ran[1] / "front.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["point"]) for row in rows] == list(range(1, len(rows) + 1))
    assert {row["charge_sense_mohm"] for row in rows} == {"10.0", "20.0"}
    for row, point in zip(rows, run["points"], strict=True):
        both = float(row["loss_w"]) + float(row["charge_sense_loss_w"])
        assert float(row["loss_with_charge_sense_w"]) == pytest.approx(both, abs=2e-3)
        assert float(row["end_of_charge_max_a"]) == point["charge_sense"]["i_end_max"]
    (table, *_) = front_tables(run, run["points"], width=200)
    assert "charging ends A" in [column.header for column in table.columns]
    assert "as near at the end of charge" in (ran[1] / "summary.txt").read_text().replace("\n", " ")
    for number in (rows[0]["point"], rows[-1]["point"]):
        code = cli.main(["verify", str(ran[0]), "--point", number, "--run", str(ran[1]), "--json"])
        assert code == cli.DONE, capfd.readouterr().err
        told = capfd.readouterr().out
        volts = run["points"][int(number) - 1]["verified"]["lanes"]["v_output"]
        assert str(round(max(volts), 3))[:6] in told


def test_joint_front_is_that_of_all_sets_of_all_values(tmp_path: Path) -> None:
    spec = read_spec(written(tmp_path, charger(types=2, resistance_sense_mohm=[5, 40])))
    catalog = read_catalog(spec.catalogs)
    founds = [search.solve(one, catalog) for one in by_sense(spec)]
    rows: list[tuple[int, float, float]] = []
    for one, found in zip(by_sense(spec), founds, strict=True):
        sense = senses.sense_of(one)
        judged = brute_force.judge_case(one, catalog, references=dict(found.references))
        assert sum(len(part.sets) for part in judged) <= SETS_MAX
        for part in judged:
            good = part.feasible()
            error = sense.i_end_max - sense.i_end
            losses = part.loss_mission[good] + sense.loss
            rows += [
                (int(c), float(x), error) for c, x in zip(part.cost[good], losses, strict=True)
            ]
    every = np.array(rows)
    wanted = {
        tuple(row)
        for row in every
        if not ((every <= row).all(axis=1) & (every < row).any(axis=1)).any()
    }
    got = [
        (p.cost, p.loss * LOSS_UNIT + part.sense.loss, part.sense.i_end_max - part.sense.i_end)
        for part in senses.unbeaten(founds)
        for p in (part.found.front.points if part.found.front else ())
    ]
    assert len({error for *_, error in got}) == 2
    near = [
        any(
            abs(a[0] - b[0]) * COST_UNIT <= 0.01 and abs(a[1] - b[1]) <= 1e-3 and a[2] == b[2]
            for b in got
        )
        for a in wanted
    ]
    assert all(near)
    for cost, loss, error in got:
        beaten = (every[:, 0] <= cost) & (every[:, 1] < loss - 1e-3) & (every[:, 2] <= error)
        assert not beaten.any()


SPEC = parse_spec(use_specs.text_of("lead-acid", "range", load={"resistance_sense_mohm": OHMS}))
STAIRS = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=8)


def stub(spec: Spec, pairs: list[tuple[int, int]]) -> Found:
    """A search that ended with the front of some (cost, loss)."""
    front = [
        p for p in set(pairs) if not any(q != p and q[0] <= p[0] and q[1] <= p[1] for q in pairs)
    ]
    chosen = tuple(Selection(cost, loss, 0, (), "merge", loss) for cost, loss in sorted(front))
    return Found(spec, prices=SimpleNamespace(charge=None), front=Frontier(chosen, True, "merge"))  # type: ignore[arg-type]


@given(first=STAIRS, second=STAIRS, third=STAIRS, scale=st.integers(0, 12))
def test_what_stays_is_what_nothing_beats_in_all_three(
    first: Any, second: Any, third: Any, scale: int
) -> None:
    parts = []
    for ohms, pairs in zip((20e-3, 15e-3, 10e-3), (first, second, third), strict=True):
        record = replace(SPEC.load.record, resistance_sense=ohms)  # type: ignore[type-var]
        mission = tuple(replace(row, load_share=0.0) for row in SPEC.mission)
        full = replace(mission[0], load_share=1.0, share=scale * LOSS_UNIT / (25 * 5e-3))
        load = replace(SPEC.load, record=record, senses=())
        parts.append(stub(replace(SPEC, load=load, mission=(full, *mission[1:])), pairs))
    every = [
        (one.cost, one.loss + round(senses.sense_of(part.spec).loss / LOSS_UNIT), k)
        for k, part in enumerate(parts)
        for one in (part.front.points if part.front else ())
    ]
    wanted = sorted(
        a
        for a in every
        if not any(b != a and all(x <= y for x, y in zip(b, a, strict=True)) for b in every)
    )
    got: dict[int, tuple[int, int, int]] = {}
    for one in senses.unbeaten(parts):
        place = next(k for k, part in enumerate(parts) if part.spec is one.found.spec)
        extra = round(one.sense.loss / LOSS_UNIT)
        assert one.found.front is not None
        for number, p in zip(one.numbers, one.found.front.points, strict=True):
            got[number] = (p.cost, p.loss + extra, place)
    assert [got[n] for n in sorted(got)] == wanted
    assert sorted(got) == list(range(1, len(got) + 1))


# --- one value, none left, and questions that need one -------------------------------------------


def test_a_list_of_one_is_one_value() -> None:
    listed = parse_spec(
        use_specs.text_of("lead-acid", "range", load={"resistance_sense_mohm": [10]})
    )
    plain = parse_spec(use_specs.text_of("lead-acid", "range", load={"resistance_sense_mohm": 10}))
    assert replace(listed, text="") == replace(plain, text="")
    assert by_sense(plain) == (plain,)


def test_the_values_become_specs_of_their_own() -> None:
    ohms = {"resistance_sense_ohm": [0.01, 0.03, 0.02, 0.01]}
    spec = parse_spec(use_specs.text_of("lithium", "range", load=ohms))
    assert spec.load.senses == (0.03, 0.02, 0.01)
    singles = by_sense(spec)
    assert [senses.sense_of(one).resistance for one in singles] == [0.03, 0.02, 0.01]
    highest = [one.load.v_highest for one in singles]
    assert highest == sorted(highest, reverse=True)
    assert np.diff(highest) == pytest.approx([-0.04, -0.04])
    with pytest.raises(InputError, match="one resistor here"):
        points(spec, "four-switch")


def test_an_allowed_error_leaves_values_out_by_name() -> None:
    load = {"resistance_sense_mohm": [30, 20, 10], "i_end_error_max_ma": 60}
    spec = parse_spec(use_specs.text_of("lead-acid", "range", load=load))
    assert spec.load.senses == (0.03, 0.02)
    (note,) = [n for n in spec.notes if n.kind == "excluded" and "sense" in n.subject]
    assert note.text.startswith("10 mohm left out")
    one = parse_spec(
        use_specs.text_of("lead-acid", "range", load=load | {"i_end_error_max_ma": 40})
    )
    assert one.load.senses == ()
    assert senses.sense_of(one).resistance == 0.03


@pytest.mark.parametrize(
    ("load", "told"),
    [
        (
            {"resistance_sense_mohm": [10, 5], "i_end_error_max_ma": 50},
            "got an end of charge within 100 mA at best, need within i_end_error_max = 50 mA;"
            " offer 20 mohm or more (500 mW at full current), or take an amplifier of less offset",
        ),
        ({"resistance_sense_mohm": []}, "got an empty list, need at least one value"),
        ({"resistance_sense_mohm": [10, "x"]}, "got text 'x', need a number"),
        ({"resistance_sense_mohm": [10, 5000]}, "got 5000 mohm"),
    ],
)
def test_values_that_cannot_be_are_refused(load: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_spec(use_specs.text_of("lead-acid", "range", load=load))
    assert told in str(caught.value)


def test_the_page_and_the_netlist_know_the_value_of_a_point(ran: tuple[Path, Path]) -> None:
    run = read_run(ran[1])
    data = page_data(run)
    assert {detail["shape"] for detail in data["details"].values()} == set(data["shapes"])
    assert len(data["shapes"]) == len(OHMS)
    for point, shown in zip(run["points"], data["points"], strict=True):
        assert shown["sense"]["resistance"] == point["charge_sense"]["resistance"]
        assert shown["sense"]["loss_with"] > shown["loss"]
    curves = [str(shape["curves"]) for shape in data["shapes"].values()]
    assert curves[0] != curves[1]
    first = {p["charge_sense"]["resistance"]: p for p in reversed(run["points"]) if p["evidence"]}
    texts = [netlist_text(run, point, 0) for point in first.values()]
    assert texts[0] != texts[1]


def test_what_lies_behind_an_unfinished_larger_resistor_is_not_called_proved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = read_spec(written(tmp_path, charger()))
    catalog = read_catalog(spec.catalogs)
    solve = search.solve

    def stopped(one: Spec, *rest: Any, **more: Any) -> Found:
        found = solve(one, *rest, **more)
        if senses.sense_of(one).resistance == 0.02:
            found.open = [("buck", 0)]
        return found

    monkeypatch.setattr(search, "solve", stopped)
    run = conclude.front(spec, catalog, engine="merge")
    assert not run.complete
    assert "not searched to the end: 20 mohm" in run.not_proved
    proofs: dict[float, set[str]] = {}
    for point in run.points:
        assert point.charge_sense is not None
        proofs.setdefault(point.charge_sense.resistance, set()).add(point.proof)
    assert proofs == {0.01: {""}, 0.02: {"merge"}}
