"""Banks that may share types: against listing every bank of both nodes, parts pooled.

The catalogs are generated ones, small enough to list every bank of a skeleton without dominance.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from optimizer import expansion, option_banks, options, search
from optimizer.dominance import covered
from optimizer.found import Clock, never, quiet
from optimizer.merge_worst import bounding, relaxed_front
from tests.speed import small_case

SEEDS = (5, 7)


@pytest.fixture(scope="module", params=SEEDS)
def work(request, tmp_path_factory):
    """A search of a small case up to its first front."""
    folder = tmp_path_factory.mktemp("catalogs")
    spec, catalog = small_case.case(folder, scale=0.06, seed=request.param)
    purchase = replace(spec.purchase, line_item_each=1500.0)
    found = search.prepared(replace(spec, purchase=purchase), catalog)
    one = expansion.Expansion(found, Clock(quiet, never, math.inf))
    one.bound()
    one.sketch(any_set=False)
    assert len(one.stair[0])
    return one


def limited(work, numbers):
    """The same search where a board holds at most so many part numbers."""
    found = work.found
    choice = replace(found.spec.choice, part_numbers_max=numbers)
    spec = replace(found.spec, choice=choice)
    markets = {}
    for name, one in found.markets.items():
        stage = replace(one.stage, spec=spec)
        scene = replace(one.scene, stage=stage)
        markets[name] = replace(one, stage=stage, scene=scene, covered={}, money={})
    again = expansion.Expansion(
        replace(found, spec=spec, markets=markets), Clock(quiet, never, math.inf)
    )
    again.bounds, again.legs = work.bounds, work.legs
    again.stair = work.stair if numbers is None else (work.stair[0], work.stair[1] + 10**5)
    return again


def every_bank(bench, _held):
    """All banks that bounds leave open, whether or not others beat them."""
    bench = replace(bench, aim=replace(bench.aim, complete=True))
    return option_banks.bank_groups(bench, alone=False)


def _bank_parts(body, option):
    """Capacitors of each bank of a set."""
    return [
        set(group.part[k][group.part[k] >= 0].tolist())
        for group, k in zip(body.groups, option, strict=True)
        if group.name.endswith("bank")
    ]


def fronts(work, monkeypatch, key, **aim):
    """Uncovered points of one skeleton with the banks of the search, and with every bank.

    With how many banks there were, and how many of the points hold banks that share a type.
    """
    name, number = key
    points = []
    for banks in (options._banks, every_bank):
        monkeypatch.setattr(options, "_banks", banks)
        body = options.expand(work.markets[name], work.rows[name], number, work.aim(**aim))
        if body is None:
            points.append(([], 0, 0))
            continue
        choice = bounding(replace(work.choice_of({key: body}), same_part=()))
        front = relaxed_front(choice)
        cost, loss = (
            np.array([getattr(p, axis) for p in front], np.int64) for axis in ("cost", "loss")
        )
        open_still = ~covered(cost, loss, work.stair)
        size = sum(len(group.loss) for group in body.groups if group.name.endswith("bank"))
        found = list(zip(cost[open_still].tolist(), loss[open_still].tolist(), strict=True))
        held = [_bank_parts(body, p.option) for p in front]
        together = sum(
            bool(one & two) for (one, two), kept in zip(held, open_still, strict=True) if kept
        )
        points.append((found, size, together))
    monkeypatch.undo()
    return points


def promising(work):
    """The skeletons with the lowest bounds."""
    return [work.keys[k] for k in np.argsort(work.bounds[:, len(work.weights) // 3])[:3]]


@pytest.mark.parametrize("numbers", [None, 8, 7, 6])
def test_no_point_is_lost_though_banks_share_types(work, monkeypatch, numbers):
    one = limited(work, numbers)
    seen, sizes, shared = 0, np.zeros(2, dtype=int), 0
    for key in promising(one):
        (mine, few, together), (wanted, many, _) = fronts(one, monkeypatch, key)
        assert mine == wanted
        seen, shared = seen + len(mine), shared + together
        sizes += np.array([few, many])
    assert seen > 0
    assert shared > 0
    assert sizes[0] < sizes[1] / 2


def test_a_complete_aim_keeps_banks_that_others_beat(work, monkeypatch):
    sizes = np.zeros(3, dtype=int)
    for key in promising(work):
        (mine, few, _), (wanted, many, _) = fronts(work, monkeypatch, key, complete=True)
        (_, sifted, _), _ = fronts(work, monkeypatch, key)
        assert mine == wanted
        sizes += np.array([sifted, few, many])
    assert 2 * sizes[0] < sizes[1] <= sizes[2]
