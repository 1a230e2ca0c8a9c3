"""A circuit netlist of one point at one operating point, for ngspice, from an archived run.

Switches with the on-resistance of their position, the coil, the path resistance and the banks;
no part model of any maker. The stage works between stiff nodes, as in the records; the banks are
driven by its currents. The text of a point is one form with blanks, and every operating point
fills the blanks: a page can then hold all of them and fill one in when it is asked.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.records import BoolArray, FloatArray
from optimizer.report.names import lane_titles, one_line
from optimizer.report.netlist_stage import (
    coil_measures,
    imitates,
    stage_lines,
    stage_values,
    tag,
    through,
    two_coils,
)
from optimizer.report.summary import shape_of

Plain = Mapping[str, Any]

PATTERNS, MEASURED = 120, 10
"""Patterns simulated, and the last ones over which rms values are taken."""

STEPS = 1000
"""Largest steps in a pattern."""

EDGE = 1e-4
"""Length of a gate edge, a share of the pattern."""

SLEW = 5e-4
"""Time constant of the currents that drive the banks, a share of the pattern: it lets the
harmonics of the ripple pass (0.2 % at the twentieth) and keeps the edges finite."""

HOLD = 3000.0
"""Resistance that holds the mean voltage of a bank, over its reactance or resistance."""

RESERVOIR = 0.002
"""Ripple of the stage's own stiff output node, a share of its voltage."""

HARMONICS = 20
"""Content of the voltage ripple, as in the records."""

BLANK = re.compile(r"<(\w+)>")


def netlist_text(run: Plain, point: Plain, lane: int) -> str:
    """The netlist of a detailed point at operating point `lane`."""
    return filled(netlist_form(run, point), netlist_values(run, point, lane))


def filled(form: str, values: Mapping[str, str]) -> str:
    """A form with its blanks filled; what is no blank of it stays.

    >>> filled("R1 a b <ohms>", {"ohms": "0.01"})
    'R1 a b 0.01'
    """
    return BLANK.sub(lambda blank: values.get(blank[1], blank[0]), form)


# --- the form -------------------------------------------------------------------------------------


def netlist_form(run: Plain, point: Plain) -> str:
    """The netlist of a detailed point, with a blank for everything an operating point sets."""
    parts, shape = point["verified"]["part_set"], shape_of(point, run)
    circuit = point["evidence"]["circuit"]
    banks, coupling = circuit["banks"], circuit.get("coupling") or (0.0,)
    lines = [
        f"* {one_line(run['title'] or run['name'])}: point {point['number']}, "
        f"{parts['topology']}, {parts['frequency'] / 1e3:g} kHz",
        "* operating point: <title>",
        "* Generic circuit of ideal switches; losses that are no drop are the current Iextra.",
        "* A paper design: it authorises nobody to build, energise or sell anything.",
        ".param period=<period>",
        "Vin vin 0 <v_input>",
        *stage_lines(shape, coupling[0]),
        "Creservoir out 0 <reservoir> IC=<v_start>",
        "Iload out 0 <i_output>",
        "Iextra out 0 <i_output_extra>",
        *(
            line
            for node, branches in banks.items()
            for line in _bank_lines(node, branches, through(node, shape))
        ),
        *_source_lines(run),
        ".options method=trap reltol=1e-4 abstol=1e-9 vntol=1e-9",
        *_control_lines(shape, banks),
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _bank_lines(node: str, branches: Sequence[Plain], sensor: str) -> list[str]:
    """One bank, driven by the current of the stage less its mean."""
    first, second = (f"d_{node}", "0") if node == "input" else ("0", f"d_{node}")
    lines = [
        f"* {node} bank, driven by the current of the stage less its mean",
        f"F{node} {first} {second} {sensor} 1",
        *_mean_lines(node, first, second),
        f"Rslew_{node} d_{node} 0 1",
        f"Cslew_{node} d_{node} 0 {{{SLEW:g}*period}}",
        f"G{node} 0 r_{node} d_{node} 0 1",
        f"Rhold_{node} r_{node} 0 <hold_{node}>",
    ]
    for k, branch in enumerate(branches, start=1):
        own = f"{node}{k}"
        lines += [
            f"* {branch['pieces']} x {one_line(branch['part_number'])}",
            f"Vs_{own} r_{node} a_{own} 0",
            f"Lesl_{own} a_{own} b_{own} <esl_{own}>",
            f"Resr_{own} b_{own} c_{own} <esr_{own}>",
            f"C_{own} c_{own} 0 <c_{own}>",
        ]
    return lines


def _mean_lines(node: str, first: str, second: str) -> list[str]:
    """What the stage draws or delivers on average does not go through the bank."""
    if node == "coupling":
        return []
    if node == "input":
        return [f"Imean_input {second} {first} <i_input_mean>"]
    return [
        f"Imean_output {second} {first} <i_output>",
        f"Imean_extra {second} {first} <i_output_extra>",
    ]


def source_impedance(run: Plain) -> tuple[float, float]:
    """Resistance [ohm] and inductance [H] of the source, from the spec as read."""
    inside = {key: text for key, _, text in run["echo"]}
    names = ("source.resistance", "source.inductance")
    ohms, henries = (float(inside.get(name, "0").split()[0]) for name in names)
    return ohms, henries


def _source_lines(run: Plain) -> list[str]:
    ohms, henries = source_impedance(run)
    if ohms <= 0.0 and henries <= 0.0:
        return []
    return [
        "* impedance of the source, beside the input bank",
        f"Rsource r_input q {max(ohms, 1e-9):.6g}",
        f"Lsource q 0 {max(henries, 1e-15):.6g}",
    ]


def _control_lines(shape: Plain, banks: Mapping[str, Sequence[Plain]]) -> list[str]:
    """What is run and printed: figures under the names of the records."""
    window = "from=$&const.begin to=$&const.stop"
    times = {
        "step": f"period/{STEPS}",
        "stop": f"{PATTERNS}*period",
        "save": f"{PATTERNS - MEASURED - 1}*period",
        "begin": f"{PATTERNS - MEASURED}*period",
        "late": f"{PATTERNS - 1}*period",
        "early": f"{PATTERNS - 2}*period",
        "rate": "1/period",
    }
    lines = [
        ".control",
        "set noaskquit",
        f"set nfreqs={HARMONICS + 1}",
        "set fourgridsize=65536",
        "set polydegree=1",
        "let period = <period>",
        *(f"let {name} = {text}" for name, text in times.items()),
        "tran $&step $&stop $&save $&step uic",
        *coil_measures(shape, window),
    ]
    for node, branches in banks.items():
        lines += [
            f"let i_{node} = i({through(node, shape)}) - {_mean(node)}",
            f"meas tran i_bank_{node} rms i_{node} {window}",
        ]
        for k, branch in enumerate(branches, start=1):
            lines += [
                f"let i_{node}{k} = i(Vs_{node}{k})/{branch['pieces']}",
                f"meas tran i_rms_{node}{k} rms i_{node}{k} {window}",
            ]
    for turn, node in enumerate(banks, start=1):
        lines += _ripple_lines(node, turn)
    return [*lines, "quit 0", ".endc"]


def _mean(node: str) -> str:
    """Mean current of the stage at a node, with blanks."""
    means = {"input": "<i_input_mean>", "output": "(<i_output> + <i_output_extra>)"}
    return means.get(node, "0")


def _ripple_lines(node: str, turn: int) -> list[str]:
    """Ripple voltage from its first harmonics: an ideal edge has no finite peak across an ESL.

    What is left of the drift of the mean is taken off before.
    """
    found = f"fourier{turn}1"
    return [
        f"meas tran late_{node} avg v(r_{node}) from=$&const.late to=$&const.stop",
        f"meas tran early_{node} avg v(r_{node}) from=$&const.early to=$&const.late",
        f"let u_{node} = v(r_{node}) - (late_{node} - early_{node})*time/const.period",
        f"fourier $&const.rate u_{node}",
        f"let t_{node} = vector(1024)/1024",
        f"let w_{node} = 0*t_{node}",
        "let m = 1",
        f"while m <= {HARMONICS}",
        f"  let w_{node} = w_{node} + {found}[1][m]*sin(2*pi*m*t_{node} + {found}[2][m]*pi/180)",
        "  let m = m + 1",
        "end",
        f"let v_ripple_{node} = vecmax(w_{node}) - vecmin(w_{node})",
        f"print v_ripple_{node}",
    ]


# --- what an operating point fills in -------------------------------------------------------------


def netlist_values(
    run: Plain, point: Plain, lane: int, titles: Sequence[str] | None = None
) -> dict[str, str]:
    """The blanks of the form at one operating point.

    titles : the `lane_titles` of the point, where they are known already
    """
    verified, evidence, shape = point["verified"], point["evidence"], shape_of(point, run)
    lanes, circuit, traces = verified["lanes"], evidence["circuit"], evidence["traces"]
    period = traces["time_pattern"][lane]
    extra, load = circuit["i_output_extra"][lane], lanes["i_output"][lane]
    delivered = Through(shape["output_current"][lane])
    reservoir, v_start = _reservoir(traces, lane, delivered, load + extra, lanes["v_output"][lane])
    numbers: dict[str, float] = {
        "v_input": lanes["v_input"][lane],
        "reservoir": reservoir,
        "v_start": v_start,
        "i_output": load,
        "i_output_extra": extra,
        "i_input_mean": circuit["i_input_mean"][lane],
        "period": period,
        **stage_values(shape, evidence, lane),
    }
    if two_coils(shape):
        volts = lanes["v_input"][lane] - numbers["r_input_winding"] * numbers["i_input_mean"]
        volts += numbers["r_output_winding"] * (load + extra)
        between = Through(shape["coupling_current"][lane], shape["apart"]["coupling"][lane])
        numbers["stiff"], numbers["v_stiff"] = _reservoir(traces, lane, between, 0.0, volts)
    for node, branches in circuit["banks"].items():
        numbers |= _branch_values(node, branches, lane, period)
    texts = {name: f"{value:.6g}" for name, value in numbers.items()}
    duration = np.array(traces["duration"][lane])
    for control, other, _ in shape["legs"]:
        on = np.array(shape["conducts"][control][lane]) > 0
        texts[f"gate_{tag(control)}"] = gate(duration, on, period)
        if imitates(shape, other):
            forced = not shape["one_way"][lane]
            texts[f"gate_{tag(other)}"] = gate(duration, ~on, period) if forced else "0"
    texts["title"] = one_line((titles or lane_titles(lanes))[lane])
    return texts


def _branch_values(
    node: str, branches: Sequence[Plain], lane: int, period: float
) -> dict[str, float]:
    """All pieces of each type together, and a resistor that only holds the mean voltage."""
    found, capacitance, conductance = {}, 0.0, 0.0
    for k, branch in enumerate(branches, start=1):
        pieces, own = branch["pieces"], f"{node}{k}"
        found[f"c_{own}"] = branch["capacitance"][lane] * pieces
        found[f"esr_{own}"] = branch["esr"][lane] / pieces
        found[f"esl_{own}"] = max(branch["esl"][lane], 1e-13) / pieces
        capacitance += found[f"c_{own}"]
        conductance += 1.0 / found[f"esr_{own}"]
    reactance = period / (2.0 * np.pi * capacitance)
    found[f"hold_{node}"] = HOLD * max(reactance, 1.0 / conductance)
    return found


def gate(duration: FloatArray, on: BoolArray, period: float) -> str:
    """Gate source of a control transistor that is on in the intervals `on`; resting ones are d.c.

    >>> gate(np.array([0.25, 0.75]), np.array([True, False]), 4e-6)
    'PULSE(5 0 9.998e-07 4e-10 4e-10 2.9996e-06 4e-06)'
    """
    lasts = duration > 0
    state = on[lasts]
    if state.all() or not state.any():
        return "5" if state.all() else "0"
    edge = np.concatenate([[0.0], np.cumsum(duration[lasts])]) * period
    changes = [k for k in range(len(state)) if state[k] != state[k - 1]]
    first, second = sorted(changes)[-2:]
    high, low = ("0", "5") if not state[0] else ("5", "0")
    begin, end = edge[first], edge[second]
    if first == 0:
        begin, end = edge[second], period
    length = EDGE * period
    return (
        f"PULSE({high} {low} {begin - length / 2:.7g} {length:.7g} {length:.7g} "
        f"{end - begin - length:.7g} {period:.7g})"
    )


@dataclass(frozen=True, slots=True)
class Through:
    """The current through a node in each interval: a share of the coil's, and of two coils' half
    difference, (n_interval,) each."""

    share: Sequence[float]
    apart: Sequence[float] = ()


def _reservoir(
    traces: Plain, lane: int, node: Through, i_mean: float, volts: float
) -> tuple[float, float]:
    """Capacitor of a stiff node [F] and its voltage at the start [V]; `volts` : its mean."""
    duration, current = np.array(traces["duration"][lane]), np.array(traces["i_coil"][lane])
    lasts = duration > 0
    apart = np.array(node.apart) * traces["i_apart"][lane] if node.apart else 0.0 * duration
    share = np.array(node.share)
    first, last = share * current[:-1] + apart, share * current[1:] + apart
    along = np.linspace(0.0, 1.0, 65)
    charge, level = [np.zeros(1)], 0.0
    weight = [np.zeros(1)]
    for length, one, other in zip(duration[lasts], first[lasts], last[lasts], strict=True):
        time = length * traces["time_pattern"][lane]
        surplus = one * along + (other - one) * along**2 / 2 - i_mean * along
        charge.append(level + surplus[1:] * time)
        weight.append(np.full(64, length / 64))
        level = float(charge[-1][-1])
    all_charge, all_weight = np.concatenate(charge), np.concatenate(weight)
    size = max(float(np.ptp(all_charge)), 1e-12) / (RESERVOIR * volts)
    return size, volts - float(all_charge @ all_weight) / size
