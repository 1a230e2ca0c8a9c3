"""The joint bound on bank cost: against every bank of each skeleton on its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.parts.bank_choice import NOT_OFFERED, verdicts
from optimizer.parts.bank_family import FamilyDuty, least_costs
from tests.parts.test_bank_mix import LANES, PIECES, Case, brute_force, limited, random_case

FAMILY = 5


def family_of(case: Case, rng: np.random.Generator) -> tuple[FamilyDuty, list]:
    """Skeletons whose currents differ by some per cent from those of the case, and their duties."""
    duties = []
    for _ in range(FAMILY):
        turn = 1 + rng.uniform(-0.12, 0.12, (1, LANES, 1)) * rng.uniform(0, 1, (1, 1, 8))
        harmonics = case.sizing.harmonics * turn
        square = (np.abs(harmonics) ** 2).sum(-1) / 2
        duties.append(replace(case.sizing, harmonics=harmonics, i_rms_ac=np.sqrt(square) * 1.02))
    family = FamilyDuty(
        np.concatenate([d.harmonics for d in duties]),
        np.concatenate([d.i_rms_ac for d in duties]),
        case.sizing.frequency[0],
        case.sizing.branches,
        case.sizing.source,
        case.limits.v_ripple,
        case.limits.i_ripple,
    )
    return family, duties


def cheapest(case: Case, duty, two_types: bool) -> int:
    """Cost of the cheapest bank that keeps ripple and currents, by asking every one."""
    count = [(t, n) for t in range(len(case.cost)) for n in range(1, PIECES + 1)]
    count = [(t, n) for t, n in count if case.cost[t, n] >= 0]
    rows = [(t, n, -1, 0) for t, n in count]
    if two_types:
        rows += [(*a, *b) for a in count for b in count if a[0] < b[0]]
    first, one, second, two = np.array(rows).T
    free = replace(case.limits, capacitance_min=np.zeros(LANES))
    met = verdicts(
        duty=duty, limits=free, first=first, first_pieces=one, second=second, second_pieces=two
    )
    cost = case.cost[first, one] + np.where(second < 0, 0, case.cost[second, two])
    passes = np.logical_and.reduce(list(met.values()))
    return int(cost[passes].min(initial=NOT_OFFERED))


@pytest.mark.parametrize("two_types", [False, True])
@pytest.mark.parametrize("fed", [False, True])
def test_never_above_the_cheapest_bank_of_any_skeleton(two_types: bool, fed: bool) -> None:
    shares = []
    for seed in range(25):
        case = random_case(seed, fed=fed)
        case = limited(case, brute_force(case), seed)
        family, duties = family_of(case, np.random.default_rng(seed))
        cost = np.where(case.cost < 0, NOT_OFFERED, case.cost)
        least = least_costs(family, cost, two_types=two_types)
        exact = np.array([cheapest(case, duty, two_types) for duty in duties])
        assert (least <= exact).all()
        shares += (least / exact)[exact < NOT_OFFERED].tolist()
    assert len(shares) > 50
    assert np.median(shares) == 1.0
