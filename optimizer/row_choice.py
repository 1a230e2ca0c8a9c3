"""Expanded skeletons as a choice with its rows: which rows it needs, and which sets keep them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer import merge_worst, scouts, tally
from optimizer.dominance import Staircase
from optimizer.found import Found, Key
from optimizer.records import Choice, FloatArray, IntArray, Selection, Skeleton
from optimizer.spec_records import OBJECTIVE_WORST
from optimizer.workbench import Rows

BANKS = (" bank",)
SIFTED = (" leg", *BANKS)
"""Ends of the names of the groups of which options that another beats are left out at first."""


def choice_of(found: Found, rows: Mapping[str, Rows], skeletons: Mapping[Key, Skeleton]) -> Choice:
    """The decision over some skeletons, with every row that some set could break.

    rows : every row of each topology
    """
    prices, rules = found.prices, found.spec.choice
    used = {name for name, _ in skeletons}
    kept = {name: _tight(rows[name], skeletons, name) for name in used}
    names = [rows[name].names[k] for name in used for k in kept[name]]
    bodies = [
        _with_rows(body, [(n, kept[n]) for n in used], name)
        for (name, _), body in skeletons.items()
    ]
    return Choice(
        skeletons=tuple(bodies),
        row_names=tuple(names),
        price=prices.table,
        line_item=prices.line_item,
        placement=prices.placement,
        part_names=prices.names,
        same_part=rules.same_part,
        part_numbers_max=rules.part_numbers_max,
        worst_point=rules.objective == OBJECTIVE_WORST,
    )


def loosened(choice: Choice, sifted: tuple[str, ...]) -> Choice:
    """The choice with every row loosened by all that the sifted groups can add to it.

    Their options that another beats in cost and loss were left out. One could be missed only in a
    set that keeps a row by less than their part of it. If the front of this looser choice keeps
    the strict rows everywhere, it is the strict front, and nothing was missed. Where the worst
    point counts, the loss in the lane that bounds it stands for it: no set has less at its worst.
    """
    bodies = []
    for body in choice.skeletons:
        most = [group.rows.max(axis=0) for group in body.groups if group.name.endswith(sifted)]
        spare = np.maximum(np.sum([np.zeros_like(body.rows_fixed), *most], axis=0), 0.0)
        bodies.append(replace(body, rows_fixed=body.rows_fixed - spare))
    return merge_worst.bounding(replace(choice, skeletons=tuple(bodies)))


def feasible_sets(choice: Choice, known: Staircase | None = None) -> list[Selection]:
    """Nondominated sets of a choice that keep every row, by the merge or by its scouts.

    known : what they cover need not be found
    """
    bounding = merge_worst.bounding(choice)
    if merge_worst.mergeable(bounding):
        relaxed = merge_worst.relaxed_front(bounding, known)
        if all(holds(choice, one) for one in relaxed):
            return list(relaxed)
    return list(scouts.incumbents(choice))


def holds(choice: Choice, one: Selection) -> bool:
    """Whether a set keeps every row and its loss is the one the choice counts."""
    if tally.violations(choice, one.skeleton, one.option):
        return False
    return not choice.worst_point or one.loss == tally.selection_loss(
        choice, one.skeleton, one.option
    )


def _tight(rows: Rows, skeletons: Mapping[Key, Skeleton], name: str) -> IntArray:
    """Rows of a topology that some set of its skeletons could break."""
    could = np.zeros(len(rows.names), dtype=bool)
    for (topology, _), body in skeletons.items():
        if topology == name:
            most = body.rows_fixed + sum(group.rows.max(axis=0) for group in body.groups)
            could |= most > 1.0
    return np.flatnonzero(could)


def _with_rows(body: Skeleton, kept: list[tuple[str, IntArray]], own: str) -> Skeleton:
    """The skeleton with only the kept rows, zeros in those of other topologies."""

    def columns(values: FloatArray) -> FloatArray:
        blocks = [
            values[..., index] if name == own else np.zeros((*values.shape[:-1], len(index)))
            for name, index in kept
        ]
        return np.concatenate(blocks, axis=-1)

    groups = tuple(replace(group, rows=columns(group.rows)) for group in body.groups)
    return replace(body, groups=groups, rows_fixed=columns(body.rows_fixed))
