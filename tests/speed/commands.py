"""The command in a new process: its time from start to front written, its stages, its memory."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

KIB_PER_GB = 1024**2
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


def front(spec: Path, runs: Path, *more: str) -> Ran:
    """``partfront front SPEC --runs RUNS`` with what the system counted for it."""
    name = spec.stem
    command = [sys.executable, "-c", DOOR, "front", str(spec), "--runs", str(runs), "--name", name]
    with (runs / f"{name}.out").open("w") as out, (runs / f"{name}.err").open("w") as err:
        began = time.monotonic()
        child = subprocess.Popen([*command, "--replace", *more], stdout=out, stderr=err)
        _, status, usage = os.wait4(child.pid, 0)
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
    plain, packed = folder / "result.json", folder / "result.json.gz"
    if plain.exists():
        return dict(json.loads(plain.read_text("utf-8"))["run"])
    if packed.exists():
        return dict(json.loads(gzip.decompress(packed.read_bytes()))["run"])
    return {}


def lines(spec: Path, ran: Ran) -> Iterable[str]:
    """What is printed of a command."""
    yield (
        f"{spec.stem}: {ran.seconds:.1f} s from process start to front written "
        f"({ran.processor:.1f} s of processor), peak memory {ran.memory:.2f} GB, exit {ran.code}"
    )
    if not ran.run:
        yield "  no run: " + " / ".join(ran.said.strip().splitlines()[-3:])
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
