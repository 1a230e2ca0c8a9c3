"""The command in a new process: its time from start to front written, its stages, its memory."""

from __future__ import annotations

import json
import lzma
import os
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

KIB_PER_GB = 1024**2
GRACE = 60.0
"""Seconds after its time limit at which a command that does not obey it is killed."""

DOOR = "import sys; from optimizer.cli import main; sys.exit(main())"


@dataclass(frozen=True, slots=True)
class Ran:
    """One command: exit code, seconds, processor seconds, peak memory [GB], run as archived."""

    code: int
    seconds: float
    processor: float
    memory: float
    run: Mapping[str, Any]
    said: str


def front(spec: Path, runs: Path, *more: str, limit: float) -> Ran:
    """``partfront front SPEC --runs RUNS`` with what the system counted for it."""
    name = spec.stem
    command = [sys.executable, "-c", DOOR, "front", str(spec), "--runs", str(runs), "--name", name]
    command += ["--replace", "--time-limit", f"{limit:g}", *more]
    with (runs / f"{name}.out").open("w") as out, (runs / f"{name}.err").open("w") as err:
        began = time.monotonic()
        child = subprocess.Popen(command, stdout=out, stderr=err)
        end = threading.Timer(limit + GRACE, child.kill)
        end.start()
        _, status, usage = os.wait4(child.pid, 0)
        end.cancel()
        seconds = time.monotonic() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    return Ran(
        code=child.returncode,
        seconds=seconds,
        processor=usage.ru_utime + usage.ru_stime,
        memory=usage.ru_maxrss / KIB_PER_GB,
        run=_archived(runs / name),
        said=(runs / f"{name}.err").read_text("utf-8"),
    )


def _archived(folder: Path) -> Mapping[str, Any]:
    """The run of a folder, empty where there is none."""
    plain, packed = folder / "result.json", folder / "result.json.xz"
    if plain.exists():
        return dict(json.loads(plain.read_text("utf-8"))["run"])
    if packed.exists():
        return dict(json.loads(lzma.decompress(packed.read_bytes()))["run"])
    return {}


def lines(spec: Path, ran: Ran) -> Iterable[str]:
    """What is printed of a command."""
    yield (
        f"{spec.stem}: {ran.seconds:.1f} s from process start to front written "
        f"({ran.processor:.1f} s of processor), peak memory {ran.memory:.2f} GB, exit {ran.code}"
    )
    if not ran.run:
        why = "killed, since it did not end at its time limit" if ran.code == -9 else "no run"
        yield f"  {why}: " + " / ".join(ran.said.strip().splitlines()[-3:])
        return
    run = ran.run
    proofs = Counter(point["proof"] or "not proved" for point in run["points"])
    told = ", ".join(f"{count} {proof}" for proof, count in proofs.items())
    yield (
        f"  {len(run['points'])} points ({told}), engine {run['engine']}, "
        f"{'complete' if run['complete'] else 'NOT complete: ' + run['not_proved']}"
    )
    stages = ", ".join(f"{name} {seconds:.2f}" for name, seconds in run["stages"].items())
    yield f"  stages [s]: {stages}"
    yield "  counts: " + ", ".join(f"{name} {count}" for name, count in run["counts"].items())
