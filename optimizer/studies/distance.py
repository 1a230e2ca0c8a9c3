"""In how many positions two points of a front hold different parts."""

from __future__ import annotations

import numpy as np

from optimizer.charge_sense import SUBJECT
from optimizer.conclude_sets import Chosen
from optimizer.records import IntArray
from optimizer.studies.fronts import Front

Held = dict[str, frozenset[int] | float]


def held(one: Chosen) -> Held:
    """Rows of the parts at each position, whatever their number."""
    rows: dict[str, frozenset[int]] = {}
    for position, _, row, _ in one.places():
        rows[position] = rows.get(position, frozenset()) | {row}
    return dict(rows)


def held_at(front: Front, row: int) -> Held:
    """The same of a point, with its charge-current sense where there is a choice of it [ohm]."""
    sense = front.sense[row]
    return held(front.chosen[row]) | ({} if sense is None else {SUBJECT: sense.resistance})


def differing(front: Front, one: int, other: int) -> list[str]:
    """Positions that hold other parts, or are there at one of two points only."""
    mine, theirs = held_at(front, one), held_at(front, other)
    return [name for name in dict.fromkeys([*mine, *theirs]) if mine.get(name) != theirs.get(name)]


def distances(front: Front) -> IntArray:
    """In how many positions any two points differ, (n_point, n_point)."""
    every = [held_at(front, row) for row in range(len(front))]
    names = list(dict.fromkeys(name for one in every for name in one))
    codes: dict[tuple[str, frozenset[int] | float | None], int] = {}
    table = np.array(
        [[codes.setdefault((n, one.get(n)), len(codes)) for n in names] for one in every],
        dtype=np.int64,
    )
    return np.asarray((table[:, None, :] != table[None, :, :]).sum(axis=2))
