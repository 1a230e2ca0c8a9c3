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


def values(cost: IntArray, loss: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of cost and loss [W], (n_choice, n_direction)."""
    return np.asarray(
        weights[None, :, 0] * cost[:, None] + weights[None, :, 1] * whole_units(loss)[:, None]
    )


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
    paid = weights[:, 1] > 0
    spare = corner[:, :1] - cost[None, :]
    slope = weights[paid, 0] / weights[paid, 1]
    most = corner[:, 1:] + _least_of_lines(slope, -others[paid] / weights[paid, 1], spare)
    least = (others[~paid] / weights[~paid, 0]).max(initial=-np.inf)
    return np.asarray(np.where(spare >= least - FLOAT_NOISE, most, -np.inf).max(axis=0))


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
