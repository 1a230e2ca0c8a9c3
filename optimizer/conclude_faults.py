"""One complete set under faults: a line per fault with a verdict, or that it lies outside."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

import numpy as np

from optimizer import assembly, faults, limits, parameters, reverse_paths, verification
from optimizer.conclude_margins import quantity
from optimizer.conclude_open_load import (
    allowed_at,
    bank_at,
    capacitance,
    open_load,
    ratings,
    short_gone,
)
from optimizer.conclude_overload import (
    FAILS,
    HOLDS,
    OUTSIDE,
    FaultCase,
    overload,
    short,
    short_regulated,
    staircase,
)
from optimizer.conclude_service import service_lines
from optimizer.conclude_sets import Chosen, stacked
from optimizer.load_records import LeadAcid, Lithium
from optimizer.records import DIODES, switch_kind
from optimizer.results import FaultLine
from optimizer.spec_records import TIME_CONTINUOUS
from optimizer.stage import Stage, build_stage, lanes_where

V_WARN, V_TOUCH = 54.0, 60.0
"""IEC 62368-1, ES1 limit for direct voltage (from memory), and where a warning begins [V]."""

V_SAFE, ENERGY_SAFE = 5.0, 2.0
"""Down to which a bank counts as discharged: common practice, no source [V], [J]."""


def fault_lines(stage: Stage, one: Chosen) -> tuple[FaultLine, ...]:
    """Every fault of one set, and what it means.

    stage : with all lanes of its topology
    """
    own = build_stage(
        stage.spec,
        stage.topology.NAME,
        lanes=lanes_where(stage.lanes, stage.own),
        tables=stage.tables,
    )
    sets = stacked([one])
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        result = assembly.own_physics(own, sets, ripple=False)
        case = FaultCase(own, one, sets, result, verification.limit_chain(result))
        return tuple(_lines(case))


def _lines(case: FaultCase) -> Iterator[FaultLine]:
    """All lines; the highest voltage and the stored energy last."""
    highest: dict[str, float] = {}
    yield overload(case)
    if case.stage.spec.load.record is not None:
        yield short_regulated(case)
    yield short(case)
    yield staircase(case)
    yield from _short_events(case)
    yield from open_load(case, highest)
    yield short_gone(case, highest)
    yield from _transients(case)
    yield _hot_plug(case, highest)
    if case.stage.two_coils:
        yield _hot_plug_coupling(case)
    yield from _reverse(case)
    yield from _consequences(case)
    yield _voltage(case, highest)
    yield from _energy(case)
    yield from service_lines(case)


# --- voltages -----------------------------------------------------------------------------------


def _short_events(case: FaultCase) -> Iterator[FaultLine]:
    """Surges and transients in which the stage works: where their heat would end if they lasted."""
    lanes = case.stage.lanes
    brief = np.flatnonzero(lanes.guaranteed & lanes.transient)
    if not len(brief):
        return
    temps = {}
    for leg in case.stage.topology.LEGS:
        bridge = case.result.bridges[leg.name]
        temps[leg.control] = bridge.control.temp_junction[0, brief]
        temps[leg.synchronous] = bridge.synchronous.temp_junction[0, brief]
    worst = {name: (np.inf if np.isnan(t).any() else float(t.max())) for name, t in temps.items()}
    name = max(worst, key=lambda one: worst[one])
    row, _ = case.one.transistor[name]
    rating = float(case.stage.tables[switch_kind(name)].numbers["temp_junction_rating"][row])
    if worst[name] <= rating:
        text = f"would bring {name} to {quantity(worst[name], 'degC')} if they lasted"
        yield FaultLine("short events, heat", HOLDS, text)
        return
    where = lanes.name[int(brief[np.argmax(np.nan_to_num(temps[name], nan=np.inf))])]
    end = "away" if np.isinf(worst[name]) else f"to {quantity(worst[name], 'degC')}"
    text = (
        f"{where}: would run {name} {end} if it lasted, {quantity(rating, 'degC')} rated; short"
        " events are not judged by heat: check the thermal impedance of the part for their time"
    )
    yield FaultLine("short events, heat", OUTSIDE, text)


def _transients(case: FaultCase) -> Iterator[FaultLine]:
    """Every transient of the input against the ratings, ringing included."""
    for event in case.stage.spec.source.transients:
        lasts = 0 if event.time > TIME_CONTINUOUS else 1
        worst = min(
            ratings(case, "input", lasts), key=lambda one: one.allowed / one.seen(event.v_input)
        )
        volts = worst.seen(event.v_input)
        text = (
            f"{quantity(event.v_input, 'V')} for {quantity(event.time, 's')}: {worst.part} sees"
            f" {quantity(volts, 'V')} of {quantity(worst.allowed, 'V')},"
            f" {limits.DURATIONS[lasts]} share"
        )
        if not event.regulates:
            text += "; the output need not hold there and may fall"
        verdict = HOLDS if volts <= worst.allowed else FAILS
        yield FaultLine(f"input transient: {event.name}", verdict, text)


def _hot_plug(case: FaultCase, highest: dict[str, float]) -> FaultLine:
    """The input bank on a live cable."""
    name, spec = "input plugged in live", case.stage.spec
    if not spec.faults.hot_plug:
        return FaultLine(name, OUTSIDE, "the spec says it never happens: not judged")
    volts = max(spec.source.v_idle_max, spec.source.v_max)
    places = case.one.bank["input"]
    esr = bank_at(case, "input", 0.0, guaranteed=False).esr[:, 0]
    peak = faults.v_plug_peak(
        v_input=volts,
        inductance=spec.faults.inductance_cable,
        resistance=max(spec.faults.resistance_cable, 1e-6),
        first=_curve(case, 0),
        esr_first=float(esr[0]) / places[0][1],
        second=_curve(case, 1) if len(places) > 1 else None,
        esr_second=float(esr[1]) / places[1][1] if len(places) > 1 else 1.0,
    )
    highest["hot plug"] = peak
    allowed, part = allowed_at(case, "input", idle=True)
    fits = peak <= allowed
    text = (
        f"{quantity(volts, 'V')} through {quantity(spec.faults.inductance_cable, 'H')} rings to"
        f" {quantity(peak, 'V')}; {part} stands {quantity(allowed, 'V')}"
    )
    if not fits:
        held = capacitance(case, "input", volts, guaranteed=False)
        more, ohms = faults.damping(inductance=spec.faults.inductance_cable, capacitance=held)
        text += (
            f"; damp with about {quantity(more, 'F')} of {quantity(ohms, 'ohm')} (common"
            " practice), or plug in dead, or clamp"
        )
    return FaultLine(name, HOLDS if fits else FAILS, text)


def _hot_plug_coupling(case: FaultCase) -> FaultLine:
    """The bank between two coils when the input appears: both coils ring with it."""
    name, spec = "input plugged in live: coupling bank", case.stage.spec
    if not spec.faults.hot_plug:
        return FaultLine(name, OUTSIDE, "the spec says it never happens: not judged")
    top = 2.0 * max(spec.source.v_idle_max, spec.source.v_max)
    coupling = reverse_paths.COUPLING
    allowed = min(one.allowed for one in ratings(case, "input", 1) if one.part == coupling)
    text = (
        f"charged through the coils to at most twice the input, {quantity(top, 'V')} (undamped"
        f" series circuit); it stands {quantity(allowed, 'V')}"
    )
    if top <= allowed:
        return FaultLine(name, HOLDS, text)
    text += ": plug in dead, let the input rise slowly, or damp the bank"
    return FaultLine(name, OUTSIDE, text)


def _curve(case: FaultCase, place: int) -> faults.Capacitance:
    """Typical capacitance of all pieces of one type over the voltage."""
    row, pieces = case.one.bank["input"][place]
    parts = parameters.take(case.stage.capacitors, np.array([row]))
    knots = parts.curve_voltage[0] * float(parts.v_rating[0, 0])
    known = ~np.isnan(knots)
    x: list[float] = knots[known].tolist()
    y: list[float] = parts.curve_share[0][known].tolist()
    whole = float(parts.capacitance[0, 0]) * pieces

    def held(v: float) -> float:
        """As `numpy.interp`, which takes much longer for one number at a time."""
        above = bisect_right(x, abs(v))
        if above in (0, len(x)):
            return whole * y[max(above - 1, 0)]
        slope = (y[above] - y[above - 1]) / (x[above] - x[above - 1])
        return whole * (slope * (abs(v) - x[above - 1]) + y[above - 1])

    return held


# --- paths --------------------------------------------------------------------------------------


def _reverse(case: FaultCase) -> Iterator[FaultLine]:
    """What flows when nothing is commanded on, and with swapped poles."""
    positions = _positions(case)
    record = case.stage.spec.load.record
    rectifier = case.stage.topology.LEGS[-1].synchronous
    feeds = isinstance(record, LeadAcid | Lithium)
    paths = reverse_paths.off_paths(positions)
    if "load back to source" in paths:
        text = "flows through the body diode of input-high once the load is above the source"
        need = ": needs a blocking transistor or diode" if feeds else " if it stores energy"
        yield FaultLine("back-feed with the input off", OUTSIDE, text + need)
    else:
        of = rectifier if rectifier in DIODES else f"the body diode of {rectifier}"
        text = f"blocked by {of} while nothing switches"
        yield FaultLine("back-feed with the input off", HOLDS, text)
    if "source to load" in paths:
        text = "the source stays joined to the load when off: needs a series disconnect"
        yield FaultLine("switched off", OUTSIDE, text)
    if reverse_paths.reversed_input(positions):
        text = "shorted through (body) diodes: needs a fuse and a reverse-polarity transistor"
        yield FaultLine("input with swapped poles", OUTSIDE, text)
    if feeds:
        text = "the output bank is reversed through (body) diodes: fuse at the battery"
        yield FaultLine("battery with swapped poles", OUTSIDE, text)


def _positions(case: FaultCase) -> tuple[str, ...]:
    """What may short or open: the switches, and the bank between two coils."""
    coupling = (reverse_paths.COUPLING,) if case.stage.two_coils else ()
    return (*case.stage.topology.POSITIONS, *coupling)


def _consequences(case: FaultCase) -> Iterator[FaultLine]:
    battery = isinstance(case.stage.spec.load.record, LeadAcid | Lithium)
    for name, text in reverse_paths.consequences(_positions(case), battery=battery):
        yield FaultLine(f"single fault: {name}", OUTSIDE, text)


# --- voltage and energy -------------------------------------------------------------------------


def _voltage(case: FaultCase, highest: dict[str, float]) -> FaultLine:
    """Highest voltage anywhere against the touch limit for direct voltage."""
    spec = case.stage.spec
    ring = 1.0 + spec.board.ringing_share
    node = limits.voltages(case.stage)
    highest |= {
        "open circuit or highest input": spec.source.v_idle_max,
        "input transient": spec.source.v_survive_max,
        "input on the output by one shorted part": node["input"][1],
    }
    for leg in case.stage.topology.LEGS:
        of = "both coils" if leg.node == "both" else leg.node
        highest[f"{of} switch node with ringing"] = node[leg.node][1] * ring
    name, top = max(highest.items(), key=lambda item: item[1])
    text = f"{quantity(top, 'V')} ({name})"
    if top > V_TOUCH:
        text += (
            "; above 60 V d.c. (ES1 of IEC 62368-1, from memory): outside extra-low voltage,"
            " insulation, clearance and access rules change"
        )
        return FaultLine("highest voltage anywhere", FAILS, text)
    close = f"; close to the {V_TOUCH:g} V d.c. limit" if top >= V_WARN else ""
    text += f"{close}; 60 V d.c. is the limit (ES1 of IEC 62368-1, from memory)"
    return FaultLine("highest voltage anywhere", HOLDS, text)


def _energy(case: FaultCase) -> Iterator[FaultLine]:
    """What the banks hold after switch-off and how long to wait."""
    volts = limits.voltages(case.stage)
    bleed = case.stage.spec.faults.resistance_bleed
    for node in case.stage.nodes:
        v_node = volts[node][1]
        numbers = case.stage.tables["capacitor"].numbers
        held = sum(
            count * numbers["capacitance_typ"][row] * (1 + numbers["capacitance_tolerance"][row])
            for row, count in case.one.bank[node]
        )
        energy = faults.energy_bank(capacitance=float(held), v_node=v_node)
        wait = faults.time_bleed(
            capacitance=float(held),
            resistance=bleed,
            v_node=v_node,
            v_safe=V_SAFE,
            energy_safe=ENERGY_SAFE,
        )
        text = (
            f"{quantity(energy, 'J')} at {quantity(v_node, 'V')}; wait {wait:.0f} s through"
            f" {quantity(bleed, 'ohm')} until below {V_SAFE:g} V and {ENERGY_SAFE:g} J, then"
            " measure before touching"
        )
        yield FaultLine(f"stored energy, {node} bank", HOLDS, text)
