"""Brute force equals the front also where the load asks for a range of outputs and surges.

And where a charger buys its current sense with the resistor in series with the coil.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer import buying, charge_sense
from optimizer.load_records import Demand, LeadAcid, Surge
from optimizer.spec_records import Spec
from tests import use_specs
from tests.oracles import random_cases
from tests.oracles.random_cases import Case
from tests.oracles.test_brute_force import compare

SEEDS = range(10)


def with_demands(spec: Spec, random: np.random.Generator) -> Spec:
    """The job with demands around its rail, a surge, and a source that idles higher."""
    load, source = spec.load, spec.source
    down, up = 0.0, 0.0
    if "buck" in spec.topologies:
        down = 0.15
    if "boost" in spec.topologies:
        up = 0.03
    if spec.topologies == ("four-switch",):
        down = up = 0.03
    low = load.v_output * (1.0 - float(random.uniform(0.3, 1.0)) * down)
    high = load.v_output * (1.0 + float(random.uniform(0.3, 1.0)) * up)
    demands = (
        Demand("high, cold", high, load.i_output, hot=False),
        Demand("high, hot", 0.5 * (high + load.v_output), load.i_output, cold=False),
        Demand("low", low, load.i_output),
        Demand("gentle", low * 0.99, 0.2 * load.i_output),
    )
    surge = Surge("start", 1.1 * load.i_output, 0.2, source.v_nominal)
    idle = source.v_max * (1.02 if random.uniform() < 0.5 else 1.0)
    return replace(
        spec,
        load=replace(load, demands=demands, surges=(surge,)),
        source=replace(source, v_idle_max=idle, v_survive_max=max(idle, source.v_survive_max)),
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_front_is_the_front_of_all_sets_with_demands(seed: int) -> None:
    case = random_cases.random_case(seed)
    changed = with_demands(case.spec, np.random.default_rng(seed))
    one = compare(replace(case, spec=changed))
    assert one.differences == [], seed
    assert bool(len(one.found)) == any(part.feasible().any() for part in one.judged)


def test_enough_of_these_pairs_have_a_front_and_differ_from_the_rail() -> None:
    fronts = differ = 0
    for seed in range(6):
        case = random_cases.random_case(seed)
        plain = compare(case).wanted
        changed = compare(
            replace(case, spec=with_demands(case.spec, np.random.default_rng(seed)))
        ).wanted
        fronts += len(changed) > 0
        differ += len(plain) != len(changed) or not np.allclose(plain.cost, changed.cost)
    assert fronts >= 3
    assert differ >= 2


CHARGERS = ((0, 0), (3, 0), (4, 1), (9, 1), (11, 0), (16, 1), (19, 0), (23, 1))
"""Random case and the resistor of its catalog that the charger's value is taken from."""


def with_charge_sense(case: Case, row: int) -> Case:
    """The job as a charger whose current sense is one of the resistors on offer; lines are dear."""
    spec, ohms = case.spec, case.catalog.tables["resistor"].numbers["resistance_typ"]
    record = use_specs.spec_of("lead-acid", "range").load.record
    assert isinstance(record, LeadAcid)
    load = replace(
        spec.load,
        record=replace(record, resistance_sense=float(ohms[row])),
        sense_part=charge_sense.CHEAPEST,
    )
    dear = replace(spec.purchase, line_item_each=spec.purchase.line_item_each + 60.0)
    return replace(case, spec=replace(spec, load=load, purchase=dear))


@pytest.mark.parametrize(("seed", "row"), CHARGERS)
def test_front_with_a_pooled_charge_sense_is_that_of_all_sets(seed: int, row: int) -> None:
    case = with_charge_sense(random_cases.random_case(seed), row)
    one = compare(case)
    assert one.differences == [], seed
    held = buying.charge_of(case.spec, case.catalog.tables)
    assert held is not None
    assert held.found
    coils = [one.judged[n].sets.sense[0][k] for n, k in one.wanted.which]
    assert held.row in coils
