"""Which filled cells the front depends on: each at its most favourable, searched again.

A fill is pessimistic. Its counterpart is as favourable as the catalogs have ever seen: the rule of
the fill is asked of every part of the kind that states the value, and the stated value farthest to
the good side of what the rule would have given is carried over. A fill decides when the front with
that value in its place is another one.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer import buying, pool
from optimizer.catalog import Catalog
from optimizer.columns import Column, columns_of, orders_of
from optimizer.fills import FIRST_BREAK, Curve
from optimizer.found import Found, Progress, Stop, never, quiet
from optimizer.records import COST_UNIT, LOSS_UNIT, BoolArray, FloatArray, IntArray
from optimizer.studies.answer import SCREEN_ROWS, Answer, Grid, listed, money, watts
from optimizer.studies.archived import Archived, resolve
from optimizer.studies.fronts import Front, judged, variants
from optimizer.studies.what_if import kept_points
from optimizer.tables import PartTable

COST_STEP, LOSS_STEP = round(0.01 / COST_UNIT), round(1e-3 / LOSS_UNIT)
"""Resolution of a reported front in the units of the decision: what moves less is the same."""

CORE_LOSS = "core_loss_reference_typ"
NO_CORE_LOSS: Mapping[str, float] = {
    "core_loss_reference_typ": 1e-5,
    "core_loss_exponent_frequency": 1.5,
    "core_loss_exponent_ripple": 2.2,
}
"""Stands for an inductor without core loss: the least plausible [W], exponents in between."""

TOGETHER_MOST = 8
"""Fills that only matter together are narrowed down one by one up to this number."""


@dataclass(frozen=True, slots=True)
class FilledCell:
    """One filled cell of a part that may be chosen, with its favourable counterpart [SI]."""

    kind: str
    part: str
    row: int
    header: str
    key: str
    value: float | Curve
    best: float | Curve


@dataclass(frozen=True, slots=True)
class Effect:
    """How far the front moves when cells are refilled: the most over its points.

    cost : saved at no more loss [COST_UNIT]; loss : saved at no more cost [LOSS_UNIT]; each the
        most over the points of the new front that the old one does not reach within its resolution
    fresh : how many such points there are; open : what was not proved
    """

    cost: int
    loss: int
    fresh: int
    open: str = ""

    @property
    def moves(self) -> bool:
        """Whether a reported front would be another one."""
        return self.fresh > 0


@dataclass
class _Asked:
    """What was found so far."""

    deciding: list[tuple[FilledCell, Effect]] = field(default_factory=list)
    together: list[tuple[list[FilledCell], Effect]] = field(default_factory=list)
    left: list[FilledCell] = field(default_factory=list)
    open: list[str] = field(default_factory=list)
    searches: int = 0


def decisive_fills(
    case: Archived,
    *,
    each: bool = False,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """Which of the filled cells of parts that may be chosen the front of a run depends on.

    each : every cell by a search of its own; else all at once, and halves only of what matters
    """
    began = time.monotonic()
    cells, unseen = filled_cells(case)
    found, end = _Asked(), None if time_limit is None else began + time_limit

    def ask(group: Sequence[FilledCell]) -> Effect | None:
        rest = None if end is None else end - time.monotonic()
        if stop() or (rest is not None and rest <= 0.0):
            return None
        found.searches += 1
        progress("fills", f"{len(group)} of {len(cells)} refilled, search {found.searches}")
        return effect_of(case, group, time_limit=rest, stop=stop)

    groups = [[cell] for cell in cells] if each else [cells] if cells else []
    for group in groups:
        _divide(group, ask, found)
    return replace(_answer(case, cells, unseen, found, each), seconds=time.monotonic() - began)


def _divide(
    group: list[FilledCell],
    ask: Callable[[Sequence[FilledCell]], Effect | None],
    found: _Asked,
    known: Effect | None = None,
) -> bool:
    """Find the deciding cells of a group; whether it moves the front at all."""
    effect = known or ask(group)
    if effect is None:
        found.left += group
        return True
    if effect.open:
        found.open.append(effect.open)
    if not effect.moves:
        return False
    if len(group) == 1:
        found.deciding.append((group[0], effect))
        return True
    half = len(group) // 2
    parts = [_divide(some, ask, found) for some in (group[:half], group[half:])]
    if not any(parts):
        found.together.append(_fewest(group, effect, ask))
    return True


def _fewest(
    group: list[FilledCell],
    effect: Effect,
    ask: Callable[[Sequence[FilledCell]], Effect | None],
) -> tuple[list[FilledCell], Effect]:
    """Cells of a group that matter together only, those left out that are not needed."""
    if len(group) > TOGETHER_MOST:
        return group, effect
    for cell in list(group):
        fewer = [one for one in group if one is not cell]
        other = ask(fewer) if len(fewer) > 1 else None
        if other is not None and other.moves:
            group, effect = fewer, other
    return group, effect


# --- one search -----------------------------------------------------------------------------------


def effect_of(
    case: Archived,
    cells: Sequence[FilledCell],
    *,
    time_limit: float | None = None,
    stop: Stop = never,
) -> Effect:
    """How far the front of a run moves when some cells are refilled, at its reference states."""
    catalog = refilled(case.catalog, cells)
    now = variants(case.spec, catalog, like=case.variants)
    verdicts = judged(now, case.front.chosen, case.front.sense)
    kept = kept_points(case, verdicts, now, exact=False)
    more = resolve(
        case.spec, catalog, known=kept.stair, like=case, time_limit=time_limit, stop=stop
    )
    front = kept.joined(more.front)
    return replace(_gain(case.front, front), open=more.open)


def _gain(before: Front, after: Front) -> Effect:
    """What the points of a front gain on another: in loss at their cost, in cost at their loss,
    their end of charge as near."""
    none = np.iinfo(np.int64).max // 2
    near = before.error[None, :] <= after.error[:, None]
    within = near & (before.cost[None, :] <= after.cost[:, None])
    loss = np.where(within, before.loss[None, :], none).min(axis=1) - after.loss
    within = near & (before.loss[None, :] <= after.loss[:, None])
    cost = np.where(within, before.cost[None, :], none).min(axis=1) - after.cost
    new = (cost > COST_STEP) & (loss > LOSS_STEP)

    def most(gain: IntArray) -> int:
        return int(gain[new & (gain < none // 2)].max(initial=0))

    return Effect(most(cost), most(loss), int(new.sum()))


def refilled(catalog: Catalog, cells: Sequence[FilledCell]) -> Catalog:
    """The catalog with the favourable values in some filled cells."""
    tables = dict(catalog.tables)
    for kind in {cell.kind for cell in cells}:
        table = tables[kind]
        numbers = {key: values.copy() for key, values in table.numbers.items()}
        curves = {key: list(values) for key, values in table.curves.items()}
        rules = {item.key: item for item in columns_of(kind)}
        for cell in (cell for cell in cells if cell.kind == kind):
            if not isinstance(cell.best, float):
                curves[cell.key][cell.row] = cell.best
                continue
            numbers[cell.key][cell.row] = cell.best
            rule = rules[cell.key].fill
            if rule is not None and rule.also is not None:
                numbers[rule.also[0]][cell.row] /= rule.also[1]
            if cell.key == CORE_LOSS:
                for key, value in NO_CORE_LOSS.items():
                    numbers[key][cell.row] = value
        tables[kind] = replace(
            table, numbers=numbers, curves={key: tuple(values) for key, values in curves.items()}
        )
    return replace(catalog, tables=tables)


# --- the cells and their counterparts -------------------------------------------------------------


def filled_cells(case: Archived) -> tuple[list[FilledCell], list[str]]:
    """Filled cells of parts that may be chosen, and those without any counterpart, in words.

    A cell whose fill is as good as the best ever stated is left out: nothing could move.
    """
    cells: list[FilledCell] = []
    unseen: list[str] = []
    offered = may_be_chosen(case.prepared)
    for kind, table in case.catalog.tables.items():
        for item in columns_of(kind):
            mask = table.filled.get(item.key)
            rule = item.fill or item.curve_fill or item.key == CORE_LOSS
            if mask is None or not rule:
                continue
            rows = np.flatnonzero(mask & offered[kind])
            if not len(rows):
                continue
            best = _best_curves(table, item) if item.form == "curve" else _best(table, item, rows)
            for row in rows.tolist():
                name = table.part_number[row]
                if row not in best:
                    unseen.append(f"{name} {item.header}")
                elif (now := _now(table, item, row)) != best[row]:
                    where = kind, name, row, item.header, item.key
                    cells.append(FilledCell(*where, now, best[row]))
    cells.sort(key=lambda cell: (cell.kind, cell.row))
    return cells, unseen


def may_be_chosen(found: Found) -> dict[str, BoolArray]:
    """Parts of each kind that the rules of purchase let in."""
    stage = next(iter(found.stages.values()))
    lets = {
        kind: [keep for _, keep in pool.purchase_rules(stage, found.prices, kind)]
        for kind in buying.KIND_ORDER
    }
    return {kind: np.logical_and.reduce(masks) for kind, masks in lets.items()}


def _now(table: PartTable, item: Column, row: int) -> float | Curve:
    if item.form == "curve":
        return table.curves[item.key][row]
    return float(table.numbers[item.key][row])


def _best(table: PartTable, item: Column, rows: IntArray) -> dict[int, float | Curve]:
    """Favourable values of a filled number by row [SI].

    A fill of nothing is measured against the column that bounds it, temperatures by differences.
    """
    if item.key == CORE_LOSS:
        return dict.fromkeys(rows.tolist(), NO_CORE_LOSS[CORE_LOSS])
    assert item.fill is not None
    own, offered = table.numbers[item.key], _offered(table, item)
    given = ~np.isnan(own) & ~table.filled[item.key]
    for need in item.fill.needs:
        given &= ~table.filled.get(need, np.zeros(len(table), dtype=bool))
    with np.errstate(invalid="ignore", divide="ignore"):
        if item.units[0].symbol == "degC":
            value = own + _farthest((own - offered)[given], 0.0)
        elif np.nanmax(np.abs(offered), initial=0.0) > 0.0:
            value = own * _farthest((own / offered)[given], 1.0)
        else:
            bound = _bound(table, item)
            value = bound * np.max((own / bound)[given], initial=0.0)
    value = _within(table, item, value)
    return {row: float(value[row]) for row in rows.tolist() if np.isfinite(value[row])}


def _farthest(moved: FloatArray, fill: float) -> float:
    """How far stated values lie from their fills at most, to the side where most of them lie."""
    seen = moved[np.isfinite(moved)]
    if not len(seen):
        return math.nan
    lower = np.median(seen) < fill or seen.max() <= fill
    return float(seen.min() if lower else seen.max())


def _offered(table: PartTable, item: Column) -> FloatArray:
    """What the fill of a column would give for every row [SI]."""
    assert item.fill is not None
    units = {one.key: one.units[0].factor for one in columns_of(table.kind) if one.form == "number"}
    numbers = {key: values / units.get(key, 1.0) for key, values in table.numbers.items()}
    numbers[item.key] = np.full(len(table), np.nan)
    firsts = [entry[0][0] if entry else np.nan for entry in table.price_breaks]
    numbers[FIRST_BREAK] = np.array(firsts, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        found = item.fill.rule(numbers, table.texts)
    return np.asarray(found * item.units[0].factor, dtype=np.float64)


def _bound(table: PartTable, item: Column) -> FloatArray:
    """The column that bounds this one from above."""
    for order in orders_of(table.kind):
        if order.small == item.key and order.large in table.numbers:
            return table.numbers[order.large]
    return np.full(len(table), np.nan)


def _within(table: PartTable, item: Column, value: FloatArray) -> FloatArray:
    """The values held to what the other cells of their rows allow and to the plausible range."""
    factor = item.units[0].factor
    value = np.clip(value, item.low * factor, item.high * factor)
    for order in orders_of(table.kind):
        room = 1e-3 if order.strict else 0.0
        if order.small == item.key and order.large in table.numbers:
            value = np.fmin(value, table.numbers[order.large] * (1.0 - room))
        if order.large == item.key and order.small in table.numbers:
            value = np.fmax(value, table.numbers[order.small] * (1.0 + room))
    return np.asarray(value)


def _best_curves(table: PartTable, item: Column) -> dict[int, float | Curve]:
    """Favourable curves of filled rows: the upper envelope of the stated ones of the same class.

    Along the share of the rated voltage, or the current as a share of the saturation current.
    """
    curves, filled = table.curves[item.key], table.filled[item.key]
    bias = item.key == "capacitance_bias"
    group = table.texts["technology" if bias else "core_class"]
    scale = np.ones(len(table)) if bias else table.numbers["i_saturation_typ"]
    stated: dict[str, list[Curve]] = {}
    for row in np.flatnonzero(~filled).tolist():
        if len(curves[row]) > 1:
            points = tuple((x / scale[row], y) for x, y in curves[row])
            stated.setdefault(group[row], []).append(points)
    found: dict[int, float | Curve] = {}
    for row in np.flatnonzero(filled).tolist():
        seen = stated.get(group[row])
        if seen:
            found[row] = tuple((x * float(scale[row]), y) for x, y in _envelope(seen))
    return found


def _envelope(curves: Sequence[Curve]) -> Iterator[tuple[float, float]]:
    """The highest of some curves at every place where one of them bends."""
    places = sorted({x for curve in curves for x, _ in curve})
    each = [np.interp(places, *np.array(curve, dtype=np.float64).T) for curve in curves]
    yield from zip(places, np.max(each, axis=0).tolist(), strict=True)


# --- the answer -----------------------------------------------------------------------------------


def _answer(
    case: Archived, cells: Sequence[FilledCell], unseen: list[str], found: _Asked, each: bool
) -> Answer:
    ranked = sorted(found.deciding, key=lambda one: (-one[1].cost, -one[1].loss))
    names = [f"{cell.part} {cell.header}" for cell, _ in ranked]
    count = f"{len(cells)} filled cells that could be better"
    text = f"the front depends on {len(ranked)} of the {count}"
    text += f": {listed(names)}" if names else ""
    if found.together:
        text += f"; {len(found.together)} more groups matter only together"
    left = list(dict.fromkeys(found.open))
    if found.left:
        left.append(f"{len(found.left)} cells were not asked")
    if unseen:
        left.append(f"{len(unseen)} cells have no stated value to compare with")
    done = f"{found.searches} searches"
    if not each:
        done += "; a group that moves nothing clears its cells, as a better value never harms"
    return Answer(
        question="Which filled cells decide?",
        answer=text,
        proof=case.proof(done, left),
        proved=not left and not case.open,
        grids=tuple(_grids(case, ranked, found.together)),
        notes=tuple([f"no counterpart: {listed(unseen)}"] if unseen else []),
        data={
            "filled": len(cells),
            "deciding": [_plain(cell, effect) for cell, effect in ranked],
            "together": [
                {"cells": [f"{c.part} {c.header}" for c in group]} | _moved(effect)
                for group, effect in found.together
            ],
            "not_asked": [f"{cell.part} {cell.header}" for cell in found.left],
            "no_counterpart": unseen,
            "searches": found.searches,
        },
    )


def _grids(
    case: Archived,
    ranked: Sequence[tuple[FilledCell, Effect]],
    together: Sequence[tuple[list[FilledCell], Effect]],
) -> Iterator[Grid]:
    heads = ("part", "cell", ">filled", ">at best", f">saves {case.currency}", ">saves W", ">sets")
    rows = [
        (cell.part, cell.header, *_values(cell), *_saves(effect))
        for cell, effect in ranked[:SCREEN_ROWS]
    ]
    if rows:
        yield Grid("Filled cells the front depends on", heads, tuple(rows))
    if together:
        both = [
            (listed([f"{c.part} {c.header}" for c in group]), *_saves(effect))
            for group, effect in together[:SCREEN_ROWS]
        ]
        yield Grid("Cells that matter only together", ("cells", *heads[4:]), tuple(both))


def _values(cell: FilledCell) -> tuple[str, str]:
    if not isinstance(cell.value, float) or not isinstance(cell.best, float):
        return "curve", "best curve stated"
    item = next(one for one in columns_of(cell.kind) if one.key == cell.key)
    factor = item.units[0].factor
    return f"{cell.value / factor:.4g}", f"{cell.best / factor:.4g}"


def _saves(effect: Effect) -> tuple[str, str, str]:
    cost = money(effect.cost * COST_UNIT, "").strip()
    return cost, watts(effect.loss * LOSS_UNIT).removesuffix(" W"), str(effect.fresh)


def _moved(effect: Effect) -> dict[str, float]:
    return {
        "cost_saved": round(effect.cost * COST_UNIT, 4),
        "loss_saved_w": effect.loss * LOSS_UNIT,
        "sets_new": effect.fresh,
    }


def _plain(cell: FilledCell, effect: Effect) -> dict[str, object]:
    return {"kind": cell.kind, "part": cell.part, "column": cell.header, **_moved(effect)}
