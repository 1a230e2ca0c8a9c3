"""Diode against a root search, its runaway, its limits, and the half bridge it stands in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from optimizer.parts import diode, half_bridge, switching
from optimizer.parts.bridge_records import Drive, HalfBridge, LegStress, Mosfet
from optimizer.parts.diode import Diode
from tests.parts.test_half_bridge import DRIVE, PART, STRESS, record

SCHOTTKY = {
    "v_forward": 0.42,
    "v_forward_slope": 9e-4,
    "temp_hold": np.inf,
    "resistance": 0.02,
    "i_reverse_125c": 6e-3,
    "growth": 0.065,
    "q_output": 4.4e-9,
    "v_output_test": 10.0,
    "rth": 10.0,
    "pieces": 1.0,
}
DUTY = {"i_mean": 4.0, "i_rms": 5.5, "v_node": 24.0, "share_blocking": 0.5}


def part(**values: float) -> Diode:
    found: Diode = record(Diode, {k: [v] for k, v in (SCHOTTKY | values).items()})
    return found


def duty(**values: float) -> dict[str, Any]:
    return {name: np.array([value]) for name, value in (DUTY | values).items()}


def temperature(device: Diode, temp_board: float, **values: float) -> float:
    board = np.array([temp_board])
    return float(diode.temp_junction(device, **duty(**values), temp_board=board)[0])


def excess(device: Diode, temp_board: float, temp: float, **values: float) -> float:
    """What a junction at a temperature makes more heat than it gets rid of, in kelvin."""
    loss, _ = diode.losses(device, np.array([temp]), **duty(**values))
    return float(temp_board + device.rth[0] * loss[0] - temp)


@settings(max_examples=150, deadline=None)
@given(
    rth=st.floats(1, 40),
    hot=st.floats(1e-4, 0.2),
    current=st.floats(0.1, 8),
    temp_board=st.floats(-30, 110),
    hold=st.sampled_from([25.0, np.inf]),
)
def test_the_lower_crossing_is_found_or_there_is_none(
    rth: float, hot: float, current: float, temp_board: float, hold: float
) -> None:
    device = part(rth=rth, i_reverse_125c=hot, temp_hold=hold)
    load = {"i_mean": current, "i_rms": 1.3 * current}
    found = temperature(device, temp_board, **load)
    grid = np.linspace(temp_board - 1e-9, 700.0, 20001)
    loss, _ = diode.losses(device, grid, **duty(**load))
    left = temp_board + rth * loss - grid
    below = np.flatnonzero(left < 0)
    if not len(below):
        assert np.isnan(found) or abs(excess(device, temp_board, found, **load)) < 1e-6
        return
    first = int(below[0])
    if first == 0:
        assert found == pytest.approx(temp_board, abs=1e-6)
        return
    root = brentq(
        lambda t: excess(device, temp_board, t, **load), grid[first - 1], grid[first], xtol=1e-12
    )
    assert found == pytest.approx(root, abs=1e-6)


def test_a_hotter_board_and_more_current_never_cool_the_junction() -> None:
    device = part()
    temps = [temperature(device, board) for board in (-20.0, 25.0, 60.0, 90.0)]
    assert temps == sorted(temps)
    temps = [temperature(device, 60.0, i_mean=i, i_rms=i) for i in (0.0, 1.0, 3.0, 6.0)]
    assert temps == sorted(temps)


def test_reverse_current_runs_away_where_forward_loss_alone_would_not() -> None:
    leaky = part(i_reverse_125c=0.5, rth=30.0)
    assert np.isnan(temperature(leaky, 100.0))
    assert np.isfinite(temperature(part(i_reverse_125c=1e-9, rth=30.0), 100.0))
    assert np.isfinite(temperature(leaky, 25.0, v_node=5.0))


def test_reverse_current_doubles_where_its_growth_says_so() -> None:
    eleven = np.log(2) / 11
    currents = diode.i_reverse(
        i_reverse_125c=np.array(5e-3),
        growth=np.array(eleven),
        temp_junction=np.array([92.0, 103.0, 114.0, 125.0]),
    )
    assert currents == pytest.approx([0.625e-3, 1.25e-3, 2.5e-3, 5e-3])


# --- in the half bridge ---------------------------------------------------------------------------


def bridge(rectifier: dict[str, float] | None = None, **stress: float) -> HalfBridge:
    return half_bridge.solve_with_diode(
        record(Mosfet, {k: [v] for k, v in PART.items()}),
        part(**(rectifier or {})),
        stress=record(LegStress, {k: [v] for k, v in (STRESS | stress).items()}),
        drive=record(Drive, DRIVE),
        board_k_per_w=np.array(6.0),
        thermal_gain_max=np.array(0.4),
    )


def test_junction_charge_heats_the_transistor_and_nothing_recovers() -> None:
    light, heavy = bridge({"q_output": 0.0}), bridge({"q_output": 2e-8})
    charge = switching.q_output_at(
        q_output=np.array([2e-8]), v_output_test=np.array(10.0), v_node=np.array(48.0)
    )
    wanted = 2 / 3 * 48.0 * charge * 3e5
    assert heavy.control.loss_output - light.control.loss_output == pytest.approx(wanted)
    assert heavy.control.loss_recovery == 0
    assert heavy.control.loss_dead_time == heavy.synchronous.loss_dead_time == 0
    assert heavy.synchronous.loss == pytest.approx(light.synchronous.loss)


def test_losses_add_up_and_the_forward_line_is_what_the_waveform_is_told() -> None:
    found = bridge().synchronous
    told = found.v_forward * STRESS["i_mean_synchronous"]
    told = told + found.resistance * STRESS["i_rms_synchronous"] ** 2
    assert found.loss_conduction == pytest.approx(told)
    assert found.loss == pytest.approx(found.loss_conduction + found.loss_reverse)
    assert found.loss_charge == pytest.approx(found.loss_reverse)


def test_runaway_has_no_loss_and_no_gain() -> None:
    found = bridge({"i_reverse_125c": 5.0})
    assert found.runaway.all()
    assert np.isnan(found.loss).all()
    assert np.isnan(found.gain).all()


def test_slope_is_the_rise_of_the_loss_and_never_negative() -> None:
    device, temp = part(temp_hold=25.0), 90.0
    step = 1e-3
    ends = [diode.losses(device, np.array([temp + d]), **duty())[0][0] for d in (-step, step)]
    _, slope = diode.losses(device, np.array([temp]), **duty())
    assert slope[0] == pytest.approx((ends[1] - ends[0]) / (2 * step), rel=1e-5)
    falling = replace(device, temp_hold=np.array([np.inf]), i_reverse_125c=np.array([1e-9]))
    assert diode.losses(falling, np.array([temp]), **duty())[1][0] < 0
    assert bridge({"temp_hold": np.inf, "i_reverse_125c": 1e-9}).synchronous.slope[0] == 0
