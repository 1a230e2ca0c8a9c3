"""Banks of two types against a circuit simulator (Debian package ngspice).

A pulse train as the current source checks the RMS current and loss of every branch, all harmonics
included; the same 20 sines as the solver's check the voltage ripple; a small-signal sweep checks
the division of current harmonic by harmonic.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from optimizer.parts import bank
from optimizer.records import ComplexArray

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice not installed")

TOLERANCE = 0.01
EDGE = 20e-9
PERIODS = 24

CERAMIC, SMALL = (6e-6, 3e-3, 1.2e-9), (1.5e-6, 5e-3, 0.8e-9)
POLYMER, LIQUID = (47e-6, 22e-3, 4e-9), (330e-6, 55e-3, 12e-9)
Part = tuple[float, float, float]


@dataclass(frozen=True)
class Case:
    """Two types with their pieces under a pulse train; `source` is the branch to the source."""

    first: Part
    first_pieces: int
    second: Part
    second_pieces: int
    duty: float
    frequency: float
    height: float = 5.0
    source: tuple[float, float] | None = None


CASES = {
    "ceramic and polymer": Case(CERAMIC, 3, POLYMER, 1, 0.4, 300e3),
    "ceramic and liquid": Case(CERAMIC, 4, LIQUID, 2, 0.25, 250e3),
    "two ceramics": Case(CERAMIC, 2, SMALL, 4, 0.7, 400e3),
    "polymer and liquid": Case(POLYMER, 2, LIQUID, 1, 0.5, 200e3),
    "short pulses": Case(SMALL, 3, POLYMER, 2, 0.1, 300e3),
    "long pulses": Case(CERAMIC, 6, LIQUID, 1, 0.9, 300e3),
    "with a source branch": Case(CERAMIC, 3, POLYMER, 1, 0.4, 300e3, source=(0.05, 0.4e-6)),
}


def phasors_of(case: Case, count: int) -> tuple[ComplexArray, float]:
    """Harmonics and a.c. RMS of a trapezoid with edges of `EDGE`, half height at 0 and duty*T."""
    order = np.arange(1, count + 1)
    slow = np.sinc(order * case.frequency * EDGE)
    middle = np.exp(-1j * np.pi * order * case.duty)
    peaks = 2 * case.height * case.duty * np.sinc(order * case.duty) * slow * middle
    flat = case.duty - EDGE * case.frequency
    square = case.height**2 * (flat + 2 / 3 * EDGE * case.frequency)
    return peaks, float(np.sqrt(square - (case.height * case.duty) ** 2))


def solve(case: Case) -> bank.Bank:
    peaks, rms = phasors_of(case, 20)
    figures = np.array([case.first, case.second])
    source = None
    if case.source is not None:
        source = bank.SourceBranch(*(np.array([x]) for x in case.source))
    return bank.solve(
        harmonics=peaks[None, None], frequency=np.array([[case.frequency]]),
        i_rms_ac=np.array([[rms]]), branches=bank.Branches(*(c[:, None] for c in figures.T)),
        first=np.array([0]), first_pieces=np.array([case.first_pieces]), second=np.array([1]),
        second_pieces=np.array([case.second_pieces]), source=source,
    )  # fmt: skip


def branches_of(case: Case) -> list[str]:
    """The bank as a netlist, one sense source per branch of like parts."""
    lines = []
    pairs = ((case.first, case.first_pieces), (case.second, case.second_pieces))
    for k, ((c, r, x), n) in enumerate(pairs):
        lines += [f"Vs{k} n a{k} 0", f"L{k} a{k} b{k} {x / n:.9e}", f"R{k} b{k} c{k} {r / n:.9e}"]
        lines.append(f"C{k} c{k} 0 {c * n:.9e}")
    if case.source is not None:
        lines += [f"Rsource n s {case.source[0]}", f"Lsource s 0 {case.source[1]}"]
    return lines


def spice(lines: list[str], folder: Path) -> str:
    """What ngspice prints for a netlist."""
    deck = folder / "bank.cir"
    deck.write_text("\n".join(["* bank", *lines, ".end", ""]), "utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False
    )
    return done.stdout + done.stderr


def measure(lines: list[str], folder: Path) -> dict[str, float]:
    """The values ngspice measured, by name."""
    text = spice(lines, folder)
    found = re.findall(r"^(\w+)\s*=\s*([-+.\deE]+)", text, re.MULTILINE)
    assert found, text
    return {name.lower(): float(value) for name, value in found}


def transient(case: Case, periods: int) -> list[str]:
    """Analysis over many periods and measurements over the last two."""
    period = 1 / case.frequency
    stop = periods * period
    window = f"from={stop - 2 * period:.9e} to={stop:.9e}"
    return [
        ".options reltol=1e-5 abstol=1e-9 vntol=1e-9",
        f".tran {period / 800:.6e} {stop:.9e} {stop - 2.1 * period:.9e} {period / 800:.6e} uic",
        f".meas tran i0 rms i(Vs0) {window}",
        f".meas tran i1 rms i(Vs1) {window}",
        f".meas tran vpp pp v(n) {window}",
    ]


def settle_periods(case: Case) -> int:
    """A source branch rings with the bank: wait for it."""
    return PERIODS if case.source is None else 120


@pytest.mark.parametrize("name", CASES)
def test_branch_currents_and_loss_of_a_pulse_train(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    period, top = 1 / case.frequency, case.duty / case.frequency - EDGE
    mean = case.height * case.duty
    shape = f"{-mean} {case.height - mean} {EDGE / 2} {EDGE} {EDGE} {top:.9e} {period:.9e}"
    pulse = f"I1 0 n PULSE({shape})"
    found = measure([pulse, *branches_of(case), *transient(case, settle_periods(case))], tmp_path)
    solved = solve(case)
    one = found["i0"] / case.first_pieces
    two = found["i1"] / case.second_pieces
    assert solved.i_rms_first[0, 0] == pytest.approx(one, rel=TOLERANCE)
    assert solved.i_rms_second[0, 0] == pytest.approx(two, rel=TOLERANCE)
    loss = case.first_pieces * one**2 * case.first[1] + case.second_pieces * two**2 * case.second[1]
    assert solved.loss[0, 0] == pytest.approx(loss, rel=2 * TOLERANCE), "twice that of a current"


@pytest.mark.parametrize("name", CASES)
def test_voltage_ripple_of_the_same_sines(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    peaks, _ = phasors_of(case, 20)
    sines = [
        f"I{m} 0 n SIN(0 {abs(peak):.9e} {m * case.frequency:.9e} 0 0 "
        f"{np.degrees(np.angle(peak)) + 90:.9f})"
        for m, peak in enumerate(peaks, start=1)
    ]
    found = measure([*sines, *branches_of(case), *transient(case, settle_periods(case))], tmp_path)
    assert solve(case).v_ripple[0, 0] == pytest.approx(found["vpp"], rel=TOLERANCE)


def test_division_of_current_harmonic_by_harmonic(tmp_path: Path) -> None:
    case = CASES["ceramic and polymer"]
    sweep = f"ac lin 20 {case.frequency} {20 * case.frequency}"
    show = "print mag(vs0#branch) mag(vs1#branch)"
    lines = ["I1 0 n AC 1", *branches_of(case), ".control", sweep, show, "quit", ".endc"]
    number = r"([-+.\de]+)"
    rows = re.findall(
        rf"^\d+\s+{number}\s+{number}\s+{number}\s*$", spice(lines, tmp_path), re.MULTILINE
    )
    assert len(rows) == 20
    figures = np.array([case.first, case.second])
    branches = bank.Branches(*(c[:, None] for c in figures.T))
    for m in range(1, 21):
        solved = bank.solve(
            harmonics=np.array([[[1.0 + 0j]]]), frequency=np.array([[m * case.frequency]]),
            i_rms_ac=np.array([[0.5**0.5]]), branches=branches, first=np.array([0]),
            first_pieces=np.array([case.first_pieces]), second=np.array([1]),
            second_pieces=np.array([case.second_pieces]),
        )  # fmt: skip
        one = solved.i_rms_first[0, 0] * np.sqrt(2) * case.first_pieces
        two = solved.i_rms_second[0, 0] * np.sqrt(2) * case.second_pieces
        assert one == pytest.approx(float(rows[m - 1][1]), rel=1e-4)
        assert two == pytest.approx(float(rows[m - 1][2]), rel=1e-4)
