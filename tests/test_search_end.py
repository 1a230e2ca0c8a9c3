"""A search for one end of the front finds that end of the whole front, and beats what is known."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer import search
from optimizer.expansion import COVERED
from tests.oracles import random_cases


@pytest.mark.parametrize("seed", range(8))
def test_an_end_is_that_of_the_whole_front(seed: int) -> None:
    case = random_cases.random_case(seed)
    whole = search.solve(case.spec, case.catalog, engine="merge").front
    for end in ("cost", "loss"):
        found = search.solve(case.spec, case.catalog, engine="merge", end=end).front
        if whole is None or not whole.points:
            assert found is None or not found.points
            continue
        assert found is not None
        if end == "cost":
            assert found.points[0].cost == whole.points[0].cost
        else:
            assert found.points[-1].loss == whole.points[-1].loss


@pytest.mark.parametrize("seed", range(3))
def test_an_end_beside_a_known_point(seed: int) -> None:
    """With the second cheapest point known only the cheapest one is left, and nothing below it."""
    case = random_cases.random_case(seed)
    whole = search.solve(case.spec, case.catalog, engine="merge").front
    if whole is None or len(whole.points) < 2:
        pytest.skip("a front of one point")
    for k, wanted in ((1, [whole.points[0].cost]), (0, [])):
        known = np.array([whole.points[k].cost]), np.array([COVERED])
        found = search.solve(case.spec, case.catalog, engine="merge", known=known, end="cost")
        costs = [] if found.front is None else [one.cost for one in found.front.points][:1]
        assert costs == wanted


def test_an_end_is_less_work_than_the_whole_front() -> None:
    """Else the end asked for was ignored: what is dearer than the cheapest is not looked for."""
    cases = [random_cases.random_case(seed) for seed in range(3)]
    fronts = [search.solve(c.spec, c.catalog, engine="merge").front for c in cases]
    ends = [search.solve(c.spec, c.catalog, engine="merge", end="cost").front for c in cases]
    whole, end = (sum(len(f.points) for f in some if f is not None) for some in (fronts, ends))
    assert end < whole
