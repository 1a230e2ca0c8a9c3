"""The parts of the search that no other test sees: topologies side by side, families, gaps."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from optimizer import dominance, expansion, search, tally, workbench
from optimizer.found import Clock, never, quiet
from optimizer.records import Selection
from optimizer.spec import read_spec
from tests.oracles import random_cases
from tests.speed import small_case

EXAMPLES = Path(__file__).parents[1] / "runs/examples"
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


@pytest.fixture(scope="module")
def two_topologies(tmp_path_factory):
    """A shipped spec of two topologies on small generated catalogs."""
    _, catalog = small_case.case(tmp_path_factory.mktemp("catalogs"), scale=0.08, seed=5)
    return read_spec(EXAMPLES / "cargo_bike.toml"), catalog


def test_topologies_prepared_side_by_side_are_what_they_are_one_by_one(two_topologies, monkeypatch):
    one_by_one = search.prepared(*two_topologies)
    monkeypatch.setattr(search, "BESIDE_FROM", 0)
    beside = search.prepared(*two_topologies, processes=2)
    assert list(beside.markets) == list(one_by_one.markets) == ["buck", "four-switch"]
    assert (beside.waterfalls, beside.counts) == (one_by_one.waterfalls, one_by_one.counts)
    for name, reference in one_by_one.references.items():
        other = beside.references[name]
        assert (other.coil == reference.coil).all()
        assert (other.frequency == reference.frequency).all()
        assert (other.state.temp_board == reference.state.temp_board).all()
        assert (other.i_mean == reference.i_mean).all()


def test_a_stop_while_topologies_are_prepared_skips_them(two_topologies, monkeypatch):
    monkeypatch.setattr(search, "BESIDE_FROM", 0)
    looks = iter([False, False])  # one for the parts of each topology, then it is time
    clock = Clock(quiet, lambda: next(looks, True), math.inf)
    found = search.prepared(*two_topologies, clock=clock, processes=2)
    assert found.skipped == ["buck", "four-switch"]
    assert not found.markets


def test_bounds_of_families_are_closer_and_no_front_point_goes_below(two_topologies):
    found = search.solve(*two_topologies)
    work = expansion.Expansion(found, Clock(quiet, never, math.inf))
    work.bound()
    wide, number = work.bounds.copy(), {work.keys[n]: n for n in range(len(work.keys))}
    rose = 0.0
    for most in (3, 1):
        before = work.bounds.copy()
        work._bound_together(range(len(work.keys)), most)
        assert (work.bounds >= before - 1e-9 * np.abs(before)).all()
        rose += float((work.bounds - wide).max())
        for point in found.front.points:
            body = found.choice.skeletons[point.skeleton]
            (key,) = [k for k in number if name_of(work, k) == body.name]
            held = work.weights @ np.array([point.cost, point.loss])
            assert (held >= work.bounds[number[key]] - 1e-6 * held).all()
    assert rose > 0.0


def name_of(work, key):
    """Name of a skeleton, as `options` writes it."""
    market = work.markets[key[0]]
    row = work.skeletons[work.number[key]]
    coil = market.stage.tables["inductor"].part_number[int(market.scene.coil[row])]
    return f"{key[0]}, {market.frequency()[row] / 1e3:g} kHz, {coil}"
