"""Which sets are worth building? Ends, knee, and others that differ and that the model cannot tell.

Of the points whose loss lies within the error band of the knee, as many as are wanted are taken
that differ pairwise in enough positions; of those the choice whose least difference is largest,
then the cheapest. All three in that order, exact.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.found import Progress, Stop, never, quiet
from optimizer.records import COST_UNIT, LOSS_UNIT, BoolArray, IntArray
from optimizer.studies.answer import Answer, Grid, listed, money, watts
from optimizer.studies.archived import Archived
from optimizer.studies.distance import differing, distances
from optimizer.studies.fronts import Front, sense_data
from optimizer.studies.samples import Kit, order_grid, sample_kit, stand_ins

NODES_MAX = 2_000_000
"""Partial choices looked at for one question; past it the answer is not called exact."""

MANY = 12


@dataclass(frozen=True, slots=True)
class Entry:
    """A set of the shortlist: its row in the front, why it is there, what differs from the knee."""

    row: int
    reason: str
    differing: tuple[str, ...] = ()


@dataclass(slots=True)
class _Budget:
    left: int = NODES_MAX


def shortlist(
    case: Archived,
    *,
    sets: int = 5,
    differ: int = 3,
    band: float = 0.2,
    boards_each: int = 2,
    spare: float = 0.2,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """Sets worth building, and the smallest kit of parts they can be built from.

    sets : how many (at most 12); differ : positions in which any two differ, but for ends and
    knee among themselves; band : share of the knee's loss that the model may err by
    boards_each : boards to build of each set; spare : share of parts bought on top
    """
    began = time.monotonic()
    budget = _Budget()
    entries, least = chosen_entries(case, min(sets, MANY), differ, band, budget)
    progress("shortlist", f"{len(entries)} sets")
    apart = distances(case.front.take([e.row for e in entries]))
    kit = sample_kit(
        case,
        [entry.row for entry in entries],
        keep_apart=(apart >= differ) if len(entries) > 1 else apart > 0,
        differ=differ,
        boards_each=boards_each,
        spare=spare,
        time_limit=60.0 if time_limit is None else time_limit,
        progress=progress,
        stop=stop,
    )
    answer = _answer(case, entries, kit, least, band, exact=budget.left > 0)
    if len(entries) < sets and budget.left > 0:
        few = f"{len(entries)} sets, not {sets}: no further point of the front is in the band and "
        few += f"differs in {differ} positions from all of them"
        few = f"at most {MANY} sets" if len(entries) == MANY else few
        answer = replace(answer, notes=(few, *answer.notes))
    return replace(answer, seconds=time.monotonic() - began)


def chosen_entries(
    case: Archived, sets: int, differ: int, band: float, budget: _Budget
) -> tuple[list[Entry], int]:
    """The shortlist, and the least difference of those beside ends and knee."""
    front = case.front
    knees = [k for k, mark in enumerate(front.mark) if mark == "knee"]
    for row in list(knees[1:]):  # of knees that hardly differ the first will do
        others = knees[: knees.index(row)]
        if any(len(differing(front, row, other)) < differ for other in others):
            knees.remove(row)
    fixed, stood_for = [], dict[int, str]()
    for row in [0, *knees, front.least_loss()]:
        if row in fixed:
            continue
        ties = [one for one in stand_ins(case, row) if one in fixed]
        alike = [one for one in ties if len(differing(front, row, one)) < differ]
        if alike:
            stood_for[alike[0]] = f", ties with {_reason(case, row)} (point {front.number[row]})"
        else:
            fixed.append(row)
    fixed = fixed[:sets]
    entries = [Entry(row, _reason(case, row) + stood_for.get(row, "")) for row in fixed]
    knee = np.array([_knee(front, row, fixed) for row in range(len(front))])
    loss = front.loss.astype(np.float64)
    near = np.abs(loss - loss[knee]) <= band * loss[knee]
    near[fixed] = False
    apart = distances(front)
    for count in range(sets - len(fixed), 0, -1):
        for least in range(int(apart.max(initial=0)), max(differ, 1) - 1, -1):
            rows = np.flatnonzero(near & (apart[:, fixed] >= least).all(axis=1))
            picked = cheapest_apart(
                front.cost[rows], apart[np.ix_(rows, rows)] >= least, count, budget
            )
            if picked is not None:
                more = [int(rows[k]) for k in picked]
                entries += [_beside_knee(case, int(knee[row]), row) for row in more]
                return entries, least
    return entries, 0


def _knee(front: Front, row: int, fixed: Sequence[int]) -> int:
    """The knee among the points of one charge-current sense, or what stands for it."""
    mine = [k for k in fixed if front.mark[k] == "knee" and front.sense[k] == front.sense[row]]
    return [*mine, *fixed[1:-1], fixed[0]][0]


def _reason(case: Archived, row: int) -> str:
    end = "cheapest" if row == 0 else "least loss" if row == case.front.least_loss() else "point"
    return case.front.mark[row] or end


def _beside_knee(case: Archived, knee: int, row: int) -> Entry:
    """A set that differs from the knee: in how many places, and at what price."""
    front = case.front
    names = differing(front, knee, row)
    cost = money((front.cost[row] - front.cost[knee]) * COST_UNIT, case.currency, signed=True)
    loss = watts((front.loss[row] - front.loss[knee]) * LOSS_UNIT, signed=True)
    places = "place" if len(names) == 1 else "places"
    reason = f"{len(names)} {places} other than the knee's; {cost}, {loss}"
    return Entry(row, reason, tuple(names))


# --- sets that are apart --------------------------------------------------------------------------


def cheapest_apart(
    cost: IntArray, apart: BoolArray, count: int, budget: _Budget
) -> list[int] | None:
    """The cheapest `count` rows that are pairwise apart, None where there are none.

    cost : (n,); apart : (n, n)
    """
    order = np.argsort(cost, kind="stable")
    price = [int(v) for v in cost[order]]
    beside = [sum(1 << int(k) for k in np.flatnonzero(row)) for row in apart[np.ix_(order, order)]]
    best: tuple[int, list[int]] | None = None

    def grow(taken: list[int], paid: int, left: int) -> None:
        nonlocal best
        need = count - len(taken)
        if need == 0:
            best = (paid, list(taken))
            return
        for k in _bits(left):
            budget.left -= 1
            if budget.left <= 0 or (best is not None and paid + need * price[k] >= best[0]):
                return
            after = left & beside[k] & ~((1 << (k + 1)) - 1)
            if need == 1 or after.bit_count() >= need - 1:
                grow([*taken, k], paid + price[k], after)

    grow([], 0, (1 << len(price)) - 1)
    return None if best is None else [int(order[k]) for k in best[1]]


def _bits(mask: int) -> Iterator[int]:
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


# --- the answer -----------------------------------------------------------------------------------


def _rows(case: Archived, entries: Sequence[Entry], kit: Kit) -> list[tuple[str, ...]]:
    """The table of the shortlist."""
    front, run, rows = case.front, case.run, list[tuple[str, ...]]()
    for entry, built in zip(entries, kit.rows, strict=True):
        verified = run["points"][built]["verified"]
        instead = "" if built == entry.row else f" (for {front.number[entry.row]})"
        rows.append(
            (
                f"{front.number[built]}{instead}",
                f"{front.cost[built] * COST_UNIT:.2f}",
                f"{front.loss[built] * LOSS_UNIT:.3f}",
                f"{front.chosen[built].topology}, {front.chosen[built].frequency / 1e3:g} kHz"
                f"{front.at(built)}",
                verified["part_set"]["inductor"],
                entry.reason,
            )
        )
    return rows


def _answer(
    case: Archived, entries: Sequence[Entry], kit: Kit, least: int, band: float, *, exact: bool
) -> Answer:
    front, run, rows = case.front, case.run, _rows(case, entries, kit)
    heads = ("point", f">cost {case.currency}", ">loss W", "stage", "inductor", "why")
    left = [] if exact else ["too many choices to look at all: others may be better"]
    left += [kit.open] if kit.open else []
    text = f"{len(entries)} sets: points {listed([str(front.number[k]) for k in kit.rows], MANY)}; "
    text += (
        f"sample order of {len(kit.lines)} part numbers for "
        f"{money(kit.total, case.currency)}, longest lead time {kit.lead_text()}"
    )
    apart = f"those beside ends and knee differ in at least {least} positions" if least else ""
    found = f"losses within {100 * band:g} % of the knee count as near-best"
    return Answer(
        question=f"Which sets of {run['name']!r} are worth building, and what to order for them?",
        answer=text,
        proof=case.proof("most sets, largest least difference, least cost; fewest parts", left),
        proved=not left and not case.open,
        grids=(Grid("Shortlist", heads, tuple(rows)), order_grid(kit, case.currency)),
        notes=tuple(note for note in (found, apart, *kit.notes) if note),
        data={
            "sets": [
                {
                    "point": front.number[built],
                    "for_point": front.number[entry.row],
                    "reason": entry.reason,
                    "differing": list(entry.differing),
                    "cost": float(front.cost[built] * COST_UNIT),
                    "loss_w": float(front.loss[built] * LOSS_UNIT),
                    **sense_data(front.sense[built]),
                }
                for entry, built in zip(entries, kit.rows, strict=True)
            ],
            "least_difference": least,
            "order": kit.lines,
            "order_total": kit.total,
            "lead_time_weeks": kit.lead_time,
        },
    )
