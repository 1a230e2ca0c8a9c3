"""Why not my part? The exact price of a wish, or the limits that every set with it breaks."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from optimizer import pool
from optimizer.conclude_margins import failing
from optimizer.conclude_sets import Chosen, Place, part_set_of
from optimizer.found import Progress, Stop, never, quiet
from optimizer.infeasible_probe import judged, near_sets
from optimizer.placed import kind_of_part
from optimizer.records import COST_UNIT, LOSS_UNIT, kind_of
from optimizer.results import Margin, as_plain
from optimizer.spec_records import Spec
from optimizer.stage import Stage
from optimizer.studies.answer import Answer, money, watts
from optimizer.studies.archived import Archived, Resolved, resolve
from optimizer.studies.fronts import NONE, Front, front_of, sense_data
from optimizer.studies.fronts import judged as judged_each
from optimizer.studies.judging import pieces_max, worst_first
from optimizer.studies.prices import as_data, price_grid, price_text, prices
from optimizer.studies.wish import (
    Wish,
    checked,
    narrowed,
    offers,
    places,
    too_many,
)

SWAPS = 24
"""Points of the front in which the wish is tried in place of what stands there."""


def why_not(
    case: Archived,
    wish: Wish,
    *,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """What a wish costs against the archived front, or why no set with it passes.

    One search per position the part may stand at, beside the points that have the wish already.
    """
    began = time.monotonic()
    checked(wish, case.spec, case.catalog)
    stages = case.stages
    kept = [
        k
        for k, one in enumerate(case.front.chosen)
        if one.topology in stages and wish.kept_by(stages[one.topology], one)
    ]
    if all(row in kept for row in case.anchors()):
        tried: list[Tried] = []
        front = case.front.take(kept)
    else:
        front, tried = _searched(case, wish, kept, time_limit, progress, stop)
    left = [one.open for _, one in tried if one.open]
    wanted = wish.frequency
    if len(front):
        answer = _priced(case, wish, front, kept, left)
    else:
        answer = _refused(case, wish, [found for _, found in tried], left)
    if wanted is not None and not any(offers(case.spec, n, wanted) for n in case.spec.topologies):
        text = f"no controller of the spec offers {wanted / 1e3:g} kHz; taken as if it did"
        answer = replace(answer, notes=(*answer.notes, text))
    return replace(answer, seconds=time.monotonic() - began)


Tried = tuple[str | None, Resolved]


def _searched(
    case: Archived,
    wish: Wish,
    kept: Sequence[int],
    time_limit: float | None,
    progress: Progress,
    stop: Stop,
) -> tuple[Front, list[Tried]]:
    """The front of all sets with the wish, and the searches it took."""
    front = (case.front.take(kept) if kept else NONE).joined(_seeds(case, wish))
    progress("with the wish", f"{len(front)} sets known to pass")
    tried: list[Tried] = []
    for position in places(wish, case.spec, case.catalog):
        spec = narrowed(wish, case.spec, position)
        if too_many(wish, case.spec, position) or not spec.topologies:
            continue
        if _barred(case, wish):
            break
        found = resolve(
            spec,
            case.catalog,
            known=front.stair,
            like=case,
            time_limit=time_limit,
            progress=progress,
            stop=stop,
        )
        progress("with the wish", f"{position or wish.text()}: {len(found.front)} points more")
        tried.append((position, found))
        front = front.joined(found.front)
    return front, tried


def _seeds(case: Archived, wish: Wish) -> Front:
    """Points of the front with the wish put in that pass: what the searches start from."""
    some = []
    for stage in case.stages.values():
        swapped = _distinct(_swapped(case, wish, stage))
        some += [one for one in swapped if wish.kept_by(stage, one)]
    found = NONE
    for variant in case.variants:
        verdicts = judged_each([variant], some, [variant.sense] * len(some))
        rows = [int(k) for k in np.flatnonzero(verdicts.passes)]
        good = [some[k] for k in rows]
        seeds = front_of(good, verdicts.cost[rows], verdicts.loss[rows], variant.sense)
        found = found.joined(seeds)
    return found


# --- possible: at what price ----------------------------------------------------------------------


def _priced(
    case: Archived, wish: Wish, front: Front, kept: Sequence[int], left: list[str]
) -> Answer:
    found = prices(case, front)
    best = front.chosen[0]
    last = front.least_loss()
    cost, loss = money(front.cost[0] * COST_UNIT, case.currency), front.loss[last] * LOSS_UNIT
    cheapest = f"the cheapest set with it: {cost}{front.at(0)}"
    least = f"the least loss with it: {watts(loss)}{front.at(last)}"
    answer = f"possible; {price_text(found, case.currency)}"
    if kept:
        numbers = ", ".join(str(case.front.number[k]) for k in kept[:6])
        more = " ..." if len(kept) > 6 else ""
        where = f"{len(kept)} of {len(case.front)} points have it ({numbers}{more})"
        cheap = all(one.same for one in found)
        answer = f"{where}; " + ("it costs nothing" if cheap else price_text(found, case.currency))
    tables = case.catalog.tables
    data = {
        "verdict": "possible",
        "on_front": [case.front.number[k] for k in kept],
        "prices": as_data(found),
        "cost_min": float(front.cost[0] * COST_UNIT),
        "loss_min_w": float(front.loss[last] * LOSS_UNIT),
        "cheapest_set": as_plain(part_set_of(best, tables)),
        "least_loss_set": as_plain(part_set_of(front.chosen[last], tables)),
        "front": [
            [round(float(c) * COST_UNIT, 4), float(v) * LOSS_UNIT, *sense_data(sense).values()]
            for c, v, sense in zip(front.cost, front.loss, front.sense, strict=True)
        ],
    }
    return Answer(
        question=f"Why not {wish.text()}?",
        answer=answer,
        proof=case.proof("every set with the wish searched", left),
        proved=not left and not case.open,
        grids=(price_grid(found, case.currency, f"With {wish.text()}, against the front"),),
        notes=(cheapest, least),
        data=data,
    )


# --- impossible: what stands in the way -----------------------------------------------------------


def _refused(case: Archived, wish: Wish, tried: Sequence[Resolved], left: list[str]) -> Answer:
    """No set with the wish passes: the first limits in the way."""
    rules = [*_count_rules(case, wish), *_barred(case, wish), *_topology_rules(tried)]
    near = [] if rules else sorted(_nearest(case, wish, tried), key=_miss)
    broken: list[Margin] = []
    if rules:
        reason = "; ".join(dict.fromkeys(rules))
        proof = "proved: a rule that no other part can make good"
    elif near:
        one, broken = near[0]
        told = [failing(margin) for margin in broken[:3]]
        more = f" and {len(broken) - 3} limits more" if len(broken) > 3 else ""
        where = f"{one.topology}, {one.frequency / 1e3:g} kHz"
        reason = f"the set with it that comes nearest ({where}) misses {'; '.join(told)}{more}"
        proof = f"proved by a search of every set with it; nearest of {len(near)} sets looked at"
    else:
        reason = "; ".join(_falls(tried)) or "no set with it can be built"
        proof = "proved by a search of every set with it"
    if left or (case.open and not rules):
        proof = f"not proved: {'; '.join(left) or case.open}"
    return Answer(
        question=f"Why not {wish.text()}?",
        answer=f"no set with it passes: {reason}" if not left else f"none found: {reason}",
        proof=proof,
        proved=not left,
        notes=tuple(_falls(tried))[:6],
        data={
            "verdict": "impossible" if not left else "none found",
            "rules": list(dict.fromkeys(rules)),
            "broken": as_plain(broken),
            "nearest_set": as_plain(part_set_of(near[0][0], case.catalog.tables)) if near else None,
        },
    )


def _miss(one: tuple[Chosen, list[Margin]]) -> float:
    return max((-margin.margin for margin in one[1]), default=0.0)


def _count_rules(case: Archived, wish: Wish) -> Iterator[str]:
    every = [too_many(wish, case.spec, p) for p in places(wish, case.spec, case.catalog)]
    if not every:
        yield "no topology of the spec has a place for it"
    if every and all(every):
        yield from (text for text in every if text)


def _barred(case: Archived, wish: Wish) -> list[str]:
    """Rules of purchase and choice that keep the wished part out wherever it stands."""
    if wish.part is None:
        return []
    kind = kind_of_part(case.catalog, wish.part)
    for stage in case.stages.values():
        row = stage.tables[str(kind)].part_number.index(wish.part)
        rules = pool.purchase_rules(stage, case.prepared.prices, str(kind))
        status = stage.tables[str(kind)].texts["status"][row]
        told = {"life-cycle state": f"life-cycle state {status!r} is not allowed"}
        return [told.get(reason, reason) for reason, keep in rules if not keep[row]]
    return []


def _topology_rules(tried: Sequence[Resolved]) -> Iterator[str]:
    founds = [found for one in tried for found in one.founds]
    if founds and all(found.refused and not found.stages for found in founds):
        for found in founds:
            yield from (f"{r.topology} refused: {r.reason}" for r in found.refused)


def _falls(tried: Sequence[Resolved]) -> Iterator[str]:
    """Positions at which nothing was left."""
    seen = {}
    for found in (found for one in tried for found in one.founds):
        for fall in found.waterfalls:
            if not fall.left and fall.falls:
                reason = fall.falls[-1].reason
                seen[f"{fall.position}: the last {fall.falls[-1].fell} fell on {reason}"] = True
    yield from seen


def _nearest(
    case: Archived, wish: Wish, tried: Sequence[Resolved]
) -> list[tuple[Chosen, list[Margin]]]:
    """Sets with the wish and the limits they break: points with the wish put in, else near sets."""
    found: list[tuple[Chosen, list[Margin]]] = []
    searches = [search for some in tried for search in some.founds]
    for one in searches:
        for stage in one.stages.values():
            found += _broken(wish, stage, _swapped(case, wish, stage))
    for one in searches if not found else ():
        for stage in one.stages.values():
            near = near_sets(stage, one.prices)[0]
            found += _broken(wish, stage, (each.chosen for each in near))
    return found


def _broken(
    wish: Wish, stage: Stage, some: Iterable[Chosen]
) -> Iterator[tuple[Chosen, list[Margin]]]:
    """Those of some sets that have the wish and a finite miss, with the limits they break."""
    chosen = [one for one in _distinct(some) if wish.kept_by(stage, one)]
    for near in judged(stage, chosen):
        broken = worst_first(near.broken)
        if broken and np.isfinite(near.miss):
            yield near.chosen, broken


def _distinct(sets: Iterable[Chosen]) -> Iterator[Chosen]:
    seen = set()
    for one in sets:
        key = (one.topology, one.frequency, *one.places())
        if key not in seen:
            seen.add(key)
            yield one


def _swapped(case: Archived, wish: Wish, stage: Stage) -> Iterator[Chosen]:
    """Points of the front with the wish in place of what stands there."""
    front = case.front
    picks = np.unique(np.linspace(0, len(front) - 1, min(SWAPS, len(front))).astype(int))
    for row in picks:
        one = front.chosen[int(row)]
        if one.topology != stage.topology.NAME:
            continue
        if wish.frequency is not None:
            one = replace(one, frequency=wish.frequency)
        if wish.part is None:
            yield one
            continue
        for position in places(wish, case.spec, case.catalog):
            if position is not None:
                yield from _placed(case.spec, stage, one, position, wish)


def _placed(spec: Spec, stage: Stage, one: Chosen, position: str, wish: Wish) -> Iterator[Chosen]:
    """A set with the wished part at a position, in every number of pieces it may have."""
    row = stage.tables[kind_of(position)].part_number.index(str(wish.part))
    most = pieces_max(spec, position)
    for pieces in [wish.pieces] if wish.pieces else range(1, most + 1):
        place: Place = (row, pieces)
        if position == "inductor":
            pieces = int(stage.coil_pieces(np.array([row]))[0])
            yield replace(one, coil=row, coil_pieces=pieces)
        elif position == "sense-resistor":
            yield replace(one, sense=place)
        elif position in one.transistor:
            yield replace(one, transistor=dict(one.transistor) | {position: place})
        elif position.endswith("-bank"):
            node = position.removesuffix("-bank")
            yield replace(one, bank=dict(one.bank) | {node: (place,)})
            if spec.choice.bank_types_max > 1:
                for other in one.bank[node]:
                    if other[0] != row:
                        both = tuple(sorted((place, other)))
                        yield replace(one, bank=dict(one.bank) | {node: both})
