"""Half bridges listed half by half, against all pairs of what passes."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer import (
    evaluation,
    expansion,
    limits,
    option_legs,
    options,
    parameters,
    screen,
    search,
)
from optimizer.found import Clock, never, quiet
from optimizer.records import BoolArray
from tests.speed import small_case

SKELETONS = 8


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> expansion.Expansion:
    """A search of a small case up to its first front."""
    spec, catalog = small_case.case(tmp_path_factory.mktemp("catalogs"), scale=0.06, seed=5)
    found = search.prepared(spec, catalog)
    one = expansion.Expansion(found, Clock(quiet, never, math.inf))
    one.bound()
    one.sketch(any_set=False)
    assert len(one.stair[0])
    return one


def test_pairs_that_are_not_listed_do_not_matter(
    work: expansion.Expansion, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, listed, every = 0, 0, 0
    open_pairs = option_legs._open_pairs

    def compared(bench, leg, one, choices):  # type: ignore[no-untyped-def]
        nonlocal kept, listed, every
        numbered = [bench.found.numbered(p, c) for p, c in zip(places(leg), choices, strict=True)]
        i, j = option_legs._listed(bench, leg, one, *numbered)
        pairs = set(zip(i.tolist(), j.tolist(), strict=True))
        index = (np.arange(len(rows)) for rows, _ in choices)
        all_i, all_j = (axis.ravel() for axis in np.meshgrid(*index, indexing="ij"))
        control, synchronous = (
            (rows[k], pieces[k]) for (rows, pieces), k in zip(choices, (all_i, all_j), strict=True)
        )
        loss = one.control[all_i] + one.synchronous[one.bucket[all_i], all_j]
        keep = option_legs._pair_matters(bench, leg, control, synchronous, loss)
        wanted = set(zip(all_i[keep].tolist(), all_j[keep].tolist(), strict=True))
        assert wanted <= pairs
        kept, listed, every = kept + len(wanted), listed + len(pairs), every + len(all_i)
        return open_pairs(bench, leg, one, choices)

    def places(leg):  # type: ignore[no-untyped-def]
        return leg.control, leg.synchronous

    monkeypatch.setattr(option_legs, "_open_pairs", compared)
    order = np.argsort(work.bounds[:, 32])
    for number in order[:SKELETONS].tolist():
        (name, _), k = work.keys[number], work.skeletons[number]
        options.expand(work.markets[name], work.rows[name], k, work.aim(alone=True))
    assert kept > 100
    assert listed < every / 2


@pytest.mark.parametrize("i_output", [4.0, 0.5])
def test_no_transistor_of_a_pair_that_passes_is_refused_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, i_output: float
) -> None:
    """Also where the current reverses, and whatever temperature is allowed."""
    spec, catalog = small_case.case(tmp_path, scale=0.06, seed=5)
    loose = replace(spec.limits, ripple_ratio_max=40.0, v_ripple_input=9.0, v_ripple_output=9.0)
    load = replace(spec.load, i_output=i_output)
    found = search.prepared(replace(spec, limits=loose, load=load), catalog)
    (one,) = found.markets.values()
    (leg,) = one.stage.topology.LEGS
    places = leg.control, leg.synchronous
    choices = [screen.switch_choices(one.stage, one.pool, place) for place in places]
    i, j = (axis.ravel() for axis in np.meshgrid(*(np.arange(len(c[0])) for c in choices)))
    picked = [(rows[k], n[k]) for (rows, n), k in zip(choices, (i, j), strict=True)]
    refused, wrongly = 0, 0
    softest = np.argsort(evaluation.leg_stress(one.scene, leg).i_turn_on.min(axis=1))[:2]
    for k in softest.tolist():
        scene = one.scene.take(np.array([k]))
        assert not evaluation.hard_edges(scene, leg).all()
        bridge = evaluation.half_bridges(
            scene,
            leg,
            evaluation.controls(one.stage, *picked[0]),
            evaluation.rectifiers(one.stage, leg, *picked[1]),
        )
        heat = np.maximum(bridge.control.temp_junction, bridge.synchronous.temp_junction)
        heat = heat[:, limits.steady(one.stage)].max(axis=1)
        ideal = parameters.without_charges(one.stage.mosfets)
        other = evaluation.rectifiers(one.stage, leg, *choices[1])
        beside_none = evaluation.half_bridges(scene, leg, ideal, other).synchronous.temp_junction
        cooled = beside_none[:, limits.steady(one.stage)].max(axis=1)[j] - heat
        for pair in np.argsort(-np.nan_to_num(cooled, nan=-np.inf))[:12].tolist():
            allowed = np.full((1, 1), heat[pair])
            monkeypatch.setattr(limits, "temp_limit", lambda *_, allowed=allowed: allowed)
            for place, own, index in zip(places, choices, (i, j), strict=True):
                alone = screen.keeps_limits_alone(scene, leg, place, own)
                assert alone[index[pair]]
                refused += int((~alone).sum())
                with monkeypatch.context() as patch:
                    patch.setattr(evaluation, "hard_edges", everywhere)
                    wrongly += not screen.keeps_limits_alone(scene, leg, place, own)[index[pair]]
    if i_output == 0.5:
        assert wrongly > 0  # were a partner without charges asked everywhere
    else:
        assert refused > 0


def everywhere(scene: evaluation.Scene, _leg: object) -> BoolArray:
    """As if every edge were hard."""
    return np.ones((1, len(scene.stage.lanes)), dtype=bool)
