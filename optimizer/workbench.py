"""One skeleton under work: its bounds, what is open beside them, and additive rows of options.

An option goes only when a bound shows that no set holding it can be on the front.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from optimizer import (
    dominance,
    floors_banks,
    floors_legs,
    limits,
    market,
    open_losses,
)
from optimizer.dominance import Staircase
from optimizer.errors import Watch, go_on
from optimizer.evaluation import Scene
from optimizer.floors_legs import LegClasses
from optimizer.market import Market
from optimizer.purchase import PRICE_NONE
from optimizer.records import (
    LOSS_UNIT,
    BoolArray,
    FloatArray,
    Group,
    IntArray,
    Leg,
)
from optimizer.rivals import pair_cost
from optimizer.spec_records import OBJECTIVE_WORST
from optimizer.stage import Stage

CORNERS = 80
"""Points of the front so far that options are held against."""

LEVELS = 400
"""Steps of cost at which the loss still of interest is worked out."""

ROUNDING_UNITS = 8.0
"""Loss units by which the rounding of all groups together may differ from their sum."""

SKETCH = 28
"""Options of one position in a sketch."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What options are held against.

    joined : the exact front of a few groups together, shared parts pooled (the decision's merge)
    weights : fan of directions, (n_direction, 2); stair : front known so far, an option goes only
    when it is strictly worse; best_only : keep little more than what is best in some direction
    complete : keep options that others beat in cost and loss too, since a row (area, a floor, the
        number of part numbers) may want them
    pairs : the same for half bridges only
    alone : look only for banks that share no type with another one, to find good sets fast
    watch : called in long loops; raises where the search is to end
    """

    joined: Callable[[Sequence[Group]], Staircase]
    weights: FloatArray
    stair: Staircase
    best_only: bool = False
    complete: bool = False
    pairs: bool = False
    alone: bool = False
    watch: Watch = go_on


def loose(stair: Staircase) -> Staircase:
    """The staircase one loss unit up, so that what only equals it is not taken for worse."""
    return stair[0], stair[1] + 1


def cost_grid(low: int, high: int, levels: int) -> IntArray:
    """At most so many costs evenly from the lowest to the highest."""
    return np.unique(np.linspace(low, high, levels).astype(np.int64))


def thinned(stair: Staircase) -> Staircase:
    """The loose staircase with at most `CORNERS` of its points: weaker, never wrong."""
    cost, loss = loose(stair)
    if len(cost) <= CORNERS:
        return cost, loss
    kept = np.linspace(0, len(cost) - 1, CORNERS).astype(np.int64)
    return cost[kept], loss[kept]


@dataclass(frozen=True, slots=True)
class Rows:
    """The additive rows of one topology: lanes and limits of each kind, names in one order."""

    loss_lane: IntArray
    loss_allowed: FloatArray
    drive_lane: IntArray
    drive_allowed: FloatArray
    gain_lane: IntArray
    area_max: float
    forced: IntArray
    names: tuple[str, ...]


def rows_of(found: Market) -> Rows:
    """Every row a complete set must keep, whether or not it turns out slack."""
    stage = found.stage
    loss, drive = limits.loss_allowed(stage), limits.drive_allowed(stage)
    loss_lane = np.flatnonzero(np.isfinite(loss))
    drive_lane = np.flatnonzero(np.isfinite(drive))
    gain_lane = np.flatnonzero(limits.steady(stage))
    charge = found.prices.charge
    area = stage.spec.limits.area_max
    area_left = max(area - (0.0 if charge is None else charge.area_most), 1e-12)
    where = stage.lanes.name
    forced = [one.part_number for one in stage.spec.choice.force if one.position is None]
    number = {name: k for k, name in enumerate(found.prices.names)}
    topology = stage.topology.NAME
    names = [f"{topology}: loss at {where[k]} [{k}]" for k in loss_lane]
    names += [f"{topology}: drive current at {where[k]} [{k}]" for k in drive_lane]
    names += [f"{topology}: thermal gain at {where[k]} [{k}]" for k in gain_lane]
    names += [f"{topology}: area"] if np.isfinite(area) else []
    names += [f"{topology}: {part} is used" for part in forced]
    return Rows(
        loss_lane=loss_lane,
        loss_allowed=loss[loss_lane],
        drive_lane=drive_lane,
        drive_allowed=drive[drive_lane],
        gain_lane=gain_lane,
        area_max=area_left,
        forced=np.array([number[part] for part in forced], dtype=np.int64),
        names=tuple(names),
    )


def row_values(
    rows: Rows,
    *,
    loss: FloatArray,
    i_drive: FloatArray,
    gain: FloatArray,
    area: FloatArray,
    part: IntArray,
) -> FloatArray:
    """What options add to each row, in shares of its limit, (n_option, n_row).

    loss, i_drive, gain : (n_option, n_lane); area : (n_option,); part : (n_option, n_slot)
    A forced part is a row too: minus one for each option that holds it.
    """
    count = len(area)
    blocks = [
        loss[:, rows.loss_lane] / rows.loss_allowed,
        np.broadcast_to(i_drive, (count, i_drive.shape[1]))[:, rows.drive_lane]
        / rows.drive_allowed,
        np.broadcast_to(gain, (count, gain.shape[1]))[:, rows.gain_lane],
    ]
    if np.isfinite(rows.area_max):
        blocks.append(area[:, None] / rows.area_max)
    if len(rows.forced):
        held = (part[:, :, None] == rows.forced[None, None, :]).any(axis=1)
        blocks.append(-held.astype(np.float64))
    return np.concatenate(blocks, axis=1)


def area_of(stage: Stage, kind: str, rows: IntArray, pieces: IntArray) -> FloatArray:
    """Area of the bodies of some choices [m2], (n_choice,)."""
    return np.asarray(limits.body_area(stage, kind)[rows] * pieces)


def fixed_loss(scene: Scene) -> FloatArray:
    """What a skeleton loses whatever is chosen [W], (1, n_lane)."""
    stage, i_rms = scene.stage, scene.wave.i_rms[..., 0]
    copper = stage.spec.board.resistance * i_rms**2
    return np.asarray(copper + scene.operation.v_input * stage.controller.i_quiescent)


def fixed_row(rows: Rows, scene: Scene) -> FloatArray:
    """What a skeleton adds to each row whatever is chosen, (n_row,)."""
    stage = scene.stage
    blank: FloatArray = np.zeros((1, len(stage.lanes)))
    row: FloatArray = row_values(
        rows,
        loss=fixed_loss(scene),
        i_drive=blank + stage.controller.i_quiescent,
        gain=blank,
        area=np.zeros(1),
        part=np.full((1, 1), -2),
    )[0]
    if len(rows.forced):
        row[-len(rows.forced) :] = 2.0
    return row


def coil_holds(found: Market, skeleton: int) -> bool:
    """Whether the inductor has a loss in every lane and leaves room in the thermal-gain row.

    And whether the controller can make the shortest on-time of a resting current.
    """
    gain = found.coils.gain[skeleton][limits.steady(found.stage)]
    if not (np.isfinite(found.coils.loss[skeleton]).all() and np.isfinite(gain).all()):
        return False
    scene = found.scene.take(np.array([skeleton]))
    return all(check.holds()[0] for check in limits.light_load(found.stage, scene))


class Mixtures(Protocol):
    """Which options of a group pass in every mixture with second sources."""

    def passes(
        self,
        group: str,
        one: tuple[IntArray, IntArray],
        two: tuple[IntArray, IntArray] | None = None,
    ) -> BoolArray:
        """Rows and pieces of both halves of each option, -1 where there is no second type."""


@dataclass(frozen=True, slots=True)
class Workbench:
    """One skeleton under work: its scene, bounds of its other positions, and what to aim at.

    bound : group -> least weighted sum in each direction, (n_direction,); "legs" for all legs
    legs : leg -> its bounds by what it shares
    stairs : group -> its bounds as a staircase; each leg's for pairs that share nothing with
        another leg, "legs" for all legs together once they are known
    groups : group -> its options, once they are known
    mixtures : what is asked of options where the spec wants second sources
    worth : transistors of the leg under work that another leg might hold too
    """

    found: Market
    skeleton: int
    rows: Rows
    aim: Aim
    scene: Scene
    view: Scene
    bound: Mapping[str, FloatArray]
    legs: Mapping[str, LegClasses]
    stairs: Mapping[str, Staircase]
    groups: Mapping[str, Group] = field(default_factory=dict)
    mixtures: Mixtures | None = None
    worth: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @property
    def stage(self) -> Stage:
        """The stage in all lanes."""
        return self.found.stage

    def others(self, group: str) -> FloatArray:
        """Bound on everything but one group."""
        left = [value for name, value in self.bound.items() if name != group]
        return np.asarray(np.sum(left, axis=0))

    def open_loss(self, others: FloatArray | Staircase, cost: IntArray) -> FloatArray:
        """Loss from which an option of each cost cannot matter beside `others` [W], (n,).

        others : bounds on everything else, by direction or as a staircase; inf while no front
        is known. Of several bounds by direction, (k, n_direction), that beside each or a little
        more, (k, n)
        """
        several = not isinstance(others, tuple) and others.ndim > 1
        if not len(self.aim.stair[0]):
            return np.full((len(others), len(cost)) if several else len(cost), np.inf)
        if isinstance(others, tuple):
            most = dominance.largest_loss_beside(cost, others, loose(self.aim.stair))
        else:
            largest = open_losses.largest_losses if several else open_losses.largest_loss
            most = largest(cost, others, self.aim.weights, thinned(self.aim.stair))
        return np.asarray((most + ROUNDING_UNITS) * LOSS_UNIT)

    def beside(self, *left_out: str) -> Staircase:
        """Staircase of bounds on every group but those left out."""
        known = "legs" in self.stairs
        legs = {leg.name for leg in self.stage.topology.LEGS}
        total: Staircase = (np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64))
        for name, stair in self.stairs.items():
            if name not in left_out and not (known and name in legs):
                total = dominance.summed(total, stair)
        return total

    def matters(
        self,
        others: FloatArray | Staircase,
        cost: IntArray,
        loss: FloatArray,
        *,
        levels: int = LEVELS,
    ) -> BoolArray:
        """Which options a bound leaves on the front beside `others`; `loss` : lower bounds [W].

        The open loss is worked out at some costs; between two of them the cheaper one holds.
        """
        bought = cost[cost < PRICE_NONE]
        if not len(bought):
            return np.zeros(len(cost), dtype=bool)
        if len(bought) <= levels:
            grid = np.unique(bought)
        else:
            grid = cost_grid(bought.min(), bought.max(), levels)
        place = np.searchsorted(grid, cost, side="right") - 1
        keep = loss < self.open_loss(others, grid)[place]
        return np.asarray(keep & np.isfinite(loss) & (cost < PRICE_NONE))

    def best(self, cost: IntArray, loss: FloatArray) -> BoolArray:
        """The options no other one beats, thinned out evenly where they are many."""
        units = np.where(np.isfinite(loss), market.whole_units(loss), np.iinfo(np.int64).max // 2)
        kept = dominance.staircase(cost, units)
        kept = kept[np.isfinite(loss[kept])]
        if len(kept) > SKETCH:
            kept = kept[np.linspace(0, len(kept) - 1, SKETCH).astype(np.int64)]
        best = np.zeros(len(cost), dtype=bool)
        best[kept] = True
        return best

    def at_least(self, skeleton: int, node: str, cost: int) -> Workbench:
        """The bench with the least money that buys the bank of a node."""
        bound = dict(self.bound)
        paid = self.aim.weights[:, 0] * cost
        bound[node] = np.maximum(bound[node], paid)
        types = self.found.pool.bank[node]
        stair = floors_banks.bank_stair(self.found, node, skeleton, types, cost)
        return replace(self, bound=bound, stairs=dict(self.stairs) | {node: stair})

    def still_open(self) -> bool:
        """Whether the bounds of all groups together leave the skeleton on the front.

        Sets whose legs share nothing are held against the front as staircases, the others by
        direction.
        """
        if self.aim.best_only or not len(self.aim.stair[0]):
            return True
        stair = loose(self.aim.stair)
        cost, loss = self.beside()
        if not dominance.covered(cost, loss - int(ROUNDING_UNITS), stair).all():
            return True
        legs = list(self.legs.values())
        if len(legs) < 2:
            return False
        total = self.others("legs") + (legs[0].shared + legs[1].shared).min(axis=0)
        return not bool(dominance.droppable(total[None, :], self.aim.weights, stair)[0])

    def settled(self, group: str, kind: str, options: Group) -> Workbench:
        """The bench with the bound of a group replaced by the least of its options."""
        return self.settled_at(group, options, self.least_cost(kind, options))

    def settled_at(self, group: str, options: Group, cost: IntArray) -> Workbench:
        """The same, each option at a given cost."""
        bound = dict(self.bound)
        bound[group] = dominance.lower_bounds(cost, options.loss - 1, self.aim.weights)
        stairs = dict(self.stairs) | {group: dominance.stair_of(cost, options.loss)}
        groups = dict(self.groups) | {group: options}
        return replace(self, bound=bound, stairs=stairs, groups=groups)

    def least_cost(self, kind: str, options: Group) -> IntArray:
        """Least that each option can add to the cost of any set, (n_option,)."""
        rows = np.where(options.part < 0, 0, options.part - self.found.prices.start(kind))
        return pair_cost(self.found.least[kind], rows, options.pieces)

    def settled_leg(self, leg: Leg, options: Group) -> Workbench:
        """The bench with the bounds of a leg replaced by those of its options."""
        weights, prices = self.aim.weights, self.found.prices
        rows = options.part
        loss = np.asarray((options.loss - 1) * LOSS_UNIT, dtype=np.float64)
        shared = np.full_like(self.legs[leg.name].shared, np.inf)
        values = open_losses.values(self.least_cost("switch", options), loss, weights)
        for slot in range(rows.shape[1]):
            open_losses.lower_at(shared, rows[:, slot], values)
        cost = pair_cost(prices.alone("switch"), rows, options.pieces)
        apart = open_losses.values(cost, loss, weights)
        legs = dict(self.legs) | {leg.name: LegClasses(apart.min(axis=0), shared)}
        bound = dict(self.bound) | {"legs": floors_legs.family_bound(legs)}
        stair = dominance.stair_of(cost, options.loss)
        stairs = dict(self.stairs) | {leg.name: stair}
        groups = dict(self.groups) | {leg.name: options}
        return replace(self, legs=legs, bound=bound, stairs=stairs, groups=groups)

    def settled_legs(self, options: list[Group]) -> Workbench:
        """The bench with the exact front of all legs together, shared parts pooled."""
        stair = self.aim.joined(options)
        bound = dict(self.bound)
        bound["legs"] = dominance.lower_bounds(stair[0], stair[1] - 2, self.aim.weights)
        return replace(self, bound=bound, stairs=dict(self.stairs) | {"legs": stair})


def rounded_units(loss: FloatArray) -> IntArray:
    """Losses [W] as whole loss units, to the nearest; NaN counts as none."""
    return np.asarray(np.rint(np.nan_to_num(loss) / LOSS_UNIT), dtype=np.int64)


def worst_wanted(stage: Stage) -> BoolArray:
    """Lanes of the worst-point loss where that is the objective, none otherwise, (n_lane,)."""
    wanted = stage.spec.choice.objective == OBJECTIVE_WORST
    return np.asarray(limits.worst_lanes(stage) & wanted)


def worst_numbers(found: Market) -> IntArray:
    """Lanes of the objective as numbers among those of the worst point; none for another one."""
    wanted = worst_wanted(found.stage)
    return np.flatnonzero(np.isin(np.flatnonzero(wanted), found.objective))


def group_of(
    bench: Workbench,
    name: str,
    slots: tuple[str, ...],
    part: IntArray,
    pieces: IntArray,
    *,
    loss: FloatArray,
    i_drive: FloatArray,
    gain: FloatArray,
    area: FloatArray,
) -> Group:
    """A group of the decision from losses and heat in all lanes, (n_option, n_lane)."""
    found, stage = bench.found, bench.stage
    return Group(
        name=name,
        part=part,
        pieces=pieces,
        loss=rounded_units(loss[:, found.objective] @ found.weight),
        rows=row_values(bench.rows, loss=loss, i_drive=i_drive, gain=gain, area=area, part=part),
        loss_lane=rounded_units(loss[:, worst_wanted(stage)]),
        slot_position=slots,
    )
