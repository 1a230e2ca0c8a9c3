"""In how many positions two sets hold different parts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.conclude_sets import Chosen
from optimizer.records import IntArray


def held(one: Chosen) -> dict[str, frozenset[int]]:
    """Rows of the parts at each position, whatever their number."""
    found: dict[str, frozenset[int]] = {}
    for position, _, row, _ in one.places():
        found[position] = found.get(position, frozenset()) | {row}
    return found


def differing(one: Chosen, other: Chosen) -> list[str]:
    """Positions that hold other parts, or are there in one of two sets only."""
    mine, theirs = held(one), held(other)
    return [name for name in dict.fromkeys([*mine, *theirs]) if mine.get(name) != theirs.get(name)]


def distances(chosen: Sequence[Chosen]) -> IntArray:
    """In how many positions any two sets differ, (n_set, n_set)."""
    every = [held(one) for one in chosen]
    names = list(dict.fromkeys(name for one in every for name in one))
    codes: dict[tuple[str, frozenset[int] | None], int] = {}
    table = np.array(
        [[codes.setdefault((n, one.get(n)), len(codes)) for n in names] for one in every],
        dtype=np.int64,
    )
    return np.asarray((table[:, None, :] != table[None, :, :]).sum(axis=2))
