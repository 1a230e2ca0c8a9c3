"""One question asked of many run folders: processes, other hosts, and a journal that survives.

The journal is a file of lines, one JSON object per answer, written by this process alone and
synced line by line. After a kill the torn end is cut off and what is answered is not asked again.
A worker process that dies takes at most one answer with it: the tasks that were under way are
asked again one at a time, and the one that kills its worker again is reported.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from optimizer.errors import InputError, OptimizerError, Problem

Plain = Mapping[str, Any]
Work = Callable[["Task"], Plain]

SCHEMA, VERSION = "partfront-fleet", 1
AHEAD = 2
"""Tasks handed out per process beyond which others wait."""

DIED = "the worker process died"


@dataclass(frozen=True, slots=True)
class Task:
    """One folder to ask. key : its contents and the question; point : None for its knee."""

    key: str
    folder: str
    point: int | None


@dataclass(frozen=True, slots=True)
class Answered:
    """One line of the journal: an answer, or the error that stands in its place."""

    key: str
    folder: str
    answer: Plain | None
    error: str = ""


# --- journal --------------------------------------------------------------------------------------


class Journal:
    """Answers on file; only one process may write at a time.

    fresh : whether an answer on file still holds; those that do not are asked again
    """

    def __init__(self, path: Path, *, fresh: Callable[[Answered], bool] = lambda one: True) -> None:
        self.path = path
        self._fresh = fresh
        self.kept = self._known()
        self._file: IO[bytes] | None = None

    def _known(self) -> dict[str, Answered]:
        last = {one.key: one for one in _read(self.path)}
        return {
            key: one for key, one in last.items() if one.answer is not None and self._fresh(one)
        }

    def answered(self, key: str) -> bool:
        """Whether a task has an answer that holds."""
        return key in self.kept and self.kept[key].answer is not None

    @contextmanager
    def writing(self) -> Iterator[Journal]:
        """Open for writing, with the torn end of a killed run cut off."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("a+b") as file:
            _lock(file, self.path)
            self.kept = self._known()
            file.truncate(_whole(self.path.read_bytes()))
            self._file = file
            if not file.seek(0, os.SEEK_END):
                self._line({"schema": SCHEMA, "version": VERSION})
            try:
                yield self
            finally:
                self._file = None

    def add(self, one: Answered) -> None:
        """Keep an answer; it is on the disk when this returns."""
        self.kept[one.key] = one
        line = {"key": one.key, "folder": one.folder, "answer": one.answer, "error": one.error}
        self._line(line)

    def _line(self, data: Plain) -> None:
        if self._file is None:
            raise ValueError("the journal is not open for writing")
        text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        self._file.write(text.encode("utf-8") + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())


def _whole(data: bytes) -> int:
    """Length of the lines that were written to their end."""
    return data.rfind(b"\n") + 1


def _read(path: Path) -> Iterator[Answered]:
    """Answers of a journal; a line torn by a kill is left out."""
    if not path.exists():
        return
    data = path.read_bytes()
    lines = data[: _whole(data)].splitlines()
    if not lines:
        return
    try:
        head, *rows = [json.loads(line) for line in lines]
        known = (head["schema"], head["version"]) == (SCHEMA, VERSION)
        found = [Answered(r["key"], r["folder"], r["answer"], r["error"]) for r in rows]
    except (ValueError, KeyError, TypeError):
        known, found = False, []
    if not known:
        need, fix = "a journal of this version", "name another file with --journal"
        raise InputError([Problem(str(path), "", "no journal", need, fix)])
    yield from found


def _lock(file: IO[bytes], path: Path) -> None:
    """Refuse a second writer, where the system can lock files."""
    try:
        import fcntl
    except ImportError:
        return
    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        need, fix = "a journal nobody writes to", "wait for the other run or use --journal"
        raise InputError([Problem(str(path), "", "one in use", need, fix)]) from None


# --- processes ------------------------------------------------------------------------------------


def ask(
    tasks: Sequence[Task],
    work: Work,
    journal: Journal,
    *,
    jobs: int,
    hosts: str = "",
    told: Callable[[Answered], None] = lambda one: None,
) -> None:
    """Put every task into the journal that is not answered there; errors are asked again.

    work : must be importable by a new process; an error it raises is the answer of its task
    jobs : processes on this machine; hosts : address of a dask scheduler to use instead
    """
    with journal.writing():
        waiting = {task.key: task for task in tasks if not journal.answered(task.key)}
        with _backend(jobs, hosts):
            found = _answers_of_hosts(waiting, work) if hosts else _answers(waiting, work, jobs)
            for one in found:
                journal.add(one)
                told(one)


def _answers(waiting: dict[str, Task], work: Work, jobs: int) -> Iterator[Answered]:
    """Answers as they come; after the death of a worker the tasks under way one at a time."""
    while waiting:
        try:
            for one in _parallel(list(waiting.values()), work, jobs):
                del waiting[one.key]
                yield one
        except BrokenProcessPool:
            for task in list(waiting.values())[: AHEAD * jobs]:
                del waiting[task.key]
                yield _alone(task, work, jobs)


def _answers_of_hosts(waiting: dict[str, Task], work: Work) -> Iterator[Answered]:
    """Answers as they come; what is missing then did not survive several workers.

    It may have been beside the one that ended them, so it is asked once more, alone.
    """
    for one in _parallel(list(waiting.values()), work, -1):
        if isinstance(one, Answered):
            del waiting[one.key]
            yield one
    for task in waiting.values():
        again = [one for one in _parallel([task], work, -1) if isinstance(one, Answered)]
        yield from again or [Answered(task.key, task.folder, None, DIED)]


def _alone(task: Task, work: Work, jobs: int) -> Answered:
    try:
        (one,) = _parallel([task], work, max(jobs, 2))
    except BrokenProcessPool:
        return Answered(task.key, task.folder, None, DIED)
    return one


def _parallel(tasks: Sequence[Task], work: Work, jobs: int) -> Iterator[Answered]:
    from joblib import Parallel, delayed

    pool = Parallel(
        n_jobs=jobs, return_as="generator_unordered", pre_dispatch="2*n_jobs", batch_size=1
    )
    yield from pool(delayed(_guarded)(work, task) for task in tasks)


def _guarded(work: Work, task: Task) -> Answered:
    """The answer to a task, or the error that it raised."""
    try:
        return Answered(task.key, task.folder, work(task))
    except OptimizerError as error:
        return Answered(task.key, task.folder, None, "; ".join(str(error).splitlines()))
    except Exception as error:
        text = f"fault of the program: {type(error).__name__}: {error}"
        return Answered(task.key, task.folder, None, text)


@contextmanager
def _backend(jobs: int, hosts: str) -> Iterator[None]:
    """Local processes with one thread of linear algebra each, or the workers of a scheduler."""
    from joblib import parallel_config

    if not hosts:
        threads = {"inner_max_num_threads": 1} if jobs != 1 else {}
        with parallel_config(backend="loky" if jobs != 1 else "sequential", **threads):
            yield
        return
    try:
        from distributed import Client

        from optimizer.batch_hosts import HostsBackend
    except ImportError:
        fix = "install partfront with its extra: pip install 'partfront[hosts]'"
        raise InputError(
            [Problem("--hosts", "", "no dask on this machine", "dask and distributed", fix)]
        ) from None
    try:
        client = Client(hosts, timeout="10s")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        need, fix = "the address of a running scheduler", "start one with: dask scheduler"
        got = f"{hosts!r} ({error})"
        raise InputError([Problem("--hosts", "", got, need, fix)]) from None
    with client, parallel_config(backend=HostsBackend(client=client)):
        yield
