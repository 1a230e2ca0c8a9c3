"""Core loss of straight flux pieces against numerical integration of the flux slope."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from optimizer.parts import core


@given(st.floats(1.0, 1.7), st.floats(2.0, 3.0))
@settings(max_examples=100)
def test_factor_approximates_its_integral(a: float, b: float) -> None:
    """Venkatachalam, Sullivan, Abdallah, Tacca, IEEE COMPEL 2002: the defining integral."""
    integral = 4 * quad(lambda angle: abs(np.cos(angle)) ** a * 2 ** (b - a), 0, np.pi / 2)[0]
    told = 1.0 / ((2 * np.pi) ** (a - 1) * integral)
    found = core.igse_factor(
        steinmetz_factor=np.array(1.0),
        exponent_frequency=np.array(a),
        exponent_flux=np.array(b),
    )
    assert float(found) == pytest.approx(told, rel=1.2e-3)


def test_pieces_equal_the_integral_over_time() -> None:
    a, b, f = 1.45, 2.6, 2e5
    durations = np.array([0.2, 0.3, 0.1, 0.4])
    steps = np.array([0.05, 0.08, -0.04, -0.09])
    time = (np.arange(200_000) + 0.5) / 200_000
    piece = np.searchsorted(np.cumsum(durations), time)
    slope = (steps / durations)[np.minimum(piece, 3)] * f
    told = 0.7 * 0.13 ** (b - a) * np.mean(np.abs(slope) ** a)
    found = core.igse_density(
        factor=np.array(0.7),
        exponent_frequency=np.array(a),
        exponent_flux=np.array(b),
        frequency=np.array(f),
        flux_swing=np.array(0.13),
        flux_steps=steps,
        durations=durations,
    )
    assert float(found) == pytest.approx(told, rel=1e-4)


def test_pieces_without_length_count_nothing() -> None:
    inputs = {
        "factor": np.array([1.0]),
        "exponent_frequency": np.array([1.4]),
        "exponent_flux": np.array([2.5]),
        "frequency": np.array([1e5]),
        "flux_swing": np.array([0.1]),
    }
    short = core.igse_density(
        **inputs, flux_steps=np.array([[0.1, -0.1]]), durations=np.array([[0.4, 0.6]])
    )
    padded = core.igse_density(
        **inputs, flux_steps=np.array([[0.1, -0.1, 0.0]]), durations=np.array([[0.4, 0.6, 0.0]])
    )
    assert padded == pytest.approx(short)
    two = core.two_slope_sum(duty=np.array([0.4]), exponent_frequency=np.array([1.4]))
    assert short == pytest.approx(0.1**2.5 * 1e5**1.4 * two)


def test_two_slopes_need_a_duty_inside() -> None:
    found = core.two_slope_sum(duty=np.array([0.0, 0.5, 1.0]), exponent_frequency=np.array(1.4))
    assert np.isnan(found).tolist() == [True, False, True]
