"""What the nodes of one set stand, and what becomes of its output when nothing draws any more."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer import faults, limits, parameters, reverse_paths
from optimizer.conclude_margins import quantity
from optimizer.conclude_overload import FAILS, HOLDS, NO_DISCONNECT, OUTSIDE, FaultCase, i_staircase
from optimizer.load_records import LeadAcid, LedString, Lithium
from optimizer.parts import inductor
from optimizer.parts.bank import Branches
from optimizer.points_places import input_range
from optimizer.results import FaultLine
from optimizer.stage import lanes_where
from optimizer.topologies.intervals import has_diode

# --- what a node stands ---------------------------------------------------------------------------


def bank_at(case: FaultCase, node: str, v_bias: float, *, guaranteed: bool) -> Branches:
    """Branches of the types of a bank at a voltage, held at the end of its curve, (n_type, 1)."""
    rows = np.array([row for row, _ in case.one.bank[node]])
    lanes = lanes_where(case.stage.lanes, _first(case.stage.lanes.guaranteed == guaranteed))
    parts = parameters.take(case.stage.capacitors, rows)
    ends = np.nanmax(parts.curve_voltage, axis=1)[:, None] * parts.v_rating
    return parameters.branches(
        parts, lanes=lanes, v_bias=np.minimum(v_bias, ends), temp_board=np.array([25.0])
    )


def capacitance(case: FaultCase, node: str, v_bias: float, *, guaranteed: bool) -> float:
    """Capacitance of a bank at a voltage [F]."""
    pieces = np.array([count for _, count in case.one.bank[node]])
    found = bank_at(case, node, v_bias, guaranteed=guaranteed)
    return float((found.capacitance[:, 0] * pieces).sum())


@dataclass(frozen=True, slots=True)
class Rating:
    """What one part that sees a node stands [V].

    ring : ringing over what it sees; beside : voltage it sees besides the node's
    """

    allowed: float
    part: str
    ring: float = 1.0
    beside: float = 0.0

    def seen(self, volts: float) -> float:
        """What it sees when the node is at `volts`, ringing included."""
        return (volts + self.beside) * self.ring


def ratings(case: FaultCase, node: str, lasts: int) -> list[Rating]:
    """What all parts that see a node stand; `lasts` 1 for a moment.

    Between two coils the bank sees the input, and the switches the input and the output.
    """
    stage = case.stage
    found = []
    for name in ("input", "coupling") if node == "input" and stage.two_coils else (node,):
        rows = np.array([row for row, _ in case.one.bank[name]])
        found += [
            Rating(float(check.allowed[k, lasts]), f"{name}-bank")
            for check in limits.capacitor_ratings(stage, name, rows)
            for k in range(len(rows))
        ]
    ring = 1.0 + stage.spec.board.ringing_share
    other = limits.voltages(stage)["output" if node == "input" else "input"][0]
    for position, (row, _) in case.one.transistor.items():
        sees = limits.node_of(stage, position)
        if sees in (node, "both"):
            across = next(limits.switch_ratings(stage, position, np.array([row])))
            beside = other if sees == "both" else 0.0
            found.append(Rating(float(across.allowed[0, lasts]), position, ring, beside))
    limit = stage.controller.v_input_abs_max
    if node == "input" and np.isfinite(limit):
        found.append(Rating(limit, "controller"))
    return found


def allowed_at(case: FaultCase, node: str, *, idle: bool = False) -> tuple[float, str]:
    """Highest momentary voltage at a node while nothing switches, and the part that sets it.

    idle : the other node holds no voltage, and a bank between two coils is judged apart
    """
    found = ratings(case, node, 1)
    if idle:
        return min((one.allowed, one.part) for one in found if one.part != reverse_paths.COUPLING)
    return min((one.allowed - one.beside, one.part) for one in found)


def open_load(case: FaultCase, highest: dict[str, float]) -> Iterator[FaultLine]:
    """The load opens at full current: the coil's energy goes into the output bank."""
    spec, peak = case.stage.spec, float(case.chain.needed[0])
    top, fits, text = _emptied(case, peak)
    highest["open load"] = top
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
    if isinstance(record, LeadAcid | Lithium):
        yield _battery_absent(case, record)


def short_gone(case: FaultCase, highest: dict[str, float]) -> FaultLine:
    """A short goes away, and the load with it: the coil holds what limit or staircase let it."""
    name = "output short goes away"
    if not case.parts_the_load:
        return FaultLine(name, OUTSIDE, NO_DISCONNECT)
    top, fits, text = _emptied(case, max(float(case.chain.high[0]), i_staircase(case)))
    highest[name] = top
    back = bool(case.chain.needed[0] <= case.chain.low[0])
    how = (
        "comes back by itself: the smallest limit covers the peak at full load"
        if back
        else "may not come back under full load: the smallest limit does not cover its peak"
    )
    return FaultLine(name, HOLDS if fits and back else FAILS, f"{how}; at most {text}")


def _emptied(case: FaultCase, i_peak: float) -> tuple[float, bool, str]:
    """Where the coil's energy ends at the over-voltage limit [V], if that holds, in words."""
    spec, start = case.stage.spec, case.stage.controller.v_overvoltage_max
    numbers = case.stage.tables["inductor"].numbers
    coil = case.one.coil
    largest = float(numbers["inductance_typ"][coil] * (1 + numbers["inductance_tolerance"][coil]))
    if case.stage.two_coils:
        # The sum of both currents runs into the bank; what one carries beyond it circulates.
        coupling = np.nan_to_num(numbers["coupling_typ"][coil])
        largest = float(
            inductor.inductance_pair(inductance=np.array(largest), coupling=np.array(coupling))
        )
    values = {
        "v_output": start,
        "inductance": largest,
        "i_peak": i_peak,
        "capacitance": capacitance(case, "output", start, guaranteed=True),
        "time_response": spec.faults.time_overvoltage,
    }
    if case.parts_the_load:
        top = faults.v_open_cut(**values)
    else:
        top = faults.v_open_fed(v_input=input_range(spec)[3], **values)
    allowed, part = allowed_at(case, "output")
    text = (
        f"{quantity(start, 'V')} of over-voltage limit and {quantity(i_peak, 'A')} in the coil"
        f" end at {quantity(top, 'V')}; {part} stands {quantity(allowed, 'V')}"
    )
    if top > allowed:
        text += "; needs more output capacitance, a clamp, or a higher rating"
    return top, top <= allowed, text


def _battery_absent(case: FaultCase, record: LeadAcid | Lithium) -> FaultLine:
    """Nothing at the output for long: it rests at its set point, or at the over-voltage limit."""
    spec, start = case.stage.spec, case.stage.controller.v_overvoltage_max
    worst = min(ratings(case, "output", 0), key=lambda one: one.allowed / one.seen(start))
    fits = worst.seen(start) <= worst.allowed
    text = (
        f"the output rests at no more than the over-voltage limit {quantity(start, 'V')} for ever:"
        f" {worst.part} sees {quantity(worst.seen(start), 'V')} of"
        f" {quantity(worst.allowed, 'V')}, continuous share"
    )
    pulse = faults.i_replug(
        v_output=start,
        v_load=spec.load.v_lowest,
        resistance=max(record.resistance_sense + record.resistance_cable, 1e-6),
    )
    text += (
        f"; an empty battery plugged on draws up to {quantity(pulse, 'A')} for a moment from the"
        " bank, held by sense resistor and cable alone: plug in dead, or pre-charge"
    )
    if has_diode(case.stage.topology) or case.stage.emulation:
        text += "; without a load this stage skips pulses, which has no model here"
        return FaultLine("battery absent", OUTSIDE if fits else FAILS, text)
    return FaultLine("battery absent", HOLDS if fits else FAILS, text)


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
