"""What a stable loop asks of inductor and output bank: averaged models of the power stage."""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray


@formula("v_output * i_output / (2 * pi * inductance * i_mean**2)", unit="Hz")
def frequency_zero(
    *, v_output: FloatArray, i_output: FloatArray, i_mean: FloatArray, inductance: FloatArray
) -> FloatArray:
    """Right-half-plane zero of a stage that steps up.

    v_output : output voltage [V], (n_set, n_lane)
    i_output : output current [A], (n_set, n_lane)
    i_mean : mean inductor current [A], (n_set, n_lane)
    inductance : of the inductor [H], (n_set, n_lane)
    Returns : frequency [Hz], (n_set, n_lane)

    Holds for: continuous conduction; R (1 - D)^2/(2 pi L) with R the load and 1 - D the output
    current over the coil's.
    Source: Erickson and Maksimovic, Fundamentals of Power Electronics, ch. 8 (from memory).

    >>> round(float(frequency_zero(v_output=19.0, i_output=6.5, i_mean=9.03, inductance=12e-6)))
    20088
    """
    return v_output * i_output / (2.0 * np.pi * inductance * i_mean * i_mean)


@formula("minimum(frequency_zero * share_zero, frequency * share_switching)", unit="Hz")
def frequency_cross(
    *,
    frequency_zero: FloatArray,
    share_zero: FloatArray,
    frequency: FloatArray,
    share_switching: FloatArray,
) -> FloatArray:
    """Highest crossover a loop may have with room in phase.

    frequency_zero : right-half-plane zero, inf where there is none [Hz], (n_set, n_lane)
    share_zero : of the zero that may be used [1], ()
    frequency : switching frequency [Hz], (n_set, n_lane)
    share_switching : of the switching frequency that may be used [1], ()
    Returns : frequency [Hz], (n_set, n_lane)

    Holds for: peak-current control of the coil.
    Source: common practice, no source (a quarter of the zero, an eighth of the switching).

    >>> float(frequency_cross(frequency_zero=20e3, share_zero=0.25, frequency=250e3,
    ...     share_switching=0.125))
    5000.0
    """
    return np.minimum(frequency_zero * share_zero, frequency * share_switching)


@formula("i_step / (2 * pi * frequency_cross * v_step)", unit="F")
def capacitance_step(
    *, i_step: FloatArray, frequency_cross: FloatArray, v_step: FloatArray
) -> FloatArray:
    """Output capacitance that holds a load step, before resistance.

    i_step : change of the load [A], ()
    frequency_cross : crossover of the loop [Hz], (n_set, n_lane)
    v_step : dip or rise allowed [V], ()
    Returns : capacitance [F], (n_set, n_lane)

    Holds for: a step faster than the loop, small signals.
    Source: common practice, no source.

    >>> round(float(capacitance_step(i_step=3.0, frequency_cross=5e3, v_step=0.38)) * 1e6, 1)
    251.3
    """
    return i_step / (2.0 * np.pi * frequency_cross * v_step)


@formula("maximum(0.5 * (slope_down - slope_up), 0) * resistance", unit="V/s")
def slope_needed(
    *, slope_up: FloatArray, slope_down: FloatArray, resistance: FloatArray
) -> FloatArray:
    """Slope that must be added at the sense pins so that no cycle rings on in the next.

    slope_up, slope_down : of the inductor current while it rises and falls [A/s],
        (n_set, n_lane)
    resistance : of the sense resistor [ohm], (n_choice, n_lane)
    Returns : slope [V/s], (n_choice, n_lane)

    Holds for: peak-current control at a fixed frequency.
    Source: Erickson and Maksimovic, current-programmed control (from memory): the disturbance
    dies out when the added slope exceeds half the difference.

    >>> float(slope_needed(slope_up=1e6, slope_down=2e6, resistance=5e-3))
    2500.0
    """
    return np.maximum(0.5 * (slope_down - slope_up), 0.0) * resistance
