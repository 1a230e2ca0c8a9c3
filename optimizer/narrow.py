"""What stays of expanded skeletons once the whole front so far is known.

Early skeletons were expanded against a poor front. Their options are held once more against the
best one, each beside the staircases of the other groups, before the decision takes them over. What
another kind of parts adds is worked out once, before anything of it goes: a bound all the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from optimizer import dominance, merge, rivals, scouts, workbench
from optimizer.buying import Prices
from optimizer.dominance import Staircase
from optimizer.market import Market
from optimizer.records import BoolArray, Choice, Group, IntArray, Skeleton

KINDS = {
    "input leg": "switch",
    "output leg": "switch",
    "input bank": "capacitor",
    "output bank": "capacitor",
    "coupling bank": "capacitor",
    "inductor": "inductor",
    "sense resistor": "resistor",
}
"""Part kind of each group; a leg may hold transistors and diodes."""


def narrowed(found: Market, body: Skeleton, stair: Staircase) -> Skeleton | None:
    """The skeleton with only the options that may still be on the front; None where one has none.

    An option stays for sets in which it shares nothing, at its cost alone, or for sets in which
    one of its parts is held by its partner group too, at the least cost of both.
    """
    groups = list(body.groups)
    kinds = _by_kind(found, groups)
    for number, group in enumerate(groups):
        keep = _open(found, body, groups, number, kinds, stair)
        if not keep.any():
            return None
        groups[number] = group.take(keep)
    return replace(body, groups=tuple(groups))


def _open(
    found: Market,
    body: Skeleton,
    groups: list[Group],
    number: int,
    kinds: Mapping[str, Staircase],
    stair: Staircase,
) -> BoolArray:
    """Which options of a group the front so far leaves open."""
    group, kind = groups[number], KINDS[groups[number].name]
    partners = [one for k, one in enumerate(groups) if k != number and KINDS[one.name] == kind]
    rest: Staircase = (np.array([body.cost_fixed]), np.array([body.loss_fixed]))
    for name, theirs in kinds.items():
        rest = rest if name == kind else dominance.summed(rest, theirs)
    front = workbench.loose(stair)

    def stays(cost: IntArray, loss: IntArray, others: Staircase) -> BoolArray:
        most = dominance.largest_loss_beside(cost, others, front)
        return np.asarray(loss < most + workbench.ROUNDING_UNITS)

    apart = rest
    for one in partners:
        theirs = dominance.stair_of(_costs(found, one, shared=False), one.loss)
        apart = dominance.summed(apart, theirs)
    keep = stays(_costs(found, group, shared=False), group.loss, apart)
    if not partners:
        return keep
    if len(partners) > 1:
        return stays(_costs(found, group, shared=True), group.loss, _apart(found, rest, partners))
    (partner,) = partners
    least, theirs_least = (_costs(found, one, shared=True) for one in (group, partner))
    common = np.intersect1d(group.part[group.part >= 0], partner.part[partner.part >= 0])
    for part in common:
        mine = np.flatnonzero((group.part == part).any(axis=1) & ~keep)
        if len(mine):
            holds = (partner.part == part).any(axis=1)
            theirs = dominance.stair_of(theirs_least[holds], partner.loss[holds])
            together = dominance.summed(rest, theirs)
            keep[mine] = stays(least[mine], group.loss[mine], together)
    return keep


def _apart(found: Market, rest: Staircase, groups: list[Group]) -> Staircase:
    """Staircase of several groups and the rest, each option at the least it can add."""
    for one in groups:
        stair = dominance.stair_of(_costs(found, one, shared=True), one.loss)
        rest = dominance.summed(rest, stair)
    return rest


def _costs(found: Market, group: Group, *, shared: bool) -> IntArray:
    """Cost of each option bought for its group alone, or the least that sharing brings it to."""
    kind = KINDS[group.name]
    table = found.least[kind] if shared else found.prices.alone(kind)
    rows = np.where(group.part < 0, 0, group.part - found.prices.start(kind))
    return rivals.pair_cost(table, rows, group.pieces)


def _by_kind(found: Market, groups: list[Group]) -> dict[str, Staircase]:
    """Staircase of all groups of each kind together: exact, or a bound where they are many."""
    stairs: dict[str, Staircase] = {}
    for kind in dict.fromkeys(KINDS[one.name] for one in groups):
        members = [one for one in groups if KINDS[one.name] == kind]
        if len(members) > 2:
            nothing = np.zeros(1, dtype=np.int64)
            stairs[kind] = _apart(found, (nothing, nothing), members)
        else:
            stairs[kind] = joint_stair(found.prices, members)
    return stairs


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
    return scouts.costs_and_losses(merge.relaxed_front(choice))
