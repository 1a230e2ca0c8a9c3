"""Good sets found fast, and bounds that show which skeletons and options cannot beat them.

A scout is the merge run on a changed choice: rows priced into the loss, one worst-point lane in
place of all. Its sets are valued as they really are and kept where they break
nothing. They prove nothing themselves; they make the bounds bite.
"""

from __future__ import annotations

import math
import time
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

import numpy as np

from optimizer.dominance import (
    Staircase,
    directions,
    droppable,
    optimistic_cost,
    other_pieces,
    staircase,
)
from optimizer.merge_worst import bounding, mergeable, relaxed_front
from optimizer.records import BoolArray, Choice, FloatArray, Group, IntArray, Selection, Skeleton
from optimizer.tally import pooled_slots, selection_cost, selection_loss, violations

ROW_PRICES = (0.4, 2.0)
"""Prices of one whole row, in typical losses of a set, that the scouts try."""

ALL_ROWS_PRICES = (0.1, 0.4, 1.5, 6.0)
"""Prices of all rows together that the scouts try."""

DIRECTIONS_COARSE = 17
"""Directions of the bounds that price rows or single lanes."""

ITEMS_AT_ONCE = 4096


def incumbents(
    choice: Choice, known: tuple[Selection, ...] = (), *, seconds: float = math.inf
) -> tuple[Selection, ...]:
    """Nondominated sets that keep every row, from the scouts and from `known`; unproved.

    seconds : after so long no more scouts are sent
    """
    end = time.monotonic() + seconds
    found = {(point.skeleton, point.option): point for point in known}
    if mergeable(replace(choice, worst_point=False)):
        broken: set[str] = set()
        for scout in _scouts(bounding(choice), broken):
            for point in relaxed_front(scout):
                found.setdefault((point.skeleton, point.option), point)
                broken |= set(violations(choice, point.skeleton, point.option))
            if time.monotonic() >= end:
                break
    real = [valued(choice, *key) for key in found if not violations(choice, key[0], key[1])]
    if not real:
        return ()
    cost, loss = costs_and_losses(real)
    return tuple(real[k] for k in staircase(cost, loss))


def valued(choice: Choice, skeleton: int, option: tuple[int, ...]) -> Selection:
    """A set with its own cost and loss."""
    cost = selection_cost(choice, skeleton, option)
    return Selection(cost, selection_loss(choice, skeleton, option), skeleton, option)


def costs_and_losses(points: Sequence[Selection]) -> tuple[IntArray, IntArray]:
    """Costs and losses of points, in their order, (n_point,) each."""
    return (
        np.array([point.cost for point in points], dtype=np.int64),
        np.array([point.loss for point in points], dtype=np.int64),
    )


def _scouts(choice: Choice, broken: Collection[str]) -> Iterator[Choice]:
    """Changed choices that the merge can take.

    broken : rows that the sets of the scouts so far break, filled in between: only they get a price
    """
    plain = [_mission(choice, weight) for weight in _lane_weights(choice)]
    yield from plain
    base = plain[-1]
    loss = _typical_loss(base)
    tight = np.array([float(name in broken) for name in choice.row_names])
    count = int(tight.sum())
    priced = [tight * price / count for price in ALL_ROWS_PRICES if count]
    each = np.eye(len(tight))[tight > 0]
    priced += [price * unit for unit in each for price in ROW_PRICES if count > 1]
    for weight in priced:
        yield _rows_priced(base, weight * loss)


def _typical_loss(choice: Choice) -> float:
    body = choice.skeletons[0]
    return float(body.loss_fixed + sum(np.median(group.loss) for group in body.groups))


def _lane_weights(choice: Choice) -> FloatArray:
    """Weights of the worst-point lanes that bound the worst from below, the even one last."""
    if not choice.worst_point:
        return np.ones((1, 1))
    lanes = max(len(body.loss_lane_fixed) for body in choice.skeletons)
    return np.concatenate([np.eye(lanes), np.full((1, lanes), 1 / lanes)])


def _mission(choice: Choice, weight: FloatArray) -> Choice:
    """The choice with a weighted sum of its lanes as a loss that adds up."""
    if not choice.worst_point:
        return choice
    bodies = []
    for body in choice.skeletons:
        lanes = weight[: len(body.loss_lane_fixed)]
        groups = tuple(
            replace(group, loss=np.round(group.loss_lane @ lanes).astype(np.int64))
            for group in body.groups
        )
        fixed = round(float(body.loss_lane_fixed @ lanes))
        bodies.append(replace(body, groups=groups, loss_fixed=fixed))
    return replace(choice, skeletons=tuple(bodies), worst_point=False)


def _rows_priced(choice: Choice, weight: FloatArray) -> Choice:
    """The choice with the use of its rows added to the loss at `weight` per whole row."""

    def dearer(group: Group) -> Group:
        return replace(group, loss=group.loss + np.round(group.rows @ weight).astype(np.int64))

    def dearer_body(body: Skeleton) -> Skeleton:
        fixed = body.loss_fixed + round(float(body.rows_fixed @ weight))
        return replace(body, groups=tuple(map(dearer, body.groups)), loss_fixed=fixed)

    return replace(choice, skeletons=tuple(map(dearer_body, choice.skeletons)))


def needed(choice: Choice, known: tuple[Selection, ...]) -> list[list[BoolArray]]:
    """Options that may belong to a set as good as the known front or better.

    Per skeleton and group, (n_option,). What is dropped holds no point outside the region that
    the known sets beat strictly in loss at no more cost, so every point of the front stays,
    the known ones included.
    """
    every = [
        [np.ones(len(group.loss), dtype=bool) for group in body.groups] for body in choice.skeletons
    ]
    if not known:
        return every
    cost, loss = costs_and_losses(known)
    stair = (cost, loss + 1)
    weights = _bound_weights(choice, stair)
    for k, body in enumerate(choice.skeletons):
        groups, total = _bounds(choice, body, weights)
        if droppable(total[None, :], weights[:, :2], stair)[0]:
            every[k] = [np.zeros(len(group.loss), dtype=bool) for group in body.groups]
            continue
        for g, values in enumerate(groups):
            rest = total - values.min(axis=0)
            every[k][g] = ~_droppable(values + rest[None, :], weights[:, :2], stair)
    return every


def _droppable(bound: FloatArray, weights: FloatArray, stair: Staircase) -> BoolArray:
    """`droppable` in handfuls, to bound the memory."""
    return np.concatenate(
        [
            droppable(bound[start : start + ITEMS_AT_ONCE], weights, stair)
            for start in range(0, len(bound), ITEMS_AT_ONCE)
        ]
    )


def _bound_weights(choice: Choice, stair: Staircase) -> FloatArray:
    """Directions of the bounds: (cost, loss, lane weights..., row prices...), one line each.

    A set that keeps its rows has ``sum of row prices * (use - 1) <= 0``, so adding that to the
    weighted cost and loss keeps a lower bound, for every price >= 0.
    """
    scale = [max(1.0, float(np.ptp(values))) for values in stair]
    fine = directions(cost_scale=scale[0], loss_scale=scale[1])
    base = directions(cost_scale=scale[0], loss_scale=scale[1], count=DIRECTIONS_COARSE)
    rows = len(choice.row_names)
    prices = [np.zeros(rows)]
    prices += [price * unit for unit in np.eye(rows) for price in (0.1, 0.5, 2.0)]
    if rows > 1:
        prices += [np.full(rows, price / rows) for price in (0.2, 1.0)]
    lanes = _lane_weights(choice)
    lines = [[*line, *lanes[-1], *prices[0]] for line in fine]
    lines += [
        [*line, *lane, *price]
        for n, price in enumerate(prices)
        for k, lane in enumerate(lanes)
        if n or k < len(lanes) - 1
        for line in base
    ]
    return np.array(lines)


def _bounds(
    choice: Choice, body: Skeleton, weights: FloatArray
) -> tuple[list[FloatArray], FloatArray]:
    """Weighted value of every option, (n_option, n_direction), and the least of the skeleton."""
    lanes = _lane_weights(choice).shape[1]
    lane, price = weights[:, 2 : 2 + lanes], weights[:, 2 + lanes :]
    groups = []
    for g, group in enumerate(body.groups):
        loss = group.loss_lane if choice.worst_point else group.loss[:, None]
        groups.append(_weighted(least_cost(choice, body, g), loss, group.rows, weights))
    fixed_loss = body.loss_lane_fixed if choice.worst_point else np.array([body.loss_fixed])
    total = (
        weights[:, 0] * body.cost_fixed
        + weights[:, 1] * (lane[:, : len(fixed_loss)] @ fixed_loss)
        + price @ (body.rows_fixed - 1)
    )
    for values in groups:
        total = total + values.min(axis=0)
    return groups, total


def _weighted(cost: IntArray, loss: IntArray, rows: FloatArray, weights: FloatArray) -> FloatArray:
    lanes = weights.shape[1] - 2 - rows.shape[1]
    lane, price = weights[:, 2 : 2 + lanes], weights[:, 2 + lanes :]
    shown = loss @ lane[:, : loss.shape[1]].T
    return np.asarray(cost[:, None] * weights[:, 0] + shown * weights[:, 1] + rows @ price.T)


def least_cost(choice: Choice, body: Skeleton, group: int) -> IntArray:
    """Least that each option of a group can add to the cost of any set, (n_option,)."""
    part, pieces = pooled_slots(body.groups[group])
    return optimistic_cost(
        part,
        pieces,
        price=choice.price,
        line_item=choice.line_item,
        placement=choice.placement,
        others=other_pieces(body.groups, group, len(choice.price)),
    )
