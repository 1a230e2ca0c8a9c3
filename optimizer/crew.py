"""A few forked processes that work on skeletons side by side and share what was read before.

What comes out does not depend on how many there are: the caller takes the answers in the order it
began the tasks, and begins a fixed number of them ahead.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from typing import Any

LOOK_EVERY = 0.1
"""Seconds between two looks at whether to end."""

_work: Callable[[Any], Any] | None = None
_ended: Any = None


def available() -> int:
    """Processor cores that this process may use; 1 where it cannot fork or may have no children."""
    forks = "fork" in multiprocessing.get_all_start_methods()
    if not forks or multiprocessing.current_process().daemon:
        return 1
    count = getattr(os, "sched_getaffinity", None)
    return len(count(0)) if count else os.cpu_count() or 1


def called_off() -> bool:
    """Whether this is a process of a crew whose work is no longer wanted."""
    return _ended is not None and bool(_ended.is_set())


Begin = Callable[[Any], Callable[[], Any]]
"""Begins a task and gives what waits for its answer."""


@contextmanager
def crew(work: Callable[[Any], Any], processes: int, halted: Callable[[], bool]) -> Iterator[Begin]:
    """A function that begins a task beside others and gives what waits for its answer.

    work : done in a fork of this process as it is at the first task; its exceptions are raised
    where its answer is asked for; halted : asked while waiting, true calls the crew off
    Alone, a process does a task when its answer is asked for. What was begun and is not waited for
    is called off at the end.
    """
    if processes < 2:
        yield lambda task: partial(work, task)
        return
    global _work, _ended
    context = multiprocessing.get_context("fork")
    _work, ended = work, context.Event()
    with ProcessPoolExecutor(
        processes, mp_context=context, initializer=_begin, initargs=(ended,)
    ) as pool:

        def answer(task: Any, future: Future[Any]) -> Any:
            try:
                while not wait([future], timeout=LOOK_EVERY).done:
                    if halted():
                        ended.set()
                return future.result()
            except BrokenProcessPool:
                return work(task)

        def begin(task: Any) -> Callable[[], Any]:
            try:
                return partial(answer, task, pool.submit(_one, task))
            except BrokenProcessPool:  # since a task before
                return partial(work, task)

        try:
            yield begin
        finally:
            ended.set()
            pool.shutdown(cancel_futures=True)


def together(begin: Begin, tasks: Sequence[Any]) -> list[Any]:
    """The answers of several tasks at once, in their order."""
    return [answer() for answer in [begin(task) for task in tasks]]


def _begin(ended: Any) -> None:
    """In a new process: an interrupt is for the parent, which calls the crew off."""
    global _ended
    _ended = ended
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.freeze()  # a search for garbage among what the parent made would copy its pages


def _one(task: Any) -> Any:
    assert _work is not None
    return _work(task)
