"""What replaces what: against listing every pair of options of two places with pooled prices."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from optimizer.dominance import marginal_costs, staircase
from optimizer.rivals import Rivals

PARTS, MOST, PLACEMENT = 4, 2, 3


def market(rng):
    """Price of 0 to 8 pieces of each part, a larger order never dearer a piece, and line item."""
    each = np.sort(rng.integers(5, 60, (PARTS, 4 * MOST)), axis=1)[:, ::-1]
    price = np.zeros((PARTS, 4 * MOST + 1), dtype=np.int64)
    price[:, 1:] = each * np.arange(1, 4 * MOST + 1)
    price = np.minimum.accumulate(price[:, ::-1], axis=1)[:, ::-1]
    return price, int(rng.integers(0, 40))


def rivals_of(rng, price, line, count):
    """Random options of one or two parts, as rivals that may share every part."""
    rows = np.stack([rng.permutation(PARTS)[:2] for _ in range(count)])
    pieces = rng.integers(1, MOST + 1, (count, 2))
    pieces[rng.random(count) < 0.3, 1] = 0
    loss = rng.integers(0, 30, count)
    number = np.arange(price.shape[1])
    alone = price + np.where(number > 0, line + PLACEMENT * number, 0)
    part = np.repeat(np.arange(PARTS), MOST + 1)[:, None]
    least, _ = marginal_costs(
        part, np.tile(np.arange(MOST + 1), PARTS)[:, None], price=price, line_item=line,
        placement=PLACEMENT, others=np.full(PARTS, 2 * MOST),
    )  # fmt: skip
    least = np.minimum(least.reshape(PARTS, MOST + 1), alone[:, : MOST + 1])
    return Rivals(rows, pieces, loss, least, alone[:, : MOST + 1], np.ones(PARTS, dtype=bool))


def joint_front(price, line, one, two, first, second):
    """Nondominated cost and loss over every pair of options, equal parts bought together."""
    cost, loss = [], []
    for i, j in itertools.product(first, second):
        count = np.zeros(PARTS, dtype=np.int64)
        for group, k in ((one, i), (two, j)):
            np.add.at(count, group.rows[k], group.pieces[k])
        paid = price[np.arange(PARTS), count] + np.where(count > 0, line, 0) + PLACEMENT * count
        cost.append(int(paid.sum()))
        loss.append(int(one.loss[i] + two.loss[j]))
    cost, loss = np.array(cost), np.array(loss)
    kept = staircase(cost, loss)
    return list(zip(cost[kept].tolist(), loss[kept].tolist(), strict=True))


@pytest.mark.parametrize("seed", range(120))
def test_joint_front_survives_with_pooled_prices(seed):
    rng = np.random.default_rng(seed)
    price, line = market(rng)
    one, two = (rivals_of(rng, price, line, 14) for _ in range(2))
    every = np.arange(14)
    expected = joint_front(price, line, one, two, every, every)
    kept = [np.flatnonzero(g.unbeaten(every)) for g in (one, two)]
    assert joint_front(price, line, one, two, *kept) == expected
    needed = np.flatnonzero(one.needed(two)), np.flatnonzero(two.needed(one))
    assert joint_front(price, line, one, two, *needed) == expected


def test_both_tests_leave_something_out():
    dropped = np.zeros(2, dtype=int)
    for seed in range(40):
        rng = np.random.default_rng(seed)
        price, line = market(rng)
        one, two = (rivals_of(rng, price, line, 14) for _ in range(2))
        dropped += [14 - one.unbeaten(np.arange(14)).sum(), 14 - one.needed(two).sum()]
    assert (dropped > 40).all()


@pytest.mark.parametrize("seed", range(60))
def test_settled_asks_only_as_needed_and_keeps_the_front_of_what_passes(seed):
    rng = np.random.default_rng(1000 + seed)
    price, line = market(rng)
    one, two = (rivals_of(rng, price, line, 14) for _ in range(2))
    passes = rng.random(14) < 0.5
    passes[int(rng.integers(14))] = True
    asked = []

    def ask(index):
        asked.extend(index.tolist())
        return passes[index]

    kept = one.settled(np.zeros(14, dtype=bool), ask)
    every = np.arange(14)
    expected = joint_front(price, line, one, two, np.flatnonzero(passes), every)
    assert joint_front(price, line, one, two, kept, every) == expected
    assert len(asked) == len(set(asked))
    assert passes[kept].all()


@pytest.mark.parametrize("fixed", [(True, False), (True, True)])
def test_fixed_parts_are_replaced_by_equal_ones_only(fixed):
    rows = np.array([[0, 1], [2, 1], [0, 3]])
    pieces = np.ones((3, 2), dtype=np.int64)
    alone = np.array([[0, 10], [0, 10], [0, 5], [0, 4]])
    rivals = Rivals(rows, pieces, np.array([3, 2, 1]), alone, alone, np.zeros(4, bool), fixed)
    expected = {(True, False): [False, True, True], (True, True): [True, True, True]}[fixed]
    assert rivals.unbeaten(np.arange(3)).tolist() == expected
    free = Rivals(rows, pieces, np.array([3, 2, 1]), alone, alone, np.zeros(4, bool))
    assert free.unbeaten(np.arange(3)).tolist() == [False, False, True]


def fewest_front(price, line, one, two, first, second):
    """The same with the number of distinct parts as a third axis: every point not beaten in it."""
    points = set()
    for i, j in itertools.product(first, second):
        count = np.zeros(PARTS, dtype=np.int64)
        for group, k in ((one, i), (two, j)):
            np.add.at(count, group.rows[k], group.pieces[k])
        paid = price[np.arange(PARTS), count] + np.where(count > 0, line, 0) + PLACEMENT * count
        points.add((int(paid.sum()), int(one.loss[i] + two.loss[j]), int((count > 0).sum())))
    return {
        point
        for point in points
        if not any(other != point and np.less_equal(other, point).all() for other in points)
    }


@pytest.mark.parametrize("seed", range(80))
def test_counted_rivals_keep_every_number_of_parts(seed):
    rng = np.random.default_rng(2000 + seed)
    price, line = market(rng)
    one, two = (rivals_of(rng, price, line, 14) for _ in range(2))
    every = np.arange(14)
    expected = fewest_front(price, line, one, two, every, every)
    kept = [np.flatnonzero(replace(g, counted=True).unbeaten(every)) for g in (one, two)]
    assert fewest_front(price, line, one, two, *kept) == expected


def test_counting_keeps_more_and_still_drops_some():
    kept = np.zeros(2, dtype=int)
    for seed in range(40):
        rng = np.random.default_rng(seed)
        price, line = market(rng)
        one = rivals_of(rng, price, line, 14)
        one = replace(one, shared=np.arange(PARTS) < 2)
        every = np.arange(14)
        kept += [one.unbeaten(every).sum(), replace(one, counted=True).unbeaten(every).sum()]
    assert kept[0] < kept[1] < 40 * 14
