"""The worst point as objective: its merge against listing, a search in which its lane changes."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import (
    expansion,
    frontier,
    market,
    merge,
    merge_worst,
    options,
    search,
    workbench,
    worst_lane,
)
from optimizer.found import Clock, never, quiet
from optimizer.parts import bank_choice
from optimizer.rivals import beaten
from optimizer.tally import lane_losses, selection_cost, selection_loss
from tests.choices import BANK_INPUT, BANK_OUTPUT, listed_front, random_choice
from tests.speed import small_case
from tests.test_option_shared import promising

BANK_BETWEEN = ("bank-between", ("between-first", "between-second"), "c")


def values(points):
    return [(point.cost, point.loss) for point in points]


@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, 10**6),
    st.sampled_from(["bought", "linear", "rising"]),
    st.integers(2, 4),
    st.booleans(),
    st.sampled_from([3, 8]),
)
def test_the_merge_of_lanes_equals_listing(seed, price_shape, worst, three, parts):
    layouts = {"layouts": (BANK_BETWEEN, BANK_INPUT, BANK_OUTPUT)} if three else {}
    choice = random_choice(seed, worst=worst, price_shape=price_shape, parts=parts, **layouts)
    front = merge_worst.relaxed_front(choice)
    assert values(front) == listed_front(choice, rows=False)
    for point in front:
        assert selection_cost(choice, point.skeleton, point.option) == point.cost
        assert selection_loss(choice, point.skeleton, point.option) == point.loss
        assert (point.proof, point.bound) == ("merge", point.loss)


@pytest.mark.parametrize("seed", range(20))
def test_only_points_below_what_is_known_are_found(seed):
    choice = random_choice(seed, worst=2)
    wanted = listed_front(choice, rows=False)
    cost, loss = np.array(wanted[::2], dtype=np.int64).T
    found = merge_worst.relaxed_front(choice, (cost, loss))
    assert values(found) == wanted[1::2]


@pytest.mark.parametrize("seed", range(20))
def test_weighed_lanes_never_lie_above_the_worst(seed):
    choice = random_choice(seed, worst=3)
    for weight in merge_worst.weights_of(3):
        assert weight.sum() == pytest.approx(1.0)
        bound = merge_worst.weighed(choice, weight)
        for point in merge.relaxed_front(bound):
            assert point.loss <= selection_loss(choice, point.skeleton, point.option)


def test_lanes_that_stand_for_the_worst_point_bound_it():
    choice = random_choice(3, worst=4)
    bodies = [replace(body, lanes=np.array([1, 3])) for body in choice.skeletons]
    some = merge_worst.bounding(replace(choice, skeletons=tuple(bodies)))
    assert some.worst_point
    assert [len(body.loss_lane_fixed) for body in some.skeletons] == [2, 2]
    again = merge_worst.bounding(some)
    assert values(merge_worst.relaxed_front(again)) == values(merge_worst.relaxed_front(some))
    for point in merge_worst.relaxed_front(some):
        lanes = lane_losses(choice, point.skeleton, point.option)
        assert point.loss == lanes[[1, 3]].max()
    bodies = [replace(body, lanes=np.array([2])) for body in choice.skeletons]
    one = merge_worst.bounding(replace(choice, skeletons=tuple(bodies)))
    assert not one.worst_point
    for point in merge.relaxed_front(one):
        assert point.loss == lane_losses(choice, point.skeleton, point.option)[2]


def test_a_lane_that_is_never_the_worst_counts_for_nothing():
    choice = random_choice(4, worst=2)

    def doubled(body):
        """The skeleton with each lane once more, losing less."""
        groups = tuple(
            replace(g, loss_lane=np.hstack([g.loss_lane, g.loss_lane - 1])) for g in body.groups
        )
        fixed = np.append(body.loss_lane_fixed, body.loss_lane_fixed)
        return replace(body, groups=groups, loss_lane_fixed=fixed)

    wide = replace(choice, skeletons=tuple(map(doubled, choice.skeletons)))
    assert values(merge_worst.relaxed_front(wide)) == values(merge_worst.relaxed_front(choice))
    many = random_choice(4, worst=9)
    assert not merge_worst.mergeable(many)
    with pytest.raises(ValueError, match="use the solver"):
        merge_worst.relaxed_front(many)


def test_a_bank_is_beaten_only_in_every_lane():
    scale = np.array([1.0, 0.5])
    loss = np.array([[10.0, 5.0], [10.0, 4.0], [12.0, 6.5], [9.0, 7.0]])
    least, most = bank_choice.loss_span(loss, scale)
    assert least.tolist() == [10.0, 8.0, 12.0, 9.0]
    assert most.tolist() == [10.0, 10.0, 13.0, 14.0]
    cost, key = np.array([7, 7, 9, 9]), np.zeros((4, 0), dtype=np.int64)
    # the third loses more than the first in both lanes; the fourth gains in one
    assert beaten(cost, cost, least, key, most).tolist() == [False, False, True, False]


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """A small case whose cheap and dear sets lose most in different lanes."""
    folder = tmp_path_factory.mktemp("catalogs")
    spec, catalog = small_case.case(folder, scale=0.06, seed=5)
    return replace(spec, choice=replace(spec.choice, objective="worst-point")), catalog


def test_the_lane_changes_along_a_front_that_the_merge_proves(case):
    found = search.solve(*case, processes=1)
    front, (one,) = found.front, found.markets.values()
    assert (front.complete, front.engine) == (True, "merge")
    assert len(one.objective) == 2
    whole = replace(found.choice, worst_point=True)
    worst = [int(np.argmax(lane_losses(whole, p.skeleton, p.option))) for p in front.points]
    assert min(Counter(worst).values()) >= 5
    assert len(Counter(worst)) == 2
    # every option that keeps its own limits, with all lanes
    every = frontier.front(small_case.every_option(found), prove_points=0)
    assert values(front.points) == values(every.points)


def test_weights_of_lanes_add_up_to_one_whatever_is_known():
    choice = random_choice(5, worst=4)
    nothing = replace(choice, skeletons=())
    shared = replace(choice, part_numbers_max=3)
    for one in (choice, nothing, shared):
        for numbers in (np.array([2]), np.array([0, 3]), np.arange(4)):
            weights = worst_lane._nearest(one, numbers)
            assert len(weights) == len(numbers)
            assert weights.sum() == pytest.approx(1.0)
            assert weights.min() > 0.0


LANES = ((7, (1, 3)), (8, (3, 4)), (8, (2, 5)))
"""Catalogs and lanes in which banks that lose less by weight take points from the front."""


def open_points(work, key, **aim):
    """Points of one skeleton that the front so far leaves open, and how many options it has."""
    name, number = key
    body = options.expand(work.markets[name], work.rows[name], number, work.aim(**aim))
    if body is None:
        return [], 0
    choice = merge_worst.bounding(replace(work.choice_of({key: body}), same_part=()))
    found = values(merge_worst.relaxed_front(choice, work.stair))
    return found, sum(len(group.loss) for group in body.groups)


@pytest.mark.parametrize(("seed", "lanes"), LANES)
def test_no_option_is_lost_where_several_lanes_count(tmp_path, seed, lanes):
    spec, catalog = small_case.case(tmp_path, scale=0.06, seed=seed)
    choice = replace(spec.choice, objective="worst-point")
    purchase = replace(spec.purchase, line_item_each=1500.0)
    found = search.prepared(replace(spec, choice=choice, purchase=purchase), catalog)
    (one,) = found.markets.values()
    held = np.flatnonzero(workbench.worst_wanted(one.stage))[list(lanes)]
    weight = np.where(np.isin(np.arange(len(one.stage.lanes)), held), 0.5, 0.0)
    found.markets["buck"] = market.market(
        one.stage, one.pool, one.prices, one.scene, weight > 0, weight
    )
    work = expansion.Expansion(found, Clock(quiet, never, math.inf))
    work.bound()
    work.sketch(any_set=False)
    seen, sizes = 0, np.zeros(2, dtype=int)
    for key in promising(work):
        (mine, few), (wanted, many) = open_points(work, key), open_points(work, key, complete=True)
        assert mine == wanted
        seen += len(mine)
        sizes += np.array([few, many])
    assert seen > 0
    assert sizes[0] < sizes[1] * 0.8
