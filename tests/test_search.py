"""The parts of the search that no other test sees: what is left open inside a gap."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer import dominance, search, tally, workbench
from optimizer.records import Selection
from tests.oracles import random_cases

KNOWN = np.array([100, 120, 130, 160]), np.array([90, 80, 60, 50])


def point(cost: int, loss: int) -> Selection:
    return Selection(cost, loss, 0, ())


@pytest.mark.parametrize("before", [None, point(100, 90), point(110, 85)])
@pytest.mark.parametrize("after", [None, point(160, 50), point(150, 55)])
def test_only_what_lies_in_a_gap_is_looked_for(
    before: Selection | None, after: Selection | None
) -> None:
    stair = workbench.loose(search._within(KNOWN, before, after))
    cost, loss = (axis.ravel() for axis in np.meshgrid(np.arange(1, 200), np.arange(1, 200)))
    wanted = np.ones(len(cost), dtype=bool)
    if before is not None:  # one unit of loss is left open, so that equal sets are not lost
        wanted &= loss <= before.loss
    if after is not None:
        wanted &= cost < after.cost
    for one, two in zip(*KNOWN, strict=True):
        inside = (before is None or (one > before.cost and two < before.loss)) and (
            after is None or one < after.cost
        )
        if inside:
            wanted &= (cost < one) | (loss <= two)
    assert (~dominance.covered(cost, loss, stair) == wanted).all()


def test_one_set_is_met_wherever_there_is_a_front() -> None:
    """A row binds here on every set that is met on the way: only the front tells of the others."""
    case = random_cases.random_case(11)
    found = search.solve(case.spec, case.catalog, any_set=True)
    assert found.first is not None
    assert not found.none()
    choice, one = found.first
    assert not tally.violations(choice, one.skeleton, one.option)
