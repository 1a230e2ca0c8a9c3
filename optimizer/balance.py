"""Volt-second and charge balance of one coil: the regulated duty and where the current starts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.records import BoolArray, FloatArray

STEPS_ALL = 8
STEPS_REST = 60
STEP_SMALL = 1e-11
"""Newton's last step before the error, its square, is below rounding."""


@dataclass(frozen=True, slots=True)
class Balance:
    """The equations of every lane; arrays broadcast to (n_interval, n_set, n_lane).

    base, slope : share of interval k is base + slope * duty
    volts : winding voltage without drops [V]
    resistance : in the coil's path [ohm]
    delivers : share of the coil current that reaches the output
    rise : pattern time over inductance [s/H], (n_set, n_lane)
    i_output : mean current the coil must deliver [A], (n_set, n_lane)
    """

    base: FloatArray
    slope: FloatArray
    volts: FloatArray
    resistance: FloatArray
    delivers: FloatArray
    rise: FloatArray
    i_output: FloatArray

    def flat(self, pick: BoolArray) -> Balance:
        """The lanes where `pick` (n_set, n_lane) holds, as (n_interval, n_picked)."""
        n = self.base.shape[0]

        def take(array: FloatArray) -> FloatArray:
            wide = np.broadcast_to(array, (n, *pick.shape) if array.ndim == 3 else pick.shape)
            return wide[..., pick]

        return Balance(
            *(
                take(getattr(self, name))
                for name in ("base", "slope", "volts", "resistance", "delivers", "rise", "i_output")
            )
        )


@dataclass(frozen=True, slots=True)
class Residual:
    """Mean winding voltage at a duty [V], its slope, and the coil current at the start [A]."""

    volts: FloatArray
    slope: FloatArray
    i_start: FloatArray


def residual(balance: Balance, duty: FloatArray) -> Residual:
    """Mean winding voltage at `duty`, the current placed so that the charge balances.

    In interval k the mean current m and the end b follow from the start a:
    m = (a + h v / 2) / (1 + h R / 2), b = 2 m - a, h = share * rise. Every current is
    x * i_start + y, so charge balance gives i_start and no iteration is needed for it.
    """
    x, y = np.ones_like(duty), np.zeros_like(duty)
    dx, dy = np.zeros_like(duty), np.zeros_like(duty)
    charge, dcharge, rest, drest = (np.zeros_like(duty) for _ in range(4))
    drop_x, ddrop_x, drop_y, ddrop_y = (np.zeros_like(duty) for _ in range(4))
    source, dsource = np.zeros_like(duty), np.zeros_like(duty)
    half_rise = balance.rise / 2
    for k in range(balance.base.shape[0]):
        slope, volts = balance.slope[k], balance.volts[k]
        share = balance.base[k] + slope * duty
        ohms, reach = balance.resistance[k], balance.delivers[k]
        h, dh = half_rise * share, half_rise * slope
        damp = 1 / (1 + h * ohms)
        mean_x, mean_y = x * damp, (y + h * volts) * damp
        dmean_x = (dx - mean_x * (ohms * dh)) * damp
        dmean_y = (dy + (volts - mean_y * ohms) * dh) * damp
        x, dx = 2 * mean_x - x, 2 * dmean_x - dx
        y, dy = 2 * mean_y - y, 2 * dmean_y - dy
        span_x, dspan_x = share * mean_x, slope * mean_x + share * dmean_x
        span_y, dspan_y = share * mean_y, slope * mean_y + share * dmean_y
        charge, dcharge = charge + reach * span_x, dcharge + reach * dspan_x
        rest, drest = rest + reach * span_y, drest + reach * dspan_y
        drop_x, ddrop_x = drop_x + ohms * span_x, ddrop_x + ohms * dspan_x
        drop_y, ddrop_y = drop_y + ohms * span_y, ddrop_y + ohms * dspan_y
        source, dsource = source + share * volts, dsource + slope * volts
    i_start = (balance.i_output - rest) / charge
    di_start = -(drest + i_start * dcharge) / charge
    return Residual(
        volts=source - drop_x * i_start - drop_y,
        slope=dsource - ddrop_x * i_start - drop_x * di_start - ddrop_y,
        i_start=i_start,
    )


@dataclass(frozen=True, slots=True)
class Solution:
    """Regulated duty, coil current at the start of the pattern [A], and whether it closed."""

    duty: FloatArray
    i_start: FloatArray
    converged: BoolArray


def close(balance: Balance, guess: FloatArray | None = None) -> Solution:
    """Solve both balances in every lane; NaN where no duty between 0 and 1 closes them.

    Newton's method from the lossless duty, which lies on the stable side of the largest gain, so
    that of the two duties of a step-up stage the smaller one is found.
    """
    low, high = _limits(balance)
    shape = np.broadcast_shapes(balance.rise.shape, balance.i_output.shape, balance.volts.shape[1:])
    if guess is None:
        guess = _lossless(balance)
    margin = 1e-6 * (high - low)
    duty = np.broadcast_to(np.clip(guess, low + margin, high - margin), shape)
    duty, done = _newton(balance, duty, low, high, steps=STEPS_ALL)
    left = ~done & np.isfinite(duty)
    if left.any():
        low_left, high_left = (np.broadcast_to(edge, shape)[left] for edge in (low, high))
        rest, rest_done = _newton(
            balance.flat(left), duty[left], low_left, high_left, steps=STEPS_REST
        )
        duty[left], done[left] = rest, rest_done
    last = residual(balance, duty)
    stable = last.slope * np.sign(_turn(balance)) > 0
    converged = done & stable & (duty > 0) & (duty < 1) & (duty >= low) & (duty <= high)
    return Solution(
        duty=np.where(converged, duty, np.nan),
        i_start=np.where(converged, last.i_start, np.nan),
        converged=converged,
    )


def _newton(
    balance: Balance, duty: FloatArray, low: FloatArray, high: FloatArray, *, steps: int
) -> tuple[FloatArray, BoolArray]:
    """Newton steps on the duty, halved towards an edge they would cross."""
    duty = np.array(duty)
    done = np.zeros(duty.shape, dtype=np.bool_)
    for _ in range(steps):
        here = residual(balance, duty)
        step = here.volts / here.slope
        ahead = duty - step
        ahead = np.where(ahead > high, (duty + high) / 2, ahead)
        ahead = np.where(ahead < low, (duty + low) / 2, ahead)
        done = np.abs(ahead - duty) <= STEP_SMALL
        inside = np.abs(ahead - (duty - step)) <= STEP_SMALL
        done &= inside
        duty = ahead
        if np.all(done | ~np.isfinite(duty)):
            break
    return duty, done


def _turn(balance: Balance) -> FloatArray:
    """Change of the mean winding voltage with the duty, drops aside [V]."""
    turn: FloatArray = np.sum(balance.slope * balance.volts, axis=0)
    return turn


def _lossless(balance: Balance) -> FloatArray:
    """Duty at which the winding voltages balance without drops."""
    duty: FloatArray = -np.sum(balance.base * balance.volts, axis=0) / _turn(balance)
    return duty


def _limits(balance: Balance) -> tuple[FloatArray, FloatArray]:
    """Duties between which no interval is shorter than nothing, (n_set or 1, n_lane)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        edge = -balance.base / balance.slope
    low = np.max(np.where(balance.slope > 0, edge, 0.0), axis=0)
    high = np.min(np.where(balance.slope < 0, edge, 1.0), axis=0)
    return np.maximum(low, 0.0), np.minimum(high, 1.0)


def with_resistance(balance: Balance, resistance: FloatArray) -> Balance:
    """The same equations with another resistance of every interval (n_set, n_lane) [ohm]."""
    n = balance.base.shape[0]
    return replace(balance, resistance=np.broadcast_to(resistance, (n, *resistance.shape)))
