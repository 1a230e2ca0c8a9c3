"""The shortlist and the sample order against every choice there is."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product
from typing import Any

import numpy as np
import pytest

from optimizer import buying, purchase
from optimizer.records import COST_UNIT
from optimizer.studies.archived import Archived
from optimizer.studies.distance import differing, distances
from optimizer.studies.samples import (
    Kit,
    order_grid,
    order_rows,
    pieces_of,
    sample_kit,
    stand_ins,
)
from optimizer.studies.shortlist import _Budget, cheapest_apart, chosen_entries, shortlist
from tests.studies import cases


@pytest.mark.parametrize("seed", range(12))
def test_the_cheapest_rows_that_are_apart(seed: int) -> None:
    random = np.random.default_rng(seed)
    count, wanted = 11, int(random.integers(1, 5))
    cost = random.integers(1, 40, count)
    apart = random.random((count, count)) < 0.6
    apart = apart | apart.T
    good = [
        some
        for some in combinations(range(count), wanted)
        if all(apart[a, b] for a, b in combinations(some, 2))
    ]
    found = cheapest_apart(cost, apart, wanted, _Budget())
    if not good:
        assert found is None
        return
    assert found is not None
    assert tuple(sorted(found)) in good
    assert cost[found].sum() == min(cost[list(some)].sum() for some in good)


def test_a_budget_that_runs_out_is_noticed() -> None:
    budget = _Budget(5)
    cheapest_apart(np.arange(30), np.ones((30, 30), dtype=bool), 3, budget)
    assert budget.left <= 0


def large() -> Archived:
    """The finished run with the longest front of a few."""
    runs = [look.case for seed in (4, 8) if (look := cases.random_run(seed)) is not None]
    return max(runs, key=lambda case: len(case.front))


@pytest.mark.parametrize(("sets", "differ"), [(4, 1), (5, 2), (6, 1)])
def test_the_shortlist_is_the_best_of_all(sets: int, differ: int) -> None:
    case = large()
    entries, least = chosen_entries(case, sets, differ, 0.5, _Budget())
    front, fixed = case.front, case.anchors()
    assert [entry.row for entry in entries[: len(fixed)]] == fixed
    knee = fixed[1] if len(fixed) > 2 else fixed[0]
    near = [
        k
        for k in range(len(front))
        if k not in fixed and abs(front.loss[k] / front.loss[knee] - 1) <= 0.5
    ]
    apart = distances(front)

    def spread(some: tuple[int, ...]) -> int:
        pairs = [apart[a, b] for a, b in combinations(some, 2)]
        return int(min([*pairs, *(apart[a, f] for a in some for f in fixed)]))

    best: tuple[int, int, int] = (0, 0, 0)
    for count in range(1, sets - len(fixed) + 1):
        for some in combinations(near, count):
            if spread(some) >= differ:
                best = max(best, (count, spread(some), -int(front.cost[list(some)].sum())))
    more = tuple(entry.row for entry in entries[len(fixed) :])
    assert len(more) == best[0]
    if more:
        assert (spread(more), -int(front.cost[list(more)].sum())) == best[1:]
        assert least == best[1]


def test_distance_counts_positions() -> None:
    case = large()
    front = case.front.take([0, -1])
    assert distances(front)[0, 1] == len(differing(front, 0, 1))
    one = front.chosen[0]
    swapped = replace(one, coil=one.coil + 1, frequency=2 * one.frequency)
    assert differing(replace(front, chosen=(one, swapped)), 0, 1) == ["inductor"]


# --- the kit --------------------------------------------------------------------------------------


def kit_of(case: Archived, rows: tuple[int, ...], boards: int, spare: float) -> tuple[int, float]:
    """Part numbers and money of the kit for some points, added up in plain words."""
    total: dict[tuple[str, int], int] = {}
    for row in rows:
        for key, count in pieces_of(case.front.chosen[row]).items():
            total[key] = total.get(key, 0) + count
    money = 0.0
    for (kind, row), count in total.items():
        table = case.catalog.tables[kind]
        need = int(np.ceil(round(count * boards * (1 + spare), 6)))
        minimum = int(np.nan_to_num(table.numbers["order_minimum"][row], nan=1.0))
        multiple = int(np.nan_to_num(table.numbers["order_multiple"][row], nan=1.0))
        worth = buying.exchange(case.spec)[table.texts["currency"][row]]
        money += worth * purchase.line_price(need, table.price_breaks[row], minimum, multiple).total
    return len(total), money


def tied(case: Archived) -> Archived:
    """The run with every point tied to the others, so that each may stand in for another."""
    points = [{**point, "tie": 1} for point in case.run["points"]]
    run: dict[str, Any] = {**case.run, "points": points}
    return replace(case, run=run)


@pytest.mark.parametrize("seed", [0, 1, 3, 4, 8])
def test_the_kit_is_the_smallest_of_all(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    monkeypatch.setattr("optimizer.studies.samples.COST_NEAR", 10.0)
    case = tied(look.case)
    rows = case.anchors()[:3]
    differ = 1
    apart = distances(case.front.take(rows)) >= differ
    kit = sample_kit(
        case, rows, keep_apart=apart, differ=differ, boards_each=3, spare=0.1, time_limit=60.0
    )
    assert not kit.open
    offered = [stand_ins(case, row) for row in rows]
    every = distances(case.front)
    good = [
        some
        for some in product(*offered)
        if len(set(some)) == len(some)
        and all(
            every[some[s], some[t]] >= differ or not apart[s, t]
            for s, t in combinations(range(len(rows)), 2)
        )
    ]
    best = min(kit_of(case, some, 3, 0.1) for some in good)
    assert kit.rows in good
    count, money = kit_of(case, kit.rows, 3, 0.1)
    assert count == best[0] == len(kit.lines)
    assert money == pytest.approx(best[1], abs=len(kit.lines) * 3 * COST_UNIT)
    assert kit.total == pytest.approx(money)


def test_an_end_that_ties_with_the_knee_is_not_built_twice() -> None:
    case = large()
    last = case.front.least_loss()
    (knee,) = [k for k, mark in enumerate(case.front.mark) if mark == "knee"]
    points = [
        {**point, "tie": 7 if k in (knee, last) else -1 - k}
        for k, point in enumerate(case.run["points"])
    ]
    case = replace(case, run={**case.run, "points": points})
    answer = shortlist(case, sets=4, differ=9, boards_each=2, spare=0.0)
    built = [entry["point"] for entry in answer.data["sets"]]
    assert len(set(built)) == len(built)
    assert case.front.number[last] not in [entry["for_point"] for entry in answer.data["sets"]]
    assert f"knee, ties with least loss (point {case.front.number[last]})" in str(answer.grids[0])


def test_without_ties_the_list_itself_is_built() -> None:
    case = large()
    points = [{**point, "tie": -1} for point in case.run["points"]]
    case = replace(case, run={**case.run, "points": points})
    answer = shortlist(case, sets=4, differ=2, boards_each=2, spare=0.5)
    assert answer.proved
    built = [entry["point"] for entry in answer.data["sets"]]
    assert built == [entry["for_point"] for entry in answer.data["sets"]]
    rows = order_rows(answer)
    count, money = kit_of(case, tuple(case.row_of(n) for n in built), 2, 0.5)
    assert len(rows) == count
    assert sum(float(str(row["line_price"])) for row in rows) == pytest.approx(money)
    leads = [float(str(row["lead_time_weeks"] or "inf")) for row in rows]
    assert leads == sorted(leads, reverse=True)
    for row in rows:
        assert int(str(row["quantity"])) >= int(str(row["pieces_needed"]))


def test_the_order_on_the_screen_tells_what_to_mind() -> None:
    """Lines short of stock or bought in excess stand there, the rest is added up."""

    def line(number: int, **other: Any) -> dict[str, Any]:
        plain = {
            "part_number": f"P-{number}",
            "kind": "capacitor",
            "pieces_needed": 5,
            "quantity": 5,
            "excess": 0,
            "line_price": 1.25,
            "lead_time_weeks": 40.0 - number,
            "stock": 2385.0,
            "for_points": "1",
        }
        return plain | other

    lines = [line(k) for k in range(14)]
    lines[13] = line(13, stock=3.0)
    lines[12] = line(12, quantity=250, excess=245)
    kit = Kit((0,), tuple(lines), 17.5, 40.0, "")
    rows = order_grid(kit, "EUR").rows
    assert [row[0] for row in rows] == [*(f"P-{k}" for k in range(8)), "P-12", "P-13", "4 others"]
    assert rows[0][4:7] == ("1.25", "40", "2385")
    assert [row[8] for row in rows[8:10]] == ["245 too many", "stock is less"]
    assert rows[-1][4:6] == ("5.00", "32")
    few = Kit((0,), tuple(lines[:11]), 13.75, 40.0, "")
    assert len(order_grid(few, "EUR").rows) == 11
