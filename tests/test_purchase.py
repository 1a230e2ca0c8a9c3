"""Line prices against a slow twin that tries every order quantity, and against hand totals."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.purchase import (
    PRICE_NONE,
    break_table,
    line_item_units,
    line_price,
    pieces_needed,
    price_table,
    unit_price,
)
from optimizer.records import COST_UNIT

breaks_any = st.lists(
    st.tuples(st.integers(1, 60), st.integers(1, 99).map(lambda cents: cents / 100)),
    min_size=1,
    max_size=4,
    unique_by=lambda pair: pair[0],
).map(sorted)


def try_every_quantity(need, breaks, minimum, multiple):
    """The definition word for word, over every quantity that could matter."""
    best = math.inf
    highest = max(need, minimum, breaks[-1][0]) + multiple
    for quantity in range(1, highest + 1):
        if quantity < max(need, minimum) or quantity % multiple:
            continue
        fitting = [price for start, price in breaks if start <= quantity]
        if fitting:
            best = min(best, quantity * fitting[-1])
    return best


@settings(max_examples=300, deadline=None)
@given(st.integers(1, 90), breaks_any, st.integers(1, 30), st.integers(1, 25))
def test_line_price_is_the_minimum_over_every_quantity(need, breaks, minimum, multiple):
    line = line_price(need, breaks, minimum, multiple)
    assert math.isclose(line.total, try_every_quantity(need, breaks, minimum, multiple))
    assert line.quantity % multiple == 0
    assert line.quantity >= max(need, minimum)
    assert line.excess == line.quantity - need
    assert math.isclose(line.total, line.quantity * line.price)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(breaks_any, st.integers(1, 30), st.integers(1, 25)), min_size=1, max_size=4),
    st.integers(1, 12),
    st.sampled_from([0.0, 0.05]),
)
def test_table_holds_the_line_price_of_every_part_and_count(parts, boards, scrap):
    quantity, price = break_table([part[0] for part in parts])
    table = price_table(
        quantity,
        price,
        np.array([part[1] for part in parts]),
        np.array([part[2] for part in parts]),
        boards=boards,
        scrap=scrap,
        pieces_max=5,
    )
    for row, (breaks, minimum, multiple) in enumerate(parts):
        for pieces in range(6):
            need = int(pieces_needed(pieces, boards=boards, scrap=scrap))
            exact = line_price(need, breaks, minimum, multiple).total / boards / COST_UNIT
            assert exact - 1e-5 <= table[row, pieces] < exact + 1


@settings(max_examples=200, deadline=None)
@given(breaks_any, st.integers(1, 30), st.integers(1, 25), st.integers(1, 12))
def test_falling_prices_make_the_table_subadditive(breaks, minimum, multiple, boards):
    falling = list(
        zip([b[0] for b in breaks], sorted((b[1] for b in breaks), reverse=True), strict=True)
    )
    quantity, price = break_table([falling])
    table = price_table(
        quantity, price, minimum, multiple, boards=boards, scrap=0.03, pieces_max=8
    )[0]
    for first in range(1, 8):
        for second in range(1, 9 - first):
            assert table[first + second] <= table[first] + table[second]


def test_buying_up_by_hand():
    """4,500 at 0.60 is 2,700; 5,000 at 0.50 is 2,500. Hand total."""
    assert line_price(4500, [(1, 0.60), (5000, 0.50)]).total == 2500.0
    assert line_price(4000, [(1, 0.60), (5000, 0.50)]).quantity == 4000


def test_first_break_above_the_need_must_be_bought():
    line = line_price(10, [(50, 0.2)])
    assert (line.quantity, line.excess) == (50, 40)


def test_order_rules_by_hand():
    """Need 45, at least 50, in reels of 20: 60 pieces. Hand count."""
    assert line_price(45, [(1, 1.0)], 50, 20).quantity == 60


def test_no_need_costs_nothing_and_no_price_is_marked():
    assert line_price(0, [(1, 1.0)]).total == 0.0
    assert line_price(5, []).total == math.inf
    quantity, price = break_table([[], [(1, 0.5)]])
    table = price_table(quantity, price, boards=10, pieces_max=2)
    assert table.tolist() == [[0, PRICE_NONE, PRICE_NONE], [0, 5000, 10000]]


def test_a_unit_price_below_the_first_break_is_infinite():
    assert unit_price([[3.0]], [[5.0]], [[0.1]])[0, 0] == math.inf


def test_float_noise_is_not_rounded_up():
    """0.95 each is 9,500 units on the nose, for every build size."""
    quantity, price = break_table([[(1, 0.95)]])
    for boards in (1, 3, 7, 1000, 12345):
        assert price_table(quantity, price, boards=boards, pieces_max=3)[0].tolist() == [
            0,
            9500,
            19000,
            28500,
        ]


def test_line_item_is_rounded_up_once():
    assert line_item_units(25.0, boards=1000) == 250
    assert line_item_units(1.0, boards=30000) == 1
