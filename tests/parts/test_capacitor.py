"""One capacitor: curves, cold resistance, heating and the allowed current."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.parts import capacitor


def share(volts: float, knots: list[float], values: list[float], rating: float = 50.0) -> float:
    found = capacitor.share_at_bias(
        v_bias=np.array([[volts]]),
        v_rating=np.array([[rating]]),
        curve_voltage=np.array([knots]),
        curve_share=np.array([values]),
    )
    assert found.shape == (1, 1)
    return float(found[0, 0])


@settings(max_examples=200)
@given(st.floats(0, 50), st.lists(st.floats(0.05, 1), min_size=5, max_size=5))
def test_curve_equals_straight_lines_between_knots(volts: float, values: list[float]) -> None:
    knots = [0.0, 0.2, 0.5, 0.8, 1.0]
    padded = share(volts, [*knots, np.nan, np.nan], [*values, np.nan, np.nan])
    assert np.isclose(padded, np.interp(volts / 50, knots, values), rtol=1e-12)


def test_curve_ends() -> None:
    knots, values = [0.1, 0.5, np.nan], [0.9, 0.4, np.nan]
    assert share(0.0, knots, values) == 0.9
    assert np.isclose(share(25.0, knots, values), 0.4)
    assert np.isnan(share(25.1, knots, values))
    assert np.isnan(share(-1.0, knots, values))
    assert np.isnan(share(1.0, [np.nan] * 3, [np.nan] * 3))


def test_curve_takes_parts_with_different_knots_at_once() -> None:
    found = capacitor.share_at_bias(
        v_bias=np.array([[10.0, 40.0]]),
        v_rating=np.array([[50.0], [100.0]]),
        curve_voltage=np.array([[0.0, 0.5, 1.0], [0.0, 1.0, np.nan]]),
        curve_share=np.array([[1.0, 0.5, 0.1], [1.0, 1.0, np.nan]]),
    )
    np.testing.assert_allclose(found, [[0.8, 0.26], [1.0, 1.0]])


def test_guaranteed_capacitance_by_hand() -> None:
    """22 uF, 10 %, half left at bias, 15 % over temperature, 2.5 % a decade over four decades."""
    left = capacitor.capacitance_guaranteed(
        capacitance=np.array([[22e-6]]),
        capacitance_tolerance=np.array([[0.1]]),
        share_bias=np.array([[0.5]]),
        capacitance_temp_drop=np.array([[0.15]]),
        capacitance_ageing=np.array([[0.025]]),
        decades=np.array([[4.0]]),
    )
    assert np.isclose(left[0, 0], 22e-6 * 0.9 * 0.5 * 0.85 * 0.9)


def test_ageing_counts_decades_from_the_reference() -> None:
    hour = 3600.0
    decades = capacitor.ageing_decades(
        time_service=np.array([24.0, 240.0, 87600.0, 1.0]) * hour,
        time_reference=np.float64(24 * hour),
    )
    np.testing.assert_allclose(decades, [0, 1, np.log10(3650), 0])


def cold(temp: float, esr: float = 0.04, limit: float = 0.05, frozen: float = 0.5) -> float:
    found = capacitor.esr_at_temperature(
        esr=np.array([[esr]]),
        esr_limit=np.array([[limit]]),
        esr_cold=np.array([[frozen]]),
        temp_part=np.array([[temp]]),
    )
    return float(found[0, 0])


def test_cold_resistance_is_straight_in_its_logarithm() -> None:
    assert cold(85.0) == cold(20.0) == 0.04
    assert np.isclose(cold(-40.0, esr=0.05), 0.5)
    assert np.isclose(cold(-10.0, esr=0.05), np.sqrt(0.05 * 0.5))
    assert np.isclose(cold(-40.0), 0.4), "a typical part keeps the ratio of the maxima"


def test_cold_resistance_outside_validity() -> None:
    assert np.isnan(cold(-41.0))
    assert cold(-55.0, frozen=0.05) == 0.04, "flat parts are flat at every temperature"
    assert np.isnan(cold(0.0, frozen=np.nan))
    assert cold(25.0, frozen=np.nan) == 0.04


def test_heating_coefficient_takes_the_right_columns() -> None:
    found = capacitor.heating_coefficient(
        by_coefficient=np.array([[True], [False]]),
        self_heating=np.array([[1.5], [9.0]]),
        temp_rise_ripple=np.array([[np.nan], [8.0]]),
        i_ripple_rating=np.array([[np.nan], [4.0]]),
    )
    np.testing.assert_allclose(found, [[1.5], [0.5]])


@settings(max_examples=200)
@given(
    st.floats(0.5, 5), st.floats(0.3, 1), st.floats(0.2, 10), st.floats(20, 120), st.floats(5, 40)
)
def test_allowed_current_meets_every_limit_and_touches_one(
    rating: float, part: float, coefficient: float, board: float, rise_limit: float
) -> None:
    allowed = capacitor.i_ripple_allowed(
        i_ripple_rating=np.array([[rating]]),
        share_allowed=np.float64(part),
        coefficient_heating=np.array([[coefficient]]),
        temp_board=np.array([board]),
        temp_core_limit=np.array([[110.0]]),
        temp_rise_limit=np.float64(rise_limit),
    )
    if board > 110:
        assert np.isnan(allowed[0, 0])
        return
    rise = capacitor.temp_rise(coefficient_heating=np.array([[coefficient]]), i_rms=allowed)
    core = capacitor.temp_core(
        temp_board=np.array([board]), coefficient_heating=np.array([[coefficient]]), i_rms=allowed
    )
    used = [allowed[0, 0] / (rating * part), rise[0, 0] / rise_limit]
    used.append(1 + (core[0, 0] - 110.0) / 110.0)
    assert max(used) <= 1 + 1e-12
    assert np.isclose(max(used), 1)


def test_allowed_current_without_a_rating_is_by_heat_alone() -> None:
    allowed = capacitor.i_ripple_allowed(
        i_ripple_rating=np.array([[np.nan]]),
        share_allowed=np.float64(0.8),
        coefficient_heating=np.array([[5.0]]),
        temp_board=np.array([60.0]),
        temp_core_limit=np.array([[125.0]]),
        temp_rise_limit=np.float64(20.0),
    )
    assert np.isclose(allowed[0, 0], 2.0)
