"""Value at the drive voltage, closed-form temperature against a search, gate currents."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from optimizer.parts import mosfet

NAN = np.nan


@pytest.mark.parametrize(
    ("v_drive", "low", "high", "expected"),
    [
        (4.4, 6e-3, 4e-3, NAN),
        (4.5, 6e-3, 4e-3, 6e-3),
        (10.0, 6e-3, 4e-3, 4e-3),
        (15.0, 6e-3, 4e-3, 4e-3),
        (7.9, NAN, 4e-3, NAN),
        (8.0, NAN, 4e-3, 4e-3),
        (7.0, 6e-3, NAN, 6e-3),
        (12.0, NAN, NAN, NAN),
    ],
)
def test_resistance_is_never_extrapolated_to_a_logic_level(
    v_drive: float, low: float, high: float, expected: float
) -> None:
    found = mosfet.at_drive(v_drive=np.array(v_drive), at_4v5=np.array(low), at_10v=np.array(high))
    assert float(found) == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize(
    ("v_drive", "low", "refused"),
    [(8.0, NAN, [False, False, True, False]), (4.7, 6e-3, [False] * 4)],
)
def test_two_volts_above_the_plateau_are_asked_where_no_low_rating_speaks(
    v_drive: float, low: float, refused: list[bool]
) -> None:
    """A maker who rates a part at 4.5 V answers for its plateau."""
    found = mosfet.at_drive(
        v_drive=np.array(v_drive),
        at_4v5=np.array(low),
        at_10v=np.array(4e-3),
        v_plateau=np.array([5.9, 6.0, 6.1, NAN]) - (8.0 - v_drive),
    )
    assert np.isnan(found).tolist() == refused


@given(st.floats(4.5, 10.0), st.floats(0.2, 3.0))
@settings(max_examples=100)
def test_chord_lies_above_a_convex_curve(v_drive: float, threshold: float) -> None:
    """Channel resistance falls as 1 / (drive - threshold); the chord is on the safe side."""

    def channel(v: float) -> float:
        return 1e-3 + 5e-3 / (v - threshold)

    found = mosfet.at_drive(
        v_drive=np.array(v_drive), at_4v5=np.array(channel(4.5)), at_10v=np.array(channel(10.0))
    )
    assert float(found) >= channel(v_drive) * (1 - 1e-12)


@given(st.floats(3.5, 15.0), st.floats(2.0, 3.0), st.floats(1e-9, 2e-8), st.floats(1e-10, 3e-9))
@settings(max_examples=100)
def test_single_gate_charge_is_an_upper_bound(
    v_drive: float, plateau: float, q_flat: float, slope: float
) -> None:
    """Against a charge curve with a plateau: steep rise, flat part, then a line."""
    q_plateau = 2.0 * slope * plateau + q_flat

    def charge(v: float) -> float:
        return q_plateau + slope * (v - plateau)

    both = {"at_4v5": np.array(charge(4.5)), "at_10v": np.array(charge(10.0))}
    drive = np.array(v_drive)
    assert float(mosfet.q_gate_at_drive(v_drive=drive, **both)) >= charge(v_drive) * (1 - 1e-9)
    for missing in both:
        single = mosfet.q_gate_at_drive(v_drive=drive, **(both | {missing: np.array(NAN)}))
        assert float(single) >= charge(v_drive) * (1 - 1e-9)


@given(
    st.floats(-60.0, 110.0),
    st.floats(1.0, 60.0),
    st.floats(0.0, 3.0),
    st.floats(0.0, 3.0),
    st.floats(0.003, 0.009),
)
@settings(max_examples=200)
def test_closed_form_temperature_equals_a_search(
    temp_board: float, rth: float, cool: float, fixed: float, tempco: float
) -> None:
    def excess(temp: float) -> float:
        factor = max(1.0 + tempco * (temp - 25.0), 0.75)
        return temp_board + rth * (cool * factor + fixed) - temp

    found = float(
        mosfet.temp_junction(
            temp_board=np.array(temp_board),
            rth=np.array(rth),
            loss_conduction_25=np.array(cool),
            loss_fixed=np.array(fixed),
            rds_on_tempco=np.array(tempco),
        )
    )
    gain = tempco * rth * cool
    if gain >= 1.0:
        assert np.isnan(found)
    elif gain < 0.99:
        assert found == pytest.approx(brentq(excess, temp_board - 1.0, 1e6), abs=1e-5, rel=1e-7)


def test_gate_current_needs_drive_above_the_plateau() -> None:
    found = mosfet.i_gate_on(
        v_drive=np.array(4.0), v_plateau=np.array([3.0, 4.0, 5.0]), resistance_gate=np.array(2.0)
    )
    assert found[0] == pytest.approx(0.5)
    assert np.isnan(found[1:]).all()


def test_missing_charges_lengthen_the_edge() -> None:
    known = mosfet.q_to_plateau(
        q_gate_source=np.array(9e-9), q_gate_threshold=np.array(5e-9), q_gate_drain=np.array(6e-9)
    )
    partly = mosfet.q_to_plateau(
        q_gate_source=np.array(9e-9), q_gate_threshold=np.array(NAN), q_gate_drain=np.array(6e-9)
    )
    neither = mosfet.q_to_plateau(
        q_gate_source=np.array(NAN), q_gate_threshold=np.array(5e-9), q_gate_drain=np.array(6e-9)
    )
    assert (float(known), float(partly)) == pytest.approx((4e-9, 9e-9))
    assert float(neither) + 6e-9 == pytest.approx(1.85 * 6e-9)
