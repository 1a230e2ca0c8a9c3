"""Harmonics against Parseval, a discrete transform and reconstruction; core factor by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from optimizer.records import REGION_DOWN, FloatArray, Waveform, Window
from optimizer.spectra import flux_factor, harmonics
from optimizer.topologies import TOPOLOGIES
from optimizer.waveforms import lossless_state, solve
from tests.contracts import WINDOWS
from tests.stage_lanes import Job, jobs, one_lane

FOUR = TOPOLOGIES["four-switch"]
N_SAMPLE = 1 << 14


def sampled(wave: Waveform, node: str, lane: int) -> FloatArray:
    """Node current of set 0 at the midpoints of N_SAMPLE equal steps."""
    share = getattr(wave, f"{node}_current")[lane]
    edge = np.concatenate([[0], np.cumsum(wave.duration[0, lane])])
    time = (np.arange(N_SAMPLE) + 0.5) / N_SAMPLE
    k = np.clip(np.searchsorted(edge, time, side="right") - 1, 0, len(share) - 1)
    along = (time - edge[k]) / wave.duration[0, lane][k]
    start, end = wave.i_start[0, lane], wave.i_end[0, lane]
    return np.sum(share[k] * (start[k] + along[:, None] * (end[k] - start[k])), axis=-1)


@settings(max_examples=100, deadline=None)
@given(jobs(n_set=1, n_lane=3))
def test_discrete_transform_agrees(job: Job) -> None:
    topology, operation, state, window = job
    wave = solve(topology, operation, state, window)
    for node in ("input", "output", "coupling"):
        phasor = harmonics(wave, node, 10)
        for lane in np.flatnonzero(wave.converged[0]):
            samples = sampled(wave, node, int(lane))
            order = np.arange(1, 11)
            shift = np.exp(-1j * np.pi * order / N_SAMPLE)
            discrete = 2 * np.fft.fft(samples)[1:11] / N_SAMPLE * shift
            scale = np.abs(samples).max()
            assert np.all(np.abs(phasor[0, lane] - discrete) <= 1e-3 * scale)


@settings(max_examples=100, deadline=None)
@given(jobs(n_set=1, n_lane=3))
def test_parseval(job: Job) -> None:
    """Power of the first m harmonics never exceeds the whole and misses at most its tail.

    A current with jumps J has harmonics of at most sum|J| / (pi m), plus kinks of order 1 / m^2.
    """
    topology, operation, state, window = job
    wave = solve(topology, operation, state, window)
    n_harmonic = 2000
    for node in ("input", "output", "coupling"):
        whole = getattr(wave, f"i_{node}_rms_ac")[0] ** 2
        caught = 0.5 * np.sum(np.abs(harmonics(wave, node, n_harmonic)[0]) ** 2, axis=-1)
        jumps = 8 * np.abs(wave.i_start[0, ..., 0]).max(axis=-1)
        tail = 0.5 * (jumps / np.pi) ** 2 / n_harmonic
        ok = wave.converged[0]
        # The whole is a mean square less a squared mean: its rounding scales with the latter.
        rounding = 1e-13 * np.abs(wave.i_start[0, ..., 0]).max(axis=-1) ** 2
        assert np.all((caught <= whole * (1 + 1e-9) + rounding + 1e-15)[ok])
        assert np.all((whole - caught <= tail + 1e-12)[ok])


def test_a_triangle_has_its_textbook_series() -> None:
    """Harmonics of a symmetric triangle: 4 ripple / (pi m)^2 for odd m, none for even m."""
    job = one_lane(
        v_input=24, v_output=12, i_output=5, frequency=3e5, inductance=1e-5, region=REGION_DOWN
    )
    wave = solve(FOUR, job, lossless_state(FOUR, job))
    order = np.arange(1, 8)
    expected = np.where(order % 2 == 1, 4 * 2.0 / (np.pi * order) ** 2, 0)
    assert np.allclose(np.abs(harmonics(wave, "output", 7)[0, 0]), expected, atol=1e-12)


def test_a_pulse_has_its_textbook_series() -> None:
    """Rectangular pulses of height I and duty D: 2 I |sin(pi m D)| / (pi m)."""
    job = one_lane(
        v_input=40, v_output=12, i_output=5, frequency=3e5, inductance=1e3, region=REGION_DOWN
    )
    wave = solve(FOUR, job, lossless_state(FOUR, job))
    order = np.arange(1, 20)
    expected = 2 * 5 * np.abs(np.sin(np.pi * order * 0.3)) / (np.pi * order)
    assert np.allclose(np.abs(harmonics(wave, "input", 19)[0, 0]), expected, atol=1e-6)


@pytest.mark.parametrize("duty", [0.5, 0.1, 0.9])
@pytest.mark.parametrize("alpha", [1.0, 1.4, 1.9])
def test_core_factor_of_two_slopes(duty: float, alpha: float) -> None:
    """(D^(1-a) + (1-D)^(1-a)) / 2^a: improved generalised Steinmetz equation, two slopes."""
    job = one_lane(
        v_input=12 / duty,
        v_output=12,
        i_output=5,
        frequency=3e5,
        inductance=1e-5,
        region=REGION_DOWN,
    )
    wave = solve(FOUR, job, lossless_state(FOUR, job))
    expected = (duty ** (1 - alpha) + (1 - duty) ** (1 - alpha)) / 2**alpha
    assert flux_factor(wave, alpha=alpha)[0, 0, 0] == pytest.approx(expected)
    assert flux_factor(wave, alpha=np.array([[alpha]])).shape == (1, 1, 1)


@pytest.mark.parametrize("alpha", [1.3, 1.8])
@pytest.mark.parametrize("window", WINDOWS, ids=str)
def test_core_factor_is_the_integral_of_the_slope(window: Window, alpha: float) -> None:
    """The equation's own form, mean of |di/dt|^a, on a fine grid of the coil current."""
    job = one_lane(v_input=12.5, v_output=12, i_output=5, frequency=3e5, inductance=1e-5, region=1)
    wave = solve(FOUR, job, lossless_state(FOUR, job), window)
    whole = replace(wave, input_current=np.ones_like(wave.input_current))
    current = sampled(whole, "input", 0)
    slope = np.abs(np.diff(np.append(current, current[0]))) * N_SAMPLE / np.ptp(current)
    expected = np.mean(slope**alpha) / 2**alpha
    assert flux_factor(wave, alpha=alpha)[0, 0, 0] == pytest.approx(expected, rel=2e-3)


@settings(max_examples=100, deadline=None)
@given(jobs())
def test_no_pattern_has_a_minor_loop(job: Job) -> None:
    """The core factor leaves minor loops out because the current rises once and falls once."""
    topology, operation, state, window = job
    wave = solve(topology, operation, state, window)
    travel = np.abs((wave.i_end - wave.i_start).sum(axis=-1)).sum(axis=2)
    ok = wave.converged
    assert np.allclose(travel[ok], 2 * wave.i_ripple[..., 0][ok])
