"""The front of sets with second sources against every set and every mixture of it."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer import mixtures, second_sources, workbench
from optimizer.records import kind_of
from optimizer.spec_edit import edited
from optimizer.spec_records import POSITIONS, Spec
from optimizer.studies.what_if import what_if
from tests.oracles import brute_force, random_cases, second_source_cases
from tests.oracles.brute_force import Points
from tests.oracles.random_cases import Case
from tests.oracles.second_source_cases import alike_case, torn_case
from tests.oracles.test_brute_force import searched
from tests.studies import cases

SECOND_PAIRS = int(os.environ.get("SECOND_PAIRS", "0"))
"""Ends the seeds of random cases beyond the two of a normal run."""

CHANGED = (1, 8, 9, 21)
"""Cases of parts that differ a little in which the demand changes the front."""

TORN = 28
"""A case in which options pass beside different alternates of the inductor."""


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


def equal(case: Case) -> bool:
    """Whether the demand changes nothing; asserts that the search finds what all sets say."""
    found, wanted, free = both(case)
    assert brute_force.differences(found, wanted) == [], (case.spec.purchase, case.text)
    return not brute_force.differences(wanted, free)


@pytest.mark.parametrize("seed", [6, *range(40, SECOND_PAIRS)])
def test_front_with_second_sources_is_that_of_all_sets(seed: int) -> None:
    equal(drawn(seed))


@pytest.mark.parametrize("seed", CHANGED)
def test_a_demand_that_costs_something_costs_what_all_sets_say(seed: int) -> None:
    assert not equal(alike_case(seed))


@pytest.mark.parametrize("seed", range(60 if SECOND_PAIRS else 0))
def test_parts_that_differ_a_little(seed: int) -> None:
    equal(alike_case(seed))


@pytest.mark.parametrize("seed", [TORN, *range(60 if SECOND_PAIRS else 0)])
def test_one_alternate_of_the_inductor_serves_all_options_of_a_set(seed: int) -> None:
    assert not equal(torn_case(seed)) or seed != TORN


def _forget_options(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(mixtures.Pairs, "robust", lambda self, x, y: self.pass_(x, y))
    _forget_rows(patch)


def _forget_rows(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(second_sources.SecondSources, "holds_parts", lambda self, parts: True)


def _forget_coil(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(second_sources, "other_inductors", lambda found, skeleton: None)
    patch.setattr(second_sources, "rows_of", workbench.rows_of)


def _forget_whose(patch: pytest.MonkeyPatch) -> None:
    def hold_beside_any(self: second_sources.SecondSources, parts: Any) -> bool:
        each = [list(parts.items())[k : k + 1] for k in range(len(parts))]
        return all(any(one.hold(dict(some)) for one in self._each()) for some in each)

    patch.setattr(second_sources.SecondSources, "holds_parts", hold_beside_any)


@pytest.mark.parametrize(
    ("forget", "case"),
    [
        (_forget_options, alike_case(1)),
        (_forget_rows, alike_case(8)),
        (_forget_coil, alike_case(9)),
        (_forget_whose, torn_case(TORN)),
    ],
)
def test_a_forgotten_mixture_is_noticed(
    forget: Callable[[pytest.MonkeyPatch], None], case: Case
) -> None:
    """Mixtures in an option, in the rows, beside the other inductor, beside one for all options."""
    with pytest.MonkeyPatch.context() as patch:
        forget(patch)
        found, references = searched(case.spec, case.catalog)
    judged = brute_force.judge_case(case.spec, case.catalog, references=references)
    robust = second_source_cases.robust_only(case.spec, case.catalog, judged)
    assert brute_force.differences(found, brute_force.front(robust, worst=case.worst))


def test_what_if_prices_the_demand() -> None:
    """Asked of a run without it, the front of robust sets is that of all sets, at its states."""
    case = alike_case(21)
    rules = case.spec.purchase
    free = replace(case.spec, purchase=replace(rules, second_source=()))
    run = cases.finished(free, case.catalog)
    assert run is not None
    answer = what_if(run, edited(free, ['purchase.second_source = ["all"]']))
    references = dict(run.prepared.references)
    judged = brute_force.judge_case(case.spec, case.catalog, references=references)
    robust = second_source_cases.robust_only(case.spec, case.catalog, judged)
    wanted = brute_force.front(robust, worst=case.worst)
    points = answer.data["front"]
    cost, loss = (np.array([p[key] for p in points]) for key in ("cost", "loss_w"))
    assert brute_force.differences(Points(cost, loss), wanted) == []
    assert answer.data["points_lost"]
    assert "no second source at all" in " ".join(answer.notes)
