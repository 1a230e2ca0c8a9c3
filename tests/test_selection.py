"""The solver's answers against listing, its limits of time and tolerance, and its self-check."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer import selfcheck
from optimizer.errors import NotProved
from optimizer.frontier import front
from optimizer.records import Choice, Group, Skeleton
from optimizer.selection import INFEASIBLE, OPEN, OPTIMAL, Model, Selector
from optimizer.tally import row_sums, selection_cost, selection_loss, violations
from tests.choices import every_selection, large_choice, listed_front, random_choice


def plain_group(name, *, rows, loss, part=None):
    count = len(loss)
    part = np.arange(count) if part is None else np.array(part)
    return Group(
        name=name,
        part=part[:, None],
        pieces=np.where(part >= 0, 1, 0)[:, None],
        loss=np.array(loss, dtype=np.int64),
        rows=np.array(rows, dtype=np.float64).reshape(count, -1),
        loss_lane=np.zeros((count, 0), dtype=np.int64),
        slot_position=(name,),
    )


def plain_choice(groups, *, price, rows, **more):
    body = Skeleton("only", tuple(groups), 0, 0, np.zeros(rows), np.zeros(0, dtype=np.int64))
    table = np.stack([np.zeros(len(price)), price, 2 * np.array(price)], axis=1).astype(np.int64)
    return Choice(
        skeletons=(body,),
        row_names=tuple(f"row {r}" for r in range(rows)),
        price=table,
        line_item=0,
        placement=0,
        part_names=tuple(f"part {k}" for k in range(len(price))),
        **more,
    )


def test_both_ends_and_a_bound_between_equal_listing():
    for seed in range(10):
        choice = random_choice(seed, rows=1, numbers=6)
        want = listed_front(choice)
        selector = Selector(choice)
        cheapest = selector.solve(first="cost")
        least = selector.solve()
        if not want:
            assert (cheapest.status, least.status) == (INFEASIBLE, INFEASIBLE)
            continue
        assert (cheapest.selection.cost, cheapest.selection.loss) == want[0]
        assert (least.selection.cost, least.selection.loss) == want[-1]
        assert least.bound == least.selection.bound == want[-1][1]
        assert selector.solve(cost_max=want[0][0] - 1).status == INFEASIBLE
        assert selector.solve(loss_max=want[-1][1] - 1).status == INFEASIBLE
        capped = selector.solve(first="cost", loss_max=want[-1][1])
        assert (capped.selection.cost, capped.selection.loss) == want[-1]


def test_presolve_changes_no_answer():
    for seed in range(6):
        choice = random_choice(seed, rows=1, worst=2)
        answers = [Selector(choice, presolve=on).solve() for on in (False, True)]
        assert answers[0].status == answers[1].status
        if answers[0].selection:
            assert answers[0].selection.loss == answers[1].selection.loss


def test_fifty_milliseconds_prove_nothing_and_say_so():
    answer = Selector(large_choice()).solve(time_limit=0.05)
    assert answer.status == OPEN
    assert answer.gap > 0
    assert answer.selection is None or answer.selection.proof == ""
    assert answer.bound < math.inf


def test_a_tolerance_of_the_solver_is_not_a_tolerance_of_the_limit():
    """Half a millionth over passes the solver and fails the sum: it must be cut off."""
    groups = [
        plain_group("first", rows=[0.5, 0.5 + 5e-7], loss=[9, 1]),
        plain_group("second", rows=[0.5], loss=[0], part=[2]),
    ]
    choice = plain_choice(groups, price=[1, 1, 1], rows=1)
    answer = Selector(choice).solve()
    assert (answer.status, answer.selection.loss) == (OPTIMAL, 9)


def test_a_limit_met_exactly_holds():
    groups = [
        plain_group("first", rows=[0.1, 0.3], loss=[1, 5]),
        plain_group("second", rows=[0.2], loss=[0], part=[2]),
        plain_group("third", rows=[0.7], loss=[0], part=[2]),
    ]
    choice = plain_choice(groups, price=[1, 1, 0], rows=1)
    choice = replace(choice, price=np.pad(choice.price, ((0, 0), (0, 2))))
    assert 0.1 + 0.2 + 0.7 == 1.0
    assert Selector(choice).solve().selection.loss == 1


def test_the_result_does_not_hang_on_units_of_charge():
    """Charges of 30, 25, 20 nC in a budget of 22 nC: as shares of the budget only 20 passes."""
    share = np.array([30e-9, 25e-9, 20e-9]) / 22e-9
    choice = plain_choice([plain_group("fet", rows=share, loss=[1, 2, 3])], price=[1] * 3, rows=1)
    assert Selector(choice).solve().selection.loss == 3


def test_what_is_not_finite_is_refused():
    group = plain_group("first", rows=[np.nan, 0.5], loss=[1, 2])
    with pytest.raises(ValueError, match="only/first: need finite rows"):
        Selector(plain_choice([group], price=[1, 1], rows=1))


def least_violation(choice, free):
    """Least largest violation of the rows in `free` by listing, others holding."""
    best = math.inf
    for k, option in every_selection(choice):
        broken = set(violations(choice, k, option)) - {choice.row_names[r] for r in free}
        if not broken:
            over = row_sums(choice, k, option)[free] - 1
            best = min(best, max(0.0, float(over.max())))
    return best


def test_relaxation_is_the_least_violation_by_listing():
    tried = 0
    for seed in range(40):
        choice = random_choice(seed, rows=2, options=(1, 3), skeletons=2)
        harder = tuple(
            replace(body, rows_fixed=body.rows_fixed + 0.35) for body in choice.skeletons
        )
        choice = replace(choice, skeletons=harder)
        if listed_front(choice):
            continue
        selector = Selector(choice)
        for free in ([0], [1], [0, 1]):
            want = least_violation(choice, free)
            answer = selector.relax([choice.row_names[r] for r in free])
            if math.isinf(want):
                assert answer is None
                continue
            tried += 1
            assert answer.proved
            assert answer.share == pytest.approx(want, abs=2e-6)
            assert answer.bound == pytest.approx(want, abs=3e-6)
    assert tried >= 15


def test_relaxing_the_number_of_parts():
    groups = [plain_group(name, rows=[[]], loss=[1], part=[k]) for k, name in enumerate("abc")]
    choice = plain_choice(groups, price=[1, 1, 1], rows=0, part_numbers_max=2)
    selector = Selector(choice)
    assert selector.solve().status == INFEASIBLE
    answer = selector.relax([], part_numbers=True)
    assert answer.over == {"part numbers": pytest.approx(0.5)}


def test_sets_found_can_be_left_out_one_by_one():
    choice = random_choice(4, skeletons=1, options=(2, 2))
    selector = Selector(choice, prune=False)
    losses = []
    for _ in range(5):
        answer = selector.solve()
        losses.append(answer.selection.loss)
        selector.exclude(answer.selection)
    listed = sorted(selection_loss(choice, k, option) for k, option in every_selection(choice))
    assert losses == listed[:5]
    with pytest.raises(ValueError, match="rebuild"):
        Selector(choice).exclude(answer.selection)


def test_every_answer_is_added_up_again():
    choice = random_choice(2, rows=1, numbers=6, price_shape="rising")
    answer = Selector(choice).solve()
    found = answer.selection
    assert found.cost == selection_cost(choice, found.skeleton, found.option)
    assert found.loss == selection_loss(choice, found.skeleton, found.option)


def test_the_solver_passes_its_known_models():
    selfcheck.check_solver()


@pytest.mark.parametrize("field", ["objective", "status"])
def test_a_solver_that_is_wrong_is_caught(monkeypatch, field):
    true = Model.best
    wrong = {"objective": 221.0, "status": OPEN}

    def lying(self, *rest):
        return replace(true(self, *rest), **{field: wrong[field]})

    monkeypatch.setattr(Model, "best", lying)
    with pytest.raises(NotProved, match="fails a known model"):
        selfcheck.check_solver()


@pytest.mark.parametrize("wrong", [{"objective": 221.0}, {"status": OPEN}])
def test_a_run_asks_the_known_models_before_its_first_question(monkeypatch, wrong):
    """A planted wrong solver: the run ends with the reason, whichever engine asks it."""
    true, asked = Model.best, []

    def lying(self, *rest):
        asked.append(len(self.program.cost))
        return replace(true(self, *rest), **wrong)

    monkeypatch.setattr(Model, "best", lying)
    for engine in ("auto", "solver"):
        selfcheck.check_solver_once.cache_clear()
        with pytest.raises(NotProved, match=r"fails a known model.*install highspy"):
            front(random_choice(1), engine=engine)
    assert set(asked) == {3}
    monkeypatch.undo()
    assert front(random_choice(1)).complete
    assert selfcheck.check_solver_once.cache_info().currsize == 1


def test_an_objective_that_does_not_add_up_is_caught(monkeypatch):
    true = Model.best

    def lying(self, *rest):
        result = true(self, *rest)
        return replace(result, objective=result.objective - 3)

    monkeypatch.setattr(Model, "best", lying)
    with pytest.raises(NotProved, match="its set has"):
        Selector(random_choice(1)).solve()
