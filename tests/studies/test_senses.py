"""Questions of a charger that offers two resistors for its current sense: each joined answer
against that of every resistor alone."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import cli, conclude, search
from optimizer import conclude_senses as senses
from optimizer.archive import read_run
from optimizer.archive_inputs import reopen
from optimizer.archive_result import rounded
from optimizer.batch_family import ENDS_NOT_WEIGHED, family_of
from optimizer.batch_fleet import Question, answer_of
from optimizer.catalog import Catalog, read_catalog
from optimizer.catalog_changes import Changes
from optimizer.charge_sense import SUBJECT
from optimizer.cli_difference import side_of
from optimizer.dominance import unbeaten
from optimizer.errors import NoFeasibleDesign
from optimizer.infeasible_kinds import kinds
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.results import ChargeSense, as_plain
from optimizer.spec import parse_spec, read_spec
from optimizer.spec_edit import by_sense, edited, with_sense
from optimizer.spec_records import Spec
from optimizer.studies import concessions as room
from optimizer.studies.archived import Archived, take_up
from optimizer.studies.conflict import conflict
from optimizer.studies.decisive import decisive_fills
from optimizer.studies.difference import difference
from optimizer.studies.distance import differing
from optimizer.studies.obsolete import without
from optimizer.studies.shortlist import shortlist
from optimizer.studies.what_if import what_if
from optimizer.studies.why_not import why_not
from optimizer.studies.wish import Wish, narrowed, places
from tests import tiny
from tests.test_conclude_senses import charger, written

Rows = np.ndarray[Any, Any]
"""Cost [units], loss with that in the resistor [units], error of the end of charge [A]."""

NEAR_LOSS = 20
"""Units by which rounding of the groups may move a loss."""


@dataclass(frozen=True)
class Job:
    """A finished run of both resistors."""

    path: Path
    folder: Path
    case: Archived

    @property
    def spec(self) -> Spec:
        return self.case.spec

    @property
    def catalog(self) -> Catalog:
        return self.case.catalog


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("senses")
    path = written(folder, charger())
    assert cli.main(["front", str(path), "--runs", str(folder / "runs")]) == cli.DONE
    spec = read_spec(path)
    run = read_run(folder / "runs" / "tiny")
    return Job(path, folder / "runs" / "tiny", take_up(spec, read_catalog(spec.catalogs), run))


def apart(spec: Spec, catalog: Catalog, like: Archived | None = None) -> dict[float, Rows]:
    """The front of every resistor searched alone."""
    found = {}
    for one in by_sense(spec):
        sense = senses.sense_of(one)
        states = [v for v in like.variants if v.spec.load == one.load] if like else []
        references = states[0].prepared.references if states else None
        front = search.solve(one, catalog, references=references).front
        points = front.points if front is not None else ()
        rows = [(p.cost, p.loss + senses.loss_units(sense), sense.error) for p in points]
        found[sense.resistance] = np.array(rows).reshape(-1, 3)
    return found


def together(fronts: dict[float, Rows]) -> Rows:
    rows = np.concatenate(list(fronts.values()))
    every = rows[:, 0].astype(int), rows[:, 1].astype(int), rows[:, 2]
    return rows[unbeaten(*every)]


def least(rows: Rows, column: int, other: float, error: float) -> float:
    """Least cost (0) or loss (1) among rows that are no worse in the rest."""
    near = rows[:, 2] <= error * (1 + 1e-9)
    good = rows[near & (rows[:, 1 - column] <= other), column]
    return float(good.min()) if len(good) else np.inf


def check_prices(case: Archived, told: list[dict[str, Any]], rows: Rows) -> None:
    """Prices against a front at every anchor: nearer or as near, cheapest and least loss."""
    assert [one["point"] for one in told] == [case.front.number[k] for k in case.anchors()]
    for one, row in zip(told, case.anchors(), strict=True):
        cost, loss, error = case.front.cost[row], case.front.loss[row], case.front.error[row]
        low = least(rows, 0, loss + NEAR_LOSS, error) - cost
        high = least(rows, 0, loss - NEAR_LOSS, error) - cost
        assert low - 1 <= one["cost_more"] / COST_UNIT <= high + 1
        more = least(rows, 1, cost, error) - loss
        if np.isfinite(more):
            assert one["loss_more_w"] / LOSS_UNIT == pytest.approx(more, abs=NEAR_LOSS)
        else:
            assert one["loss_more_w"] == np.inf


def test_both_resistors_are_on_the_front(job: Job) -> None:
    assert {one.resistance for one in job.case.front.sense if one} == {0.01, 0.02}
    front, rows = job.case.front, together(apart(job.spec, job.catalog))
    assert len(front) == len(rows)
    assert np.array_equal(front.cost, rows[:, 0])
    assert np.abs(front.loss - rows[:, 1]).max() <= NEAR_LOSS
    assert len(front.anchors()) == 6


def test_changed_sections_are_kept_at_every_resistor(job: Job) -> None:
    for one in by_sense(without(job.spec, ["M-CHEAP"])):
        assert one.choice.forbid == ("M-CHEAP",)
        assert not one.load.senses
    assert with_sense(job.spec, 0.02) == by_sense(job.spec)[0]
    other = with_sense(job.spec, 0.015)
    assert senses.sense_of(other).resistance == pytest.approx(0.015)
    assert with_sense(job.spec, None) is job.spec


def test_rounding_of_the_record_does_not_part_equal_resistors(job: Job) -> None:
    """1 mV on 15 mohm is 66.666... mA, which seven digits do not hold."""
    spec = edited(job.spec, ["load.resistance_sense_mohm = [15, 20]"])
    run = conclude.front(spec, job.catalog, engine="merge", detailed=0)
    case = take_up(spec, job.catalog, rounded(as_plain(run)))
    assert set(case.front.sense) == {one.sense for one in case.variants}
    assert set(case.front.sense) != {ChargeSense(**p["charge_sense"]) for p in case.run["points"]}


# --- questions of the whole run -------------------------------------------------------------------


@pytest.mark.parametrize("wish", [Wish("C-TWENTY", "output-bank", 1), Wish("M-CHEAP", "input-low")])
def test_why_not_is_the_best_of_every_resistor(job: Job, wish: Wish) -> None:
    answer = why_not(job.case, wish)
    assert answer.proved
    found = {}
    for position in places(wish, job.spec, job.catalog):
        some = apart(narrowed(wish, job.spec, position), job.catalog, like=job.case)
        found |= {(position, ohms): rows for ohms, rows in some.items()}
    check_prices(job.case, answer.data["prices"], together(found))  # type: ignore[arg-type]
    assert {" at 10 mohm", " at 20 mohm"} <= set(re.findall(" at .. mohm", str(answer.grids)))


def test_why_not_says_what_stands_in_the_way_at_any_resistor(job: Job) -> None:
    answer = why_not(job.case, Wish("L-SMALL"))
    assert answer.data["verdict"] == "impossible"
    wanted = narrowed(Wish("L-SMALL"), job.spec, "inductor")
    assert not len(together(apart(wanted, job.catalog)))


@pytest.mark.parametrize(
    "changes",
    [
        ["limits.v_ripple_output_mv = 60"],
        ["limits.loss_ceiling_pct = 14"],
        ["load.resistance_sense_mohm = [10, 20, 30]"],
        ["load.resistance_sense_mohm = 20"],
        ["load.v_sense_offset_mv = 2"],
    ],
)
def test_what_if_is_the_best_of_every_resistor(job: Job, changes: list[str]) -> None:
    other = edited(job.spec, changes)
    answer = what_if(job.case, other)
    assert answer.proved
    like = job.case if changes[0].startswith("limits") else None
    check_prices(job.case, answer.data["prices"], together(apart(other, job.catalog, like)))


def test_a_choice_is_compared_with_a_run_of_one_resistor(job: Job) -> None:
    one = by_sense(job.spec)[1]
    run = conclude.run_of(search.solve(one, job.catalog), job.catalog, name="alone")
    alone = take_up(one, job.catalog, run)
    answer = what_if(alone, job.spec)
    assert {entry["cost_more"] for entry in answer.data["prices"]} == {0.0}
    sensed = alone.with_senses()
    assert (sensed.front.loss - alone.front.loss == senses.loss_units(senses.sense_of(one))).all()
    check_prices(sensed, answer.data["prices"], together(apart(job.spec, job.catalog)))


def test_concessions_save_what_the_best_resistor_saves(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    some = [kind for kind in kinds(job.spec) if kind.name in ("ripple ratio", "loss ceiling")]
    monkeypatch.setattr(room, "kinds", lambda _spec: some)
    for save, column in ((room.MONEY, 0), (room.WATTS, 1)):
        answer = room.concessions(job.case, share=0.3, save=save, each=True)
        assert answer.proved
        front = job.case.front
        row = 0 if column == 0 else front.least_loss()
        now = (front.cost[row], front.loss[row])
        told = {entry["limit"]: entry["saving"] for entry in answer.data["concessions"]}
        for kind in some:
            loose = kind.at(job.spec, room.amount_of(kind, job.spec, 0.3))
            rows = together(apart(loose, job.catalog, like=job.case))
            best = least(rows, column, np.inf if column == 0 else now[0], np.inf)
            unit = (COST_UNIT, LOSS_UNIT)[column]
            wanted = (now[column] - best) * unit
            wanted = wanted if wanted >= 100 * unit else 0.0
            assert told[kind.name] == pytest.approx(wanted, abs=NEAR_LOSS * unit)


def test_a_concession_at_a_point_keeps_its_end_of_charge(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    (kind,) = [kind for kind in kinds(job.spec) if kind.name == "loss ceiling"]
    monkeypatch.setattr(room, "kinds", lambda _spec: [kind])
    front = job.case.front
    row = max(k for k, one in enumerate(front.sense) if one and one.resistance == 0.02)
    answer = room.concessions(job.case, share=0.3, save=room.WATTS, point=front.number[row])
    (told,) = answer.data["concessions"]
    assert told.get("charge_sense_ohm", 0.02) == 0.02
    loose = kind.at(job.spec, room.amount_of(kind, job.spec, 0.3))
    rows = together(apart(loose, job.catalog, like=job.case))
    best = least(rows, 1, float(front.cost[row]), front.error[row])
    assert told["saving"] == pytest.approx(
        max(front.loss[row] - best, 0.0) * LOSS_UNIT, abs=NEAR_LOSS * LOSS_UNIT
    )


def test_fills_and_shortlist_know_the_resistor(job: Job) -> None:
    assert decisive_fills(job.case).proved
    answer = shortlist(job.case, sets=6, differ=1)
    assert answer.proved
    ohms = {one["charge_sense_ohm"] for one in answer.data["sets"]}
    assert ohms == {0.01, 0.02}
    front = job.case.front
    rows: dict[str, list[int]] = {}
    for row, chosen in enumerate(front.chosen):
        rows.setdefault(repr(chosen), []).append(row)
    twins = [pair for pair in rows.values() if len(pair) == 2]
    assert twins
    assert differing(front, *twins[0]) == [SUBJECT]


def test_difference_to_a_run_of_one_resistor(job: Job) -> None:
    path = job.path.parent / "ten.toml"
    path.write_text(edited(job.spec, ["load.resistance_sense_mohm = 10"]).text)
    assert cli.main(["front", str(path), "--runs", str(job.folder.parent)]) == cli.DONE
    old, new = side_of(job.folder.parent / "ten", None, ()), side_of(job.folder, None, ())
    answer = difference(old, new)
    assert answer.proved
    at_ten = sum(one.resistance == 0.01 for one in job.case.front.sense if one)
    assert answer.data["kept"] == at_ten
    assert {one["reason"] for one in answer.data["gone"]} <= {"beaten"}
    assert {one["reason"] for one in answer.data["come"]} == {"breaks a rule"}
    assert len(answer.data["come"]) == len(job.case.front) - at_ten


# --- nothing feasible -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tight(job: Job) -> Spec:
    return edited(job.spec, ["limits.height_max_mm = 1"])


def test_nothing_feasible_is_told_of_every_resistor(job: Job, tight: Spec) -> None:
    with pytest.raises(NoFeasibleDesign) as caught:
        conclude.front(tight, job.catalog)
    lines = str(caught.value).splitlines()
    assert [line for line in lines if line.startswith(SUBJECT)] == [
        "charge-current sense 20 mohm:",
        "charge-current sense 10 mohm:",
    ]
    shares = []
    for one in by_sense(tight):
        with pytest.raises(NoFeasibleDesign) as alone:
            conclude.front(one, job.catalog)
        shares.append(alone.value.share)
    assert caught.value.share == min(shares) < np.inf
    assert lines[-1].startswith("smallest single relaxation over all: ")


def test_conflict_is_that_of_every_resistor(job: Job, tight: Spec) -> None:
    answer = conflict(tight, job.catalog)
    assert answer.proved
    for one in by_sense(tight):
        assert conflict(one, job.catalog).data["conflict"] == answer.data["conflict"]
    assert {one["charge_sense_ohm"] for one in answer.data["witnesses"]} <= {0.01, 0.02}
    assert conflict(job.spec, job.catalog).data["feasible"]


# --- questions of a point, and of a run that lives on ---------------------------------------------


def points_of(job: Job) -> list[int]:
    """A point of either resistor."""
    ohms = [one.resistance for one in job.case.front.sense if one]
    return [job.case.front.number[ohms.index(value)] for value in (0.02, 0.01)]


def test_obsolete_is_answered_at_the_resistor_of_the_point(job: Job) -> None:
    opened = reopen(job.folder)
    for number in points_of(job):
        point = opened.run["points"][number - 1]
        part = point["verified"]["part_set"]["transistors"]["input-high"][0]
        question = Question(Changes((part,)), front=True)
        found = answer_of(opened, number, question)
        single = replace(opened, spec=with_sense(opened.spec, point["charge_sense"]["resistance"]))
        alone = answer_of(single, number, replace(question, front=False))
        assert found["answer"] == alone["answer"]
        assert found["front"] == alone["front"]
        new = found["new_front"]
        rows = together(apart(without(job.spec, [part]), job.catalog))
        assert [round(p["cost"] / COST_UNIT) for p in new["points"]] == list(rows[:, 0])
        losses = np.array([p["loss"] / LOSS_UNIT for p in new["points"]])
        assert np.abs(losses - rows[:, 1]).max() <= NEAR_LOSS
        assert {p["charge_sense_ohm"] for p in new["points"]} <= {0.01, 0.02}


def test_alternates_and_fleet_and_page_take_the_run(
    job: Job, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for number in points_of(job):
        code = cli.main(["alternates", str(job.folder), "--point", str(number), "--json"])
        found = json.loads(capsys.readouterr().out)
        assert code in (cli.DONE, cli.INFEASIBLE)
        assert found["point"] == number
        assert found["second_source"]["loss_least"] > 0.0
    assert cli.main(["alternates", str(job.folder), "--cheapest", "--json"]) in (0, 3)
    capsys.readouterr()
    out = tmp_path / "page.html"
    assert cli.main(["page", str(job.folder), "--out", str(out)]) == cli.DONE
    journal = str(tmp_path / "fleet.jsonl")
    words = ["--gone", "C-TEN", "--journal", journal, "--jobs", "1", "--json"]
    capsys.readouterr()
    assert cli.main(["fleet", str(job.folder.parent), *words]) in (0, 3)
    lines = json.loads(capsys.readouterr().out)["lines"]
    assert all(line["verdict"] != "not answered" for line in lines)


def test_a_family_counts_the_loss_in_the_resistor(job: Job) -> None:
    data = charger(i_output_a=4)
    path = tiny.write_spec(job.path.parent, data, name="smaller")
    assert cli.main(["front", str(path), "--runs", str(job.folder.parent)]) == cli.DONE
    opened = [reopen(job.folder), reopen(job.folder.parent / "smaller")]
    found = family_of(opened, [100, 100], common="inductor", with_bound=True)
    assert ENDS_NOT_WEIGHED in found.notes
    assert found.bound is not None
    assert found.bound <= found.cheapest[-1].cost
    assert any("mohm" in name for name in str(found).split(","))


BOARD = """
topology = "buck"
frequency_khz = 300
{key}
[positions]
input-high = {{ part_number = "M-FINE" }}
input-low = {{ part_number = "M-FINE" }}
inductor = {{ part_number = "L-LARGE" }}
sense-resistor = {{ part_number = "R-FOUR" }}
input-bank = [{{ part_number = "C-TWENTY", pieces = 2 }}]
output-bank = [{{ part_number = "C-TWENTY", pieces = 2 }}]
"""


def test_a_board_is_verified_with_every_resistor_or_its_own(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def verify(key: str) -> dict[str, Any]:
        path = tmp_path / f"board{len(key)}.toml"
        path.write_text(BOARD.format(key=key))
        cli.main(["verify", str(job.path), "--board", str(path), "--json"])
        found: dict[str, Any] = json.loads(capsys.readouterr().out)
        return found

    both = verify("")["each_charge_sense"]
    assert [ChargeSense(**one["charge_sense"]).resistance for one in both] == [0.02, 0.01]
    for one, key in zip(both, ("20", "10"), strict=True):
        alone = verify(f"charge_sense_mohm = {key}")
        assert alone["verified"] == one["verified"]
    other = verify("charge_sense_mohm = 15.5")["verified"]
    highest = [max(one["lanes"]["v_output"]) for one in (both[0]["verified"], other)]
    assert highest[0] > highest[1]
    path = tmp_path / "board0.toml"
    cli.main(["verify", str(job.path), "--board", str(path)])
    assert "WITH A CHARGE-CURRENT SENSE OF 20 mohm" in capsys.readouterr().out


def test_no_command_leaves_the_resistor_open(job: Job) -> None:
    assert parse_spec(job.spec.text, path=str(job.path)).load.senses == (0.02, 0.01)
