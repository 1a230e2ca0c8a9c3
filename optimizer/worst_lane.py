"""The lane that stands for the worst point of a set while the search bounds its loss.

The worst-point loss is not a sum, but never below the loss in one lane, which is. Where that lane
is the worst of every set on the front of its loss, this front is the front of the worst point. So
the lane is taken in which good sets lose most, as a survey finds them.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from optimizer import market, scouts, tally, workbench
from optimizer.expansion import Expansion


def turned(work: Expansion) -> bool:
    """Whether a topology loses most in another lane than bounds it; its market then changes."""
    found, changed = work.found, False
    for name, lane in _worst(work).items():
        one = found.markets[name]
        if lane not in one.objective:
            only = np.arange(len(one.stage.lanes)) == lane
            found.markets[name] = market.market(
                one.stage, one.pool, one.prices, one.scene, only, only.astype(np.float64)
            )
            changed = True
            work.clock.done("worst point", f"{name}: mostly {one.stage.lanes.name[lane]}")
    return changed


def _worst(work: Expansion) -> dict[str, int]:
    """The lane in which most of the good sets of a survey lose most, by topology."""
    seen: dict[str, Counter[int]] = {}
    if not work.sketched:
        return {}
    keys, choice = list(work.sketched), work.choice_of(work.sketched)
    for one in scouts.incumbents(choice):
        name = keys[one.skeleton][0]
        lane = np.flatnonzero(workbench.worst_wanted(work.markets[name].stage))
        loss = tally.lane_losses(choice, one.skeleton, one.option)
        seen.setdefault(name, Counter())[int(lane[np.argmax(loss)])] += 1
    return {name: count.most_common(1)[0][0] for name, count in seen.items()}
