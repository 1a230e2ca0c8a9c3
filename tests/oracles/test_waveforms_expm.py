"""Waveforms against the periodic steady state of the switched linear circuit (matrix exponential).

States are the coil current and the output voltage; nothing is straightened, the load is a
resistor, and the output capacitor is so large that its ripple does not blur the comparison. The
duty is the engine's, the voltage is an outcome.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from optimizer.records import FloatArray
from tests.oracles.waveform_cases import CASES, Case, Solved, solved

N_STEP = 400
CAPACITOR_TIMES = 20
"""How much larger the output capacitor is than in the simulator's circuits."""


def matrices(point: Solved) -> list[tuple[FloatArray, float]]:
    """Matrix of (coil current, output voltage, 1) and length of each interval."""
    case, wave = point.case, point.wave
    capacitance = CAPACITOR_TIMES * point.output_start()[0]
    inductance, load = case.inductance * 1e-6, case.v_output / case.i_output
    found = []
    for k, share in enumerate(point.duration):
        high_in, high_out = wave.input_current[0, k, 0], wave.output_current[0, k, 0]
        ohms = 1e-3 * (case.path + case.on * len(point.topology.LEGS))
        rows = [
            [-ohms / inductance, -high_out / inductance, high_in * case.v_input / inductance],
            [high_out / capacitance, -1 / (load * capacitance), 0],
            [0, 0, 0],
        ]
        found.append((np.array(rows), float(share) * point.time_pattern))
    return found


def steady(point: Solved) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coil current, output voltage and time at N_STEP points of every interval, steady state."""
    pieces = [(m, t) for m, t in matrices(point) if t > 0]
    through = np.eye(3)
    for matrix, time in pieces:
        through = expm(matrix * time) @ through
    start = np.linalg.solve(np.eye(2) - through[:2, :2], through[:2, 2])
    state = np.append(start, 1.0)
    states, times, now = [state], [0.0], 0.0
    for matrix, time in pieces:
        step = expm(matrix * time / N_STEP)
        for _ in range(N_STEP):
            state = step @ state
            now += time / N_STEP
            states.append(state)
            times.append(now)
    table = np.array(states)
    return table[:, 0], table[:, 1], np.array(times)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_exact_steady_state_agrees(case: Case) -> None:
    point = solved(case)
    coil, volts, time = steady(point)
    wave = point.wave
    square = (coil[1:] ** 2 + coil[1:] * coil[:-1] + coil[:-1] ** 2) / 3
    i_rms = np.sqrt(square @ np.diff(time) / time[-1])
    i_mean = np.trapezoid(coil, time) / time[-1]
    assert np.trapezoid(volts, time) / time[-1] == pytest.approx(case.v_output, rel=1e-3)
    straight = 5e-3  # slopes bend by resistance * time / inductance, up to 0.12 in these cases
    assert np.ptp(coil) == pytest.approx(wave.i_ripple[0, 0, 0], rel=straight)
    assert i_rms == pytest.approx(wave.i_rms[0, 0, 0], rel=2e-3)
    assert i_mean == pytest.approx(wave.i_mean[0, 0, 0], abs=2e-3 * i_rms)
    assert coil.max() == pytest.approx(wave.i_peak[0, 0, 0], rel=straight)


@pytest.mark.parametrize("case", CASES[:3], ids=lambda case: case.name)
def test_a_lossless_duty_is_noticed(case: Case) -> None:
    """The comparison can fail: without drops in the duty the voltage is off."""
    point = solved(case)
    share = point.case.v_output / point.case.v_input
    point.wave.duration[0, 0] = [share, 1 - share, 0, 0]
    _, volts, time = steady(point)
    off = abs(np.trapezoid(volts, time) / time[-1] / case.v_output - 1)
    assert off > 1e-3
