"""The concession that saves most, against a look at every set under every single concession."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimizer import search
from optimizer.infeasible_kinds import kinds
from optimizer.studies import concessions as room
from optimizer.studies.concessions import LEFT_OUT, MONEY, WATTS, amount_of, concessions
from tests.oracles import brute_force
from tests.studies import cases
from tests.studies.cases import Looked

SHARE = 0.2


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


@pytest.mark.parametrize(("seed", "save"), [(2, MONEY), (3, MONEY), (2, WATTS), (0, MONEY)])
def test_the_best_of_all_single_concessions(seed: int, save: str) -> None:
    look = cases.random_run(seed)
    assert look is not None
    answer = concessions(look.case, share=SHARE, save=save)
    assert answer.proved
    row = 0 if save == MONEY else len(look.case.front) - 1
    wanted = savings(look, save, row)
    most = max(wanted.values())
    told = answer.data["concessions"]
    best = max((one["saving"] for one in told), default=0.0)
    assert best == pytest.approx(most, abs=1e-4 if save == MONEY else cases.SLACK)
    for one in told:
        assert one["saving"] == pytest.approx(
            wanted[one["limit"]], abs=1e-4 if save == MONEY else cases.SLACK
        ), one["limit"]


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
