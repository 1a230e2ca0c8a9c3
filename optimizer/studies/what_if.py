"""What does a limit cost? The front under a changed spec against the archived one."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np

from optimizer.conclude_margins import failing
from optimizer.conclude_senses import specs_of
from optimizer.conclude_sets import part_set_of
from optimizer.errors import InputError, Problem
from optimizer.found import Found, Progress, Stop, never, quiet
from optimizer.points import points
from optimizer.records import COST_UNIT, LOSS_UNIT, IntArray
from optimizer.results import as_plain
from optimizer.spec_echo import rows as echo_rows
from optimizer.spec_records import Limits, Spec
from optimizer.studies.answer import Answer
from optimizer.studies.archived import Archived, Resolved, resolve
from optimizer.studies.fronts import (
    NONE,
    Front,
    Variant,
    judged,
    matching,
    sense_data,
    variants,
)
from optimizer.studies.judging import Verdicts
from optimizer.studies.prices import as_data, ends, price_grid, price_text, prices

SAME_PHYSICS = ("limits", "purchase", "choice", "derating", "derating_policy", "topologies")
"""Sections that may change without moving the state of any set."""

PLAIN_LIMITS = (
    *("v_ripple_input", "v_ripple_output", "ripple_ratio_max", "rise_hottest"),
    *("height_max", "area_max", "thermal_gain_max"),
)
"""Limits that only take sets away when they fall."""


def what_if(
    case: Archived,
    spec: Spec,
    *,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """The archived front against that of a changed spec.

    The archived points are judged under the new spec first. Where the change only takes sets
    away and leaves the ends and the knee, that is the answer; else one search finds what they do
    not cover.
    """
    began = time.monotonic()
    if spec.choice.objective != case.spec.choice.objective:
        got = f"{spec.choice.objective!r} against a run of {case.spec.choice.objective!r}"
        fix = "run `front` with the other objective"
        raise InputError([Problem("change", "choice.objective", got, "the same loss", fix)])
    told = bool(case.spec.load.senses or spec.load.senses)
    case = case.with_senses() if told else case
    like = case if same_states(case, spec) else None
    now = variants(spec, case.catalog, like=like.variants if like else (), told=told)
    verdicts = judged(now, case.front.chosen, case.front.sense)
    exact = like is not None and same_prices(case, now[0].prepared)
    kept = kept_points(case, verdicts, now, exact=exact)
    progress("points kept", f"{len(kept)} of {len(case.front)}")
    anchors_kept = all(verdicts.passes[row] for row in case.anchors())
    found: Resolved | None = None
    front = kept
    if not (anchors_kept and tighter(case.spec, spec) and not case.open):
        found = resolve(
            spec,
            case.catalog,
            known=kept.stair,
            like=like,
            told=told,
            time_limit=time_limit,
            progress=progress,
            stop=stop,
        )
        front = kept.joined(found.front)
    answer = _answer(case, spec, front, verdicts, found)
    return replace(answer, seconds=time.monotonic() - began)


# --- what holds without a search ------------------------------------------------------------------


def same_states(case: Archived, spec: Spec) -> bool:
    """Whether the reference states of the run may serve a changed spec: same physics, same lanes.

    Only then is a set's loss under both specs the same figure.
    """
    own = [item.name for item in fields(spec) if item.name not in SAME_PHYSICS]
    told = ("name", "path", "text", "notes", "not_asked", "catalogs", "controllers")
    if any(getattr(case.spec, n) != getattr(spec, n) for n in own if n not in told):
        return False
    return all(
        _alike(variant, one, name)
        for variant, (one, _) in zip(case.variants, specs_of(spec, case.catalog), strict=True)
        for name in set(one.topologies) & set(variant.prepared.stages)
    )


def _alike(variant: Variant, spec: Spec, name: str) -> bool:
    """Whether a topology has the same controller, but for its choices, and the same lanes."""
    one, other = variant.spec.controllers[name], spec.controllers[name]
    free = {"frequencies": (), "time_on_min": 0.0, "time_off_min": 0.0, "i_drive_limit": 0.0}
    free |= {"loss_drive_limit": 0.0, "cost_each": 0.0}
    if replace(one, **free) != replace(other, **free):  # type: ignore[arg-type]
        return False
    before, after = variant.prepared.points[name].lanes, points(spec, name).lanes
    if len(before) != len(after):
        return False
    keys = ("v_input", "v_output", "i_output", "temp_ambient", "corner", "bracket", "share")
    return all(np.array_equal(getattr(before, key), getattr(after, key)) for key in keys)


def same_prices(case: Archived, now: Found) -> bool:
    """Whether every part costs what it cost in the run."""
    one, other = case.prepared.prices, now.prices
    same = one.line_item == other.line_item and one.placement == other.placement
    alone = [0 if held is None else held.units for held in (one.charge, other.charge)]
    same = same and alone[0] == alone[1]
    width = min(one.table.shape[1], other.table.shape[1])
    return same and np.array_equal(one.table[:, :width], other.table[:, :width])


def kept_points(
    case: Archived, verdicts: Verdicts, now: Sequence[Variant], *, exact: bool
) -> Front:
    """Archived points that pass under another spec, as a front of that spec.

    now : its variants
    exact : cost and loss are those of the record; else they are taken as judged again
    """
    rows = np.flatnonzero(verdicts.passes)
    if not len(rows):
        return NONE
    front = case.front.take(rows)
    if not exact:
        senses = [matching(now, one) for one in front.sense]
        front = replace(
            front,
            cost=verdicts.cost[rows],
            loss=verdicts.loss[rows],
            sense=tuple(None if one is None else one.sense for one in senses),
        )
    return front.joined(NONE)


def tighter(old: Spec, new: Spec) -> bool:
    """Whether a changed spec can only take sets away, and moves no loss and no cost."""
    one, other = old.limits, new.limits
    if _without_limits(old, one) != _without_limits(new, one):
        return False
    if any(getattr(other, key) > getattr(one, key) for key in PLAIN_LIMITS):
        return False
    hot = dict(other.temp_max)
    if any(hot.get(kind, math.inf) > value for kind, value in one.temp_max.items()):
        return False
    if (one.loss_ceiling, one.saturation_drop_max) != (
        other.loss_ceiling,
        other.saturation_drop_max,
    ):
        return False
    return one.floors == other.floors


def _without_limits(spec: Spec, limits: Limits) -> Spec:
    return replace(spec, limits=limits, name="", path="", text="", notes=(), not_asked=())


# --- the answer -----------------------------------------------------------------------------------


def changes(old: Spec, new: Spec) -> list[tuple[str, str, str]]:
    """Keys of the spec with another value: key, before, after."""
    before = {key: text for key, text, _ in echo_rows(old)}
    after = {key: text for key, text, _ in echo_rows(new)}
    names = dict.fromkeys([*before, *after])
    return [
        (key, before.get(key, "none"), after.get(key, "none"))
        for key in names
        if before.get(key) != after.get(key)
    ]


def _answer(
    case: Archived, spec: Spec, front: Front, verdicts: Verdicts, found: Resolved | None
) -> Answer:
    changed = changes(case.spec, spec)
    asked = ", ".join(f"{key} {after} (was {before})" for key, before, after in changed)
    left = [found.open] if found is not None and found.open else []
    lost = [k for k, good in enumerate(verdicts.passes) if not good]
    fresh = [k for k, number in enumerate(front.number) if not number]
    done = "every set searched again" if found is not None else "the limit only takes sets away"
    if found is None:
        done += " and leaves the ends and the knee"
    table = prices(case, front) if len(front) else ()
    text = (
        price_text(table, case.currency)
        if table
        else "no set passes any more; `conflict` says which limits fight"
    )
    if not table and left:
        text = "no set found"
    elif table and all(one.cost_more == 0.0 and one.loss_more == 0.0 for one in table):
        text = f"nothing: {text}"
    notes = [f"{len(lost)} of {len(case.front)} points of the front fall, {len(fresh)} are new"]
    if found is None and lost:
        notes[0] = (
            f"{len(lost)} of {len(case.front)} points of the front fall; no search was needed"
        )
    notes += list(_why_lost(case, verdicts, lost))
    grids = [price_grid(table, case.currency, "The changed spec, against the front")]
    cost_min, loss_min = ends(front)
    return Answer(
        question=f"What if {asked or 'nothing changes'}?",
        answer=text,
        proof=case.proof(done, left),
        proved=not left and not case.open,
        grids=tuple(grids) if table else (),
        notes=tuple(notes),
        data={
            "changes": [list(row) for row in changed],
            "prices": as_data(table),
            "cost_min": cost_min,
            "loss_min_w": loss_min,
            "points_lost": [case.front.number[k] for k in lost],
            "points_new": len(fresh),
            "searched": found is not None,
            "front": front_data(case, front),
        },
    )


def _why_lost(case: Archived, verdicts: Verdicts, lost: Sequence[int]) -> list[str]:
    """Why the ends and the knee fall, where they do."""
    found = []
    for row in case.anchors():
        if row not in lost:
            continue
        texts = [*verdicts.rules[row], *(failing(m) for m in verdicts.broken[row])]
        mark = (case.front.mark[row] or "point") + case.front.at(row)
        found.append(f"{mark} (point {case.front.number[row]}) falls: {'; '.join(texts[:2])}")
    return found


def front_data(case: Archived, front: Front, most: int = 400) -> list[dict[str, object]]:
    """The points of a front for machines."""
    tables = case.catalog.tables
    rows: IntArray = np.arange(min(len(front), most))
    return [
        {
            "point": front.number[k] or None,
            "cost": round(float(front.cost[k]) * COST_UNIT, 4),
            "loss_w": float(front.loss[k]) * LOSS_UNIT,
            **sense_data(front.sense[k]),
            "part_set": as_plain(part_set_of(front.chosen[k], tables)),
        }
        for k in rows
    ]
