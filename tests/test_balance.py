"""The balance equations: slope against differences, and the solver's edges."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings

from optimizer.balance import STEP_DOWN, close, currents, residual, with_resistance
from optimizer.topologies.intervals import lane_table
from optimizer.waveforms import balance_of
from tests.stage_lanes import Job, jobs


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_slope_is_the_derivative(job: Job) -> None:
    topology, operation, state, window = job
    balance = balance_of(lane_table(topology, operation.region, window), operation, state)
    duty = np.full((2, len(operation.region)), 0.45)
    step = 1e-5
    ahead, behind = (residual(balance, duty + sign * step) for sign in (1, -1))
    here = residual(balance, duty)
    difference = (ahead.volts - behind.volts) / (2 * step)
    assert np.allclose(here.slope, difference, rtol=1e-5, atol=1e-4)


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_pattern_closes_on_itself(job: Job) -> None:
    topology, operation, state, window = job
    balance = balance_of(lane_table(topology, operation.region, window), operation, state)
    solution = close(balance)
    _, start, end = currents(balance, solution)
    gap = (end[-1] - start[0])[solution.converged]
    size = 1 + np.abs(start).max(axis=0)[solution.converged]
    assert np.all(np.abs(gap) < 1e-9 * size)


def test_a_guess_does_not_change_the_solution() -> None:
    plain = close(STEP_DOWN)
    for guess in (0.3, 0.9, np.nan):
        assert np.allclose(close(STEP_DOWN, np.array([[guess]])).duty, plain.duty, rtol=1e-13)


def test_flat_lanes_solve_like_the_grid() -> None:
    flat = STEP_DOWN.flat(np.array([[True]]))
    assert close(flat).duty.shape == (1,)
    assert close(flat).duty[0] == close(STEP_DOWN).duty[0, 0]


def test_dropout_and_other_failures_are_nan() -> None:
    heavy = close(with_resistance(STEP_DOWN, np.array([[3.0]])))
    assert not heavy.converged.any()
    assert np.isnan(heavy.duty).all()
