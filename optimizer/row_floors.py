"""Which skeletons cannot keep a limit on the total loss, whatever stands beside their inductor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer import floors, floors_legs, limits
from optimizer.market import Market
from optimizer.records import LOSS_UNIT, BoolArray, Fall, FloatArray, IntArray, Waterfall
from optimizer.stage import build_stage, lanes_where

CEILINGS = 2
"""Lanes in which the loss ceiling is looked at: where inductor and ceiling are closest."""

POSITION = "inductor and frequency, whole set"
"""Position of the waterfall."""


def refused(found: Market) -> tuple[BoolArray, Waterfall]:
    """Skeletons that cannot keep an efficiency floor or the loss ceiling, (n_set,), and how many.

    The least loss of each position in the one lane, from the floors that serve the front, adds up
    to a bound on the whole loss there.
    """
    allowed = limits.loss_allowed(found.stage)
    gone = np.zeros(len(found.scene.coil), dtype=bool)
    falls = []
    for lane in _lanes(found):
        left = ~gone
        short = left & (_least_loss(found, lane) > allowed[lane])
        if short.any():
            falls.append(Fall(POSITION, _reason(found, lane), int(left.sum()), int(short.sum())))
        gone |= short
    return gone, Waterfall(POSITION, len(gone), tuple(falls), int((~gone).sum()))


def _lanes(found: Market) -> IntArray:
    """Every lane with a floor, and those in which the inductor alone comes nearest the ceiling."""
    allowed, lanes = limits.loss_allowed(found.stage), found.stage.lanes
    named = ~np.isnan(lanes.efficiency_floor)
    capped = np.flatnonzero(np.isfinite(allowed) & ~named)
    share = np.nanmin(found.coils.loss[:, capped], axis=0) / allowed[capped]
    return np.concatenate([np.flatnonzero(named), capped[np.argsort(-share)[:CEILINGS]]])


def _reason(found: Market, lane: int) -> str:
    lanes = found.stage.lanes
    kind = "ceiling" if np.isnan(lanes.efficiency_floor[lane]) else "floor"
    return f"{kind} on the loss at {lanes.name[lane]}"


def _least_loss(found: Market, lane: int) -> FloatArray:
    """Bound on the loss of complete sets of each skeleton in one lane [W], (n_set,)."""
    mask = np.arange(len(found.stage.lanes)) == lane
    lanes = lanes_where(found.stage.lanes, mask)
    stage = found.stage
    part = build_stage(stage.spec, stage.topology.NAME, lanes=lanes, tables=stage.tables)
    index = np.array([lane])
    view = found.scene.lanes(part, index)
    one = replace(found, part=part, view=view, objective=index, weight=np.ones(1))
    loss_only = np.array([[0.0, 1.0]])
    least = np.zeros(len(found.scene.coil))
    frequency = np.round(found.frequency())
    for value in np.unique(frequency):
        rows = np.flatnonzero(frequency == value)
        classes = {n: c for n, (_, c) in floors_legs.legs(one, loss_only, rows).items()}
        family = floors_legs.family_bound(classes)
        least[rows] = floors.skeleton_bounds(one, loss_only, rows, family)[:, 0]
    return least * LOSS_UNIT
