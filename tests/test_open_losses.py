"""The loss that a front leaves open, against its definition corner by corner."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer import dominance, open_losses
from optimizer.dominance import Staircase
from optimizer.records import FloatArray, IntArray

WEIGHTS = dominance.directions(cost_scale=1e5, loss_scale=3e5)


def by_definition(cost: IntArray, others: FloatArray, stair: Staircase) -> FloatArray:
    """Largest loss that stays below some corner in every direction, direction by direction."""
    found = np.full(len(cost), -np.inf)
    for top, right in dominance.corners(stair):
        for k, paid in enumerate(cost):
            most = np.inf
            for (v, w), bound in zip(WEIGHTS, others, strict=True):
                reach = (v * top if v > 0 else 0.0) + (w * right if w > 0 else 0.0)
                room = reach - bound - v * paid
                most = min(most, room / w if w > 0 else (np.inf if room >= 0 else -np.inf))
            found[k] = max(found[k], most)
    return found


def some_front(rng: np.random.Generator, most: int) -> Staircase:
    """The staircase of a few random points."""
    count = int(rng.integers(1, most))
    cost = rng.integers(80_000, 300_000, count)
    return dominance.stair_of(cost, rng.integers(50_000, 120_000, count))


@pytest.mark.parametrize("seed", range(30))
def test_largest_loss_is_what_the_corners_leave(seed: int) -> None:
    rng = np.random.default_rng(seed)
    stair = some_front(rng, 30)
    rest = rng.integers(40_000, 150_000, 6), rng.integers(20_000, 80_000, 6)
    others = dominance.lower_bounds(*rest, WEIGHTS) * rng.uniform(0.9, 1.0)
    paid = np.sort(rng.integers(1_000, 150_000, 12))
    found = open_losses.largest_loss(paid, others, WEIGHTS, stair)
    expected = by_definition(paid, others, stair)
    assert (np.isposinf(found) == np.isposinf(expected)).all()
    assert (np.isneginf(found) == np.isneginf(expected)).all()
    finite = np.isfinite(expected)
    assert found[finite] == pytest.approx(expected[finite], abs=1e-3)


def test_an_option_that_reaches_a_corner_exactly_is_open() -> None:
    stair = np.array([100_001]), np.array([50_000])
    others = dominance.lower_bounds(np.array([60_000]), np.array([20_000]), WEIGHTS)
    found = open_losses.largest_loss(np.array([40_000, 40_001]), others, WEIGHTS, stair)
    assert np.isposinf(found[0])  # one unit below the cost of the only point: any loss
    assert found[1] == pytest.approx(29_999.0)  # at its cost: less than its loss


@pytest.mark.parametrize("seed", range(20))
def test_beside_many_bounds_never_less_is_open_and_mostly_no_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    stair = some_front(rng, 60)
    rest = rng.integers(40_000, 150_000, (5, 6)), rng.integers(20_000, 80_000, (5, 6))
    others = np.stack([dominance.lower_bounds(*each, WEIGHTS) for each in zip(*rest, strict=True)])
    paid = np.sort(rng.integers(1_000, 150_000, 40))
    found = open_losses.largest_losses(paid, others, WEIGHTS, stair)
    exact = np.stack([open_losses.largest_loss(paid, each, WEIGHTS, stair) for each in others])
    assert (np.isneginf(found) == np.isneginf(exact)).all()
    assert (np.isposinf(found) == np.isposinf(exact)).all()
    some = np.isfinite(exact)
    assert (found[some] >= exact[some] - 1e-6).all()
    near = found[some] <= exact[some] + 1.0
    assert near.mean() > 0.8  # more where two steep lines cross between two of the places


@pytest.mark.parametrize("seed", range(10))
def test_rows_are_lowered_as_numpy_does_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, 8, int(rng.integers(0, 40)))
    rows = np.sort(rows) if seed % 2 else rows
    found = rng.normal(size=(len(rows), 3))
    least, expected = (np.full((8, 3), 0.5) for _ in range(2))
    open_losses.lower_at(least, rows, found)
    np.minimum.at(expected, rows, found)
    assert (least == expected).all()
