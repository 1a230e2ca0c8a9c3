"""The options of one skeleton: half bridges, banks, sense resistors that pass and may matter.

An option goes for one of two reasons: it breaks a limit of its own, or a bound shows that no set
holding it can be on the front. What stays is handed to the decision as integers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer import (
    dominance,
    evaluation,
    floors,
    limits,
    merge,
    parameters,
    screen,
    verification,
)
from optimizer.dominance import Staircase
from optimizer.evaluation import Scene
from optimizer.floors import Choices, LegClasses, LegFloors, Market
from optimizer.parts import bank, bank_choice, bank_mix
from optimizer.parts.bank_choice import BankDuty, BankLimits
from optimizer.parts.bridge_records import HalfBridge
from optimizer.purchase import PRICE_NONE
from optimizer.records import (
    LOSS_UNIT,
    BoolArray,
    Choice,
    FloatArray,
    Group,
    IntArray,
    Leg,
    Skeleton,
)
from optimizer.spec_records import OBJECTIVE_WORST
from optimizer.stage import Stage

PAIRS_AT_ONCE = 4096
CORNERS = 80
"""Points of the front so far that options are held against."""

LEVELS = 400
"""Steps of cost at which the loss still of interest is worked out."""

ROUNDING_UNITS = 8.0
"""Loss units by which the rounding of all groups together may differ from their sum."""

LEVELS_SHARED = 60
"""The same for pairs that share a transistor with another leg, asked for part by part."""

SKETCH = 28
"""Options of one position in a sketch."""

FIRST_BANKS = 48
"""Banks tried per direction in a sketch."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What options are held against.

    weights : fan of directions, (n_direction, 2); stair : front known so far, an option goes only
    when it is strictly worse; best_only : keep little more than what is best in some direction
    complete : keep banks that others beat in cost and loss too, since a row (area, a floor, the
        number of part numbers) may want them
    """

    weights: FloatArray
    stair: Staircase
    best_only: bool = False
    complete: bool = False


def loose(stair: Staircase) -> Staircase:
    """The staircase one loss unit up, so that what only equals it is not taken for worse."""
    return stair[0], stair[1] + 1


def thinned(stair: Staircase) -> Staircase:
    """The loose staircase with at most `CORNERS` of its points: weaker, never wrong."""
    cost, loss = loose(stair)
    if len(cost) <= CORNERS:
        return cost, loss
    kept = np.linspace(0, len(cost) - 1, CORNERS).astype(np.int64)
    return cost[kept], loss[kept]


# --- additive rows --------------------------------------------------------------------------------


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
    area = stage.spec.limits.area_max
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
        area_max=area,
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


# --- one skeleton ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Workbench:
    """One skeleton under work: its scene, bounds of its other positions, and what to aim at.

    bound : group -> least weighted sum in each direction, (n_direction,); "legs" for all legs
    legs : leg -> its bounds by what it shares
    stairs : group -> its bounds as a staircase; each leg's for pairs that share nothing with
        another leg, "legs" for all legs together once they are known
    """

    found: Market
    rows: Rows
    aim: Aim
    scene: Scene
    view: Scene
    bound: Mapping[str, FloatArray]
    legs: Mapping[str, LegClasses]
    stairs: Mapping[str, Staircase]

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
        is known
        """
        if not len(self.aim.stair[0]):
            return np.full(len(cost), np.inf)
        if isinstance(others, tuple):
            most = floors.largest_loss_beside(cost, others, loose(self.aim.stair))
        else:
            most = floors.largest_loss(cost, others, self.aim.weights, thinned(self.aim.stair))
        return np.asarray((most + ROUNDING_UNITS) * LOSS_UNIT)

    def beside(self, *left_out: str) -> Staircase:
        """Staircase of bounds on every group but those left out."""
        known = "legs" in self.stairs
        legs = {leg.name for leg in self.stage.topology.LEGS}
        total: Staircase = (np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64))
        for name, stair in self.stairs.items():
            if name not in left_out and not (known and name in legs):
                total = floors.summed(total, stair)
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
        grid = np.unique(bought)
        if len(grid) > levels:
            grid = np.unique(np.linspace(grid[0], grid[-1], levels).astype(np.int64))
        place = np.searchsorted(grid, cost, side="right") - 1
        keep = loss < self.open_loss(others, grid)[place]
        return np.asarray(keep & np.isfinite(loss) & (cost < PRICE_NONE))

    def best(self, cost: IntArray, loss: FloatArray) -> BoolArray:
        """The options no other one beats, thinned out evenly where they are many."""
        units = np.where(np.isfinite(loss), floors.whole_units(loss), np.iinfo(np.int64).max // 2)
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
        stair = floors.bank_stair(self.found, node, skeleton, types, cost)
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
        cost = self.least_cost(kind, options)
        bound = dict(self.bound)
        bound[group] = dominance.lower_bounds(cost, options.loss - 1, self.aim.weights)
        stairs = dict(self.stairs) | {group: floors.stair_of(cost, options.loss)}
        return replace(self, bound=bound, stairs=stairs)

    def least_cost(self, kind: str, options: Group) -> IntArray:
        """Least that each option can add to the cost of any set, (n_option,)."""
        rows = np.where(options.part < 0, 0, options.part - self.found.prices.offset[kind])
        return pair_cost(self.found.least[kind], rows, options.pieces)

    def settled_leg(self, leg: Leg, options: Group) -> Workbench:
        """The bench with the bounds of a leg replaced by those of its options."""
        weights, prices = self.aim.weights, self.found.prices
        rows = options.part - prices.offset["mosfet"]
        loss = np.asarray((options.loss - 1) * LOSS_UNIT, dtype=np.float64)
        shared = np.full_like(self.legs[leg.name].shared, np.inf)
        values = floors.values(self.least_cost("mosfet", options), loss, weights)
        for slot in range(rows.shape[1]):
            np.minimum.at(shared, rows[:, slot], values)
        cost = pair_cost(prices.alone("mosfet"), rows, options.pieces)
        apart = floors.values(cost, loss, weights)
        legs = dict(self.legs) | {leg.name: LegClasses(apart.min(axis=0), shared)}
        bound = dict(self.bound) | {"legs": floors.family_bound(legs)}
        stair = floors.stair_of(cost, options.loss)
        stairs = dict(self.stairs) | {leg.name: stair}
        return replace(self, legs=legs, bound=bound, stairs=stairs)

    def settled_legs(self, options: list[Group]) -> Workbench:
        """The bench with the exact front of all legs together, shared parts pooled."""
        prices = self.found.prices
        body = Skeleton("legs", tuple(options), 0, 0, np.zeros(0), np.zeros(0, dtype=np.int64))
        blank = tuple(replace(one, rows=one.rows[:, :0]) for one in options)
        choice = Choice(
            skeletons=(replace(body, groups=blank),),
            row_names=(),
            price=prices.table,
            line_item=prices.line_item,
            placement=prices.placement,
            part_names=prices.names,
        )
        front = merge.relaxed_front(choice)
        stair = (
            np.array([one.cost for one in front], dtype=np.int64),
            np.array([one.loss for one in front], dtype=np.int64),
        )
        bound = dict(self.bound)
        bound["legs"] = dominance.lower_bounds(stair[0], stair[1] - 2, self.aim.weights)
        return replace(self, bound=bound, stairs=dict(self.stairs) | {"legs": stair})


def pair_cost(table: IntArray, rows: IntArray, pieces: IntArray) -> IntArray:
    """Cost of options of one or two places, equal parts in both pooled, (n_option,)."""
    apart = table[rows, pieces].sum(axis=1)
    if rows.shape[1] < 2:
        return np.asarray(apart)
    same = (rows[:, 0] == rows[:, 1]) & (pieces[:, 1] > 0)
    together = table[rows[:, 0], np.where(same, pieces.sum(axis=1), 0)]
    return np.asarray(np.where(same, together, apart))


def expand(found: Market, rows: Rows, skeleton: int, aim: Aim) -> Skeleton | None:
    """All options of one skeleton that pass and may matter; None where a position has none.

    The groups come one after the other, and each known group sharpens the bound on the next.
    """
    bench, leg_floors = _workbench(found, rows, skeleton, aim)
    groups: list[Group] = []
    sense = _sense_group(bench, skeleton)
    if sense is None or not len(sense.loss):
        return None
    bench = bench.settled("sense", "resistor", sense)
    for node, types in found.pool.bank.items():
        covering = floors.covering_money(found, node, np.array([skeleton]), types)
        bench = bench.at_least(skeleton, node, int(covering))
    if not bench.still_open():
        return None
    for node in found.pool.bank if not aim.best_only else ():
        least = _least_bank(bench, node)
        if least is None:
            return None
        bench = bench.at_least(skeleton, node, least)
        if not bench.still_open():
            return None
    for leg in found.stage.topology.LEGS:
        pairs = _leg_group(bench, leg, leg_floors[leg.name])
        if pairs is None or not len(pairs.loss):
            return None
        groups.append(pairs)
        bench = bench.settled_leg(leg, pairs)
    bench = bench.settled_legs(groups)
    for node in found.pool.bank:
        banks = _bank_group(bench, node)
        if not len(banks.loss):
            return None
        groups.append(banks)
        bench = bench.settled(node, "capacitor", banks)
    return _skeleton(bench, skeleton, (*groups, sense, _coil_group(bench, skeleton)))


def _skeleton(bench: Workbench, skeleton: int, groups: tuple[Group, ...]) -> Skeleton:
    """The skeleton with what it costs and loses whatever is chosen."""
    found, stage, scene = bench.found, bench.stage, bench.scene
    i_rms, v_input = scene.wave.i_rms[..., 0], scene.operation.v_input
    fixed = stage.spec.board.resistance * i_rms**2 + v_input * stage.controller.i_quiescent
    blank: FloatArray = np.zeros((1, len(stage.lanes)))
    row = row_values(
        bench.rows,
        loss=fixed,
        i_drive=blank + stage.controller.i_quiescent,
        gain=blank,
        area=np.zeros(1),
        part=np.full((1, 1), -2),
    )[0]
    if len(bench.rows.forced):
        row[-len(bench.rows.forced) :] = 2.0
    coil = stage.tables["inductor"].part_number[int(found.scene.coil[skeleton])]
    kilohertz = found.frequency()[skeleton] / 1e3
    return Skeleton(
        name=f"{stage.topology.NAME}, {kilohertz:g} kHz, {coil}",
        groups=groups,
        cost_fixed=found.fixed_cost,
        loss_fixed=int(_units(fixed[:, found.objective] @ found.weight)[0]),
        rows_fixed=row,
        loss_lane_fixed=_units(fixed[0, worst_wanted(stage)]),
    )


def _workbench(
    found: Market, rows: Rows, skeleton: int, aim: Aim
) -> tuple[Workbench, dict[str, LegFloors]]:
    """Bounds of every group of one skeleton, at its own waveforms."""
    one, weights = np.array([skeleton]), aim.weights
    legs = floors.legs(found, weights, one)
    classes = {name: value for name, (_, value) in legs.items()}
    bound: dict[str, FloatArray] = {"legs": floors.family_bound(classes)}
    for node, types in found.pool.bank.items():
        bound[node] = floors.bank_bounds(found, node, weights, one, types)[0]
    loss = floors.whole_units(floors.sense_floors(found, one))[0]
    cheapest = int(found.least["resistor"][found.pool.sense, 1].min())
    bound["sense"] = weights @ np.array([cheapest, loss], dtype=np.float64)
    coil = int(found.prices.alone("inductor")[found.scene.coil[skeleton], 1])
    fixed = floors.whole_units(floors.fixed_losses(found, one))[0]
    bound["fixed"] = weights @ np.array([found.fixed_cost + coil, fixed], dtype=np.float64)
    stairs: dict[str, Staircase] = {
        "fixed": (np.array([found.fixed_cost + coil]), np.array([fixed]))
    }
    for leg in found.stage.topology.LEGS:
        pair = found.choices(leg.control), found.choices(leg.synchronous)
        stairs[leg.name] = floors.leg_stair(found, legs[leg.name][0], *pair)
    scene, view = found.scene.take(one), found.view.take(one)
    bench = Workbench(found, rows, aim, scene, view, bound, classes, stairs)
    return bench, {name: value for name, (value, _) in legs.items()}


def _units(loss: FloatArray) -> IntArray:
    return np.asarray(np.rint(np.nan_to_num(loss) / LOSS_UNIT), dtype=np.int64)


def worst_wanted(stage: Stage) -> BoolArray:
    """Lanes of the worst-point loss where that is the objective, none otherwise, (n_lane,)."""
    wanted = stage.spec.choice.objective == OBJECTIVE_WORST
    return np.asarray(verification.worst_lanes(stage) & wanted)


def _group(
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
        loss=_units(loss[:, found.objective] @ found.weight),
        rows=row_values(bench.rows, loss=loss, i_drive=i_drive, gain=gain, area=area, part=part),
        loss_lane=_units(loss[:, worst_wanted(stage)]),
        slot_position=slots,
    )


# --- half bridges ---------------------------------------------------------------------------------


def _leg_group(bench: Workbench, leg: Leg, one: LegFloors) -> Group | None:
    """Pairs of transistors of one leg: single ones sifted first, then pairs by their own loss."""
    control, synchronous = (bench.found.choices(p) for p in (leg.control, leg.synchronous))
    passing = tuple(
        np.flatnonzero(_passes_alone(bench, leg, position, choices))
        for position, choices in ((leg.control, control), (leg.synchronous, synchronous))
    )
    if not len(passing[0]) or not len(passing[1]):
        return None
    if bench.aim.best_only:
        pairs = _best_pairs(bench, one, (control, synchronous), passing)
    else:
        pairs = _open_pairs(bench, leg, one, (control, synchronous), passing)
    if not len(pairs[0]):
        return None
    control, synchronous = _pick(control, pairs[0]), _pick(synchronous, pairs[1])
    if not bench.aim.best_only:
        keep = _pairs_that_matter(bench, leg, control, synchronous)
        control, synchronous = _pick(control, keep), _pick(synchronous, keep)
    return _pairs_that_pass(bench, leg, control, synchronous)


def _pick(choices: Choices, keep: BoolArray | IntArray) -> Choices:
    return choices[0][keep], choices[1][keep]


def _best_pairs(
    bench: Workbench,
    one: LegFloors,
    choices: tuple[Choices, Choices],
    passing: tuple[IntArray, ...],
) -> tuple[IntArray, IntArray]:
    """Pairs of transistors that are each among the best of those that pass."""
    alone = bench.found.prices.alone("mosfet")
    losses = one.control, one.synchronous.min(axis=0)
    kept = [
        index[bench.best(alone[_pick(some, index)], loss[index])]
        for some, loss, index in zip(choices, losses, passing, strict=True)
    ]
    i, j = (axis.ravel() for axis in np.meshgrid(kept[0], kept[1], indexing="ij"))
    return i, j


def _open_pairs(
    bench: Workbench,
    leg: Leg,
    one: LegFloors,
    choices: tuple[Choices, Choices],
    passing: tuple[IntArray, ...],
) -> tuple[IntArray, IntArray]:
    """Pairs that the floors of both positions leave on the front."""
    control, synchronous = choices
    i, j = (axis.ravel() for axis in np.meshgrid(*passing, indexing="ij"))
    loss = one.control[i] + one.synchronous[one.bucket[i], j]
    keep = _pair_matters(bench, leg, _pick(control, i), _pick(synchronous, j), loss)
    return i[keep], j[keep]


def _pair_matters(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices, loss: FloatArray
) -> BoolArray:
    """Which pairs may be on the front, alone or by sharing a part with another leg."""
    rest = bench.others("legs")
    rows = np.stack([control[0], synchronous[0]], axis=1)
    pieces = np.stack([control[1], synchronous[1]], axis=1)
    others = [value for name, value in bench.legs.items() if name != leg.name]
    apart = rest + np.sum([value.apart for value in others], axis=0)
    alone = pair_cost(bench.found.prices.alone("mosfet"), rows, pieces)
    keep = bench.matters(apart, alone, loss)
    if bench.aim.stair[0].size:
        keep &= bench.matters(bench.beside(leg.name), alone, loss)
    if not others:
        return keep
    cost = pair_cost(bench.found.least["mosfet"], rows, pieces)
    for part in _worth_sharing(bench, leg, others[0]):
        open_still = np.flatnonzero((rows == part).any(axis=1) & ~keep)
        if len(open_still):
            together = rest + others[0].shared[part]
            keep[open_still] = bench.matters(
                together, cost[open_still], loss[open_still], levels=LEVELS_SHARED
            )
    return keep


def _worth_sharing(bench: Workbench, leg: Leg, other: LegClasses) -> IntArray:
    """Transistors that both legs might hold on the front."""
    bound = bench.others("legs") + bench.legs[leg.name].shared + other.shared
    known = np.flatnonzero(np.isfinite(bound).all(axis=1))
    if not len(bench.aim.stair[0]):
        return known
    stair = loose(bench.aim.stair)
    return known[~dominance.droppable(bound[known], bench.aim.weights, stair)]


def _passes_alone(bench: Workbench, leg: Leg, position: str, choices: Choices) -> BoolArray:
    """Whether a transistor keeps its own limits with a partner that adds no charge."""
    mosfets = bench.stage.mosfets
    own, ideal = parameters.in_parallel(mosfets, *choices), parameters.without_charges(mosfets)
    is_control = position == leg.control
    bridge = evaluation.half_bridges(
        bench.scene, leg, own if is_control else ideal, ideal if is_control else own
    )
    keep = np.ones(len(choices[0]), dtype=bool)
    for check in limits.transistors(bench.stage, leg, bridge, choices[0], choices[0]):
        if check.subject == position or check.quantity == "finite loss":
            keep &= check.holds()
    return keep


def _bridge(scene: Scene, leg: Leg, control: Choices, synchronous: Choices) -> HalfBridge:
    mosfets = scene.stage.mosfets
    return evaluation.half_bridges(
        scene,
        leg,
        parameters.in_parallel(mosfets, *control),
        parameters.in_parallel(mosfets, *synchronous),
    )


def _leg_loss(scene: Scene, bridge: HalfBridge) -> tuple[FloatArray, FloatArray]:
    """Loss of a leg with its gate drive, and its drive current, (n_option, n_lane) each."""
    i_drive = bridge.control.i_drive + bridge.synchronous.i_drive
    return bridge.loss + scene.operation.v_input * i_drive, i_drive


def _pairs_that_matter(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices
) -> IntArray:
    """Indices of the pairs that their own loss in the objective lanes leaves on the front."""
    losses = []
    for start in range(0, len(control[0]), PAIRS_AT_ONCE):
        some = slice(start, start + PAIRS_AT_ONCE)
        bridge = _bridge(bench.view, leg, _cut(control, some), _cut(synchronous, some))
        losses.append(_leg_loss(bench.view, bridge)[0] @ bench.found.weight)
    loss = np.concatenate(losses)
    loss = np.where(np.isnan(loss), np.inf, loss)
    return np.flatnonzero(_pair_matters(bench, leg, control, synchronous, loss))


def _cut(choices: Choices, some: slice) -> Choices:
    return choices[0][some], choices[1][some]


def _pairs_that_pass(
    bench: Workbench, leg: Leg, control: Choices, synchronous: Choices
) -> Group | None:
    """The pairs that keep every limit in every lane, as a group of the decision."""
    found, stage = bench.found, bench.stage
    groups = []
    for start in range(0, len(control[0]), PAIRS_AT_ONCE):
        some = slice(start, start + PAIRS_AT_ONCE)
        one, two = _cut(control, some), _cut(synchronous, some)
        bridge = _bridge(bench.scene, leg, one, two)
        keep = np.ones(len(one[0]), dtype=bool)
        for check in limits.transistors(stage, leg, bridge, one[0], two[0]):
            keep &= check.holds()
        steady = limits.steady(stage)
        keep &= np.isfinite(bridge.gain[:, steady]).all(axis=1)
        loss, i_drive = _leg_loss(bench.scene, bridge)
        one, two = _pick(one, keep), _pick(two, keep)
        body = limits.body_area(stage, "mosfet")
        number = [found.prices.number("mosfet", choice[0]) for choice in (one, two)]
        groups.append(
            _group(
                bench,
                leg.name,
                (leg.control, leg.synchronous),
                np.stack(number, axis=1),
                np.stack([one[1], two[1]], axis=1),
                loss=loss[keep],
                i_drive=i_drive[keep],
                gain=np.where(steady, bridge.gain[keep], 0.0),
                area=body[one[0]] * one[1] + body[two[0]] * two[1],
            )
        )
    return joined(groups) if groups else None


def joined(groups: list[Group]) -> Group:
    """Several blocks of options of one group as one."""
    first = groups[0]
    return Group(
        name=first.name,
        part=np.concatenate([one.part for one in groups]),
        pieces=np.concatenate([one.pieces for one in groups]),
        loss=np.concatenate([one.loss for one in groups]),
        rows=np.concatenate([one.rows for one in groups]),
        loss_lane=np.concatenate([one.loss_lane for one in groups]),
        slot_position=first.slot_position,
    )


# --- banks ----------------------------------------------------------------------------------------


def _least_bank(bench: Workbench, node: str) -> int | None:
    """Least that a bank which keeps every limit adds to the cost of a set; None where none does."""
    found, stage = bench.found, bench.stage
    types = found.pool.bank[node]
    rules = stage.spec.choice
    least = found.least["capacitor"][types, : rules.bank_pieces_max + 1]
    best = screen.cheapest_bank(bench.scene, node, types, least, types_max=rules.bank_types_max)
    if best is None:
        return None
    first, pieces, second, more = best
    return int(least[first, pieces] + (least[second, more] if second >= 0 else 0))


def _bank_group(bench: Workbench, node: str) -> Group:
    """Banks of one node: one type first, then two types where they can still matter."""
    found, stage = bench.found, bench.stage
    types = found.pool.bank[node]
    rules = stage.spec.choice
    sizing = np.flatnonzero(limits.steady(stage))
    duty = screen.bank_duty(bench.scene, node, types, found.objective)
    firm = screen.bank_duty(bench.scene, node, types, sizing)
    limit = screen.bank_limits(bench.scene, node, types, sizing)
    usable = bank_choice.usable_types(duty, firm, limit)
    columns = slice(0, rules.bank_pieces_max + 1)
    least = np.where(usable[:, None], found.least["capacitor"][types, columns], PRICE_NONE)
    alone = np.where(usable[:, None], found.prices.alone("capacitor")[types, columns], PRICE_NONE)
    single = _single_banks(bench, node, (duty, firm), limit, least)
    banks = [single]
    if rules.bank_types_max > 1 and not bench.aim.best_only:
        banks.append(_mixed_banks(bench, node, (duty, firm), limit, alone, least, single))
    chosen = {name: np.concatenate([one[name] for one in banks]) for name in single}
    return _bank_options(bench, node, types, chosen)


def _single_banks(
    bench: Workbench,
    node: str,
    duties: tuple[BankDuty, BankDuty],
    limit: BankLimits,
    least: IntArray,
) -> dict[str, IntArray]:
    """Banks of one type that matter by their own loss and keep every limit."""
    duty, firm = duties
    every = screen.every_bank(least)
    cost = least[every["first"], every["first_pieces"]]
    bought = cost < PRICE_NONE
    every = {name: values[bought] for name, values in every.items()}
    cost = cost[bought]
    loss = bank_choice.weighted_loss(duty=duty, weight=bench.found.weight, **every)
    if bench.aim.best_only:
        keep: IntArray | BoolArray = _first_banks(bench, cost, loss, firm, limit, every)
    else:
        keep = bench.matters(bench.beside(node), cost, loss)
    every = {name: values[keep] for name, values in every.items()}
    cost, loss = cost[keep], loss[keep]
    met = bank_choice.verdicts(duty=firm, limits=limit, **every)
    passes = np.logical_and.reduce(list(met.values()))
    every = {name: values[passes] for name, values in every.items()}
    cost, loss = cost[passes], loss[passes]
    if bench.aim.best_only and len(cost):
        keep = bench.best(cost, loss)
        every = {name: values[keep] for name, values in every.items()}
    return every


def _first_banks(
    bench: Workbench,
    cost: IntArray,
    loss: FloatArray,
    firm: BankDuty,
    limit: BankLimits,
    every: dict[str, IntArray],
) -> IntArray:
    """Banks worth a try in a sketch: the first few in some directions, and the cheapest to pass."""
    weights, units = bench.aim.weights[:: len(bench.aim.weights) // 8], floors.whole_units(loss)
    value = weights[:, :1] * cost[None, :] + weights[:, 1:] * units[None, :]
    tried = np.argsort(value, axis=1)[:, :FIRST_BANKS].ravel()
    for start in range(0, len(cost), FIRST_BANKS):
        some = np.arange(start, min(start + FIRST_BANKS, len(cost)))
        part = {name: values[some] for name, values in every.items()}
        met = bank_choice.verdicts(duty=firm, limits=limit, **part)
        if np.logical_and.reduce(list(met.values())).any():
            tried = np.concatenate([tried, some])
            break
    return np.unique(tried)


def _mixed_banks(
    bench: Workbench,
    node: str,
    duties: tuple[BankDuty, BankDuty],
    limit: BankLimits,
    alone: IntArray,
    least: IntArray,
    single: dict[str, IntArray],
) -> dict[str, IntArray]:
    """Banks of two types that can still matter.

    The sets known so far enter as levels: at each cost the loss above which no set with such a
    bank can be on the front. Unless the aim is complete, a bank also goes when another one loses
    no more and costs no more, sharing nothing, than the first does sharing all it can.
    """
    duty, firm = duties
    cost, loss = _levels(bench, node, least)
    dearest = int(cost[-1]) if len(bench.aim.stair[0]) else None
    cost, loss = cost[:-1], loss[:-1]
    if not bench.aim.complete:
        known = bank_choice.weighted_loss(duty=duty, weight=bench.found.weight, **single)
        cost = np.concatenate([alone[single["first"], single["first_pieces"]], cost])
        loss = np.concatenate([known, loss])
    mixed = bank_mix.mixed_options(
        objective=duty,
        weight=bench.found.weight,
        sizing=firm,
        limits=limit,
        cost=np.where(least >= PRICE_NONE, bank_choice.NOT_OFFERED, least),
        cost_worst=np.where(alone >= PRICE_NONE, bank_choice.NOT_OFFERED, alone),
        single_cost=cost,
        single_loss=loss,
        cost_max=dearest,
        grow=not bench.aim.complete,
    )
    optimistic = least[mixed.first, mixed.first_pieces] + least[mixed.second, mixed.second_pieces]
    keep = bench.matters(bench.beside(node), optimistic, mixed.loss)
    return {
        "first": mixed.first[keep],
        "first_pieces": mixed.first_pieces[keep],
        "second": mixed.second[keep],
        "second_pieces": mixed.second_pieces[keep],
    }


def _levels(bench: Workbench, node: str, least: IntArray) -> tuple[IntArray, FloatArray]:
    """Costs, rising, and the loss from which a bank of at least that cost cannot matter [W].

    The last level is the first at which nothing can matter any more, or the dearest bank.
    """
    affordable = least[:, 1:][least[:, 1:] < PRICE_NONE]
    if not len(affordable):
        return np.zeros(1, dtype=np.int64), np.zeros(1)
    ends = int(affordable.min()), 2 * int(affordable.max())
    grid = np.unique(np.linspace(*ends, LEVELS).astype(np.int64))
    loss = bench.open_loss(bench.beside(node), grid)
    hopeless = np.flatnonzero(loss <= 0.0)
    end = int(hopeless[0]) + 1 if len(hopeless) else len(grid)
    return grid[:end], loss[:end]


def _bank_options(
    bench: Workbench, node: str, types: IntArray, chosen: dict[str, IntArray]
) -> Group:
    """Banks as a group of the decision, with their loss in every lane."""
    found, stage = bench.found, bench.stage
    every = np.arange(len(stage.lanes))
    duty = screen.bank_duty(bench.scene, node, types, every)
    loss = bank.solve(
        harmonics=duty.harmonics,
        frequency=duty.frequency,
        i_rms_ac=duty.i_rms_ac,
        branches=duty.branches,
        source=duty.source,
        ripple=False,
        first=chosen["first"],
        first_pieces=chosen["first_pieces"],
        second=chosen["second"],
        second_pieces=chosen["second_pieces"],
    ).loss
    first, second = types[chosen["first"]], chosen["second"]
    second = np.where(second < 0, -1, types[np.maximum(second, 0)])
    first_pieces = chosen["first_pieces"]
    second_pieces = np.where(second < 0, 0, chosen["second_pieces"])
    body = limits.body_area(stage, "capacitor")
    part = np.stack([found.prices.number("capacitor", rows) for rows in (first, second)], axis=1)
    keep = _forced_in_bank(bench, node, part)
    blank: FloatArray = np.zeros((1, len(every)))
    area = body[first] * first_pieces + np.where(second < 0, 0.0, body[second] * second_pieces)
    return _group(
        bench,
        f"{node} bank",
        (f"{node}-bank", f"{node}-bank"),
        part[keep],
        np.stack([first_pieces, second_pieces], axis=1)[keep],
        loss=loss[keep],
        i_drive=blank,
        gain=blank,
        area=area[keep],
    )


def _forced_in_bank(bench: Workbench, node: str, part: IntArray) -> BoolArray:
    """Banks that hold every part forced at their position."""
    keep = np.ones(len(part), dtype=bool)
    names = np.array(bench.found.prices.names)
    for one in bench.stage.spec.choice.force:
        if one.position == f"{node}-bank":
            wanted = np.flatnonzero(names == one.part_number)
            keep &= np.isin(part, wanted).any(axis=1)
    return keep


# --- sense resistor and inductor ------------------------------------------------------------------


def _sense_group(bench: Workbench, skeleton: int) -> Group | None:
    """Sense resistors that close the limit chain with this inductor."""
    found, stage = bench.found, bench.stage
    coils = evaluation.set_rows(found.coils, np.array([skeleton]))
    rows, pieces = screen.senses_that_close(stage, found.pool, bench.scene, coils)
    if not len(rows):
        return None
    loss = evaluation.senses(bench.scene, rows, pieces).loss
    weighed = loss[:, found.objective] @ found.weight
    if not bench.aim.best_only:
        cost = found.least["resistor"][rows, pieces]
        keep = bench.matters(bench.others("sense"), cost, weighed)
    else:
        keep = np.isfinite(weighed)
    rows, pieces, loss = rows[keep], pieces[keep], loss[keep]
    blank: FloatArray = np.zeros((1, len(stage.lanes)))
    return _group(
        bench,
        "sense resistor",
        ("sense-resistor",),
        found.prices.number("resistor", rows)[:, None],
        pieces[:, None],
        loss=loss,
        i_drive=blank,
        gain=blank,
        area=limits.body_area(stage, "resistor")[rows] * pieces,
    )


def _coil_group(bench: Workbench, skeleton: int) -> Group:
    """The inductor of the skeleton: the only option of its group."""
    found, stage = bench.found, bench.stage
    row = found.scene.coil[[skeleton]]
    steady = limits.steady(stage)
    return _group(
        bench,
        "inductor",
        ("inductor",),
        found.prices.number("inductor", row)[:, None],
        np.ones((1, 1), dtype=np.int64),
        loss=found.coils.loss[[skeleton]],
        i_drive=np.zeros((1, len(stage.lanes))),
        gain=np.where(steady, found.coils.gain[[skeleton]], 0.0),
        area=limits.body_area(stage, "inductor")[row],
    )
