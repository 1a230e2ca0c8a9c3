"""A choice with parts forced or forbidden: the same question with fewer answers.

Forcing is a row of its own, so that dominance and bounds respect it like any other; forbidding
takes the options away. Both give a new choice, because an option that another one replaced may be
the best one left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.records import BoolArray, Choice, Group, IntArray, Selection, Skeleton


def restricted(choice: Choice, *, force: Iterable[str] = (), forbid: Iterable[str] = ()) -> Choice:
    """The choice in which every part of `force` is used somewhere and none of `forbid` is.

    Parts are named as in `part_names`; a name the choice does not know cannot be used, so forcing
    it leaves no skeleton. A skeleton left without options in a group goes.
    """
    row = {name: k for k, name in enumerate(choice.part_names)}
    needed = list(dict.fromkeys(force))
    banned = np.array([row[name] for name in forbid if name in row], dtype=np.int64)
    if any(name not in row for name in needed):
        return replace(choice, skeletons=())
    wanted = [row[name] for name in needed]
    bodies = [_body(body, wanted, banned) for body in choice.skeletons]
    names = (*choice.row_names, *(f"forced: {name}" for name in needed))
    return replace(
        choice, skeletons=tuple(body for body in bodies if body is not None), row_names=names
    )


def _body(body: Skeleton, wanted: list[int], banned: IntArray) -> Skeleton | None:
    kept = [np.asarray(~np.isin(group.part, banned).any(axis=1)) for group in body.groups]
    if not all(mask.any() for mask in kept):
        return None
    groups = tuple(_group(g, mask, wanted) for g, mask in zip(body.groups, kept, strict=True))
    # 2 - (groups that hold the part) <= 1 says that at least one holds it
    fixed = np.concatenate([body.rows_fixed, np.full(len(wanted), 2.0)])
    return replace(body, groups=groups, rows_fixed=fixed)


def _group(group: Group, kept: BoolArray, wanted: list[int]) -> Group:
    held = [-(group.part == part).any(axis=1).astype(np.float64)[:, None] for part in wanted]
    rows = np.concatenate([group.rows, *held], axis=1)
    return replace(
        group,
        part=group.part[kept],
        pieces=group.pieces[kept],
        loss=group.loss[kept],
        rows=rows[kept],
        loss_lane=group.loss_lane[kept],
    )


@dataclass(frozen=True, slots=True)
class Reduced:
    """A choice with options left out, and where the others stood.

    skeletons : number of each skeleton in the whole choice; options : the same of each option, by
    skeleton and group
    """

    choice: Choice
    skeletons: tuple[int, ...]
    options: tuple[tuple[IntArray, ...], ...]

    def whole(self, point: Selection) -> Selection:
        """A selection of the reduced choice as one of the whole choice."""
        index = self.options[point.skeleton]
        option = tuple(int(kept[k]) for kept, k in zip(index, point.option, strict=True))
        return replace(point, skeleton=self.skeletons[point.skeleton], option=option)


def reduced(choice: Choice, masks: Sequence[Sequence[BoolArray]]) -> Reduced:
    """The choice with only the options under the masks, by skeleton and group."""
    kept = [k for k, mask in enumerate(masks) if all(one.any() for one in mask)]
    options = tuple(tuple(np.flatnonzero(one) for one in masks[k]) for k in kept)
    bodies = []
    for k, index in zip(kept, options, strict=True):
        body = choice.skeletons[k]
        groups = [g.take(some) for g, some in zip(body.groups, index, strict=True)]
        bodies.append(replace(body, groups=tuple(groups)))
    return Reduced(replace(choice, skeletons=tuple(bodies)), tuple(kept), options)
