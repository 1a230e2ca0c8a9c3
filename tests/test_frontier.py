"""The front against listing every selection, with every coupling; its proofs, limits and stops."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import frontier
from optimizer.errors import NotProved
from optimizer.frontier import front, knee
from optimizer.merge import relaxed_front
from optimizer.records import Selection
from optimizer.scouts import incumbents
from optimizer.selection import Selector
from optimizer.tally import selection_cost, selection_loss, violations
from tests.choices import LEG_INPUT, LEG_OUTPUT, large_choice, listed_front, random_choice

THIRD = ("leg-third", ("third-high", "third-low"), "t")

COUPLINGS = [
    {"rows": 2},
    {"rows": 1, "numbers": 4, "same_part": True},
    {"rows": 2, "worst": 3},
    {"numbers": 3, "price_shape": "rising"},
    {"numbers": 4, "rows": 1, "layouts": (LEG_INPUT, LEG_OUTPUT, THIRD)},
    {"rows": 2, "numbers": 6, "worst": 2, "same_part": True, "price_shape": "bought"},
]


def values(points):
    return [(point.cost, point.loss) for point in points]


def check(choice, result, want):
    assert values(result.points) == want
    assert result.complete
    for point in result.points:
        assert selection_cost(choice, point.skeleton, point.option) == point.cost
        assert selection_loss(choice, point.skeleton, point.option) == point.loss
        assert violations(choice, point.skeleton, point.option) == ()
        assert point.proof in ("merge", "solver", "merge+solver")
        assert point.bound == point.loss


@settings(max_examples=120, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(COUPLINGS))
def test_front_equals_listing(seed, coupling):
    choice = random_choice(seed, options=(1, 4), **coupling)
    check(choice, front(choice, prove_points=3), listed_front(choice))


@pytest.mark.parametrize("seed", range(6))
def test_the_solver_alone_gives_the_same_front(seed):
    choice = random_choice(seed, rows=1, same_part=True)
    result = front(choice, engine="solver")
    assert result.engine == "solver"
    check(choice, result, listed_front(choice))


def test_where_nothing_couples_the_merge_finds_all_and_the_solver_proves_again():
    choice = random_choice(11, options=(8, 8), parts=4, skeletons=3)
    result = front(choice, prove_points=4)
    assert result.engine == "merge"
    assert values(result.points) == values(relaxed_front(choice))
    again = [k for k, point in enumerate(result.points) if point.proof == "merge+solver"]
    assert len(again) == min(4, len(result.points))
    assert {0, len(result.points) - 1, knee(result.points)} <= set(again)


def without_row(choice, row):
    """The planted fault: one row never reaches the front."""
    bodies = tuple(
        replace(
            body,
            rows_fixed=body.rows_fixed * 0,
            groups=tuple(replace(one, rows=one.rows * 0) for one in body.groups),
        )
        for body in choice.skeletons
    )
    return replace(choice, skeletons=bodies) if row else choice


FAULTS = {
    "a row": ({"rows": 1}, lambda choice: without_row(choice, 1)),
    "equal parts": ({"same_part": True}, lambda choice: replace(choice, same_part=())),
    "part numbers": ({"numbers": 4}, lambda choice: replace(choice, part_numbers_max=None)),
    "the line item": ({"line_item": 20}, lambda choice: replace(choice, line_item=0)),
    "placement": ({}, lambda choice: replace(choice, placement=0)),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_shows(fault):
    """A front that forgets one coupling differs from the listing in many of twenty choices."""
    coupling, forget = FAULTS[fault]
    seen = 0
    for seed in range(20):
        choice = random_choice(seed, options=(2, 4), **coupling)
        wrong = front(forget(choice), prove_points=0)
        seen += values(wrong.points) != listed_front(choice)
    assert seen >= 10


def test_infeasible_is_an_empty_complete_front():
    choice = random_choice(1, rows=1)
    heavy = tuple(replace(body, rows_fixed=body.rows_fixed + 2) for body in choice.skeletons)
    result = front(replace(choice, skeletons=heavy))
    assert (result.points, result.complete) == ((), True)


def test_points_are_told_as_they_are_found():
    told = []
    choice = random_choice(3, rows=2)
    result = front(choice, on_point=told.append)
    assert sorted(values(told)) == values(result.points)


def test_a_time_limit_leaves_a_gap_and_says_so():
    result = front(large_choice(), engine="solver", time_limit=1.0)
    assert not result.complete
    assert any("not proved" in note or "not searched" in note for note in result.not_proved)
    for point in result.points:
        assert point.proof != "" or point.bound <= point.loss


def test_fifty_milliseconds_show_a_gap(monkeypatch):
    """The solver is asked with 50 ms a question: unproved points have their bound and gap.

    Every set that the scouts met is kept, not the one of least loss alone.
    """
    true = Selector.solve

    def hurried(self, **question):
        return true(self, **{**question, "time_limit": 0.05})

    monkeypatch.setattr(Selector, "solve", hurried)
    result = front(large_choice(), engine="solver")
    assert not result.complete
    unproved = [point for point in result.points if point.proof == ""]
    for met in incumbents(large_choice()):
        assert any(p.cost <= met.cost and p.loss <= met.loss for p in result.points)
    assert all(point.bound <= point.loss for point in unproved)
    best = min(unproved, key=lambda point: point.loss)
    gap = best.loss - best.bound
    left = f"gap {gap:.0f}" if gap else f"least cost {best.cost} open"
    assert left in result.not_proved[0]


def test_a_stop_keeps_what_is_proved():
    choice = random_choice(3, options=(4, 5), rows=2)
    full = front(choice, engine="solver")
    told = []
    result = front(choice, engine="solver", on_point=told.append, stop=lambda: len(told) >= 2)
    assert not result.complete
    assert len(full.points) > 2
    proved = [point for point in result.points if point.proof]
    assert values(proved) == values(full.points)[-2:]
    for point in set(result.points) - set(proved):
        assert not violations(choice, point.skeleton, point.option)
        assert min(p.loss for p in full.points if p.cost <= point.cost) <= point.loss


def test_an_interrupt_keeps_what_is_proved():
    choice = random_choice(3, options=(4, 5), rows=2)
    told = []

    def interrupting(point):
        told.append(point)
        if len(told) == 2:
            raise KeyboardInterrupt

    result = front(choice, engine="solver", on_point=interrupting)
    assert not result.complete
    assert len(result.points) == 2
    assert "interrupted" in result.not_proved[-1]


def test_merge_and_solver_that_disagree_stop_the_run(monkeypatch):
    choice = random_choice(11, options=(8, 8), parts=4, skeletons=3)
    true = relaxed_front(choice)

    def wrong(given):
        return (*true[:-1], replace(true[-1], loss=true[-1].loss + 1, bound=true[-1].loss + 1.0))

    monkeypatch.setattr(frontier, "relaxed_front", wrong)
    with pytest.raises(NotProved, match="merge and solver disagree"):
        front(choice)


def selections(pairs):
    return tuple(Selection(cost, loss, 0, ()) for cost, loss in pairs)


def test_knee_by_hand():
    """Scaled to the ends, (2, 30) lies 1 - 1/9 - 2/9 below the chord and is the farthest."""
    assert knee(selections([(1, 100), (2, 30), (5, 25), (10, 10)])) == 1
    assert knee(selections([(1, 9), (5, 5), (9, 1)])) == 0
    assert knee(selections([(1, 5)])) == 0


def test_a_front_without_end_has_no_limit_by_default():
    assert front(random_choice(5)).complete
    assert front(random_choice(5), time_limit=math.inf).complete
