"""Changes to parts of the catalogs: gone for good, or with other cells; read from a TOML file.

::

    gone = ["A", "B"]                     # cannot be had any more

    [parts."C"]                           # cells by the headers of the catalog
    status = "last-time-buy"
    price_breaks_each = "1:0.95 1000:0.61"
    rds_on_10v_max_mohm = 6.1

A changed row goes through the same checks and fills as if its file had held the new cells.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from optimizer.columns import KINDS, columns_of
from optimizer.errors import InputError, Problem
from optimizer.sheets import Sheet

KEYS = ("gone", "parts")
IDENTITY = "part_number"
WITH_POINT = ("number", "curve", "prices")
"""Forms of cells that hold a decimal point."""


@dataclass(frozen=True, slots=True)
class Changes:
    """What becomes of some parts.

    gone : part numbers that cannot be had any more
    cells : part number -> header -> new text of the cell
    """

    gone: tuple[str, ...] = ()
    cells: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def names(self) -> frozenset[str]:
        """Every part that is gone or changed."""
        return frozenset(self.gone) | frozenset(self.cells)

    def __bool__(self) -> bool:
        return bool(self.names)


def read_changes(path: Path, *, gone: Iterable[str] = ()) -> Changes:
    """The changes of a file, with more parts `gone`; every problem in it at once."""
    place = str(path)
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError:
        raise _error(place, "", "no readable file", "a file of changes", "check the path") from None
    except ValueError as error:
        got = f"text that is no TOML ({error})"
        raise _error(place, "", got, "TOML", "correct it") from None
    problems = list(_strange(place, data))
    cells = {} if problems else _cells(data)
    known = {item.header for kind in KINDS for item in columns_of(kind)} - {IDENTITY}
    for part, row in cells.items():
        problems += [
            _unknown(place, f"parts.{part}.{key}", key, known) for key in row.keys() - known
        ]
    if problems:
        raise InputError(sorted(problems))
    return Changes(tuple(dict.fromkeys([*data.get("gone", ()), *gone])), cells)


def _error(place: str, name: str, got: str, need: str, fix: str) -> InputError:
    return InputError([Problem(place, name, got, need, fix)])


def _unknown(place: str, name: str, key: str, known: Iterable[str]) -> Problem:
    close = get_close_matches(key, list(known), 1)
    fix = f"did you mean {close[0]!r}?" if close else "remove it"
    return Problem(place, name, "an unknown column", "a header of the catalogs", fix)


def _strange(place: str, data: Mapping[str, Any]) -> Iterable[Problem]:
    """What is no list of parts and no table of cells."""
    for key in data.keys() - set(KEYS):
        yield Problem(place, key, "an unknown key", f"one of {', '.join(KEYS)}", "remove it")
    gone = data.get("gone", [])
    if not isinstance(gone, list) or not all(isinstance(name, str) for name in gone):
        yield Problem(place, "gone", repr(gone), "a list of part numbers", "correct it")
    parts = data.get("parts", {})
    if not isinstance(parts, dict):
        yield Problem(place, "parts", repr(parts), "one table per part number", "correct it")
        return
    for part, row in parts.items():
        good = isinstance(row, dict) and all(_plain(value) for value in row.values())
        if not good or not row:
            need = "cells by their headers, each a text or a number"
            yield Problem(place, f"parts.{part}", repr(row), need, "correct it")


def _plain(value: object) -> bool:
    return isinstance(value, str | int | float) and not isinstance(value, bool)


def _cells(data: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    return {
        part: {
            key: value if isinstance(value, str) else f"{value:.12g}" for key, value in row.items()
        }
        for part, row in data.get("parts", {}).items()
    }


def amended(sheet: Sheet, cells: Mapping[str, Mapping[str, str]]) -> Sheet:
    """The sheet with the cells of some parts changed; columns it lacks are added."""
    rows = {name: k for k, name in enumerate(sheet.cells.get(IDENTITY, ())) if name in cells}
    if not rows:
        return sheet
    known = {item.header: item for item in columns_of(sheet.kind)}
    changed = {header: list(column) for header, column in sheet.cells.items()}
    problems: list[Problem] = []
    for part, row in rows.items():
        for header, text in cells[part].items():
            if header not in known:
                where = f"{part} {header}"
                problems.append(_unknown(sheet.place(row), where, header, known))
                continue
            point = sheet.style.comma_used and known[header].form in WITH_POINT
            column = changed.setdefault(header, [""] * len(sheet.lines))
            column[row] = text.replace(".", ",") if point else text
    if problems:
        raise InputError(problems)
    return replace(sheet, cells={header: tuple(column) for header, column in changed.items()})
