"""The waveform engine against laws, closed forms and brute numerical integration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from optimizer.records import (
    INPUT_HIGH,
    OUTPUT_HIGH,
    REGION_DOWN,
    REGION_UP,
    REGION_WINDOW,
    FloatArray,
    Operation,
    Waveform,
    Window,
)
from optimizer.topologies import TOPOLOGIES
from optimizer.waveforms import (
    lossless_state,
    series_resistance_for_loss,
    sizing_state,
    solve,
)
from tests.contracts import WINDOWS, check_scalar_equals_array, check_waveform
from tests.stage_lanes import Job, delivers, jobs, one_lane, state_of

FOUR = TOPOLOGIES["four-switch"]
DOWN = one_lane(
    v_input=48, v_output=12, i_output=5, frequency=300e3, inductance=10e-6, region=REGION_DOWN
)
UP = one_lane(
    v_input=12, v_output=48, i_output=2, frequency=300e3, inductance=10e-6, region=REGION_UP
)
WINDOW = replace(DOWN, v_input=np.array([[12.5]]), region=np.array([REGION_WINDOW]))


def value(array: FloatArray) -> float:
    return float(np.ravel(array)[0])


def lossless(
    operation: Operation, window: Window | None = None, name: str = "four-switch"
) -> Waveform:
    topology = TOPOLOGIES[name]
    return solve(topology, operation, lossless_state(topology, operation), window)


# --- laws ---------------------------------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(jobs())
def test_balances_hold(job: Job) -> None:
    topology, operation, state, window = job
    check_waveform(topology, operation, state, solve(topology, operation, state, window))


@settings(max_examples=100, deadline=None)
@given(jobs(n_set=2, n_lane=3))
def test_scalar_equals_array(job: Job) -> None:
    topology, operation, state, window = job
    check_scalar_equals_array(topology, operation, state, window)


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_a_plain_region_always_closes_without_losses(job: Job) -> None:
    topology, operation, _, window = job
    wave = solve(topology, operation, lossless_state(topology, operation), window)
    plain = (operation.region != REGION_WINDOW) & delivers(topology, operation)
    assert wave.converged[:, plain].all()


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_drops_never_lower_the_regulated_duty(job: Job) -> None:
    topology, operation, state, window = job
    operation = replace(operation, i_output=np.maximum(operation.i_output, 0.5))
    with_drops = solve(topology, operation, state, window)
    without = solve(topology, operation, lossless_state(topology, operation), window)
    ok = with_drops.converged & without.converged
    for name in ("duty_input", "duty_output"):
        assert np.all((getattr(with_drops, name) - getattr(without, name))[ok] >= -1e-12)


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_unclosed_lanes_are_nan_and_closed_ones_finite(job: Job) -> None:
    topology, operation, state, window = job
    heavy = replace(state, resistance_series=state.resistance_series * 100)
    wave = solve(topology, operation, heavy, window)
    for name in ("i_input_mean", "duty_input", "time_on_min", "i_output_rms_ac"):
        assert np.array_equal(np.isfinite(getattr(wave, name)), wave.converged)


# --- closed forms -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["buck", "four-switch"])
@pytest.mark.parametrize("load", [0.0, 0.3, 5.0])
def test_step_down_closed_forms(name: str, load: float) -> None:
    """Textbook relations of the step-down stage, exact without losses at any load."""
    wave = lossless(replace(DOWN, i_output=np.array([[load]])), name=name)
    duty, ripple = 0.25, 12 * 0.75 / (300e3 * 10e-6)
    assert value(wave.duty_input) == pytest.approx(duty)
    assert value(wave.i_ripple) == pytest.approx(ripple)
    assert value(wave.i_mean) == pytest.approx(load, abs=1e-12)
    assert value(wave.i_rms) == pytest.approx(np.sqrt(load**2 + ripple**2 / 12))
    bank = np.sqrt(load**2 * duty * (1 - duty) + duty * ripple**2 / 12)
    assert value(wave.i_input_rms_ac) == pytest.approx(bank)
    assert value(wave.i_output_rms_ac) == pytest.approx(ripple / np.sqrt(12))
    leg = wave.legs["input leg"]
    assert value(leg.i_turn_on) == pytest.approx(load - ripple / 2)
    assert value(leg.i_turn_off) == pytest.approx(load + ripple / 2)
    assert value(leg.v_node) == 48
    assert value(wave.time_on_min) == pytest.approx(duty / 300e3)
    assert value(wave.time_off_min) == pytest.approx((1 - duty) / 300e3)


@pytest.mark.parametrize("name", ["boost", "four-switch"])
@pytest.mark.parametrize("load", [0.0, 0.05, 2.0])
def test_step_up_closed_forms(name: str, load: float) -> None:
    """Textbook relations of the step-up stage, exact without losses at any load."""
    wave = lossless(replace(UP, i_output=np.array([[load]])), name=name)
    duty, ripple, coil = 0.75, 12 * 0.75 / (300e3 * 10e-6), load / 0.25
    assert value(wave.duty_output) == pytest.approx(duty)
    assert value(wave.i_ripple) == pytest.approx(ripple)
    assert value(wave.i_mean) == pytest.approx(coil, abs=1e-12)
    bank = np.sqrt(load**2 * duty / (1 - duty) + (1 - duty) * ripple**2 / 12)
    assert value(wave.i_output_rms_ac) == pytest.approx(bank)
    assert value(wave.i_input_rms_ac) == pytest.approx(ripple / np.sqrt(12))
    leg = wave.legs["output leg"]
    assert value(leg.i_turn_on) == pytest.approx(coil - ripple / 2)
    assert value(leg.i_turn_off) == pytest.approx(coil + ripple / 2)
    assert value(leg.v_node) == 48


def test_the_leg_at_rest_has_no_edges() -> None:
    wave = lossless(DOWN)
    leg = wave.legs["output leg"]
    assert not leg.switches.any()
    assert value(leg.frequency_edges) == value(leg.i_turn_on) == value(leg.v_node) == 0
    assert value(wave.position_rms[OUTPUT_HIGH]) == pytest.approx(value(wave.i_rms))


def test_step_down_drop_adds_to_the_output() -> None:
    """Da = (Vout + I R) / Vin where every interval has the same resistance."""
    state = state_of(FOUR, (1, 1), resistance=0.02, series=0.03)
    assert value(solve(FOUR, DOWN, state).duty_input) == pytest.approx((12 + 5 * 0.07) / 48)


def test_largest_gain_of_a_step_up_stage_is_where_it_stops_closing() -> None:
    """Without ripple Vin D' = Vout D'^2 + R I has a solution only for Vin^2 >= 4 R I Vout."""
    calm = replace(UP, inductance=np.array([[1.0]]))
    limit = 12**2 / (4 * 2 * 48)
    below = solve(FOUR, calm, state_of(FOUR, (1, 1), series=0.999 * limit))
    above = solve(FOUR, calm, state_of(FOUR, (1, 1), series=1.001 * limit))
    assert below.converged.all()
    assert not above.converged.any()
    off_share = (12 + np.sqrt(12**2 - 4 * 0.999 * limit * 2 * 48)) / (2 * 48)
    assert value(below.duty_output) == pytest.approx(1 - off_share, abs=1e-7)


def test_dropout_is_not_closed() -> None:
    near = replace(DOWN, v_input=np.array([[12.2]]))
    assert not solve(FOUR, near, state_of(FOUR, (1, 1), series=0.1)).converged.any()
    assert not lossless(replace(DOWN, v_input=np.array([[12.0]]))).converged.any()
    assert lossless(near).converged.all()


def test_regions_that_are_not_offered_are_nan() -> None:
    assert not lossless(UP, name="buck").converged.any()
    assert not lossless(DOWN, name="boost").converged.any()
    assert not lossless(WINDOW).converged.any()
    assert np.isnan(value(lossless(WINDOW).i_ripple))


@pytest.mark.parametrize("window", WINDOWS, ids=str)
def test_window_duty_law_without_losses(window: Window) -> None:
    """Every cycle Vin Da = Vout (1 - Dc), alternating Vin (1 + Da) = Vout (2 - Dc)."""
    wave = lossless(WINDOW, window)
    extra = 0 if window.frequency_share == 1 else 1
    d_input, d_output = value(wave.duty_input), value(wave.duty_output)
    assert wave.converged.all()
    assert 12.5 * (extra + d_input) == pytest.approx(12 * (1 + extra - d_output))
    assert value(wave.time_pattern) == pytest.approx((1 + extra) / 300e3)
    for leg in wave.legs.values():
        assert value(leg.frequency_edges) == pytest.approx(300e3 * window.frequency_share)


def test_pulse_position_changes_the_ripple_only_in_its_order() -> None:
    """The order of the edges matters: below ratio 1 the centred pulse starts lower."""
    below = replace(WINDOW, v_input=np.array([[11.0]]))
    start, centre = (
        lossless(below, Window(0.9, 1.15, 0.0, "output duty", 0.2, pulse, 1.0))
        for pulse in ("start", "centre")
    )
    assert value(start.duty_input) == pytest.approx(value(centre.duty_input))
    off = value(1 - start.duty_input) / 300e3
    fall = 12 * off / 10e-6
    slope = (12 - 11.0) / 10e-6
    both = value(start.duty_input - start.duty_output) / 300e3
    assert value(start.i_ripple) == pytest.approx(fall + slope * both)
    assert value(centre.i_ripple) == pytest.approx(fall + slope * both)
    assert value(centre.legs["input leg"].i_turn_on) < value(centre.i_mean)
    assert value(centre.legs["output leg"].i_turn_on) == pytest.approx(value(centre.i_valley))
    assert value(start.legs["output leg"].i_turn_on) == pytest.approx(
        value(start.legs["input leg"].i_turn_on)
    )


def test_extra_charge_at_the_output_is_delivered_by_the_coil() -> None:
    state = state_of(FOUR, (1, 1), i_output_extra=0.1)
    wave = solve(FOUR, UP, state)
    assert value(wave.i_mean) == pytest.approx(2.1 * 4)


# --- the sizing state ---------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_series_resistance_carries_the_loss(job: Job) -> None:
    topology, operation, _, window = job
    power = operation.v_output * np.maximum(operation.i_output, 0.2)
    operation = replace(operation, i_output=power / operation.v_output)
    loss = np.broadcast_to(0.08 * power, (2, len(operation.region)))
    ohms = series_resistance_for_loss(topology, operation, window, loss)
    blank = lossless_state(topology, operation)
    wave = solve(topology, operation, replace(blank, resistance_series=ohms), window)
    ok = np.isfinite(ohms)
    assert np.array_equal(ok, wave.converged)
    heavy = 0.08 * operation.v_output / operation.i_output < 0.2 * (
        operation.inductance * operation.frequency
    )
    assert ok[heavy & (operation.region == REGION_UP)].all()
    lost = operation.v_input * wave.i_input_mean - power
    assert np.allclose(lost[ok], loss[ok], rtol=1e-9)


def test_step_up_resistance_for_a_loss_has_a_closed_form() -> None:
    """Without ripple the coil current is (Pout + loss) / Vin and R = loss / current^2."""
    calm = replace(UP, inductance=np.array([[1.0]]))
    for loss in (1.0, 8.0, 30.0):
        ohms = series_resistance_for_loss(FOUR, calm, None, np.array([[loss]]))
        assert value(ohms) == pytest.approx(loss / ((96 + loss) / 12) ** 2, rel=1e-6)


def test_no_loss_needs_no_resistance_and_no_current_carries_none() -> None:
    none = replace(DOWN, i_output=np.array([[0.0]]))
    assert value(series_resistance_for_loss(FOUR, DOWN, None, np.array([[0.0]]))) == 0
    assert np.isnan(value(series_resistance_for_loss(FOUR, none, None, np.array([[1.0]]))))


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_sizing_state_adds_exactly_the_loss(job: Job) -> None:
    topology, operation, _, window = job
    loss = np.full((2, len(operation.region)), 2.0)
    state = sizing_state(topology, operation, window, loss, temp_board=70.0)
    wave = solve(topology, operation, state, window)
    power = operation.v_input * (wave.i_input_mean + state.i_input_extra)
    wanted = operation.v_output * operation.i_output + loss
    ok = wave.converged
    assert np.allclose(power[ok], wanted[ok], rtol=1e-9)
    ok = ok | ~delivers(topology, operation)
    assert ok[:, operation.region == REGION_UP].all()
    assert ok[:, operation.v_input > 1.3 * operation.v_output].all()
    assert np.all(state.temp_board == 70)


def test_position_names_are_those_of_the_topology() -> None:
    wave = lossless(DOWN, name="buck")
    assert tuple(wave.position_rms) == TOPOLOGIES["buck"].POSITIONS
    assert INPUT_HIGH in wave.position_mean


# --- discontinuous conduction -------------------------------------------------------------------


@pytest.mark.parametrize(("name", "job"), [("diode-buck", DOWN), ("diode-boost", UP)])
def test_both_sides_of_the_boundary_meet(name: str, job: Operation) -> None:
    """Where the valley touches zero, the resting current rests for no time."""
    ripple = value(lossless(job, name=name).i_ripple)
    share = 1.0 if name == "diode-buck" else value(job.v_input / job.v_output)
    at = 0.5 * ripple * share
    state = replace(state_of(TOPOLOGIES[name], (1, 1)), drop={})
    low, high = (
        solve(TOPOLOGIES[name], replace(job, i_output=np.array([[at * factor]])), state)
        for factor in (1 - 1e-7, 1 + 1e-7)
    )
    assert low.discontinuous.all()
    assert not high.discontinuous.any()
    for quantity in ("i_peak", "i_rms", "i_mean", "duty_input", "duty_output", "i_input_rms_ac"):
        one, two = value(getattr(low, quantity)), value(getattr(high, quantity))
        assert one == pytest.approx(two, rel=1e-4), quantity


def test_a_resting_current_delivers_less_ripple_than_a_forced_one() -> None:
    light = replace(DOWN, i_output=np.array([[0.2]]))
    forced = lossless(light, name="buck")
    blank = lossless_state(FOUR, light)
    emulated = solve(FOUR, light, blank, emulation=True)
    assert emulated.discontinuous.all()
    assert value(forced.i_valley) < 0 == value(emulated.i_valley)
    assert value(emulated.i_rms) < value(forced.i_rms)
    assert value(emulated.duration.sum(axis=-1)) == pytest.approx(1)


def test_without_a_load_a_diode_leaves_no_pattern() -> None:
    none = replace(DOWN, i_output=np.array([[0.0]]))
    assert not lossless(none, name="diode-buck").converged.any()


def test_a_window_pattern_stays_in_forced_conduction() -> None:
    light = replace(WINDOW, i_output=np.array([[0.1]]))
    wave = solve(FOUR, light, lossless_state(FOUR, light), WINDOWS[0], emulation=True)
    assert wave.converged.all()
    assert not wave.discontinuous.any()
    assert value(wave.i_valley) < 0
