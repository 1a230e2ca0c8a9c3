"""Text of one catalog cell -> number, curve, prices or text in the unit of the header."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.columns import Column
from optimizer.fills import Curve
from optimizer.records import FloatArray
from optimizer.units import PREFIX_SPELLINGS, PREFIXES, UNITLESS, Unit, nearest, with_prefix

MISSING = frozenset(("", "-", "n/a", "N/A", "N/a"))
"""Cells that say there is no value."""

NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.ASCII)
PLAIN = re.compile(r"[-+0-9.eE]+", re.ASCII)
THOUSANDS = re.compile(r"[+-]?\d{1,3}([.,]\d{3})+")
Prices = tuple[tuple[int, float], ...]


class CellError(ValueError):
    """A cell that cannot be read: what stood there, what is needed, the remedy."""

    def __init__(self, got: str, need: str, fix: str) -> None:
        super().__init__(got, need, fix)
        self.got, self.need, self.fix = got, need, fix


@dataclass(frozen=True, slots=True)
class Style:
    """How a file writes numbers: decimal comma allowed, and whether it was seen in use."""

    comma: bool = False
    comma_used: bool = False


def number(text: str, unit: Unit, style: Style = Style()) -> float:
    """Read one number in the unit of its header.

    >>> from optimizer.units import UNITS
    >>> number("47u", UNITS["uf"]), number("4,7", UNITS["v"], Style(comma=True))
    (47.0, 4.7)
    """
    match = NUMBER.fullmatch(text.replace("\u2212", "-"))
    if match is None:
        raise _malformed(text, unit)
    digits, tail = match.groups()
    value = float(_with_point(text, digits, style))
    if not math.isfinite(value):
        raise CellError(repr(text), "a finite number", "correct the cell")
    if tail:
        _check_tail(text, digits, tail, unit)
    return value


def _malformed(text: str, unit: Unit) -> CellError:
    need = f"a number in {unit.label}" if unit.label else "a number"
    fix = "correct the cell"
    if text[:1] in ("'", "="):
        fix = "write the value itself, not a formula or quoted text"
    elif re.match(r"[+-]?\d[\d ]*\d{3}", text.replace("\u00a0", " ")):
        fix = "write it without spaces between the digits"
    return CellError(repr(text), need, fix)


def _with_point(text: str, digits: str, style: Style) -> str:
    if style.comma_used and THOUSANDS.fullmatch(digits) and "." in digits:
        decimal = digits.replace(".", ",")
        raise CellError(
            repr(text),
            f"one decimal mark in the whole file: this reads as {digits.replace('.', '')} "
            f"or as {decimal}",
            f"write {digits.replace('.', '')} or {decimal}",
        )
    if "," not in digits:
        return digits
    if not style.comma:
        raise CellError(
            repr(text),
            "a decimal point, because commas separate the cells of this file",
            f"write {digits.replace(',', '.')}, or separate the cells by semicolons",
        )
    return digits.replace(",", ".")


def _check_tail(text: str, digits: str, tail: str, unit: Unit) -> None:
    if not unit.prefix and tail.lower() in unit.spellings:
        return
    prefix = PREFIX_SPELLINGS.get(tail[0], tail[0])
    rest = tail[1:].strip().lower()
    if prefix in PREFIXES and (not rest or rest in unit.spellings):
        if prefix == unit.prefix:
            return
    elif tail.lower() in unit.spellings:
        prefix = ""
    else:
        raise _malformed(text, unit)
    raise _two_readings(text, digits.replace(",", "."), prefix, unit)


def _two_readings(text: str, digits: str, prefix: str, unit: Unit) -> CellError:
    scaled = float(digits) * PREFIXES[prefix] / PREFIXES[unit.prefix]
    return CellError(
        repr(text),
        f"a number in {unit.label}: this reads as {scaled:.6g} {unit.label} or as "
        f"{float(digits):.6g} {unit.label}",
        f"write {scaled:.6g} or {float(digits):.6g} without a prefix",
    )


def numbers(
    texts: Sequence[str], unit: Unit, style: Style
) -> tuple[FloatArray, dict[int, CellError]]:
    """Read a column of numbers, NaN where missing, and the cells that cannot be read by row."""
    joined = "".join(text for text in texts if text not in MISSING)
    if not style.comma_used and (not joined or PLAIN.fullmatch(joined)):
        with suppress(ValueError):
            fast = [math.nan if text in MISSING else float(text) for text in texts]
            values = np.array(fast, dtype=float)
            if not np.isinf(values).any():
                return values, {}
    found, errors = collect(texts, lambda text: number(text, unit, style))
    return np.array([math.nan if x is None else x for x in found], dtype=float), errors


def collect(
    texts: Sequence[str], read: Callable[[str], Any]
) -> tuple[list[Any], dict[int, CellError]]:
    """Read each cell, None where missing or unreadable, and the unreadable ones by row."""
    values: list[Any] = [None] * len(texts)
    errors: dict[int, CellError] = {}
    for row, text in enumerate(texts):
        if text not in MISSING:
            try:
                values[row] = read(text)
            except CellError as error:
                errors[row] = error
    return values, errors


def curve(text: str, column: Column, style: Style) -> Curve:
    """Read ``x:y x:y ...`` in the units of the header; the order is checked elsewhere."""
    unit_x, unit_y = column.units
    points = []
    for pair in text.split():
        x, colon, y = pair.partition(":")
        if not colon:
            raise CellError(repr(text), "points x:y separated by blanks", f"correct {pair!r}")
        points.append((_part(x, unit_x, text, style), _part(y, unit_y, text, style)))
    if len(points) < 2:
        raise CellError(repr(text), "at least two points x:y", "add a point")
    return tuple(points)


def prices(text: str, style: Style) -> Prices:
    """Read ``quantity:unit price`` pairs."""
    breaks = []
    for pair in text.split():
        quantity, colon, price = pair.partition(":")
        if not colon:
            raise CellError(
                repr(text), "pairs quantity:unit price separated by blanks", f"correct {pair!r}"
            )
        if not (quantity.isascii() and quantity.isdigit() and int(quantity) > 0):
            raise CellError(repr(text), "whole quantities from 1 up", f"correct {pair!r}")
        breaks.append((int(quantity), _part(price, UNITLESS, text, style)))
    return tuple(breaks)


def _part(text: str, unit: Unit, cell: str, style: Style) -> float:
    try:
        return (
            float(text) if PLAIN.fullmatch(text) and not style.comma else number(text, unit, style)
        )
    except CellError as error:
        raise CellError(f"{error.got} in {cell!r}", error.need, error.fix) from None
    except ValueError:
        raise CellError(f"{text!r} in {cell!r}", "a number", "correct the cell") from None


def choice(text: str, column: Column) -> str:
    """Read one of the words of a column, in any case."""
    word = text.lower()
    if word not in column.choices:
        near = nearest(word, column.choices)
        raise CellError(
            repr(text),
            "one of " + ", ".join(column.choices),
            f"did you mean {near!r}?" if near else "correct the cell",
        )
    return word


def plain_text(text: str, column: Column) -> str:
    """Read a text; a date and a currency are held to their form."""
    if column.header == "price_date":
        try:
            return datetime.date.fromisoformat(text).isoformat()
        except ValueError:
            raise CellError(repr(text), "a day YYYY-MM-DD", "correct the cell") from None
    if column.header == "currency" and not re.fullmatch(r"[A-Za-z]{3}", text):
        raise CellError(repr(text), "a three-letter currency such as EUR", "correct the cell")
    return text.upper() if column.header == "currency" else text


def out_of_range(value: float, column: Column) -> tuple[str, str, str]:
    """Words for an implausible value: got, need, fix."""
    suffix = column.units[0].suffix
    low, high = with_prefix(column.low, suffix), with_prefix(column.high, suffix)
    meant = _meant(value, column)
    fix = f"did you mean {meant:.6g}?" if meant is not None else "check the unit and the cell"
    return with_prefix(value, suffix), f"{low} to {high} (plausible)", fix


def _meant(value: float, column: Column) -> float | None:
    if column.units[0].suffix in ("c", "k", "pcs", "weeks"):
        return None
    for factor in (1e3, 1e-3, 1e6, 1e-6, 1e9, 1e-9):
        if column.low <= value * factor <= column.high:
            return value * factor
    return None
