"""From a search to verified points: against verification at the reference state, and by hand."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optimizer import assembly, buying, conclude, derating, search, verification
from optimizer.catalog import Catalog, read_catalog
from optimizer.conclude_bill import bill_of
from optimizer.conclude_board import missing_columns
from optimizer.conclude_figures import verified_sets
from optimizer.conclude_margins import failing, margins
from optimizer.conclude_notes import own_state_findings
from optimizer.conclude_sets import chosen_sets, part_set_of, skeleton_keys, stacked
from optimizer.errors import InputError, NoFeasibleDesign, NotProved
from optimizer.found import Found
from optimizer.records import COST_UNIT, LOSS_UNIT, Selection
from optimizer.report.summary import failures
from optimizer.results import FrontPoint, Margin, PartSet, Run, as_plain
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from tests import tiny
from tests.oracles import random_cases

SEEDS = (1, 5, 9, 13)
"""Step-down, step-up and four-switch jobs, two of them with two topologies on one front."""


@pytest.fixture(scope="module")
def tiny_job(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Catalog]:
    spec = read_spec(tiny.job(tmp_path_factory.mktemp("job")))
    return spec, read_catalog(spec.catalogs)


@pytest.fixture(scope="module")
def tiny_found(tiny_job: tuple[Spec, Catalog]) -> Found:
    return search.solve(*tiny_job)


@pytest.fixture(scope="module")
def tiny_run(tiny_job: tuple[Spec, Catalog], tiny_found: Found) -> Run:
    return conclude.run_of(tiny_found, tiny_job[1], name="tiny")


# --- points against other rooms -------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_the_sets_of_points_cost_and_lose_what_was_proved(seed: int) -> None:
    """Selections turned into rows and judged again at the reference state, without the options."""
    case = random_cases.random_case(seed)
    found = search.solve(case.spec, case.catalog)
    assert found.front is not None
    assert found.choice is not None
    points = found.front.points
    chosen = chosen_sets(points, found.choice, found.prices, found.markets)
    keys = skeleton_keys(found.markets)
    for one, point in zip(chosen, points, strict=True):
        market = found.markets[one.topology]
        _, row = keys[found.choice.skeletons[point.skeleton].name]
        scene = market.scene.take(np.array([row]))
        judged = verification.judge(scene, stacked([one]))
        loss = judged.loss_worst if case.worst else judged.loss_mission
        assert loss[0] == pytest.approx(point.loss * LOSS_UNIT, abs=20 * LOSS_UNIT)
        assert judged.feasible[0]
        fixed = buying.controller_units(case.spec, one.topology)
        assert buying.set_costs(found.prices, stacked([one]), fixed=fixed)[0] == point.cost
        bill = bill_of(case.spec, market.stage.tables, one)
        assert bill.cost == pytest.approx(point.cost * COST_UNIT, abs=1e-9)
        assert sum(bill.items.values()) == pytest.approx(bill.cost, abs=1e-9)


def test_many_sets_at_once_give_the_figures_of_one(tiny_found: Found) -> None:
    assert tiny_found.front is not None
    assert tiny_found.choice is not None
    stage = tiny_found.stages["buck"]
    some = tiny_found.front.points[:3]
    chosen = chosen_sets(some, tiny_found.choice, tiny_found.prices, tiny_found.markets)
    together = verified_sets(stage, chosen)
    for one, verified in zip(chosen, together, strict=True):
        (alone,) = verified_sets(stage, [one])
        np.testing.assert_allclose(verified.loss_total, alone.loss_total, rtol=1e-8)
        assert verified.part_set == alone.part_set
        assert verified.bill == alone.bill


def test_margins_say_what_the_checks_say(tiny_found: Found) -> None:
    """Every limit that applies is there once per part, and fails where the check fails."""
    assert tiny_found.front is not None
    assert tiny_found.choice is not None
    stage = tiny_found.stages["buck"]
    points = tiny_found.front.points[-1:]
    chosen = chosen_sets(points, tiny_found.choice, tiny_found.prices, tiny_found.markets)
    tight = replace(
        stage, spec=replace(stage.spec, limits=replace(stage.spec.limits, rise_hottest=5.0))
    )
    sets = stacked(chosen)
    result = assembly.own_physics(tight, sets)
    (found,) = margins(result, sets, [part_set_of(one, stage.tables) for one in chosen])
    broken = {(m.subject, m.quantity) for m in found if not m.passes}
    wanted = {
        (check.subject, check.quantity)
        for check in verification.checks(result, sets)
        if not check.holds()[0]
    }
    assert broken == wanted
    assert ("inductor", "rise over ambient") in broken
    worst = [m.margin for m in found]
    assert worst == sorted(worst)


def test_a_value_that_is_not_known_fails_and_says_so() -> None:
    margin = Margin("input-high", "Q", "junction temperature", "hot", "guaranteed",
                    float("nan"), 125.0, "degC", float("-inf"))  # fmt: skip
    assert not margin.passes
    text = failing(margin)
    assert text == (
        "input-high junction temperature: not known at hot (no steady state, or no rating)"
    )


def test_a_missed_limit_is_told_in_the_unit_of_the_trade() -> None:
    margin = Margin("output-bank", "C", "ripple voltage", "high input", "guaranteed",
                    0.0625, 0.05, "V", -0.25)  # fmt: skip
    assert failing(margin) == (
        "output-bank ripple voltage by 12.5 mV (62.5 mV, at most 50 mV; 25 %) at high input"
    )


# --- marks, ties, bounds, words -------------------------------------------------------------------


def test_losses_within_the_difference_are_ties() -> None:
    losses = [1.0, 0.9995, 0.999, 0.9985, 0.5, 0.4]
    assert conclude.tie_groups(losses, 0.001) == [1, 1, 1, -1, -1, -1]
    assert conclude.tie_groups(losses, 0.0) == [-1] * 6
    assert conclude.tie_groups([], 0.1) == []


def test_open_boxes_are_told_in_money_and_watts() -> None:
    text = "not proved: cost up to 123400: best loss 56000, bound 55000, gap 1000"
    assert conclude.in_user_units(text, "EUR") == (
        "not proved: cost up to 12.34 EUR: best loss 0.560 W, bound 0.550 W, gap 0.010 W"
    )


def test_the_knee_is_farthest_from_the_chord(tiny_run: Run) -> None:
    cost = np.array([p.cost for p in tiny_run.points])
    loss = np.array([p.loss_model for p in tiny_run.points])
    u = (cost - cost[0]) / (cost[-1] - cost[0])
    v = (loss - loss[-1]) / (loss[0] - loss[-1])
    # distance of each point from the line between (0, 1) and (1, 0)
    away = np.abs(u + v - 1.0) / np.sqrt(2.0)
    knee = next(p.number for p in tiny_run.points if p.mark == "knee")
    assert knee == int(np.argmax(away)) + 1


def test_what_a_run_tells(tiny_run: Run, tiny_job: tuple[Spec, Catalog]) -> None:
    subjects = {note.subject for note in tiny_run.notes}
    assert {"sizing state, buck", "reference state", "ringing", "loop", "ageing"} <= subjects
    assert set(tiny_job[0].notes) <= set(tiny_run.notes)
    state = next(n.text for n in tiny_run.notes if n.subject == "sizing state, buck")
    assert "3.3 W (9.2 %)" in state  # 9 % of 12.24 V x 3 A
    assert any("not-for-new, allowed by the spec" in n.text for n in tiny_run.notes)
    assert tiny_run.counts["points"] == len(tiny_run.points)
    assert tiny_run.counts["mosfet rows read"] == 3
    assert {"verification", "parts"} <= set(tiny_run.stages)
    assert tiny_run.lanes_dropped


def test_stock_that_does_not_cover_the_build_is_a_finding(tiny_job: tuple[Spec, Catalog]) -> None:
    spec, catalog = tiny_job
    many = replace(spec, purchase=replace(spec.purchase, boards=1000))
    run = conclude.front(many, catalog)
    found = [note.text for note in run.notes if note.subject == "L-LARGE"]
    assert "stock 900 does not cover an order of 1000" in found


def test_a_limit_broken_at_the_own_state_is_a_finding(tiny_run: Run) -> None:
    margin = Margin("inductor", "L", "ripple ratio", "low input", "guaranteed", 0.9, 0.8, "1",
                    -0.125)  # fmt: skip
    point = tiny_run.points[0]
    broken = replace(point, verified=replace(point.verified, margins=(margin,)))
    (note,) = own_state_findings([broken, *tiny_run.points[1:]])
    assert note.subject == "point 1"
    assert note.text == (
        "misses a limit at its own state: inductor ripple ratio by 10 % "
        "(90 %, at most 80 %; 12 %) at low input"
    )


# --- what is kept when the search is stopped ------------------------------------------------------


class StopAfter:
    """Asks the search to stop some questions after a stage was reported."""

    def __init__(self, stage: str, asked: int = 0) -> None:
        self.stage, self.left, self.reached = stage, asked, False

    def progress(self, stage: str, _detail: str) -> None:
        self.reached |= stage == self.stage

    def stop(self) -> bool:
        self.left -= self.reached
        return self.reached and self.left < 0


def front_until(job: tuple[Spec, Catalog], until: StopAfter, **options: Any) -> Run:
    return conclude.front(*job, progress=until.progress, stop=until.stop, **options)


def figures(points: Iterable[FrontPoint]) -> set[tuple[float, float]]:
    return {(point.cost, round(point.loss_model, 5)) for point in points}


def test_a_stop_keeps_what_is_proved(tiny_job: tuple[Spec, Catalog], tiny_run: Run) -> None:
    run = front_until(tiny_job, StopAfter("narrowing", 4), engine="solver")
    assert not run.complete
    assert "not searched: cost up to" in run.not_proved
    assert "EUR" in run.not_proved
    assert {point.mark for point in run.points} == {""}
    proved = [point for point in run.points if point.proof]
    assert 0 < len(proved) < len(tiny_run.points)
    assert figures(proved) <= figures(tiny_run.points)


def test_a_stop_after_the_sketches_keeps_their_sets(
    tiny_job: tuple[Spec, Catalog], tiny_run: Run
) -> None:
    """No skeleton was searched in full: the sets are real, and most of them may be beaten."""
    run = front_until(tiny_job, StopAfter("sketches"))
    assert run.points
    assert not run.complete
    assert "2 of 2 combinations of topology, frequency and inductor were not searched" in (
        run.not_proved
    )
    unproved = [point for point in run.points if not point.proof]
    assert len(unproved) > len(run.points) / 2
    assert f"{len(unproved)} of {len(run.points)} points may still be beaten" in run.not_proved
    assert figures(point for point in run.points if point.proof) <= figures(tiny_run.points)
    for point in run.points:
        assert not point.mark
        assert not failures(as_plain(point.verified))
        known = [one.loss_model for one in tiny_run.points if one.cost <= point.cost]
        assert point.bound <= min(known) + 1e-9
        assert point.loss_model >= min(known) - 1e-9


@pytest.mark.parametrize("asked", [1, 2, 5, 9, 14, 20])
def test_a_stop_inside_the_expansion_claims_nothing_wrong(
    tiny_job: tuple[Spec, Catalog], tiny_run: Run, asked: int
) -> None:
    run = front_until(tiny_job, StopAfter("sketches", asked))
    assert figures(point for point in run.points if point.proof) <= figures(tiny_run.points)
    assert run.complete == (not run.not_proved)
    if run.complete:
        assert figures(run.points) == figures(tiny_run.points)


def test_a_stop_before_any_set_is_no_claim_of_infeasibility(
    tiny_job: tuple[Spec, Catalog],
) -> None:
    with pytest.raises(NotProved, match=r"not searched at all: buck; allow more time"):
        conclude.front(*tiny_job, stop=lambda: True)
    with pytest.raises(NotProved, match=r"2 of 2 combinations .* were not searched"):
        front_until(tiny_job, StopAfter("bounds"))


def test_nothing_feasible_is_raised(tiny_job: tuple[Spec, Catalog]) -> None:
    spec, catalog = tiny_job
    low = replace(spec, limits=replace(spec.limits, height_max=1e-3))
    with pytest.raises(NoFeasibleDesign, match="fell on height"):
        conclude.front(low, catalog, time_limit=2.0)


# --- one given board ------------------------------------------------------------------------------


def a_board(**changes: object) -> PartSet:
    halves = {"input-high": ("M-CHEAP", 1), "input-low": ("M-FINE", 1)}
    other = {"transistors": halves, "bank_output": (("C-TWENTY", 2),)}
    return tiny.board(**(other | changes))


def test_a_board_is_verified_like_a_point(tiny_job: tuple[Spec, Catalog], tiny_run: Run) -> None:
    point = tiny_run.points[-1]
    verified, _ = conclude.verify_board(*tiny_job, point.verified.part_set)
    np.testing.assert_allclose(verified.loss_total, point.verified.loss_total, rtol=1e-8)
    assert verified.cost == point.cost


def test_every_unknown_part_is_told_at_once(tiny_job: tuple[Spec, Catalog]) -> None:
    board = a_board(inductor="M-FINE", sense=("R-FIVE", 1), bank_input=(("C-TON", 4),))
    with pytest.raises(InputError) as caught:
        conclude.verify_board(*tiny_job, board)
    told = [str(problem) for problem in caught.value.problems]
    assert len(told) == 3
    assert "inductor: got 'M-FINE', a mosfet, need a part of the inductor catalogs" in told[0]
    assert "did you mean 'C-TEN'?" in told[1]
    assert "did you mean 'R-FOUR'?" in told[2]


def test_a_position_left_out_is_told(tiny_job: tuple[Spec, Catalog]) -> None:
    board = a_board(transistors={"input-high": ("M-CHEAP", 1)})
    with pytest.raises(InputError, match="input-low: got nothing, need a transistor"):
        conclude.verify_board(*tiny_job, board)


def test_a_topology_without_a_record_is_told(tiny_job: tuple[Spec, Catalog]) -> None:
    with pytest.raises(InputError, match="boost, need a topology with a record: buck"):
        conclude.verify_board(*tiny_job, a_board(topology="boost"))


def test_a_part_whose_row_was_refused_says_why(tmp_path: Path) -> None:
    spec = read_spec(tiny.job(tmp_path))
    path = tmp_path / "parts" / "mosfets.csv"
    head, *rows = path.read_text("utf-8").splitlines()
    place = head.split(",").index("rds_on_10v_max_mohm")
    cells = rows[0].split(",")
    cells[place] = cells[place - 1] = ""
    path.write_text("\n".join([head, ",".join(cells), *rows[1:]]), encoding="utf-8")
    with pytest.raises(InputError, match=r"M-CHEAP', whose row .* is not used: .*rds_on_10v"):
        conclude.verify_board(spec, read_catalog(spec.catalogs), a_board())


def test_rules_a_board_breaks_are_findings(tiny_job: tuple[Spec, Catalog]) -> None:
    spec, catalog = tiny_job
    rules = replace(
        spec.choice,
        forbid=("L-LARGE",),
        part_numbers_max=3,
        same_part=(("input-high", "input-low"),),
    )
    bought = replace(spec.purchase, banned=("M-FINE",), approved=("Tester",), states_allowed=())
    strict = replace(spec, choice=rules, purchase=bought)
    _, notes = conclude.verify_board(strict, catalog, a_board(frequency=333e3))
    told = {(note.subject, note.text) for note in notes if note.kind == "finding"}
    assert ("L-LARGE", "forbidden by the spec") in told
    assert ("M-FINE", "banned by the spec") in told
    assert ("part numbers", "6 part numbers, the spec allows 3") in told
    same = "input-high and input-low hold different parts, the spec wants the same"
    assert ("same part", same) in told
    assert ("frequency", "333 kHz is not a frequency of the spec (300 kHz)") in told


def test_rules_that_a_standard_does_not_hold_are_named(tiny_job: tuple[Spec, Catalog]) -> None:
    """MIL-STD-975M derates passive parts here: its drain voltage comes from another policy."""
    spec, catalog = tiny_job
    told = [
        n for n in conclude.verify_board(spec, catalog, a_board())[1] if "derating " in n.subject
    ]
    assert not told
    (file,) = Path(derating.__file__).parent.glob("policies/derating_mil_std_975m.toml")
    policy = tomllib.loads(file.read_text(encoding="utf-8"))
    mixed = replace(spec, derating="mil-std-975m", derating_policy=policy)
    _, notes = conclude.verify_board(mixed, catalog, a_board())
    (note,) = [n for n in notes if n.subject == "derating mil-std-975m"]
    assert "not in the standard" in note.text
    assert "mosfet voltage" in note.text
    assert "inductor voltage" not in note.text


def test_a_missing_rating_matters_where_the_10_v_value_does_not_serve(
    tiny_job: tuple[Spec, Catalog],
) -> None:
    table = tiny_job[1].tables["mosfet"]
    numbers = dict(table.numbers)
    for key in [key for key in numbers if "_4v5_" in key]:
        numbers[key] = np.full(len(table), np.nan)
    bare = replace(table, numbers=numbers)
    needed = ("rds_on_4v5_typ_mohm", "rds_on_4v5_max_mohm")
    assert missing_columns(bare, 0, v_drive=6.8) == needed
    assert missing_columns(bare, 0, v_drive=8.5) == ()
    numbers["v_plateau_typ"] = np.full(len(table), 7.0)
    assert missing_columns(bare, 0, v_drive=8.5) == needed
    assert missing_columns(bare, 0, v_drive=10.0) == ()
    assert missing_columns(table, 0, v_drive=6.8) == ()


def test_a_bill_counts_scrap_minimum_and_multiple(tiny_job: tuple[Spec, Catalog]) -> None:
    """150 boards, 4 % scrap, 4 pieces: 624 pieces; by the reel of 500 that is 1000."""
    spec, catalog = tiny_job
    spec = replace(spec, purchase=replace(spec.purchase, boards=150, scrap_share=0.04))
    table = catalog.tables["capacitor"]
    numbers = dict(table.numbers) | {"order_multiple": np.array([500.0, 500.0])}
    tables = dict(catalog.tables) | {"capacitor": replace(table, numbers=numbers)}
    verified, _ = conclude.verify_board(spec, replace(catalog, tables=tables), a_board())
    line = next(line for line in verified.bill if line.part_number == "C-TEN")
    assert (line.pieces, line.quantity, line.excess) == (4, 1000, 376)
    assert line.line_price == pytest.approx(1000 * 0.12)


def test_the_step_of_the_bank_inductance_by_hand(tiny_job: tuple[Spec, Catalog]) -> None:
    """Step-down: the node swings by the input, 2 x 1 nH in parallel, 15 uH at the mean current."""
    verified, _ = conclude.verify_board(*tiny_job, a_board())
    lanes, waves = verified.lanes, verified.waves
    lane = lanes.name.index("full load")
    # L-LARGE: straight from 100 % at 0 A to 95 % at 8 A, 3 A mean; the chord tells the slope
    share = waves["v_step_output"][lane] / (0.5e-9 * lanes.v_input[lane] / 15e-6)
    assert 1.0 < share < 1.05
    assert np.isnan(waves["v_step_input"]).all()


def test_the_record_does_not_depend_on_the_number_of_processes(
    tiny_job: tuple[Spec, Catalog],
) -> None:
    spec, catalog = tiny_job
    found = search.solve(spec, catalog)
    alone, shared = (
        as_plain(conclude.run_of(found, catalog, name="x", processes=number)) for number in (1, 2)
    )
    alone.pop("stages"), shared.pop("stages")
    assert alone == shared
    assert any(point["evidence"] for point in shared["points"])
    assert any(point["verified"]["faults"] for point in shared["points"])


@pytest.mark.parametrize(
    ("passes", "wanted"),
    [
        ([True, True, True, True], {0: "cheapest", 2: "knee", 3: "least loss"}),
        (
            [False, True, False, True],
            {0: "cheapest", 1: "cheapest that keeps all", 2: "knee", 3: "least loss"},
        ),
        ([False, False, True, True], {0: "cheapest", 2: "knee", 3: "least loss"}),
        ([False, False, False, False], {0: "cheapest", 2: "knee", 3: "least loss"}),
    ],
)
def test_the_cheapest_that_keeps_every_limit_at_its_own_state_is_marked(
    passes: list[bool], wanted: dict[int, str]
) -> None:
    points = tuple(
        Selection(cost, loss, 0, ()) for cost, loss in ((10, 100), (12, 90), (14, 30), (40, 20))
    )
    verified: Any = [
        SimpleNamespace(margins=[SimpleNamespace(passes=True), SimpleNamespace(passes=good)])
        for good in passes
    ]
    assert conclude._marks(points, verified) == wanted
