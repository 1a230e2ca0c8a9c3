"""Dividers from preferred values: every pair tried, the one with the smallest worst-case error."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import eseries
import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

SERIES = {
    "E12": eseries.E12,
    "E24": eseries.E24,
    "E48": eseries.E48,
    "E96": eseries.E96,
    "E192": eseries.E192,
}
"""IEC 60063, through the package `eseries`."""

DECADES = (1e2, 1e3, 1e4, 1e5, 1e6)


@cache
def preferred(series: str) -> FloatArray:
    """Every value of a series from 100 ohm to below 10 Mohm, rising."""
    steps = np.array(eseries.series(SERIES[series]), dtype=np.float64)
    steps = steps / 10.0 ** np.floor(np.log10(steps))
    return np.concatenate([np.round(steps * decade, 6) for decade in DECADES])


@formula("v_reference * (1 + r_top / r_bottom) + i_bias * r_top", unit="V")
def v_divider(
    *, v_reference: FloatArray, r_top: FloatArray, r_bottom: FloatArray, i_bias: FloatArray
) -> FloatArray:
    """Voltage at which a divider shows the reference.

    v_reference : at the tap [V], any shape
    r_top, r_bottom : of the divider [ohm], any shape
    i_bias : current that flows into the tap's input [A], any shape
    Returns : voltage [V], broadcast shape

    Holds for: an input that compares with the reference.
    Source: Kirchhoff.

    >>> v = v_divider(v_reference=0.8, r_top=230e3, r_bottom=10e3, i_bias=1e-7)
    >>> round(float(v), 6)
    19.223
    """
    return v_reference * (1.0 + r_top / r_bottom) + i_bias * r_top


@dataclass(frozen=True, slots=True)
class Stack:
    """What the error of a divider is made of.

    v_reference [V] with its relative tolerance; resistors with tolerance, temperature included
    [1]; i_bias : largest current of the tap, either way [A]
    total_min, total_max : of both resistors together [ohm]
    """

    v_reference: float
    reference_tolerance: float
    resistor_tolerance: float
    i_bias: float
    series: str
    total_min: float
    total_max: float


@dataclass(frozen=True, slots=True)
class Divider:
    """A divider and what it gives: nominal, worst case and expected (root-sum-square) [V]."""

    r_top: float
    r_bottom: float
    v_nominal: float
    v_min: float
    v_max: float
    v_spread: float


def dividers(stack: Stack) -> tuple[FloatArray, FloatArray]:
    """Every pair of preferred values whose sum is allowed: (r_top, r_bottom) [ohm]."""
    values = preferred(stack.series)
    top, bottom = (grid.ravel() for grid in np.meshgrid(values, values, indexing="ij"))
    total = top + bottom
    kept = (total >= stack.total_min) & (total <= stack.total_max)
    return top[kept], bottom[kept]


def worst_case(
    stack: Stack, r_top: FloatArray, r_bottom: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest voltage with every error at its worst at once [V]."""
    ends = []
    for sign in (-1.0, 1.0):
        spread = sign * stack.resistor_tolerance
        ends.append(
            v_divider(
                v_reference=np.array(stack.v_reference * (1.0 + sign * stack.reference_tolerance)),
                r_top=r_top * (1.0 + spread),
                r_bottom=r_bottom * (1.0 - spread),
                i_bias=np.array(sign * stack.i_bias),
            )
        )
    return ends[0], ends[1]


def best_divider(
    stack: Stack, *, target: float, low: float = -np.inf, high: float = np.inf
) -> Divider | None:
    """The pair with the smallest worst-case distance from `target` [V]; None where no pair is.

    low, high : pairs that keep both in the worst case go first

    Every pair is tried, so no other pair of the series is better; of equal ones the largest
    total (least current) and then the smallest top.
    """
    top, bottom = dividers(stack)
    if not len(top):
        return None
    least, most = worst_case(stack, top, bottom)
    miss = np.maximum(np.abs(least - target), np.abs(most - target))
    outside = (least < low) | (most > high)
    fits = np.flatnonzero(outside == outside.min())
    miss = np.round(miss[fits], 9)
    near = fits[miss == miss.min()]
    best = near[np.lexsort((top[near], -(top + bottom)[near]))[0]]
    return _described(stack, float(top[best]), float(bottom[best]))


def highest_below(stack: Stack, *, high: float) -> Divider | None:
    """The pair whose worst case stays below `high` [V] and whose lowest is highest."""
    top, bottom = dividers(stack)
    least, most = worst_case(stack, top, bottom)
    fits = np.flatnonzero(most <= high)
    if not len(fits):
        return None
    order = np.lexsort((top[fits], -(top + bottom)[fits], -np.round(least[fits], 9)))
    best = fits[order[0]]
    return _described(stack, float(top[best]), float(bottom[best]))


def _described(stack: Stack, top: float, bottom: float) -> Divider:
    least, most = worst_case(stack, np.array(top), np.array(bottom))
    nominal = stack.v_reference * (1.0 + top / bottom)
    resistor = (nominal - stack.v_reference) * stack.resistor_tolerance
    parts = (nominal * stack.reference_tolerance, resistor, resistor, stack.i_bias * top)
    return Divider(
        r_top=top,
        r_bottom=bottom,
        v_nominal=nominal,
        v_min=float(least),
        v_max=float(most),
        v_spread=float(np.sqrt(np.sum(np.square(parts)))),
    )
