"""Work in a fork beside this process: its answer, and what becomes of it where the fork fails."""

from __future__ import annotations

import multiprocessing
import os
from typing import Any

import pytest

from optimizer.cli_beside import beside

WAYS = [False, True] if "fork" in multiprocessing.get_all_start_methods() else [False]


def where() -> tuple[int, str]:
    return os.getpid(), "x" * 3_000_000


@pytest.mark.parametrize("two", WAYS)
def test_the_answer_is_the_same_in_a_fork(two: bool) -> None:
    with beside(where, two=two) as answer:
        process, text = answer()
    assert (process != os.getpid()) == two
    assert text == "x" * 3_000_000


@pytest.mark.parametrize("two", WAYS)
def test_an_exception_is_raised_where_the_answer_is_asked_for(two: bool) -> None:
    def fail() -> Any:
        raise ValueError("no page")

    done = []
    with beside(fail, two=two) as answer:
        done.append("folder")
        with pytest.raises(ValueError, match="no page"):
            answer()
    assert done == ["folder"]


@pytest.mark.parametrize("two", WAYS)
def test_a_fork_that_dies_is_stood_in_for(two: bool) -> None:
    me = os.getpid()

    def die() -> int:
        if os.getpid() != me:
            os._exit(9)
        return 5

    with beside(die, two=two) as answer:
        assert answer() == 5


def test_an_answer_that_nobody_asks_for_does_not_hold_up() -> None:
    others = set(multiprocessing.active_children())  # workers that other tests keep
    with pytest.raises(ZeroDivisionError), beside(where, two=WAYS[-1]):
        raise ZeroDivisionError
    assert set(multiprocessing.active_children()) <= others
