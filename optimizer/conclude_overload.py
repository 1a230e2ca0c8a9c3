"""A complete set with its current at the limit: overload, a shorted output, the staircase."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer import assembly, faults, limits, parameters, verification
from optimizer.assembly import Physics, Sets
from optimizer.conclude_margins import quantity
from optimizer.conclude_sets import Chosen
from optimizer.limits import Chain
from optimizer.points_places import input_range
from optimizer.records import (
    BRACKET_OWN,
    CORNER_FAST,
    CORNER_SLOW,
    DIODES,
    INPUT_HIGH,
    OUTPUT_LOW,
    REGION_BOTH,
    REGION_DOWN,
    FloatArray,
    Lanes,
)
from optimizer.results import FaultLine
from optimizer.stage import Stage, build_stage, lanes_where

HOLDS, FAILS, OUTSIDE = "holds", "fails", "outside"

ROUNDS = 4
"""Rounds in which the load is raised until the peak meets the limit."""

HEAT = (
    "junction temperature",
    "part temperature",
    "ripple current, first type",
    "ripple current, second type",
    "power",
)

NO_DISCONNECT = (
    "a step-up stage cannot part the load from the source: outside this tool, needs a fuse and a"
    " series disconnect"
)


@dataclass(frozen=True, slots=True)
class FaultCase:
    """A set at its own state, ready to be asked; `stage` holds its lanes."""

    stage: Stage
    one: Chosen
    sets: Sets
    result: Physics
    chain: Chain

    @property
    def parts_the_load(self) -> bool:
        """Whether the stage can part the load from the source."""
        return INPUT_HIGH in self.stage.topology.POSITIONS or self.stage.two_coils


def _heated(case: FaultCase, lanes: Lanes) -> tuple[Physics, str, bool]:
    """The set in other lanes, and its hottest part in words."""
    stage = build_stage(
        case.stage.spec, case.stage.topology.NAME, lanes=lanes, tables=case.stage.tables
    )
    result = assembly.own_physics(stage, case.sets, ripple=False)
    worst, told, passes = np.inf, "", True
    for check in verification.checks(result, case.sets):
        if check.quantity not in HEAT:
            continue
        margin = np.where(np.isnan(check.margins()), np.inf, check.margins())
        lane = int(np.argmin(margin[0]))
        if margin[0, lane] >= worst:
            continue
        worst = float(margin[0, lane])
        value, allowed = (
            float(np.broadcast_to(x, margin.shape)[0, lane]) for x in (check.value, check.allowed)
        )
        told = (
            f"{check.subject} {check.quantity} {quantity(value, check.unit)} of"
            f" {quantity(allowed, check.unit)} at {lanes.name[lane]}"
        )
    passes = worst >= -1e-9
    if np.isneginf(worst):
        told = f"no steady state: {told.split(' at ')[-1]} runs away or drops out"
    return result, told, passes


def overload(case: FaultCase) -> FaultLine:
    """A load just below the largest limit for ever: the real thermal worst case."""
    name = "sustained overload just below the limit"
    lanes = case.stage.lanes
    hot = lanes.temp_ambient == case.stage.spec.ambient.temp_hot
    wanted = limits.steady(case.stage) & hot & lanes.full_load
    wanted &= (lanes.corner == CORNER_SLOW) & (lanes.bracket > 0)
    rows = np.flatnonzero(wanted)
    here = lanes_where(lanes, wanted)
    here = replace(here, bracket=np.full(len(here), BRACKET_OWN))
    wave = case.result.scene.wave
    mean, ripple = wave.i_mean[0, rows, 0], wave.i_ripple[0, rows, 0]
    allowed = float(case.chain.high[0])
    current: FloatArray = np.array(here.i_output)
    told, passes = "", False
    for _ in range(ROUNDS):
        factor = (allowed - 0.5 * ripple) / mean
        current = np.maximum(current * factor, here.i_output)
        found, told, passes = _heated(case, replace(here, i_output=current))
        mean, ripple = found.scene.wave.i_mean[0, :, 0], found.scene.wave.i_ripple[0, :, 0]
        if np.isnan(mean).any():
            break
    most = quantity(float(current.max()), "A")
    text = f"up to {most} for ever, peak at the largest limit {quantity(allowed, 'A')}: {told}"
    if not passes:
        text += "; needs a timer, hiccup, or a limit set lower"
    return FaultLine(name, HOLDS if passes else FAILS, text)


def short(case: FaultCase) -> FaultLine:
    """A shorted output with the current held at the largest limit."""
    name = "output short held by the limit"
    if not case.parts_the_load:
        return FaultLine(name, OUTSIDE, NO_DISCONNECT)
    allowed = float(case.chain.high[0])
    told, passes = _shorted(case, allowed)
    text = f"coil at the largest limit {quantity(allowed, 'A')} for ever: {told}"
    if not passes:
        text += "; needs hiccup, fold-back, or a timer"
    return FaultLine(name, HOLDS if passes else FAILS, text)


def short_regulated(case: FaultCase) -> FaultLine:
    """A shorted output at the current that a lamp driver or a charger regulates."""
    name = "output short at the regulated current"
    if not case.parts_the_load:
        return FaultLine(name, OUTSIDE, NO_DISCONNECT)
    full = case.stage.spec.load.i_output
    told, passes = _shorted(case, full)
    text = (
        f"{quantity(full, 'A')} for ever while the current loop works: {told}; the lines of the"
        " limit are what is left without it"
    )
    return FaultLine(name, HOLDS if passes else FAILS, text)


def _shorted(case: FaultCase, i_output: float) -> tuple[str, bool]:
    """The hottest part of a set with a current [A] into a shorted output, and if it passes."""
    spec, lanes = case.stage.spec, case.stage.lanes
    where = np.zeros(len(lanes), dtype=bool)
    hot = lanes.temp_ambient == spec.ambient.temp_hot
    where[np.flatnonzero(limits.steady(case.stage) & hot)[0]] = True
    here = lanes_where(lanes, where)
    one = np.ones(1)
    here = replace(
        here,
        name=("output short, highest input",),
        v_input=one * input_range(spec)[1],
        v_output=one * max(spec.faults.v_short, 0.05),
        i_output=one * i_output,
        region=np.array([REGION_BOTH if case.stage.two_coils else REGION_DOWN]),
        corner=np.array([CORNER_FAST]),
        bracket=np.array([BRACKET_OWN]),
        full_load=np.array([False]),
    )
    _, told, passes = _heated(case, here)
    return told, passes


def i_staircase(case: FaultCase) -> float:
    """Where a short at the highest input lets the current rest, all pulses at their least [A]."""
    spec, control = case.stage.spec, case.stage.controller
    folded = spec.faults.frequency_fold if spec.faults.short_response == "fold-back" else 1.0
    top = case.one.frequency * (1.0 + control.frequency_tolerance)
    return faults.i_short_staircase(
        v_input=input_range(spec)[1],
        time_on_min=control.time_on_min,
        frequency=top * folded,
        resistance=_cold_path(case),
        v_short=spec.faults.v_short + _least_forward(case),
    )


def staircase(case: FaultCase) -> FaultLine:
    """Where the current goes at the shortest on-time into a short at the highest input."""
    name = "output short at the highest input, shortest on-time"
    if not case.parts_the_load:
        return FaultLine(name, OUTSIDE, NO_DISCONNECT)
    spec, rest = case.stage.spec, i_staircase(case)
    low, saturation = float(case.chain.low[0]), float(case.chain.saturation[0])
    text = (
        f"the current comes to rest at {quantity(rest, 'A')} over"
        f" {quantity(_cold_path(case), 'ohm')} cold"
    )
    if rest <= low:
        return FaultLine(name, HOLDS, f"{text}, below the smallest limit {quantity(low, 'A')}")
    if spec.faults.short_response == "hiccup":
        text += f", above the smallest limit {quantity(low, 'A')}, until the controller pauses"
        return FaultLine(name, HOLDS, f"{text}: see its pause; the average heat is small")
    text += f", above the smallest limit {quantity(low, 'A')}"
    if rest > saturation:
        text += f" and saturation at {quantity(saturation, 'A')}"
    return FaultLine(name, FAILS, f"{text}: needs fold-back, hiccup or a shorter on-time")


def _least_forward(case: FaultCase) -> float:
    """Forward voltage that a hot typical diode still takes at no current; 0 of a transistor [V]."""
    total = 0.0
    for position, (row, _) in case.one.transistor.items():
        if position in DIODES:
            part = parameters.take(case.stage.diodes, np.array([row]))
            expected = int(np.argmin(case.stage.lanes.guaranteed))
            cool = np.broadcast_to(part.v_forward, (1, len(case.stage.lanes)))[0, expected]
            total += max(float(cool - 100.0 * part.v_forward_slope[0, 0]), 0.0)
    return total


def _cold_path(case: FaultCase) -> float:
    """Resistance of the coil's path at cold, typical parts [ohm].

    Of two coils the second carries nearly all of a short's current; their sense resistor stands
    in the switch.
    """
    tables, cold = case.stage.tables, case.stage.spec.ambient.temp_cold
    numbers = tables["mosfet"].numbers
    full = numbers["rds_on_10v_typ"]
    factor = np.maximum(1.0 + numbers["rds_on_tempco_typ"] * (cold - 25.0), 0.75)
    total = case.stage.spec.board.resistance
    for position, (row, pieces) in case.one.transistor.items():
        if position in DIODES:
            total += float(case.stage.diodes.resistance[row, 0])
        elif position not in (INPUT_HIGH, OUTPUT_LOW):
            total += float(full[row] * factor[row]) / pieces
    dcr = tables["inductor"].numbers["dcr_typ"][case.one.coil]
    total += float(dcr) * (1.0 + 0.0039 * (cold - 20.0))
    if case.stage.two_coils:
        return total
    row, pieces = case.one.sense
    return total + float(tables["resistor"].numbers["resistance_typ"][row]) / pieces
