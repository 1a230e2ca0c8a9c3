"""Lanes of the efficiency curves: typical parts in nominal air over input and load."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.load_records import LeadAcid, LedString, Lithium
from optimizer.points import output_of
from optimizer.points_places import input_range, regions
from optimizer.records import BRACKET_OWN, CORNER_NOMINAL, IntArray, Lanes
from optimizer.spec_mission import default_loads
from optimizer.spec_records import MissionRow, Spec

INPUTS = 17
"""Evenly spaced inputs of a curve, beside both sides of every region boundary."""

LOADS_MOST = 5
CURVES_MOST = 8
LOAD_FIELDS = ("record", "v_output", "i_output", "demands")
BESIDE = 1e-6
"""How far beside a boundary its two sides are taken, relative."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve: a phase of charging by its name, or a level of load ("" as its name).

    load : output current over the full one; v_output [V], i_output [A]
    """

    name: str
    load: float
    v_output: float
    i_output: float


@dataclass(frozen=True, slots=True)
class Sweep:
    """Lanes of the curves, and which of the curves each is of, (n_sweep,)."""

    lanes: Lanes
    curves: tuple[Curve, ...]
    curve: IntArray


def sweep(spec: Spec, topology_name: str) -> Sweep:
    """Every curve over the continuous input range, both sides of each region boundary included."""
    found = curves(spec)
    rows = [
        (number, volts, region)
        for number, one in enumerate(found)
        for volts in _inputs(spec, topology_name, one.v_output)
        for region in regions(spec, topology_name, volts, one.v_output, spread=False)[:1]
    ]
    number, volts, region = (np.array(column) for column in zip(*rows, strict=True))
    one = np.ones(len(rows))
    none, no = np.full(len(rows), np.nan), np.zeros(len(rows), dtype=bool)
    lanes = Lanes(
        name=tuple("curve" for _ in rows),
        v_input=volts.astype(np.float64),
        v_output=np.array([curve.v_output for curve in found])[number],
        i_output=np.array([curve.i_output for curve in found])[number],
        temp_ambient=spec.ambient.temp_nominal * one,
        region=region.astype(np.int64),
        guaranteed=no,
        corner=np.full(len(rows), CORNER_NOMINAL, dtype=np.int64),
        bracket=np.full(len(rows), BRACKET_OWN, dtype=np.int64),
        transient=no,
        full_load=np.array([curve.load >= 1.0 for curve in found])[number],
        share=0.0 * one,
        loss_ceiling=none,
        efficiency_floor=none,
    )
    return Sweep(lanes, found, number.astype(np.int64))


def curves(spec: Spec) -> tuple[Curve, ...]:
    """Phases by name where the mission or a battery on charge has some, else levels of load."""
    load, phases = spec.load, [row for row in spec.mission if row.phase]
    if not phases and isinstance(load.record, LeadAcid | Lithium):
        _, usual = default_loads({name: getattr(load, name) for name in LOAD_FIELDS})
        phases = [
            MissionRow(one["name"], load.v_output, one["load_share"], 0.0, 0.0, one["v_output"])
            for one in usual
        ]
        phases = [replace(row, phase=row.name) for row in phases]
    rows = phases or [MissionRow("", load.v_output, one, 0.0, 0.0) for one in load_shares(spec)]
    found = {
        (row.phase, row.load_share): Curve(
            row.phase, row.load_share, output_of(spec, row), row.load_share * load.i_output
        )
        for row in rows
        if row.load_share > 0.0
    }
    return tuple(found.values())[:CURVES_MOST]


def load_shares(spec: Spec) -> list[float]:
    """Load levels worth a curve: full load and those of the mission of most time.

    A lamp has none below its least continuous current.
    """
    time: dict[float, float] = {}
    for row in spec.mission:
        if row.load_share > 0.0:
            time[row.load_share] = time.get(row.load_share, 0.0) + row.share
    time.pop(1.0, None)
    usual = [1.0, *sorted(time, key=lambda load: -time[load])]
    record = spec.load.record
    least = record.dimming.analogue_share if isinstance(record, LedString) else 0.0
    more = [load for load in (0.5, 0.1) if load not in usual and load >= least]
    return sorted([*usual, *more][:LOADS_MOST], reverse=True)


def _inputs(spec: Spec, topology_name: str, v_output: float) -> list[float]:
    """Inputs of a curve of one output, rising."""
    low, high, _, _ = input_range(spec)
    window = spec.controllers[topology_name].window
    ratios = () if window is None else (window.ratio_low, window.ratio_high)
    edges = [v_output * ratio for ratio in ratios]
    sides = [edge * (1.0 + side) for edge in edges for side in (-BESIDE, BESIDE)]
    inside = [volts for volts in sides if low < volts < high]
    return sorted({*np.linspace(low, high, INPUTS).tolist(), *inside})
