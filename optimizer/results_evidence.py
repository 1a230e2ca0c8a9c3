"""What a run keeps of its detailed points beside their figures, so that a reader can rederive them.

Plain data again: the page, the netlist and the lists are made from these records alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from optimizer.records import FloatArray, IntArray


def _none() -> FloatArray:
    """What a record of a stage with one coil keeps of the second."""
    return np.zeros(0)


DETAILED_POINTS = 60
"""Points of a front that keep everything; the others keep one line."""

TYPICAL, LIMIT, STATED, FILLED = "typical", "limit", "stated", "filled by policy"
SPEC, PRESET, COMPUTED = "spec", "preset", "computed"
"""Where an input of a formula may come from."""


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a formula, in SI (temperatures in degC).

    origin : one of the words above
    source : catalog file, line and column; key of the spec; or what it was computed from
    """

    name: str
    value: float
    unit: str
    origin: str
    source: str


@dataclass(frozen=True, slots=True)
class Derivation:
    """One number with the formula and the inputs that give it again.

    lane : index of the operating point, -1 where it is of none
    formula : text of `formulas`, in the names of the inputs
    """

    subject: str
    quantity: str
    lane: int
    value: float
    unit: str
    formula: str
    inputs: tuple[Input, ...]


@dataclass(frozen=True, slots=True)
class Traces:
    """Waveforms of one set over one pattern, as break points.

    time_pattern : length of a pattern [s], (n_lane,)
    duration : share of the pattern of each interval, (n_lane, n_interval)
    i_coil : coil current at the start of each interval and at the end, of two coils the sum of
        theirs [A], (n_lane, n_interval+1)
    i_apart : what the first of two coils carries above half of the sum, and the second below
        it, the same all through the pattern [A], (n_lane,); empty where there is one coil
    ripple : node -> per lane, the unit [V] and then break points as whole numbers: thousandths of
        the pattern and voltage about its mean in units, one after the other
    """

    time_pattern: FloatArray
    duration: FloatArray
    i_coil: FloatArray
    ripple: Mapping[str, tuple[tuple[float, ...], ...]]
    i_apart: FloatArray = field(default_factory=_none)


@dataclass(frozen=True, slots=True)
class Branch:
    """The capacitors of one type in a bank, one piece in every lane, (n_lane,) each.

    capacitance [F], esr [ohm], esl [H], i_rms [A]
    """

    part_number: str
    pieces: int
    capacitance: FloatArray
    esr: FloatArray
    esl: FloatArray
    i_rms: FloatArray


@dataclass(frozen=True, slots=True)
class Circuit:
    """The set as a circuit in every lane, (n_lane,) each.

    inductance : of the coil, or of each of two [H]; resistance_series [ohm]
    resistance : position -> [ohm], of a stage with two coils also winding -> [ohm]
    i_input_extra, i_output_extra : losses that are no drop, as currents at the nodes [A]
    i_input_mean : mean current through the input node [A]
    drop : diode -> its forward voltage at no current [V]
    coupling : of two coils [1], 0 where they are two pieces; empty where there is one coil
    """

    inductance: FloatArray
    resistance_series: FloatArray
    resistance: Mapping[str, FloatArray]
    i_input_extra: FloatArray
    i_output_extra: FloatArray
    i_input_mean: FloatArray
    banks: Mapping[str, tuple[Branch, ...]]
    drop: Mapping[str, FloatArray] = field(default_factory=dict)
    coupling: FloatArray = field(default_factory=_none)


@dataclass(frozen=True, slots=True)
class Alternate:
    """Another maker's part in place of a bought one, the whole set verified with it.

    passes : every limit holds at every operating point
    margin : smallest margin then, height and area aside
    loss_mission, cost : of the set then [W], [currency]
    """

    part_number: str
    maker: str
    unit_price: float
    passes: bool
    margin: float
    loss_mission: float
    cost: float


@dataclass(frozen=True, slots=True)
class Sample:
    """One line of a sample order: pieces for a few boards and what they cost."""

    part_number: str
    pieces: int
    quantity: int
    unit_price: float
    line_price: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything a detailed point keeps.

    alternates : bought part number -> other makers' parts, cheapest first
    sweep_efficiency, sweep_loss : at the lanes of the run's sweep of this topology, (n_sweep,)
    """

    derivations: tuple[Derivation, ...]
    traces: Traces
    circuit: Circuit
    sweep_efficiency: FloatArray
    sweep_loss: FloatArray
    alternates: Mapping[str, tuple[Alternate, ...]]
    samples: tuple[Sample, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """What a topology does in each interval of each of its lanes, and the lanes of its sweep.

    legs : control position, synchronous position or diode, node; for each leg
    conducts : position -> share of the coil current it carries, (n_lane, n_interval)
    input_current, output_current : share drawn from and delivered to the nodes
    coupling_current : share through the bank between two coils; empty where there is one
    apart : node or winding -> share of `Traces.i_apart` that it carries besides, of a winding
        beside half of the sum, (n_lane, n_interval); of stages with two coils only
    one_way : 1 where a coil current that would reverse rests at zero instead, else 0, (n_lane,)
    sweep_* : input [V], load share, region, number of the curve; (n_sweep,) each, expected set,
        nominal air
    curves : name of the phase ("" for a level of load), output current [A] and voltage [V]
    """

    legs: tuple[tuple[str, str, str], ...]
    conducts: Mapping[str, FloatArray]
    input_current: FloatArray
    output_current: FloatArray
    sweep_v_input: FloatArray
    sweep_load: FloatArray
    sweep_region: FloatArray
    sweep_curve: IntArray
    curves: tuple[tuple[str, float, float], ...]
    coupling_current: FloatArray = field(default_factory=_none)
    apart: Mapping[str, FloatArray] = field(default_factory=dict)
    one_way: FloatArray = field(default_factory=_none)


def spread(values: Sequence[float], kept: Sequence[int], most: int) -> list[int]:
    """At most `most` positions of falling values: `kept`, both ends, then the widest gaps split.

    >>> spread([9.0, 8.9, 5.0, 4.9, 1.0], [1], 4)
    [0, 1, 2, 4]
    """
    if len(values) <= most:
        return list(range(len(values)))
    chosen = {0, len(values) - 1, *kept}
    while len(chosen) < most:
        gaps = pairwise(sorted(chosen))
        splits = [(abs(values[a] - values[b]), a, b) for a, b in gaps if b - a > 1]
        if not splits:
            break
        _, low, high = max(splits)
        middle = (values[low] + values[high]) / 2.0
        chosen.add(min(range(low + 1, high), key=lambda i: abs(values[i] - middle)))
    return sorted(chosen)
