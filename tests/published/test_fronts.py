"""Fronts, hypervolume and knee against published values; the data file names the sources.

The published two-criterion knapsack sets could not be had as a package, so a knapsack of our own
stands in for them, compared with `scipy.optimize.milp`.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import moocore
import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from optimizer.dominance import directions, staircase
from optimizer.frontier import front, knee
from optimizer.records import Choice, Group, Selection, Skeleton

DATA = tomllib.loads((Path(__file__).parent / "fronts.toml").read_text("utf-8"))


def area(cost, loss, reference):
    """Hypervolume of a staircase: one strip per step."""
    right = np.append(cost[1:], reference[0])
    return float(((right - cost) * (reference[1] - loss)).sum())


@pytest.mark.parametrize("name", ["four_points", "two_points"])
def test_hypervolume_of_the_staircase(name):
    given = DATA[name]
    points = np.array(given["points"])
    cost, loss = points[staircase(points[:, 0], points[:, 1])].T
    assert area(cost, loss, given["reference"]) == given["hypervolume"]
    outside = moocore.hypervolume(points.astype(float), ref=given["reference"])
    assert outside == pytest.approx(given["hypervolume"])


def root_curve(steps):
    share = np.arange(steps + 1) / steps
    return np.round(share * 1e9).astype(np.int64), np.round((1 - np.sqrt(share)) * 1e9).astype(
        np.int64
    )


def test_hypervolume_of_a_continuous_front():
    given = DATA["continuous_front"]
    cost, loss = root_curve(given["steps"])
    index = staircase(cost, loss)
    assert len(index) == given["steps"] + 1
    reference = np.array(given["reference"]) * 10**9
    share = area(cost[index], loss[index], reference) / 1e18
    assert share == pytest.approx(given["hypervolume"], rel=given["rel"])


def test_knee_of_the_root_curve():
    given = DATA["knee_of_the_chord"]
    cost, loss = root_curve(given["steps"])
    points = tuple(Selection(int(c), int(v), 0, ()) for c, v in zip(cost, loss, strict=True))
    assert points[knee(points)].cost / 1e9 == pytest.approx(given["knee"], rel=given["rel"])


def one_group(points):
    """A choice of one group whose options are the given points (cost through a part each)."""
    count = len(points)
    group = Group(
        name="only",
        part=np.arange(count)[:, None],
        pieces=np.ones((count, 1), dtype=np.int64),
        loss=points[:, 1],
        rows=np.zeros((count, 0)),
        loss_lane=np.zeros((count, 0), dtype=np.int64),
        slot_position=("only",),
    )
    body = Skeleton("only", (group,), 0, 0, np.zeros(0), np.zeros(0, dtype=np.int64))
    price = np.stack([np.zeros(count, dtype=np.int64), points[:, 0]], axis=1)
    return Choice((body,), (), price, 0, 0, tuple(map(str, range(count))))


def test_unsupported_points_are_found():
    given = DATA["unsupported"]
    points = np.array(given["points"])
    weights = directions(cost_scale=1.0, loss_scale=1.0)
    weighted = {tuple(points[k]) for k in (weights @ points.T).argmin(axis=1)}
    assert weighted == set(map(tuple, given["supported"]))
    for engine in ("auto", "solver"):
        found = front(one_group(points), engine=engine).points
        assert [[point.cost, point.loss] for point in found] == given["points"]


def knapsack(price, value, weight, room):
    """Take or leave each thing: cost is what is paid, loss what is forgone, weight is a row."""
    groups = tuple(
        Group(
            name=f"thing {k}",
            part=np.array([[-1], [k]]),
            pieces=np.array([[0], [1]]),
            loss=np.array([value[k], 0]),
            rows=np.array([[0.0], [weight[k] / room]]),
            loss_lane=np.zeros((2, 0), dtype=np.int64),
            slot_position=(f"thing {k}",),
        )
        for k in range(len(value))
    )
    body = Skeleton("sack", groups, 0, 0, np.zeros(1), np.zeros(0, dtype=np.int64))
    table = np.stack([np.zeros(len(price), dtype=np.int64), price], axis=1)
    return Choice((body,), ("weight",), table, 0, 0, tuple(map(str, range(len(value)))))


def test_textbook_knapsack():
    given = DATA["knapsack"]
    choice = knapsack([1, 1, 1], given["value"], given["weight"], given["room"])
    best = front(choice).points[-1]
    assert sum(given["value"]) - best.loss == given["best"]


def by_scipy(price, value, weight, room):
    """The same front by scipy, least forgone value within each budget, then least price."""
    take = {"integrality": np.ones(len(value)), "bounds": Bounds(0, 1)}
    rows = [LinearConstraint(np.array(weight, dtype=float), -np.inf, room)]
    budget, points = sum(price), []
    while True:
        within = [*rows, LinearConstraint(np.array(price, dtype=float), -np.inf, budget + 0.5)]
        most = milp(-np.array(value), constraints=within, options={"mip_rel_gap": 0.0}, **take)
        got = round(-most.fun)
        enough = [*rows, LinearConstraint(np.array(value, dtype=float), got - 0.5, np.inf)]
        paid = milp(np.array(price), constraints=enough, options={"mip_rel_gap": 0.0}, **take)
        points.append((round(paid.fun), sum(value) - got))
        if round(paid.fun) == 0:
            return points[::-1]
        budget = round(paid.fun) - 1


@pytest.mark.parametrize("engine", ["auto", "solver"])
def test_two_criterion_knapsack_of_our_own(engine):
    random = np.random.default_rng(50)
    price, value, weight = (random.integers(10, 60, 14).tolist() for _ in range(3))
    room = sum(weight) // 2
    found = front(knapsack(price, value, weight, room), engine=engine)
    points = [(point.cost, point.loss) for point in found.points]
    assert found.complete
    assert points == by_scipy(price, value, weight, room)
    assert len(points) > 20
    reference = [sum(price), sum(value)]
    cost, loss = np.array(points).T
    assert area(cost, loss, reference) == pytest.approx(
        moocore.hypervolume(np.array(points, dtype=float), ref=reference)
    )
