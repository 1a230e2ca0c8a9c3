"""Options that fit into what a front leaves open: against listing every set of random choices."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import fitting
from optimizer.tally import selection_cost, selection_loss, violations
from tests.choices import every_selection, listed_front, random_choice


def fits(choice, cost_max, loss_max):
    """By listing: options of every set that keeps its rows within the limits."""
    held = [[np.zeros(len(g.loss), dtype=bool) for g in body.groups] for body in choice.skeletons]
    for k, option in every_selection(choice):
        if violations(choice, k, option) or selection_cost(choice, k, option) > cost_max:
            continue
        if selection_loss(choice, k, option) <= loss_max:
            for group, chosen in enumerate(option):
                held[k][group][chosen] = True
    return held


def corner(choice, share):
    """A cost and a loss some way along the front."""
    front = listed_front(choice)
    if not front:
        return 10**6, 10**6
    return front[min(len(front) - 1, int(share * len(front)))]


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10**6), st.floats(0, 1), st.sampled_from(["both", "cost", "loss", "none"]))
def test_no_option_of_a_set_that_fits_is_left_out(seed, share, limits):
    choice = random_choice(seed, rows=3, options=(1, 4))
    cost, loss = corner(choice, share)
    cost_max = float(cost) if limits in ("both", "cost") else math.inf
    loss_max = float(loss) if limits in ("both", "loss") else math.inf
    for mine, wanted in zip(
        fitting.within(choice, cost_max, loss_max), fits(choice, cost_max, loss_max), strict=True
    ):
        for kept, held in zip(mine, wanted, strict=True):
            assert (kept | ~held).all()


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10**6))
def test_no_option_of_an_uncovered_set_is_left_out(seed):
    choice = random_choice(seed, rows=2, options=(1, 4))
    front = np.array(listed_front(choice)[::2], dtype=np.int64).reshape(-1, 2)
    stair = front[:, 0], front[:, 1]
    for k, body in enumerate(choice.skeletons):
        kept = fitting.fitting(choice, k, stair)
        for skeleton, option in every_selection(choice):
            if skeleton != k or violations(choice, k, option):
                continue
            cost, loss = selection_cost(choice, k, option), selection_loss(choice, k, option)
            if not ((front[:, 0] <= cost) & (front[:, 1] <= loss)).any():
                assert all(mask[one] for mask, one in zip(kept, option, strict=True))
        assert len(kept) == len(body.groups)


def test_most_options_go_where_little_room_is_left():
    left, every = 0, 0
    for seed in range(20):
        choice = random_choice(seed, rows=3, options=(20, 30), parts=8)
        whole = fitting.within(choice, math.inf, math.inf)
        least = min(
            selection_cost(choice, k, [int(np.argmin(g.loss)) for g in body.groups])
            for k, body in enumerate(choice.skeletons)
        )
        some = fitting.within(choice, 0.5 * least, math.inf)
        every += sum(int(mask.sum()) for masks in whole for mask in masks)
        left += sum(int(mask.sum()) for masks in some for mask in masks)
    assert 0 < left < every / 2


@pytest.mark.parametrize("seed", range(5))
def test_nothing_fits_below_what_is_possible(seed):
    choice = random_choice(seed, rows=0)
    masks = fitting.within(choice, 0.0, math.inf)
    assert not any(mask.any() for body in masks for mask in body)


AFTERWARDS = """
import numpy as np
from optimizer import fitting
from optimizer.selfcheck import check_solver
print(fitting._Tightest(2).beside(np.array([1.0, -1.0])))
check_solver()
"""


def test_the_solver_of_the_proofs_works_after_the_one_of_the_weights() -> None:
    """The first solver of a process settles its threads; nothing else is printed by it."""
    told = subprocess.run([sys.executable, "-c", AFTERWARDS], capture_output=True, text=True)
    assert told.returncode == 0, told.stderr
    assert told.stdout.splitlines() == ["(array([1., 0.]), 1.0)"]
