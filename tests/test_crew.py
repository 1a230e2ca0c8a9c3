"""Forked processes that work side by side: order, shared state, exceptions, the end."""

from __future__ import annotations

import os
import time

import pytest

from optimizer import crew
from optimizer.errors import Halted

needs_fork = pytest.mark.skipif(crew.available() < 2, reason="needs two cores and fork")


def never():
    return False


@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=needs_fork)])
def test_answers_come_in_order_from_what_was_read_before(processes):
    shared = {k: k * k for k in range(9)}
    with crew.crew(shared.__getitem__, processes, never) as begin:
        assert crew.together(begin, [4, 2, 8]) == [16, 4, 64]
        assert crew.together(begin, []) == []
        assert crew.together(begin, [1]) == [1]


@needs_fork
def test_work_is_done_in_other_processes():
    with crew.crew(lambda _: os.getpid(), 2, never) as begin:
        assert os.getpid() not in crew.together(begin, [0, 1])


@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=needs_fork)])
def test_exceptions_are_raised_here(processes):
    def fail(task):
        raise ValueError(f"no {task}")

    with crew.crew(fail, processes, never) as begin, pytest.raises(ValueError, match="no 3"):
        crew.together(begin, [3])


@needs_fork
def test_a_halt_reaches_the_crew():
    def work(_):
        for _ in range(400):
            if crew.called_off():
                raise Halted
            time.sleep(0.05)

    start = time.monotonic()
    with crew.crew(work, 2, lambda: True) as begin, pytest.raises(Halted):
        crew.together(begin, [1, 2])
    assert time.monotonic() - start < 10.0


@needs_fork
def test_a_killed_process_costs_nothing_but_time():
    me = os.getpid()

    def work(task):
        if os.getpid() != me:
            os._exit(9)
        return task + 1

    with crew.crew(work, 2, never) as begin:
        assert crew.together(begin, [1, 2]) == [2, 3]
        assert crew.together(begin, [3]) == [4]  # the crew is gone for good
