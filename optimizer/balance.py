"""Volt-second and charge balance of one coil: the regulated duty and where the current starts."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from optimizer.formulas import formula
from optimizer.records import BoolArray, FloatArray

STEPS_ALL = 8
STEPS_REST = 40
STEP_SMALL = 1e-11
"""Newton's last step before the error, its square, is below rounding."""
LOSS_STEPS = 30
LOSS_TOLERANCE = 1e-12
LOSS_FAILURES = 5
REST_STEPS = 40
EDGE = 1e-8
"""A duty nearer than this to its edge counts as dropout."""


@dataclass(frozen=True, slots=True)
class Balance:
    """The equations of every lane; arrays broadcast to (n_interval, n_set, n_lane).

    base, slope : share of interval k is base + slope * duty
    volts : winding voltage without drops [V]
    resistance : in the coil's path [ohm]
    delivers : share of the coil current that reaches the output
    rise : pattern time over inductance [s/H], (n_set, n_lane)
    i_output : mean current the coil must deliver [A], (n_set, n_lane)
    one_way : the coil current cannot reverse; such a pattern rises in interval 0, falls in
        interval 1 and rests in interval 2
    """

    base: FloatArray
    slope: FloatArray
    volts: FloatArray
    resistance: FloatArray
    delivers: FloatArray
    rise: FloatArray
    i_output: FloatArray
    one_way: BoolArray

    def flat(self, pick: BoolArray) -> Balance:
        """The lanes where `pick` (n_set, n_lane) holds, as (n_interval, n_picked)."""
        n = self.base.shape[0]

        def take(array: Any) -> Any:
            wide = np.broadcast_to(
                array, (n, *pick.shape) if array.ndim > pick.ndim else pick.shape
            )
            return wide[..., pick]

        return Balance(*(take(getattr(self, item.name)) for item in fields(self)))


STEP_DOWN = Balance(
    base=np.array([[[0.0]], [[1.0]]]),
    slope=np.array([[[1.0]], [[-1.0]]]),
    volts=np.array([[[12.0]], [[-12.0]]]),
    resistance=np.full((2, 1, 1), 0.1),
    delivers=np.ones((2, 1, 1)),
    rise=np.array([[1 / (300e3 * 10e-6)]]),
    i_output=np.array([[5.0]]),
    one_way=np.array([[False]]),
)
"""24 V to 12 V, 5 A, 300 kHz, 10 uH, 0.1 ohm in the path: the example of the docstrings."""


@dataclass(frozen=True, slots=True)
class Residual:
    """Mean winding voltage at a duty [V], its slope, and the coil current at the start [A]."""

    volts: FloatArray
    slope: FloatArray
    i_start: FloatArray


def residual(balance: Balance, duty: FloatArray) -> Residual:
    """Mean winding voltage at a duty, the current placed so that the charge balances.

    In interval k the mean current m and the end b follow from the start a:
    m = (a + h v / 2) / (1 + h R / 2), b = 2 m - a, h = share * rise. Every current is
    x * i_start + y, so charge balance gives i_start and no iteration is needed for it.

    balance : the equations
    duty : regulated duty [1], (n_set, n_lane)
    Returns : mean winding voltage [V], its slope with the duty [V], starting current [A]

    Holds for: piecewise-linear currents; the drop of an interval is that of its mean current.
    Source: derived in DEVELOPERS.md.

    >>> residual(STEP_DOWN, np.array([[0.5]])).volts
    array([[-0.5]])
    """
    none = np.zeros(1)
    x, y, dx, dy = np.ones(1), none, none, none
    charge, dcharge, rest, drest, source, dsource = (none,) * 6
    drop_x, ddrop_x, drop_y, ddrop_y = (none,) * 4
    half_rise = balance.rise / 2
    for k in range(balance.base.shape[0]):
        slope, volts = balance.slope[k], balance.volts[k]
        if not (slope.any() or balance.base[k].any()):
            continue  # an interval that no lane has
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
    """What closes the balances, (n_set, n_lane) unless said.

    duty : regulated duty; share : of every interval, (n_interval, n_set, n_lane)
    i_start : coil current at the start of the pattern [A]; rests : it rests at zero for a while
    converged : whether the balances closed
    """

    duty: FloatArray
    share: FloatArray
    i_start: FloatArray
    rests: BoolArray
    converged: BoolArray


def close(balance: Balance, guess: FloatArray | None = None) -> Solution:
    """Solve both balances in every lane; NaN where no duty between 0 and 1 closes them.

    Newton's method from the lossless duty, which lies on the stable side of the largest gain, so
    that of the two duties of a step-up stage the smaller one is found. Where the current would
    reverse but cannot, it rests at zero instead.

    balance : the equations
    guess : first duty [1], (n_set, n_lane), where a near solution is known
    Returns : duty [1], shares [1], starting current [A], whether it closed, (n_set, n_lane)

    Holds for: patterns whose mean winding voltage is concave in the duty, as here.
    Source: derived in DEVELOPERS.md.

    >>> close(STEP_DOWN).duty.round(9)
    array([[0.52083333]])
    """
    low, high = _limits(balance)
    shape = np.broadcast_shapes(balance.rise.shape, balance.i_output.shape, balance.volts.shape[1:])
    lossless = _lossless(balance)
    guess = lossless if guess is None else np.where(np.isfinite(guess), guess, lossless)
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
    duty = np.where(converged, duty, np.nan)
    found = Solution(
        duty=duty,
        share=np.maximum(balance.base + balance.slope * duty, 0.0),
        i_start=np.where(converged, last.i_start, np.nan),
        rests=np.zeros(shape, dtype=np.bool_),
        converged=converged,
    )
    reverses = balance.one_way & converged & (last.i_start < 0.0)
    return _resting(balance, found, reverses) if reverses.any() else found


def _resting(balance: Balance, found: Solution, pick: BoolArray) -> Solution:
    """The solution with the current at rest for a while in the lanes of `pick`."""
    flat = balance.flat(pick)
    rise, fall = discontinuous_shares(
        v_rise=flat.volts[0],
        v_fall=-flat.volts[1],
        resistance_rise=flat.resistance[0],
        resistance_fall=flat.resistance[1],
        delivers_rise=flat.delivers[0],
        delivers_fall=flat.delivers[1],
        rise=flat.rise,
        i_output=flat.i_output,
    )
    closes = (rise > 0.0) & (fall > 0.0)
    rest = np.maximum(1.0 - rise - fall, 0.0)
    duty, share, i_start = found.duty.copy(), found.share.copy(), found.i_start.copy()
    duty[pick] = np.where(closes, rise, np.nan)
    i_start[pick] = np.where(closes, 0.0, np.nan)
    share[:, pick] = 0.0
    for k, value in enumerate((rise, fall, rest)):
        share[k][pick] = np.where(closes, value, np.nan)
    converged = found.converged.copy()
    converged[pick] = closes
    return Solution(duty, share, i_start, pick, converged)


def discontinuous_shares(
    *,
    v_rise: FloatArray,
    v_fall: FloatArray,
    resistance_rise: FloatArray,
    resistance_fall: FloatArray,
    delivers_rise: FloatArray,
    delivers_fall: FloatArray,
    rise: FloatArray,
    i_output: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Shares of the pattern in which a current that rests at zero rises and falls.

    Both parts are triangles of one mean current m; their shares follow from m by the slopes, and
    the charge they deliver rises with m: Newton's method on the logarithms.

    v_rise, v_fall : winding voltages without drops, both taken positive [V], (n,)
    resistance_rise, resistance_fall : in the coil's path in either part [ohm], (n,)
    delivers_rise, delivers_fall : share of the coil current that reaches the output [1], (n,)
    rise : pattern time over inductance [s/H], (n,)
    i_output : mean current the coil must deliver [A], (n,)
    Returns : shares [1], (n,); NaN where nothing is delivered or the drops take all of `v_rise`

    Holds for: one rise and one fall per pattern, mean drops; rise + fall below 1.
    Source: derived in DEVELOPERS.md, discontinuous conduction; without drops R. W. Erickson and
        D. Maksimovic, "Fundamentals of Power Electronics", chapter 5 (from memory).

    >>> one = np.ones(1)
    >>> pair = discontinuous_shares(v_rise=12 * one, v_fall=12 * one, resistance_rise=0 * one,
    ...     resistance_fall=0 * one, delivers_rise=one, delivers_fall=one, rise=one, i_output=one)
    >>> [share.round(6).tolist() for share in pair]
    [[0.288675], [0.288675]]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        first = 2.0 * delivers_rise / (rise * v_rise)
        second = 2.0 * delivers_fall / (rise * v_fall)
        mean = np.sqrt(i_output / (first + second))
        mean = np.minimum(mean, 0.9 * v_rise / np.maximum(resistance_rise, 1e-300))
        for _ in range(REST_STEPS):
            up, down = v_rise - resistance_rise * mean, v_fall + resistance_fall * mean
            one = 2.0 * delivers_rise * mean / (rise * up)
            two = 2.0 * delivers_fall * mean / (rise * down)
            slope = (one * (1.0 + v_rise / up) + two * (1.0 + v_fall / down)) / (one + two)
            step = np.log((one + two) * mean / i_output) / slope
            ahead = mean * np.exp(-step)
            done = np.abs(step) < STEP_SMALL
            mean = np.where(resistance_rise * ahead < v_rise, ahead, np.nan)
            if np.all(done | np.isnan(mean)):
                break
        rises = 2.0 * mean / (rise * (v_rise - resistance_rise * mean))
        falls = 2.0 * mean / (rise * (v_fall + resistance_fall * mean))
    return rises, falls


def _newton(
    balance: Balance, duty: FloatArray, low: FloatArray, high: FloatArray, *, steps: int
) -> tuple[FloatArray, BoolArray]:
    """Newton steps on the duty, cut short of an edge they would cross.

    A lane becomes NaN when it is pressed against an edge or has passed the largest gain: where a
    solution exists the steps from the lossless duty do neither.
    """
    duty = np.array(duty)
    done = np.zeros(duty.shape, dtype=np.bool_)
    rising = np.sign(_turn(balance))
    for _ in range(steps):
        here = residual(balance, duty)
        step = here.volts / here.slope
        ahead = duty - step
        over, under = ahead > high, ahead < low
        lost = (here.slope * rising <= 0) | (over & (high - duty < EDGE))
        lost |= under & (duty - low < EDGE)
        done = (np.abs(step) <= STEP_SMALL) & ~over & ~under
        ahead = np.where(over, duty + 0.9 * (high - duty), ahead)
        ahead = np.where(under, duty + 0.9 * (low - duty), ahead)
        duty = np.where(lost, np.nan, ahead)
        if np.all(done | np.isnan(duty)):
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
    """The same equations with one resistance in every interval.

    balance : the equations
    resistance : in the coil's path [ohm], (n_set, n_lane)
    Returns : equations with every interval at `resistance`

    Holds for: resistance in the coil's own path.
    Source: definition.

    >>> with_resistance(STEP_DOWN, np.array([[0.2]])).resistance.ravel()
    array([0.2, 0.2])
    """
    n = balance.base.shape[0]
    return replace(balance, resistance=np.broadcast_to(resistance, (n, *resistance.shape)))


def currents(balance: Balance, solution: Solution) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share, start and end current of every interval, (n_interval, n_set, n_lane)."""
    share = solution.share
    start, end = np.empty_like(share), np.empty_like(share)
    current = solution.i_start
    for k in range(share.shape[0]):
        current = np.where(solution.rests & (k > 1), 0.0, current)
        start[k] = current
        half = balance.rise * share[k] / 2
        mean = (current + half * balance.volts[k]) / (1 + half * balance.resistance[k])
        current = np.where(solution.rests & (k > 0), 0.0, 2 * mean - current)
        end[k] = current
    return share, start, end


@formula("(v_inductor - resistance * i_mean) * time_interval / inductance", unit="A")
def current_change(
    *,
    v_inductor: FloatArray,
    resistance: FloatArray,
    i_mean: FloatArray,
    time_interval: FloatArray,
    inductance: FloatArray,
) -> FloatArray:
    """Change of the coil current in one interval: what `currents` steps by, for a reader.

    v_inductor : winding voltage without drops [V], any shape
    resistance : in the coil's path [ohm], any shape
    i_mean : mean coil current of the interval [A], any shape
    time_interval : how long it lasts [s], any shape
    inductance : of the coil [H], any shape
    Returns : change of the current [A], broadcast shape

    Holds for: piecewise-linear currents; the drop of an interval is that of its mean current.
    Source: derived in DEVELOPERS.md.

    >>> float(current_change(v_inductor=12.0, resistance=0.1, i_mean=5.0, time_interval=1e-6,
    ...     inductance=1e-5).round(6))
    1.15
    """
    return np.asarray((v_inductor - resistance * i_mean) * time_interval / inductance)


def resistance_for_loss(balance: Balance, loss: FloatArray) -> FloatArray:
    """One resistance for every interval whose mean drops lose `loss` [W], flat lanes (n,).

    Secant steps on log(resistance) against log(loss carried / loss); lanes leave when they fit.

    balance : flat equations, (n_interval, n); their resistance is ignored
    loss : to be lost [W], (n,), above 0
    Returns : resistance [ohm], (n,); NaN where none carries the loss

    Holds for: losses below about 40 % of the input power.
    Source: derived in DEVELOPERS.md.

    >>> flat = STEP_DOWN.flat(np.array([[True]]))
    >>> resistance_for_loss(flat, np.array([2.5])).round(9)
    array([0.1])
    """
    found = np.full(loss.shape, np.nan)
    at = np.arange(loss.size)
    solution = close(with_resistance(balance, np.zeros_like(loss)))
    square = mean_square(balance, solution)
    ohms = np.where(square > 0, loss / np.where(square > 0, square, 1.0), np.nan)
    duty = solution.duty
    last_ohms, last_miss = np.ones_like(ohms), np.full_like(ohms, np.nan)
    tries = np.zeros_like(ohms)
    for _ in range(LOSS_STEPS):
        balance = with_resistance(balance, ohms)
        solution = close(balance, duty)
        miss = np.log(ohms * mean_square(balance, solution) / loss)
        found[at[np.abs(miss) < LOSS_TOLERANCE]] = ohms[np.abs(miss) < LOSS_TOLERANCE]
        tries = tries + np.isnan(miss)
        stay = ~(np.abs(miss) < LOSS_TOLERANCE) & np.isfinite(ohms) & (tries < LOSS_FAILURES)
        if not stay.any():
            break
        ahead = ohms * np.exp(_log_step(ohms, miss, last_ohms, last_miss))
        last_ohms, last_miss = ohms[stay], miss[stay]
        ohms, loss, tries, at = ahead[stay], loss[stay], tries[stay], at[stay]
        duty = solution.duty[stay]
        balance = balance.flat(stay)
    return found


def mean_square(balance: Balance, solution: Solution) -> FloatArray:
    """Sum over intervals of share * (mean current)^2 [A^2], (n_set, n_lane)."""
    share, start, end = currents(balance, solution)
    total: FloatArray = np.sum(share * (start + end) ** 2, axis=0) / 4
    return total


def _log_step(
    ohms: FloatArray, miss: FloatArray, last_ohms: FloatArray, last_miss: FloatArray
) -> FloatArray:
    """Secant step of log(resistance); halves the resistance where the balance did not close."""
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (miss - last_miss) / np.log(ohms / last_ohms)
    slope = np.where(np.isfinite(slope) & (slope > 0.2), slope, 1.0)
    return np.where(np.isfinite(miss), np.clip(-miss / slope, -2.0, 2.0), -np.log(2.0))
