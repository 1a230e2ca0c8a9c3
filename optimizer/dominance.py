"""What can be left out without losing a point of the front: staircases, bounds, shares of cost.

A staircase is two equally long integer arrays, cost strictly rising and loss strictly falling.
A point is covered when some point of the staircase is no dearer and loses no more.
"""

from __future__ import annotations

import math

import numpy as np

from optimizer.records import BoolArray, Choice, FloatArray, Group, IntArray
from optimizer.tally import ROW_TOLERANCE, most_pieces, pooled_slots

DIRECTIONS = 65
"""Directions of a bound, the pure cost and the pure loss end among them."""

Staircase = tuple[IntArray, IntArray]


def staircase(cost: IntArray, loss: IntArray) -> IntArray:
    """Indices of the nondominated points, cost rising; of equal points one stays."""
    if len(cost) == 0:
        return np.zeros(0, dtype=np.int64)
    order = sorted_by(cost, loss)
    falling = loss[order]
    best = np.minimum.accumulate(falling)
    keep = np.ones(len(order), dtype=bool)
    keep[1:] = falling[1:] < best[:-1]
    return np.asarray(order[keep])


def unbeaten(cost: IntArray, loss: IntArray, error: FloatArray) -> IntArray:
    """Indices of the points that none beats in all three, by cost, then loss; of equals one stays.

    error : any third quantity of which few values occur, (n_point,)
    """
    kept = np.zeros(0, dtype=np.int64)
    for value in np.unique(error):
        rows = np.flatnonzero(error == value)
        rows = rows[staircase(cost[rows], loss[rows])]
        nearer = kept[staircase(cost[kept], loss[kept])]
        free = ~covered(cost[rows], loss[rows], (cost[nearer], loss[nearer]))
        kept = np.concatenate([kept, rows[free]])
    return np.asarray(kept[np.lexsort((loss[kept], cost[kept]))])


def sorted_by(*columns: IntArray) -> IntArray:
    """Order by several columns, the first one first; one packed column sorts three times faster."""
    lows = [int(column.min()) for column in columns]
    spans = [int(column.max()) - low + 1 for column, low in zip(columns, lows, strict=True)]
    if math.prod(spans) >= 1 << 62:
        return np.lexsort(columns[::-1])
    packed = columns[0] - lows[0]
    for column, low, span in zip(columns[1:], lows[1:], spans[1:], strict=True):
        packed = packed * span + (column - low)
    return np.argsort(packed, kind="stable")


def stair_of(cost: IntArray, loss: IntArray) -> Staircase:
    """Nondominated points of options, cost rising."""
    kept = staircase(cost, loss)
    return cost[kept], loss[kept]


def summed(first: Staircase, second: Staircase) -> Staircase:
    """Staircase of all sums of one point of each."""
    cost = (first[0][:, None] + second[0][None, :]).ravel()
    return stair_of(cost, (first[1][:, None] + second[1][None, :]).ravel())


def joined(first: Staircase, second: Staircase) -> Staircase:
    """Staircase of the points of both; neither need be one itself."""
    cost, loss = (np.concatenate(axis) for axis in zip(first, second, strict=True))
    return stair_of(cost, loss)


def covered(cost: IntArray, loss: IntArray, stair: Staircase) -> BoolArray:
    """Which points some point of the staircase equals or beats, shape of `cost`."""
    stair_cost, stair_loss = stair
    if len(stair_cost) == 0:
        return np.zeros(np.shape(cost), dtype=bool)
    place = np.searchsorted(stair_cost, cost, side="right") - 1
    return np.asarray((place >= 0) & (stair_loss[np.maximum(place, 0)] <= loss))


def largest_loss_beside(cost: IntArray, others: Staircase, stair: Staircase) -> FloatArray:
    """Loss in units below which an option of each cost may still be on the front, (n_cost,).

    others : bounds on everything else as a staircase; stair : front known so far. Sharper than
    directions, which only see the convex hull of both.
    """
    limit = np.concatenate([[np.inf], stair[1].astype(np.float64)])
    place = np.searchsorted(stair[0], cost[:, None] + others[0][None, :], side="right")
    return np.asarray((limit[place] - others[1][None, :]).max(axis=1))


def undominated(cost_best: IntArray, cost_worst: IntArray, loss: IntArray | FloatArray) -> IntArray:
    """Options that no other one replaces whatever the rest of the set is, in rising order.

    An option falls when another loses no more and costs, at its worst, no more than the first at
    its best. `cost_best` and `cost_worst` bound what the option adds to any set, (n_option,).
    """
    order = np.lexsort((np.arange(len(loss)), cost_worst, loss))
    worst = cost_worst[order]
    lowest = np.minimum.accumulate(worst)
    before = np.concatenate(([np.iinfo(np.int64).max], lowest[:-1]))
    keep = cost_best[order] < before
    return np.sort(order[keep])


def directions(*, cost_scale: float, loss_scale: float, count: int = DIRECTIONS) -> FloatArray:
    """Weights (cost, loss) evenly turned from pure cost to pure loss, (n_direction, 2)."""
    angle = np.linspace(0.0, np.pi / 2, count)
    weight = np.stack([np.cos(angle) / cost_scale, np.sin(angle) / loss_scale], axis=1)
    weight[0, 1] = weight[-1, 0] = 0.0
    return weight


def lower_bounds(cost: IntArray, loss: IntArray, weights: FloatArray) -> FloatArray:
    """Least weighted sum over the options in each direction, (n_direction,)."""
    values = weights[:, :1] * cost[None, :] + weights[:, 1:] * loss[None, :]
    return np.asarray(values.min(axis=1))


def droppable(bound: FloatArray, weights: FloatArray, stair: Staircase) -> BoolArray:
    """Items whose every possible integer point is covered by the staircase, (n_item,).

    bound : least weighted sum any point of the item can have, (n_item, n_direction)

    What the staircase leaves uncovered is a row of boxes open downwards, and the region
    ``weights @ (cost, loss) >= bound`` is open upwards: the two meet exactly when the region
    holds the upper corner of a box. Those corners are (next cost - 1, loss - 1), and one at
    infinite loss before the first and at infinite cost after the last point. Equal values are
    covered, so an item that only ties is dropped.
    """
    corner = corners(stair)
    with np.errstate(invalid="ignore"):
        terms = np.where(weights[None, :, :] > 0, weights[None, :, :] * corner[:, None, :], 0.0)
    reach = terms.sum(axis=2)
    slack = 1e-9 * np.maximum(1e-300, np.where(np.isfinite(bound), np.abs(bound), 0.0))
    kept = np.zeros(len(bound), dtype=bool)
    for value in reach:
        kept |= (value[None, :] >= bound - slack).all(axis=1)
    return ~kept


def corners(stair: Staircase) -> FloatArray:
    """Upper corners (cost, loss) of the boxes that a staircase leaves uncovered."""
    cost, loss = (np.asarray(axis, dtype=np.float64) for axis in stair)
    upper = np.concatenate([cost - 1, [np.inf]])
    right = np.concatenate([[np.inf], loss - 1])
    return np.stack([upper, right], axis=1)


def optimistic_cost(
    part: IntArray,
    pieces: IntArray,
    *,
    price: IntArray,
    line_item: int,
    placement: int,
    others: IntArray,
) -> IntArray:
    """Least that each option can add to the cost of any set that holds it, (n_option,).

    part, pieces : distinct parts of each option and their pieces, -1 and 0 where empty,
        (n_option, n_slot)
    others : most pieces of each part that the other groups can add; 0 makes it exact, (n_part,)

    Proof: let a set hold n_1, n_2, ... pieces of a part in its groups, N in total. Give each
    group the share n_k / N of (price[N] + line item); the shares add up to what is paid. The
    share of n_k is at least n_k times the least of (price[M] + line item) / M over every M that
    n_k and the other groups can reach, which is what is taken here, rounded down.
    """
    bought = part >= 0
    held, place = np.unique(part[bought], return_inverse=True)
    purchase = np.zeros(part.shape, dtype=np.int64)
    purchase[bought] = _least_share(price[held], line_item, others[held])[place, pieces[bought]]
    return np.asarray((purchase + placement * np.where(bought, pieces, 0)).sum(axis=1))


def _least_share(price: IntArray, line_item: int, others: IntArray) -> IntArray:
    """Least share of the pooled line that n pieces can be given, (n_part, pieces_max + 1)."""
    width = price.shape[1]
    each = (price + line_item) / np.maximum(np.arange(width), 1)
    least = np.zeros_like(price)
    for count in range(1, width):
        reach = np.arange(width)[None, :] - count
        within = (reach >= 0) & (reach <= others[:, None])
        lowest = np.where(within, each, np.inf).min(axis=1)
        least[:, count] = np.floor(count * lowest + 1e-6)
    return least


def marginal_costs(
    part: IntArray,
    pieces: IntArray,
    *,
    price: IntArray,
    line_item: int,
    placement: int,
    others: IntArray,
) -> tuple[IntArray, IntArray]:
    """Least and most that adding each option can raise the cost of the rest, (n_option,) each.

    Arguments as in `optimistic_cost`. Of n pieces beside r others a part costs
    price[r + n] - price[r], and the line item where r is 0.
    """
    bought = part >= 0
    held, place = np.unique(part[bought], return_inverse=True)
    count = pieces[bought]
    added = tuple(np.zeros(part.shape, dtype=np.int64) for _ in range(2))
    for one, table in zip(added, _rises(price[held], line_item, others[held]), strict=True):
        one[bought] = table[place, count]
    placed = placement * np.where(bought, pieces, 0).sum(axis=1)
    return added[0].sum(axis=1) + placed, added[1].sum(axis=1) + placed


def _rises(price: IntArray, line_item: int, others: IntArray) -> tuple[IntArray, IntArray]:
    """Least and most that n pieces raise the pooled line, (n_part, pieces_max + 1) each."""
    width = price.shape[1]
    least, most = np.zeros_like(price), np.zeros_like(price)
    for count in range(1, width):
        rise = price[:, count:] - price[:, : width - count]
        rise[:, 0] += line_item
        within = np.arange(width - count)[None, :] <= others[:, None]
        top = np.iinfo(np.int64).max
        least[:, count] = np.where(within, rise, top).min(axis=1)
        most[:, count] = np.where(within, rise, -top).max(axis=1)
    return least, most


def other_pieces(groups: tuple[Group, ...], group: int, parts: int) -> IntArray:
    """Most pieces of each part that the groups other than `group` can add, (n_part,)."""
    most = [most_pieces(body, parts) for k, body in enumerate(groups) if k != group]
    return np.asarray(np.sum([np.zeros(parts, dtype=np.int64), *most], axis=0))


def survivors(
    choice: Choice, skeleton: int, wanted: list[BoolArray], *, fitting: bool = True
) -> list[BoolArray]:
    """Which of the `wanted` options the front of the whole choice, rows included, can need.

    Two tests: an option must fit every row beside the least the other groups add, and no other
    option of its group may be at least as good in loss, every row and, at its worst, in cost.
    Where equal parts or the number of part numbers is asked for, only options with the same
    parts are compared. Equal options leave one behind: the front of values stays whole, the list
    of sets does not. `fitting=False` leaves the first test out, for questions that set rows free.
    """
    body = choice.skeletons[skeleton]
    least = [g.rows[mask].min(axis=0) for g, mask in zip(body.groups, wanted, strict=True)]
    room = 1 + ROW_TOLERANCE - body.rows_fixed - np.sum(least, axis=0)
    kept = []
    for k, group in enumerate(body.groups):
        fits = (group.rows - least[k] <= room + 1e-12).all(axis=1) | (not fitting)
        index = np.flatnonzero(fits & wanted[k])
        keep = np.zeros(len(group.loss), dtype=bool)
        keep[index[~_replaced(choice, skeleton, k, index)]] = True
        kept.append(keep)
    return kept


def _replaced(choice: Choice, skeleton: int, group: int, index: IntArray) -> BoolArray:
    """Which of the options at `index` another one of them replaces in every set."""
    groups = choice.skeletons[skeleton].groups
    body = groups[group]
    part, pieces = (values[index] for values in pooled_slots(body))
    least, most = marginal_costs(
        part,
        pieces,
        price=choice.price,
        line_item=choice.line_item,
        placement=choice.placement,
        others=other_pieces(groups, group, len(choice.price)),
    )
    loss = body.loss_lane[index] if choice.worst_point else body.loss[index, None]
    better = most[:, None] <= least[None, :]
    for values in (*loss.T, *body.rows[index].T):
        better &= values[:, None] <= values[None, :]
    if choice.part_numbers_max is not None or _asked_equal(choice, body):
        for values in body.part[index].T:
            better &= values[:, None] == values[None, :]
    rank = np.arange(len(index))
    better &= ~(better.T & (rank[:, None] >= rank[None, :]))
    return np.asarray(better.any(axis=0))


def _asked_equal(choice: Choice, group: Group) -> bool:
    return any(name in positions for positions in choice.same_part for name in group.slot_position)
