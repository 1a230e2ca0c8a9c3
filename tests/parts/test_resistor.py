"""Limits of the sense resistance by sampling, its heat, and the limit chain."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.parts import resistor

PART = {
    "resistance": np.array(5e-3),
    "resistance_tolerance": np.array(0.01),
    "resistance_drift": np.array(0.005),
    "resistance_tempco": np.array(1e-4),
    "temp_part": np.array(110.0),
    "pieces": np.array(2.0),
}


def test_no_sample_lies_outside_the_limits_and_the_corners_reach_them() -> None:
    low = float(resistor.resistance_low(**PART))
    high = float(resistor.resistance_high(**PART, resistance_solder=np.array(3e-4)))
    draw = np.random.default_rng(5)
    signs = np.vstack([draw.uniform(-1, 1, (2000, 3)), [[1, 1, 1], [-1, -1, -1]]])
    solder = np.append(draw.uniform(0, 3e-4, 2000), [3e-4, 0.0])
    each = 5e-3 * (1 + signs @ np.array([0.01, 0.005, 1e-4 * 85.0])) + solder
    assert each.min() / 2 == pytest.approx(low)
    assert each.max() / 2 == pytest.approx(high)


def test_only_two_terminals_sense_their_joints() -> None:
    found = resistor.solder_error(terminals=np.array([2.0, 4.0]))
    assert found.tolist() == [0.3e-3, 0.0]


def test_absurd_tolerance_leaves_no_resistance() -> None:
    found = resistor.resistance_low(**(PART | {"resistance_tolerance": np.array(1.2)}))
    assert np.isnan(found)


@pytest.mark.parametrize("pieces", [1.0, 2.0, 3.0])
def test_pieces_together_lose_what_the_group_loses(pieces: float) -> None:
    each = resistor.loss_piece(
        i_rms=np.array(10.0), resistance=np.array(6e-3), pieces=np.array(pieces)
    )
    assert pieces * float(each) == pytest.approx(100.0 * 6e-3 / pieces)


def test_derating_line() -> None:
    left = resistor.power_at_board(
        power_rating=np.array(2.0),
        temp_board=np.array([-40.0, 70.0, 120.0, 170.0, 200.0]),
        temp_power_derating=np.array(70.0),
        temp_part_rating=np.array(170.0),
    )
    assert left.tolist() == [2.0, 2.0, 1.0, 0.0, 0.0]


def test_part_at_its_derated_power_is_at_its_limit() -> None:
    line = {
        "power_rating": np.array(2.0),
        "temp_power_derating": np.array(70.0),
        "temp_part_rating": np.array(170.0),
        "temp_board": np.array([70.0, 100.0, 150.0]),
    }
    hot = resistor.temp_part(loss=resistor.power_at_board(**line), **line)
    assert hot == pytest.approx([170.0] * 3)


def test_limit_chain_brackets_the_nominal_limit() -> None:
    low = resistor.i_limit_low(v_sense=np.array(0.045), resistance=np.array(5.1e-3))
    high = resistor.i_limit_high(
        v_sense=np.array(0.055),
        resistance=np.array(4.9e-3),
        v_inductor=np.array(40.0),
        time_delay=np.array(1e-7),
        inductance=np.array(8e-6),
    )
    assert float(low) < 0.050 / 5e-3 < float(high)
    assert float(high) == pytest.approx(0.055 / 4.9e-3 + 0.5)


def test_step_of_the_stray_inductance() -> None:
    """Five nanohenry and a slope that turns by 48 V over 10 uH: 24 mV, half for two pieces."""
    found = resistor.v_step_esl(
        esl=np.array(5e-9),
        pieces=np.array([1.0, 2.0]),
        v_swing=np.array(48.0),
        inductance=np.array(1e-5),
    )
    assert found == pytest.approx([0.024, 0.012])
