"""Power stages against worked examples; the data file names the sources."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.records import (
    DIODES,
    REGION_BOTH,
    REGION_DOWN,
    REGION_UP,
    FloatArray,
    Operation,
    State,
    Waveform,
)
from optimizer.spectra import harmonics
from optimizer.topologies import TOPOLOGIES
from optimizer.waveforms import lossless_state, solve

DATA = tomllib.loads((Path(__file__).parent / "power_stages.toml").read_text("utf-8"))
N_HARMONIC = 400


def solve_stage(
    topology: str, stage: dict[str, float], series: float = 0.0, drop: float = 0.0
) -> Waveform:
    """Waveform of one stage with `series` ohm in the coil's path and a diode of `drop` volts."""
    region = REGION_DOWN if stage["v_input"] > stage["v_output"] else REGION_UP
    region = REGION_BOTH if topology.endswith("sepic") else region
    numbers = {name: np.array([[float(number)]]) for name, number in stage.items()}
    operation = Operation(**numbers, region=np.array([region]))
    blank = lossless_state(TOPOLOGIES[topology], operation)
    state = State(
        resistance_series=blank.resistance_series + series,
        resistance=blank.resistance,
        i_input_extra=blank.i_input_extra,
        i_output_extra=blank.i_output_extra,
        temp_board=blank.temp_board,
        drop={p: zero + drop * (p in DIODES) for p, zero in blank.drop.items()},
    )
    return solve(TOPOLOGIES[topology], operation, state)


def voltage_ripple(wave: Waveform, *, capacitance: float, esr: float = 0.0) -> float:
    """Peak to peak voltage of one capacitor at the output."""
    order = np.arange(1, N_HARMONIC + 1)
    phasor = harmonics(wave, "output", N_HARMONIC)[0, 0]
    pulse = 2 * np.pi * order / wave.time_pattern[0, 0]
    volts = phasor * (esr + 1 / (1j * pulse * capacitance))
    time = np.linspace(0, 1, 2001)
    return float(np.ptp(np.real(np.exp(2j * np.pi * np.outer(time, order)) @ volts)))


def figure(wave: Waveform, name: str) -> FloatArray:
    """A field of the waveform, or the rms current of a position."""
    return wave.position_rms[name] if name in wave.position_rms else getattr(wave, name)


@pytest.mark.parametrize("example", DATA["example"], ids=lambda example: example["name"])
def test_worked_example(example: dict[str, Any]) -> None:
    wave = solve_stage(example["topology"], example["stage"], drop=example.get("drop", 0.0))
    assert wave.converged.all()
    for name, number in example["expected"].items():
        found = (
            voltage_ripple(wave, **example["bank"])
            if name == "v_ripple"
            else float(np.ravel(figure(wave, name))[0])
        )
        half = example.get("digit", 0.0) / 2
        assert found == pytest.approx(number, rel=example["tolerance"], abs=half), name


def test_largest_gain_of_a_step_up_stage_with_copper_loss() -> None:
    given = DATA["largest_gain"]

    def at(gain: float) -> Waveform:
        stage = {
            "v_input": 1.0,
            "v_output": gain,
            "i_output": gain / given["load"],
            "frequency": 3e5,
            "inductance": 1.0,
        }
        return solve_stage("boost", stage, given["series"])

    low, high = 1.5, 6.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if at(middle).converged.all() else (low, middle)
    assert low == pytest.approx(given["gain"], rel=given["tolerance"])
    assert at(low).duty_output[0, 0] == pytest.approx(given["duty"], rel=given["tolerance"])
