"""Bounds on the money of banks against every bank of every skeleton of tiny random jobs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from optimizer import floors_banks, limits, screen, search
from optimizer.market import Market
from optimizer.parts import bank_choice
from optimizer.records import IntArray
from tests.oracles import brute_force, random_cases
from tests.oracles.random_cases import Case

CASES: dict[str, tuple[Callable[[int], Case], tuple[int, ...]]] = {
    "transistors": (random_cases.random_case, (1, 5, 13)),
    "diodes": (random_cases.rectified_case, (0, 2)),
    "two coils": (random_cases.two_coil_case, (0, 1, 9)),
}


def passing(found: Market, node: str, skeleton: int) -> list[tuple[int, int, int, int]]:
    """Every bank that keeps ripple and currents beside one skeleton, by numbers of the pool."""
    types, rules = found.pool.bank[node], found.stage.spec.choice
    banks = brute_force.banks(range(len(types)), rules.bank_pieces_max, rules.bank_types_max)
    scene = found.scene.take(np.array([skeleton]))
    lanes = np.flatnonzero(limits.steady(found.stage))
    first, n, second, m = (np.array(column) for column in zip(*banks, strict=True))
    met = bank_choice.verdicts(
        duty=screen.bank_duty(scene, node, types, lanes),
        limits=screen.bank_limits(scene, node, types, lanes),
        first=first,
        first_pieces=n,
        second=second,
        second_pieces=m,
    )
    keeps = np.logical_and.reduce(list(met.values()))
    return [one for one, good in zip(banks, keeps, strict=True) if good]


def check_node(found: Market, node: str, skeletons: IntArray) -> int:
    """How many banks were held against the bounds of a node."""
    types = found.pool.bank[node]
    least = found.least["capacitor"][types]
    money = floors_banks.bank_money(found, node)
    looked = 0
    for skeleton in skeletons:
        covers = floors_banks.covering_with(found, node, int(skeleton), types)
        for first, n, second, m in passing(found, node, int(skeleton)):
            cost = least[first, n] + (least[second, m] if second >= 0 else 0)
            assert money[skeleton] <= cost
            assert covers[first] <= cost
            assert second < 0 or covers[second] <= cost
            looked += 1
    return looked


@pytest.mark.parametrize("kind", CASES)
def test_no_bank_that_passes_costs_less_than_its_bounds(kind: str) -> None:
    draw, seeds = CASES[kind]
    looked = 0
    for seed in seeds:
        case = draw(seed)
        found = search.prepared(case.spec, case.catalog)
        for one in found.markets.values():
            count = len(one.scene.coil)
            ripple = one.scene.wave.i_ripple[..., 0].max(axis=1)
            order = np.argsort(-ripple)[np.linspace(0, count - 1, min(count, 6)).astype(int)]
            for node in one.pool.bank:
                looked += check_node(one, node, order)
    assert looked > 0
