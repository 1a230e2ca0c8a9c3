"""One kind of part as a table in SI, and what was found about its rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from optimizer.cells import Prices
from optimizer.fills import Curve
from optimizer.records import BoolArray, FloatArray, IntArray

Values = TypeVar("Values", FloatArray, BoolArray)
WRONG, FILLED, SUSPICIOUS, REFUSED = "wrong", "filled", "suspicious", "refused"


@dataclass(frozen=True, slots=True)
class Finding:
    """What lint says of one cell: `severity` is wrong, filled, suspicious or refused."""

    place: str
    part_number: str
    column: str
    severity: str
    text: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """A row that is not used, and every reason why."""

    place: str
    part_number: str
    reason: str


@dataclass(frozen=True, slots=True)
class PartTable:
    """Parts of one kind in SI, one entry per part everywhere.

    numbers : column key (header without unit) -> value, NaN where missing after the fills
    texts : header -> text, empty where missing
    curves : column key -> points, empty where missing
    filled : column key or header -> whether the entry was filled by policy
    place : ``file:line`` of each part
    """

    kind: str
    part_number: tuple[str, ...]
    numbers: Mapping[str, FloatArray]
    texts: Mapping[str, tuple[str, ...]]
    curves: Mapping[str, tuple[Curve, ...]]
    price_breaks: tuple[Prices, ...]
    filled: Mapping[str, BoolArray]
    place: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.part_number)

    def value(self, argument: str, limit: str = "", condition: str = "") -> FloatArray:
        """Values of a quantity at a limit and condition; at the typical one if that has no limit.

        ``table.value("rds_on", "max", "10v")`` is ``table.numbers["rds_on_10v_max"]``.
        """
        stem = f"{argument}_{condition}" if condition else argument
        for key in (f"{stem}_{limit}" if limit else stem, stem, f"{stem}_typ", f"{stem}_max"):
            if key in self.numbers:
                return self.numbers[key]
        raise KeyError(f"{self.kind} has no column for {stem}")

    def take(self, index: IntArray | Sequence[int] | BoolArray) -> PartTable:
        """The parts at `index` (positions or a mask), in that order."""
        chosen = np.arange(len(self))[np.asarray(index, dtype=None if len(index) else np.int64)]
        rows = chosen.tolist()
        return PartTable(
            kind=self.kind,
            part_number=tuple(self.part_number[row] for row in rows),
            numbers={key: frozen(values[chosen]) for key, values in self.numbers.items()},
            texts={key: tuple(values[row] for row in rows) for key, values in self.texts.items()},
            curves={key: tuple(values[row] for row in rows) for key, values in self.curves.items()},
            price_breaks=tuple(self.price_breaks[row] for row in rows),
            filled={key: frozen(values[chosen]) for key, values in self.filled.items()},
            place=tuple(self.place[row] for row in rows),
        )


def frozen(values: Values) -> Values:
    """The array set read-only."""
    values.setflags(write=False)
    return values


def replaces(table: PartTable, row: int, others: IntArray) -> BoolArray:
    """Which of some parts come from another maker than a part, on the same pads."""
    maker, pads = np.array(table.texts["maker"]), np.array(table.texts["land_pattern"])
    named = bool(maker[row] and pads[row])
    kept = (maker[others] != maker[row]) & (maker[others] != "") & (pads[others] == pads[row])
    return np.asarray(kept & named)
