"""The lanes that stand for the worst point of a set while the search bounds its loss.

The worst-point loss is not a sum, but never below a weighted mean of the losses in a few lanes,
which is. Those lanes are taken in which good sets lose most, as sketches and survey find them, with
the weights whose bound comes nearest to the sets known.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from optimizer import market, merge, scouts, tally, workbench, worst_merge
from optimizer.dominance import staircase
from optimizer.expansion import Expansion
from optimizer.records import Choice, FloatArray, IntArray

LEAST_WEIGHT = 0.05
"""Least weight of a lane: none may be left out, since dominance looks at each."""


def turned(work: Expansion) -> bool:
    """Whether a topology loses most in another lane than those that bound it.

    Its market then changes.
    """
    found, changed = work.found, False
    for name, seen in _worst(work).items():
        one = found.markets[name]
        wanted = np.flatnonzero(workbench.worst_wanted(one.stage))
        most = 1 if one.numbers_limited else worst_merge.LANES_MAX
        numbers = np.sort([lane for lane, _ in seen.most_common(most)])
        lanes = wanted[numbers]
        if np.isin(lanes, one.objective).all():
            continue
        held = {key: body for key, body in work.sketched.items() if key[0] == name}
        weights = _nearest(work.choice_of(held), numbers)
        weight = np.zeros(len(one.stage.lanes))
        weight[lanes] = weights
        found.markets[name] = market.market(
            one.stage, one.pool, one.prices, one.scene, weight > 0, weight
        )
        changed = True
        shown = ", ".join(
            f"{share:.2f} of {one.stage.lanes.name[lane]} [{lane}]"
            for lane, share in zip(lanes, weights, strict=True)
        )
        work.clock.done("worst point", f"{name}: {shown}")
    return changed


def _worst(work: Expansion) -> dict[str, Counter[int]]:
    """The lanes in which the good sets known lose most, as numbers, by topology."""
    seen: dict[str, Counter[int]] = {}
    if not work.sketched:
        return {}
    keys, choice = list(work.sketched), work.choice_of(work.sketched)
    for one in scouts.incumbents(choice):
        loss = tally.lane_losses(choice, one.skeleton, one.option)
        seen.setdefault(keys[one.skeleton][0], Counter())[int(np.argmax(loss))] += 1
    return seen


def _nearest(choice: Choice, numbers: IntArray) -> FloatArray:
    """The weights whose bound comes nearest to the worst point of the sets they find."""
    bodies = tuple(replace(body, lanes=numbers) for body in choice.skeletons)
    narrowed = worst_merge.bounding(replace(choice, skeletons=bodies))
    if not narrowed.worst_point:
        return np.ones(1)
    weights = worst_merge.weights_of(len(numbers))
    weights = np.unique(np.maximum(weights, LEAST_WEIGHT), axis=0)
    weights /= weights.sum(axis=1, keepdims=True)
    found = [merge.relaxed_front(worst_merge.weighed(narrowed, one)) for one in weights]
    fronts = [scouts.costs_and_losses(some) for some in found]
    real = [scouts.valued(narrowed, one.skeleton, one.option) for some in found for one in some]
    cost, loss = scouts.costs_and_losses(real)
    kept = staircase(cost, loss)
    cost, loss = cost[kept], loss[kept]
    nearness = []
    for bound_cost, bound_loss in fronts:
        place = np.searchsorted(bound_cost, cost, side="right") - 1
        nearness.append(float((bound_loss[place] / loss).mean()))
    return np.asarray(weights[int(np.argmax(nearness))])
