"""Lanes of the efficiency curves: typical parts in nominal air over input and load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.points_places import input_range, regions
from optimizer.records import BRACKET_OWN, CORNER_NOMINAL, FloatArray, Lanes
from optimizer.spec_records import Spec

INPUTS = 17
"""Evenly spaced inputs of a curve, beside both sides of every region boundary."""

LOADS_MOST = 5
BESIDE = 1e-6
"""How far beside a boundary its two sides are taken, relative."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """Lanes of the curves and the load share of each, (n_sweep,)."""

    lanes: Lanes
    load: FloatArray


def sweep(spec: Spec, topology_name: str) -> Sweep:
    """Every load over the continuous input range, both sides of each region boundary included."""
    rows = [
        (load, volts, region)
        for load in load_shares(spec)
        for volts in _inputs(spec, topology_name)
        for region in regions(spec, topology_name, volts, spec.load.v_output, spread=False)[:1]
    ]
    load, volts, region = (np.array(column) for column in zip(*rows, strict=True))
    one = np.ones(len(rows))
    none, no = np.full(len(rows), np.nan), np.zeros(len(rows), dtype=bool)
    corner = np.full(len(rows), CORNER_NOMINAL, dtype=np.int64)
    lanes = Lanes(
        name=tuple("curve" for _ in rows),
        v_input=volts.astype(np.float64),
        v_output=spec.load.v_output * one,
        i_output=spec.load.i_output * load,
        temp_ambient=spec.ambient.temp_nominal * one,
        region=region.astype(np.int64),
        guaranteed=no,
        corner=corner,
        bracket=np.full(len(rows), BRACKET_OWN, dtype=np.int64),
        transient=no,
        full_load=load >= 1.0,
        share=0.0 * one,
        loss_ceiling=none,
        efficiency_floor=none,
    )
    return Sweep(lanes, load.astype(np.float64))


def load_shares(spec: Spec) -> list[float]:
    """Load levels worth a curve: full load and those of the mission of most time."""
    time: dict[float, float] = {}
    for row in spec.mission:
        if row.load_share > 0.0:
            time[row.load_share] = time.get(row.load_share, 0.0) + row.share
    time.pop(1.0, None)
    usual = [1.0, *sorted(time, key=lambda load: -time[load])]
    more = [load for load in (0.5, 0.1) if load not in usual]
    return sorted([*usual, *more][:LOADS_MOST], reverse=True)


def _inputs(spec: Spec, topology_name: str) -> list[float]:
    """Inputs of a curve, rising."""
    low, high, _, _ = input_range(spec)
    window = spec.controllers[topology_name].window
    ratios = () if window is None else (window.ratio_low, window.ratio_high)
    edges = [spec.load.v_output * ratio for ratio in ratios]
    sides = [edge * (1.0 + side) for edge in edges for side in (-BESIDE, BESIDE)]
    inside = [volts for volts in sides if low < volts < high]
    return sorted({*np.linspace(low, high, INPUTS).tolist(), *inside})
