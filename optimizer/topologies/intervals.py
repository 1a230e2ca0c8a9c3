"""Shorthand for writing a topology's intervals, and lanes of several regions side by side."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np

from optimizer.records import (
    INPUT_DIODE,
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_DIODE,
    OUTPUT_HIGH,
    OUTPUT_LOW,
    REGION_WINDOW,
    WINDINGS,
    BoolArray,
    FloatArray,
    IntArray,
    Leg,
    Pattern,
    Window,
)

N_INTERVAL = 4
"""Intervals of every pattern; unused ones have base = slope = 0 and carry nothing: the first of
them is where a current that cannot reverse rests."""

TABLES_KEPT = 64
"""Tables of lanes kept, as the same lanes are asked for at every step of a state."""

INPUT_LEG = Leg("input leg", INPUT_HIGH, INPUT_LOW, "input")
OUTPUT_LEG = Leg("output leg", OUTPUT_LOW, OUTPUT_HIGH, "output")
INPUT_DIODE_LEG = Leg("input leg", INPUT_HIGH, INPUT_DIODE, "input")
OUTPUT_DIODE_LEG = Leg("output leg", OUTPUT_LOW, OUTPUT_DIODE, "output")
SEPIC_LEG = Leg("output leg", OUTPUT_LOW, OUTPUT_HIGH, "both")
SEPIC_DIODE_LEG = Leg("output leg", OUTPUT_LOW, OUTPUT_DIODE, "both")


class Topology(Hashable, Protocol):
    """What the module of a topology offers; held to it by ``tests/contracts.py``.

    `POSITIONS` are the switch positions in the order of the current path, `LEGS` the half
    bridges, `REGIONS` the regions the stage can work in. With a diode in a leg the coil current
    cannot reverse and rests at zero for a part of the pattern at light load.
    """

    NAME: str
    POSITIONS: tuple[str, ...]
    LEGS: tuple[Leg, ...]
    REGIONS: tuple[int, ...]

    def pattern(self, region: int, window: Window | None) -> Pattern:
        """Intervals of one switching pattern in `region`."""

    def regions_of(
        self, *, v_input: float, v_output: float, window: Window | None
    ) -> tuple[int, ...]:
        """Every region the stage may be in at this ratio, edge tolerances included."""

    def refusal(
        self,
        *,
        v_input_min: float,
        v_input_max: float,
        v_output_min: float,
        v_output_max: float,
    ) -> str | None:
        """Why the topology cannot do the job, or None."""


@dataclass(frozen=True, slots=True)
class Row:
    """One interval: which node of the coil is tied high, and its share ``base + slope * duty``."""

    input_high: bool
    output_high: bool
    base: float
    slope: float


def pattern_of(
    rows: Sequence[Row],
    *,
    positions: Sequence[str],
    duty_input: tuple[float, float],
    duty_output: tuple[float, float],
    switching: Mapping[str, float],
    cycles: int = 1,
) -> Pattern:
    """Pattern of a stage with one coil between an input and an output node.

    rows : intervals in their order, at most N_INTERVAL
    positions : switch positions the stage has
    duty_input, duty_output : on-duty of input-high and output-low as (offset, slope) of the
        regulated duty [1]
    switching : control position to its turn-ons per switching cycle of the stage [1]
    cycles : switching cycles the pattern spans
    Returns : the pattern; shares are 0 or 1, (n_interval, 1)

    Holds for: a coil tied high or low at either end, one transistor conducting at each end.
    Source: derived in DEVELOPERS.md.

    >>> rows = [Row(True, True, 0.0, 1.0), Row(False, True, 1.0, -1.0)]
    >>> half = {"duty_input": (0.0, 1.0), "duty_output": (0.0, 0.0), "switching": {}}
    >>> pattern_of(rows, positions=[INPUT_LOW], **half).conducts[INPUT_LOW].ravel()
    array([0., 1., 0., 0.])
    """
    padded = list(rows) + [Row(False, False, 0.0, 0.0)] * (N_INTERVAL - len(rows))
    used = np.arange(N_INTERVAL) < len(rows)
    high_input = np.array([row.input_high for row in padded]) & used
    high_output = np.array([row.output_high for row in padded]) & used
    on = {
        INPUT_HIGH: high_input,
        INPUT_LOW: ~high_input & used,
        INPUT_DIODE: ~high_input & used,
        OUTPUT_LOW: ~high_output & used,
        OUTPUT_HIGH: high_output,
        OUTPUT_DIODE: high_output,
    }
    return Pattern(
        base=np.array([row.base for row in padded]),
        slope=np.array([row.slope for row in padded]),
        winding_input=_column(high_input),
        winding_output=0.0 - _column(high_output),
        input_current=_column(high_input),
        output_current=_column(high_output),
        conducts={position: _column(on[position]) for position in positions},
        cycles=cycles,
        duty_input=duty_input,
        duty_output=duty_output,
        switching=switching,
        coupling_current=np.zeros((N_INTERVAL, 1)),
        winding_drop=np.zeros((N_INTERVAL, 1)),
    )


def _column(share: BoolArray) -> FloatArray:
    return share.astype(np.float64)[:, np.newaxis]


def control_run(pattern: Pattern, control: str) -> tuple[int, int]:
    """First and last interval of the one on-run of `control` in `pattern`, counted cyclically."""
    used = np.flatnonzero((pattern.base != 0) | (pattern.slope != 0))
    on = pattern.conducts[control][used].any(axis=1)
    starts = used[on & ~np.roll(on, 1)]
    ends = used[on & ~np.roll(on, -1)]
    return int(starts[0]), int(ends[0])


def _two_rows(pattern: Pattern) -> bool:
    """Whether a pattern is one rise and one fall."""
    return int(np.count_nonzero((pattern.base != 0) | (pattern.slope != 0))) == 2


@dataclass(frozen=True, slots=True)
class LaneTable:
    """The patterns of all lanes side by side, interval axis first.

    base, slope : (n_interval, n_lane); the winding, current and conducting shares are
    (n_interval, n_lane, n_inductor); the rest is (n_lane,). `first` and `last` are the intervals
    in which the control transistor turns on and off. `one_way`: the coil current cannot reverse.
    """

    base: FloatArray
    slope: FloatArray
    winding_input: FloatArray
    winding_output: FloatArray
    input_current: FloatArray
    output_current: FloatArray
    conducts: Mapping[str, FloatArray]
    coupling_current: FloatArray
    winding_drop: FloatArray
    cycles: FloatArray
    duty_input: FloatArray
    duty_output: FloatArray
    switching: Mapping[str, FloatArray]
    first: Mapping[str, IntArray]
    last: Mapping[str, IntArray]
    offered: BoolArray
    one_way: BoolArray


def windings(topology: Topology) -> tuple[str, ...]:
    """Names of the windings of a stage with two coils; none where there is one."""
    return WINDINGS if topology.LEGS[0].node == "both" else ()


def has_diode(topology: Topology) -> bool:
    """Whether a diode stands in a leg."""
    return any(leg.rectifier == "diode" for leg in topology.LEGS)


def lane_table(
    topology: Topology, region: IntArray, window: Window | None, *, emulation: bool = False
) -> LaneTable:
    """Stack the patterns of the regions in `region` (n_lane,) into one table.

    emulation : synchronous transistors open when the current reaches zero, where the pattern
        rises once and falls once; a window pattern stays in forced continuous conduction
    """
    return _lane_table(topology, tuple(region.tolist()), window, emulation)


@lru_cache(TABLES_KEPT)
def _lane_table(
    topology: Topology, regions: tuple[int, ...], window: Window | None, emulation: bool
) -> LaneTable:
    region = np.array(regions)
    known = [r for r in topology.REGIONS if r != REGION_WINDOW or window is not None]
    patterns = [topology.pattern(r, window) for r in known]
    pick = np.zeros(region.shape, dtype=np.int64)
    for index, number in enumerate(known):
        pick[region == number] = index

    def stack(name: str) -> FloatArray:
        return np.stack([getattr(p, name) for p in patterns], axis=1)[:, pick]

    def per_leg(values: Mapping[str, list[int]]) -> dict[str, IntArray]:
        return {control: np.array(value, dtype=np.int64)[pick] for control, value in values.items()}

    controls = [leg.control for leg in topology.LEGS]
    runs = {
        c: [control_run(p, c) if c in p.switching else (0, 0) for p in patterns] for c in controls
    }
    return LaneTable(
        base=stack("base"),
        slope=stack("slope"),
        winding_input=stack("winding_input"),
        winding_output=stack("winding_output"),
        input_current=stack("input_current"),
        output_current=stack("output_current"),
        conducts={
            position: np.stack([p.conducts[position] for p in patterns], axis=1)[:, pick]
            for position in topology.POSITIONS
        },
        coupling_current=stack("coupling_current"),
        winding_drop=stack("winding_drop"),
        cycles=np.array([float(p.cycles) for p in patterns])[pick],
        duty_input=np.array([p.duty_input for p in patterns])[pick].T,
        duty_output=np.array([p.duty_output for p in patterns])[pick].T,
        switching={
            c: np.array([p.switching.get(c, 0.0) for p in patterns])[pick] for c in controls
        },
        first=per_leg({c: [run[0] for run in runs[c]] for c in controls}),
        last=per_leg({c: [run[1] for run in runs[c]] for c in controls}),
        offered=np.isin(region, known),
        one_way=np.array([(emulation or has_diode(topology)) and _two_rows(p) for p in patterns])[
            pick
        ],
    )
