"""A family against every pair of sets, its bound against every feasible set of the catalogs."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from optimizer import purchase, search
from optimizer.archive_inputs import Reopened, reopen
from optimizer.batch_family import _bought, _bound, choosable, family_of, forced
from optimizer.catalog import Catalog, read_catalog
from optimizer.cli import DONE, WRONG_INPUT, main
from optimizer.conclude_sets import Chosen, part_set_of
from optimizer.records import FloatArray
from optimizer.studies.family import Choosable, Family, Member
from tests import tiny
from tests.oracles import brute_force
from tests.oracles.fleet_cases import PARTS

BOARDS = (120, 45)
LINE = 8.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs over one catalog, whose prices fall steeply where both buy together."""
    folder = tmp_path_factory.mktemp("family")
    steep = {
        kind: {
            name: dict(row) | {"price_breaks_each": f"1:{1.1 + 0.1 * n} 150:{0.7 + 0.08 * n:.3g}"}
            for n, (name, row) in enumerate(rows.items())
        }
        for kind, rows in PARTS.items()
    }
    for name in ("M-C", "M-D"):
        del steep["mosfet"][name]
    tiny.write_catalogs(folder / "parts", steep)
    for name, current in (("large", 3.0), ("small", 1.7)):
        data = tiny.spec_data()
        data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
        data["load"]["i_output_a"] = current
        data["limits"]["v_ripple_output_mv"] = 120.0 if name == "large" else 500.0
        path = tiny.write_spec(folder, data, name=name)
        assert main(["front", str(path), "--runs", str(folder / "runs")]) == DONE
    return folder


@pytest.fixture(scope="module")
def opened(folder: Path) -> list[Reopened]:
    return [reopen(folder / "runs" / name) for name in ("large", "small")]


@pytest.fixture(scope="module")
def found(opened: list[Reopened]) -> Family:
    return family_of(opened, BOARDS, common="inductor", with_bound=True)


def sets_of(one: Reopened) -> list[Choosable]:
    from optimizer.archive import board_of

    return [
        choosable(one.spec, board_of(p), p["verified"]["loss_mission"], f"point {p['number']}")
        for p in one.run["points"]
    ]


def pair_cost(catalog: Catalog, pair: tuple[Choosable, ...]) -> float:
    """The cost of a pair, added up without the model."""
    cost = sum(n * one.fixed for n, one in zip(BOARDS, pair, strict=True))
    for part in {p for one in pair for p in one.pieces}:
        need = sum(n * one.pieces.get(part, 0) for n, one in zip(BOARDS, pair, strict=True))
        table = next(t for t in catalog.tables.values() if part in t.part_number)
        row = table.part_number.index(part)
        cost += purchase.line_price(need, table.price_breaks[row]).total + LINE
    return cost


def pairs(opened: list[Reopened]) -> list[tuple[int, float, float, set[str]]]:
    """Part numbers, cost, loss and inductors of every pair of points."""
    catalog = read_catalog(opened[0].spec.catalogs)
    rows = []
    for pair in product(*(sets_of(one) for one in opened)):
        numbers = len({part for one in pair for part in one.pieces})
        loss = sum(n * one.loss for n, one in zip(BOARDS, pair, strict=True))
        coils = {p for one in pair for p in one.pieces if one.kinds[p] == "inductor"}
        rows.append((numbers, pair_cost(catalog, pair), loss, coils))
    return rows


def test_every_step_is_the_best_of_all_pairs(opened: list[Reopened], found: Family) -> None:
    """The sets with a common inductor that were added may do better than points alone."""
    plain = family_of(opened, BOARDS)
    rows = pairs(opened)
    for steps, most in ((plain.cheapest, np.inf), (plain.no_lossier, plain.alone.loss * 1.000001)):
        assert steps[0].part_numbers == min(n for n, _, loss, _ in rows if loss <= most)
        for one in steps:
            best = min(c for n, c, loss, _ in rows if n <= one.part_numbers and loss <= most)
            assert one.cost == pytest.approx(best, abs=0.02)
            assert one.proved
        assert steps[-1].cost == pytest.approx(min(c for _, c, loss, _ in rows if loss <= most))
    assert found.cheapest[-1].cost <= plain.cheapest[-1].cost + 0.01


def test_a_common_inductor_costs_what_the_pairs_say(opened: list[Reopened], found: Family) -> None:
    alike = [cost for _, cost, _, coils in pairs(opened) if len(coils) == 1]
    assert found.common is not None
    assert found.common_price == pytest.approx(found.common.cost - found.cheapest[-1].cost)
    assert found.common.cost <= min(alike, default=np.inf) + 0.01


def test_a_forced_front_is_that_of_all_sets_with_the_part(opened: list[Reopened]) -> None:
    from dataclasses import replace

    spec = opened[1].spec
    catalog = read_catalog(spec.catalogs)
    others = tuple(n for n in catalog.tables["inductor"].part_number if n != "L-B")
    rest = replace(spec, choice=replace(spec.choice, forbid=others))
    references = search.solve(rest, catalog).references
    front = brute_force.brute_front(rest, catalog, references=references)
    assert len(list(forced(spec, catalog, "L-B"))) == len(front)
    assert list(forced(spec, catalog, "no such part")) == []


def feasible(one: Reopened, catalog: Catalog) -> list[Choosable]:
    """Every feasible set of a member."""
    references = search.solve(one.spec, catalog).references
    found = []
    for judged in brute_force.judge_case(one.spec, catalog, references=references):
        sets = judged.sets
        for row in np.flatnonzero(judged.feasible()):
            chosen = Chosen(
                judged.topology,
                float(sets.frequency[row]),
                int(sets.coil[row]),
                int(sets.coil_pieces[row]),
                {p: (int(a[row]), int(n[row])) for p, (a, n) in sets.transistor.items()},
                {k: ((int(b[0][row]), int(b[1][row])),) for k, b in sets.bank.items()},
                (int(sets.sense[0][row]), int(sets.sense[1][row])),
            )
            board = part_set_of(chosen, catalog.tables)
            found.append(choosable(one.spec, board, float(judged.loss_mission[row]), ""))
    return found


def all_pair_costs(catalog: Catalog, every: list[list[Choosable]]) -> FloatArray:
    """Cost of every pair of sets, part by part, (sets of the one, sets of the other)."""
    fixed = [
        np.array([n * one.fixed for one in sets]) for n, sets in zip(BOARDS, every, strict=True)
    ]
    total = fixed[0][:, None] + fixed[1][None, :]
    for table in catalog.tables.values():
        for row, part in enumerate(table.part_number):
            one, two = (np.array([s.pieces.get(part, 0) for s in sets]) for sets in every)
            need = BOARDS[0] * one[:, None] + BOARDS[1] * two[None, :]
            price = {0: 0.0} | {
                int(n): purchase.line_price(int(n), table.price_breaks[row]).total + LINE
                for n in np.unique(need)
                if n
            }
            total = total + np.vectorize(price.__getitem__, otypes=[np.float64])(need)
    return np.asarray(total)


def test_no_choice_of_any_sets_costs_less_than_the_bound(
    opened: list[Reopened], found: Family
) -> None:
    catalog = read_catalog(opened[0].spec.catalogs)
    best = float(all_pair_costs(catalog, [feasible(one, catalog) for one in opened]).min())
    assert found.bound is not None
    assert 0.5 * best < found.bound <= best + 1e-6
    assert found.bound <= found.cheapest[-1].cost


def test_the_bound_falls_with_line_items_and_never_lies_above(opened: list[Reopened]) -> None:
    catalogs = [read_catalog(one.spec.catalogs) for one in opened]
    members = [
        Member(one.folder.name, n, 0.0, tuple(sets_of(one)), 0)
        for one, n in zip(opened, BOARDS, strict=True)
    ]
    assert set(_bought(opened, catalogs, members)) == {
        p for m in members for s in m.sets for p in s.pieces
    }
    assert _bound(opened, catalogs, members, 0.0) < _bound(opened, catalogs, members, 8.0)


def test_bought_together_is_no_dearer_than_apart(found: Family) -> None:
    assert found.pooled.cost <= found.alone.cost + 1e-6
    assert found.pooled.shared


# --- the command ----------------------------------------------------------------------------------


def test_the_command_tells_the_price_of_a_common_inductor(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    runs = [str(folder / "runs" / name) for name in ("large", "small")]
    asked = ["--boards", "120", "45", "--common", "inductor"]
    assert main(["family", *runs, *asked]) == DONE
    text = capsys.readouterr().out
    assert "One common inductor" in text
    assert "not proved: ask with --bound" in text
    assert main(["family", *runs, "--json"]) == DONE
    plain = json.loads(capsys.readouterr().out)
    assert plain["gap"] is None
    assert "assumed one build: large, small" in plain["family"]["notes"][1]


def test_wrong_calls_are_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = str(folder / "runs" / "large")
    assert main(["family", run, run]) == WRONG_INPUT
    assert "name each run once" in capsys.readouterr().err
    assert main(["family", run, str(folder / "runs" / "small"), "--boards", "3"]) == WRONG_INPUT
    assert "one for each of the 2 runs" in capsys.readouterr().err
