"""The smallest set of limits in conflict, against every set judged under every freed limit."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from optimizer import search
from optimizer.catalog import Catalog, read_catalog
from optimizer.infeasible_kinds import kinds
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from optimizer.studies.answer import Answer
from optimizer.studies.conflict import STANDING, conflict
from tests import tiny
from tests.oracles import brute_force


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Catalog]:
    """The tiny job with one type and two pieces a bank: few enough sets to look at all."""
    folder: Path = tmp_path_factory.mktemp("job")
    path = tiny.job(folder, choice={"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1})
    spec = read_spec(path)
    return spec, read_catalog(spec.catalogs)


def limited(spec: Spec, **values: Any) -> Spec:
    return replace(spec, limits=replace(spec.limits, **values))


def passes(spec: Spec, catalog: Catalog) -> bool:
    """Whether any of all sets passes a spec."""
    references = search.prepared(spec, catalog).references
    judged = brute_force.judge_case(spec, catalog, references=references)
    return any(part.feasible().any() for part in judged)


MORE_SETS = (
    *("transistors in parallel", "pieces of a bank", "types in a bank"),
    "sense resistors in parallel",
)
"""Rules that a look at every set keeps, or there would be far more of them."""


def loosened(spec: Spec, held: set[str]) -> Spec:
    for kind in kinds(spec):
        if kind.name not in (*held, *STANDING, *MORE_SETS):
            spec = kind.at(spec, kind.most)
    return spec


def held_against_all_sets(spec: Spec, catalog: Catalog, answer: Answer, *, sizes: int) -> None:
    """In conflict itself; without any one of them not; and nothing smaller is."""
    found = set(answer.data["conflict"])
    assert not passes(loosened(spec, found), catalog)
    for name in found:
        assert passes(loosened(spec, found - {name}), catalog), name
        assert search.solve(loosened(spec, found - {name}), catalog, any_set=True).first
    every = [kind.name for kind in kinds(spec) if kind.name not in (*STANDING, *MORE_SETS)]
    for size in range(min(sizes, len(found))):
        for some in combinations(every, size):
            assert passes(loosened(spec, set(some)), catalog), some


def test_one_limit_that_nothing_keeps(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    tight = limited(spec, v_ripple_output=0.0005)
    answer = conflict(tight, catalog)
    assert answer.proved
    assert answer.data["conflict"] == ["output ripple"] or len(answer.data["conflict"]) == 2
    held_against_all_sets(tight, catalog, answer, sizes=1)


def test_two_limits_that_only_fight_together(job: tuple[Spec, Catalog]) -> None:
    """Low parts only, and little ripple: either alone can be kept, both cannot."""
    spec, catalog = job
    tight = limited(spec, height_max=3.5e-3, ripple_ratio_max=0.8)
    assert not passes(tight, catalog)
    answer = conflict(tight, catalog)
    assert answer.proved, answer
    assert answer.data["conflict"] == ["height", "inductor ripple ratio"], answer
    held_against_all_sets(tight, catalog, answer, sizes=2)
    rows = {row[0]: row[2] for row in answer.grids[0].rows}
    assert "ripple ratio" in rows["inductor ripple ratio"]
    assert "height" in rows["height"]


def test_the_loss_ceiling_alone(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    answer = conflict(limited(spec, loss_ceiling=0.001, floors=()), catalog)
    assert answer.data["conflict"] == ["loss ceiling"], answer


def test_a_rule_of_purchase(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    strict = replace(spec, purchase=replace(spec.purchase, banned=("L-SMALL", "L-LARGE")))
    answer = conflict(strict, catalog)
    assert answer.data["conflict"] == ["banned list"]
    assert "banned" in answer.data["witnesses"][0]["fails"][0]


def test_no_conflict_where_a_set_passes(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    answer = conflict(spec, catalog)
    assert answer.data["feasible"]
    assert answer.proved


def test_voltages_that_rule_it_out(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    low = replace(spec, source=replace(spec.source, v_min=8.0, v_transient_min=8.0))
    answer = conflict(low, catalog)
    assert answer.answer.startswith("buck refused")


def test_no_time_is_told(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    answer = conflict(limited(spec, v_ripple_output=0.0005), catalog, time_limit=1e-9)
    assert not answer.proved
    assert answer.answer.startswith("not found in the time given")
