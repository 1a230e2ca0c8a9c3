"""Dimming levels from preferred values: one top resistor, a bottom one for each level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray
from optimizer.set_points import Stack, preferred
from optimizer.spec_records import DimmingInput


@formula(
    "v_reference * r_bottom / (r_top + r_bottom) + i_bias * r_top * r_bottom / (r_top + r_bottom)",
    unit="V",
)
def v_tap(
    *, v_reference: FloatArray, r_top: FloatArray, r_bottom: FloatArray, i_bias: FloatArray
) -> FloatArray:
    """Voltage at the tap of a divider that a reference feeds.

    v_reference : over the divider [V], any shape
    r_top, r_bottom : of the divider [ohm], any shape
    i_bias : current that flows out of the input into the tap [A], any shape
    Returns : voltage [V], broadcast shape

    Holds for: a reference that stands the current of the divider.
    Source: Kirchhoff.

    >>> v = v_tap(v_reference=2.5, r_top=73.2e3, r_bottom=10e3, i_bias=0.0)
    >>> round(float(v), 6)
    0.300481
    """
    return (v_reference + i_bias * r_top) * r_bottom / (r_top + r_bottom)


@formula("minimum(maximum((v_dimming - v_zero) * slope / (v_full - v_zero), 0), 1)", unit="1")
def share_dimmed(
    *, v_dimming: FloatArray, v_zero: FloatArray, v_full: FloatArray, slope: FloatArray
) -> FloatArray:
    """Share of the full current that a voltage at the dimming input gives.

    v_dimming : at the input, its offset included [V], any shape
    v_zero, v_full : at which no and full current flows [V], any shape
    slope : of the input over its nominal one [1], any shape
    Returns : share [1], broadcast shape

    Holds for: an input that is straight between its ends and clamps beyond them.
    Source: definition.

    >>> round(float(share_dimmed(v_dimming=0.3, v_zero=0.2, v_full=1.2, slope=1.1)), 6)
    0.11
    """
    share = (v_dimming - v_zero) * slope / (v_full - v_zero)
    return np.minimum(np.maximum(share, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Level:
    """One level: its bottom resistor [ohm] and the share of the full current it gives.

    target, nominal, low, high : asked for, as built, and in the worst case; spread : expected
    distance from nominal (root-sum-square); v_tap [V]
    """

    target: float
    r_bottom: float
    v_tap: float
    nominal: float
    low: float
    high: float
    spread: float

    @property
    def miss(self) -> float:
        """Worst distance from the target, as a share of it."""
        return max(abs(self.low - self.target), abs(self.high - self.target)) / self.target


@dataclass(frozen=True, slots=True)
class Ladder:
    """The levels of one top resistor [ohm]."""

    r_top: float
    levels: tuple[Level, ...]


def worst_levels(
    pin: DimmingInput, stack: Stack, r_top: FloatArray, r_bottom: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest share with every error at its worst at once."""
    ends = []
    for sign in (-1.0, 1.0):
        spread = sign * stack.resistor_tolerance
        volts = v_tap(
            v_reference=np.array(stack.v_reference * (1.0 + sign * stack.reference_tolerance)),
            r_top=r_top * (1.0 - spread),
            r_bottom=r_bottom * (1.0 + spread),
            i_bias=np.array(sign * stack.i_bias),
        )
        ends.append(
            share_dimmed(
                v_dimming=volts + sign * pin.v_offset,
                v_zero=np.array(pin.v_zero),
                v_full=np.array(pin.v_full),
                slope=np.array(1.0 + sign * pin.slope_tolerance),
            )
        )
    return ends[0], ends[1]


def best_ladder(pin: DimmingInput, stack: Stack, levels: Sequence[float]) -> Ladder | None:
    """The resistors whose largest miss over all levels is smallest; None where none is allowed.

    With the top resistor given each level has its best bottom one whatever the others are, so
    every top with every bottom is every ladder there is. Of equal ones the largest top (least
    current), and the largest bottoms.
    """
    values = preferred(stack.series)
    top, bottom = values[:, None], values[None, :]
    total = top + bottom
    allowed = (total >= stack.total_min) & (total <= stack.total_max)
    low, high = worst_levels(pin, stack, top, bottom)
    picks, worst = [], np.zeros(len(values))
    for level in levels:
        miss = np.maximum(np.abs(low - level), np.abs(high - level)) / level
        miss = np.where(allowed, np.round(miss, 9), np.inf)
        pick = miss.shape[1] - 1 - np.argmin(miss[:, ::-1], axis=1)
        picks.append(pick)
        worst = np.maximum(worst, miss[np.arange(len(values)), pick])
    best = len(values) - 1 - int(np.argmin(worst[::-1]))
    if not np.isfinite(worst[best]):
        return None
    made = zip(levels, picks, strict=True)
    found = [_level(pin, stack, float(values[best]), float(values[p[best]]), x) for x, p in made]
    return Ladder(float(values[best]), tuple(found))


def _level(pin: DimmingInput, stack: Stack, top: float, bottom: float, target: float) -> Level:
    low, high = worst_levels(pin, stack, np.array(top), np.array(bottom))
    share = bottom / (top + bottom)
    volts = stack.v_reference * share
    span = pin.v_full - pin.v_zero
    resistor = volts * (1.0 - share) * stack.resistor_tolerance
    parts = (
        volts * stack.reference_tolerance,
        resistor,
        resistor,
        stack.i_bias * top * share,
        pin.v_offset,
        (volts - pin.v_zero) * pin.slope_tolerance,
    )
    nominal = share_dimmed(
        v_dimming=np.array(volts),
        v_zero=np.array(pin.v_zero),
        v_full=np.array(pin.v_full),
        slope=np.array(1.0),
    )
    return Level(
        target=target,
        r_bottom=bottom,
        v_tap=volts,
        nominal=float(nominal),
        low=float(low),
        high=float(high),
        spread=float(np.sqrt(np.sum(np.square(parts)))) / span,
    )
