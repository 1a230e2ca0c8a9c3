"""The concession that saves most, against a look at every set under every single concession."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimizer import search
from optimizer.found import quiet
from optimizer.infeasible_kinds import kinds
from optimizer.studies import concessions as room
from optimizer.studies.concessions import LEFT_OUT, MONEY, WATTS, amount_of, concessions
from tests.oracles import brute_force
from tests.studies import cases
from tests.studies.cases import Looked

SHARE = 0.2
STEP = {MONEY: 0.01, WATTS: 1e-3}
"""Savings below the step of a report count as none."""


def savings(look: Looked, save: str, row: int) -> dict[str, float]:
    """What each single concession saves at a point, by judging every set under it."""
    spec, catalog, front = look.case.spec, look.case.catalog, look.case.front
    cost_now, loss_now = front.cost[row] * 1e-4, front.loss[row] * 1e-5
    found = {}
    for kind in kinds(spec):
        if kind.name.startswith(LEFT_OUT):
            continue
        other = kind.at(spec, amount_of(kind, spec, SHARE))
        now = search.prepared(other, catalog, references=look.case.prepared.references)
        judged = brute_force.judge_case(other, catalog, references=now.references)
        cost, loss = Looked(look.case, judged, look.worst).sets()
        if save == MONEY:
            most = math.inf if row == 0 else loss_now + 1e-5
            found[kind.name] = max(0.0, cost_now - cases.cheaper(cost, loss, most))
        else:
            least = float(np.min(loss[cost <= cost_now + 1e-5], initial=math.inf))
            found[kind.name] = max(0.0, loss_now - least)
    return found


@pytest.mark.parametrize(
    ("seed", "save", "each"),
    [(2, MONEY, False), (3, MONEY, False), (2, WATTS, False), (3, MONEY, True)],
)
def test_the_best_of_all_single_concessions(seed: int, save: str, each: bool) -> None:
    look = cases.random_run(seed)
    assert look is not None
    answer = concessions(look.case, share=SHARE, save=save, each=each)
    assert answer.proved
    row = 0 if save == MONEY else len(look.case.front) - 1
    wanted, step = savings(look, save, row), STEP[save]
    near = 1e-4 if save == MONEY else cases.SLACK
    told = {one["limit"]: one for one in answer.data["concessions"]}
    best = max(one["saving"] for one in told.values())
    most = max(wanted.values())
    assert best == pytest.approx(most if most >= step else 0.0, abs=near)
    for name, one in told.items():
        assert one["saving"] - near <= wanted[name] <= one["saving_most"] + near, name
        if one["saving"] or each:
            assert one["saving"] == pytest.approx(wanted[name], abs=max(near, step * each)), name
    if each:
        assert {name for name, saved in wanted.items() if saved > step} <= set(told)


def test_a_question_without_time_is_bounded_by_what_was_not_searched() -> None:
    """The search of the loosened spec is stopped; its bounds say what it could save at most."""
    look = cases.random_run(3)
    assert look is not None
    wanted = savings(look, MONEY, 0)
    name = max(wanted, key=lambda one: wanted[one])
    kind = next(k for k in kinds(look.case.spec) if k.name == name)
    ask = room._Ask(look.case, 0, MONEY, math.inf, quiet, Few(10))
    one = room._single(ask, room.Concession(kind, amount_of(kind, look.case.spec, SHARE)))
    assert ask.left == [name]
    assert one.saving * 1e-4 <= wanted[name] + 1e-9
    assert wanted[name] - 1e-9 <= one.most * 1e-4 < 0.5 * float(look.case.front.cost[0]) * 1e-4


class Few:
    """Lets a search look so many times whether to go on, then stops it."""

    def __init__(self, looks: int) -> None:
        self.looks = looks

    def __call__(self) -> bool:
        self.looks -= 1
        return self.looks < 0


def test_some_case_saves_something() -> None:
    found = []
    for seed in (2, 3):
        look = cases.random_run(seed)
        assert look is not None
        answer = concessions(look.case, share=SHARE)
        found.append(max(one["saving"] for one in answer.data["concessions"]) > 0.0)
    assert any(found)


def test_no_time_is_told() -> None:
    look = cases.random_run(2)
    assert look is not None
    answer = concessions(look.case, time_limit=1e-9)
    assert not answer.proved
    assert "not answered for lack of time" in answer.proof
    assert answer.answer.startswith("as far as known")


def test_a_floor_gives_way_in_loss() -> None:
    """93 % with 10 % more loss allowed: 1/(1 + 1.1 (1/0.93 - 1)) = 92.35 %."""
    look = cases.random_run(2)
    assert look is not None
    spec = look.case.spec
    kind = next(k for k in kinds(spec) if k.name.startswith(room.FLOOR))
    now = spec.limits.floors[0].efficiency
    amount = amount_of(kind, spec, 0.1)
    assert 1.0 / (now - amount) - 1.0 == pytest.approx(1.1 * (1.0 / now - 1.0))
