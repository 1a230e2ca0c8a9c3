"""What the options of one topology are made from, and the least that parts cost in any set."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from optimizer import dominance, evaluation, screen
from optimizer.buying import KIND_ORDER, SWITCHES, Prices, controller_units
from optimizer.evaluation import Coil, Scene
from optimizer.parts.bank_family import FamilyBanks
from optimizer.pool import Pool, pieces_wanted
from optimizer.purchase import PRICE_NONE
from optimizer.records import LOSS_UNIT, BoolArray, FloatArray, IntArray, switch_kind
from optimizer.spec_records import OBJECTIVE_WORST
from optimizer.stage import Stage, build_stage, lanes_where

Choices = tuple[IntArray, IntArray]
"""Rows and pieces."""

Cost = Callable[[Prices, str, int, int], IntArray]
"""Cost of every part of a kind, of which the other places hold so many, in so many places."""


@dataclass(frozen=True, slots=True)
class Market:
    """Everything the options of one topology are made from.

    stage, scene, coils : all lanes, one row per skeleton
    part, view : the stage and the scene in the objective lanes only
    objective : those lanes; weight : their weights, (n_objective,)
    least : kind -> share of what any set pays that its pieces can be given at least, and
    marginal : kind -> what they add at least to a set that may hold the part already
        [COST_UNIT], placement included
    fixed_cost : controller, and charge-current sense bought alone [COST_UNIT]
    covered : (node, frequency) -> least cost of a bank that holds each type
    money : node -> least cost of a bank, by skeleton
    listed : (node, frequency, kind of cost) -> banks that may pass
    alternates : positions or skeleton -> what `second_sources` has worked out
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
    marginal: Mapping[str, IntArray]
    fixed_cost: int
    covered: dict[tuple[str, float], IntArray] = field(default_factory=dict)
    money: dict[str, IntArray] = field(default_factory=dict)
    listed: dict[tuple[str, float, str], FamilyBanks] = field(default_factory=dict)
    alternates: dict[tuple[str, ...] | int, object] = field(default_factory=dict)

    @property
    def numbers_limited(self) -> bool:
        """Whether some set could hold more part numbers than the spec allows."""
        rules, topology = self.stage.spec.choice, self.stage.topology
        most = 2 + 2 * len(topology.LEGS) + rules.bank_types_max * len(self.stage.nodes)
        return bool(rules.part_numbers_max and rules.part_numbers_max < most)

    @property
    def lanes_apart(self) -> bool:
        """Whether the worst of several lanes counts: then none is beaten by its weighted loss."""
        worst = self.stage.spec.choice.objective == OBJECTIVE_WORST
        return worst and len(self.objective) > 1

    def choices(self, position: str) -> Choices:
        """Every part of a switch position in every number of pieces."""
        rows, pieces = screen.switch_choices(self.stage, self.pool, position)
        keep = pieces_wanted(self.stage, position, pieces)
        return rows[keep], pieces[keep]

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
        least=_by_kind(stage, prices, _least_cost),
        marginal=_by_kind(stage, prices, _marginal_cost),
        fixed_cost=controller_units(stage.spec, stage.topology.NAME)
        + (0 if prices.charge is None else prices.charge.units),
    )


def _by_kind(stage: Stage, prices: Prices, cost: Cost) -> dict[str, IntArray]:
    """A cost of so many pieces of each part, by kind, (n_part, pieces_max + 1) each.

    A part that can be bought for one place only costs what it costs alone. Transistors may be
    shared by two legs and capacitors by all banks. "switch" holds transistors and diodes.
    """
    rules = stage.spec.choice
    legs = len(stage.topology.LEGS)
    banks = len(stage.nodes)
    others = {
        "mosfet": 2 * rules.transistors_parallel_max if legs > 1 else 0,
        "capacitor": (banks - 1) * rules.bank_pieces_max,
    }
    places = {"mosfet": legs, "capacitor": banks}
    found = {
        kind: cost(prices, kind, others[kind], places[kind])
        if others.get(kind)
        else prices.alone(kind)
        for kind in KIND_ORDER
    }
    return found | {"switch": np.concatenate([found[kind] for kind in SWITCHES])}


def _least_cost(prices: Prices, kind: str, most: int, places: int) -> IntArray:
    """Least share of what is paid, where the other places hold up to `most` pieces.

    Each place is given either a share of the pooled price, or of two places the price alone less
    half of the most that sharing can save, per part whichever is nearer to the price alone. Both
    divide no more than what is paid.
    """
    alone = prices.alone(kind)
    pieces = np.arange(alone.shape[1])
    pooled = dominance.optimistic_cost(*_every(alone), **_bought(prices, kind, most))
    pooled = pooled.reshape(alone.shape)
    if places > 2:
        return np.asarray(pooled)
    saving = np.zeros(len(alone), dtype=np.int64)
    for one in range(1, most + 1):
        for two in range(one, min(most, alone.shape[1] - 1 - one) + 1):
            saved = alone[:, one] + alone[:, two] - alone[:, one + two]
            saving = np.maximum(saving, saved)
    halved = alone - (saving[:, None] + 1) // 2 * (pieces[None, :] > 0)
    nearer = halved[:, 1] >= pooled[:, 1]
    return np.asarray(np.where(nearer[:, None], halved, pooled))


def _marginal_cost(prices: Prices, kind: str, most: int, _places: int) -> IntArray:
    """Least that pieces add to the cost of a set that holds up to `most` others of the part."""
    alone = prices.alone(kind)
    least, _ = dominance.marginal_costs(*_every(alone), **_bought(prices, kind, most))
    return np.where(alone < PRICE_NONE, np.minimum(least.reshape(alone.shape), alone), alone)


def _every(alone: IntArray) -> tuple[IntArray, IntArray]:
    """Every part in every number of pieces: part and pieces, (n, 1) each."""
    count, pieces = len(alone), np.arange(alone.shape[1])
    part = np.repeat(np.arange(count), len(pieces))[:, None]
    return part, np.tile(pieces, count)[:, None]


def _bought(prices: Prices, kind: str, most: int) -> dict[str, Any]:
    """Prices of one kind, and how many other pieces of each part a set may hold."""
    start, count = prices.offset[kind], len(prices.alone(kind))
    return {
        "price": prices.table[start : start + count],
        "line_item": prices.line_item,
        "placement": prices.placement,
        "others": np.full(count, most),
    }


def whole_units(loss: FloatArray) -> IntArray:
    """A lower bound on losses as whole loss units, one unit of rounding taken off."""
    units = np.floor(np.where(np.isfinite(loss), loss, 0.0) / LOSS_UNIT) - 1
    return np.asarray(units, dtype=np.int64)
