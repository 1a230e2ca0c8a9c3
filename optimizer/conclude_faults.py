"""One complete set under faults: a line per fault with a verdict, or that it lies outside."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from optimizer import assembly, faults, limits, parameters, reverse_paths, verification
from optimizer.conclude_margins import quantity
from optimizer.conclude_overload import (
    FAILS,
    HOLDS,
    OUTSIDE,
    FaultCase,
    overload,
    short,
    staircase,
)
from optimizer.conclude_service import failure_line, life_lines, service_lines
from optimizer.conclude_sets import Chosen, stacked
from optimizer.load_records import LeadAcid, LedString, Lithium
from optimizer.parts.bank import Branches
from optimizer.points_places import input_range
from optimizer.results import FaultLine
from optimizer.spec_records import TIME_CONTINUOUS
from optimizer.stage import Stage, build_stage, lanes_where
from optimizer.topologies.intervals import has_diode

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
    if case.stage.two_coils or has_diode(case.stage.topology):
        yield from _lines_few(case, highest)
        return
    yield overload(case)
    yield short(case)
    yield staircase(case)
    yield from _open_load(case, highest)
    yield from _transients(case)
    yield _hot_plug(case, highest)
    yield from _reverse(case)
    yield from _consequences(case)
    yield _voltage(case, highest)
    yield from _energy(case)
    yield from service_lines(case)


def _lines_few(case: FaultCase, highest: dict[str, float]) -> Iterator[FaultLine]:
    """What is known of a stage with a diode or two coils, and that the rest is not judged."""
    if case.stage.two_coils:
        text = "of a stage with two coils: not modelled, judge them by other means"
        yield FaultLine("overload, short, open load and input faults", OUTSIDE, text)
    else:
        text = "of a stage with a diode: not modelled, judge them by other means"
        yield FaultLine("overload, short, open load and reverse paths", OUTSIDE, text)
        yield from _transients(case)
        yield _hot_plug(case, highest)
    yield from _energy(case)
    yield from life_lines(case)
    yield failure_line(case)


# --- voltages -----------------------------------------------------------------------------------


def _bank(case: FaultCase, node: str, v_bias: float, *, guaranteed: bool) -> Branches:
    """Branches of the types of a bank at a voltage, held at the end of its curve, (n_type, 1)."""
    rows = np.array([row for row, _ in case.one.bank[node]])
    lanes = lanes_where(case.stage.lanes, _first(case.stage.lanes.guaranteed == guaranteed))
    parts = parameters.take(case.stage.capacitors, rows)
    ends = np.nanmax(parts.curve_voltage, axis=1)[:, None] * parts.v_rating
    return parameters.branches(
        parts, lanes=lanes, v_bias=np.minimum(v_bias, ends), temp_board=np.array([25.0])
    )


def _capacitance(case: FaultCase, node: str, v_bias: float, *, guaranteed: bool) -> float:
    pieces = np.array([count for _, count in case.one.bank[node]])
    found = _bank(case, node, v_bias, guaranteed=guaranteed)
    return float((found.capacitance[:, 0] * pieces).sum())


def _ratings(case: FaultCase, node: str, lasts: int) -> list[tuple[float, str, float]]:
    """(allowed, part, ringing over the node) of all that see a node; `lasts` 1 for a moment."""
    rows = np.array([row for row, _ in case.one.bank[node]])
    found = [
        (float(check.allowed[k, lasts]), f"{node}-bank", 1.0)
        for check in limits.capacitor_ratings(case.stage, node, rows)
        for k in range(len(rows))
    ]
    ring = 1.0 + case.stage.spec.board.ringing_share
    for position, (row, _) in case.one.transistor.items():
        if limits.node_of(case.stage, position) == node:
            across = next(limits.switch_ratings(case.stage, position, np.array([row])))
            found.append((float(across.allowed[0, lasts]), position, ring))
    limit = case.stage.controller.v_input_abs_max
    if node == "input" and np.isfinite(limit):
        found.append((limit, "controller", 1.0))
    return found


def _allowed(case: FaultCase, node: str) -> tuple[float, str]:
    """Highest momentary voltage at a node while nothing switches, and the part that sets it."""
    return min((allowed, part) for allowed, part, _ in _ratings(case, node, 1))


def _open_load(case: FaultCase, highest: dict[str, float]) -> Iterator[FaultLine]:
    """The load opens at full current: the coil's energy goes into the output bank."""
    spec, control = case.stage.spec, case.stage.controller
    start, peak = control.v_overvoltage_max, float(case.chain.needed[0])
    numbers = case.stage.tables["inductor"].numbers
    coil = case.one.coil
    largest = float(numbers["inductance_typ"][coil] * (1 + numbers["inductance_tolerance"][coil]))
    values = {
        "v_output": start,
        "inductance": largest,
        "i_peak": peak,
        "capacitance": _capacitance(case, "output", start, guaranteed=True),
        "time_response": spec.faults.time_overvoltage,
    }
    if case.has_input_leg:
        top = faults.v_open_cut(**values)
    else:
        top = faults.v_open_fed(v_input=input_range(spec)[3], **values)
    highest["open load"] = top
    allowed, part = _allowed(case, "output")
    fits = top <= allowed
    text = (
        f"{quantity(start, 'V')} of over-voltage limit and {quantity(peak, 'A')} in the coil"
        f" end at {quantity(top, 'V')}; {part} stands {quantity(allowed, 'V')}"
    )
    if not fits:
        text += "; needs more output capacitance, a clamp, or a higher rating"
    yield FaultLine(_open_name(spec.load.kind), HOLDS if fits else FAILS, text)
    record = spec.load.record
    if isinstance(record, LedString):
        pulse = faults.i_replug(
            v_output=top,
            v_load=spec.load.v_lowest,
            resistance=record.leds * record.resistance_led,
        )
        text = (
            f"a pulse of up to {quantity(pulse, 'A')} into the string"
            f" ({pulse / spec.load.i_output:.2g} times full current): compare with the LED's"
            " surge rating, else a series limiter"
        )
        yield FaultLine("string plugged onto the charged output", OUTSIDE, text)
        text = "the limit holds the coil; LED + to chassis or supply is not seen by it: fuse"
        yield FaultLine("string shorted to chassis or supply", OUTSIDE, text)


def _transients(case: FaultCase) -> Iterator[FaultLine]:
    """Every transient of the input against the ratings, ringing included."""
    for event in case.stage.spec.source.transients:
        lasts = 0 if event.time > TIME_CONTINUOUS else 1
        limit, part, ring = min(_ratings(case, "input", lasts), key=lambda one: one[0] / one[2])
        volts = event.v_input * ring
        text = (
            f"{quantity(event.v_input, 'V')} for {quantity(event.time, 's')}: {part} sees"
            f" {quantity(volts, 'V')} of {quantity(limit, 'V')}, {limits.DURATIONS[lasts]} share"
        )
        verdict = HOLDS if volts <= limit else FAILS
        yield FaultLine(f"input transient: {event.name}", verdict, text)


def _hot_plug(case: FaultCase, highest: dict[str, float]) -> FaultLine:
    """The input bank on a live cable."""
    name, spec = "input plugged in live", case.stage.spec
    if not spec.faults.hot_plug:
        return FaultLine(name, OUTSIDE, "the spec says it never happens: not judged")
    volts = max(spec.source.v_idle_max, spec.source.v_max)
    places = case.one.bank["input"]
    esr = _bank(case, "input", 0.0, guaranteed=False).esr[:, 0]
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
    allowed, part = _allowed(case, "input")
    fits = peak <= allowed
    text = (
        f"{quantity(volts, 'V')} through {quantity(spec.faults.inductance_cable, 'H')} rings to"
        f" {quantity(peak, 'V')}; {part} stands {quantity(allowed, 'V')}"
    )
    if not fits:
        held = _capacitance(case, "input", volts, guaranteed=False)
        more, ohms = faults.damping(inductance=spec.faults.inductance_cable, capacitance=held)
        text += (
            f"; damp with about {quantity(more, 'F')} of {quantity(ohms, 'ohm')} (common"
            " practice), or plug in dead, or clamp"
        )
    return FaultLine(name, HOLDS if fits else FAILS, text)


def _curve(case: FaultCase, place: int) -> faults.Capacitance:
    """Typical capacitance of all pieces of one type over the voltage."""
    row, pieces = case.one.bank["input"][place]
    parts = parameters.take(case.stage.capacitors, np.array([row]))
    knots = parts.curve_voltage[0] * float(parts.v_rating[0, 0])
    shares = parts.curve_share[0]
    known = ~np.isnan(knots)
    whole = float(parts.capacitance[0, 0]) * pieces
    return lambda v: whole * float(np.interp(abs(v), knots[known], shares[known]))


# --- paths --------------------------------------------------------------------------------------


def _reverse(case: FaultCase) -> Iterator[FaultLine]:
    """What flows when nothing is commanded on, and with swapped poles."""
    positions = case.stage.topology.POSITIONS
    record = case.stage.spec.load.record
    feeds = isinstance(record, LeadAcid | Lithium)
    paths = reverse_paths.off_paths(positions)
    if "load back to source" in paths:
        text = "flows through the body diode of input-high once the load is above the source"
        need = ": needs a blocking transistor or diode" if feeds else " if it stores energy"
        yield FaultLine("back-feed with the input off", OUTSIDE, text + need)
    else:
        text = "blocked by the body diode of output-high while nothing switches"
        yield FaultLine("back-feed with the input off", HOLDS, text)
    if "source to load" in paths:
        text = "the source stays joined to the load when off: needs a series disconnect"
        yield FaultLine("switched off", OUTSIDE, text)
    if reverse_paths.reversed_input(positions):
        text = "shorted through the body diodes: needs a fuse and a reverse-polarity transistor"
        yield FaultLine("input with swapped poles", OUTSIDE, text)
    if feeds:
        text = "the output bank is reversed through the body diodes: fuse at the battery"
        yield FaultLine("battery with swapped poles", OUTSIDE, text)


def _consequences(case: FaultCase) -> Iterator[FaultLine]:
    for name, text in reverse_paths.consequences(case.stage.topology.POSITIONS):
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
        "input switch node with ringing": node["input"][1] * ring,
        "output switch node with ringing": node["output"][1] * ring,
        "input on the output by one shorted transistor": node["input"][1],
    }
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


def _first(mask: np.ndarray) -> np.ndarray:
    found = np.zeros(len(mask), dtype=bool)
    found[int(np.argmax(mask))] = True
    return found


def _open_name(kind: str) -> str:
    return {
        "led-string": "string open",
        "lead-acid": "battery removed at full current",
        "lithium": "pack switch opens at full current",
    }.get(kind, "load open at full current")
