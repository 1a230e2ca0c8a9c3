"""What stays of expanded skeletons once the whole front so far is known.

Early skeletons were expanded against a poor front. Their options are held once more against the
best one, each beside the staircases of the other groups, before the decision takes them over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer import merge, open_losses, workbench
from optimizer.buying import Prices
from optimizer.dominance import Staircase
from optimizer.market import Market
from optimizer.records import BoolArray, Choice, Group, IntArray, Skeleton

KINDS = {
    "input leg": "mosfet",
    "output leg": "mosfet",
    "input bank": "capacitor",
    "output bank": "capacitor",
    "inductor": "inductor",
    "sense resistor": "resistor",
}
"""Part kind of each group."""


def narrowed(found: Market, body: Skeleton, stair: Staircase) -> Skeleton | None:
    """The skeleton with only the options that may still be on the front; None where one has none.

    Options that cannot share a part with another group count at what they cost alone.
    """
    groups = list(body.groups)
    for number, group in enumerate(groups):
        others = _others(found, body, groups, number)
        cost = _costs(found, groups, number)
        most = open_losses.largest_loss_beside(cost, others, workbench.loose(stair))
        keep = group.loss < most + workbench.ROUNDING_UNITS
        if not keep.any():
            return None
        groups[number] = picked(group, keep)
    return replace(body, groups=tuple(groups))


def picked(group: Group, keep: BoolArray | IntArray) -> Group:
    """Some options of a group."""
    return Group(
        name=group.name,
        part=group.part[keep],
        pieces=group.pieces[keep],
        loss=group.loss[keep],
        rows=group.rows[keep],
        loss_lane=group.loss_lane[keep],
        slot_position=group.slot_position,
    )


def _costs(found: Market, groups: list[Group], number: int) -> IntArray:
    """Cost of each option: alone, or the least any sharing brings it to where it can share."""
    group = groups[number]
    kind = KINDS[group.name]
    rows = np.where(group.part < 0, 0, group.part - found.prices.offset[kind])
    alone = workbench.pair_cost(found.prices.alone(kind), rows, group.pieces)
    partners = [one for k, one in enumerate(groups) if k != number and KINDS[one.name] == kind]
    if not partners:
        return alone
    theirs = np.unique(np.concatenate([one.part.ravel() for one in partners]))
    shares = (np.isin(group.part, theirs) & (group.part >= 0)).any(axis=1)
    least = workbench.pair_cost(found.least[kind], rows, group.pieces)
    return np.asarray(np.where(shares, least, alone))


def _others(found: Market, body: Skeleton, groups: list[Group], number: int) -> Staircase:
    """Staircase of everything but one group; groups of another kind together and exact."""
    own = KINDS[groups[number].name]
    total: Staircase = (np.array([body.cost_fixed]), np.array([body.loss_fixed]))
    for kind in dict.fromkeys(KINDS.values()):
        members = [k for k, one in enumerate(groups) if KINDS[one.name] == kind and k != number]
        if not members:
            continue
        if kind == own:
            for k in members:
                stair = open_losses.stair_of(_costs(found, groups, k), groups[k].loss)
                total = open_losses.summed(total, stair)
        else:
            total = open_losses.summed(
                total, joint_stair(found.prices, [groups[k] for k in members])
            )
    return total


def joint_stair(prices: Prices, groups: Sequence[Group]) -> Staircase:
    """Exact front of a few groups together, shared parts pooled."""
    blank = tuple(replace(one, rows=one.rows[:, :0]) for one in groups)
    body = Skeleton("part", blank, 0, 0, np.zeros(0), np.zeros(0, dtype=np.int64))
    choice = Choice(
        skeletons=(body,),
        row_names=(),
        price=prices.table,
        line_item=prices.line_item,
        placement=prices.placement,
        part_names=prices.names,
    )
    front = merge.relaxed_front(choice)
    cost = np.array([one.cost for one in front], dtype=np.int64)
    return cost, np.array([one.loss for one in front], dtype=np.int64)
