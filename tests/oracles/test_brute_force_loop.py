"""Brute force equals the front also with every wish of the control loop switched on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.spec_records import Spec
from tests.oracles import random_cases
from tests.oracles.brute_force import Points
from tests.oracles.test_brute_force import compare

SEEDS = range(6)


def with_loop(spec: Spec, random: np.random.Generator, *, only: str = "") -> Spec:
    """The job with a load step, a least crossover, and wishes at the sense pins."""
    volts, amps = spec.load.v_output, spec.load.i_output
    frequency = min(f for record in spec.controllers.values() for f in record.frequencies)
    wishes = {
        "i_step": 0.5 * amps,
        "v_step": volts * float(random.uniform(0.02, 0.1)),
        "frequency_cross_min": frequency * float(random.uniform(0.002, 0.03)),
        "v_sense_ripple_min": float(random.uniform(1e-3, 8e-3)),
        "slope_compensation": float(random.uniform(2e2, 4e3)),
    }
    if only:
        names = ("i_step", "v_step") if only == "i_step" else (only,)
        wishes = {name: wishes[name] for name in names}
    return replace(spec, loop=replace(spec.loop, **wishes))


@pytest.mark.parametrize("seed", SEEDS)
def test_front_is_the_front_of_all_sets_with_a_loop(seed: int) -> None:
    case = random_cases.random_case(seed)
    one = compare(replace(case, spec=with_loop(case.spec, np.random.default_rng(seed))))
    assert one.differences == [], seed
    assert bool(len(one.found)) == any(part.feasible().any() for part in one.judged)


def same(one: Points, other: Points) -> bool:
    return len(one) == len(other) and np.allclose(one.cost, other.cost)


@pytest.mark.parametrize(
    "wish", ["i_step", "frequency_cross_min", "v_sense_ripple_min", "slope_compensation"]
)
def test_each_wish_changes_a_front(wish: str) -> None:
    for seed in range(14):
        case = random_cases.random_case(seed)
        random = np.random.default_rng(100 + seed)
        changed = compare(replace(case, spec=with_loop(case.spec, random, only=wish)))
        assert changed.differences == []
        if not same(changed.found, compare(case).found):
            return
    pytest.fail(f"{wish} never mattered")
