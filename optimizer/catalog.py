"""CSV catalogs -> `Catalog` in SI, or every bad cell of every file at once; and lint."""

from __future__ import annotations

import datetime
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer import intake
from optimizer.catalog_changes import Changes, amended
from optimizer.columns import FIGURES, KINDS, OUTLIER, Figure, columns_of, when_missing
from optimizer.errors import InputError, Problem
from optimizer.intake import Raw
from optimizer.records import FloatArray, Note
from optimizer.sheets import Sheet, find_files, read_sheet
from optimizer.tables import (
    FILLED,
    REFUSED,
    SUSPICIOUS,
    WRONG,
    Finding,
    PartTable,
    Refusal,
)

__all__ = ["Catalog", "Finding", "LintReport", "PartTable", "Refusal", "lint", "read_catalog"]

Paths = str | Path | Iterable[str | Path]
SEVERITIES = (WRONG, REFUSED, FILLED, SUSPICIOUS)
MINIMUM_CLASS = 5
"""Classes with fewer parts have no meaningful median."""

OLD_DAYS = 365
"""Prices that much older than the newest of their kind are suspicious [days]."""

NAMED = 4
"""So many columns are named in which two rows of one part differ."""


@dataclass(frozen=True, slots=True)
class Catalog:
    """Every usable part of some CSV files.

    tables : kind -> parts in SI (every kind is there, perhaps empty)
    refused : rows that are not used, with their reasons
    notes : what was assumed, kept once, or left aside
    hashes : file name -> SHA-256 of its bytes
    rows : kind -> rows read, refused ones included
    findings : what lint says, cell by cell
    problems : what would have stopped a strict reading
    """

    tables: Mapping[str, PartTable]
    refused: tuple[Refusal, ...]
    notes: tuple[Note, ...]
    hashes: Mapping[str, str]
    rows: Mapping[str, int]
    findings: tuple[Finding, ...]
    problems: tuple[Problem, ...] = ()

    def table(self, kind: str) -> PartTable:
        """Parts of one kind."""
        return self.tables[kind]


@dataclass(frozen=True, slots=True)
class LintReport:
    """What is wrong, refused, filled or suspicious, by file and line, and how many of each.

    rows, used : kind -> rows read and rows that can be used
    problems : what stops a run, whole files included
    """

    items: tuple[Finding, ...]
    counts: Mapping[str, int]
    rows: Mapping[str, int]
    used: Mapping[str, int]
    problems: tuple[Problem, ...]
    hashes: Mapping[str, str]


def read_catalog(paths: Paths, *, strict: bool = True, changes: Changes | None = None) -> Catalog:
    """Read catalog files or folders of them.

    The kind of a file follows from its name (mosfets*.csv, inductors*.csv, ...). Raises
    `InputError` with every problem of every file; with `strict` off the rows and files concerned
    are left out instead and listed in `problems`. `changes` alters cells as if the files held
    them so; parts that are gone stay in the tables, where a spec forbids them.
    """
    files, problems = find_files(paths)
    raws: dict[str, list[Raw]] = defaultdict(list)
    notes: list[Note] = []
    hashes: dict[str, str] = {}
    for file in files:
        sheet = _load(file)
        if isinstance(sheet, list):
            problems += sheet
            continue
        if changes is not None:
            sheet = amended(sheet, changes.cells)
        raw, bad_cells = intake.convert(sheet)
        raws[sheet.kind].append(raw)
        problems += [*sheet.problems, *bad_cells]
        notes += sheet.notes
        hashes[sheet.name] = sheet.sha256
    joined = [intake.join(kind, raws[kind]) for kind in KINDS]
    repeated = _repeated(joined, problems, notes)
    if problems and strict:
        raise InputError(sorted(problems, key=_problem_order))
    return _catalog(joined, repeated, notes, hashes, problems)


def _load(file: Path) -> Sheet | list[Problem]:
    try:
        return read_sheet(file, file.read_bytes())
    except OSError as error:
        got = f"an unreadable file ({error.strerror})"
        return [Problem(file.as_posix(), "", got, "a CSV file", "correct the path or the rights")]


def _catalog(
    joined: Sequence[Raw],
    repeated: set[tuple[str, int]],
    notes: list[Note],
    hashes: Mapping[str, str],
    problems: Sequence[Problem],
) -> Catalog:
    tables: dict[str, PartTable] = {}
    refused: list[Refusal] = []
    findings: list[Finding] = []
    for raw in joined:
        intake.check(raw)
        masks = intake.fill(raw)
        reasons = _reasons(raw)
        keep = [
            row
            for row in range(len(raw.place))
            if row not in reasons and (raw.kind, row) not in repeated
        ]
        tables[raw.kind] = table = intake.finish(raw, masks, keep)
        refused += [
            Refusal(raw.place[row], raw.part_number[row], text)
            for row, text in sorted(reasons.items())
        ]
        findings += raw.findings
        findings += _suspicious(table)
        notes += _notes(table)
    return Catalog(
        tables,
        tuple(refused),
        tuple(notes),
        dict(hashes),
        {raw.kind: len(raw.place) for raw in joined},
        tuple(sorted(findings, key=_finding_order)),
        tuple(sorted(problems, key=_problem_order)),
    )


def _reasons(raw: Raw) -> dict[int, str]:
    """Row -> every reason it cannot be used."""
    rows = {place: row for row, place in enumerate(raw.place)}
    texts: dict[int, list[str]] = defaultdict(list)
    for row, text in raw.broken.items():
        texts[row].append(text)
    for found in raw.findings:
        row = rows[found.place]
        if found.severity == REFUSED:
            texts[row].append(found.text)
        elif found.severity == WRONG and row not in raw.broken:
            texts[row].append(f"{found.column}: {found.text}")
    return {row: "; ".join(parts) for row, parts in texts.items()}


def _repeated(
    joined: Sequence[Raw], problems: list[Problem], notes: list[Note]
) -> set[tuple[str, int]]:
    """Rows that repeat another one; those that contradict another break both and are problems."""
    first: dict[str, tuple[Raw, int]] = {}
    again: set[tuple[str, int]] = set()
    for raw in joined:
        for row, name in enumerate(raw.part_number):
            if not name:
                continue
            if name not in first:
                first[name] = (raw, row)
                continue
            other, origin = first[name]
            where = other.place[origin]
            different = (
                intake.differing(raw, origin, row) if other is raw else [f"kind ({other.kind})"]
            )
            if not different and (origin in other.broken or row in raw.broken):
                different = ["cells that cannot be read or compared"]
            if different:
                _conflict(raw, row, other, origin, different, problems)
            else:
                again.add((raw.kind, row))
                notes.append(
                    Note("excluded", f"{raw.place[row]} {name}", f"repeats {where}, kept once")
                )
                raw.find(row, "part_number", SUSPICIOUS, f"repeats {where}, kept once")
    return again


def _conflict(
    raw: Raw, row: int, other: Raw, origin: int, different: Sequence[str], problems: list[Problem]
) -> None:
    name, where = raw.part_number[row], other.place[origin]
    more = len(different) - NAMED
    columns = ", ".join(different[:NAMED]) + (f" and {more} more columns" if more > 0 else "")
    problem = Problem(
        raw.place[row],
        "part_number",
        f"{name!r} again, with other data than {where} in {columns}",
        "one row per part",
        "delete the wrong row; neither is used",
    )
    problems.append(problem)
    for table, line, rest in ((raw, row, where), (other, origin, raw.place[row])):
        text = f"contradicts {rest} in {columns}"
        table.find(line, "part_number", WRONG, text)
        table.broken.setdefault(line, text)


def _notes(table: PartTable) -> list[Note]:
    notes = []
    for item in columns_of(table.kind):
        mask = table.filled.get(item.key)
        if mask is not None and mask.any():
            count = int(mask.sum())
            text = f"{_parts(count)} without it: {when_missing(item)}"
            notes.append(Note("filled", f"{table.kind} {item.header}", text, "fill policy"))
    stale = sum(not date for date in table.texts["price_date"])
    if stale:
        text = f"{_parts(stale)} without it: the price is shown as stale"
        notes.append(Note("assumed", f"{table.kind} price_date", text, "catalogs"))
    return notes


def _parts(count: int) -> str:
    return "1 part" if count == 1 else f"{count} parts"


def _suspicious(table: PartTable) -> list[Finding]:
    found = _price_dates(table)
    for figure in FIGURES[table.kind]:
        found += _outliers(table, figure)
    return found


def _price_dates(table: PartTable) -> list[Finding]:
    """Prices without a date, and those far older than the newest of their kind."""
    dates = table.texts["price_date"]
    newest = max(dates, default="")
    found = []
    for row, date in enumerate(dates):
        text = "no price date: the price is shown as stale"
        if date:
            age = datetime.date.fromisoformat(newest) - datetime.date.fromisoformat(date)
            if age.days <= OLD_DAYS:
                continue
            text = f"price of {date}, {age.days / 365.25:.1f} years before the newest of its kind"
        place, part = table.place[row], table.part_number[row]
        found.append(Finding(place, part, "price_date", SUSPICIOUS, text))
    return found


def _outliers(table: PartTable, figure: Figure) -> list[Finding]:
    product = np.ones(len(table))
    for key, power in figure.powers:
        product = product * table.numbers[key] ** power
    classes: dict[str | float, list[int]] = defaultdict(list)
    labels = (
        table.numbers[figure.class_of].tolist()
        if figure.class_of in table.numbers
        else table.texts[figure.class_of]
    )
    for row, label in enumerate(labels):
        classes[label].append(row)
    found = []
    for label, rows in classes.items():
        if len(rows) >= MINIMUM_CLASS:
            found += _outliers_of_class(table, figure, product, label, rows)
    return found


def _outliers_of_class(
    table: PartTable, figure: Figure, product: FloatArray, label: str | float, rows: Sequence[int]
) -> list[Finding]:
    ratio = product[list(rows)] / np.median(product[list(rows)])
    name = f"{label:g}" if isinstance(label, float) else label
    found = []
    for row, times in zip(rows, ratio.tolist(), strict=True):
        if times > OUTLIER or times < 1 / OUTLIER:
            text = (
                f"{figure.name} is {times:.3g} times the median of {len(rows)} parts "
                f"with {figure.class_of} {name}"
            )
            column = figure.powers[0][0]
            place, part = table.place[row], table.part_number[row]
            found.append(Finding(place, part, column, SUSPICIOUS, text))
    return found


def lint(paths: Paths) -> LintReport:
    """Say row by row what is wrong, refused, filled by policy, or suspicious."""
    catalog = read_catalog(paths, strict=False)
    seen = {(found.place, found.column) for found in catalog.findings}
    of_files = [
        Finding(
            problem.place,
            "",
            problem.name,
            WRONG,
            f"got {problem.got}, need {problem.need}; {problem.fix}",
        )
        for problem in catalog.problems
        if (problem.place, problem.name) not in seen
    ]
    items = sorted([*catalog.findings, *of_files], key=_finding_order)
    counted = Counter(item.severity for item in items)
    return LintReport(
        items=tuple(items),
        counts={severity: counted[severity] for severity in SEVERITIES},
        rows=catalog.rows,
        used={kind: len(table) for kind, table in catalog.tables.items()},
        problems=catalog.problems,
        hashes=catalog.hashes,
    )


def _place_order(place: str) -> tuple[str, int]:
    match = re.fullmatch(r"(.*):(\d+)", place)
    return (match[1], int(match[2])) if match else (place, 0)


def _finding_order(found: Finding) -> tuple[str, int, str]:
    return (*_place_order(found.place), found.column)


def _problem_order(problem: Problem) -> tuple[str, int, str]:
    return (*_place_order(problem.place), problem.name)
