"""Unit suffixes of catalog headers and spec keys, and their factors to SI.

The only place in the package where a unit factor stands. Temperatures stay in degrees Celsius,
so no unit has an offset.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache


@dataclass(frozen=True, slots=True)
class Unit:
    """One suffix: `factor` to SI, SI `symbol`, `prefix` in the suffix, accepted `spellings`.

    `spellings` are what may follow the prefix in a cell ("47 uF" in a ``_uf`` column), in lower
    case; the prefix itself is compared with its case.
    """

    suffix: str
    factor: float
    symbol: str
    prefix: str = ""
    spellings: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """How a person writes the unit, for example ``mohm``, ``uF`` or ``%``."""
        return LABELS.get(self.suffix, self.prefix + self.symbol)


PREFIXES = {
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "m": 1e-3,
    "": 1.0,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
}
"""Decimal prefixes a cell may carry."""

PREFIX_SPELLINGS = {"\u00b5": "u", "\u03bc": "u", "K": "k"}
"""Other spellings of a prefix: micro sign, Greek mu, capital K."""

LABELS = {
    "pct": "%",
    "pcs": "pieces",
    "c": "degC",
    "mm2": "mm2",
    "ppm_per_k": "ppm/K",
    "pct_per_k": "%/K",
    "pct_per_decade": "%/decade",
    "a_per_us": "A/us",
    "mv_per_k": "mV/K",
    "mv_per_us": "mV/us",
    "k_per_w": "K/W",
    "k_per_a2": "K/A2",
    "each": "each",
    "weeks": "weeks",
    "h": "h",
}

_OHM = ("ohm", "\u03c9", "\u2126", "r")

UNITS: dict[str, Unit] = {
    unit.suffix: unit
    for unit in (
        Unit("v", 1.0, "V", "", ("v",)),
        Unit("mv", 1e-3, "V", "m", ("v",)),
        Unit("a", 1.0, "A", "", ("a",)),
        Unit("ma", 1e-3, "A", "m", ("a",)),
        Unit("ua", 1e-6, "A", "u", ("a",)),
        Unit("w", 1.0, "W", "", ("w",)),
        Unit("mw", 1e-3, "W", "m", ("w",)),
        Unit("ohm", 1.0, "ohm", "", _OHM),
        Unit("mohm", 1e-3, "ohm", "m", _OHM),
        Unit("kohm", 1e3, "ohm", "k", _OHM),
        Unit("uh", 1e-6, "H", "u", ("h",)),
        Unit("nh", 1e-9, "H", "n", ("h",)),
        Unit("uf", 1e-6, "F", "u", ("f",)),
        Unit("pf", 1e-12, "F", "p", ("f",)),
        Unit("nc", 1e-9, "C", "n", ("c",)),
        Unit("c", 1.0, "degC", "", ("c", "degc", "\u00b0c")),
        Unit("k", 1.0, "K", "", ("k",)),
        Unit("k_per_w", 1.0, "K/W", "", ("k/w",)),
        Unit("k_per_a2", 1.0, "K/A2", "", ("k/a2",)),
        Unit("hz", 1.0, "Hz", "", ("hz",)),
        Unit("khz", 1e3, "Hz", "k", ("hz",)),
        Unit("mhz", 1e6, "Hz", "M", ("hz",)),
        Unit("ns", 1e-9, "s", "n", ("s",)),
        Unit("us", 1e-6, "s", "u", ("s",)),
        Unit("ms", 1e-3, "s", "m", ("s",)),
        Unit("s", 1.0, "s", "", ("s",)),
        Unit("h", 3600.0, "s", "", ("h",)),
        Unit("weeks", 1.0, "weeks", "", ("weeks",)),
        Unit("mm", 1e-3, "m", "m", ("m",)),
        Unit("mm2", 1e-6, "m2", "", ("mm2",)),
        Unit("pct", 1e-2, "", "", ("%",)),
        Unit("pct_per_k", 1e-2, "1/K", "", ("%/k",)),
        Unit("pct_per_decade", 1e-2, "1/decade", "", ("%/decade",)),
        Unit("mv_per_k", 1e-3, "V/K", "", ("mv/k",)),
        Unit("ppm_per_k", 1e-6, "1/K", "", ("ppm/k",)),
        Unit("a_per_us", 1e6, "A/s", "", ("a/us",)),
        Unit("mv_per_us", 1e3, "V/s", "", ("mv/us",)),
        Unit("pcs", 1.0, "pieces", "", ("pcs",)),
        Unit("each", 1.0, "currency", "", ()),
    )
}
"""Every known suffix."""

UNITLESS = Unit("", 1.0, "")
"""The unit of plain numbers such as exponents."""


@cache
def split_suffix(header: str) -> tuple[str, str]:
    """Split a header into its quantity key and its unit suffix, the longest known one.

    >>> split_suffix("rds_on_4v5_max_mohm")
    ('rds_on_4v5_max', 'mohm')
    >>> split_suffix("rth_junction_case_max_k_per_w")
    ('rth_junction_case_max', 'k_per_w')
    >>> split_suffix("part_number")
    ('part_number', '')
    """
    words = header.split("_")
    for first in range(1, len(words)):
        suffix = "_".join(words[first:])
        if suffix in UNITS:
            return "_".join(words[:first]), suffix
    return header, ""


def factor(suffix: str) -> float:
    """Factor from the unit of `suffix` to SI.

    >>> factor("mohm")
    0.001
    """
    return UNITS[suffix].factor


def nearest(word: str, known: Iterable[str]) -> str:
    """Closest known word, or an empty string if nothing is close.

    >>> nearest("rds_on_10v_mox_mohm", ["rds_on_10v_max_mohm", "status"])
    'rds_on_10v_max_mohm'
    """
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.8)
    return found[0] if found else ""


def nearest_suffix(word: str) -> str:
    """Known suffix closest to `word`, for example ``mohm`` for ``mohms``; empty if none is.

    >>> nearest_suffix("mohms")
    'mohm'
    """
    found = difflib.get_close_matches(word, list(UNITS), n=1, cutoff=0.7)
    return found[0] if found else ""


def with_prefix(value: float, suffix: str) -> str:
    """Write `value`, in the unit of `suffix`, with the decimal prefix a person would use.

    >>> with_prefix(1e-6, "uf")
    '1 pF'
    >>> with_prefix(100000, "uf")
    '100 mF'
    >>> with_prefix(20, "pct")
    '20 %'
    """
    unit = UNITS.get(suffix, UNITLESS)
    if not unit.spellings or suffix in LABELS or suffix in ("k", "mm", "w"):
        return f"{value:g} {unit.label}".strip()
    size = value * unit.factor
    scale, prefix = 1.0, ""
    for name, step in PREFIXES.items():
        if step <= abs(size) * (1 + 1e-9):
            scale, prefix = step, name
    if size == 0:
        return f"0 {unit.symbol}"
    return f"{size / scale:.4g} {prefix}{unit.symbol}"
