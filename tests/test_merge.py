"""The merged front against listing every selection, with savings of both signs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from optimizer.merge import components, mergeable, relaxed_front
from optimizer.tally import selection_cost, selection_loss
from tests.choices import (
    BANK_INPUT,
    BANK_OUTPUT,
    LEG_INPUT,
    LEG_OUTPUT,
    listed_front,
    random_choice,
)


def values(points):
    return [(point.cost, point.loss) for point in points]


def check(choice):
    front = relaxed_front(choice)
    assert values(front) == listed_front(choice, rows=False)
    for point in front:
        assert selection_cost(choice, point.skeleton, point.option) == point.cost
        assert selection_loss(choice, point.skeleton, point.option) == point.loss
        assert (point.proof, point.bound) == ("merge", point.loss)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 10**6), st.sampled_from(["bought", "linear", "rising"]), st.sampled_from([2, 4])
)
def test_merge_equals_listing(seed, price_shape, parts):
    check(random_choice(seed, price_shape=price_shape, parts=parts))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["bought", "rising"]), st.booleans())
def test_merge_equals_listing_where_almost_everything_is_shared(seed, price_shape, legs):
    layouts = (LEG_INPUT, LEG_OUTPUT) if legs else (BANK_INPUT, BANK_OUTPUT)
    check(
        random_choice(
            seed, skeletons=1, options=(10, 25), parts=4, price_shape=price_shape, layouts=layouts
        )
    )


BANK_BETWEEN = ("bank-between", ("between-first", "between-second"), "c")


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(["bought", "linear", "rising"]))
@example(3545, "linear")  # nothing left that two of the banks share
def test_three_banks_that_share_parts_merge_too(seed, price_shape):
    choice = random_choice(
        seed,
        skeletons=1,
        options=(4, 9),
        parts=4,
        price_shape=price_shape,
        layouts=(BANK_INPUT, BANK_OUTPUT, BANK_BETWEEN),
    )
    assert mergeable(choice)
    check(choice)


def test_rising_prices_do_occur_and_cost_more_pooled():
    """The listing above would not notice a fault that never shows."""
    dearer = 0
    for seed in range(30):
        choice = random_choice(seed, price_shape="rising", line_item=0)
        price = choice.price
        dearer += int((price[:, 4] > 2 * price[:, 2]).sum())
    assert dearer > 20


def test_pooling_changes_the_front():
    """Without savings the same data give another front in most cases."""
    changed = 0
    for seed in range(20):
        choice = random_choice(seed, price_shape="bought", line_item=25, options=(4, 5))
        alone = min(
            body.cost_fixed
            + sum(
                min(
                    selection_cost_alone(choice, group, option) for option in range(len(group.loss))
                )
                for group in body.groups
            )
            for body in choice.skeletons
        )
        changed += alone != relaxed_front(choice)[0].cost
    assert changed >= 5


def selection_cost_alone(choice, group, option):
    used: dict[int, int] = {}
    for part, pieces in zip(group.part[option], group.pieces[option], strict=True):
        if part >= 0:
            used[part] = used.get(part, 0) + pieces
    bought = sum(choice.price[p, n] + choice.line_item for p, n in used.items())
    return bought + choice.placement * sum(used.values())


def test_groups_that_can_share_parts_come_together():
    choice = random_choice(3, skeletons=1, options=(5, 5), parts=2)
    assert components(choice.skeletons[0]) == ((0, 1), (2, 3), (4,))
    assert mergeable(choice)


def test_four_groups_sharing_parts_are_left_to_the_solver():
    third = ("leg-third", ("third-high", "third-low"), "t")
    fourth = ("leg-fourth", ("fourth-high", "fourth-low"), "t")
    choice = random_choice(
        1, skeletons=1, options=(5, 5), parts=1, layouts=(LEG_INPUT, LEG_OUTPUT, third, fourth)
    )
    choice = replace(choice, price=np.pad(choice.price, ((0, 0), (0, 8)), mode="edge"))
    assert not mergeable(choice)
    with pytest.raises(ValueError, match="leg-third, leg-fourth share parts"):
        relaxed_front(choice)


def test_worst_point_loss_is_left_to_the_solver():
    choice = random_choice(1, worst=2)
    assert not mergeable(choice)
    with pytest.raises(ValueError, match="use the solver"):
        relaxed_front(choice)


def test_a_part_without_price_is_refused():
    choice = random_choice(1)
    choice.price[:, 1:] = 1 << 41
    with pytest.raises(ValueError, match="a price for every part"):
        relaxed_front(choice)


def test_a_price_table_too_narrow_is_refused():
    choice = random_choice(1, options=(5, 5), parts=1)
    narrow = type(choice)(
        **{name: getattr(choice, name) for name in choice.__slots__ if name != "price"},
        price=np.ascontiguousarray(choice.price[:, :5]),
    )
    with pytest.raises(ValueError, match="price table"):
        relaxed_front(narrow)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 10**6),
    st.sampled_from(["bought", "linear", "rising"]),
    st.integers(3, 8),
    st.booleans(),
)
def test_no_point_has_more_part_numbers_than_allowed_and_none_is_lost(seed, shape, numbers, three):
    layouts = (BANK_INPUT, BANK_OUTPUT, BANK_BETWEEN) if three else (LEG_INPUT, LEG_OUTPUT)
    choice = random_choice(
        seed, options=(2, 7), parts=4, price_shape=shape, numbers=numbers, layouts=layouts
    )
    front = relaxed_front(choice)
    assert values(front) == listed_front(choice)
    for point in front:
        assert selection_cost(choice, point.skeleton, point.option) == point.cost


def test_the_number_of_parts_costs_something():
    """The test above would not notice a limit that never bites."""
    bites = 0
    for seed in range(40):
        choice = random_choice(seed, parts=4, numbers=6)
        free = replace(choice, part_numbers_max=None)
        bites += values(relaxed_front(choice)) != values(relaxed_front(free))
    assert bites > 10
