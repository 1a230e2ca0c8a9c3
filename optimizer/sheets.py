"""CSV file -> rows of text with their line numbers, or what is wrong with the file."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from optimizer.cells import MISSING, NUMBER, Style
from optimizer.columns import KINDS, Column, columns_of
from optimizer.errors import Problem
from optimizer.records import Note
from optimizer.units import UNITS, nearest, nearest_suffix, split_suffix

CONDITION = re.compile(r"_(\d+v\d*|m?\d+c|\d+khz)(?=_|$)")


@dataclass(frozen=True, slots=True)
class Sheet:
    """One file as text: `cells` by header, `lines` the line of each row."""

    name: str
    kind: str
    sha256: str
    cells: dict[str, tuple[str, ...]]
    lines: tuple[int, ...]
    style: Style
    notes: tuple[Note, ...]
    problems: tuple[Problem, ...]

    def place(self, row: int) -> str:
        """``file:line`` of a row."""
        return f"{self.name}:{self.lines[row]}"


def find_files(paths: str | Path | Iterable[str | Path]) -> tuple[list[Path], list[Problem]]:
    """Catalog files among files and folders, each once, and the paths that give none."""
    listed = [paths] if isinstance(paths, (str, Path)) else list(paths)
    files: dict[Path, Path] = {}
    problems = []
    for path in map(Path, listed):
        found = [path]
        if path.is_dir():
            found = sorted(p for p in path.iterdir() if p.suffix.lower() == ".csv" and kind_of(p))
        if not path.exists():
            problems.append(
                Problem(str(path), "", "no such file or folder", "a catalog", "correct the path")
            )
        elif not found:
            problems.append(
                Problem(
                    str(path),
                    "",
                    "a folder without catalogs",
                    "files named " + ", ".join(f"{k}s*.csv" for k in KINDS),
                    "rename the files or correct the path",
                )
            )
        else:
            files.update({file.resolve(): file for file in found})
    return list(files.values()), problems


def kind_of(path: Path) -> str:
    """Kind of catalog by file name, or an empty string."""
    return next((kind for kind in KINDS if path.stem.lower().startswith(kind + "s")), "")


def read_sheet(path: Path, data: bytes) -> Sheet | list[Problem]:
    """The bytes of one file as a sheet, or what makes it no table at all."""
    name, kind = path.as_posix(), kind_of(path)
    if not kind:
        need = "a name that starts with " + ", ".join(f"{k}s" for k in KINDS)
        return [Problem(name, "", "a file name of no known kind", need, "rename the file")]
    text = _decode(name, data)
    if isinstance(text, Problem):
        return [text]
    rows = _rows(name, text)
    if isinstance(rows, Problem):
        return [rows]
    return _sheet(name, kind, hashlib.sha256(data).hexdigest(), rows, _separator(text))


def _decode(name: str, data: bytes) -> str | Problem:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in data:
        return Problem(
            name, "", "UTF-16 or binary data", "a text file in UTF-8", "save it as CSV in UTF-8"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return Problem(
            f"{name}:{line}",
            "",
            f"byte 0x{data[error.start]:02x} that is not UTF-8",
            "a text file in UTF-8",
            "save it as CSV in UTF-8",
        )


def _separator(text: str) -> str:
    head = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    return ";" if head.count(";") > head.count(",") else ","


def _rows(name: str, text: str) -> list[tuple[int, list[str]]] | Problem:
    """Rows that are not blank, with the line each starts at; the header is the first."""
    reader = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=_separator(text),
        strict=True,
        skipinitialspace=True,
    )
    rows, line = [], 1
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                rows.append((line, stripped))
            line = reader.line_num + 1
    except csv.Error as error:
        return Problem(
            f"{name}:{line}", "", f"a broken row ({error})", "CSV", "close the quotes of this row"
        )
    if not rows:
        return Problem(name, "", "an empty file", "a header and rows", "fill or remove the file")
    return rows


def _sheet(
    name: str, kind: str, sha256: str, rows: list[tuple[int, list[str]]], separator: str
) -> Sheet | list[Problem]:
    line, head = rows[0]
    place, width = f"{name}:{line}", len(head)
    if width == 1:
        need = "cells separated by commas or semicolons"
        return [
            Problem(place, "", "a header of one cell", need, "export it again with one of them")
        ]
    headers = [cell.lower() for cell in head]
    problems = _ragged(name, width, rows[1:], separator)
    body = [(line, cells[:width]) for line, cells in rows[1:] if _fits(cells, width)]
    columns: list[tuple[str, ...]] = [()] * width
    if body:
        columns = list(zip(*(cells for _, cells in body), strict=True))
    elif not problems:
        need = "at least one part"
        problems.append(Problem(name, "", "a header without rows", need, "add parts or remove it"))
    found, notes = _check_headers(place, kind, headers, columns)
    cells = dict(zip(headers, columns, strict=True))
    known = {item.header: cells[item.header] for item in columns_of(kind) if item.header in cells}
    lines = tuple(line for line, _ in body)
    style = _style(kind, known, separator)
    return Sheet(name, kind, sha256, known, lines, style, tuple(notes), (*problems, *found))


def _fits(cells: Sequence[str], width: int) -> bool:
    return len(cells) >= width and not any(cells[width:])


def _ragged(
    name: str, width: int, rows: list[tuple[int, list[str]]], separator: str
) -> list[Problem]:
    fix = "correct the row"
    if separator == ",":
        fix = "quote cells that hold a comma; a decimal comma needs semicolons between cells"
    need = f"{width} as in the header"
    return [
        Problem(f"{name}:{line}", "", f"{len(cells)} cells", need, fix)
        for line, cells in rows
        if not _fits(cells, width)
    ]


def _style(kind: str, cells: dict[str, tuple[str, ...]], separator: str) -> Style:
    if separator != ";":
        return Style()
    numeric = [
        item.header for item in columns_of(kind) if item.form in ("number", "curve", "prices")
    ]
    used = any("," in text for header in numeric for text in cells.get(header, ()))
    return Style(comma=True, comma_used=used)


def _check_headers(
    place: str, kind: str, headers: Sequence[str], columns: Sequence[Sequence[str]]
) -> tuple[list[Problem], list[Note]]:
    problems: list[Problem] = []
    notes: list[Note] = []
    known = {item.header: item for item in columns_of(kind)}
    for position, header in enumerate(headers):
        found: Problem | Note | None = None
        if header and header in headers[:position]:
            found = Problem(
                place, header, "the column twice", "each column once", "remove one of them"
            )
        elif header not in known:
            found = _unknown(place, kind, header, position, columns[position], known, headers)
        if isinstance(found, Problem):
            problems.append(found)
        elif found:
            notes.append(found)
    problems += _missing_columns(place, kind, set(headers))
    return problems, notes


def _unknown(
    place: str,
    kind: str,
    header: str,
    position: int,
    cells: Sequence[str],
    known: dict[str, Column],
    headers: Sequence[str],
) -> Problem | Note | None:
    """An unknown column: an error where it looks like a slip, else a note."""
    filled = [cell for cell in cells if cell not in MISSING]
    if not header:
        name, fix = f"column {position + 1}", "name or remove the column"
        return Problem(place, name, "cells without a header", "a header", fix) if filled else None
    key, suffix = split_suffix(header)
    near = _near_header(header, key, known, headers)
    if near:
        fix = f"did you mean {near!r}?"
        return Problem(place, header, "an unknown column", f"a {kind} column", fix)
    if filled and not suffix and all(NUMBER.match(cell) for cell in filled):
        last = header.rsplit("_", 1)[-1]
        close = nearest_suffix(last)
        fix = f"did you mean {close!r}?" if close else "rename or remove the column"
        got = f"a numeric column with the unknown unit {last!r}"
        return Problem(place, header, got, "one of " + ", ".join(UNITS), fix)
    return Note("excluded", f"{place} {header}", "unknown column, not used")


def _near_header(header: str, key: str, known: dict[str, Column], headers: Sequence[str]) -> str:
    """The column this header was probably meant to be: another unit, or a slip of the pen."""
    for item in known.values():
        if item.key == key:
            return item.header
    near = nearest(header, known)
    other_condition = CONDITION.sub("", header) == CONDITION.sub("", near)
    return "" if other_condition or near in headers else near


def _missing_columns(place: str, kind: str, headers: set[str]) -> list[Problem]:
    by_key = {item.key: item for item in columns_of(kind)}
    problems: list[Problem] = []
    named: set[str] = set()
    for item in by_key.values():
        if not item.need or _reachable(item.key, by_key, headers, ()):
            continue
        others = [key for key in (item.fill.needs if item.fill else ()) if key in by_key]
        if named.isdisjoint(others):
            need = " or ".join([item.header, *(by_key[key].header for key in others)])
            problems.append(Problem(place, item.header, "no such column", need, "add the column"))
        named.add(item.key)
    return problems


def _reachable(
    key: str, by_key: dict[str, Column], headers: set[str], seen: tuple[str, ...]
) -> bool:
    item = by_key[key]
    if item.header in headers:
        return True
    if item.fill is None or key in seen:
        return False
    needs = [other for other in item.fill.needs if other in by_key]
    return not item.fill.needs or any(
        _reachable(other, by_key, headers, (*seen, key)) for other in needs
    )
