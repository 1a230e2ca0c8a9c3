"""The switches and coils of a stage in the netlist of a point: what differs between topologies.

Transistors are switches with their on-resistance, rectifiers that cannot carry a current back are
ideal diodes with the forward voltage and resistance of the records in series.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

Plain = Mapping[str, Any]

ENDS = {
    "input-high": ("vin", "a"),
    "input-low": ("a", "0"),
    "input-diode": ("0", "a"),
    "output-low": ("b", "0"),
    "output-high": ("b", "out"),
    "output-diode": ("b", "out"),
}
"""Position -> the nodes it joins; a diode in the direction in which it conducts."""

IMITATES = {"input-low": ("0", "a")}
"""A transistor that imitates a diode: in the direction in which its current may flow."""

FIRST, SECOND = "input-winding", "output-winding"
"""Windings of a stage with two coils, as the records name them."""

OFF = 1e7
"""Resistance of what does not conduct [ohm]."""


def tag(position: str) -> str:
    """A position as a word of a netlist.

    >>> tag("input-high")
    'input_high'
    """
    return position.replace("-", "_")


def two_coils(shape: Plain) -> bool:
    """Whether a stage has two coils and a bank between them."""
    return bool(shape.get("apart"))


def imitates(shape: Plain, synchronous: str) -> bool:
    """Whether a synchronous transistor imitates a diode at some operating points."""
    return not synchronous.endswith("diode") and any(shape.get("one_way", ()))


def stage_lines(shape: Plain, coupling: float) -> list[str]:
    """Switches and coils between the stiff nodes `vin` and `out`.

    coupling : of two coils, 0 where they are two pieces
    """
    lines = [line for leg in shape["legs"] for line in _leg_lines(shape, leg)]
    if two_coils(shape):
        return [*lines, *_two_coil_lines(coupling)]
    positions = shape["conducts"]
    return [
        *lines,
        *(() if "input-high" in positions else ("Vstraight vin a 0",)),
        *(() if "output-low" in positions else ("Vstraight b out 0",)),
        "Lcoil a x <inductance> IC=<i_start>",
        "Rpath x b <resistance_series>",
    ]


def _two_coil_lines(coupling: float) -> list[str]:
    """Both coils, and the stiff capacitor between them at the voltage it starts with."""
    lines = [
        "Vstraight vin w 0",
        "Lcoil w x <inductance> IC=<i_start>",
        "Rcoil x a <r_input_winding>",
        "Cstiff a y <stiff> IC=<v_stiff>",
        "Vbetween y b 0",
        "Rsecond z b <r_output_winding>",
        "Lsecond 0 z <inductance> IC=<i_second>",
    ]
    return [*lines, f"Kcoils Lcoil Lsecond {coupling:.6g}"] if coupling > 0.0 else lines


def _ends(shape: Plain, position: str) -> tuple[str, str]:
    """The nodes a position joins."""
    if two_coils(shape) and position == "output-low":
        return "a", "0"
    return IMITATES.get(position, ENDS[position]) if imitates(shape, position) else ENDS[position]


def _leg_lines(shape: Plain, leg: Sequence[str]) -> list[str]:
    """Gate source and both switches of a half bridge, each with a current sensor."""
    control, other = leg[0], leg[1]
    lines = [_gate_line(control), *_switch_lines(shape, control, "on_high", control)]
    if other.endswith("diode"):
        one, end = _ends(shape, other)
        name = tag(other)
        return [*lines, f"Vs_{name} {one} s_{name} <drop_{name}>", *_diode_lines(name, end, "r")]
    if not imitates(shape, other):
        return lines + _switch_lines(shape, other, "on_low", control)
    end = _ends(shape, other)[1]
    lines += [_gate_line(other), *_switch_lines(shape, other, "on_high", other)]
    return lines + _diode_lines(tag(other), end, "rest")


def _gate_line(position: str) -> str:
    return f"Vgate_{tag(position)} g_{tag(position)} 0 <gate_{tag(position)}>"


def _switch_lines(shape: Plain, position: str, model: str, gate: str) -> list[str]:
    """A transistor that conducts while the gate source of `gate` is high (or low: on_low)."""
    name, (one, other) = tag(position), _ends(shape, position)
    levels = f"Ron=<r_{name}> Roff=10Meg" if model == "on_high" else f"Ron=10Meg Roff=<r_{name}>"
    return [
        f"Vs_{name} {one} s_{name} 0",
        f"S_{name} s_{name} {other} g_{tag(gate)} 0 {model}_{name}",
        f".model {model}_{name} SW({levels} Vt=2.5 Vh=0)",
    ]


def _diode_lines(name: str, end: str, resistance: str) -> list[str]:
    """An ideal diode after the sensor of a position, with a resistance that a point sets."""
    return [
        f"D_{name} s_{name} q_{name} ideal_{name}",
        f".model ideal_{name} D(IS=1e-12 N=0.005)",
        f"R_{name} q_{name} {end} <{resistance}_{name}>",
    ]


def through(node: str, shape: Plain) -> str:
    """The sensor whose current flows through a node into or out of the stage."""
    if node == "coupling":
        return "Vbetween"
    for position in (f"{node}-high", f"{node}-diode"):
        if position in shape["conducts"] and not (node == "input" and position.endswith("diode")):
            return f"Vs_{tag(position)}"
    return "Vstraight"


def coil_measures(shape: Plain, window: str) -> list[str]:
    """Ripple, rms and mean of the coil current (of two coils their sum), rms of each switch.

    A diode opens at the end of a step: below the least current that a point allows is no ripple.
    """
    two = two_coils(shape)
    coil = "i_sum" if two else "i(Lcoil)"
    lines = ["let i_sum = i(Lcoil) + i(Lsecond)"] if two else []
    seen = coil
    if any(shape.get("one_way", ())):
        lines.append(f"let i_seen = {coil} * ({coil} gt <i_least>)")
        seen = "i_seen"
    lines += [
        f"meas tran i_ripple pp {seen} {window}",
        f"meas tran i_rms rms {coil} {window}",
        f"meas tran i_mean avg {coil} {window}",
        *(f"meas tran i_rms_{tag(p)} rms i(Vs_{tag(p)}) {window}" for p in shape["conducts"]),
    ]
    if two:
        pairs = ((FIRST, "Lcoil"), (SECOND, "Lsecond"))
        lines += [f"meas tran i_rms_{tag(name)} rms i({one}) {window}" for name, one in pairs]
    return lines


# --- what an operating point fills in -------------------------------------------------------------


def stage_values(run_shape: Plain, evidence: Plain, lane: int) -> dict[str, float]:
    """Coils and resistances of the stage at one operating point; its gates are the caller's."""
    circuit, traces = evidence["circuit"], evidence["traces"]
    found = {f"r_{tag(name)}": ohms[lane] for name, ohms in circuit["resistance"].items()}
    found |= {f"drop_{tag(name)}": v[lane] for name, v in circuit.get("drop", {}).items()}
    found |= {
        "inductance": circuit["inductance"][lane],
        "resistance_series": circuit["resistance_series"][lane],
        "i_start": traces["i_coil"][lane][0],
    }
    if any(run_shape.get("one_way", ())):
        found["i_least"] = 0.0 if run_shape["one_way"][lane] else -1e6
    for _, other, _ in run_shape["legs"]:
        if imitates(run_shape, other):
            one_way = bool(run_shape["one_way"][lane])
            found[f"rest_{tag(other)}"] = found[f"r_{tag(other)}"] if one_way else OFF
    if two_coils(run_shape):
        half, apart = found["i_start"] / 2.0, traces["i_apart"][lane]
        found |= {"i_start": half + apart, "i_second": half - apart}
        # Board and sense resistance lie in the path of the sum, whichever way it takes.
        for position in run_shape["conducts"]:
            found[f"r_{tag(position)}"] += found["resistance_series"]
    return found
