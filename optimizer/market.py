"""What the options of one topology are made from, and the least that parts cost in any set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from optimizer import dominance, evaluation, screen
from optimizer.buying import SWITCHES, Prices, controller_units
from optimizer.evaluation import Coil, Scene
from optimizer.pool import Pool
from optimizer.records import LOSS_UNIT, BoolArray, FloatArray, IntArray, switch_kind
from optimizer.stage import Stage, build_stage, lanes_where

Choices = tuple[IntArray, IntArray]
"""Rows and pieces."""


@dataclass(frozen=True, slots=True)
class Market:
    """Everything the options of one topology are made from.

    stage, scene, coils : all lanes, one row per skeleton
    part, view : the stage and the scene in the objective lanes only
    objective : those lanes; weight : their weights, (n_objective,)
    least : kind -> least an option's pieces can add to any set [COST_UNIT], placement included
    fixed_cost : controller [COST_UNIT]; covered : (node, frequency) -> least cost of a
        bank that holds each type
    """

    stage: Stage
    pool: Pool
    prices: Prices
    scene: Scene
    coils: Coil
    part: Stage
    view: Scene
    objective: IntArray
    weight: FloatArray
    least: Mapping[str, IntArray]
    fixed_cost: int
    covered: dict[tuple[str, float], IntArray] = field(default_factory=dict)

    def choices(self, position: str) -> Choices:
        """Every part of a switch position in every number of pieces."""
        return screen.switch_choices(self.stage, self.pool, position)

    def coil_cost(self, rows: IntArray) -> IntArray:
        """Cost of the inductors of skeletons in the pieces the stage takes."""
        return screen.coil_costs(self.stage, self.prices)[self.scene.coil[rows]]

    def numbered(self, position: str, choices: Choices) -> Choices:
        """The choices of a switch position by their part numbers."""
        return self.prices.number(switch_kind(position), choices[0]), choices[1]

    def frequency(self) -> FloatArray:
        """Nominal frequency of each skeleton [Hz], (n_set,)."""
        tolerance = self.stage.controller.frequency_tolerance
        corner = self.stage.lanes.corner[0]
        return np.asarray(self.scene.operation.frequency[:, 0] / (1.0 + corner * tolerance))


def market(
    stage: Stage, pool: Pool, prices: Prices, scene: Scene, lanes: BoolArray, weight: FloatArray
) -> Market:
    """Collect what the options need; `lanes`, `weight` : of the objective, (n_lane,)."""
    index = np.flatnonzero(lanes)
    part = build_stage(
        stage.spec, stage.topology.NAME, lanes=lanes_where(stage.lanes, lanes), tables=stage.tables
    )
    return Market(
        stage=stage,
        pool=pool,
        prices=prices,
        scene=scene,
        coils=evaluation.coils(scene),
        part=part,
        view=scene.lanes(part, index),
        objective=index,
        weight=weight[index],
        least=_least_costs(stage, prices),
        fixed_cost=controller_units(stage.spec, stage.topology.NAME),
    )


def _least_costs(stage: Stage, prices: Prices) -> dict[str, IntArray]:
    """What so many pieces of each part add at least to the cost of any set.

    A part that can be bought for one place only costs what it costs alone. Transistors may be
    shared by two legs and capacitors by two banks: there each place is given either a share of
    the pooled price, or the price alone less half of the most that sharing can save, per part
    whichever is nearer to the price alone. Both divide no more than what is paid.
    """
    rules = stage.spec.choice
    legs = len(stage.topology.LEGS)
    others = (len(stage.nodes) - 1) * rules.bank_pieces_max
    most = {
        "mosfet": 2 * rules.transistors_parallel_max if legs > 1 else 0,
        "diode": 0,
        "capacitor": others,
        "inductor": 0,
        "resistor": 0,
    }
    two = {kind: kind != "capacitor" or len(stage.nodes) == 2 for kind in most}
    found = {kind: _least_cost(prices, kind, n, two_places=two[kind]) for kind, n in most.items()}
    return found | {"switch": np.concatenate([found[kind] for kind in SWITCHES])}


def _least_cost(prices: Prices, kind: str, most: int, *, two_places: bool) -> IntArray:
    """As above for one kind, of which the other places hold up to `most` pieces.

    Half of the saving is a bound for two places only.
    """
    alone = prices.alone(kind)
    if most == 0:
        return alone
    start, count = prices.offset[kind], len(alone)
    pieces = np.arange(alone.shape[1])
    pooled = dominance.optimistic_cost(
        np.repeat(np.arange(count), len(pieces))[:, None],
        np.tile(pieces, count)[:, None],
        price=prices.table[start : start + count],
        line_item=prices.line_item,
        placement=prices.placement,
        others=np.full(count, most),
    ).reshape(alone.shape)
    if not two_places:
        return np.asarray(pooled)
    saving = np.zeros(count, dtype=np.int64)
    for one in range(1, most + 1):
        for two in range(one, min(most, alone.shape[1] - 1 - one) + 1):
            saved = alone[:, one] + alone[:, two] - alone[:, one + two]
            saving = np.maximum(saving, saved)
    halved = alone - (saving[:, None] + 1) // 2 * (pieces[None, :] > 0)
    nearer = halved[:, 1] >= pooled[:, 1]
    return np.asarray(np.where(nearer[:, None], halved, pooled))


def whole_units(loss: FloatArray) -> IntArray:
    """A lower bound on losses as whole loss units, one unit of rounding taken off."""
    units = np.floor(np.where(np.isfinite(loss), loss, 0.0) / LOSS_UNIT) - 1
    return np.asarray(units, dtype=np.int64)
