"""A few forked processes that work on skeletons side by side and share what was read before.

What comes out does not depend on how many there are: the caller hands over a fixed number of
tasks at a time and takes all answers in before it hands over the next.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

Task = TypeVar("Task")
Answer = TypeVar("Answer")

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


@contextmanager
def crew(
    work: Callable[[Task], Answer], processes: int, halted: Callable[[], bool]
) -> Iterator[Callable[[Sequence[Task]], list[Answer]]]:
    """A function that works on several tasks at once and gives the answers in their order.

    work : done in a fork of this process as it is at the first task; its exceptions are raised
    here; halted : asked while waiting, true calls the crew off
    """
    if processes < 2:
        yield lambda tasks: [work(task) for task in tasks]
        return
    global _work, _ended
    context = multiprocessing.get_context("fork")
    _work, ended = work, context.Event()
    with ProcessPoolExecutor(
        processes, mp_context=context, initializer=_begin, initargs=(ended,)
    ) as pool:

        def together(tasks: Sequence[Task]) -> list[Answer]:
            try:
                futures = [pool.submit(_one, task) for task in tasks]
                pending = set(futures)
                while pending:
                    _, pending = wait(pending, timeout=LOOK_EVERY)
                    if pending and halted():
                        ended.set()
                return [future.result() for future in futures]
            except BrokenProcessPool:  # now, or in a round before
                return [work(task) for task in tasks]

        yield together


def _begin(ended: Any) -> None:
    """In a new process: an interrupt is for the parent, which calls the crew off."""
    global _ended
    _ended = ended
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.freeze()  # a search for garbage among what the parent made would copy its pages


def _one(task: Any) -> Any:
    assert _work is not None
    return _work(task)
