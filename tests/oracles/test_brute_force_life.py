"""Brute force equals the front also where the banks must last, and a search that forgets it shows.

Every seed takes a random pair, looks how long the banks of its front last over the mission at the
states of the search, and asks for a little more than the one that lasts shortest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from optimizer import assembly, conclude_detail, search, service, verification
from optimizer.conclude_sets import chosen_sets
from optimizer.records import FloatArray
from optimizer.spec_records import Spec
from tests.oracles import brute_force, faults, random_cases
from tests.oracles.brute_force import Judgement
from tests.oracles.random_cases import Case
from tests.oracles.test_brute_force import PAIRS, Compared, compare, faulty, searched

DRAW: dict[str, Callable[[int], Case]] = {
    "transistors": random_cases.random_case,
    "diodes": random_cases.rectified_case,
    "two coils": random_cases.two_coil_case,
}
USUAL = [("transistors", seed) for seed in (0, 5, 12, 30, 39)]
USUAL += [("diodes", 2), ("diodes", 6)]
MANY = [(kind, seed) for kind in DRAW for seed in range(PAIRS // 6)] if PAIRS >= 300 else []
SEEDS = [*USUAL, *(one for one in MANY if one not in USUAL)]
"""The usual ones have banks that wear out; among them two types in a bank, several pieces, and
the worst point as objective."""

BINDING_MIN = 4
OWN_STATE = [*USUAL[:2], USUAL[-1]]
SHORT = 0.02
"""Most that a life may be missed by at the own state, a share of what is asked."""


def asking(spec: Spec, years: float) -> Spec:
    """The spec with a life, and no seal that would end it before."""
    return replace(spec, life=replace(spec.life, years=years, years_seal=1e9))


def years_on_front(case: Case) -> list[float]:
    """Shortest life of the banks of every set on a front, at the states of the search."""
    spec = asking(case.spec, 0.0)
    _, references = searched(spec, case.catalog)
    judged = brute_force.judge_case(spec, case.catalog, references=references)
    stages = brute_force.stages(spec, case.catalog)
    lives: list[FloatArray] = []
    for part in judged:
        given = references.get(part.topology)
        row = np.full(len(part.sets), -1)
        if given is not None:
            row = brute_force.skeleton_rows(part.sets, given)
        lives.append(np.full(len(row), np.nan))
        known = np.flatnonzero(part.feasible() & (row >= 0))
        if given is not None and len(known):
            scene = verification.given_scene(stages[part.topology], given).take(row[known])
            result = assembly.evaluate(scene, part.sets.take(known), ripple=False)
            lives[-1][known] = service.shortest_life(result, part.sets.take(known)).years
    which = brute_force.front(judged, worst=case.worst).which
    return [float(lives[number][row]) for number, row in which]


@cache
def worn(kind: str, seed: int) -> Case | None:
    """The pair with a life that the bank of its front that lasts shortest misses."""
    case = DRAW[kind](seed)
    wears = [years for years in years_on_front(case) if np.isfinite(years)]
    if not wears:
        return None
    years = min(wears) * float(np.random.default_rng(seed).uniform(1.001, 1.2))
    return replace(case, spec=asking(case.spec, years))


@cache
def pair(kind: str, seed: int) -> Compared | None:
    case = worn(kind, seed)
    return None if case is None else compare(case)


def binds(judged: list[Judgement], *, worst: bool) -> bool:
    """Whether the front would be another one without the life."""
    return any("-bank: life, " in name for name in brute_force.binding(judged, worst=worst))


@pytest.mark.parametrize(("kind", "seed"), SEEDS)
def test_front_is_the_front_of_all_sets_that_last(kind: str, seed: int) -> None:
    one = pair(kind, seed)
    if one is None:
        assert (kind, seed) not in USUAL
        pytest.skip("no bank of this front wears out")
    assert one.differences == [], one.case.text
    assert bool(len(one.found)) == any(part.feasible().any() for part in one.judged)


def test_the_life_binds_and_a_search_that_forgets_it_is_noticed() -> None:
    asked = [one for one in (pair(*seed) for seed in USUAL) if one is not None]
    matters = [one for one in asked if binds(one.judged, worst=one.case.worst)]
    assert len(matters) >= BINDING_MIN
    assert faulty(faults.LIFE, matters[0].case) != []


@pytest.mark.parametrize(("kind", "seed"), OWN_STATE)
def test_points_that_last_at_the_reference_state_last_at_their_own(kind: str, seed: int) -> None:
    """The two states differ by little, and mostly to the safe side: DEVELOPERS.md, life."""
    case = worn(kind, seed)
    assert case is not None
    found = search.solve(case.spec, case.catalog, engine="merge")
    assert found.front is not None
    assert found.choice is not None
    chosen = chosen_sets(found.front.points, found.choice, found.prices, found.markets)
    for one in conclude_detail.verified_all(found.stages, chosen):
        asked = [m for m in one.margins if m.quantity.startswith("life, ")]
        assert min((m.margin for m in asked), default=0.0) > -SHORT
