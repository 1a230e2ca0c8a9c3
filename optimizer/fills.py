"""What a missing catalog cell is replaced by: frozen numbers at the pessimistic end.

A rule sees the cells of its own row only, in the units of their headers, and gives NaN where it
cannot help. Every rule is non-decreasing in the harm it assumes: filling in a true value that is
no worse than the fill never makes another fill of the same row worse.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.records import FloatArray

Numbers = Mapping[str, FloatArray]
Texts = Mapping[str, Sequence[str]]
Curve = tuple[tuple[float, float], ...]

CERAMIC_2_CURVE: Curve = ((0.0, 100.0), (25.0, 65.0), (50.0, 30.0), (75.0, 18.0), (100.0, 12.0))
"""Assumed capacitance of a class II ceramic without a curve [% of rated voltage, %]."""

FLAT_CURVE: Curve = ((0.0, 100.0), (100.0, 100.0))

FIRST_BREAK = "first price break"

RECOVERY_CLASSES = ((40.0, 60.0), (60.0, 100.0), (80.0, 140.0), (100.0, 180.0), (150.0, 250.0))
"""Voltage class up to [V] and assumed recovery charge [nC]; 400 nC above."""


@dataclass(frozen=True, slots=True)
class Fill:
    """A rule for numbers: `text` is what the ledger prints, `rule` gives one value per row.

    `needs`: columns of which one at least must be there, none if the rule always works. `also`: a
    number of the same row that is scaled as well where the rule was used.
    """

    text: str
    rule: Callable[[Numbers, Texts], FloatArray]
    needs: tuple[str, ...] = ()
    also: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class CurveFill:
    """A rule for curves: gives the curve of one row and whether that is an assumption."""

    text: str
    rule: Callable[[Numbers, Texts, int], tuple[Curve, bool]]


def constant(value: float, *, unit: str = "", also: tuple[str, float] | None = None) -> Fill:
    """The same value for every part."""
    text = f"{value:g} {unit}".strip()
    if also:
        text += f", and {also[0]} x {also[1]:g}"

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        return np.full(_rows(numbers), value)

    return Fill(text, rule, also=also)


def copy(key: str) -> Fill:
    """The value of another column, for example typical = maximum."""
    return Fill(f"= {key}", lambda numbers, texts: numbers[key], (key,))


def times(key: str, factor: float) -> Fill:
    """A multiple of another column, for example maximum = 1.3 x typical."""
    return Fill(f"{factor:g} x {key}", lambda numbers, texts: factor * numbers[key], (key,))


def least(max_key: str, base_key: str, factor: float) -> Fill:
    """The lesser of another column and a multiple of a third, whichever of the two is there."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        return np.asarray(np.fmin(numbers[max_key], factor * numbers[base_key]))

    return Fill(f"= {max_key}, at most {factor:g} x {base_key}", rule, (max_key, base_key))


def typical_or(max_key: str, typical: float, maximum: float) -> Fill:
    """Typical value from the maximum, or a preset; never above the preset below `maximum`."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        known = numbers[max_key]
        capped_value = np.where(known <= maximum, np.minimum(known, typical), known)
        return np.where(np.isnan(known), typical, capped_value)

    return Fill(
        f"= {max_key} (at most {typical:g} while that is <= {maximum:g}), else {typical:g}", rule
    )


def first_break() -> Fill:
    """Quantity of the first price break, which the reader offers under this key."""
    return Fill("quantity of the first price break", lambda numbers, texts: numbers[FIRST_BREAK])


def capped(typ_key: str, factor: float, ambient_key: str) -> Fill:
    """Thermal maximum from the typical value, at most half of the board figure if that is above."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        typical, half = numbers[typ_key], 0.5 * numbers[ambient_key]
        wide = factor * typical
        kept = np.where(typical <= half, np.fmin(wide, half), wide)
        return np.where(np.isnan(typical), half, kept)

    return Fill(
        f"{factor:g} x {typ_key} (at most half of {ambient_key}), else half of {ambient_key}",
        rule,
        (typ_key, ambient_key),
    )


def own_or_half(max_key: str, ambient_key: str) -> Fill:
    """Thermal typical value from the maximum, else half of the board figure."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        known = numbers[max_key]
        return np.where(np.isnan(known), 0.5 * numbers[ambient_key], known)

    return Fill(f"= {max_key}, else half of {ambient_key}", rule, (max_key, ambient_key))


def recovery() -> Fill:
    """Typical recovery charge: from the maximum, else a preset by voltage class."""
    steps = ", ".join(f"<= {limit:g} V {charge:g}" for limit, charge in RECOVERY_CLASSES)

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        rating, known = numbers["v_drain_source_rating"], numbers["q_recovery_max"]
        preset = np.full(rating.shape, 400.0)
        for limit, charge in reversed(RECOVERY_CLASSES):
            preset = np.where(rating <= limit, charge, preset)
        capped_value = np.where(known <= 1.3 * preset, np.minimum(known, preset), known)
        return np.where(np.isnan(known), preset, capped_value)

    return Fill(
        f"= q_recovery_max within the preset, else by voltage class: {steps}, above 400 nC", rule
    )


def gate_source(threshold_key: str, drain_key: str) -> Fill:
    """Gate-source charge such that charge after threshold plus plateau is 1.85 x q_gate_drain."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        return 0.85 * numbers[drain_key] + np.nan_to_num(numbers[threshold_key])

    return Fill(f"0.85 x {drain_key} + {threshold_key}", rule, (drain_key,))


def by_technology(values: Mapping[str, float], *, key: str = "technology", scale: str = "") -> Fill:
    """A value by the text in `key`; a multiple of the column `scale` if one is given."""
    listed = ", ".join(f"{name} {value:g}" for name, value in values.items())

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        found = np.array([values.get(text, np.nan) for text in texts[key]], dtype=float)
        return found * numbers[scale] if scale else found

    return Fill(f"{f'{scale} times ' if scale else ''}by {key}: {listed}", rule)


def typical_by_technology(max_key: str, values: Mapping[str, float], factor: float) -> Fill:
    """Typical value from the maximum; for the technologies in `values` a preset without either."""
    listed = ", ".join(f"{name} {value:g}" for name, value in values.items())

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        known = numbers[max_key]
        preset = np.array([values.get(t, np.nan) for t in texts["technology"]], dtype=float)
        within = known <= factor * preset
        kept = np.where(within, np.fmin(known, preset), known)
        return np.where(np.isnan(known), preset, kept)

    return Fill(f"= {max_key} within the preset, else by technology: {listed}", rule)


def step(key: str, limit: float, below: float, above: float) -> Fill:
    """`below` up to and at `limit` of another column, else `above`."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        return np.where(numbers[key] <= limit, below, above)

    return Fill(f"{below:g} if {key} <= {limit:g}, else {above:g}", rule)


def terminal_inductance() -> Fill:
    """Resistor inductance: 0.5 nH if the terminals are on the long side, else 5 nH."""

    def rule(numbers: Numbers, texts: Texts) -> FloatArray:
        return np.where(numbers["width"] > numbers["length"], 0.5, 5.0)

    return Fill("0.5 nH if wider than long (terminals on the long sides), else 5 nH", rule)


def bias_of_ceramic() -> CurveFill:
    """Steep curve for class II ceramics, no bias loss for every other technology."""

    def rule(numbers: Numbers, texts: Texts, row: int) -> tuple[Curve, bool]:
        ceramic = texts["technology"][row] == "ceramic-2"
        return (CERAMIC_2_CURVE, True) if ceramic else (FLAT_CURVE, False)

    points = " ".join(f"{x:g}:{y:g}" for x, y in CERAMIC_2_CURVE)
    return CurveFill(f"ceramic-2: {points}; others have no bias loss", rule)


def straight_saturation() -> CurveFill:
    """Straight line from 100 % at no current to the stated drop at the saturation current."""

    def rule(numbers: Numbers, texts: Texts, row: int) -> tuple[Curve, bool]:
        current = float(numbers["i_saturation_typ"][row])
        left = 100.0 - float(numbers["saturation_drop"][row])
        return ((0.0, 100.0), (current, left)), True

    return CurveFill("straight line 0 A:100 %, i_saturation:100 % - saturation_drop", rule)


def _rows(numbers: Numbers) -> int:
    return len(next(iter(numbers.values()))) if numbers else 0
