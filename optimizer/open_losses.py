"""What a front already known leaves open: the loss up to which an option may still be on it.

Bounds on everything else come by direction, which sees only the convex hull, or as a staircase.
"""

from __future__ import annotations

import numpy as np

from optimizer import dominance
from optimizer.dominance import Staircase
from optimizer.market import whole_units
from optimizer.records import FloatArray, IntArray

FLOAT_NOISE = 1e-6
"""Of a cost unit: far above the noise of floats that stand for whole units."""

TANGENTS = 128
"""Places at which it is worked out which line is the least."""


def values(cost: IntArray, loss: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of cost and loss [W], (n_choice, n_direction)."""
    return np.asarray(
        weights[None, :, 0] * cost[:, None] + weights[None, :, 1] * whole_units(loss)[:, None]
    )


def lower_at(least: FloatArray, rows: IntArray, found: FloatArray) -> None:
    """Lower rows of `least` to what was found for them, in place; a row may come often.

    least : (n_row, n_direction); rows : (n,); found : (n, n_direction)
    """
    if not len(rows):
        return
    if (rows[1:] < rows[:-1]).any():
        order = np.argsort(rows, kind="stable")
        rows, found = rows[order], found[order]
    start = np.flatnonzero(np.diff(rows, prepend=rows[0] - 1))
    each = rows[start]
    least[each] = np.minimum(least[each], np.minimum.reduceat(found, start, axis=0))


def largest_loss(
    cost: IntArray, others: FloatArray, weights: FloatArray, stair: Staircase
) -> FloatArray:
    """Loss in units up to which an option of each cost may still be on the front, (n_cost,).

    others : bound on everything else in each direction, (n_direction,)
    A set is still open when its weighted sum in every direction stays below that of one upper
    corner of what the front leaves uncovered; solved for the loss, and falling with the cost.
    At a corner (C, L) a direction (v, w) with w > 0 leaves an option of cost c the loss
    L + v/w (C - c) - others/w: a line in C - c, so that one envelope serves all corners.
    """
    corner = dominance.corners(stair)
    slope, height, least = _lines(others, weights)
    spare = corner[:, :1] - cost[None, :]
    most = corner[:, 1:] + _least_of_lines(slope, height, spare)
    return np.asarray(np.where(spare >= least, most, -np.inf).max(axis=0))


def largest_losses(
    cost: IntArray, others: FloatArray, weights: FloatArray, stair: Staircase
) -> FloatArray:
    """The same beside each of several bounds on everything else, or a little more, (n, n_cost).

    others : bounds in each direction, (n, n_direction)
    In place of the least of all lines stands one of them that is the least nearby.
    """
    corner = dominance.corners(stair)
    slope, height, least = _lines(others, weights)
    spare = corner[:-1, :1] - cost[None, :]  # the last corner leaves any cost
    low, high = spare.min(), spare.max()
    step = max((high - low) / (TANGENTS - 1), 1.0)
    place = np.rint((spare - low) / step).astype(np.int64)
    at = low + step * np.arange(TANGENTS)
    level = np.where(slope > 0.0, np.inf, height).min(axis=1)
    most = np.empty((len(others), len(cost)))
    for k, own in enumerate(height):
        line = (slope * at[:, None] + own).argmin(axis=1)
        loss = corner[:-1, 1:] + own[line][place] + slope[line][place] * spare
        loss[spare < least[k]] = -np.inf
        most[k] = np.maximum(loss.max(axis=0), corner[-1, 1] + level[k])
    return most


def _lines(others: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slopes and heights of the lines of `largest_loss`, and the cost that is spared at least.

    others : bounds in each direction, (..., n_direction)
    """
    paid = weights[:, 1] > 0
    slope = weights[paid, 0] / weights[paid, 1]
    height = -others[..., paid] / weights[paid, 1]
    least = (others[..., ~paid] / weights[~paid, 0]).max(axis=-1, initial=-np.inf)
    return slope, height, least - FLOAT_NOISE


def _least_of_lines(slope: FloatArray, height: FloatArray, at: FloatArray) -> FloatArray:
    """Least of the lines `slope * at + height` at each place, slopes not below zero.

    At an infinite place only level lines count.
    """
    order = np.lexsort((height, -slope))
    kept: list[tuple[float, float]] = []
    start: list[float] = []  # place from which each kept line is the lowest
    for one in zip(slope[order].tolist(), height[order].tolist(), strict=True):
        begin = -np.inf
        while kept:
            fall = kept[-1][0] - one[0]
            begin = (one[1] - kept[-1][1]) / fall if fall > 0.0 else np.inf
            if begin > start[-1]:
                break
            kept.pop()
            start.pop()
            begin = -np.inf
        if begin < np.inf:
            kept.append(one)
            start.append(begin)
    place = np.searchsorted(np.array(start[1:]), at)
    rise, low = np.array(kept).T
    with np.errstate(invalid="ignore"):
        sloped = np.where(rise[place] > 0.0, rise[place] * at, 0.0)
    return np.asarray(sloped + low[place])
