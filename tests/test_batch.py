"""The batch loses nothing and answers nothing twice, whatever dies.

KILLS=20 (an environment variable) kills the whole program twenty times; a normal run less often.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from optimizer.batch import Answered, Journal, Task, ask
from optimizer.errors import InputError
from tests import batch_work
from tests.batch_work import tasks

KILLS = int(os.environ.get("KILLS", "3"))
ROOT = Path(__file__).parents[1]
COUNT = 40


def lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()[1:]]


def squares(path: Path) -> dict[str, object]:
    found = lines(path)
    assert len({str(one["key"]) for one in found}) == len(found), "a task was answered twice"
    return {str(one["key"]): one["answer"]["square"] for one in found}  # type: ignore[index]


WANTED = {f"key-{k}": k * k for k in range(COUNT)}


def start(path: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "tests.batch_work", str(path), str(COUNT), "0.1"]
    return subprocess.Popen(command, cwd=ROOT, start_new_session=True, stderr=subprocess.DEVNULL)


def test_kill_9_in_the_middle_loses_nothing(tmp_path: Path) -> None:
    """The program and its processes are killed as soon as some more answers are on file."""
    path, chance = tmp_path / "journal.jsonl", random.Random(7)
    for kill in range(KILLS):
        one = start(path)
        goal = COUNT * (kill + 1) // (KILLS + 2)
        while one.poll() is None and (not path.exists() or len(path.read_bytes()) < 60 * goal):
            time.sleep(0.01)
        time.sleep(chance.uniform(0.0, 0.1))
        assert one.poll() is None, "it ended before it could be killed"
        os.killpg(one.pid, signal.SIGKILL)
        one.wait()
        path.write_bytes(path.read_bytes()[: -chance.randint(0, 9) or None])
    assert 0 < len(lines_whole(path)) < COUNT
    last = start(path)
    assert last.wait(timeout=300) == 0
    assert squares(path) == WANTED


def lines_whole(path: Path) -> list[bytes]:
    data = path.read_bytes()
    return data[: data.rfind(b"\n")].splitlines()[1:]


def test_a_worker_that_dies_costs_its_own_answer_only(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal.jsonl")
    ask(tasks(12), batch_work.deadly, journal, jobs=2)
    dead = [one for one in journal.kept.values() if one.answer is None]
    assert [one.key for one in dead] == ["key-3"]
    assert "worker process died" in dead[0].error
    assert sum(one.answer is not None for one in journal.kept.values()) == 11
    assert len(lines(journal.path)) == 12


def test_errors_are_answers_of_their_own_and_asked_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    ask(tasks(4), batch_work.broken, Journal(path), jobs=1)
    errors = {str(one["key"]): str(one["error"]) for one in lines(path) if one["error"]}
    assert "folder-1: got no run" in errors["key-1"]
    assert errors["key-2"] == "fault of the program: ZeroDivisionError: by zero"
    told: list[Answered] = []
    ask(tasks(4), batch_work.square, Journal(path), jobs=1, told=told.append)
    assert sorted(one.key for one in told) == ["key-1", "key-2"]


def test_answers_that_no_longer_hold_are_asked_again(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    ask(tasks(3), batch_work.square, Journal(path), jobs=1)
    told: list[Answered] = []
    again = Journal(path, fresh=lambda one: one.key != "key-1")
    ask(tasks(3), batch_work.square, again, jobs=1, told=told.append)
    assert [one.key for one in told] == ["key-1"]


def test_a_foreign_file_is_no_journal(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_text('{"a": 1}\n', encoding="utf-8")
    with pytest.raises(InputError, match="got no journal"):
        Journal(path)
    assert path.read_text("utf-8") == '{"a": 1}\n'


def test_two_writers_are_refused(tmp_path: Path) -> None:
    pytest.importorskip("fcntl")
    path = tmp_path / "journal.jsonl"
    with Journal(path).writing(), pytest.raises(InputError, match="one in use"):
        ask([Task("a", "b", None)], batch_work.square, Journal(path), jobs=1)


def test_a_dask_cluster_answers_the_same(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    path = tmp_path / "journal.jsonl"
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None}
    with distributed.LocalCluster(**options) as cluster:
        address = cluster.scheduler_address
        ask(tasks(8), batch_work.square, Journal(path), jobs=1, hosts=address)
        assert squares(path) == {f"key-{k}": k * k for k in range(8)}
        assert os.getpid() not in {one["answer"]["process"] for one in lines(path)}  # type: ignore[index]


@pytest.mark.parametrize("workers", [2, 1])
def test_a_host_that_dies_costs_its_own_answer_only(tmp_path: Path, workers: int) -> None:
    """Nor does a deadly task end the process that asks, which leaves all work to the hosts."""
    distributed = pytest.importorskip("distributed")
    journal = Journal(tmp_path / "journal.jsonl")
    options = {"n_workers": workers, "threads_per_worker": 1, "dashboard_address": None}
    with distributed.LocalCluster(**options) as cluster:
        ask(tasks(8), batch_work.deadly, journal, jobs=1, hosts=cluster.scheduler_address)
    assert [key for key, one in journal.kept.items() if one.answer is None] == ["key-3"]
    assert len(lines(journal.path)) == 8
    done = {one.answer["process"] for one in journal.kept.values() if one.answer is not None}
    assert done
    assert os.getpid() not in done


def test_a_scheduler_without_workers_is_a_clear_error(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    options = {"n_workers": 0, "dashboard_address": None}
    with distributed.LocalCluster(**options) as cluster:
        journal, hosts = Journal(tmp_path / "j"), cluster.scheduler_address
        with pytest.raises(InputError, match="without workers"):
            ask(tasks(1), batch_work.square, journal, jobs=1, hosts=hosts)


def test_no_scheduler_is_a_clear_error(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="a running scheduler"):
        ask(tasks(1), batch_work.square, Journal(tmp_path / "j"), jobs=1, hosts="tcp://127.0.0.1:9")
