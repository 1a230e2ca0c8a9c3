"""Staircases and bounds against listing every integer point, and against moocore."""

from __future__ import annotations

import itertools

import moocore
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.dominance import (
    covered,
    directions,
    droppable,
    lower_bounds,
    marginal_costs,
    optimistic_cost,
    other_pieces,
    staircase,
    undominated,
)
from optimizer.scouts import incumbents, needed
from optimizer.selection import Selector
from optimizer.tally import pooled_slots, selection_cost, selection_loss, violations
from tests.choices import every_selection, listed_front, random_choice

points = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=1, max_size=12)


def axes(pairs):
    array = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return array[:, 0], array[:, 1]


def stair_of(pairs):
    cost, loss = axes(pairs)
    index = staircase(cost, loss)
    return cost[index], loss[index]


@settings(max_examples=200, deadline=None)
@given(points)
def test_staircase_is_what_moocore_calls_nondominated(pairs):
    cost, loss = stair_of(pairs)
    unique = np.unique(np.array(pairs, dtype=float), axis=0)
    kept = unique[moocore.is_nondominated(unique)]
    assert sorted(map(tuple, kept)) == list(zip(cost, loss, strict=True))


def test_staircase_without_packing_for_huge_numbers():
    huge = np.array([1 << 61, 0, 5], dtype=np.int64)
    loss = np.array([0, 1 << 61, 7], dtype=np.int64)
    assert staircase(huge, loss).tolist() == [1, 2, 0]


@settings(max_examples=200, deadline=None)
@given(points, st.tuples(st.integers(0, 12), st.integers(0, 12)))
def test_covered_by_definition(pairs, point):
    by_hand = any(cost <= point[0] and loss <= point[1] for cost, loss in pairs)
    cost, loss = axes([point])
    assert covered(cost, loss, stair_of(pairs))[0] == by_hand


def drop_by_listing(bound, weights, stair):
    """Every integer point of the region far enough out is covered: tried one by one."""
    grid = np.array(list(itertools.product(range(-15, 40), repeat=2)))
    inside = (grid @ weights.T >= bound - 1e-9).all(axis=1)
    cost, loss = grid[inside].T
    return bool(covered(cost, loss, stair).all())


@settings(max_examples=300, deadline=None)
@given(points, points, st.integers(2, 9))
def test_droppable_equals_listing(incumbent, item, count):
    weights = directions(cost_scale=3.0, loss_scale=5.0, count=count)
    stair = stair_of(incumbent)
    bound = lower_bounds(*axes(item), weights)[None, :]
    assert droppable(bound, weights, stair)[0] == drop_by_listing(bound[0], weights, stair)


def test_an_item_that_only_ties_is_dropped_and_one_better_by_a_unit_is_not():
    weights = directions(cost_scale=1.0, loss_scale=1.0)
    stair = stair_of([(5, 5)])
    bounds = np.stack([lower_bounds(*axes([point]), weights) for point in [(5, 5), (5, 4), (4, 9)]])
    assert droppable(bounds, weights, stair).tolist() == [True, False, False]


def test_without_the_pure_ends_nothing_drops():
    weights = directions(cost_scale=1.0, loss_scale=1.0)[1:-1]
    bound = lower_bounds(*axes([(50, 50)]), weights)[None, :]
    assert not droppable(bound, weights, stair_of([(5, 5)]))[0]


def test_an_empty_staircase_drops_nothing():
    weights = directions(cost_scale=1.0, loss_scale=1.0)
    none = np.zeros(0, dtype=np.int64)
    assert not droppable(lower_bounds(*axes([(9, 9)]), weights)[None, :], weights, (none, none))[0]


def test_undominated_keeps_one_of_equal_options():
    cost, loss = axes([(3, 3), (3, 3), (2, 4), (4, 3)])
    assert undominated(cost, cost, loss).tolist() == [0, 2]
    assert undominated(cost - 2, cost, loss).tolist() == [0, 1, 2, 3]


def bounds_of(choice, body, function):
    result = []
    for g, group in enumerate(body.groups):
        part, pieces = pooled_slots(group)
        result.append(
            function(
                part,
                pieces,
                price=choice.price,
                line_item=choice.line_item,
                placement=choice.placement,
                others=other_pieces(body.groups, g, len(choice.price)),
            )
        )
    return result


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["bought", "linear", "rising"]))
def test_optimistic_costs_never_add_up_to_more_than_is_paid(seed, shape):
    choice = random_choice(seed, price_shape=shape, parts=2, options=(1, 4))
    least = [bounds_of(choice, body, optimistic_cost) for body in choice.skeletons]
    for k, option in every_selection(choice):
        total = sum(int(values[chosen]) for values, chosen in zip(least[k], option, strict=True))
        cost = selection_cost(choice, k, option)
        assert choice.skeletons[k].cost_fixed + total <= cost


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["bought", "rising"]))
def test_exchanging_options_stays_between_their_marginal_costs(seed, shape):
    choice = random_choice(seed, price_shape=shape, parts=2, options=(2, 4), skeletons=1)
    bounds = bounds_of(choice, choice.skeletons[0], marginal_costs)
    option = [0] * len(bounds)
    for g, (least, most) in enumerate(bounds):
        for chosen in range(len(least)):
            other = [*option[:g], chosen, *option[g + 1 :]]
            rise = selection_cost(choice, 0, other) - selection_cost(choice, 0, option)
            assert least[chosen] - most[0] <= rise <= most[chosen] - least[0]


def listed_within(choice, kept):
    """The front by listing only the kept options."""
    front = []
    values = []
    for k, option in every_selection(choice):
        if all(mask[chosen] for mask, chosen in zip(kept[k], option, strict=True)) and not (
            violations(choice, k, option)
        ):
            values.append((selection_cost(choice, k, option), selection_loss(choice, k, option)))
    for cost, loss in sorted(values):
        if not front or loss < front[-1][1]:
            front.append((cost, loss))
    return front


COUPLED = [
    {"rows": 2},
    {"rows": 1, "numbers": 5, "same_part": True},
    {"rows": 1, "worst": 3},
    {"price_shape": "rising", "numbers": 4},
]


@pytest.mark.parametrize("coupling", COUPLED, ids=["rows", "equal parts", "worst point", "numbers"])
def test_what_is_dropped_costs_no_point_of_the_front(coupling):
    dropped = 0
    for seed in range(25):
        choice = random_choice(seed, options=(3, 6), **coupling)
        full = listed_front(choice)
        kept = needed(choice, incumbents(choice))
        assert listed_within(choice, kept) == full
        selector = Selector(choice)
        survived = [[place >= 0 for place in groups] for groups in selector.program.options]
        assert listed_within(choice, survived) == full
        dropped += sum(int((~mask).sum()) for body in kept for mask in body)
    assert dropped > 25
