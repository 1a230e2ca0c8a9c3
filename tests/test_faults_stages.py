"""Faults of stages with a diode, an imitated diode or two coils, by hand and by time steps."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from optimizer import conclude_faults, faults
from optimizer.conclude_faults import fault_lines
from optimizer.conclude_overload import FaultCase
from optimizer.load_records import Transient
from optimizer.stage import build_stage
from tests.report.stage_runs import CASES, POSITIONS, chosen_of, faults_of, stage_of

OVERLOAD = "sustained overload just below the limit"
HELD = "output short held by the limit"
STAIRS = "output short at the highest input, shortest on-time"
OPEN = "load open at full current"
GONE = "output short goes away"
DIODES = [name for name in CASES if "diode" in name]
TWO_COILS = [name for name in CASES if "sepic" in name]


def number(pattern: str, text: str) -> float:
    found = re.search(pattern, text)
    assert found, text
    return float(found[1])


@pytest.mark.parametrize("name", CASES)
def test_every_fault_is_judged_or_lies_outside(name: str) -> None:
    lines = faults_of(name)
    places = POSITIONS[CASES[name][0]] + (("coupling-bank",) if name in TWO_COILS else ())
    singles = {f"single fault: {place} {what}" for place in places for what in ("shorted", "open")}
    assert singles <= set(lines)
    assert {OVERLOAD, HELD, STAIRS, OPEN, GONE, "highest voltage anywhere"} <= set(lines)
    assert (lines[GONE].verdict == "outside") == (CASES[name][0] == "diode-boost")
    assert not [
        line for line in lines.values() if "not modelled" in line.text and name in DIODES[:2]
    ]


@pytest.mark.parametrize("name", DIODES)
def test_an_overload_is_hotter_than_rated_load(name: str) -> None:
    line = faults_of(name)[OVERLOAD]
    assert line.verdict == "holds"
    assert number(r"up to ([\d.]+) A", line.text) > 1.2


@pytest.mark.parametrize("name", [n for n in CASES if n != "diode-boost"])
def test_the_staircase_by_hand(name: str) -> None:
    """26 V x 100 ns x 324 kHz less 0.1 V at the short and the least forward voltage of a diode.

    The diode of the sample: 0.6 V at 8 A over 25 mohm leaves 0.4 V, hot 0.08 V less.
    """
    text = faults_of(name)[STAIRS].text
    volts = number(r"at ([\d.]+) A over", text) * number(r"over ([\d.]+) mohm", text) * 1e-3
    forward = 0.32 if "diode" in name else 0.0
    assert volts == pytest.approx(26 * 100e-9 * 324e3 - 0.1 - forward, rel=2e-3)


def test_a_step_up_stage_with_a_diode_cannot_part_the_load() -> None:
    lines = faults_of("diode-boost")
    assert lines[HELD].verdict == lines[STAIRS].verdict == "outside"
    assert lines["back-feed with the input off"].verdict == "holds"
    assert "switched off" in lines


@pytest.mark.parametrize("name", TWO_COILS)
def test_two_coils_part_the_load_and_block_both_ways(name: str) -> None:
    lines = faults_of(name)
    assert lines[HELD].verdict == "holds"
    assert lines["back-feed with the input off"].verdict == "holds"
    assert "switched off" not in lines
    plug = lines["input plugged in live: coupling bank"]
    assert plug.verdict == "outside"
    assert "52 V" in plug.text


@pytest.mark.parametrize("coupling", [0.0, 0.9])
def test_both_coils_empty_into_the_output_like_one_of_half(coupling: float) -> None:
    """Time steps of both currents and both capacitors, against the energy of the sum."""
    coil, held, between, v_input = 33e-6, 20e-6, 200e-6, 24.0
    one, two, v_top, v_between = 1.4, 1.9, 13.5, v_input
    step = 2e-9
    while one + two > 0.0:
        first, second = v_input - v_between - v_top, -v_top
        # Two equal coils: v1 = L (i1' + k i2'), v2 = L (k i1' + i2').
        scale = step / (coil * (1.0 - coupling**2))
        rise = scale * (first - coupling * second), scale * (second - coupling * first)
        one, two = one + rise[0], two + rise[1]
        v_between += one * step / between
        v_top += (one + two) * step / held
    told = faults.v_open_cut(
        v_output=13.5,
        inductance=coil * (1.0 + coupling) / 2.0,
        i_peak=3.3,
        capacitance=held,
        time_response=0.0,
    )
    assert v_top == pytest.approx(told, rel=2e-3)


@pytest.mark.parametrize("name", TWO_COILS)
def test_the_open_load_by_hand(name: str) -> None:
    """The largest inductance, 33 uH + 20 %, halved and coupled, and a response of 2 us.

    Six capacitors of 10 uF: less 10 % tolerance and 15 % by temperature, 3 % in each of 3.56
    decades, and at 27 % of the rated voltage 90 - 25 (27 - 25)/25 %.
    """
    text = faults_of(name)[OPEN].text
    amps, top = number(r"and ([\d.]+) A in", text), number(r"end at ([\d.]+) V", text)
    pair = 33e-6 * 1.2 * (1.9 if CASES[name][2] else 1.0) / 2.0
    bank = 6 * 10e-6 * 0.9 * 0.85 * (1.0 - 0.03 * 3.56) * 0.88
    start = 13.5 + amps * 2e-6 / bank
    assert top == pytest.approx(math.sqrt(start**2 + pair * amps**2 / bank), rel=2e-3)


def test_a_transient_meets_the_sum_of_both_voltages() -> None:
    """58 V and 12.24 V behind the switch, 20 % ringing, and 90 % of 80 V for a moment."""
    stage = stage_of("diode-sepic")
    event = Transient(name="dump", v_input=58.0, time=0.3, regulates=False)
    spec = replace(stage.spec, source=replace(stage.spec.source, transients=(event,)))
    bank = stage.tables["capacitor"]
    strong = replace(bank, numbers=dict(bank.numbers) | {"v_rating": np.full(len(bank), 200.0)})
    again = build_stage(
        spec, "diode-sepic", lanes=stage.lanes, tables=dict(stage.tables) | {"capacitor": strong}
    )
    line = {one.fault: one for one in fault_lines(again, chosen_of(again))}["input transient: dump"]
    assert line.verdict == "fails"
    assert number(r"sees ([\d.]+) V", line.text) == pytest.approx((58.0 + 12.24) * 1.2, rel=1e-3)
    assert number(r"of ([\d.]+) V", line.text) == pytest.approx(72.0)


def test_the_failure_rate_counts_a_diode_where_there_is_one() -> None:
    assert "transistors, diode, banks" in faults_of("diode-buck")["failure rate"].text
    assert "diode" not in faults_of("sepic")["failure rate"].text


def test_capacitance_over_the_voltage_as_numpy_interpolates_it() -> None:
    stage = stage_of(next(iter(CASES)))
    one, parts = chosen_of(stage), stage.capacitors
    case = FaultCase(stage, one, *[None] * 3)  # type: ignore[arg-type]
    held = conclude_faults._curve(case, 0)
    rated, pieces = float(parts.v_rating[0, 0]), one.bank["input"][0][1]
    x, y = parts.curve_voltage[0] * rated, parts.curve_share[0]
    volts = np.concatenate([np.linspace(-1.2 * rated, 1.5 * rated, 200), x])
    expected = float(parts.capacitance[0, 0]) * pieces * np.interp(np.abs(volts), x, y)
    assert len(set(expected.tolist())) > 100
    assert [held(v) for v in volts.tolist()] == expected.tolist()
