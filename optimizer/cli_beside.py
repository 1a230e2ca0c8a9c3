"""One piece of work in a fork of this process, beside what this process does itself."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


@contextmanager
def beside(work: Callable[[], Any], *, two: bool) -> Iterator[Callable[[], Any]]:
    """A function that gives what `work` makes, begun at once.

    two : whether two processes may run; else, and where the fork ends without an answer, `work`
        is done here when it is asked for, and its exceptions are raised there
    """
    if not two:
        yield work
        return
    import multiprocessing

    context = multiprocessing.get_context("fork")
    receiver, sender = context.Pipe(duplex=False)
    fork = context.Process(target=_send, args=(work, sender), daemon=True)
    fork.start()
    sender.close()

    def answer() -> Any:
        try:
            return receiver.recv()
        except EOFError:
            return work()

    try:
        yield answer
    finally:
        fork.kill()
        fork.join()


def _send(work: Callable[[], Any], sender: Connection) -> None:
    """In the fork: an interrupt is for the parent; an exception too, which meets it again."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(Exception):
        sender.send(work())
