"""One small case three ways: the search, a naive model of products, a general genetic search."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import moocore
import numpy as np

from catalogs.generate import catalog_texts
from optimizer import expansion, options, search
from optimizer.catalog import Catalog, read_catalog
from optimizer.dominance import staircase
from optimizer.found import Clock, Found, Key, never, quiet
from optimizer.purchase import PRICE_NONE
from optimizer.records import COST_UNIT, LOSS_UNIT, Choice, Skeleton
from optimizer.spec import parse_spec
from optimizer.spec_records import Spec

SPEC = Path(__file__).with_name("small.toml")
COST_STEP, LOSS_STEP = 100, 100
"""A point counts as found within 0.01 of the currency and 1 mW: the steps of a report."""

Points = list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Solved:
    """The front of the search, how long it took, and all that passes."""

    found: Found
    points: Points
    seconds: float
    complete: bool
    choice: Choice


def case(folder: Path, *, scale: float, seed: int) -> tuple[Spec, Catalog]:
    """Spec and generated catalogs, written into `folder`."""
    for name, text in catalog_texts(seed=seed, scale=scale).items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    text = SPEC.read_text("utf-8").replace("\ntopologies", f'\ncatalogs = ["{folder}"]\ntopologies')
    spec = parse_spec(text, path=str(SPEC))
    return spec, read_catalog(spec.catalogs)


def solved(spec: Spec, catalog: Catalog) -> Solved:
    """Search the case, points to front, and then list every option that passes its limits."""
    began = time.monotonic()
    found = search.solve(spec, catalog)
    seconds = time.monotonic() - began
    if found.front is None:
        raise SystemExit("the small case has no feasible set: take another seed or scale")
    points = [(one.cost, one.loss) for one in found.front.points]
    return Solved(found, points, seconds, found.front.complete, every_option(found))


def every_option(found: Found) -> Choice:
    """The choice before any bound: every option of every skeleton that keeps its own limits."""
    work = expansion.Expansion(found, Clock(quiet, never, math.inf))
    aim = work.aim(complete=True)
    skeletons: dict[Key, Skeleton] = {}
    for name, number in work.keys:
        body = options.expand(work.markets[name], work.rows[name], number, aim)
        if body is not None:
            skeletons[name, number] = body
    return work.choice_of(skeletons)


def size(choice: Choice) -> str:
    """How many sets a choice holds."""
    sets = sum(math.prod(len(g.loss) for g in body.groups) for body in choice.skeletons)
    kinds = int((choice.price[:, 1] < PRICE_NONE).sum())
    return f"{len(choice.skeletons)} skeletons, {sets:.2e} sets, {kinds} parts that can be bought"


def share_found(points: Points, true: Points) -> float:
    """Share of the true points that have a partner within one step in both."""
    if not points:
        return 0.0
    mine = np.array(points)
    near = [
        bool(((np.abs(mine[:, 0] - c) <= COST_STEP) & (np.abs(mine[:, 1] - v) <= LOSS_STEP)).any())
        for c, v in true
    ]
    return float(np.mean(near))


def hypervolume_ratio(points: Points, true: Points) -> float:
    """Hypervolume of the points over that of the true front, both from its nadir and a tenth."""
    if not points:
        return 0.0
    front = np.array(true, dtype=np.float64) * (COST_UNIT, LOSS_UNIT)
    reference = front.max(axis=0) + 0.1 * np.ptp(front, axis=0)
    mine = np.array(points, dtype=np.float64) * (COST_UNIT, LOSS_UNIT)
    return float(
        moocore.hypervolume(mine, ref=reference) / moocore.hypervolume(front, ref=reference)
    )


def beaten(points: Points, true: Points) -> int:
    """How many of the points beat the true front by more than rounding: there must be none."""
    cost, loss = (np.array(axis) for axis in zip(*true, strict=True))
    kept = staircase(cost, loss)
    cost, loss = cost[kept], loss[kept]
    bad = 0
    for c, v in points:
        place = int(np.searchsorted(cost, c, side="right")) - 1
        bad += place < 0 or v < loss[place] - 10
    return bad


def figures(name: str, points: Points, true: Points, seconds: float) -> Mapping[str, str]:
    """One line of the comparison."""
    return {
        "method": name,
        "seconds": f"{seconds:.1f}",
        "points": str(len(points)),
        "true points found": f"{100 * share_found(points, true):.0f} %",
        "hypervolume": f"{hypervolume_ratio(points, true):.4f}",
        "better than the front": str(beaten(points, true)) if points else "-",
    }
