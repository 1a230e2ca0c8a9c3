"""Part and need to line price: the only owner of money.

A purchase line is one part number bought for the whole build. Prices are per piece, lines are
per build; the decision layer sees whole cost units (`records.COST_UNIT` of the currency) per
board, each line rounded up once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.records import COST_UNIT, FloatArray, IntArray

PRICE_NONE = 1 << 40
"""Cost units of a need that cannot be bought (no price known); no sum of real prices reaches it."""

ROUND_GUARD = 6
"""Decimals of a cost unit kept before rounding up: below it is float noise, not money."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a build: `quantity` ordered, `price` each, `total` paid, `excess` left over."""

    quantity: int
    price: float
    total: float
    excess: int


def pieces_needed(pieces: ArrayLike, *, boards: int, scrap: ArrayLike = 0.0) -> IntArray:
    """Pieces to buy for a build.

    pieces : pieces of the part on one board [pcs], any shape
    boards : boards of the build [boards]
    scrap : share bought on top for losses in assembly [share of the pieces], broadcasts
    Returns : pieces to buy for all boards [pcs], broadcast shape

    Holds for: pieces >= 0; scrap >= 0; rounded up once for the whole build.
    Source: common practice.

    >>> pieces_needed([1, 3], boards=150, scrap=0.01)
    array([152, 455])
    """
    need = np.asarray(pieces, dtype=np.float64) * boards * (1.0 + np.asarray(scrap))
    return np.ceil(np.round(need, ROUND_GUARD)).astype(np.int64)


def order_quantities(
    need: ArrayLike,
    break_quantity: ArrayLike,
    *,
    order_minimum: ArrayLike,
    order_multiple: ArrayLike,
) -> FloatArray:
    """Order quantities worth comparing: the need itself and the start of each price break.

    Between two breaks the unit price is constant, so the total only grows with the quantity and
    the smallest orderable quantity of each break is enough.

    need : pieces wanted [pcs], (..., 1) or any shape that broadcasts with the breaks
    break_quantity : quantity from which each price holds, NaN where unused [pcs], (..., n_break)
    order_minimum : smallest order accepted [pcs], broadcasts
    order_multiple : orders are multiples of this [pcs], broadcasts
    Returns : candidate quantities, NaN where a break is unused [pcs], (..., 1 + n_break)

    Holds for: order_multiple >= 1.
    Source: derived from the definition of a break table.

    >>> order_quantities([[45.0]], [[1.0, 100.0]], order_minimum=1, order_multiple=20)
    array([[ 60.,  60., 100.]])
    """
    breaks = np.asarray(break_quantity, dtype=np.float64)
    lowest = np.maximum(np.asarray(need, dtype=np.float64), order_minimum)
    shape = np.broadcast_shapes(lowest.shape[:-1], breaks.shape[:-1])
    wanted = np.concatenate(
        [np.broadcast_to(lowest, (*shape, 1)), np.maximum(breaks, lowest)], axis=-1
    )
    return np.asarray(np.ceil(wanted / order_multiple) * order_multiple)


def unit_price(
    quantity: ArrayLike, break_quantity: ArrayLike, break_price: ArrayLike
) -> FloatArray:
    """Price of one piece at an order quantity: that of the largest break not above it.

    quantity : order quantities [pcs], (..., n_quantity)
    break_quantity : quantity from which each price holds, ascending, NaN where unused [pcs],
        (..., n_break)
    break_price : price of one piece from that quantity on [currency], (..., n_break)
    Returns : unit price, infinite below the first break or where unpriced [currency],
        (..., n_quantity)

    Holds for: breaks in ascending order of quantity.
    Source: common practice (how break tables are read).

    >>> unit_price([[10.0, 250.0]], [[1.0, 100.0]], [[0.9, 0.7]])
    array([[0.9, 0.7]])
    """
    quantities = np.asarray(quantity, dtype=np.float64)
    breaks = np.asarray(break_quantity, dtype=np.float64)
    prices = np.asarray(break_price, dtype=np.float64)
    shape = np.broadcast_shapes(quantities.shape[:-1], breaks.shape[:-1])
    price = np.full((*shape, quantities.shape[-1]), np.inf)
    for k in range(breaks.shape[-1]):
        price = np.where(quantities >= breaks[..., k : k + 1], prices[..., k : k + 1], price)
    return np.where(np.isfinite(price), price, np.inf)


def line_price(
    need: int,
    breaks: Sequence[tuple[int, float]],
    order_minimum: int = 1,
    order_multiple: int = 1,
) -> Line:
    """Cheapest way to buy at least `need` pieces, buying more where that costs less.

    need : pieces wanted for the whole build [pcs]
    breaks : (quantity from which the price holds [pcs], price of one piece [currency])
    order_minimum : smallest order accepted [pcs]
    order_multiple : orders are multiples of this [pcs]
    Returns : the line, with infinite total where there is no price [pcs, currency]

    Holds for: one order from one supplier; what is left over is worth nothing.
    Source: minimum over q >= max(need, minimum order) of q times the price of the largest break
    not above q; common practice (buying up to the next break).

    >>> line_price(4500, [(1, 0.60), (5000, 0.50)])
    Line(quantity=5000, price=0.5, total=2500.0, excess=500)
    """
    if need <= 0:
        return Line(quantity=0, price=0.0, total=0.0, excess=0)
    table = np.array(sorted(breaks), dtype=np.float64).reshape(-1, 2)
    quantity = order_quantities(
        [need], table[:, 0], order_minimum=order_minimum, order_multiple=order_multiple
    )
    price = unit_price(quantity, table[:, 0], table[:, 1])
    best = min(range(len(quantity)), key=lambda k: (quantity[k] * price[k], quantity[k]))
    count = int(quantity[best]) if math.isfinite(quantity[best]) else need
    return Line(count, float(price[best]), float(count * price[best]), count - need)


def break_table(
    breaks: Sequence[Sequence[tuple[int, float]]],
) -> tuple[FloatArray, FloatArray]:
    """Break lists of many parts as two arrays.

    breaks : per part, (quantity from which the price holds [pcs], price of one piece [currency])
    Returns : quantities [pcs] and prices [currency], ascending, NaN where unused,
        (n_part, n_break) each

    Holds for: any number of breaks per part, none included.
    Source: common practice.

    >>> break_table([[(100, 0.5), (1, 0.9)], [(1, 2.0)]])[0]
    array([[  1., 100.],
           [  1.,  nan]])
    """
    width = max([1, *(len(entry) for entry in breaks)])
    table = np.full((2, len(breaks), width), np.nan)
    for k, entry in enumerate(breaks):
        if entry:
            table[:, k, : len(entry)] = np.array(sorted(entry), dtype=np.float64).T
    return table[0], table[1]


def price_table(
    break_quantity: FloatArray,
    break_price: FloatArray,
    order_minimum: ArrayLike = 1,
    order_multiple: ArrayLike = 1,
    *,
    boards: int,
    scrap: ArrayLike = 0.0,
    pieces_max: int,
) -> IntArray:
    """Cost per board of buying 0, 1, ... pieces per board of each part for the whole build.

    break_quantity : quantity from which each price holds, ascending, NaN where unused [pcs],
        (n_part, n_break)
    break_price : price of one piece from that quantity on [currency], (n_part, n_break)
    order_minimum, order_multiple : order rules [pcs], scalar or (n_part,)
    boards : boards of the build [boards]
    scrap : share bought on top [share of the pieces], scalar or (n_part,)
    pieces_max : most pieces of one part on one board [pcs]
    Returns : cost units per board, column 0 is 0, `PRICE_NONE` where a part has no price
        [COST_UNIT of the currency], (n_part, pieces_max + 1)

    Holds for: each purchase line rounded up once to a whole cost unit. Where no price rises with
    quantity the table is subadditive (two orders together never cost more than apart): the two
    orders' quantities add up to one that is orderable, enough and no dearer per piece, and
    rounding up keeps that.
    Source: derived from `line_price`.

    >>> price_table(np.array([[1.0, 3000.0]]), np.array([[0.9, 0.5]]), boards=1000, pieces_max=3)
    array([[    0,  9000, 15000, 15000]])
    """
    pieces = np.arange(1, pieces_max + 1)
    minimum = _column(order_minimum)
    multiple = _column(order_multiple)
    need = pieces_needed(pieces[None, :, None], boards=boards, scrap=_column(scrap))
    quantity = order_quantities(
        need, break_quantity[:, None, :], order_minimum=minimum, order_multiple=multiple
    )
    price = unit_price(quantity, break_quantity[:, None, :], break_price[:, None, :])
    total = np.where(np.isnan(quantity), np.inf, quantity * price).min(axis=-1)
    table = np.zeros((len(break_quantity), pieces_max + 1), dtype=np.int64)
    table[:, 1:] = cost_units(total, boards=boards)
    return table


def _column(values: ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=np.float64).reshape(-1, 1, 1)


def cost_units(total: ArrayLike, *, boards: int) -> IntArray:
    """Share of one board in an amount paid for the whole build, rounded up once.

    total : paid for the whole build, infinite where there is no price [currency], any shape
    boards : boards of the build [boards]
    Returns : cost units per board, `PRICE_NONE` where infinite [COST_UNIT of the currency]

    Holds for: amounts that need fewer than about 15 digits in cost units.
    Source: derived from the definition of the cost unit.

    >>> int(cost_units(950.0, boards=1000))
    9500
    """
    units = np.asarray(total, dtype=np.float64) / boards / COST_UNIT
    known = np.isfinite(units)
    rounded = np.ceil(np.round(np.where(known, units, 0.0), ROUND_GUARD)).astype(np.int64)
    return np.where(known, rounded, PRICE_NONE)


def line_item_units(line_item_each: float, *, boards: int) -> int:
    """Charge per board for one more distinct part number in the build.

    line_item_each : charge per part number and build [currency]
    boards : boards of the build [boards]
    Returns : cost units per board, rounded up [COST_UNIT of the currency]

    Holds for: one charge per distinct part number, whatever its kind.
    Source: common practice (set-up charge of an assembler).

    >>> line_item_units(25.0, boards=1000)
    250
    """
    return int(cost_units(line_item_each, boards=boards))


def placement_units(placement_each: float) -> int:
    """Charge for placing one piece on a board.

    placement_each : charge per placed piece [currency]
    Returns : cost units per piece, rounded up [COST_UNIT of the currency]

    Holds for: one price per piece whatever its size.
    Source: common practice.

    >>> placement_units(0.012)
    120
    """
    return int(cost_units(placement_each, boards=1))
