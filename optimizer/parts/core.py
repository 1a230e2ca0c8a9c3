"""Core material: loss of a flux waveform from a sine fit, and the skin depth of a winding."""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

PERMEABILITY = 4e-7 * np.pi
"""Permeability of free space [H/m]."""


@formula(
    "steinmetz_factor / (2**(exponent_flux + 1) * pi**(exponent_frequency - 1)"
    " * (0.2761 + 1.7061 / (exponent_frequency + 1.354)))",
    unit="W/m3",
)
def igse_factor(
    *, steinmetz_factor: FloatArray, exponent_frequency: FloatArray, exponent_flux: FloatArray
) -> FloatArray:
    """Factor of the generalised Steinmetz equation from the fit of a sine, k f^a B^b.

    steinmetz_factor : factor k of the fit, for hertz and tesla peak [W/m3], (n_part, 1)
    exponent_frequency : exponent a [1], (n_part, 1)
    exponent_flux : exponent b [1], (n_part, 1)
    Returns : factor for hertz and tesla peak to peak [W/m3], (n_part, 1)

    Holds for: a between 1 and 1.7, within 0.1 % of the integral.
    Source: Venkatachalam, Sullivan, Abdallah, Tacca, IEEE COMPEL 2002 (approximation, from memory).

    >>> igse_factor(steinmetz_factor=np.array([1.0]), exponent_frequency=np.array([1.46]),
    ...     exponent_flux=np.array([2.75])).round(4)
    array([0.0497])
    """
    spread = 0.2761 + 1.7061 / (exponent_frequency + 1.354)
    scale: FloatArray = 2.0 ** (exponent_flux + 1.0) * np.pi ** (exponent_frequency - 1.0)
    return steinmetz_factor / (scale * spread)


def igse_density(
    *,
    factor: FloatArray,
    exponent_frequency: FloatArray,
    exponent_flux: FloatArray,
    frequency: FloatArray,
    flux_swing: FloatArray,
    flux_steps: FloatArray,
    durations: FloatArray,
) -> FloatArray:
    """Loss per volume of a flux made of straight pieces, one loop.

    factor : of `igse_factor` [W/m3], (n_lane,)
    exponent_frequency : exponent a [1], (n_lane,)
    exponent_flux : exponent b [1], (n_lane,)
    frequency : loops per second [Hz], (n_lane,)
    flux_swing : peak to peak [T], (n_lane,)
    flux_steps : change in each piece [T], (n_lane, n_interval)
    durations : length of each piece as a share of the loop [1], (n_lane, n_interval)
    Returns : loss per volume [W/m3], (n_lane,)

    Holds for: the fitted range, no bias; pieces of no length count nothing; minor loops apart.
    Source: Venkatachalam, Sullivan, Abdallah, Tacca, IEEE COMPEL 2002.

    >>> igse_density(factor=np.array([1.0]), exponent_frequency=np.array([1.0]),
    ...     exponent_flux=np.array([2.0]), frequency=np.array([100.0]), flux_swing=np.array([0.1]),
    ...     flux_steps=np.array([[0.1, -0.1]]), durations=np.array([[0.3, 0.7]])).round(9)
    array([2.])
    """
    power = exponent_frequency[..., None]
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.abs(flux_steps) ** power * durations ** (1.0 - power)
    total = np.sum(np.where(durations > 0.0, each, 0.0), axis=-1)
    scale = factor * flux_swing ** (exponent_flux - exponent_frequency)
    found: FloatArray = scale * frequency**exponent_frequency * total
    return found


@formula("duty**(1 - exponent_frequency) + (1 - duty)**(1 - exponent_frequency)", unit="1")
def two_slope_sum(*, duty: FloatArray, exponent_frequency: FloatArray) -> FloatArray:
    """Sum over a flux of two slopes, relative to its swing.

    duty : share of the rising slope, between 0 and 1 [1], (n_lane,)
    exponent_frequency : exponent a [1], (n_lane,)
    Returns : sum [1], (n_lane,); NaN at duty 0 or 1

    Holds for: continuous conduction outside the window.
    Source: Venkatachalam, Sullivan, Abdallah, Tacca, IEEE COMPEL 2002, for two slopes.

    >>> two_slope_sum(duty=np.array([0.3]), exponent_frequency=np.array([1.0]))
    array([2.])
    """
    power = 1.0 - exponent_frequency
    inside = (duty > 0.0) & (duty < 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(inside, duty**power + (1.0 - duty) ** power, np.nan)


@formula("sqrt(resistivity / (pi * frequency * 4e-7 * pi))", unit="m")
def skin_depth(*, resistivity: FloatArray, frequency: FloatArray) -> FloatArray:
    """Depth at which the current density of a conductor has fallen to 1/e.

    resistivity : of the conductor at its temperature [ohm m], (n_lane,)
    frequency : of the current [Hz], (n_lane,)
    Returns : depth [m], (n_lane,)

    Holds for: conductors thicker than the depth, relative permeability 1.
    Source: closed form, for example Erickson and Maksimovic, magnetics chapter (from memory).

    >>> skin_depth(resistivity=np.array([1.7241e-8]), frequency=np.array([1e5])).round(6)
    array([0.000209])
    """
    return np.sqrt(resistivity / (np.pi * frequency * PERMEABILITY))
