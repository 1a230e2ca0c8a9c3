"""Board temperature, drive supply, thermal resistances and eigenvalues with holes."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.parts import board


def test_drive_loss_splits_into_gates_and_regulator() -> None:
    inputs = {"i_drive": np.array(0.036), "i_quiescent": np.array(2e-3), "v_input": np.array(48.0)}
    total = board.loss_drive(**inputs)
    regulator = board.loss_drive_regulator(v_drive=np.array(7.0), **inputs)
    assert float(total - regulator) == pytest.approx(7.0 * 0.038)


def test_starved_regulator_is_outside_validity() -> None:
    found = board.loss_drive_regulator(
        v_input=np.array(6.0),
        v_drive=np.array(7.0),
        i_drive=np.array(0.01),
        i_quiescent=np.array(0.0),
    )
    assert np.isnan(found)


def test_ambient_resistance_is_used_only_without_case() -> None:
    found = board.rth_junction_board(
        rth_junction_case=np.array([1.5, np.nan, np.nan]),
        rth_pad=np.array(8.0),
        rth_junction_ambient=np.array([40.0, 40.0, np.nan]),
    )
    assert found == pytest.approx([9.5, 20.0, np.nan], nan_ok=True)


def test_one_part_on_a_board_gains_by_both_resistances() -> None:
    found = board.largest_gain(
        rth=np.array([10.0]),
        slope=np.array([[0.02]]),
        pieces=np.array([1.0]),
        board_k_per_w=np.array(6.0),
    )
    assert float(found) == pytest.approx(16.0 * 0.02)


def test_own_gain_alone_misleads() -> None:
    """Four like parts on 12 K/W: own gain 0.17, system gain 0.57 (common practice, no source)."""
    slope = 0.1 / 12.0
    found = board.largest_gain(
        rth=np.full(4, 0.17 / slope),
        slope=np.diag(np.full(4, slope)),
        pieces=np.ones(4),
        board_k_per_w=np.array(12.0),
    )
    assert float(found) == pytest.approx(0.57)


def test_sets_and_lanes_are_independent_and_holes_stay_holes() -> None:
    draw = np.random.default_rng(4)
    rth, slope = draw.uniform(1, 20, (3, 2, 4)), draw.uniform(0, 0.01, (3, 2, 4, 4))
    slope[1, 1, 0, 0] = np.nan
    found = board.largest_gain(
        rth=rth, slope=slope, pieces=np.ones((3, 2, 4)), board_k_per_w=np.array(6.0)
    )
    assert np.isnan(found[1, 1])
    single = board.largest_gain(
        rth=rth[2, 0], slope=slope[2, 0], pieces=np.ones(4), board_k_per_w=np.array(6.0)
    )
    assert found[2, 0] == pytest.approx(float(single))


def test_gain_of_one_part_reaches_the_limit_where_its_eigenvalue_does() -> None:
    limit = 0.4
    slope = limit / (10.0 + 6.0)
    found = board.gain_single(
        rth=np.array(10.0),
        slope=np.array([slope, 0.04]),
        board_k_per_w=np.array(6.0),
        thermal_gain_max=np.array(limit),
    )
    assert found == pytest.approx([1.0, np.inf])
