"""What a front already known leaves open: the loss up to which an option may still be on it.

Bounds on everything else come by direction, which sees only the convex hull, or as a staircase.
"""

from __future__ import annotations

import numpy as np

from optimizer import dominance
from optimizer.dominance import Staircase
from optimizer.market import whole_units
from optimizer.records import FloatArray, IntArray


def values(cost: IntArray, loss: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of cost and loss [W], (n_choice, n_direction)."""
    return np.asarray(
        weights[None, :, 0] * cost[:, None] + weights[None, :, 1] * whole_units(loss)[:, None]
    )


def summed(first: Staircase, second: Staircase) -> Staircase:
    """Staircase of all sums of one point of each."""
    cost = (first[0][:, None] + second[0][None, :]).ravel()
    loss = (first[1][:, None] + second[1][None, :]).ravel()
    kept = dominance.staircase(cost, loss)
    return cost[kept], loss[kept]


def stair_of(cost: IntArray, loss: IntArray) -> Staircase:
    """Nondominated points of options, cost rising."""
    kept = dominance.staircase(cost, loss)
    return cost[kept], loss[kept]


def largest_loss_beside(cost: IntArray, others: Staircase, stair: Staircase) -> FloatArray:
    """Loss in units below which an option of each cost may still be on the front, (n_cost,).

    others : bounds on everything else as a staircase; stair : front known so far. Sharper than
    directions, which only see the convex hull of both.
    """
    limit = np.concatenate([[np.inf], stair[1].astype(np.float64)])
    place = np.searchsorted(stair[0], cost[:, None] + others[0][None, :], side="right")
    return np.asarray((limit[place] - others[1][None, :]).max(axis=1))


def largest_loss(
    cost: IntArray, others: FloatArray, weights: FloatArray, stair: Staircase
) -> FloatArray:
    """Loss in units up to which an option of each cost may still be on the front, (n_cost,).

    others : bound on everything else in each direction, (n_direction,)
    A set is still open when its weighted sum in every direction stays below that of one upper
    corner of what the front leaves uncovered; solved for the loss, and falling with the cost.
    """
    corner = dominance.corners(stair)
    with np.errstate(invalid="ignore"):
        terms = np.where(weights[None] > 0, weights[None] * corner[:, None, :], 0.0)
    reach = terms.sum(axis=2) * (1.0 + 1e-12) - others[None, :]
    paid = weights[:, 1] > 0
    free = reach[:, None, ~paid] - weights[None, None, ~paid, 0] * cost[None, :, None]
    affordable = (free >= 0.0).all(axis=2)
    room = reach[:, None, paid] - weights[None, None, paid, 0] * cost[None, :, None]
    most = (room / weights[None, None, paid, 1]).min(axis=2)
    return np.asarray(np.where(affordable, most, -np.inf).max(axis=0))
