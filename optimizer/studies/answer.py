"""What every question answers with: one sentence, its proof, a few tables, the figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

SCREEN_ROWS = 20
"""Rows a table shows at most, so that an answer fits on one screen."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of texts; heads that start with ``>`` belong to numbers."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one question about a finished run.

    question, answer : one sentence each; proof : what shows it, or what is not proved
    proved : whether the answer is exact in the sense of the front
    grids, notes : what else to show; data : the figures, for machines
    """

    question: str
    answer: str
    proof: str
    proved: bool
    grids: tuple[Grid, ...] = ()
    notes: tuple[str, ...] = ()
    data: Mapping[str, Any] = field(default_factory=dict)
    seconds: float = 0.0


def money(value: float, currency: str, *, signed: bool = False) -> str:
    """An amount at the resolution of a report.

    >>> money(4.2, "EUR"), money(0.0, "EUR", signed=True), money(-0.5, "EUR", signed=True)
    ('4.20 EUR', '0.00 EUR', '-0.50 EUR')
    """
    return f"{_signed(round(value, 2), 2) if signed else f'{value:.2f}'} {currency}"


def watts(value: float, *, signed: bool = False) -> str:
    """A loss at the resolution of a report.

    >>> watts(1.23456), watts(0.012, signed=True)
    ('1.235 W', '+0.012 W')
    """
    return f"{_signed(round(value, 3), 3) if signed else f'{value:.3f}'} W"


def _signed(value: float, digits: int) -> str:
    return f"{value:+.{digits}f}" if value else f"{0.0:.{digits}f}"


def listed(words: tuple[str, ...] | list[str], most: int = 4) -> str:
    """A few words in a sentence.

    >>> listed(["a", "b", "c"]), listed(["a", "b", "c"], most=2)
    ('a, b and c', 'a, b and 1 more')
    """
    shown = list(words[:most])
    if len(words) > most:
        shown.append(f"{len(words) - most} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)
