"""Ctrl-C and time limits through the real command, in a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.cli import DONE, INFEASIBLE, INTERRUPTED, main
from tests import tiny


@pytest.mark.skipif(os.name == "nt", reason="needs signals")
@pytest.mark.parametrize("stage", ["catalogs", "sketches"])
def test_an_interrupt_at_a_stage_ends_cleanly(tmp_path: Path, stage: str) -> None:
    """The line of a stage on the error stream is answered with Ctrl-C."""
    path = tiny.job(tmp_path)
    command = [sys.executable, "-u", "-m", "optimizer.cli", "front", str(path)]
    command += ["--runs", str(tmp_path / "runs")]
    running = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert running.stderr is not None
    for line in running.stderr:
        if f"] {stage}:" in line:
            running.send_signal(signal.SIGINT)
            break
    _, rest = running.communicate(timeout=120)
    assert running.returncode in (DONE, INTERRUPTED)
    assert "Traceback" not in rest
    if stage == "catalogs":
        return
    (folder,) = (tmp_path / "runs").iterdir()
    run = json.loads((folder / "result.json").read_text(encoding="utf-8"))["run"]
    assert run["points"]
    assert run["complete"] == (running.returncode == DONE)
    assert bool(run["not_proved"]) == (running.returncode == INTERRUPTED)


def test_a_time_limit_without_a_set_says_what_fell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tiny.job(tmp_path, limits={"v_ripple_output_mv": 1.0})
    runs = tmp_path / "runs"
    code = main(["front", str(path), "--runs", str(runs), "--time-limit", "0.001"])
    assert code == INTERRUPTED
    told = capsys.readouterr().err
    assert "not searched at all: buck" in told
    assert not runs.exists()
    code = main(["front", str(path), "--runs", str(runs), "--time-limit", "5"])
    assert code in (INFEASIBLE, INTERRUPTED)
