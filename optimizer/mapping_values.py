"""Text with a unit -> number in the unit of a catalog header; read by a units library."""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

import pint

from optimizer.cells import CellError
from optimizer.columns import Column
from optimizer.units import Unit

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")

PINT_UNITS = {
    "c": "degC",
    "k": "kelvin",
    "k_per_w": "kelvin/watt",
    "k_per_a2": "kelvin/ampere**2",
    "pct": "percent",
    "pct_per_k": "percent/kelvin",
    "pct_per_decade": "percent",
    "ppm_per_k": "ppm/kelvin",
    "a_per_us": "ampere/microsecond",
    "pcs": "dimensionless",
    "weeks": "week",
    "h": "hour",
    "mm2": "mm**2",
    "each": "dimensionless",
    "uf": "microfarad",
    "uh": "microhenry",
    "nh": "nanohenry",
    "mohm": "milliohm",
    "kohm": "kiloohm",
    "ohm": "ohm",
    "nc": "nanocoulomb",
}
"""What the units library calls the unit of a header, where it is not the suffix itself."""

PREFIXED = {"a": "A", "ma": "mA", "ua": "uA", "v": "V", "mv": "mV", "w": "W", "mw": "mW"}
PREFIXED |= {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ns": "ns", "us": "us", "ms": "ms", "s": "s"}
PREFIXED |= {"mm": "mm"}

SPELLED = (
    (
        re.compile(r"(?<![A-Za-z])([munpkMG\u00b5\u03bc]?)\s*(?:[Oo]hms?|OHMS?|\u03a9|\u2126)"),
        r"\1ohm",
    ),
    (re.compile(r"\u00b0\s*C\s*/"), "kelvin/"),
    (re.compile(r"/\s*\u00b0\s*C\b"), "/kelvin"),
    (re.compile(r"\u00b0\s*C\b|\bdeg\.?\s*C\b"), "degC"),
    (re.compile(r"\u00b0\s*F\b"), "degF"),
    (re.compile(r"\b(?:pcs?|pieces|hrs?|hours)\b\.?"), lambda m: _word(m[0])),
    (re.compile(r"\bwks?\b"), "weeks"),
    (re.compile(r"\u00b2"), "**2"),
)
"""Spellings of the trade that the units library does not read."""

RKM = re.compile(r"(\d*)([RKkMLpnu\u00b5\u03bcmF])(\d*)")
RKM_OHM = {"R": 1.0, "K": 1e3, "k": 1e3, "M": 1e6, "L": 1e-3, "m": 1e-3}
RKM_FARAD = {"F": 1.0, "m": 1e-3, "u": 1e-6, "\u00b5": 1e-6, "\u03bc": 1e-6, "n": 1e-9, "p": 1e-12}


def _word(text: str) -> str:
    return "hour" if text.startswith("h") else ""


@cache
def registry() -> Any:
    """The units library, loaded once."""
    return pint.UnitRegistry()


def unit_name(unit: Unit) -> str:
    """What the units library calls the unit of a header."""
    return PINT_UNITS.get(unit.suffix) or PREFIXED.get(unit.suffix) or "dimensionless"


def number_in(text: str, column: Column, *, unit: str = "", decimal: str = ".") -> float:
    """A number in the unit of a header.

    unit : of the text where it has none; decimal : its decimal mark, the other mark is dropped

    Raises `CellError` with what came, what is needed and the remedy. Examples (letter codes for
    resistance and capacitance as in IEC 60062):

    >>> from optimizer.columns import columns_of
    >>> known = {c.header: c for c in columns_of("resistor")}
    >>> number_in("4R7", known["resistance_typ_mohm"]), number_in("5 W", known["power_rating_w"])
    (4700.0, 5.0)
    """
    target = column.units[0]
    plain = _with_point(text.replace("\u2212", "-").replace("\u00b1", ""), decimal).strip()
    coded = letter_code(plain, target)
    if coded is not None:
        return coded / target.factor
    match = NUMBER.match(plain)
    if match is None:
        raise CellError(repr(text), f"a number in {target.label or 'plain digits'}", "map the cell")
    rest = _spelled(plain[match.end() :].strip()) or unit
    value = float(match[0])
    if not target.suffix:
        if rest:
            raise CellError(repr(text), "a plain number", "map the part of the cell that is one")
        return value
    if not rest and unit_name(target) != "dimensionless":
        need, fix = f"a unit of {target.label}", f'say it in the mapping: unit = "{target.label}"'
        raise CellError(repr(text), need, fix)
    return _converted(value, _spelled(rest), target, text)


def _with_point(text: str, decimal: str) -> str:
    """The text with a decimal point and without marks of thousands."""
    other = "," if decimal == "." else "."
    text = re.sub(rf"(?<=\d){re.escape(other)}(?=\d{{3}}(?!\d))", "", text)
    return re.sub(r"(?<=\d),(?=\d)", ".", text) if decimal == "," else text


def _spelled(rest: str) -> str:
    for pattern, word in SPELLED:
        rest = pattern.sub(word, rest)
    return rest.strip()


def _converted(value: float, rest: str, target: Unit, text: str) -> float:
    units, wanted = registry(), unit_name(target)
    if target.suffix == "c" and rest == "C":
        rest = "degC"
    if target.suffix == "k" and rest in ("degC", "C"):
        rest = "kelvin"
    try:
        found = units.Quantity(value, rest).to(wanted).magnitude
    except (pint.errors.PintError, AttributeError, TypeError, ValueError, AssertionError) as error:
        got = f"{text!r} (unit {rest!r})"
        other = isinstance(error, pint.errors.DimensionalityError)
        fix = "map another column" if other else "map the part of the cell that is the value"
        raise CellError(got, f"a unit of {target.label}", fix) from None
    if not math.isfinite(found):
        raise CellError(repr(text), "a finite number", "correct the cell")
    return float(found)


def letter_code(text: str, target: Unit) -> float | None:
    """A resistance or capacitance in letter code, in SI; None where it is none.

    The letter stands for the decimal point: 4R7 is 4.7 ohm, R47 is 0.47 ohm, 4n7 is 4.7 nF
    (IEC 60062; L for milliohm is common practice). A letter at the end is left to the units.
    """
    codes = {"ohm": RKM_OHM, "F": RKM_FARAD}.get(target.symbol)
    match = RKM.fullmatch(text)
    if codes is None or match is None or match[2] not in codes or not match[3]:
        return None
    if target.symbol == "ohm" and match[2] == "m":
        return None
    return float(f"{match[1] or 0}.{match[3]}") * codes[match[2]]


def agrees(text: str, wanted: str) -> bool:
    """Whether two texts say the same quantity, whatever their prefix; else whether they are equal.

    >>> agrees("10V", "10 V"), agrees("4500 mV", "4.5 V"), agrees("10 V", "4.5 V")
    (True, True, False)
    """
    try:
        one, other = (registry().Quantity(_spelled(t.replace(",", "."))) for t in (text, wanted))
        return bool(abs(one - other) <= 1e-9 * abs(other))
    except Exception:  # the library raises its own and the parser's: then they are plain texts
        return text.strip().lower() == wanted.strip().lower()
