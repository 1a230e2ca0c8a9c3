"""A mapping file (TOML) turns a CSV export of any source into catalog rows.

::

    kind = "mosfet"
    decimal = "."                # decimal mark in the export; the other mark is thousands
    skip_lines = 0               # lines above the header

    [cells]                      # columns that hold several values: their pieces by name
    "On resistance" = "{value} @ {current}, {drive}"

    [columns]                    # header of the catalog = where its value comes from
    part_number = { from = "Order code" }
    currency = { fixed = "EUR" }
    v_drain_source_rating_v = { from = "Voltage", unit = "V" }    # unit where the cell has none
    status = { from = "State", words = { "In production" = "active" } }
    price_date = { from = "Quoted", date = "%d.%m.%Y" }
    price_breaks_each = { prices = { 1 = "Price", 1000 = "Price at 1k" } }
    rds_on_10v_max_mohm = { from = "On resistance", piece = "value", where = { drive = "10 V" } }

In ``[cells]``, ``{name}`` is a piece, ``{}`` a piece nobody needs; `split` in a column says what
separates several such groups in one cell, of which the one that fits `where` is taken. A cell
that cannot be read is left empty and reported; the rest of its row is kept.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from optimizer.cells import MISSING, CellError
from optimizer.columns import KINDS, Column, columns_of
from optimizer.errors import InputError, Problem
from optimizer.mapping_values import agrees, number_in

KEYS = ("kind", "separator", "decimal", "encoding", "skip_lines", "cells", "columns")
SOURCES = ("from", "fixed", "prices")
OPTIONS = ("unit", "words", "date", "piece", "where", "split", "verbatim")
PIECE = re.compile(r"\{(\w*)\}")
SIGNS = {"\u20ac": "EUR", "$": "USD", "\u00a3": "GBP", "\u00a5": "JPY"}

Data = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A mapping as read: `columns` header -> its source, `cells` column -> pattern of pieces."""

    place: str
    kind: str
    separator: str
    decimal: str
    encoding: str
    skip_lines: int
    cells: Mapping[str, re.Pattern[str]]
    columns: Mapping[str, Data]


@dataclass(frozen=True, slots=True)
class Imported:
    """Catalog rows made from an export, as CSV text, and every cell that could not be read."""

    kind: str
    text: str
    rows_read: int
    rows_written: int
    rows_left_out: int
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]


# --- the mapping ----------------------------------------------------------------------------------


def read_mapping(path: Path) -> ColumnMap:
    """The mapping of a file, or every problem in it at once."""
    place = str(path)
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError:
        problem = Problem(place, "", "no readable file", "a mapping file", "check the path")
        raise InputError([problem]) from None
    except ValueError as error:
        got = f"text that is no TOML ({error})"
        raise InputError([Problem(place, "", got, "TOML", "correct it")]) from None
    problems = list(_mapping_problems(place, data))
    if problems:
        raise InputError(problems)
    return ColumnMap(
        place=place,
        kind=data["kind"],
        separator=data.get("separator", ""),
        decimal=data.get("decimal", "."),
        encoding=data.get("encoding", "utf-8-sig"),
        skip_lines=data.get("skip_lines", 0),
        cells={name: pattern_of(text) for name, text in data.get("cells", {}).items()},
        columns=data["columns"],
    )


def pattern_of(text: str) -> re.Pattern[str]:
    """A pattern of pieces as a regular expression; blanks may stand or lack anywhere.

    >>> match = pattern_of("{value} @ {current}, {drive}").fullmatch("4.7 mOhm@20 A,10 V")
    >>> match["value"], match["current"], match["drive"]
    ('4.7 mOhm', '20 A', '10 V')
    """
    found, end = "", 0
    for piece in PIECE.finditer(text):
        found += _literal(text[end : piece.start()])
        found += rf"(?P<{piece[1]}>.+?)" if piece[1] else ".*?"
        end = piece.end()
    return re.compile(rf"\s*{found}{_literal(text[end:])}\s*", re.IGNORECASE)


def _literal(text: str) -> str:
    words = [re.escape(word) for word in text.split()]
    return r"\s*" + r"\s*".join(words) + r"\s*" if words else r"\s*"


def _mapping_problems(place: str, data: Data) -> Iterator[Problem]:
    for key in data.keys() - set(KEYS):
        yield Problem(place, key, "an unknown key", f"one of {', '.join(KEYS)}", _near(key, KEYS))
    kind = data.get("kind")
    if kind not in KINDS:
        got = "nothing" if kind is None else repr(kind)
        yield Problem(place, "kind", got, f"one of {', '.join(KINDS)}", "name the kind of part")
    if data.get("decimal", ".") not in (".", ","):
        yield Problem(place, "decimal", repr(data["decimal"]), "'.' or ','", "correct it")
    if not isinstance(data.get("skip_lines", 0), int):
        yield Problem(place, "skip_lines", repr(data["skip_lines"]), "a whole number", "correct it")
    for name in ("separator", "encoding"):
        if not isinstance(data.get(name, ""), str):
            yield Problem(place, name, repr(data[name]), "a text", "put it in quotes")
    cells = data.get("cells", {})
    if not isinstance(cells, dict) or not all(isinstance(text, str) for text in cells.values()):
        yield Problem(place, "cells", repr(cells), "texts with pieces in braces", "correct it")
        cells = {}
    columns = data.get("columns")
    if not isinstance(columns, dict) or "part_number" not in columns:
        need = "where each catalog column comes from, part_number among them"
        yield Problem(place, "columns", "no such section or no part_number", need, "add it")
        return
    for header, source in columns.items():
        yield from _source_problems(place, str(kind), header, source, cells)


def _source_problems(
    place: str, kind: str, header: str, source: Any, cells: Data
) -> Iterator[Problem]:
    name = f"columns.{header}"
    known = {item.header: item for item in columns_of(kind)} if kind in KINDS else {}
    if known and header not in known:
        yield Problem(place, name, "an unknown column", f"a {kind} column", _near(header, known))
        return
    if not isinstance(source, dict):
        yield Problem(place, name, repr(source), "a table", 'write { from = "its column" }')
        return
    if len([key for key in SOURCES if key in source]) != 1:
        yield Problem(place, name, f"{len(source)} keys", f"one of {', '.join(SOURCES)}", "add one")
    for key in source.keys() - set(SOURCES) - set(OPTIONS):
        need = f"one of {', '.join((*SOURCES, *OPTIONS))}"
        yield Problem(place, f"{name}.{key}", "an unknown key", need, _near(key, OPTIONS))
    if ("piece" in source or "where" in source) and source.get("from") not in cells:
        fix = f"add {source.get('from')!r} to [cells]"
        yield Problem(place, name, "a piece of a cell", "the pattern of the cell", fix)
        return
    pieces = PIECE.findall(str(cells.get(str(source.get("from")), "")))
    asked = [source["piece"]] if "piece" in source else []
    for piece in [*asked, *source.get("where", {})]:
        if piece not in pieces:
            fix = _near(piece, pieces)
            yield Problem(place, name, f"the piece {piece!r}", f"one of {', '.join(pieces)}", fix)


def _near(word: str, known: Any) -> str:
    close = get_close_matches(str(word), [str(one) for one in known], 1, 0.5)
    return f"did you mean {close[0]!r}?" if close else "remove it"


# --- rows -----------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Work:
    mapping: ColumnMap
    place: str
    head: dict[str, int]
    problems: list[Problem] = field(default_factory=list)
    empty: dict[str, int] = field(default_factory=dict)

    def bad(self, line: int, column: str, header: str, error: CellError) -> str:
        """Report a cell that cannot be read; it stays empty."""
        where = f"{self.place}:{line}"
        name = f"{column} -> {header}" if column else header
        self.problems.append(Problem(where, name, error.got, error.need, error.fix))
        return ""


def convert(path: Path, mapping: ColumnMap) -> Imported:
    """Catalog rows from an export. Raises `InputError` where file and mapping do not fit."""
    rows = _rows(path, mapping)
    (line, head), body = rows[0], rows[1:]
    work = _Work(mapping, path.as_posix(), {name: k for k, name in enumerate(head)})
    _check_head(work, line)
    order = [c for c in columns_of(mapping.kind) if c.header in mapping.columns]
    written: list[list[str]] = []
    left_out = 0
    for number, cells in body:
        found = [_value(work, number, cells, item) for item in order]
        if not found[[item.header for item in order].index("part_number")]:
            left_out += 1
            error = CellError("nothing", "a part number", "correct the row; it is left out")
            work.bad(number, "", "part_number", error)
            continue
        written.append(found)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([item.header for item in order])
    writer.writerows(written)
    notes = [f"{h}: {n} cells hold no value that fits the mapping" for h, n in work.empty.items()]
    needed = [c.header for c in columns_of(mapping.kind) if c.need and c not in order]
    if needed:
        notes.append(f"not mapped, needed or filled by policy: {', '.join(needed)}")
    notes.append(f"name the file {mapping.kind}s*.csv and check it with `partfront lint`")
    return Imported(
        kind=mapping.kind,
        text=out.getvalue(),
        rows_read=len(body),
        rows_written=len(written),
        rows_left_out=left_out,
        problems=tuple(work.problems),
        notes=tuple(notes),
    )


def _rows(path: Path, mapping: ColumnMap) -> list[tuple[int, list[str]]]:
    try:
        text = path.read_bytes().decode(mapping.encoding)
    except OSError:
        problem = Problem(str(path), "", "no readable file", "a CSV file", "check the path")
        raise InputError([problem]) from None
    except (UnicodeDecodeError, LookupError):
        fix = 'say encoding in the mapping, for example "cp1252"'
        problem = Problem(str(path), "", "bytes of another encoding", mapping.encoding, fix)
        raise InputError([problem]) from None
    lines = text.splitlines(keepends=True)
    kept = lines[mapping.skip_lines :]
    head = next((line for line in kept if line.strip()), "")
    separator = mapping.separator or max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO("".join(kept), newline=""), delimiter=separator)
    rows, line = [], mapping.skip_lines + 1
    for cells in reader:
        if any(cell.strip() for cell in cells):
            rows.append((line, [cell.strip() for cell in cells]))
        line = mapping.skip_lines + reader.line_num + 1
    if len(rows) < 2:
        got = f"{len(rows)} rows below line {mapping.skip_lines}"
        raise InputError([Problem(str(path), "", got, "a header and rows", "check skip_lines")])
    return rows


def _check_head(work: _Work, line: int) -> None:
    """Every column that the mapping reads is there."""
    wanted: dict[str, str] = {}
    for header, source in work.mapping.columns.items():
        for name in [source["from"]] if "from" in source else source.get("prices", {}).values():
            wanted.setdefault(str(name), header)
    problems = [
        Problem(
            work.mapping.place,
            f"columns.{header}",
            f"the column {name!r}",
            f"a column of {work.place}:{line}",
            _near(name, work.head),
        )
        for name, header in wanted.items()
        if name not in work.head
    ]
    if problems:
        raise InputError(problems)


def _value(work: _Work, line: int, cells: Sequence[str], item: Column) -> str:
    """The text of one catalog cell, empty where there is none or where it cannot be read."""
    source = work.mapping.columns[item.header]
    column = str(source.get("from", ""))
    try:
        if "fixed" in source:
            return str(source["fixed"])
        if "prices" in source:
            return _prices(work, cells, source["prices"])
        text = _cell(work, cells, column)
        if text in MISSING:
            return ""
        if "piece" in source or "where" in source:
            piece = _piece(work, text, column, source)
            if piece is None:
                work.empty[item.header] = work.empty.get(item.header, 0) + 1
                return ""
            text = piece
        return _read(work.mapping, text, item, source)
    except CellError as error:
        return work.bad(line, column, item.header, error)


def _cell(work: _Work, cells: Sequence[str], column: str) -> str:
    place = work.head[column]
    return cells[place] if place < len(cells) else ""


def _piece(work: _Work, text: str, column: str, source: Data) -> str | None:
    """The wanted piece of the group that fits `where`; None where no group fits."""
    pattern = work.mapping.cells[column]
    groups = text.split(source["split"]) if source.get("split") else [text]
    for group in groups:
        match = pattern.fullmatch(group)
        if match is None:
            need = f"the pieces {', '.join(pattern.groupindex)}"
            raise CellError(repr(group.strip()), need, f"adapt the pattern of {column!r}")
        if all(agrees(match[name], want) for name, want in source.get("where", {}).items()):
            return match[source["piece"]] if "piece" in source else match[0]
    return None


def _read(mapping: ColumnMap, text: str, item: Column, source: Data) -> str:
    if "words" in source:
        return _worded(text, item, source["words"])
    if "date" in source:
        try:
            return datetime.datetime.strptime(text, source["date"]).date().isoformat()
        except ValueError:
            need = f"a day written {source['date']}"
            raise CellError(repr(text), need, "adapt date in the mapping") from None
    if source.get("verbatim") or item.form in ("text", "curve"):
        return text
    if item.form == "choice":
        return _worded(text, item, {word: word for word in item.choices})
    if item.form == "prices":
        return f"1:{_price(text, mapping):.10g}"
    value = number_in(text, item, unit=source.get("unit", ""), decimal=mapping.decimal)
    return f"{value:.10g}"


def _worded(text: str, item: Column, words: Mapping[str, str]) -> str:
    known = {word.lower(): meant for word, meant in words.items()}
    if text.lower() not in known:
        need = f"one of {', '.join(words)}"
        raise CellError(repr(text), need, f"add it to the words of {item.header}")
    return known[text.lower()]


def _prices(work: _Work, cells: Sequence[str], prices: Mapping[str, str]) -> str:
    """Price breaks from one column per quantity; empty ones are left out."""
    found = []
    for quantity, column in sorted(prices.items(), key=lambda pair: int(pair[0])):
        text = _cell(work, cells, column)
        if text not in MISSING:
            found.append(f"{int(quantity)}:{_price(text, work.mapping):.10g}")
    return " ".join(found)


def _price(text: str, mapping: ColumnMap) -> float:
    """A price with or without a currency, which must be the one the mapping fixes."""
    codes = re.findall(r"[A-Z]{3}", text)
    codes += [code for sign, code in SIGNS.items() if sign in text]
    fixed = mapping.columns.get("currency", {}).get("fixed")
    if fixed and any(code != fixed for code in codes):
        raise CellError(repr(text), f"a price in {fixed}", "map the currency from a column")
    decimal, bare = mapping.decimal, re.sub(r"[A-Za-z]{3}", "", text)
    for sign in SIGNS:
        bare = bare.replace(sign, "")
    bare = bare.replace("\u00a0", "").replace(" ", "")
    other = "," if decimal == "." else "."
    bare = bare.replace(other, "").replace(decimal, ".")
    try:
        return float(bare)
    except ValueError:
        raise CellError(repr(text), "a price", "correct the cell or the mapping") from None
