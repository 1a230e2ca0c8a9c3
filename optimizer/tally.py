"""What one selection of a `Choice` costs, loses and breaks: plain integer arithmetic.

Every other room of the decision layer proves something about these numbers; this one only
adds them up, from the unscaled data, so that it can check the others.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.records import BoolArray, Choice, FloatArray, Group, IntArray, Skeleton

ROW_TOLERANCE = 1e-9
"""A row holds up to 1 plus this: float noise of a sum that meets its limit exactly."""

COST_LIMIT = 1 << 40
"""Prices from here on mean "cannot be bought" and are refused."""


def pooled_slots(group: Group) -> tuple[IntArray, IntArray]:
    """Parts and pieces of each option with equal parts of two slots joined, (n_option, n_slot)."""
    part = np.array(group.part, dtype=np.int64)
    pieces = np.where(part >= 0, group.pieces, 0).astype(np.int64)
    for later in range(1, part.shape[1]):
        for earlier in range(later):
            same = (part[:, later] >= 0) & (part[:, later] == part[:, earlier])
            pieces[same, earlier] += pieces[same, later]
            part[same, later] = -1
            pieces[same, later] = 0
    return part, pieces


def option_costs(choice: Choice, group: Group, *, elsewhere: BoolArray | None = None) -> IntArray:
    """Cost of each option bought on its own, line items and placement included, (n_option,).

    Parts marked `elsewhere`, (n_part,), are bought by someone else: only placement is left.
    """
    part, pieces = pooled_slots(group)
    bought = part >= 0
    if elsewhere is not None:
        bought &= ~elsewhere[part]
    line = np.where(bought, choice.price[part, pieces] + choice.line_item, 0)
    return np.asarray((line + choice.placement * pieces).sum(axis=1), dtype=np.int64)


def parts_used(skeleton: Skeleton, option: Sequence[int]) -> dict[int, int]:
    """Pieces per board of each part a selection buys, over all groups."""
    used: dict[int, int] = {}
    for group, chosen in zip(skeleton.groups, option, strict=True):
        for part, pieces in zip(group.part[chosen], group.pieces[chosen], strict=True):
            if part >= 0:
                used[int(part)] = used.get(int(part), 0) + int(pieces)
    return used


def selection_cost(choice: Choice, skeleton: int, option: Sequence[int]) -> int:
    """Cost of a selection with its purchases pooled over all groups [COST_UNIT]."""
    body = choice.skeletons[skeleton]
    used = parts_used(body, option)
    bought = sum(int(choice.price[p, n]) + choice.line_item for p, n in used.items())
    return int(body.cost_fixed) + bought + choice.placement * sum(used.values())


def selection_loss(choice: Choice, skeleton: int, option: Sequence[int]) -> int:
    """Loss of a selection under the objective of the choice [LOSS_UNIT]."""
    body = choice.skeletons[skeleton]
    chosen = list(zip(body.groups, option, strict=True))
    if not choice.worst_point:
        return int(body.loss_fixed) + sum(int(group.loss[k]) for group, k in chosen)
    return int(lane_losses(choice, skeleton, option).max())


def lane_losses(choice: Choice, skeleton: int, option: Sequence[int]) -> IntArray:
    """Loss of a selection in each lane of the worst point [LOSS_UNIT], (n_worst_lane,)."""
    body = choice.skeletons[skeleton]
    lanes = np.array(body.loss_lane_fixed, dtype=np.int64)
    for group, k in zip(body.groups, option, strict=True):
        lanes = lanes + group.loss_lane[k]
    return lanes


def row_sums(choice: Choice, skeleton: int, option: Sequence[int]) -> FloatArray:
    """Use of each additive row as a share of its limit, (n_row,)."""
    body = choice.skeletons[skeleton]
    total = np.array(body.rows_fixed, dtype=np.float64)
    for group, chosen in zip(body.groups, option, strict=True):
        total = total + group.rows[chosen]
    return total


def positions_held(skeleton: Skeleton, option: Sequence[int]) -> dict[str, int]:
    """Part that a selection places at each position of its skeleton (-1: empty)."""
    held: dict[str, int] = {}
    for group, chosen in zip(skeleton.groups, option, strict=True):
        for name, part in zip(group.slot_position, group.part[chosen], strict=True):
            held[name] = int(part)
    return held


def violations(choice: Choice, skeleton: int, option: Sequence[int]) -> tuple[str, ...]:
    """Names of what a selection breaks: rows, ``same part: ...``, ``part numbers``."""
    sums = row_sums(choice, skeleton, option)
    broken = [
        name
        for name, total in zip(choice.row_names, sums, strict=True)
        if total > 1 + ROW_TOLERANCE
    ]
    body = choice.skeletons[skeleton]
    held = positions_held(body, option)
    for positions in choice.same_part:
        if len({held[name] for name in positions if name in held}) > 1:
            broken.append("same part: " + ", ".join(positions))
    numbers = len(parts_used(body, option))
    if choice.part_numbers_max is not None and numbers > choice.part_numbers_max:
        broken.append("part numbers")
    return tuple(broken)


def check_choice(choice: Choice) -> None:
    """Refuse a choice whose numbers a solver would accept in silence: the gate of this layer."""
    for skeleton in choice.skeletons:
        most = np.zeros(len(choice.price), dtype=np.int64)
        _require(bool(np.isfinite(skeleton.rows_fixed).all()), skeleton.name, "finite rows_fixed")
        for group in skeleton.groups:
            _check_group(choice, f"{skeleton.name}/{group.name}", group)
            most += most_pieces(group, len(choice.price))
        _require(
            int(most.max(initial=0)) < choice.price.shape[1],
            skeleton.name,
            f"a price table of at least {int(most.max(initial=0)) + 1} columns",
        )


def most_pieces(group: Group, parts: int) -> IntArray:
    """Most pieces of each part that one option of the group can use, (n_part,)."""
    part, pieces = pooled_slots(group)
    most = np.zeros(parts, dtype=np.int64)
    np.maximum.at(most, part[part >= 0], pieces[part >= 0])
    return most


def _check_group(choice: Choice, place: str, group: Group) -> None:
    """One group: options, shapes, finite rows, known prices."""
    options = len(group.loss)
    _require(options > 0, place, "at least one option")
    _require(group.part.shape == group.pieces.shape, place, "parts and pieces of one shape")
    _require(group.rows.shape == (options, len(choice.row_names)), place, "one entry per row")
    _require(bool(np.isfinite(group.rows).all()), place, "finite rows")
    bought = group.part >= 0
    _require(bool((group.pieces[bought] > 0).all()), place, "at least one piece per part")
    _require(int(group.part.max(initial=-1)) < len(choice.price), place, "known parts")
    part, pieces = pooled_slots(group)
    _require(int(pieces.max(initial=0)) < choice.price.shape[1], place, "a wider price table")
    known = np.where(part >= 0, choice.price[part, pieces], 0) < COST_LIMIT
    _require(bool(known.all()), place, "a price for every part")


def _require(holds: bool, place: str, need: str) -> None:
    if not holds:
        raise ValueError(f"{place}: need {need}")
