"""The joint bound on bank cost: against every bank of each skeleton on its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.parts import bank_family
from optimizer.parts.bank_choice import NOT_OFFERED, verdicts
from optimizer.parts.bank_family import FamilyBanks, FamilyDuty, least_costs
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


def every_pair(case: Case) -> tuple[np.ndarray, ...]:
    """Types and pieces of every bank of two types that can be bought, and its cost."""
    count = [(t, n) for t in range(len(case.cost)) for n in range(1, PIECES + 1)]
    count = [(t, n) for t, n in count if case.cost[t, n] >= 0]
    first, one, second, two = np.array([(*a, *b) for a in count for b in count if a[0] < b[0]]).T
    return first, one, second, two, case.cost[first, one] + case.cost[second, two]


@pytest.mark.parametrize("fed", [False, True])
def test_lists_every_bank_that_passes_beside_some_skeleton(fed: bool) -> None:
    looked = left_out = 0
    for seed in range(12):
        case = random_case(seed, fed=fed)
        case = limited(case, brute_force(case), seed)
        family, duties = family_of(case, np.random.default_rng(seed))
        cost = np.where(case.cost < 0, NOT_OFFERED, case.cost)
        banks = FamilyBanks(family, cost)
        first, one, second, two, paid = every_pair(case)
        few, many = (int(np.quantile(paid, share)) for share in (0.3, 0.8))
        banks.upto(few)  # the rest is added to what is listed by then
        listed = banks.upto(many)
        assert listed is not None
        assert (np.diff(listed.cost) >= 0).all()
        assert listed.cost.max(initial=0) <= many
        pairs = {
            frozenset([(a, n), (b, m)])
            for a, n, b, m in zip(
                listed.first.tolist(),
                listed.first_pieces.tolist(),
                listed.second.tolist(),
                listed.second_pieces.tolist(),
                strict=True,
            )
        }
        assert len(pairs) == len(listed.cost)
        free = replace(case.limits, capacitance_min=np.zeros(LANES))
        for duty in duties:
            columns = {"first": first, "first_pieces": one}
            columns |= {"second": second, "second_pieces": two}
            met = verdicts(duty=duty, limits=free, **columns)
            passes = np.logical_and.reduce(list(met.values())) & (paid <= many)
            for k in np.flatnonzero(passes):
                assert frozenset([(first[k], one[k]), (second[k], two[k])]) in pairs
            looked += int(passes.sum())
            types, pieces = np.nonzero((case.cost >= 0) & (np.arange(PIECES + 1) > 0))
            none = np.full(len(types), -1)
            alone = {"first": types, "first_pieces": pieces}
            alone |= {"second": none, "second_pieces": none + 1}
            met = verdicts(duty=duty, limits=free, **alone)
            passes = np.logical_and.reduce(list(met.values()))
            assert banks.single[types[passes], pieces[passes]].all()
        left_out += int((paid <= many).sum()) - len(pairs)
    assert looked > 100
    assert left_out > 20


def test_lists_nothing_where_too_many_may_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    case = random_case(3, fed=False)
    family, _ = family_of(case, np.random.default_rng(3))
    generous = replace(family, v_ripple=np.full_like(family.v_ripple, np.inf))
    cost = np.where(case.cost < 0, NOT_OFFERED, case.cost)
    paid = every_pair(case)[-1]
    count = int((paid <= np.median(paid)).sum())
    monkeypatch.setattr(bank_family, "MOST", count)
    banks = FamilyBanks(generous, cost)
    assert banks.upto(int(paid.max())) is None
    listed = banks.upto(int(np.median(paid)))
    assert listed is not None
    assert len(listed.cost) == count
    assert banks.upto(int(paid.max())) is None
