"""Operating points at which independent simulations judge the waveform engine."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.records import (
    DIODES,
    INPUT_HIGH,
    REGION_BOTH,
    REGION_DOWN,
    REGION_UP,
    REGION_WINDOW,
    FloatArray,
    Operation,
    State,
    Waveform,
    Window,
)
from optimizer.topologies import TOPOLOGIES, Topology
from optimizer.topologies.intervals import control_run, windings
from optimizer.waveforms import solve

RIPPLE_SHARE = 0.002
"""Output ripple over output voltage that sizes the simulated output capacitor."""


@dataclass(frozen=True, slots=True)
class Case:
    """One point: V, A, kHz, uH, milliohm of each switch and of the rest of the path.

    drop : forward voltage of the diode beside its resistance [V]
    coupling : of two windings on one core; two coils of `inductance` each where the stage has two
    """

    name: str
    topology: str
    v_input: float
    v_output: float
    i_output: float
    frequency: float
    inductance: float
    on: float = 8.0
    path: float = 12.0
    window: Window | None = None
    drop: float = 0.0
    emulation: bool = False
    coupling: float = 0.0

    @property
    def region(self) -> int:
        """Region of the pattern to simulate."""
        if self.topology.endswith("sepic"):
            return REGION_BOTH
        if self.window is not None:
            return REGION_WINDOW
        return REGION_DOWN if self.v_input > self.v_output else REGION_UP


def law(held: str, duty: float, pulse: str, share: float) -> Window:
    """Window from 0.9 to 1.15."""
    return Window(0.9, 1.15, 0.02, held, duty, pulse, share)


CYCLE_START = law("output duty", 0.25, "start", 1.0)
CYCLE_CENTRE = law("output duty", 0.25, "centre", 1.0)
INPUT_HELD = law("input duty", 0.8, "start", 1.0)
TURNS_START = law("output duty", 0.2, "start", 0.5)
TURNS_CENTRE = law("output duty", 0.2, "centre", 0.5)
LOW_IN, LOW_OUT, HIGH_IN, HIGH_OUT = 0.9 * 1.05, 0.9 * 0.95, 1.15 * 0.95, 1.15 * 1.05

CASES = (
    Case("buck 48 to 12", "buck", 48, 12, 8, 300, 6.8),
    Case("buck 60 to 5, low duty", "buck", 60, 5, 10, 250, 4.7, on=5, path=6),
    Case("buck 60 to 5, 5 % load", "buck", 60, 5, 0.5, 250, 4.7, on=5, path=6),
    Case("buck with 4 % drops", "buck", 24, 12, 6, 400, 10, on=20, path=60),
    Case("buck near dropout, 4 % drops", "buck", 13, 12, 6, 350, 4.7, on=20, path=60),
    Case("buck 36 to 19", "buck", 36, 19, 4, 600, 8.2),
    Case("boost 12 to 24", "boost", 12, 24, 3, 300, 6.8),
    Case("boost 9 to 48, high duty", "boost", 9, 48, 1.2, 250, 10, on=5, path=8),
    Case("boost 9 to 48, 8 % load", "boost", 9, 48, 0.1, 250, 10, on=5, path=8),
    Case("boost with 4 % drops", "boost", 12, 24, 2, 400, 10, on=40, path=80),
    Case("boost near its input, 4 % drops", "boost", 22, 24, 4, 350, 4.7, on=80, path=120),
    Case("four-switch 60 to 5", "four-switch", 60, 5, 8, 200, 8.2, on=5, path=6),
    Case("four-switch 9 to 48", "four-switch", 9, 48, 1.5, 200, 10, on=4, path=5),
    Case("four-switch 9 to 48, 10 % load", "four-switch", 9, 48, 0.15, 200, 10, on=4, path=5),
    Case("down, outside the high edge", "four-switch", 24 * HIGH_OUT, 24, 5, 300, 6.8),
    Case("down, outside the high edge, 5 %", "four-switch", 24 * HIGH_OUT, 24, 0.25, 300, 6.8),
    Case("up, outside the low edge", "four-switch", 24 * LOW_OUT, 24, 5, 300, 6.8),
    Case("up, outside the low edge, 5 %", "four-switch", 24 * LOW_OUT, 24, 0.25, 300, 6.8),
    *(
        Case(
            f"window, inside the {edge} edge, {text}",
            "four-switch",
            24 * ratio,
            24,
            load,
            300,
            6.8,
            window=window,
        )
        for edge, ratio in (("low", LOW_IN), ("high", HIGH_IN))
        for text, load, window in (
            ("pulse at start", 5.0, CYCLE_START),
            ("pulse in the centre", 5.0, CYCLE_CENTRE),
            ("input duty held, 6 % load", 0.3, INPUT_HELD),
            ("alternating", 5.0, TURNS_START),
            ("alternating, centre, 8 % load", 0.4, TURNS_CENTRE),
        )
    ),
    Case(
        "window at ratio 1, 4 % drops", "four-switch", 24, 24, 4, 300, 10, 40, 160,
        window=CYCLE_START,
    ),
)  # fmt: skip

DIODE_CASES = (
    Case("diode buck 24 to 12", "diode-buck", 24, 12, 5, 300, 10, drop=0.45),
    Case("diode buck 48 to 5, low duty", "diode-buck", 48, 5, 6, 250, 8.2, drop=0.4),
    Case("diode buck with 4 % drops", "diode-buck", 24, 12, 6, 400, 10, 20, 60, drop=0.5),
    Case("diode buck, 6 % above the boundary", "diode-buck", 24, 12, 1.06, 300, 10, drop=0.45),
    Case("diode buck, 6 % below the boundary", "diode-buck", 24, 12, 0.94, 300, 10, drop=0.45),
    Case("diode buck, 5 % load", "diode-buck", 24, 12, 0.25, 300, 10, drop=0.45),
    Case("diode buck 48 to 5, 2 % load", "diode-buck", 48, 5, 0.12, 250, 8.2, drop=0.35),
    Case("diode boost 12 to 24", "diode-boost", 12, 24, 3, 300, 6.8, drop=0.5),
    Case("diode boost 9 to 48, high duty", "diode-boost", 9, 48, 1.2, 250, 10, 5, 8, drop=0.6),
    Case("diode boost near its input", "diode-boost", 22, 24, 2, 350, 4.7, 20, 40, drop=0.45),
    Case("diode boost, 6 % above the boundary", "diode-boost", 12, 24, 0.79, 300, 6.8, drop=0.5),
    Case("diode boost, 6 % below the boundary", "diode-boost", 12, 24, 0.69, 300, 6.8, drop=0.5),
    Case("diode boost, 5 % load", "diode-boost", 12, 24, 0.15, 300, 6.8, drop=0.4),
    Case("diode boost 9 to 48, 3 % load", "diode-boost", 9, 48, 0.04, 250, 10, drop=0.4),
    Case("buck, diode emulated, 5 % load", "buck", 24, 12, 0.25, 300, 10, emulation=True),
    Case("boost, diode emulated, 5 % load", "boost", 12, 24, 0.15, 300, 6.8, emulation=True),
)  # fmt: skip
"""Stages with a diode, or a transistor that imitates one, also at rest for a part of the cycle."""

SEPIC_CASES = (
    Case("SEPIC 12 to 12", "sepic", 12, 12, 3, 300, 15),
    Case("SEPIC 20 to 8, current reverses", "sepic", 20, 8, 1.0, 300, 8),
    Case("SEPIC with a diode, 9 to 24", "diode-sepic", 9, 24, 1.5, 250, 22, drop=0.5),
    Case("SEPIC with a diode, 30 to 12", "diode-sepic", 30, 12, 2, 250, 33, drop=0.5),
    Case("SEPIC, 4 % drops", "diode-sepic", 12, 12, 2, 300, 15, 20, 60, drop=0.4),
    Case("SEPIC, coupled", "diode-sepic", 12, 18, 2, 300, 10, drop=0.5, coupling=0.97),
    Case("SEPIC, loosely coupled", "diode-sepic", 18, 12, 2, 300, 12, drop=0.5, coupling=0.6),
    Case("SEPIC, 6 % above the boundary", "diode-sepic", 12, 12, 0.725, 300, 15, drop=0.5),
    Case("SEPIC, 6 % below the boundary", "diode-sepic", 12, 12, 0.64, 300, 15, drop=0.5),
    Case("SEPIC, 5 % load", "diode-sepic", 12, 12, 0.1, 300, 15, drop=0.4),
    Case("SEPIC, coupled, 5 % load", "diode-sepic", 20, 12, 0.1, 300, 12, drop=0.4, coupling=0.9),
)  # fmt: skip
"""Two coils with a capacitor between them."""


@dataclass(frozen=True, slots=True)
class Solved:
    """A case with the engine's answer."""

    case: Case
    topology: Topology
    wave: Waveform

    @property
    def two_coils(self) -> bool:
        """Whether the stage has two coils."""
        return bool(windings(self.topology))

    @property
    def time_pattern(self) -> float:
        """Length of a pattern [s]."""
        return float(self.wave.time_pattern[0, 0])

    @property
    def duration(self) -> FloatArray:
        """Share of the pattern of each interval."""
        return self.wave.duration[0, 0]

    def controls(self) -> dict[str, tuple[float, float] | None]:
        """Control position -> time of its turn-on and turn-off, None where it rests."""
        pattern = self.topology.pattern(self.case.region, self.case.window)
        end = np.cumsum(self.duration) * self.time_pattern
        start = end - self.duration * self.time_pattern
        found: dict[str, tuple[float, float] | None] = {}
        for leg in self.topology.LEGS:
            found[leg.control] = None
            if leg.control in pattern.switching:
                first, last = control_run(pattern, leg.control)
                found[leg.control] = float(start[first]), float(end[last])
        return found

    def resting(self, control: str) -> bool:
        """Whether a control transistor that does not switch is on: input-high stepping up."""
        return control == INPUT_HIGH

    def charge(self, shares: FloatArray, drawn: float = 0.0) -> FloatArray:
        """Charge that a node current less what is drawn leaves on a capacitor, over the pattern.

        shares : of each coil current, (n_interval, n_inductor)
        """
        n = 20001
        time = np.linspace(0, 1, n)
        edge = np.concatenate([[0], np.cumsum(self.duration)])
        edge[-1] = 1
        k = np.clip(np.searchsorted(edge, time, side="right") - 1, 0, len(self.duration) - 1)
        while np.any(self.duration[k] <= 0):
            k = np.where(self.duration[k] <= 0, k - 1, k)
        along = (time - edge[k]) / self.duration[k]
        first, last = (
            (shares * one[0, 0]).sum(axis=-1) for one in (self.wave.i_start, self.wave.i_end)
        )
        surplus = first[k] + along * (last[k] - first[k]) - drawn
        step = (surplus[1:] + surplus[:-1]) / 2 * self.time_pattern / (n - 1)
        return np.concatenate([[0], np.cumsum(step)])

    def output_start(self) -> tuple[float, float]:
        """Output capacitor [F] and its voltage at the pattern start whose mean is the output."""
        charge = self.charge(self.wave.output_current[0], self.case.i_output)
        capacitance = np.ptp(charge) / (RIPPLE_SHARE * self.case.v_output)
        return float(capacitance), float(self.case.v_output - charge.mean() / capacitance)

    def coupling_start(self) -> tuple[float, float]:
        """The same of the coupling capacitor, whose mean is the input less the windings' drops.

        Its ripple is 0.3 % of the input, and less where coupled windings would answer to it
        with a circulating current, so that its voltage may count as constant.
        """
        charge, case = self.charge(self.wave.coupling_current[0]), self.case
        share = 0.003 * (1 - case.coupling)
        capacitance = np.ptp(charge) / (share * case.v_input)
        one, two = self.wave.winding_mean[0, 0]
        mean = case.v_input + case.path * 1e-3 * (two - one)
        return float(capacitance), float(mean - charge.mean() / capacitance)


def seen(case: Case) -> float:
    """Inductance that the current through the switches sees [H]."""
    if case.topology.endswith("sepic"):
        return case.inductance * 1e-6 * (1 + case.coupling) / 2
    return case.inductance * 1e-6


def solved(case: Case) -> Solved:
    """The engine's answer at a case: one resistance in every transistor, one in the path.

    Of two coils each has the resistance of the path; its mean drop follows from its mean current.
    """
    topology = TOPOLOGIES[case.topology]
    one = np.ones((1, 1))
    operation = Operation(
        v_input=case.v_input * one,
        v_output=case.v_output * one,
        i_output=case.i_output * one,
        frequency=case.frequency * 1e3 * one,
        inductance=seen(case) * one,
        region=np.array([case.region]),
    )
    state = State(
        resistance_series=case.path * 1e-3 * one,
        resistance=dict.fromkeys(topology.POSITIONS, case.on * 1e-3 * one),
        i_input_extra=0 * one,
        i_output_extra=0 * one,
        temp_board=25 * one,
        drop={p: case.drop * one for p in topology.POSITIONS if p in DIODES},
    )
    wave = solve(topology, operation, state, case.window, emulation=case.emulation)
    for _ in range(20 if windings(topology) else 0):
        copper = {
            name: case.path * 1e-3 * wave.winding_mean[..., k]
            for k, name in enumerate(windings(topology))
        }
        state = replace(state, resistance_series=0 * one, drop=dict(state.drop) | copper)
        wave = solve(topology, operation, state, case.window, emulation=case.emulation)
    assert wave.converged.all(), case.name
    return Solved(case, topology, wave)
