"""Points that rest at more than one loss: where a current below zero turns on hard or softly.

Whether the coil swings a node within the dead time decides over the loss of its output charge, and
that loss moves the current which decides: both states can hold themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer import assembly
from optimizer.assembly import Sets
from optimizer.conclude_figures import own_stage
from optimizer.conclude_sets import Chosen, stacked
from optimizer.points_sweep import sweep
from optimizer.records import BoolArray, FloatArray, Note
from optimizer.results import Verified
from optimizer.stage import Stage, build_stage, lanes_where

LOSSES_FIRST = (0.0, 0.3)
"""Shares of the output power from which another rest is looked for: below every loss, and above."""

APART = 1e-4
"""Share of a loss from which two rests are told apart: far above what iterating leaves."""

LANES_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Rests:
    """Where one set rests twice in one lane; losses [W], share of the mission's time [1]."""

    number: int
    lane: str
    share: float
    told: float
    other: float


def rest_notes(
    stages: Mapping[str, Stage],
    chosen: Sequence[Chosen],
    named: Mapping[str, Verified],
    curves: Sequence[int] = (),
) -> Iterator[Note]:
    """For each operating point at which sets rest at two losses: how many, and one of them.

    named : name -> figures of each set; curves : the sets whose efficiency curves are kept
    """
    names, verified = list(named), list(named.values())
    found: list[Rests] = []
    for topology, stage in stages.items():
        index = [k for k, one in enumerate(chosen) if one.topology == topology]
        drawn = [k for k in index if k in set(curves)]
        found += _at_points(own_stage(stage), index, chosen, verified) if index else ()
        found += _on_curves(stage, drawn, chosen) if drawn else ()
    by_lane: dict[str, list[Rests]] = {}
    for one in found:
        by_lane.setdefault(one.lane, []).append(one)
    for lane, many in list(by_lane.items())[:LANES_SHOWN]:
        yield Note("finding", f"two rests at {lane}", _told(many, names), "verification")
    if len(by_lane) > LANES_SHOWN:
        text = f"sets rest at two losses at {len(by_lane) - LANES_SHOWN} more operating points"
        yield Note("finding", "two rests", text, "verification")


def _told(many: Sequence[Rests], names: Sequence[str]) -> str:
    most = max(many, key=lambda one: abs(one.told - one.other))
    sets = len({one.number for one in many})
    alike = f", {sets - 1} more alike" if sets > 1 else ""
    mission = most.share * (most.other - most.told)
    weighed = f" (mission {mission:+.3f} W)" if mission else ""
    return (
        f"{names[most.number]} loses {most.told:.3f} W as printed or {most.other:.3f} W{weighed}"
        f"{alike}: a current below zero turns on hard or softly, each holds itself, and which a"
        " board takes is not modelled"
    )


def _at_points(
    own: Stage, index: Sequence[int], chosen: Sequence[Chosen], verified: Sequence[Verified]
) -> Iterator[Rests]:
    """Among the operating points of the verification."""
    below = np.array([verified[k].waves["i_valley"] < 0.0 for k in index])
    told = np.array([verified[k].loss_total for k in index])
    yield from _twice(own, index, chosen, below, told, own.lanes.name)


def _on_curves(stage: Stage, index: Sequence[int], chosen: Sequence[Chosen]) -> Iterator[Rests]:
    """Along the efficiency curves."""
    lanes = sweep(stage.spec, stage.topology.NAME).lanes
    wide = build_stage(stage.spec, stage.topology.NAME, lanes=lanes, tables=stage.tables)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        result = assembly.own_physics(wide, stacked([chosen[k] for k in index]), ripple=False)
    below = np.broadcast_to(result.scene.wave.i_valley[..., 0] < 0.0, result.total.shape)
    names = [f"{v:.4g} V, {i:.3g} A" for v, i in zip(lanes.v_input, lanes.i_output, strict=True)]
    yield from _twice(wide, index, chosen, below, result.total, names)


def _twice(
    stage: Stage,
    index: Sequence[int],
    chosen: Sequence[Chosen],
    below: BoolArray,
    told: FloatArray,
    names: Sequence[str],
) -> Iterator[Rests]:
    """Where sets rest at another loss than told, in lanes with currents below zero."""
    lanes = stage.lanes
    sets, kept = stacked([chosen[k] for k in index]), below.any(axis=0) & ~lanes.transient
    if not kept.any():
        return
    if np.isnan(stage.inductors.core_loss_reference[sets.coil]).any():
        kept |= lanes.full_load & ~lanes.transient  # an unknown core loss is scaled by these
    near = build_stage(
        stage.spec, stage.topology.NAME, lanes=lanes_where(lanes, kept), tables=stage.tables
    )
    other, at = other_rests(near, sets, told[:, kept]), np.flatnonzero(kept)
    for row, column in np.argwhere(np.isfinite(other)):
        lane = at[column]
        figures = float(lanes.share[lane]), float(told[row, lane]), float(other[row, column])
        yield Rests(index[row], names[lane], *figures)


def other_rests(stage: Stage, sets: Sets, told: FloatArray) -> FloatArray:
    """Loss of the rest farthest from the one told, NaN where there is no other, (n_set, n_lane).

    told : loss of the sets at their own state [W], (n_set, n_lane)
    """
    other = np.full(told.shape, np.nan)
    for first in LOSSES_FIRST:
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            total = assembly.own_physics(stage, sets, ripple=False, loss_first=first).total
        off = np.abs(total - told)
        farther = (off > APART * told) & ~(off <= np.abs(other - told))
        other = np.where(farther, total, other)
    return other
