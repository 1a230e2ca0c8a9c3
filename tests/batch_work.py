"""Work for tests of the batch: slow, failing and deadly tasks; also a program to be killed.

``python -m tests.batch_work JOURNAL COUNT SECONDS`` answers COUNT tasks by two processes.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

from optimizer.batch import Answered, Journal, Task, ask
from optimizer.errors import InputError, Problem


def tasks(count: int) -> list[Task]:
    return [Task(f"key-{k}", f"folder-{k}", k) for k in range(count)]


def square(task: Task) -> dict[str, Any]:
    return {"square": (task.point or 0) ** 2, "process": os.getpid()}


def slow_square(task: Task) -> dict[str, Any]:
    time.sleep(float(os.environ.get("TASK_SECONDS", "0.05")))
    return square(task)


def deadly(task: Task) -> dict[str, Any]:
    """Task 3 takes its process along."""
    if task.point == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return slow_square(task)


def broken(task: Task) -> dict[str, Any]:
    """Task 1 finds a broken folder, task 2 a fault of the program."""
    if task.point == 1:
        raise InputError([Problem(task.folder, "", "no run", "a run folder", "restore it")])
    if task.point == 2:
        raise ZeroDivisionError("by zero")
    return square(task)


def run(path: Path, count: int) -> list[Answered]:
    told: list[Answered] = []
    ask(tasks(count), slow_square, Journal(path), jobs=2, told=told.append)
    return told


if __name__ == "__main__":
    os.environ["TASK_SECONDS"] = sys.argv[3]
    run(Path(sys.argv[1]), int(sys.argv[2]))
