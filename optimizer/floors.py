"""Lower bounds on what a whole skeleton costs and loses, cheap enough for all of them.

A bound may be loose but never too high: what it drops is provably not on the front. Losses are
weighted over the objective lanes; bounds are taken in every direction of a fan of weights.
"""

from __future__ import annotations

import numpy as np

from optimizer import evaluation, floors_legs, screen
from optimizer.dominance import Staircase, summed
from optimizer.floors_banks import bank_bounds, bank_money, bank_stair
from optimizer.market import Market, whole_units
from optimizer.records import LOSS_UNIT, FloatArray, IntArray


def fixed_losses(found: Market, rows: IntArray) -> FloatArray:
    """Weighted loss of inductor, board copper and controller supply [W], (n_row,)."""
    stage, view = found.stage, found.view
    i_rms = view.wave.i_rms[rows][..., 0]
    board = stage.spec.board.resistance * i_rms**2
    supply = view.operation.v_input[rows] * stage.controller.i_quiescent
    return np.asarray((found.coils.loss[rows][:, found.objective] + board + supply) @ found.weight)


def sense_floors(found: Market, rows: IntArray) -> FloatArray:
    """Weighted loss of the smallest resistance that can close the limit chain [W], (n_row,)."""
    scene = found.scene.take(rows)
    coils = evaluation.set_rows(found.coils, rows)
    low, _ = screen.sense_range(found.stage, scene, coils)
    square = evaluation.i_sensed(found.view.take(rows)) ** 2 @ found.weight
    return np.asarray(np.where(np.isfinite(low), low, 0.0) * square)


def skeleton_bounds(
    found: Market, weights: FloatArray, rows: IntArray, legs: FloatArray
) -> FloatArray:
    """Bound in every direction on complete sets of the skeletons `rows`, (n_row, n_direction).

    `legs` : bound on their half bridges, (n_direction,) or (n_row, n_direction); all skeletons of
    `rows` share their frequency
    """
    own = found.coil_cost(rows)
    sense = int(found.least["resistor"][found.pool.sense, 1].min(initial=1 << 40))
    cost = found.fixed_cost + own + sense
    loss = whole_units(fixed_losses(found, rows)) + whole_units(sense_floors(found, rows))
    total = weights[None, :, 0] * cost[:, None] + weights[None, :, 1] * loss[:, None] + legs
    for node, types in found.pool.bank.items():
        total = total + bank_bounds(found, node, weights, rows, types)
    return np.asarray(total)


def skeleton_stair(found: Market, skeleton: int, legs: Staircase) -> Staircase:
    """Bounds on complete sets of one skeleton as a staircase; `legs` : of its half bridges."""
    row = np.array([skeleton])
    coil = int(found.coil_cost(row)[0])
    sense = int(found.least["resistor"][found.pool.sense, 1].min(initial=1 << 40))
    loss = whole_units(fixed_losses(found, row)) + whole_units(sense_floors(found, row))
    total = legs[0] + found.fixed_cost + coil + sense, legs[1] + int(loss[0])
    for node, types in found.pool.bank.items():
        least = int(bank_money(found, node)[skeleton])
        total = summed(total, bank_stair(found, node, skeleton, types, least))
    return total


def typical_loss(found: Market) -> float:
    """Bound on the loss of inductor, half bridges, board and supply: the median skeleton's [W]."""
    pure_loss = np.array([[0.0, 1.0]])
    frequency = np.round(found.frequency())
    losses = []
    for value in np.unique(frequency):
        rows = np.flatnonzero(frequency == value)
        legs = floors_legs.legs(found, pure_loss, rows)
        least = sum(float(classes.apart[0]) for _, classes in legs.values())
        losses.append(fixed_losses(found, rows) + least * LOSS_UNIT)
    return float(np.median(np.concatenate(losses)))
