"""Inductor: inductance under bias and heat, copper and core loss, temperature, saturation.

Curves are padded arrays (n_part, n_knot): knots rise in current and fall in inductance, unused
knots at the end are NaN, and a part without a curve is all NaN.
"""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import BoolArray, FloatArray

COPPER_PER_K = 0.0039
"""Rise of the resistance of copper per kelvin, relative to 20 degC [1/K]."""

HOT_SHARE = {"ferrite": 0.8, "powder": 0.95, "composite": 0.95}
"""Saturation current at 100 degC over that at 25 degC, by core class."""

KNEE_MARGIN = {"ferrite": 1.1, "powder": 1.0, "composite": 1.0}
"""Hot saturation current a hard knee must keep above the current limit, by core class."""

RATIO_WITHOUT_CORE = 0.25
"""Largest ripple over mean current at which a part without core data is still considered."""

FREQUENCY_WITHOUT_CORE = 150e3
"""Largest frequency at which a part without core data is still considered [Hz]."""


# --- inductance ----------------------------------------------------------------------------------


def chord_curve(
    *, i_saturation: FloatArray, saturation_drop: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Curve of a part that gives only one saturation point: the chord from no current to it.

    i_saturation : current of the stated drop [A], (n_part,)
    saturation_drop : that drop as share of the inductance [1], (n_part,)
    Returns : current [A] and share of the unbiased inductance [1], (n_part, 2) each

    Holds for: curves that bend downward, which lie above their chord: the chord errs low.
    Source: common practice.

    >>> current, share = chord_curve(i_saturation=np.array([10.0]), saturation_drop=np.array([0.3]))
    >>> current.tolist(), share.tolist()
    ([[0.0, 10.0]], [[1.0, 0.7]])
    """
    current = np.stack([np.zeros_like(i_saturation), i_saturation], axis=-1)
    share = np.stack([np.ones_like(saturation_drop), 1.0 - saturation_drop], axis=-1)
    return current, share


def share_at_current(
    *, i_mean: FloatArray, curve_current: FloatArray, curve_share: FloatArray
) -> FloatArray:
    """Share of the unbiased inductance left at a current, straight between the knots.

    i_mean : current [A], (n_part, n_lane)
    curve_current : knots [A], (n_part, n_knot)
    curve_share : share left at each knot [1], (n_part, n_knot)
    Returns : share [1], (n_part, n_lane); NaN beyond the last knot and without a curve

    Holds for: the temperature of the curve; either direction of current.
    Source: definition (interpolation).

    >>> share_at_current(i_mean=np.array([[5.0, 12.0]]),
    ...     curve_current=np.array([[0.0, 10.0, np.nan]]),
    ...     curve_share=np.array([[1.0, 0.7, np.nan]]))
    array([[0.85,  nan]])
    """
    size = np.abs(i_mean)
    share = curve_share[..., 0:1] + np.zeros_like(size)
    for knot in range(curve_current.shape[-1] - 1):
        low, high = curve_current[..., knot : knot + 1], curve_current[..., knot + 1 : knot + 2]
        fall = curve_share[..., knot + 1 : knot + 2] - curve_share[..., knot : knot + 1]
        step = fall * np.clip((size - low) / (high - low), 0.0, 1.0)
        share = share + np.where(np.isnan(step), 0.0, step)
    return np.where(size > _last(curve_current), np.nan, share)


def current_at_share(
    *, share: FloatArray, curve_current: FloatArray, curve_share: FloatArray
) -> FloatArray:
    """Largest current at which at least `share` of the unbiased inductance is left.

    share : share asked for [1], (n_part, n_lane)
    curve_current : knots [A], (n_part, n_knot)
    curve_share : share left at each knot, falling [1], (n_part, n_knot)
    Returns : current [A], (n_part, n_lane); the last knot where the curve ends above `share`

    Holds for: the temperature of the curve. Nothing is extrapolated.
    Source: definition (inverse interpolation).

    >>> current_at_share(share=np.array([[0.8, 0.5]]), curve_current=np.array([[0.0, 10.0, 20.0]]),
    ...     curve_share=np.array([[1.0, 0.9, 0.7]]))
    array([[15., 20.]])
    """
    wanted = np.asarray(share)
    current = curve_current[..., 0:1] + np.zeros_like(wanted)
    for knot in range(curve_current.shape[-1] - 1):
        low, high = curve_share[..., knot + 1 : knot + 2], curve_share[..., knot : knot + 1]
        width = curve_current[..., knot + 1 : knot + 2] - curve_current[..., knot : knot + 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.where(high > low, (high - wanted) / (high - low), high >= wanted)
        step = width * np.clip(part, 0.0, 1.0)
        current = current + np.where(np.isnan(step), 0.0, step)
    return np.where(wanted > curve_share[..., 0:1], np.nan, current)


def _last(curve: FloatArray) -> FloatArray:
    """Last knot that is given, (n_part, 1); NaN where there is none."""
    with np.errstate(invalid="ignore"):
        return np.fmax.reduce(curve, axis=-1, keepdims=True)


@formula("inductance * (1 + direction * inductance_tolerance) * share", unit="H")
def inductance_at(
    *,
    inductance: FloatArray,
    inductance_tolerance: FloatArray,
    direction: FloatArray,
    share: FloatArray,
) -> FloatArray:
    """Inductance at a corner of its tolerance and under bias.

    inductance : nominal, unbiased [H], (n_part, n_lane)
    inductance_tolerance : tolerance as a share [1], (n_part, n_lane)
    direction : -1 at the low corner, 0 nominal, 1 at the high corner [1], (n_lane,)
    share : share left at the current [1], (n_part, n_lane)
    Returns : inductance [H], (n_part, n_lane)

    Holds for: ripple at the mean current's incremental value, or saturation at the limit current.
    Source: definition.

    >>> inductance_at(inductance=np.array([1e-5]), inductance_tolerance=np.array([0.2]),
    ...     direction=np.array([-1.0]), share=np.array([0.9]))
    array([7.2e-06])
    """
    return inductance * (1.0 + direction * inductance_tolerance) * share


@formula("inductance * (1 + coupling) / 2", unit="H")
def inductance_pair(*, inductance: FloatArray, coupling: FloatArray) -> FloatArray:
    """Inductance that the sum of the currents of two equal coils sees.

    inductance : of one coil [H], (n_part, n_lane)
    coupling : of the two, 0 where they are two pieces [1], (n_part, 1)
    Returns : inductance [H], (n_part, n_lane)

    Holds for: one voltage across both coils.
    Source: derived in DEVELOPERS.md, two coils.

    >>> inductance_pair(inductance=np.array([2e-5]), coupling=np.array([0.9])).round(9)
    array([1.9e-05])
    """
    return inductance * (1.0 + coupling) / 2.0


@formula(
    "minimum(1 - (1 - share_hot) / 75 * (temp_part - temp_saturation), 1)",
    unit="1",
)
def saturation_factor(
    *, share_hot: FloatArray, temp_part: FloatArray, temp_saturation: FloatArray
) -> FloatArray:
    """Saturation current at the part temperature over that at the test temperature.

    share_hot : ratio of 100 degC to 25 degC, 0.8 for ferrite, 0.95 for powder [1], (n_part, 1)
    temp_part : temperature of the core [degC], (n_part, n_lane)
    temp_saturation : temperature at which the current was stated [degC], (n_part, 1)
    Returns : factor [1], (n_part, n_lane); never above 1; NaN where it reaches zero

    Holds for: linear fall; up to about 140 degC.
    Source: common practice, no source.

    >>> saturation_factor(share_hot=np.array([0.8]), temp_part=np.array([100.0]),
    ...     temp_saturation=np.array([25.0]))
    array([0.8])
    """
    fall = (1.0 - share_hot) / 75.0 * (temp_part - temp_saturation)
    factor = np.minimum(1.0 - fall, 1.0)
    return np.where(factor > 0.0, factor, np.nan)


@formula("i_saturation * minimum(drop_allowed / saturation_drop, 1) * factor", unit="A")
def i_saturation_hot(
    *,
    i_saturation: FloatArray,
    saturation_drop: FloatArray,
    drop_allowed: FloatArray,
    factor: FloatArray,
) -> FloatArray:
    """Current at which a hot part without a curve has lost no more than the allowed share.

    i_saturation : stated saturation current [A], (n_part, n_lane)
    saturation_drop : share of the inductance lost there [1], (n_part, n_lane)
    drop_allowed : share that may be lost at the current limit, 0.2 to 0.3 [1], ()
    factor : hot over stated saturation current [1], (n_part, n_lane)
    Returns : current [A], (n_part, n_lane)

    Holds for: curves that bend downward (chord); a smaller stated drop is not extrapolated.
    Source: common practice.

    >>> i_saturation_hot(i_saturation=np.array([10.0]), saturation_drop=np.array([0.3]),
    ...     drop_allowed=np.array([0.2]), factor=np.array([0.9])).round(6)
    array([6.])
    """
    return i_saturation * np.minimum(drop_allowed / saturation_drop, 1.0) * factor


@formula("i_saturation * factor / knee", unit="A")
def i_saturation_usable(
    *, i_saturation: FloatArray, factor: FloatArray, knee: FloatArray
) -> FloatArray:
    """Current a hot part may carry: the current of the allowed drop, less a knee's margin.

    i_saturation : current of the allowed drop at the temperature of the curve [A], (n_part, n_lane)
    factor : hot over stated saturation current [1], (n_part, n_lane)
    knee : margin a hard knee must keep [1], (n_part, 1)
    Returns : current [A], (n_part, n_lane)

    Holds for: as `saturation_factor`.
    Source: common practice, no source.

    >>> i_saturation_usable(i_saturation=np.array([11.0]), factor=np.array([0.9]),
    ...     knee=np.array([1.1])).round(6)
    array([9.])
    """
    return i_saturation * factor / knee


@formula("i_saturation / share", unit="A")
def i_saturation_switched(*, i_saturation: FloatArray, share: FloatArray) -> FloatArray:
    """Switched current at which the winding that carries most of it saturates.

    i_saturation : current a winding may carry, hot [A], (n_part, n_lane)
    share : most that a winding carries of the switched current [1], (n_part, n_lane)
    Returns : current [A], (n_part, n_lane)

    Holds for: the current at its limit; of one coil the share is one.
    Source: derived in DEVELOPERS.md, two coils.

    >>> i_saturation_switched(i_saturation=np.array([6.0]), share=np.array([0.6])).round(9)
    array([10.])
    """
    return i_saturation / share


# --- copper --------------------------------------------------------------------------------------


@formula("(1 + 0.0039 * (temp_part - 20)) / (1 + 0.0039 * (temp_reference - 20))", unit="1")
def copper_factor(*, temp_part: FloatArray, temp_reference: FloatArray) -> FloatArray:
    """Resistance of copper relative to a reference temperature.

    temp_part : temperature of the winding [degC], (n_part, n_lane)
    temp_reference : temperature of the reference [degC], (n_part, n_lane)
    Returns : factor [1], (n_part, n_lane)

    Holds for: annealed copper, -50 to 200 degC.
    Source: IEC 60028 (from memory), 0.00393 per kelvin, rounded to 0.0039.

    >>> copper_factor(temp_part=np.array([120.0]), temp_reference=np.array([20.0]))
    array([1.39])
    """
    base = 1.0 + COPPER_PER_K * (temp_reference - 20.0)
    return (1.0 + COPPER_PER_K * (temp_part - 20.0)) / base


@formula("resistance_ac_300khz * sqrt(frequency / 300e3)", unit="ohm")
def resistance_ac(*, resistance_ac_300khz: FloatArray, frequency: FloatArray) -> FloatArray:
    """Winding resistance at the ripple frequency.

    resistance_ac_300khz : at 300 kHz [ohm], (n_part, 1)
    frequency : fundamental of the ripple [Hz], (n_lane,)
    Returns : resistance [ohm], (n_part, n_lane)

    Holds for: skin depth below the conductor; fringing ignored; within 40 %.
    Source: closed form of the skin depth.

    >>> resistance_ac(resistance_ac_300khz=np.array([0.1]), frequency=np.array([1.2e6]))
    array([0.2])
    """
    return resistance_ac_300khz * np.sqrt(frequency / 300e3)


@formula("maximum(i_rms**2 - i_mean**2, 0) * resistance", unit="W")
def loss_copper_ac(*, i_rms: FloatArray, i_mean: FloatArray, resistance: FloatArray) -> FloatArray:
    """Loss of the ripple in the winding.

    i_rms : rms current of the winding [A], (n_part, n_lane)
    i_mean : its mean [A], (n_part, n_lane)
    resistance : at the ripple frequency [ohm], (n_part, n_lane)
    Returns : loss [W], (n_part, n_lane)

    Holds for: ripple near its fundamental; within 40 %.
    Source: definition (Joule).

    >>> loss_copper_ac(i_rms=np.array([5.0]), i_mean=np.array([4.0]), resistance=np.array([0.02]))
    array([0.18])
    """
    return np.maximum(i_rms * i_rms - i_mean * i_mean, 0.0) * resistance


@formula("temp_rise / (i_rated**2 * dcr * (1 + 0.0039 * (temp_rise + 5)))", unit="K/W")
def rth_rated(*, temp_rise: FloatArray, i_rated: FloatArray, dcr: FloatArray) -> FloatArray:
    """Thermal resistance that follows from the rated-current test of a typical part.

    temp_rise : rise at the rated current [K], (n_part,)
    i_rated : that current [A], (n_part,)
    dcr : typical resistance at 20 degC [ohm], (n_part,)
    Returns : thermal resistance [K/W], (n_part,)

    Holds for: test at 25 degC ambient, copper loss only.
    Source: derived in DEVELOPERS.md, inductor.

    >>> rth_rated(temp_rise=np.array([40.0]), i_rated=np.array([10.0]),
    ...     dcr=np.array([0.01])).round(3)
    array([34.028])
    """
    hot = dcr * (1.0 + COPPER_PER_K * (temp_rise + 5.0))
    return temp_rise / (i_rated * i_rated * hot)


def temp_winding(
    *, temp_board: FloatArray, rth: FloatArray, loss_copper_20: FloatArray, loss_fixed: FloatArray
) -> FloatArray:
    """Part temperature that satisfies its own copper loss, in closed form.

    temp_board : board temperature [degC], (n_part, n_lane)
    rth : part over board [K/W], (n_part, n_lane)
    loss_copper_20 : direct-current copper loss at 20 degC [W], (n_part, n_lane)
    loss_fixed : core and ripple loss [W], (n_part, n_lane)
    Returns : temperature [degC], (n_part, n_lane); NaN where it runs away

    Holds for: steady state; one temperature for winding and core.
    Source: derived in DEVELOPERS.md, thermal closed form.

    >>> temp_winding(temp_board=np.array([60.0]), rth=np.array([20.0]),
    ...     loss_copper_20=np.array([1.0]), loss_fixed=np.array([0.5])).round(2)
    array([95.92])
    """
    head = 1.0 - COPPER_PER_K * rth * loss_copper_20
    fixed = loss_copper_20 * (1.0 - 20.0 * COPPER_PER_K) + loss_fixed
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(head > 0.0, (temp_board + rth * fixed) / head, np.nan)


# --- core ----------------------------------------------------------------------------------------


@formula(
    "core_loss_reference * (frequency / 100e3)**core_loss_exponent_frequency"
    " * i_ripple**core_loss_exponent_ripple * factor_waveform",
    unit="W",
)
def loss_core(
    *,
    core_loss_reference: FloatArray,
    core_loss_exponent_frequency: FloatArray,
    core_loss_exponent_ripple: FloatArray,
    frequency: FloatArray,
    i_ripple: FloatArray,
    factor_waveform: FloatArray,
) -> FloatArray:
    """Core loss from the fit of the catalog.

    core_loss_reference : loss at 100 kHz and 1 A peak to peak [W], (n_part, 1)
    core_loss_exponent_frequency : exponent of the frequency [1], (n_part, 1)
    core_loss_exponent_ripple : exponent of the ripple over 1 A [1], (n_part, 1)
    frequency : fundamental of the ripple [Hz], (n_lane,)
    i_ripple : ripple, peak to peak [A], (n_part, n_lane)
    factor_waveform : loss over that of a triangle at duty 0.5 [1], (n_part, n_lane)
    Returns : loss [W], (n_part, n_lane)

    Holds for: the fitted range; bias adds up to half again; within 40 %.
    Source: Steinmetz form of makers' fits, common practice.

    >>> loss_core(core_loss_reference=np.array([0.01]),
    ...     core_loss_exponent_frequency=np.array([1.5]),
    ...     core_loss_exponent_ripple=np.array([2.0]), frequency=np.array([4e5]),
    ...     i_ripple=np.array([3.0]), factor_waveform=np.array([1.0])).round(6)
    array([0.72])
    """
    speed = (frequency / 100e3) ** core_loss_exponent_frequency
    swing = i_ripple**core_loss_exponent_ripple
    found: FloatArray = core_loss_reference * speed * swing * factor_waveform
    return found


def loss_core_unknown(
    *,
    loss_copper_hot: FloatArray,
    i_ripple: FloatArray,
    i_ripple_worst: FloatArray,
    ripple_ratio_worst: FloatArray,
    frequency: FloatArray,
) -> FloatArray:
    """Core loss assumed for a part without core data; to be flagged wherever it is used.

    loss_copper_hot : hot copper loss at full load [W], (n_part, 1)
    i_ripple : ripple of the lane, peak to peak [A], (n_part, n_lane)
    i_ripple_worst : largest ripple of all lanes [A], (n_part, 1)
    ripple_ratio_worst : largest ripple over mean current at full load [1], (n_part, 1)
    frequency : fundamental of the ripple [Hz], (n_lane,)
    Returns : loss [W], (n_part, n_lane); NaN above a ratio of 0.25 or 150 kHz, where a part
        without core data is refused

    Holds for: nothing measured; a deliberately high stand-in.
    Source: common practice, no source.

    >>> loss_core_unknown(loss_copper_hot=np.array([0.4]), i_ripple=np.array([1.0]),
    ...     i_ripple_worst=np.array([2.0]), ripple_ratio_worst=np.array([0.2]),
    ...     frequency=np.array([1e5]))
    array([0.1])
    """
    share = i_ripple / i_ripple_worst
    refused: BoolArray = (ripple_ratio_worst > RATIO_WITHOUT_CORE) | (
        frequency > FREQUENCY_WITHOUT_CORE
    )
    return np.where(refused, np.nan, loss_copper_hot * share * share)
