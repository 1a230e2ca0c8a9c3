"""Options of one skeleton as columns of misses: by how much each one breaks each limit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import evaluation, limits, parameters, screen
from optimizer.conclude_sets import Place
from optimizer.evaluation import Scene
from optimizer.limits import Check
from optimizer.parts import bank
from optimizer.parts.bridge_records import HalfBridge
from optimizer.pool import Pool
from optimizer.records import FloatArray, IntArray, Leg, switch_kind
from optimizer.stage import Stage

SINGLES = 14
"""Transistors of each position, and types of a bank, that are tried together."""

BANKS_NEAR = 240
"""Of more banks of one type than that, only the nearest are worked out in full."""

BANKS_ALL = 3000
"""Up to so many banks of a position, all of them are looked at."""

Misses = Mapping[str, FloatArray]
"""Limit -> share by which each option misses it, 0 where it holds, inf where unknown."""


@dataclass(frozen=True, slots=True)
class Options:
    """Options of one group of positions.

    places : of each option, position by position; misses : limit -> (n_option,)
    loss : largest loss of a lane [W]; area [m2]; i_drive [A], (n_option,) each
    """

    places: Sequence[tuple[Place, ...]]
    misses: Misses
    loss: FloatArray
    area: FloatArray
    i_drive: FloatArray

    def worst(self, without: str = "") -> FloatArray:
        """Largest miss of each option, one limit left out."""
        kept = [value for name, value in self.misses.items() if name != without]
        return np.asarray(np.max(kept, axis=0)) if kept else np.zeros(len(self.places))


# --- misses ---------------------------------------------------------------------------------------


def misses_of(checks: Iterable[Check], count: int) -> dict[str, FloatArray]:
    """Share by which each option misses each limit, the largest of all lanes."""
    found: dict[str, FloatArray] = {}
    for check in checks:
        if check.quantity == "finite loss":
            continue
        shape = (count, len(check.applies))
        share = -np.broadcast_to(check.margins(), shape)
        bad = np.isnan(np.broadcast_to(check.value, shape)) | np.isnan(
            np.broadcast_to(check.allowed, shape)
        )
        share = np.where(check.applies, np.where(bad, np.inf, share), 0.0)
        miss = np.maximum(np.nan_to_num(share, nan=0.0, posinf=np.inf), 0.0).max(axis=1)
        miss = np.where(miss <= limits.ROUNDING, 0.0, miss)
        found[check.quantity] = np.maximum(found.get(check.quantity, 0.0), miss)
    return found


def _chain_miss(chain: limits.Chain, count: int) -> FloatArray:
    """Share by which the limit chain does not close."""
    short = np.maximum(chain.needed / chain.low, chain.delayed / chain.saturation) - 1.0
    short = np.where(np.isnan(short), np.inf, np.maximum(short, 0.0))
    return np.broadcast_to(short, (count,))


# --- options of one skeleton ----------------------------------------------------------------------


def groups(
    stage: Stage, free: Stage, offered: Pool, frequency: float, coil: int, *, every: bool
) -> dict[str, Options]:
    """Options of every group: legs, banks, sense resistor; of the banks all or the nearest."""
    scene = evaluation.sizing_scene(stage, np.array([frequency]), np.array([coil]))
    groups = {leg.name: _leg(stage, offered, scene, leg) for leg in stage.topology.LEGS}
    for node in offered.bank:
        groups[f"{node}-bank"] = _banks(stage, offered.bank[node], scene, node, every=every)
    groups["sense-resistor"] = _senses(stage, free, offered, scene)
    return groups


def _most(stage: Stage, loss: FloatArray) -> FloatArray:
    """Largest loss in a steady lane, inf where unknown, (n_option,)."""
    worst = np.where(limits.steady(stage), loss, 0.0).max(axis=1)
    return np.where(np.isnan(worst), np.inf, worst)


def _senses(stage: Stage, free: Stage, offered: Pool, scene: Scene) -> Options:
    rows, pieces = screen.sense_choices(free, offered)
    sense = evaluation.senses(scene, rows, pieces)
    checks = [
        *limits.sense_resistor(stage, scene, sense, rows),
        *limits.body_ratings(stage, "resistor", "sense-resistor", rows),
    ]
    misses = misses_of(checks, len(rows))
    chain = limits.chain(stage, scene, evaluation.coils(scene), sense)
    misses["limit chain"] = _chain_miss(chain, len(rows))
    places = [((int(r), int(n)),) for r, n in zip(rows, pieces, strict=True)]
    area = limits.body_area(stage, "resistor")[rows] * pieces
    return Options(places, misses, _most(stage, sense.loss), area, np.zeros(len(rows)))


def _banks(stage: Stage, types: IntArray, scene: Scene, node: str, *, every: bool) -> Options:
    """Banks of one type in a few sizes, then pairs of the types that come nearest."""
    most = stage.spec.choice.bank_pieces_max
    few = len(types) * most <= BANKS_ALL
    sizes = np.arange(1, most + 1) if few else np.unique(np.minimum([1, 2, 4, most], most))
    first, pieces = np.repeat(types, len(sizes)), np.tile(sizes, len(types))
    none = np.full(len(first), -1)
    choice = (first, pieces, none, none + 1)
    if not every and len(first) > BANKS_NEAR:
        rough = _bank_options(stage, scene, node, choice, ripple=False)
        near = _nearest_options(rough, BANKS_NEAR)
        choice = (first[near], pieces[near], none[near], none[near] + 1)
    single = _bank_options(stage, scene, node, choice)
    if stage.spec.choice.bank_types_max < 2:
        return single
    order = np.lexsort((single.loss, single.worst()))
    kept = np.array(list(dict.fromkeys(choice[0][order].tolist()))[:SINGLES])
    few = len(kept) ** 2 * most**2 <= 2 * BANKS_ALL
    sizes = np.arange(1, most + 1) if few else np.unique([max(1, most // 2), most])
    a, b = np.triu_indices(len(kept), 1)
    pair, n, m = (axis.ravel() for axis in np.meshgrid(np.arange(len(a)), sizes, sizes))
    if not len(pair):
        return single
    both = (kept[a[pair]], n, kept[b[pair]], m)
    return _joined(single, _bank_options(stage, scene, node, both))


def _nearest_options(rough: Options, count: int) -> IntArray:
    """Options that miss least, that are small, and that miss in one limit only."""
    worst = rough.worst()
    found = [np.lexsort((rough.loss, worst))[: count // 2]]
    found.append(np.lexsort((rough.area, worst))[: count // 8])
    for name, miss in rough.misses.items():
        order = np.lexsort((rough.loss, miss, rough.worst(without=name)))
        found.append(order[: count // 8])
    return np.unique(np.concatenate(found))


def _bank_options(
    stage: Stage,
    scene: Scene,
    node: str,
    choice: tuple[IntArray, IntArray, IntArray, IntArray],
    *,
    ripple: bool = True,
) -> Options:
    """Banks of a node; without `ripple` a bound from above stands in for the ripple voltage."""
    first, pieces, second, second_pieces = choice
    result = bank.solve(
        **evaluation.bank_current(scene, node),
        branches=evaluation.branches(scene, node),
        first=first,
        first_pieces=pieces,
        second=second,
        second_pieces=second_pieces,
        source=stage.source_branch if node == "input" else None,
        ripple=ripple,
    )
    if not ripple:
        result = replace(result, v_ripple=result.v_ripple_bound)
    needed = limits.capacitance_needed(stage, scene, node)
    checks = [*limits.capacitors(scene, node, result, choice, needed)]
    for rows in (first, np.where(second < 0, first, second)):
        checks += limits.capacitor_ratings(stage, node, rows)
        checks += limits.body_ratings(stage, "capacitor", f"{node}-bank", rows)
    body = limits.body_area(stage, "capacitor")
    area = body[first] * pieces + np.where(second < 0, 0.0, body[second] * second_pieces)
    places: list[tuple[Place, ...]] = []
    for row, count, other, more in zip(*(c.tolist() for c in choice), strict=True):
        places.append(((row, count),) if other < 0 else ((row, count), (other, more)))
    misses = misses_of(checks, len(first))
    return Options(places, misses, _most(stage, result.loss), area, np.zeros(len(first)))


def _joined(one: Options, other: Options) -> Options:
    counts = len(one.places), len(other.places)
    names = dict.fromkeys([*one.misses, *other.misses])
    misses = {
        name: np.concatenate(
            [one.misses.get(name, np.zeros(counts[0])), other.misses.get(name, np.zeros(counts[1]))]
        )
        for name in names
    }
    return Options(
        [*one.places, *other.places],
        misses,
        np.concatenate([one.loss, other.loss]),
        np.concatenate([one.area, other.area]),
        np.concatenate([one.i_drive, other.i_drive]),
    )


def _leg(stage: Stage, offered: Pool, scene: Scene, leg: Leg) -> Options:
    """Pairs of the transistors that come nearest, each beside an ideal partner first."""
    kept = []
    for position in (leg.control, leg.synchronous):
        choices = screen.switch_choices(stage, offered, position)
        kept.append(tuple(c[_nearest(stage, scene, leg, position, choices)] for c in choices))
    i, j = (k.ravel() for k in np.meshgrid(*(np.arange(len(c[0])) for c in kept), indexing="ij"))
    one, two = ((c[0][k], c[1][k]) for c, k in zip(kept, (i, j), strict=True))
    bridge = _bridge(stage, scene, leg, one, two)
    checks = [*limits.switches(scene, leg, bridge, one[0], two[0])]
    area: FloatArray = np.zeros(len(one[0]))
    for position, (rows, pieces) in ((leg.control, one), (leg.synchronous, two)):
        kind = switch_kind(position)
        checks += limits.switch_ratings(stage, position, rows)
        checks += limits.body_ratings(stage, kind, position, rows)
        area = area + limits.body_area(stage, kind)[rows] * pieces
    i_drive = bridge.control.i_drive + bridge.synchronous.i_drive
    loss = bridge.loss + scene.operation.v_input * i_drive
    places = [((int(a), int(n)), (int(b), int(m))) for a, n, b, m in zip(*one, *two, strict=True)]
    return Options(
        places,
        misses_of(checks, len(places)),
        _most(stage, loss),
        area,
        np.broadcast_to(i_drive, loss.shape).max(axis=1),
    )


def _bridge(
    stage: Stage,
    scene: Scene,
    leg: Leg,
    one: tuple[IntArray, IntArray] | None,
    two: tuple[IntArray, IntArray] | None,
) -> HalfBridge:
    """Half bridges of choices; None stands for an ideal partner."""
    control = (
        parameters.without_charges(stage.mosfets)
        if one is None
        else evaluation.controls(stage, *one)
    )
    rectifier = (
        evaluation.ideal_rectifier(stage, leg)
        if two is None
        else evaluation.rectifiers(stage, leg, *two)
    )
    return evaluation.half_bridges(scene, leg, control, rectifier)


def _nearest(
    stage: Stage, scene: Scene, leg: Leg, position: str, choices: tuple[IntArray, IntArray]
) -> IntArray:
    """The transistors of one position that miss least, and those that miss in one limit only."""
    control = position == leg.control
    bridge = _bridge(stage, scene, leg, choices if control else None, None if control else choices)
    rows = choices[0]
    own = bridge.control if control else bridge.synchronous
    asked = (rows, None) if control else (None, rows)
    checks = [
        *(c for c in limits.switches(scene, leg, bridge, *asked) if c.subject == position),
        *limits.switch_ratings(stage, position, rows),
        *limits.body_ratings(stage, switch_kind(position), position, rows),
    ]
    misses = misses_of(checks, len(rows))
    loss = _most(stage, own.loss)
    worst = np.max(list(misses.values()), axis=0)
    order = [int(k) for k in np.lexsort((loss, worst))[: SINGLES - 4]]
    order += [int(k) for k in np.lexsort((own.i_drive.max(axis=1), worst))[:2]]
    for name, value in misses.items():
        rest = np.max([v for key, v in misses.items() if key != name], axis=0)
        order += [int(k) for k in np.lexsort((loss, value, rest))[:2]]
    return np.array(list(dict.fromkeys(order)), dtype=np.int64)
