"""A changed spec against the archived front: prices equal those of a look at every set."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer import search
from optimizer.errors import InputError
from optimizer.spec_edit import edited
from optimizer.spec_records import Spec
from optimizer.studies.answer import Answer
from optimizer.studies.what_if import same_states, tighter, what_if
from tests.oracles import brute_force
from tests.studies import cases
from tests.studies.cases import Looked

SEEDS = range(5)


def limited(spec: Spec, **values: Any) -> Spec:
    return replace(spec, limits=replace(spec.limits, **values))


def compare(look: Looked, spec: Spec) -> Answer:
    """The answer to a changed spec, held against every set under it."""
    answer = what_if(look.case, spec)
    assert answer.proved
    now = search.prepared(spec, look.case.catalog, references=look.case.prepared.references)
    judged = brute_force.judge_case(spec, look.case.catalog, references=now.references)
    cost, loss = replace(look, judged=judged).sets()
    assert bool(len(cost)) == bool(answer.data["prices"])
    if not len(cost):
        assert answer.answer.startswith("no set passes any more")
        return answer
    assert answer.data["cost_min"] == pytest.approx(cost.min(), abs=1e-4)
    assert answer.data["loss_min_w"] == pytest.approx(loss.min(), abs=cases.SLACK)
    for price in answer.data["prices"]:
        told = price["cost"] + price["cost_more"]
        assert cases.agrees(told, cost, loss, price["loss_w"]), price
        within = cost <= price["cost"] + 1e-5
        least = float(np.min(loss[within], initial=math.inf))
        assert price["loss_w"] + price["loss_more_w"] == pytest.approx(least, abs=cases.SLACK)
    return answer


def height_of(look: Looked, row: int) -> float:
    plain = look.case.run["points"][row]["verified"]
    return float(plain["height"])


@pytest.mark.parametrize("seed", SEEDS)
def test_tighter_limits_cost_what_all_sets_say(seed: int) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    spec = look.case.spec
    for row in {0, len(look.case.front) - 1}:
        one = limited(spec, height_max=height_of(look, row) - 1e-5)
        assert tighter(spec, one)
        compare(look, one)
        compare(look, limited(spec, height_max=height_of(look, row) + 1e-5))
        area = float(look.case.run["points"][row]["verified"]["area"])
        compare(look, limited(spec, area_max=area * 0.999))
    ripple = spec.limits.v_ripple_output
    compare(look, limited(spec, v_ripple_output=0.2 * ripple))


@pytest.mark.parametrize("seed", SEEDS)
def test_looser_limits_save_what_all_sets_say(seed: int) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    spec, limits = look.case.spec, look.case.spec.limits
    looser = limited(
        spec,
        v_ripple_output=2.0 * limits.v_ripple_output,
        v_ripple_input=2.0 * limits.v_ripple_input,
        ripple_ratio_max=1.3 * limits.ripple_ratio_max,
        height_max=math.inf,
        area_max=math.inf,
        rise_hottest=math.inf,
        temp_max={},
    )
    assert not tighter(spec, looser) or looser.limits == limits
    assert same_states(look.case, looser)
    compare(look, looser)
    if len(limits.floors):
        floors = tuple(replace(f, efficiency=f.efficiency * 0.98) for f in limits.floors)
        compare(look, limited(spec, floors=floors))


@pytest.mark.parametrize("seed", [0, 2])
def test_purchase_and_ceiling(seed: int) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    spec = look.case.spec
    compare(look, replace(spec, purchase=replace(spec.purchase, boards=10)))
    compare(look, limited(spec, loss_ceiling=0.07))


def test_no_search_where_the_ends_and_the_knee_stay() -> None:
    """A limit that takes only other points away is answered from the archive alone."""
    look = cases.random_run(0)
    assert look is not None
    spec = look.case.spec
    most = max(height_of(look, row) for row in range(len(look.case.front)))
    answer = what_if(look.case, limited(spec, height_max=most + 1e-6))
    assert not answer.data["searched"]
    assert answer.answer.startswith("nothing: ")
    assert answer.data["points_lost"] == []


def test_the_objective_may_not_change() -> None:
    look = cases.random_run(0)
    assert look is not None
    spec = look.case.spec
    other = replace(spec, choice=replace(spec.choice, objective="worst-point"))
    with pytest.raises(InputError, match=r"choice\.objective: got 'worst-point' against a run"):
        what_if(look.case, other)


# --- changes of the text --------------------------------------------------------------------------


def test_a_change_of_the_text_reads_as_if_it_stood_there() -> None:
    look = cases.random_run(0)
    assert look is not None
    spec = look.case.spec
    one = edited(
        spec,
        [
            "limits.height_max_mm = 7.5",
            "limits.floors[2].efficiency_pct=30",
            'choice.forbid = ["X"]',
            "purchase.currency = USD",
        ],
    )
    assert one.limits.height_max == pytest.approx(7.5e-3)
    assert one.limits.floors[1].efficiency == pytest.approx(0.3)
    assert one.choice.forbid == ("X",)
    assert one.purchase.currency == "USD"
    assert math.isinf(edited(one, ["limits.height_max_mm = none"]).limits.height_max)
    same = edited(spec, ["name = 'tiny'"])
    assert (same.limits, same.choice) == (spec.limits, spec.choice)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("limits.height_max_mm", "got no value, need key=value"),
        ("limits.heigth_max_mm = 8", "did you mean height_max_mm?"),
        ("limits.floors[9].efficiency_pct = 8", "got no item 9"),
        ("limits.height_max_mm = none", "got no 'height_max_mm' there"),
        ("limits.height_max_mm = [", "got '[', need a TOML value"),
        ("limits..x = 2", "got no key of a spec"),
        ("limits.height_max_mm = 8000", "got 8000 mm"),
    ],
)
def test_a_bad_change_says_what_is_wrong(change: str, told: str) -> None:
    look = cases.random_run(0)
    assert look is not None
    with pytest.raises(InputError) as error:
        edited(look.case.spec, [change])
    assert told in str(error.value)
