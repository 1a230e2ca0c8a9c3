"""Two revisions of a catalog: parts that came and went, and every cell that changed."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.catalog import Catalog
from optimizer.columns import Column, columns_of
from optimizer.studies.answer import Answer, Grid, listed
from optimizer.tables import PartTable


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell that changed, in the unit of its header."""

    kind: str
    part: str
    column: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Revision:
    """What changed between two catalogs; `added`, `removed` : (kind, part number)."""

    added: tuple[tuple[str, str], ...]
    removed: tuple[tuple[str, str], ...]
    cells: tuple[Cell, ...]

    def touched(self) -> dict[str, list[Cell]]:
        """Changed cells by part."""
        found: dict[str, list[Cell]] = {}
        for cell in self.cells:
            found.setdefault(cell.part, []).append(cell)
        return found


def revision(old: Catalog, new: Catalog) -> Revision:
    """Compare every usable part of two catalogs, fills included."""
    added: list[tuple[str, str]] = []
    removed: list[tuple[str, str]] = []
    cells: list[Cell] = []
    for kind, before in old.tables.items():
        after = new.tables[kind]
        rows = {name: row for row, name in enumerate(after.part_number)}
        removed += [(kind, name) for name in before.part_number if name not in rows]
        known = set(before.part_number)
        added += [(kind, name) for name in after.part_number if name not in known]
        for row, name in enumerate(before.part_number):
            if name in rows:
                cells += _changed(before, row, after, rows[name])
    return Revision(tuple(added), tuple(removed), tuple(cells))


def _changed(before: PartTable, row: int, after: PartTable, other: int) -> Iterator[Cell]:
    for column in columns_of(before.kind):
        one, two = cell_text(before, column, row), cell_text(after, column, other)
        if one != two:
            yield Cell(before.kind, before.part_number[row], column.header, one, two)


def cell_text(table: PartTable, column: Column, row: int) -> str:
    """One cell in the unit of its header, "-" where it is empty."""
    if column.form == "number":
        value = float(table.numbers[column.key][row]) / column.units[0].factor
        return "-" if math.isnan(value) else f"{value:.9g}"
    if column.form == "prices":
        return " ".join(f"{q}:{p:g}" for q, p in table.price_breaks[row]) or "-"
    if column.form == "curve":
        x, y = column.units
        points = table.curves[column.key][row]
        return " ".join(f"{a / x.factor:.6g}:{b / y.factor:.6g}" for a, b in points) or "-"
    return table.texts[column.header][row] or "-"


def difference_of_catalogs(old: Catalog, new: Catalog) -> Answer:
    """What two revisions of a catalog differ in."""
    began = time.monotonic()
    found = revision(old, new)
    text = summary(found) or "nothing: every usable part is the same"
    counted = Counter(cell.column for cell in found.cells)
    rows = tuple(
        (cell.part, cell.column, cell.before, cell.after, _share(cell)) for cell in found.cells
    )
    grids = [Grid("Changed cells", ("part", "column", "before", "after", ">change"), rows)]
    notes = []
    if counted:
        some = [f"{name} ({count})" for name, count in counted.most_common(6)]
        notes.append(f"columns that changed most: {listed(some, 6)}")
    for word, parts in (("added", found.added), ("removed", found.removed)):
        if parts:
            notes.append(f"{word}: {listed([part for _, part in parts], 8)}")
    return Answer(
        question="What changed between the two catalogs?",
        answer=text,
        proof="every cell of every usable part compared, policy fills included",
        proved=True,
        grids=tuple(grids) if rows else (),
        notes=tuple(notes),
        data=revision_data(found),
        seconds=time.monotonic() - began,
    )


def summary(found: Revision) -> str:
    """A revision in a few words, empty where nothing changed."""
    texts = []
    if found.added:
        texts.append(f"{len(found.added)} parts added")
    if found.removed:
        texts.append(f"{len(found.removed)} removed")
    if found.cells:
        cells, parts = len(found.cells), len(found.touched())
        texts.append(f"{cells} cell{'s' * (cells > 1)} changed in {parts} part{'s' * (parts > 1)}")
    return ", ".join(texts)


def revision_data(found: Revision) -> dict[str, object]:
    """A revision for machines."""
    return {
        "added": [list(one) for one in found.added],
        "removed": [list(one) for one in found.removed],
        "cells": [
            {
                "kind": one.kind,
                "part_number": one.part,
                "column": one.column,
                "before": one.before,
                "after": one.after,
            }
            for one in found.cells
        ],
    }


def _share(cell: Cell) -> str:
    """By how much a number changed."""
    try:
        one, two = float(cell.before), float(cell.after)
    except ValueError:
        return ""
    return f"{100.0 * (two / one - 1.0):+.3g} %" if one and np.isfinite(two) else ""
