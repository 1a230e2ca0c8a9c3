"""Skeletons that are bounded together: the half bridges once for all of a family.

A family holds skeletons of one topology and frequency with inductances near each other. What its
half bridges cost and lose at least is asked beside the mildest of their waveforms, so a small
family bounds closer than a large one, and costs as much.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping

import numpy as np

from optimizer import crew, floors, floors_banks, floors_legs
from optimizer.dominance import Staircase
from optimizer.market import Market
from optimizer.records import FloatArray, IntArray

Family = tuple[str, IntArray]
"""Topology and numbers of the skeletons in its market."""

Bounds = tuple[FloatArray, Staircase, FloatArray]
"""Bounds of the skeletons of a family, (n_skeleton, n_direction); the staircase of their half
bridges; what the bounds rise by where half bridges share no part, (n_direction,)."""


def families(
    markets: Mapping[str, Market], skeletons: Collection[tuple[str, int]], most: int
) -> Iterator[Family]:
    """Skeletons, by topology and number in its market, in families of so many at most."""
    frequency = {name: np.round(one.frequency()) for name, one in markets.items()}
    inductance = {
        name: one.stage.tables["inductor"].value("inductance", "typ")[one.scene.coil]
        for name, one in markets.items()
    }
    alike: dict[tuple[str, float], list[tuple[float, int]]] = {}
    for name, row in skeletons:
        like = float(inductance[name][row])
        alike.setdefault((name, float(frequency[name][row])), []).append((like, row))
    for (name, _), some in alike.items():
        rows = np.array([row for _, row in sorted(some)], dtype=np.int64)
        for family in np.array_split(rows, math.ceil(len(rows) / most)):
            yield name, family


def bounds(found: Market, weights: FloatArray, rows: IntArray) -> Bounds:
    """Bounds of the skeletons `rows` of one frequency in every direction of `weights`."""
    legs = floors_legs.legs(found, weights, rows)
    classes = {leg: value for leg, (_, value) in legs.items()}
    least = floors_legs.family_bound(classes)
    stair = floors_legs.family_stair(found, {leg: value for leg, (value, _) in legs.items()})
    shared = floors_legs.shared_bound(classes) - least
    return floors.skeleton_bounds(found, weights, rows, least), stair, shared


def ask_for_money(
    markets: Mapping[str, Market], processes: int, halted: Callable[[], bool]
) -> None:
    """The least money of every bank, worked out side by side and kept in the markets."""
    places = [
        (name, node)
        for name, one in markets.items()
        for node in one.stage.nodes
        if node not in one.money
    ]

    def money(place: tuple[str, str]) -> IntArray:
        name, node = place
        return floors_banks.bank_money(markets[name], node)

    with crew.crew(money, processes, halted) as begin:
        for (name, node), least in zip(places, crew.together(begin, places), strict=True):
            markets[name].money[node] = least
