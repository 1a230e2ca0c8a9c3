"""The front of sets with second sources against every set and every mixture of it."""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest

from optimizer.records import kind_of
from optimizer.spec_records import POSITIONS, Spec
from tests.oracles import brute_force, random_cases, second_source_cases
from tests.oracles.brute_force import Points
from tests.oracles.random_cases import Case
from tests.oracles.test_brute_force import searched

SECOND_PAIRS = int(os.environ.get("SECOND_PAIRS", "10"))


def demanding(case: Case, seed: int) -> Case:
    """The case with two makers and a demand for second sources."""
    random = np.random.default_rng([2032, seed])
    size = {kind: len(table) for kind, table in case.catalog.tables.items()}
    forced = {force.position for force in case.spec.choice.force}
    open_ = [p for p in POSITIONS if size[kind_of(p)] > 1 and (p != "inductor" or p not in forced)]
    count = int(random.integers(1, 4))
    demand = tuple(
        str(word) for word in random.choice(open_, min(count, len(open_)), replace=False)
    )
    spec = replace(
        case.spec,
        purchase=replace(case.spec.purchase, second_source=demand),
        choice=replace(case.spec.choice, same_part=_within_legs(case.spec)),
    )
    return replace(case, spec=spec, catalog=second_source_cases.made_twice(case.catalog, seed))


def _within_legs(spec: Spec) -> tuple[tuple[str, ...], ...]:
    groups = spec.choice.same_part
    return tuple(g for g in groups if len({name.split("-")[0] for name in g}) == 1)


def both(case: Case) -> tuple[Points, Points, Points]:
    """Fronts of the search, of all sets with second sources, and of all sets without the demand."""
    found, references = searched(case.spec, case.catalog)
    judged = brute_force.judge_case(case.spec, case.catalog, references=references)
    robust = second_source_cases.robust_only(case.spec, case.catalog, judged)
    return (
        found,
        brute_force.front(robust, worst=case.worst),
        brute_force.front(judged, worst=case.worst),
    )


def drawn(seed: int) -> Case:
    """A case of each shape in turn."""
    make = (
        random_cases.random_case,
        random_cases.random_case,
        random_cases.rectified_case,
        random_cases.two_coil_case,
    )[seed % 4]
    return demanding(make(seed), seed)


@pytest.mark.parametrize("seed", range(SECOND_PAIRS))
def test_front_with_second_sources_is_that_of_all_sets(seed: int) -> None:
    case = drawn(seed)
    found, wanted, _ = both(case)
    assert brute_force.differences(found, wanted) == [], (case.spec.purchase, case.text)
