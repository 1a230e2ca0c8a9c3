"""Waveforms against a circuit simulator (Debian package ngspice) that knows only the switches.

The gates get the engine's duty, everything else is the simulator's: currents, their rms, and the
output voltage, averaged over one whole oscillation of coil and capacitor, so that a wrong duty or
mean current shows as a wrong voltage.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from optimizer.records import (
    INPUT_DIODE,
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_DIODE,
    OUTPUT_HIGH,
    OUTPUT_LOW,
    FloatArray,
)
from tests.oracles.waveform_cases import (
    CASES,
    DIODE_CASES,
    SEPIC_CASES,
    Case,
    Solved,
    seen,
    solved,
)

EDGE = 0.4e-9
TOLERANCE = 0.01
STEPS_PER_CYCLE = 60
STEPS_AT_REST = 400
"""A diode opens at the end of a step, so the steps must be short where the current rests."""
PATTERNS_MIN = 20
PATTERNS_MAX = 400

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice not installed")

SENSE = {
    INPUT_HIGH: "ih",
    INPUT_LOW: "il",
    OUTPUT_LOW: "ol",
    OUTPUT_HIGH: "oh",
    INPUT_DIODE: "id",
    OUTPUT_DIODE: "od",
}
ENDS = {
    INPUT_HIGH: ("vin", "na"),
    INPUT_LOW: ("na", "0"),
    OUTPUT_LOW: ("nb", "0"),
    OUTPUT_HIGH: ("nb", "out"),
    INPUT_DIODE: ("0", "na"),
    OUTPUT_DIODE: ("nb", "out"),
}
IMITATED = {INPUT_LOW: ("0", "na")}
"""Transistors that imitate a diode: the direction in which their current may flow."""


def gate(name: str, times: tuple[float, float] | None, period: float, *, resting: bool) -> str:
    """Gate source of a control transistor whose threshold is crossed at the given times."""
    if times is None:
        return f"V{name} {name} 0 {5 if resting else 0}"
    on, off = times
    if on == 0 or off < on:
        start, stop, first = off, on if on > 0 else period, (5, 0)
    else:
        start, stop, first = on, off, (0, 5)
    width = stop - start - EDGE
    return (
        f"V{name} {name} 0 PULSE({first[0]} {first[1]} {start - EDGE / 2:.9e} {EDGE} {EDGE} "
        f"{width:.9e} {period:.9e})"
    )


def netlist(point: Solved, n_pattern: int, output: Path) -> str:
    """Switches, coil, output capacitor and load; a stage without a leg has a wire there."""
    case, wave = point.case, point.wave
    capacitance, v_start = point.output_start()
    lines = [f"* {case.name}", f"Vsource vin 0 {case.v_input}"]
    for control, times in point.controls().items():
        name = "g" + SENSE[control]
        resting = point.resting(control)
        lines.append(gate(name, times, point.time_pattern, resting=resting))
    for leg in point.topology.LEGS:
        for position in (leg.control, leg.synchronous):
            model = "SON" if position == leg.control else "SOFF"
            tag = SENSE[position]
            imitates = case.emulation and position == leg.synchronous
            one, other = IMITATED.get(position, ENDS[position]) if imitates else ENDS[position]
            if point.two_coils and position == leg.control:
                one = "na"
            lines.append(f"Vs{tag} {one} s{tag} {case.drop if tag in ('id', 'od') else 0}")
            if imitates or (leg.rectifier == "diode" and position == leg.synchronous):
                lines.append(f"D{tag} s{tag} {other} DIODE")
            else:
                lines.append(f"S{tag} s{tag} {other} g{SENSE[leg.control]} 0 {model}")
    lines.append(f".model DIODE D(IS=1e-12 N=0.005 RS={case.on}m CJO=0)")
    if point.two_coils:
        lines += two_coils(point)
    elif INPUT_HIGH not in point.topology.POSITIONS:
        lines.append("Vwire vin na 0")
    if OUTPUT_LOW not in point.topology.POSITIONS:
        lines.append("Vwire nb out 0")
    if not point.two_coils:
        lines += [
            f"L1 na x {case.inductance}u IC={wave.i_start[0, 0, 0, 0]:.9g}",
            f"Rpath x nb {case.path}m",
        ]
    steps = STEPS_AT_REST if wave.discontinuous[0, 0] else STEPS_PER_CYCLE
    step = 1 / (case.frequency * 1e3) / steps
    vectors = ["v(out)", "i(L1)", "i(Vsource)", "i(Vcap)"]
    vectors += [f"i(Vs{SENSE[p]})" for p in point.topology.POSITIONS]
    vectors += ["i(L2)", "i(Vbetween)"] if point.two_coils else []
    lines += [
        f".model SON SW(Ron={case.on}m Roff=10Meg Vt=2.5 Vh=0)",
        f".model SOFF SW(Ron=10Meg Roff={case.on}m Vt=2.5 Vh=0)",
        f"C1 out c {capacitance:.9e} IC={v_start:.9g}",
        "Vcap c 0 0",
        f"Rload out 0 {case.v_output / case.i_output:.9g}",
        ".options method=trap reltol=1e-4",
        ".control",
        f"tran {step:.4e} {n_pattern * point.time_pattern:.9e} 0 {step:.4e} uic",
        "set noaskquit",
        f"wrdata {output} {' '.join(vectors)}",
        "quit 0",
        ".endc",
        ".end",
    ]
    return "\n".join(lines)


def two_coils(point: Solved) -> list[str]:
    """Both coils, their coupling, and the capacitor between them at the voltage it starts with."""
    case = point.case
    capacitance, volts = point.coupling_start()
    one, two = point.wave.i_start[0, 0, 0]
    lines = [
        f"L1 vin x {case.inductance}u IC={one:.9g}",
        f"Rone x na {case.path}m",
        f"Cbetween na y {capacitance:.9e} IC={volts:.9g}",
        "Vbetween y nb 0",
        f"Rtwo z nb {case.path}m",
        f"L2 0 z {case.inductance}u IC={two:.9g}",
    ]
    return [*lines, f"K12 L1 L2 {case.coupling}"] if case.coupling else lines


def patterns_to_run(point: Solved) -> int:
    """Patterns in one oscillation of coil and output capacitor."""
    capacitance, _ = point.output_start()
    delivers = float(point.duration @ point.wave.output_current[0, :, 0])
    swing = 2 * np.pi * np.sqrt(seen(point.case) * capacitance) / delivers
    return int(np.clip(np.ceil(swing / point.time_pattern), PATTERNS_MIN, PATTERNS_MAX))


def simulate(point: Solved, folder: Path) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Time and the vectors by name."""
    data = folder / "wave.txt"
    deck = folder / "deck.cir"
    deck.write_text(netlist(point, patterns_to_run(point), data), "ascii")
    subprocess.run(["ngspice", "-b", str(deck)], check=True, capture_output=True, timeout=60)
    table = np.loadtxt(data)
    names = ["v_output", "coil", "source", "capacitor", *point.topology.POSITIONS]
    names += ["second", "coupling"] if point.two_coils else []
    found = {name: table[:, 2 * n + 1] for n, name in enumerate(names)}
    if point.two_coils:
        found |= {"first": found["coil"], "coil": found["coil"] + found["second"]}
    return table[:, 0], found


def mean(time: FloatArray, values: FloatArray) -> float:
    return float(np.trapezoid(values, time) / (time[-1] - time[0]))


def rms(time: FloatArray, values: FloatArray) -> float:
    """Root mean square of a current that is straight between samples."""
    one, two = values[:-1], values[1:]
    area = np.sum((one**2 + one * two + two**2) / 3 * np.diff(time))
    return float(np.sqrt(area / (time[-1] - time[0])))


def ripple(coil: FloatArray, *, rests: bool) -> float:
    """Peak to peak; below zero a resting coil only comes by the step in which its diode opens."""
    return float(np.ptp(np.maximum(coil, 0.0) if rests else coil))


def measured(point: Solved, folder: Path) -> dict[str, float]:
    """What the simulation says: means over the whole run, the rest over its last patterns."""
    time, found = simulate(point, folder)
    last = time >= time[-1] - 10 * point.time_pattern * (1 + 1e-9)
    t, tail = time[last], {name: values[last] for name, values in found.items()}
    source = tail["source"] - mean(t, tail["source"])
    result = {
        "v_output": mean(time, found["v_output"]),
        "i_ripple": ripple(tail["coil"], rests=bool(point.wave.discontinuous[0, 0])),
        "i_rms": rms(t, tail["coil"]),
        "i_mean": mean(time, found["coil"]),
        "i_input_rms_ac": rms(t, source),
        "i_output_rms_ac": rms(t, tail["capacitor"]),
    }
    if point.two_coils:
        result |= {"i_coupling_rms_ac": rms(t, tail["coupling"])}
        result |= {f"{name} winding": rms(t, tail[name]) for name in ("first", "second")}
    return result | {p: rms(t, tail[p]) for p in point.topology.POSITIONS}


def predicted(point: Solved) -> dict[str, float]:
    """The engine's numbers under the same names."""
    wave = point.wave
    result = {"v_output": point.case.v_output}
    for name in ("i_ripple", "i_rms", "i_mean", "i_input_rms_ac", "i_output_rms_ac"):
        result[name] = float(np.ravel(getattr(wave, name))[0])
    if point.two_coils:
        result["i_coupling_rms_ac"] = float(wave.i_coupling_rms_ac[0, 0])
        for k, name in enumerate(("first", "second")):
            result[f"{name} winding"] = float(wave.winding_rms[0, 0, k])
    return result | {p: float(wave.position_rms[p][0, 0]) for p in point.topology.POSITIONS}


def test_the_cases_cover_what_they_should() -> None:
    assert len(CASES) >= 20
    assert {case.topology for case in CASES} == {"buck", "boost", "four-switch"}
    assert len({case.name for case in CASES}) == len(CASES)


def test_diode_cases_lie_on_both_sides_of_the_boundary() -> None:
    rests = {
        case.name: bool(solved(case).wave.discontinuous[0, 0])
        for case in (*DIODE_CASES, *SEPIC_CASES)
    }
    for name, rest in rests.items():
        light = "below" in name or "load" in name
        assert rest == (light and "reverses" not in name), name
    assert sum(rests.values()) >= 8


@pytest.mark.parametrize("case", [*CASES, *DIODE_CASES, *SEPIC_CASES], ids=lambda case: case.name)
def test_simulator_agrees_within_one_per_cent(case: Case, tmp_path: Path) -> None:
    point = solved(case)
    seen, told = measured(point, tmp_path), predicted(point)
    scale = max(told["i_rms"], 1e-3)
    for name, value in told.items():
        slack = 1e-3 * scale if name in point.topology.POSITIONS or name == "i_mean" else 0
        assert seen[name] == pytest.approx(value, rel=TOLERANCE, abs=slack), name


@pytest.mark.parametrize("case", [CASES[0], CASES[6]], ids=lambda case: case.name)
def test_a_wrong_duty_is_noticed(case: Case, tmp_path: Path) -> None:
    """The comparison can fail: a duty without drops moves the simulated voltage."""
    point = solved(case)
    wrong = point.duration * np.array([1.03, 1, 1, 1])
    wrong[1] = 1 - wrong[0]
    point.wave.duration[0, 0] = wrong
    seen = measured(point, tmp_path)
    assert seen["v_output"] != pytest.approx(case.v_output, rel=TOLERANCE)
