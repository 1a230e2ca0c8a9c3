"""Bounds on the total loss in one lane against every set of tiny random jobs."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer import assembly, limits, row_floors, search
from optimizer.assembly import Sets
from optimizer.evaluation import Scene
from optimizer.records import LOSS_UNIT, BoolArray
from tests.oracles import brute_force, random_cases

ROOM = 8 * LOSS_UNIT
"""Rounding of the bounds [W]."""


def _keeps_other_limits(scene: Scene, sets: Sets) -> BoolArray:
    """Sets that keep every limit but those on the total loss and the ripple."""
    result = assembly.evaluate(scene, sets, ripple=False)
    held = brute_force.held_limits(result, sets, ripple=False)
    return np.logical_and.reduce([good for name, good in held.items() if "loss" not in name])


@pytest.mark.parametrize("seed", [1, 2, 5, 9, 13])
def test_no_set_loses_less_than_the_bound(seed: int) -> None:
    """In every lane that is looked at; a set refused by the bound breaks that limit for certain."""
    case = random_cases.random_case(seed)
    stages = brute_force.stages(case.spec, case.catalog)
    found = search.prepared(case.spec, case.catalog)
    looked = 0
    for topology, stage in stages.items():
        if topology not in found.markets:
            continue
        one = found.markets[topology]
        sets = brute_force.all_sets(case.spec, stage)
        row = brute_force.skeleton_rows(sets, found.references[topology])
        held = brute_force.rules(case.spec, stage, sets, found.prices)
        known = np.flatnonzero((row >= 0) & np.logical_and.reduce(list(held.values())))
        known = known[_keeps_other_limits(one.scene.take(row[known]), sets.take(known))]
        loss = assembly.evaluate(one.scene.take(row[known]), sets.take(known), ripple=False).total
        gone, waterfall = row_floors.refused(one)
        assert waterfall.left == int((~gone).sum())
        for lane in row_floors._lanes(one):
            least = row_floors._least_loss(one, int(lane))
            own = loss[:, lane]
            steady = np.isfinite(own)
            assert (own[steady] >= least[row[known]][steady] - ROOM).all(), stage.lanes.name[lane]
            assert least.max() > 0.0
            looked += int(steady.sum())
        allowed = limits.loss_allowed(stage)
        over = (loss > allowed * (1 + limits.ROUNDING)) & np.isfinite(allowed)
        assert (over | ~np.isfinite(loss)).any(axis=1)[gone[row[known]]].all()
    assert looked > 0


def test_a_floor_out_of_reach_refuses_every_skeleton() -> None:
    case = random_cases.random_case(1)
    one = next(iter(search.prepared(case.spec, case.catalog).markets.values()))
    lanes = one.stage.lanes
    lanes.efficiency_floor.flags.writeable = True
    before = lanes.efficiency_floor.copy()
    named = int(np.flatnonzero(lanes.share > 0)[0])
    try:
        lanes.efficiency_floor[named] = 0.9999
        gone, waterfall = row_floors.refused(one)
    finally:
        lanes.efficiency_floor[:] = before
        lanes.efficiency_floor.flags.writeable = False
    assert gone.all()
    assert waterfall.falls[0].reason.startswith("floor on the loss at ")
    assert waterfall.left == 0
