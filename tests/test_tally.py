"""Sums of one selection by hand, and forced and forbidden parts against listing."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.frontier import front
from optimizer.records import Choice, Group, Skeleton
from optimizer.restrict import restricted
from optimizer.tally import (
    check_choice,
    option_costs,
    parts_used,
    row_sums,
    selection_cost,
    selection_loss,
    violations,
)
from tests.choices import every_selection, random_choice


def by_hand():
    """Two groups of two slots; part 0 costs 10, 18, 24, 28 for one to four pieces."""
    groups = tuple(
        Group(
            name=name,
            part=np.array([[0, 0], [0, 1]]),
            pieces=np.array([[1, 1], [1, 2]]),
            loss=np.array([5, 3]),
            rows=np.array([[0.5], [0.25]]),
            loss_lane=np.array([[5, 1], [3, 9]]),
            slot_position=(f"{name}-high", f"{name}-low"),
        )
        for name in ("first", "second")
    )
    body = Skeleton("only", groups, 100, 7, np.array([0.25]), np.array([1, 2]))
    price = np.array([[0, 10, 18, 24, 28], [0, 5, 9, 13, 17]])
    return Choice(
        (body,), ("area",), price, 3, 2, ("a", "b"), (("first-high", "second-low"),), 1, False
    )


def test_sums_by_hand():
    choice = by_hand()
    body = choice.skeletons[0]
    assert option_costs(choice, body.groups[0]).tolist() == [18 + 3 + 4, 10 + 3 + 9 + 3 + 6]
    assert parts_used(body, (0, 0)) == {0: 4}
    assert selection_cost(choice, 0, (0, 0)) == 100 + 28 + 3 + 2 * 4
    assert selection_cost(choice, 0, (0, 1)) == 100 + 24 + 3 + 9 + 3 + 2 * 5
    assert selection_loss(choice, 0, (0, 1)) == 7 + 5 + 3
    assert row_sums(choice, 0, (0, 1)) == pytest.approx([1.0])


def test_violations_by_hand():
    choice = by_hand()
    assert violations(choice, 0, (0, 0)) == ("area",)
    assert violations(choice, 0, (0, 1)) == (
        "same part: first-high, second-low",
        "part numbers",
    )
    assert violations(choice, 0, (1, 0)) == ("part numbers",)


def test_worst_point_by_hand():
    choice = by_hand()
    worst = Choice(**{**{n: getattr(choice, n) for n in choice.__slots__}, "worst_point": True})
    assert selection_loss(worst, 0, (0, 1)) == max(1 + 5 + 3, 2 + 1 + 9)


def test_pieces_without_a_count_are_refused():
    choice = by_hand()
    choice.skeletons[0].groups[0].pieces[0, 0] = 0
    with pytest.raises(ValueError, match="only/first: need at least one piece per part"):
        check_choice(choice)


def listed(choice, force, forbid):
    values = []
    for k, option in every_selection(choice):
        used = {choice.part_names[p] for p in parts_used(choice.skeletons[k], option)}
        if not violations(choice, k, option) and force <= used and not forbid & used:
            values.append((selection_cost(choice, k, option), selection_loss(choice, k, option)))
    result = []
    for cost, loss in sorted(values):
        if not result or loss < result[-1][1]:
            result.append((cost, loss))
    return result


def test_forced_and_forbidden_parts_equal_listing():
    changed = 0
    for seed in range(15):
        choice = random_choice(seed, rows=1, options=(3, 5))
        force, forbid = {"part 1"}, {"part 4"}
        result = front(restricted(choice, force=force, forbid=forbid))
        got = [(point.cost, point.loss) for point in result.points]
        assert got == listed(choice, force, forbid)
        changed += got != listed(choice, set(), set())
    assert changed >= 8


def test_an_unknown_forced_part_leaves_nothing():
    result = front(restricted(random_choice(1), force=["nobody's part"]))
    assert (result.points, result.complete) == ((), True)
