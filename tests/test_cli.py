"""The command keeps its promises whatever the rooms below it do; those are stood in for here."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from optimizer import archive, cli
from optimizer.archive import read_run
from optimizer.errors import InputError, NoFeasibleDesign, NotProved, Problem
from tests.sample_run import sample_run, verified

ROOT = Path(__file__).parents[1]
SPEC = SimpleNamespace(
    catalogs=(),
    path="",
    text="name = 'x'",
    purchase=SimpleNamespace(currency="EUR"),
)

CATALOG = SimpleNamespace(rows={"mosfet": 3}, refused=(), hashes={"mosfets.csv": "ab"})


class Stage:
    """Stands in for spec, catalog and search, and runs the command in an empty folder."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
        self.monkeypatch = monkeypatch
        self.folder = folder
        self.asked: dict[str, Any] = {}
        monkeypatch.chdir(folder)
        self.put("spec", read_spec=lambda path: SPEC, summary=lambda spec: "24 V to 12 V")
        self.put("catalog", read_catalog=lambda paths: CATALOG)
        self.search(front=self.found, verify_each=lambda *_: [(None, verified(), ())])

    def put(self, room: str, **verbs: Any) -> None:
        module = ModuleType(f"optimizer.{room}")
        for name, verb in verbs.items():
            setattr(module, name, verb)
        self.monkeypatch.setitem(sys.modules, module.__name__, module)
        import optimizer

        self.monkeypatch.setattr(optimizer, room, module, raising=False)

    def search(self, **verbs: Any) -> None:
        self.put("conclude", **verbs)

    def found(self, spec: Any, catalog: Any, **options: Any) -> Any:
        self.asked = options
        return sample_run()

    def fails(self, error: BaseException) -> None:
        def front(*_: Any, **__: Any) -> Any:
            raise error

        self.search(front=front)


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Stage:
    return Stage(monkeypatch, tmp_path)


def test_front_writes_the_run_and_prints_it(
    stage: Stage, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["front", "my spec.toml"]) == 0
    told = capsys.readouterr()
    assert "knee" in told.out
    assert "Run folder: runs/my-spec" in told.out
    assert "spec: 24 V to 12 V" in told.err
    run = read_run(stage.folder / "runs" / "my-spec")
    assert len(run["points"]) == 3
    assert {"partfront", "highspy", "python"} <= run["versions"].keys()
    assert run["hashes"]["mosfets.csv"] == "ab"


def test_options_reach_the_search(stage: Stage) -> None:
    call = ["front", "x.toml", "--engine", "solver", "--prove", "all", "--time-limit", "9"]
    assert cli.main([*call, "--runs", "elsewhere", "--name", "mine"]) == 0
    asked = {key: stage.asked[key] for key in ("engine", "time_limit", "prove_all")}
    assert asked == {"engine": "solver", "time_limit": 9.0, "prove_all": True}
    assert (stage.folder / "elsewhere" / "mine" / "front.csv").is_file()


def test_json_is_the_whole_result(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["front", "x.toml", "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert (whole["schema"], len(whole["run"]["points"])) == ("partfront-run", 3)


def test_an_unproved_run_is_kept_and_told_by_code_4(stage: Stage) -> None:
    stage.search(front=lambda *_, **__: sample_run(complete=False))
    assert cli.main(["front", "x.toml"]) == 4
    assert read_run(stage.folder / "runs" / "x")["complete"] is False


PROBLEM = Problem("a.csv:3", "q", "'abc'", "a number", "correct it")


@pytest.mark.parametrize(
    ("error", "code", "text"),
    [
        (InputError([PROBLEM]), 2, "a.csv:3 q: got 'abc', need a number; correct it"),
        (NoFeasibleDesign("output-low: 0 left"), 3, "output-low: 0 left"),
        (NotProved("gap 3 %"), 4, "gap 3 %"),
        (FileNotFoundError(2, "No such file", "cat.csv"), 2, "cat.csv: got No such file"),
        (PermissionError(13, "Permission denied", "runs"), 2, "runs: got Permission denied"),
        (KeyboardInterrupt(), 4, "Interrupted"),
        (ZeroDivisionError("by zero"), 1, "Fault of the program: ZeroDivisionError"),
    ],
)
def test_errors_have_a_code_a_text_and_no_traceback(
    stage: Stage, capsys: pytest.CaptureFixture[str], error: BaseException, code: int, text: str
) -> None:
    stage.fails(error)
    assert cli.main(["front", "x.toml"]) == code
    told = capsys.readouterr()
    assert text in told.err
    assert "Traceback" not in told.err
    assert not (stage.folder / "runs").exists()


def test_debug_shows_the_traceback(stage: Stage) -> None:
    stage.fails(ZeroDivisionError("by zero"))
    with pytest.raises(ZeroDivisionError):
        cli.main(["front", "x.toml", "--debug"])


def test_errors_as_json(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    stage.fails(InputError([PROBLEM, PROBLEM]))
    assert cli.main(["front", "x.toml", "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert (told["exit_code"], len(told["problems"])) == (2, 2)


def test_a_bad_name_or_target_is_refused_before_the_search(stage: Stage) -> None:
    stage.fails(AssertionError("searched"))
    assert cli.main(["front", "x.toml", "--name", "../x"]) == 2
    (stage.folder / "catalogs").mkdir()
    (stage.folder / "catalogs" / "a.csv").write_text("x")
    assert cli.main(["front", "x.toml", "--runs", ".", "--name", "catalogs", "--replace"]) == 2
    assert (stage.folder / "catalogs" / "a.csv").read_text() == "x"


@pytest.mark.parametrize("runs", ["taken", "taken/runs", "taken/a/b"])
def test_a_place_for_runs_that_is_a_file_is_refused_before_the_search(
    stage: Stage, capsys: pytest.CaptureFixture[str], runs: str
) -> None:
    stage.fails(AssertionError("searched"))
    (stage.folder / "taken").write_text("x")
    assert cli.main(["front", "x.toml", "--runs", runs]) == 2
    told = capsys.readouterr().err
    assert "taken --runs: got not a directory" in told
    assert "choose another folder with --runs" in told


def test_a_place_for_runs_without_rights_is_refused_before_the_search(
    stage: Stage, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.fails(AssertionError("searched"))

    def refused(**_: object) -> str:  # root may write anywhere
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("optimizer.archive.tempfile.mkdtemp", refused)
    assert cli.main(["front", "x.toml", "--runs", "new/runs"]) == 2
    assert ". --runs: got permission denied" in capsys.readouterr().err


@pytest.mark.parametrize("limit", ["0", "-3", "nan", "inf", "soon"])
def test_a_senseless_time_limit_is_refused(
    stage: Stage, capsys: pytest.CaptureFixture[str], limit: str
) -> None:
    with pytest.raises(SystemExit) as told:
        cli.main(["front", "x.toml", f"--time-limit={limit}"])
    assert told.value.code == 2
    assert "--time-limit" in capsys.readouterr().err


def test_the_first_interrupt_asks_the_search_to_stop(
    stage: Stage, capsys: pytest.CaptureFixture[str]
) -> None:
    def front(*_: Any, stop: Callable[[], bool], **__: Any) -> Any:
        assert not stop()
        signal.raise_signal(signal.SIGINT)
        assert stop()
        return sample_run(complete=False)

    before = signal.getsignal(signal.SIGINT)
    stage.search(front=front)
    assert cli.main(["front", "x.toml"]) == 4
    assert "keeping what is proved" in capsys.readouterr().err
    assert signal.getsignal(signal.SIGINT) is before
    assert read_run(stage.folder / "runs" / "x")["points"]


def test_an_interrupt_after_the_run_was_written_costs_its_page_only(
    stage: Stage, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: Any, **__: Any) -> Any:
        raise KeyboardInterrupt

    stage.search(front=lambda *_, **__: sample_run())
    monkeypatch.setattr(archive, "write_page", stopped)
    assert cli.main(["front", "x.toml"]) == 0
    assert "page: left out: partfront page" in capsys.readouterr().err
    assert read_run(stage.folder / "runs" / "x")["points"]


def test_the_second_interrupt_gives_up(stage: Stage) -> None:
    def front(*_: Any, **__: Any) -> Any:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)

    stage.search(front=front)
    assert cli.main(["front", "x.toml"]) == 4
    assert not (stage.folder / "runs").exists()


def test_a_front_point_is_verified_again(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    asked: list[Any] = []

    def verify(_spec: Any, _catalog: Any, part_set: Any, _resistance: Any) -> Any:
        asked.append(part_set)
        return [(None, verified(), ())]

    stage.search(front=stage.found, verify_each=verify)
    cli.main(["front", "x.toml"])
    assert cli.main(["verify", "x.toml", "--point", "2"]) == 3
    assert asked == [sample_run().points[1].verified.part_set]
    assert "FAILS" in capsys.readouterr().out


def test_a_point_that_is_not_there_is_told(
    stage: Stage, capsys: pytest.CaptureFixture[str]
) -> None:
    cli.main(["front", "x.toml"])
    assert cli.main(["verify", "x.toml", "--point", "7"]) == 2
    assert "--point: got 7, need a point from 1 to 3" in capsys.readouterr().err


def test_verify_as_json(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["front", "x.toml"])
    capsys.readouterr()
    assert cli.main(["verify", "x.toml", "--point", "1", "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["verified"]["chain"]["closes"] is True


def test_lint_tells_findings_row_by_row_and_by_code(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    catalog = tmp_path / "mosfets.csv"
    catalog.write_text("part_number,rds_on_10v_typ_mohm\nA,abc\n")
    assert cli.main(["lint", "mosfets.csv"]) == 2
    told = capsys.readouterr().out
    assert "mosfets.csv:1" in told
    assert "Wrong, and stops a run" in told
    assert cli.main(["lint", str(ROOT / "catalogs")]) == 0
    told = capsys.readouterr().out
    assert "the row is not used" in told
    assert "stops a run" not in told


def test_help_needs_no_heavy_import() -> None:
    code = (
        "import sys; from optimizer.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'pyomo', 'scipy', 'highspy', 'rich'} & set(sys.modules)\n"
        "sys.exit(','.join(heavy) or 0)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    call = [sys.executable, "-c", code]
    done = subprocess.run(call, env=environment, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_reader_that_goes_away_makes_no_noise() -> None:
    code = "import sys; from optimizer.cli import _guarded; from types import SimpleNamespace\n"
    code += "def act(a):\n  for _ in range(99999): print('x' * 99)\n"
    code += "sys.exit(_guarded(SimpleNamespace(action=act, debug=False, json=False)))"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    call = [sys.executable, "-c", code]
    pipe = subprocess.PIPE
    with subprocess.Popen(call, env=environment, stdout=pipe, stderr=pipe) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == b""
        deadline = time.monotonic() + 10.0
        while process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.01)
        assert process.returncode == 0


def test_memory_is_kept_where_the_c_library_can_be_told(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[int, int]] = []

    class Library:
        def mallopt(self, what: int, value: int) -> None:
            told.append((what, value))

    monkeypatch.setattr(cli.ctypes, "CDLL", lambda _: Library())
    assert cli.main(["lint", "nowhere.csv"]) == cli.WRONG_INPUT
    assert told == [(-3, 32 << 20), (-1, 1 << 30)]
    monkeypatch.setattr(cli.ctypes, "CDLL", lambda _: object())
    assert cli.main(["lint", "nowhere.csv"]) == cli.WRONG_INPUT
    assert told[2:] == []
