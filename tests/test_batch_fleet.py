"""A fleet with planted withdrawals, answered like a look at every board of every run.

Three hundred generated runs are compared in every run of the tests (RUNS, an environment variable,
takes another number), the front of each sixth too (FRONTS=1: of each). KILLS=20 kills the command
twenty times while it answers a smaller fleet.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from subprocess import DEVNULL
from typing import Any

import numpy as np
import pytest

from optimizer.archive import board_of, point_of, read_run
from optimizer.batch_fleet import Question
from optimizer.catalog import read_catalog
from optimizer.catalog_changes import Changes
from optimizer.cli import INFEASIBLE, WRONG_INPUT, main
from optimizer.results import PartSet
from tests.oracles import brute_force, fleet_cases
from tests.oracles.fleet_cases import GONE, GONE_OF_MANY, Made, board_key

RUNS = int(os.environ.get("RUNS", "300"))
FRONTS = int(os.environ.get("FRONTS", "6"))
"""Of so many runs one has its front compared as well."""

SHARES = 4
"""Tests that the runs are divided among, so that processes may share the work."""

SMALL, SMALL_SEED = 10, 105
"""Runs of the fleet that the other tests ask; so drawn that it holds designs of every fate."""

Answers = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Made]]:
    folder = tmp_path_factory.mktemp("fleet")
    made = list(fleet_cases.make_fleet(folder, SMALL, seed=SMALL_SEED))
    write_designs(folder, made)
    return folder, made


def write_designs(folder: Path, made: list[Made]) -> None:
    rows = [f"{one.folder.name},{one.point},{1000 + k}" for k, one in enumerate(made)]
    text = "\n".join(["run,point,boards_per_year_pcs", *rows])
    (folder / "designs.csv").write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def answers(fleet: tuple[Path, list[Made]]) -> Answers:
    """The answers of the command, asked by two processes."""
    folder, _ = fleet
    code = main([*command(folder), "--jobs", "2", "--json"])
    assert code in (0, INFEASIBLE)
    return journal(folder / "answers.jsonl")


def command(folder: Path, gone: Sequence[str] = GONE) -> list[str]:
    words = [word for name in gone for word in ("--gone", name)]
    journal_file = str(folder / "answers.jsonl")
    designs = ["--designs", str(folder / "designs.csv"), "--journal", journal_file]
    return ["fleet", str(folder / "runs"), *designs, *words]


def journal(path: Path) -> Answers:
    lines = path.read_text("utf-8").splitlines()[1:]
    found = [json.loads(line) for line in lines]
    assert len({one["key"] for one in found}) == len(found)
    assert [one["error"] for one in found if one["error"]] == []
    return {Path(one["folder"]).name: one["answer"] for one in found}


def keys_of(step: dict[str, Any] | None) -> dict[Any, dict[str, Any]]:
    return {key_of(one["board"]): one for one in step["replacements"]} if step else {}


def key_of(plain: dict[str, Any]) -> Any:
    return board_key(board_of({"verified": {"part_set": plain}}))


COST_STEP, LOSS_STEP = 1e-4, 1e-5
"""Units of the decision, in the currency and W."""

SEEN: dict[Path, tuple[PartSet, fleet_cases.Told]] = {}


def wanted(one: Made) -> tuple[PartSet, fleet_cases.Told]:
    """The board of a run and its fate; worked out once."""
    if one.folder not in SEEN:
        SEEN[one.folder] = looked_at(one)
    return SEEN[one.folder]


def looked_at(one: Made, gone: tuple[str, ...] = GONE) -> tuple[PartSet, fleet_cases.Told]:
    run = read_run(one.folder)
    board = board_of(point_of(run, one.point, place="test"))
    catalog = read_catalog(one.spec.catalogs)
    return board, fleet_cases.told(one.spec, catalog, board, gone)


def test_a_small_fleet_is_answered_by_two_processes(
    fleet: tuple[Path, list[Made]], answers: Answers
) -> None:
    seen = compared(fleet[1], answers, {one.folder: wanted(one)[1] for one in fleet[1]})
    assert {"unaffected", "drop-in"} <= set(seen)


@pytest.mark.parametrize("share", range(SHARES))
def test_every_run_is_answered_like_a_look_at_every_board(share: int, tmp_path: Path) -> None:
    """The 300 runs the project promises to compare; about 0.6 s of processor time each."""
    made = list(fleet_cases.make_fleet(tmp_path, RUNS // SHARES, seed=share + 1))
    write_designs(tmp_path, made)
    gone = GONE_OF_MANY if share else GONE
    words = command(tmp_path, gone)
    assert main([*words, "--jobs", "1", "--json"]) in (0, INFEASIBLE)
    answers = journal(tmp_path / "answers.jsonl")
    seen = compared(made, answers, {one.folder: looked_at(one, gone)[1] for one in made})
    statuses = Counter(compare_front(one, answers, gone) for one in made[::FRONTS])
    print(dict(seen), dict(statuses))
    if len(made) >= 50:
        assert {"unaffected", "drop-in", "touch"} <= set(seen)
        assert share == 0 or seen["unaffected"] < 0.6 * len(made)
        assert set(statuses) == {"points fall"} | ({"stands"} if share == 0 else set())


def compared(
    made: list[Made], answers: Answers, fates: Mapping[Path, fleet_cases.Told]
) -> Counter[str]:
    """Compare verdicts, boards, money and losses; how many runs had which verdict."""
    assert len(answers) == len(made)
    seen: Counter[str] = Counter()
    for one in made:
        told = fates[one.folder]
        found = answers[one.folder.name]["answer"]
        assert found["verdict"] == told.verdict, one.folder
        seen[told.verdict] += 1
        step = found["drop_ins"] if told.verdict == "drop-in" else found["touched"]
        boards = keys_of(step)
        assert set(boards) == set(told.drop_ins | told.touched), one.folder
        for key, board in boards.items():
            assert board["cost"] == pytest.approx(told.cost[key], abs=1e-9)
            assert board["loss"] == pytest.approx(told.loss[key], rel=1e-6)
    return seen


def compare_front(one: Made, answers: Answers, gone: tuple[str, ...]) -> str:
    """Compare what is said of a front with that of every set without the parts."""
    status = answers[one.folder.name]["front"]
    catalog = read_catalog(one.spec.catalogs)
    front = brute_force.brute_front(one.spec, catalog, references=one.references, gone=gone)
    if status["status"] == "stands":
        assert brute_force.differences(one.front, front) == []
    else:
        kept = [k for k in range(len(one.front)) if k + 1 not in status["fallen"]]
        left = brute_force.Points(one.front.cost[kept], one.front.loss[kept])
        assert brute_force.lost(left, front) == []
        assert not all(
            bool(
                np.any((front.cost <= cost + COST_STEP / 2) & (front.loss <= loss + LOSS_STEP / 2))
            )
            for cost, loss in zip(one.front.cost, one.front.loss, strict=True)
        ), "every point that fell is still there"
    return str(status["status"])


def test_the_new_front_is_that_of_a_search_without_the_parts(
    fleet: tuple[Path, list[Made]],
) -> None:
    from optimizer import search
    from optimizer.batch import Task

    question = Question(Changes(GONE), front=True)
    searched = 0
    for one in fleet[1][:3]:
        found = question(Task("", str(one.folder), one.point))
        if found["new_front"] is None:
            assert found["front"]["status"] == "stands"
            continue
        searched += 1
        choice = replace(one.spec.choice, forbid=(*one.spec.choice.forbid, *GONE))
        rest, catalog = replace(one.spec, choice=choice), read_catalog(one.spec.catalogs)
        references = search.solve(rest, catalog).references
        front = brute_force.brute_front(rest, catalog, references=references, gone=GONE)
        points = found["new_front"]["points"]
        assert [p["cost"] for p in points] == pytest.approx(list(front.cost), abs=0.01)
        assert [p["loss"] for p in points] == pytest.approx(list(front.loss), abs=1e-3)
    assert searched


def test_last_buys_are_the_needs_of_the_designs(
    fleet: tuple[Path, list[Made]], answers: Answers, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, made = fleet
    main([*command(folder), "--json", "--years", "2"])
    found = json.loads(capsys.readouterr().out)
    for part in GONE:
        most = least = 0
        for number, one in enumerate(made):
            board, told = wanted(one)
            pieces = sum(n for name, n in board_key(board) if name == part)
            need = pieces * 2 * (1000 + number)
            most += need
            least += need if told.verdict == "fails" else 0
        line = next((x for x in found["last_buys"] if x["part"] == part), None)
        assert (line["least"], line["most"]) == (least, most) if line else most == 0


KILLS = int(os.environ.get("KILLS", "0"))


@pytest.mark.skipif(not KILLS, reason="KILLS=20 kills the command twenty times")
def test_a_fleet_killed_again_and_again_answers_the_same(fleet: tuple[Path, list[Made]]) -> None:
    """Every point of every run; killed with all processes soon after another answer is on file."""
    folder, made = fleet
    every = folder / "every.csv"
    counts = [(one.folder.name, len(read_run(one.folder)["points"])) for one in made]
    rows = [f"{name},{k + 1},500" for name, count in counts for k in range(count)]
    every.write_text("\n".join(["run,point,boards_per_year_pcs", *rows]), encoding="utf-8")
    gone = [word for name in GONE for word in ("--gone", name)]
    call = ["fleet", str(folder / "runs"), "--designs", str(every), *gone, "--journal"]
    path, chance = folder / "killed.jsonl", random.Random(11)
    words = [sys.executable, "-m", "optimizer.cli", *call, str(path), "--jobs", "2"]
    for _ in range(KILLS):
        before = len(whole_lines(path))
        one = subprocess.Popen(words, start_new_session=True, stdout=DEVNULL, stderr=DEVNULL)
        while one.poll() is None and len(whole_lines(path)) <= before:
            time.sleep(0.01)
        time.sleep(chance.uniform(0.0, 0.1))
        assert one.poll() is None, "it ended before it could be killed"
        os.killpg(one.pid, signal.SIGKILL)
        one.wait()
    assert len(whole_lines(path)) < len(rows)
    for file in (path, folder / "whole.jsonl"):
        assert main([*call, str(file), "--jobs", "1"]) in (0, INFEASIBLE)
    assert untimed(path) == untimed(folder / "whole.jsonl")
    assert len(untimed(path)) == len(rows)


def untimed(path: Path) -> dict[str, dict[str, Any]]:
    """Answers by key, each once, without the time they took."""
    found = [json.loads(line) for line in path.read_text("utf-8").splitlines()[1:]]
    assert len({one["key"] for one in found}) == len(found), "a design was answered twice"
    return {one["key"]: {k: v for k, v in one["answer"].items() if k != "seconds"} for one in found}


def whole_lines(path: Path) -> list[bytes]:
    data = path.read_bytes() if path.exists() else b""
    return data[: data.rfind(b"\n") + 1].splitlines()[1:]


# --- a planted fleet ------------------------------------------------------------------------------

PLANTED = {"unaffected": 5, "drop-in": 6, "touch": 2, "fails": 1}


def planted(made: list[Made]) -> dict[tuple[str, int], str]:
    """Fourteen designs (run, point) of known fate, found by looking at every board."""
    left = dict(PLANTED)
    found: dict[tuple[str, int], str] = {}
    for one in made:
        run, catalog = read_run(one.folder), read_catalog(one.spec.catalogs)
        for point in run["points"][::2]:
            held = {part for part, _ in board_key(board_of(point))}
            if not left["unaffected"] and not held & set(GONE):
                continue
            verdict = fleet_cases.told(one.spec, catalog, board_of(point), GONE).verdict
            if left[verdict]:
                left[verdict] -= 1
                found[one.folder.name, point["number"]] = verdict
            if not any(left.values()):
                return found
    return found


def test_fourteen_planted_designs_are_counted_right(
    fleet: tuple[Path, list[Made]], capsys: pytest.CaptureFixture[str]
) -> None:
    """A transistor and an inductor are withdrawn: nine designs of fourteen are affected."""
    folder, made = fleet
    wanted_of = planted(made)
    rows = [f"{run},{point},500" for run, point in wanted_of]
    designs = folder / "planted.csv"
    designs.write_text("\n".join(["run,point,boards_per_year_pcs", *rows]), encoding="utf-8")
    gone = [word for name in GONE for word in ("--gone", name)]
    call = ["fleet", str(folder / "runs"), "--designs", str(designs), "--jobs", "1", *gone]
    table = ["--csv", str(folder / "planted-answers.csv")]
    assert main([*call, *table, "--journal", str(folder / "planted.jsonl"), "--json"]) in (0, 3)
    found = json.loads(capsys.readouterr().out)
    assert {(x["run"], x["point"]): x["verdict"] for x in found["lines"]} == wanted_of
    assert found["counts"] == PLANTED
    assert len((folder / "planted-answers.csv").read_text("utf-8").splitlines()) == len(rows) + 1
    assert main([*call, "--journal", str(folder / "planted.jsonl")]) in (0, 3)
    text = capsys.readouterr().out
    assert "Last-time buy for 3 years" in text
    assert "designs: 5 unaffected, 6 drop-in, 2 touch, 1 fails" in text


def test_a_broken_run_folder_costs_its_own_answer_only(
    fleet: tuple[Path, list[Made]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, made = fleet
    for one in made[:3]:
        shutil.copytree(one.folder, tmp_path / "runs" / one.folder.name)
    shutil.copytree(made[0].folder.parents[1] / "parts", tmp_path / "parts")
    broken = tmp_path / "runs" / made[1].folder.name / "result.json"
    broken.write_text(broken.read_text("utf-8")[:-5], encoding="utf-8")
    (tmp_path / "runs" / "no-run").mkdir()
    call = ["fleet", str(tmp_path / "runs"), "--gone", GONE[0], "--jobs", "1", "--json"]
    assert main(call) == INFEASIBLE
    found = json.loads(capsys.readouterr().out)
    lost = {Path(x["run"]).name: x["why"] for x in found["lines"] if x["verdict"] == "not answered"}
    assert set(lost) == {made[1].folder.name, "no-run"}
    assert "changed contents" in lost[made[1].folder.name]
    assert "no run" in lost["no-run"]
    assert sum(found["counts"].values()) == 4
    assert main([*call[:2], "--gone", "M-BB", *call[4:]]) == INFEASIBLE
    assert "did you mean 'M-B'?" in json.loads(capsys.readouterr().out)["notes"][0]
    assert main([*call, "--csv", str(broken)]) == WRONG_INPUT
    assert "got another file" in capsys.readouterr().err
