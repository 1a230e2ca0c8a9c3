"""Half bridges listed half by half, against all pairs of what passes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimizer import expansion, option_legs, options, search
from optimizer.found import Clock, never, quiet
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
