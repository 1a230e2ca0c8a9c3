"""One capacitor: capacitance left in service, resistance, heating and allowed ripple current.

The guaranteed set uses worst tolerance, temperature, ageing and the maximum resistance; the
expected set uses the typical part at its bias. The caller picks the columns; nothing here does.
"""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import BoolArray, FloatArray

TEMP_ESR = 20.0
"""Temperature at which the resistance is stated [degC]."""

TEMP_ESR_COLD = -40.0
"""Temperature at which the cold resistance is stated [degC]."""


def share_at_bias(
    *, v_bias: FloatArray, v_rating: FloatArray, curve_voltage: FloatArray, curve_share: FloatArray
) -> FloatArray:
    """Share of the capacitance left at a d.c. voltage, straight lines between the knots.

    v_bias : d.c. voltage across the part [V], (n_part or 1, n_lane)
    v_rating : rated voltage [V], (n_part, 1)
    curve_voltage : knots as share of the rated voltage [1], rising, padded with NaN at the end,
        (n_part, n_knot)
    curve_share : share of the capacitance left at each knot [1], (n_part, n_knot)
    Returns : share [1], (n_part, n_lane); below the first knot the value of the first knot;
        NaN above the last knot, for a negative bias, and for a part without a curve

    Holds for: small-signal curves; 0 <= v_bias <= last knot (a straight line lies above the
    sagging curve of a class II part between wide knots: give knots every quarter or finer).
    Source: common practice, no source.

    >>> share_at_bias(v_bias=np.array([[25.0]]), v_rating=np.array([[100.0]]),
    ...     curve_voltage=np.array([[0.0, 0.5, 1.0]]), curve_share=np.array([[1.0, 0.5, 0.2]]))
    array([[0.75]])
    """
    position = np.asarray(v_bias / v_rating, dtype=float)
    knots, values = curve_voltage[:, None, :], curve_share[:, None, :]
    share = np.where((position >= 0) & (position <= knots[..., 0]), values[..., 0], np.nan)
    for k in range(knots.shape[-1] - 1):
        low, high = knots[..., k], knots[..., k + 1]
        width = np.where(high > low, high - low, np.nan)
        line = values[..., k] + (values[..., k + 1] - values[..., k]) * (position - low) / width
        share = np.where((position > low) & (position <= high), line, share)
    return share


def ageing_decades(*, time_service: FloatArray, time_reference: FloatArray) -> FloatArray:
    """Decades of time a class II ceramic ages in service.

    time_service : age at the end of service [s], any shape
    time_reference : age at which the stated capacitance holds [s], any shape; 24 h is the safe
        choice, data sheets that state 1000 h lose less
    Returns : decades [1], broadcast shape; 0 while younger than the reference

    Holds for: no heating above the Curie temperature in service (soldering resets the age).
    Source: logarithmic ageing law of ferroelectric ceramics; common practice, no source.

    >>> float(ageing_decades(time_service=np.float64(36e6), time_reference=np.float64(36e3)))
    3.0
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        decades = np.log10(np.asarray(time_service / time_reference, dtype=float))
    return np.where(np.isnan(decades), np.nan, np.maximum(decades, 0.0))


@formula(
    "capacitance * (1 - capacitance_tolerance) * share_bias"
    " * (1 - capacitance_temp_drop) * (1 - capacitance_ageing * decades)",
    unit="F",
)
def capacitance_guaranteed(
    *,
    capacitance: FloatArray,
    capacitance_tolerance: FloatArray,
    share_bias: FloatArray,
    capacitance_temp_drop: FloatArray,
    capacitance_ageing: FloatArray,
    decades: FloatArray,
) -> FloatArray:
    """Capacitance every delivered part still has: tolerance, bias, temperature and age stacked.

    capacitance : nominal capacitance [F], (n_part, 1)
    capacitance_tolerance : tolerance as a share [1], (n_part, 1)
    share_bias : share left at the d.c. bias [1], (n_part, n_lane)
    capacitance_temp_drop : worst loss over temperature as a share [1], (n_part, 1)
    capacitance_ageing : loss per decade of time as a share [1], (n_part, 1)
    decades : decades of time in service [1], any shape
    Returns : capacitance [F], (n_part, n_lane)

    Holds for: independent factors; shares below 1.
    Source: common practice, no source.

    >>> c = capacitance_guaranteed(capacitance=10e-6, capacitance_tolerance=0.1, share_bias=0.6,
    ...     capacitance_temp_drop=0.15, capacitance_ageing=0.02, decades=3.0)
    >>> round(float(c) * 1e6, 4)
    4.3146
    """
    factor = (1 - capacitance_tolerance) * (1 - capacitance_temp_drop)
    return capacitance * share_bias * factor * (1 - capacitance_ageing * decades)


@formula("capacitance * share_bias", unit="F")
def capacitance_expected(*, capacitance: FloatArray, share_bias: FloatArray) -> FloatArray:
    """Capacitance a typical fresh part has at its bias.

    capacitance : nominal capacitance [F], (n_part, 1)
    share_bias : share left at the d.c. bias [1], (n_part, n_lane)
    Returns : capacitance [F], (n_part, n_lane)

    Holds for: a fresh part near room temperature.
    Source: common practice, no source.

    >>> capacitance_expected(capacitance=np.array([[8.0]]), share_bias=np.array([[0.5]]))
    array([[4.]])
    """
    return capacitance * share_bias


def esr_at_temperature(
    *, esr: FloatArray, esr_limit: FloatArray, esr_cold: FloatArray, temp_part: FloatArray
) -> FloatArray:
    """Series resistance at the temperature of the part: flat above 20 degC, rising below.

    esr : resistance at 20 degC, typical or maximum [ohm], (n_part, 1)
    esr_limit : maximum at 20 degC, the partner of `esr_cold` [ohm], (n_part, 1)
    esr_cold : maximum at -40 degC [ohm], NaN where not stated, (n_part, 1)
    temp_part : temperature of the part [degC], (n_part or 1, n_lane)
    Returns : resistance [ohm], (n_part, n_lane); NaN below 20 degC without `esr_cold` and below
        -40 degC unless the cold resistance equals the warm one

    Holds for: -40 degC and above; logarithm of the resistance straight between -40 and 20 degC.
    Source: common practice, no source; a typical part is given the ratio of the two maxima.

    >>> esr_at_temperature(esr=np.array([[0.05]]), esr_limit=np.array([[0.05]]),
    ...     esr_cold=np.array([[0.45]]), temp_part=np.array([[105.0, 20.0, -10.0]]))
    array([[0.05, 0.05, 0.15]])
    """
    ratio = esr_cold / esr_limit
    cold = np.asarray((TEMP_ESR - temp_part) / (TEMP_ESR - TEMP_ESR_COLD), dtype=float)
    cold = np.where((cold > 1) & (ratio != 1), np.nan, cold)
    return np.where(cold <= 0, esr * np.ones_like(cold), np.asarray(esr * np.power(ratio, cold)))


def heating_coefficient(
    *,
    by_coefficient: BoolArray,
    self_heating: FloatArray,
    temp_rise_ripple: FloatArray,
    i_ripple_rating: FloatArray,
) -> FloatArray:
    """Rise of the core per square of the ripple current.

    by_coefficient : True for ceramic and film parts, which state it directly, (n_part, 1)
    self_heating : stated coefficient [K/A^2], (n_part, 1)
    temp_rise_ripple : core rise at rated ripple current, electrolytic, polymer, hybrid and
        tantalum parts [K], (n_part, 1)
    i_ripple_rating : rated ripple current [A], (n_part, 1)
    Returns : coefficient [K/A^2], (n_part, 1)

    Holds for: heat proportional to the square of the current at and above the rated frequency.
    Source: common practice, no source.

    >>> heating_coefficient(by_coefficient=np.array([[False]]), self_heating=np.array([[np.nan]]),
    ...     temp_rise_ripple=np.array([[8.0]]), i_ripple_rating=np.array([[2.0]]))
    array([[2.]])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(by_coefficient, self_heating, temp_rise_ripple / i_ripple_rating**2)


@formula("coefficient_heating * i_rms ** 2", unit="K")
def temp_rise(*, coefficient_heating: FloatArray, i_rms: FloatArray) -> FloatArray:
    """Rise of the core above its surroundings.

    coefficient_heating : rise per square of the current [K/A^2], (n_part, 1)
    i_rms : RMS current of one capacitor [A], (n_part, n_lane)
    Returns : rise [K], (n_part, n_lane)

    Holds for: rises up to about 40 K, where the surface sheds heat in proportion.
    Source: common practice, no source.

    >>> temp_rise(coefficient_heating=np.array([[2.0]]), i_rms=np.array([[3.0]]))
    array([[18.]])
    """
    return coefficient_heating * i_rms**2


@formula("temp_board + coefficient_heating * i_rms ** 2", unit="degC")
def temp_core(
    *, temp_board: FloatArray, coefficient_heating: FloatArray, i_rms: FloatArray
) -> FloatArray:
    """Temperature of the core of one capacitor.

    temp_board : temperature of the board around it [degC], (n_lane,)
    coefficient_heating : rise per square of the current [K/A^2], (n_part, 1)
    i_rms : RMS current of one capacitor [A], (n_part, n_lane)
    Returns : temperature [degC], (n_part, n_lane)

    Holds for: rises up to about 40 K.
    Source: common practice, no source.

    >>> temp_core(temp_board=60.0, coefficient_heating=2.0, i_rms=3.0)
    78.0
    """
    return temp_board + coefficient_heating * i_rms**2


def i_ripple_allowed(
    *,
    i_ripple_rating: FloatArray,
    share_allowed: FloatArray,
    coefficient_heating: FloatArray,
    temp_board: FloatArray,
    temp_core_limit: FloatArray,
    temp_rise_limit: FloatArray,
) -> FloatArray:
    """Largest ripple current one capacitor may carry: rating, core temperature and rise together.

    i_ripple_rating : rated ripple current [A], NaN where the kind states none, (n_part, 1)
    share_allowed : share of the rating the policy allows [1], any shape
    coefficient_heating : rise per square of the current [K/A^2], (n_part, 1)
    temp_board : temperature of the board around it [degC], (n_lane,)
    temp_core_limit : hottest core allowed [degC], (n_part, 1)
    temp_rise_limit : largest rise allowed [K], (n_part, 1) or scalar; inf for no limit
    Returns : RMS current [A], (n_part, n_lane); NaN where the board alone is hotter than the core
        may be, or where no heating is known

    Holds for: ripple at or above the frequency of the rating (below it the rating is lower).
    Source: common practice, no source.

    >>> i_ripple_allowed(i_ripple_rating=np.array([[2.0]]), share_allowed=0.8,
    ...     coefficient_heating=np.array([[5.0]]), temp_board=np.array([85.0, 105.0]),
    ...     temp_core_limit=np.array([[110.0]]), temp_rise_limit=20.0)
    array([[1.6, 1. ]])
    """
    rise = np.minimum(temp_core_limit - temp_board, temp_rise_limit)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_heat = np.sqrt(np.where(rise >= 0, rise, np.nan) / coefficient_heating)
    rated = i_ripple_rating * share_allowed
    return np.where(np.isnan(rated), by_heat, np.minimum(by_heat, rated))


@formula("esl + esl_layout", unit="H")
def esl_effective(*, esl: FloatArray, esl_layout: FloatArray) -> FloatArray:
    """Series inductance of one capacitor on its board.

    esl : inductance of the part [H], (n_part, 1)
    esl_layout : inductance of its pads and vias [H], any shape
    Returns : inductance [H], (n_part, 1)

    Holds for: each capacitor with its own vias to the planes.
    Source: common practice, no source.

    >>> round(float(esl_effective(esl=1e-9, esl_layout=0.5e-9)) * 1e9, 6)
    1.5
    """
    return esl + esl_layout
