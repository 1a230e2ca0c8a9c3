"""What it would cost to keep the combinations of input and output that were left out by name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from optimizer import assembly, verification
from optimizer.conclude_sets import Chosen, stacked
from optimizer.found import Found
from optimizer.points_demands import excluded_lanes
from optimizer.points_lanes import Lane, arrays_of
from optimizer.records import Note
from optimizer.results import FrontPoint
from optimizer.stage import Stage, build_stage

AT_ONCE = 192


def kept_out_notes(
    found: Found, chosen: Sequence[Chosen], points: Sequence[FrontPoint]
) -> tuple[Note, ...]:
    """For each combination left out: how many points would pass it, and the cheapest of them."""
    return tuple(_notes(found, chosen, points))


def _notes(found: Found, chosen: Sequence[Chosen], points: Sequence[FrontPoint]) -> Iterator[Note]:
    passing: dict[str, list[bool]] = {}
    for topology, stage in found.stages.items():
        index = [k for k, one in enumerate(chosen) if one.topology == topology]
        for reason, lanes in excluded_lanes(found.spec, topology).items():
            verdict = passing.setdefault(reason, [False] * len(chosen))
            for k, passes in zip(
                index, passes_at(stage, [chosen[k] for k in index], lanes), strict=True
            ):
                verdict[k] = passes
    for reason, verdict in passing.items():
        yield Note("excluded", "left out by name", _told(found, points, reason, verdict), "points")


def _told(found: Found, points: Sequence[FrontPoint], reason: str, verdict: list[bool]) -> str:
    name = reason.split(":", 1)[0]
    count = sum(verdict)
    if not count:
        return f"{name}: none of the {len(points)} points would pass it; keeping it needs another"
    least = min(point.cost for point in points)
    kept = min(point.cost for point, passes in zip(points, verdict, strict=True) if passes)
    currency = found.spec.purchase.currency
    return (
        f"{name}: {count} of the {len(points)} points would pass it all the same; keeping it costs"
        f" at most {kept - least:.2f} {currency} on the cheapest point"
    )


def passes_at(stage: Stage, sets: Sequence[Chosen], lanes: list[Lane]) -> list[bool]:
    """Whether each set keeps every limit in some more lanes, at its own state."""
    more = build_stage(stage.spec, stage.topology.NAME, lanes=arrays_of(lanes), tables=stage.tables)
    found: list[bool] = []
    for start in range(0, len(sets), AT_ONCE):
        some = stacked(list(sets[start : start + AT_ONCE]))
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            result = assembly.own_physics(more, some)
            holds = verification.limit_chain(result).holds()
            for check in verification.checks(result, some):
                holds = holds & check.holds()
        found += [bool(one) for one in np.broadcast_to(holds, (len(some),))]
    return found
