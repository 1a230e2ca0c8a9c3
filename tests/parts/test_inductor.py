"""Curves against plain interpolation, temperature against a search, rules for missing data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from optimizer.parts import inductor

NAN = np.nan
CURRENT = np.array([[0.0, 4.0, 8.0, 12.0], [0.0, 10.0, NAN, NAN], [NAN, NAN, NAN, NAN]])
SHARE = np.array([[1.0, 0.97, 0.85, 0.5], [1.0, 0.7, NAN, NAN], [NAN, NAN, NAN, NAN]])


def test_share_equals_plain_interpolation_of_every_row() -> None:
    current = np.linspace(-11.0, 12.0, 47)[None, :]
    found = inductor.share_at_current(i_mean=current, curve_current=CURRENT, curve_share=SHARE)
    for row, knots in ((0, 4), (1, 2)):
        told = np.interp(abs(current[0]), CURRENT[row, :knots], SHARE[row, :knots])
        inside = abs(current[0]) <= CURRENT[row, knots - 1]
        assert found[row][inside] == pytest.approx(told[inside])
        assert np.isnan(found[row][~inside]).all()
    assert np.isnan(found[2]).all()


@given(st.floats(0.5, 1.0))
@settings(max_examples=100)
def test_current_at_share_inverts_the_curve(share: float) -> None:
    curve = {"curve_current": CURRENT[:2], "curve_share": SHARE[:2]}
    current = inductor.current_at_share(share=np.array([[share]]), **curve)
    back = inductor.share_at_current(i_mean=current, **curve)
    assert back[:, 0] == pytest.approx([share, max(share, 0.7)])


def test_current_at_share_takes_the_far_end_of_a_flat_stretch() -> None:
    found = inductor.current_at_share(
        share=np.array([[1.0, 0.9]]),
        curve_current=np.array([[0.0, 5.0, 10.0]]),
        curve_share=np.array([[1.0, 1.0, 0.8]]),
    )
    assert found.tolist() == [[5.0, 7.5]]


def test_no_current_leaves_more_than_the_curve_starts_with() -> None:
    found = inductor.current_at_share(
        share=np.array([[1.0]]), curve_current=CURRENT[:1], curve_share=0.9 * SHARE[:1]
    )
    assert np.isnan(found).all()


def test_chord_errs_low() -> None:
    chord_current, chord_share = inductor.chord_curve(
        i_saturation=np.array([12.0]), saturation_drop=np.array([0.5])
    )
    at = np.linspace(0.0, 12.0, 30)[None, :]
    chord = inductor.share_at_current(
        i_mean=at, curve_current=chord_current, curve_share=chord_share
    )
    curve = inductor.share_at_current(i_mean=at, curve_current=CURRENT[:1], curve_share=SHARE[:1])
    assert (chord <= curve + 1e-12).all()


@pytest.mark.parametrize(
    ("core", "test", "temp", "expected"),
    [
        ("ferrite", 25.0, 100.0, 0.8),
        ("powder", 25.0, 100.0, 0.95),
        ("ferrite", 25.0, 62.5, 0.9),
        ("ferrite", 100.0, 100.0, 1.0),
        ("ferrite", 100.0, 40.0, 1.0),
        ("ferrite", 25.0, 500.0, NAN),
    ],
)
def test_hot_saturation(core: str, test: float, temp: float, expected: float) -> None:
    found = inductor.saturation_factor(
        share_hot=np.array(inductor.HOT_SHARE[core]),
        temp_part=np.array(temp),
        temp_saturation=np.array(test),
    )
    assert float(found) == pytest.approx(expected, nan_ok=True)


def test_saturation_current_is_scaled_down_and_never_up() -> None:
    found = inductor.i_saturation_hot(
        i_saturation=np.array(10.0),
        saturation_drop=np.array([0.1, 0.2, 0.3]),
        drop_allowed=np.array(0.2),
        factor=np.array(1.0),
    )
    assert found == pytest.approx([10.0, 10.0, 20.0 / 3.0])


@given(st.floats(-40.0, 110.0), st.floats(1.0, 60.0), st.floats(0.0, 3.0), st.floats(0.0, 3.0))
@settings(max_examples=100)
def test_closed_form_temperature_equals_a_search(
    temp_board: float, rth: float, cool: float, fixed: float
) -> None:
    def excess(temp: float) -> float:
        return temp_board + rth * (cool * (1 + 0.0039 * (temp - 20.0)) + fixed) - temp

    found = float(
        inductor.temp_winding(
            temp_board=np.array(temp_board),
            rth=np.array(rth),
            loss_copper_20=np.array(cool),
            loss_fixed=np.array(fixed),
        )
    )
    assert found == pytest.approx(brentq(excess, -300.0, 1e5), abs=1e-6)


def test_runaway_has_no_temperature() -> None:
    found = inductor.temp_winding(
        temp_board=np.array(60.0),
        rth=np.array(60.0),
        loss_copper_20=np.array(4.3),
        loss_fixed=np.array(0.0),
    )
    assert np.isnan(found)


def test_rated_current_reproduces_its_own_rise() -> None:
    """At 25 degC ambient the rated current of a typical part gives the rated rise."""
    rth = inductor.rth_rated(temp_rise=np.array(40.0), i_rated=np.array(10.0), dcr=np.array(8e-3))
    found = inductor.temp_winding(
        temp_board=np.array(25.0),
        rth=rth,
        loss_copper_20=np.array(100.0 * 8e-3),
        loss_fixed=np.array(0.0),
    )
    assert float(found) == pytest.approx(65.0)


def test_core_loss_at_its_reference_is_the_reference() -> None:
    found = inductor.loss_core(
        core_loss_reference=np.array(0.02),
        core_loss_exponent_frequency=np.array(1.4),
        core_loss_exponent_ripple=np.array(2.3),
        frequency=np.array([1e5, 2e5]),
        i_ripple=np.array(1.0),
        factor_waveform=np.array(1.0),
    )
    assert found == pytest.approx([0.02, 0.02 * 2**1.4])


@pytest.mark.parametrize(
    ("ratio", "frequency", "expected"),
    [(0.25, 150e3, 0.1), (0.26, 100e3, NAN), (0.1, 151e3, NAN)],
)
def test_missing_core_data_is_refused_or_replaced(
    ratio: float, frequency: float, expected: float
) -> None:
    found = inductor.loss_core_unknown(
        loss_copper_hot=np.array(0.4),
        i_ripple=np.array(1.0),
        i_ripple_worst=np.array(2.0),
        ripple_ratio_worst=np.array(ratio),
        frequency=np.array(frequency),
    )
    assert float(found) == pytest.approx(expected, nan_ok=True)


def test_ripple_of_a_triangle_heats_as_a_twelfth_of_its_square() -> None:
    ripple, mean = 3.0, 5.0
    found = inductor.loss_copper_ac(
        i_rms=np.sqrt(np.array(mean**2 + ripple**2 / 12)),
        i_mean=np.array(mean),
        resistance=np.array(0.02),
    )
    assert float(found) == pytest.approx(ripple**2 / 12 * 0.02)


def test_tolerance_corners_enclose_the_nominal_value() -> None:
    found = inductor.inductance_at(
        inductance=np.array(1e-5),
        inductance_tolerance=np.array(0.2),
        direction=np.array([-1.0, 0.0, 1.0]),
        share=np.array(0.9),
    )
    assert found == pytest.approx([7.2e-6, 9e-6, 10.8e-6])
