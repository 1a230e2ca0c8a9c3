"""The lanes that stand for the worst point of a set while the search bounds its loss.

The worst-point loss is not a sum, but never below a weighted mean of the losses in a few lanes,
which is. Those lanes are taken in which good sets lose most, as sketches and survey find them, with
the weights whose bound comes nearest to the sets known.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from optimizer import market, merge, merge_worst, scouts, workbench
from optimizer.dominance import staircase
from optimizer.expansion import Expansion
from optimizer.records import Choice, FloatArray, IntArray

LEAST_WEIGHT = 0.05
"""Least weight of a lane: none may be left out, since dominance looks at each."""


def turned(work: Expansion) -> bool:
    """Whether a topology loses most in another lane than those that bound it.

    Its market then changes: to the lanes seen, or those lanes beside its own.
    """
    found, changed = work.found, False
    for name, seen in _seen(work).items():
        one = found.markets[name]
        wanted = np.flatnonzero(workbench.worst_wanted(one.stage))
        most = 1 if one.numbers_limited else merge_worst.LANES_MAX
        own = [int(lane) for lane in workbench.worst_numbers(one)]
        if most == 1 and 2 * seen[own[0]] >= seen.most_common(1)[0][1]:
            continue  # not to and fro between two lanes
        before = own if one.lanes_apart else []
        often = [lane for lane, _ in seen.most_common() if lane not in before]
        numbers = np.sort([*before, *often][:most])
        lanes = wanted[numbers]
        if np.isin(lanes, one.objective).all():
            continue
        held = {key: body for key, body in work.sketched.items() if key[0] == name}
        weight = np.zeros(len(one.stage.lanes))
        weight[lanes] = _nearest(work.choice_of(held), numbers)
        found.markets[name] = market.market(
            one.stage, one.pool, one.prices, one.scene, weight > 0, weight
        )
        changed = True
        shares = (f"{weight[k]:.2f} {one.stage.lanes.name[k]} [{k}]" for k in lanes)
        work.clock.done("worst point", f"{name}: " + ", ".join(shares))
    return changed


def _seen(work: Expansion) -> dict[str, Counter[int]]:
    """The lanes in which the sets of the front so far lose most, as numbers, by topology."""
    seen: dict[str, Counter[int]] = {}
    for point in zip(*(axis.tolist() for axis in work.stair), strict=True):
        if point in work.worst:
            name, lane = work.worst[point]
            seen.setdefault(name, Counter())[lane] += 1
    return seen


def _nearest(choice: Choice, numbers: IntArray) -> FloatArray:
    """The weights whose bound comes nearest to the worst point of the sets they find.

    Even ones where there is nothing to find, or the merge cannot.
    """
    bodies = tuple(replace(body, lanes=numbers) for body in choice.skeletons)
    narrowed = merge_worst.bounding(replace(choice, skeletons=bodies))
    if not narrowed.skeletons or not merge_worst.mergeable(narrowed) or len(numbers) == 1:
        return np.full(len(numbers), 1.0 / len(numbers))
    weights = merge_worst.weights_of(len(numbers))
    weights = np.unique(np.maximum(weights, LEAST_WEIGHT), axis=0)
    weights /= weights.sum(axis=1, keepdims=True)
    found = [merge.relaxed_front(merge_worst.weighed(narrowed, one)) for one in weights]
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
