"""What the points of a stopped search are worth: which of them stand whatever was not searched."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.records import FloatArray, Selection


def marked(
    points: Sequence[Selection], bounds: FloatArray, weights: FloatArray, unknown: Sequence[str]
) -> tuple[Selection, ...]:
    """The points with their proof, or without it where a skeleton left open may beat them.

    bounds : least weighted sum of each skeleton left open, (n_skeleton, n_direction)
    weights : of cost and loss in each direction, (n_direction, 2)
    unknown : topologies of which not even bounds are known; any point may be beaten then
    """
    return tuple(_marked(point, bounds, weights, bool(unknown)) for point in points)


def _marked(point: Selection, bounds: FloatArray, weights: FloatArray, unknown: bool) -> Selection:
    least = 0.0 if unknown else least_loss(point.cost, bounds, weights)
    if least > point.loss:
        return point
    known = point.bound if math.isfinite(point.bound) else float(point.loss)
    return replace(point, proof="", bound=max(0.0, min(known, math.floor(least))))


def least_loss(cost: int, bounds: FloatArray, weights: FloatArray) -> float:
    """Least loss that bounds leave to a set of at most a cost; inf where there is none.

    >>> least_loss(2, np.array([[5.0, 8.0]]), np.array([[1.0, 0.0], [1.0, 2.0]]))
    inf
    >>> least_loss(6, np.array([[5.0, 8.0]]), np.array([[1.0, 0.0], [1.0, 2.0]]))
    1.0
    """
    if not len(bounds):
        return math.inf
    left = bounds - weights[None, :, 0] * cost
    loss = weights[None, :, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.where(loss > 0.0, left / loss, np.where(left > 0.0, np.inf, -np.inf))
    return float(each.max(axis=1).min())
