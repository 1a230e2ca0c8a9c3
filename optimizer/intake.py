"""Rows of text -> one table per kind: convert, check, fill by the written policy, go to SI.

Everything up to `finish` stays in the units of the headers, in which ranges and fills are written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np

from optimizer import cells
from optimizer.cells import CellError, Prices
from optimizer.columns import COMPLETE, Column, columns_of, orders_of
from optimizer.errors import Problem
from optimizer.fills import FIRST_BREAK, Curve
from optimizer.records import BoolArray, FloatArray
from optimizer.sheets import Sheet
from optimizer.tables import FILLED, REFUSED, WRONG, Finding, PartTable, frozen
from optimizer.units import with_prefix


@dataclass(slots=True)
class Raw:
    """Rows of one kind in the units of their headers, while they are being worked on.

    `broken`: rows with an unreadable cell or in conflict with another row.
    """

    kind: str
    place: list[str]
    part_number: list[str]
    numbers: dict[str, FloatArray]
    texts: dict[str, list[str]]
    curves: dict[str, list[Curve]]
    prices: list[Prices]
    broken: dict[int, str]
    findings: list[Finding] = field(default_factory=list)

    def find(self, row: int, column: str, severity: str, text: str) -> None:
        """Note something about one cell."""
        found = Finding(self.place[row], self.part_number[row], column, severity, text)
        self.findings.append(found)


def convert(sheet: Sheet) -> tuple[Raw, list[Problem]]:
    """Convert every cell of a sheet; unreadable ones are problems and break their row."""
    count = len(sheet.lines)
    raw = Raw(
        sheet.kind,
        [sheet.place(row) for row in range(count)],
        [""] * count,
        {},
        {},
        {},
        [()] * count,
        {},
    )
    problems: list[Problem] = []
    for item in columns_of(sheet.kind):
        texts = sheet.cells.get(item.header, ("",) * count)
        for row, error in _store(raw, item, texts, sheet).items():
            problem = Problem(raw.place[row], item.header, error.got, error.need, error.fix)
            problems.append(problem)
            raw.broken.setdefault(row, f"{item.header} cannot be read: {error.got}")
    for problem in problems:
        row = raw.place.index(problem.place)
        raw.find(row, problem.name, WRONG, _words(problem))
    return raw, problems


def _words(problem: Problem) -> str:
    return f"got {problem.got}, need {problem.need}; {problem.fix}"


def _store(raw: Raw, item: Column, texts: Sequence[str], sheet: Sheet) -> dict[int, CellError]:
    if item.form == "number":
        raw.numbers[item.key], errors = cells.numbers(texts, item.units[0], sheet.style)
        return errors
    readers: dict[str, Callable[[str], Any]] = {
        "curve": partial(cells.curve, column=item, style=sheet.style),
        "prices": partial(cells.prices, style=sheet.style),
        "choice": partial(cells.choice, column=item),
        "text": partial(cells.plain_text, column=item),
    }
    values, errors = cells.collect(texts, readers[item.form])
    if item.form == "curve":
        raw.curves[item.key] = [value or () for value in values]
    elif item.form == "prices":
        raw.prices = [value or () for value in values]
    else:
        raw.texts[item.header] = [value or "" for value in values]
        if item.header == "part_number":
            raw.part_number = raw.texts[item.header]
    return errors


def join(kind: str, raws: Sequence[Raw]) -> Raw:
    """Rows of several files one after the other."""
    joined = Raw(kind, [], [], {}, {}, {}, [], {})
    for raw in raws:
        start = len(joined.place)
        joined.place += raw.place
        joined.part_number += raw.part_number
        joined.prices += raw.prices
        joined.broken.update({start + row: text for row, text in raw.broken.items()})
        joined.findings += raw.findings
    for item in columns_of(kind):
        if item.form == "number":
            parts = [raw.numbers[item.key] for raw in raws]
            joined.numbers[item.key] = np.concatenate([*parts, np.zeros(0)])
        elif item.form == "curve":
            joined.curves[item.key] = [c for raw in raws for c in raw.curves[item.key]]
        elif item.form != "prices":
            joined.texts[item.header] = [t for raw in raws for t in raw.texts[item.header]]
    return joined


def differing(raw: Raw, first: int, second: int) -> list[str]:
    """Headers in which two rows differ."""
    found = []
    for item in columns_of(raw.kind):
        if item.form == "number":
            one, two = raw.numbers[item.key][[first, second]]
            same = one == two or (np.isnan(one) and np.isnan(two))
        elif item.form == "curve":
            same = raw.curves[item.key][first] == raw.curves[item.key][second]
        elif item.form == "prices":
            same = raw.prices[first] == raw.prices[second]
        else:
            same = raw.texts[item.header][first] == raw.texts[item.header][second]
        if not same:
            found.append(item.header)
    return found


def check(raw: Raw) -> None:
    """Find implausible values and orders; such a row is refused."""
    for item in columns_of(raw.kind):
        if item.form == "number":
            _check_range(raw, item)
        elif item.form == "curve":
            _check_curves(raw, item)
        elif item.form == "prices":
            _check_prices(raw, item)
    _check_orders(raw)


def _check_range(raw: Raw, item: Column) -> None:
    values = raw.numbers[item.key]
    for row in np.flatnonzero((values < item.low) | (values > item.high)).tolist():
        got, need, fix = cells.out_of_range(float(values[row]), item)
        raw.find(row, item.header, WRONG, f"got {got}, need {need}; {fix}")
    if item.units[0].suffix == "pcs":
        for row in np.flatnonzero(np.mod(values, 1) > 0).tolist():
            text = f"got {values[row]:g} pieces, need a whole number; correct the cell"
            raw.find(row, item.header, WRONG, text)


def _check_orders(raw: Raw) -> None:
    columns = {item.key: item for item in columns_of(raw.kind)}
    for order in orders_of(raw.kind):
        small, large = raw.numbers[order.small], raw.numbers[order.large]
        with np.errstate(invalid="ignore"):
            bad = small >= large if order.strict else small > large
        for row in np.flatnonzero(bad).tolist():
            item, other = columns[order.small], columns[order.large]
            suffix = item.units[0].suffix
            got, limit = (with_prefix(float(x[row]), suffix) for x in (small, large))
            word = "less than" if order.strict else "at most"
            raw.find(
                row,
                item.header,
                WRONG,
                f"got {got}, need {word} the {limit} of {other.header}; correct one of them",
            )


def _check_curves(raw: Raw, item: Column) -> None:
    for row, points in enumerate(raw.curves[item.key]):
        fault = _curve_fault(points, item) if points else ""
        if fault:
            raw.find(
                row,
                item.header,
                WRONG,
                f"got {_written(points)!r}, need {fault}; correct the points",
            )


def _curve_fault(points: Curve, item: Column) -> str:
    xs, ys = zip(*points, strict=True)
    if any(b <= a for a, b in pairwise(xs)):
        return f"rising {item.units[0].label} from point to point"
    if any(b > a for a, b in pairwise(ys)):
        return "a falling curve"
    if xs[0] < item.low or xs[-1] > item.high:
        return f"{item.low:g} to {item.high:g} {item.units[0].label}"
    if ys[-1] <= 0 or ys[0] > 105:
        return "shares above 0 and up to 105 %"
    return ""


def _check_prices(raw: Raw, item: Column) -> None:
    for row, breaks in enumerate(raw.prices):
        quantities, unit_prices = [q for q, _ in breaks], [p for _, p in breaks]
        fault = ""
        if any(b <= a for a, b in pairwise(quantities)):
            fault = "rising quantities"
        elif any(b > a for a, b in pairwise(unit_prices)):
            fault = "unit prices that do not rise with the quantity"
        elif breaks and not all(item.low <= price <= item.high for price in unit_prices):
            fault = f"prices of {item.low:g} to {item.high:g} (plausible)"
        if fault:
            raw.find(
                row,
                item.header,
                WRONG,
                f"got {_written(breaks)!r}, need {fault}; correct the pairs",
            )


def _written(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:g}:{y:g}" for x, y in points)


def fill(raw: Raw) -> dict[str, BoolArray]:
    """Fill missing cells by the policy, then refuse the rows that still miss a needed one."""
    count = len(raw.place)
    raw.numbers[FIRST_BREAK] = np.array([b[0][0] if b else np.nan for b in raw.prices], dtype=float)
    masks = {key: np.zeros(count, dtype=bool) for key in raw.numbers}
    for item in columns_of(raw.kind):
        if item.fill:
            _fill_numbers(raw, item, masks)
        elif item.otherwise:
            masks[item.header] = _fill_texts(raw, item)
        if item.curve_fill:
            masks[item.key] = _fill_curves(raw, item)
    _complete(raw, masks)
    for item in columns_of(raw.kind):
        _refuse_missing(raw, item)
    del raw.numbers[FIRST_BREAK], masks[FIRST_BREAK]
    return masks


def _fill_numbers(raw: Raw, item: Column, masks: dict[str, BoolArray]) -> None:
    assert item.fill is not None
    values = raw.numbers[item.key]
    missing = np.isnan(values)
    if not missing.any():
        return
    with np.errstate(invalid="ignore"):
        offered = item.fill.rule(raw.numbers, raw.texts)
    used = missing & ~np.isnan(offered)
    raw.numbers[item.key] = np.where(used, offered, values)
    masks[item.key] |= used
    label = item.units[0].label
    for row in np.flatnonzero(used).tolist():
        raw.find(
            row,
            item.header,
            FILLED,
            f"{offered[row]:.6g} {label}".strip() + f" assumed ({item.fill.text})",
        )
    if item.fill.also:
        key, factor = item.fill.also
        raw.numbers[key] = np.where(used, factor * raw.numbers[key], raw.numbers[key])
        masks[key] |= used & ~np.isnan(raw.numbers[key])


def _fill_texts(raw: Raw, item: Column) -> BoolArray:
    texts = raw.texts[item.header]
    mask = np.array([not text for text in texts], dtype=bool)
    for row in np.flatnonzero(mask).tolist():
        texts[row] = item.otherwise
        raw.find(row, item.header, FILLED, f"{item.otherwise!r} assumed")
    return mask


def _fill_curves(raw: Raw, item: Column) -> BoolArray:
    assert item.curve_fill is not None
    curves = raw.curves[item.key]
    mask = np.zeros(len(curves), dtype=bool)
    for row, points in enumerate(curves):
        if not points:
            curves[row], mask[row] = item.curve_fill.rule(raw.numbers, raw.texts, row)
            if mask[row]:
                raw.find(row, item.header, FILLED, f"assumed ({item.curve_fill.text})")
    return mask


def _complete(raw: Raw, masks: dict[str, BoolArray]) -> None:
    for group in COMPLETE.get(raw.kind, ()):
        missing = np.isnan(np.array([raw.numbers[key] for key in group])).any(axis=0)
        for key in group:
            raw.numbers[key] = np.where(missing, np.nan, raw.numbers[key])
        masks[group[0]] |= missing
        header = next(item.header for item in columns_of(raw.kind) if item.key == group[0])
        for row in np.flatnonzero(missing).tolist():
            raw.find(
                row,
                header,
                FILLED,
                "left to the rule for parts without such data (needs "
                + ", ".join(group)
                + " together)",
            )


def _refuse_missing(raw: Raw, item: Column) -> None:
    if not (item.need or item.need_for):
        return
    if item.form == "number":
        missing = np.isnan(raw.numbers[item.key]).tolist()
    elif item.form == "prices":
        missing = [not breaks for breaks in raw.prices]
    else:
        missing = [not text for text in raw.texts[item.header]]
    for row in (row for row, absent in enumerate(missing) if absent):
        if not item.need_for or raw.texts["technology"][row] in item.need_for:
            why = f" and no way to fill it ({item.fill.text})" if item.fill else ""
            raw.find(row, item.header, REFUSED, f"no {item.header}{why}")


def finish(raw: Raw, masks: dict[str, BoolArray], keep: Sequence[int]) -> PartTable:
    """The rows `keep` as a table in SI."""
    columns = columns_of(raw.kind)
    index = np.array(keep, dtype=np.int64)
    numbers = {
        item.key: frozen(raw.numbers[item.key][index] * item.units[0].factor)
        for item in columns
        if item.form == "number"
    }
    return PartTable(
        kind=raw.kind,
        part_number=tuple(raw.part_number[row] for row in keep),
        numbers=numbers,
        texts={name: tuple(texts[row] for row in keep) for name, texts in raw.texts.items()},
        curves={
            item.key: tuple(_in_si(raw.curves[item.key][row], item) for row in keep)
            for item in columns
            if item.form == "curve"
        },
        price_breaks=tuple(raw.prices[row] for row in keep),
        filled={key: frozen(mask[index]) for key, mask in masks.items()},
        place=tuple(raw.place[row] for row in keep),
    )


def _in_si(points: Curve, item: Column) -> Curve:
    unit_x, unit_y = item.units
    return tuple((x * unit_x.factor, y * unit_y.factor) for x, y in points)
