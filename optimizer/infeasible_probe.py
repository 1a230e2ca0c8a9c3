"""Complete sets that come near: built position by position, then judged in full.

Every limit of one position is a column of misses there (0 where it holds), so the set that misses
least, and the one that misses in one limit only, are put together from the best option of each
position. Only a few skeletons are looked into: what is found would do, but need not be least.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import (
    assembly,
    conclude_margins,
    evaluation,
    limits,
    parameters,
    pool,
    screen,
    verification,
)
from optimizer.buying import Prices
from optimizer.conclude_sets import Chosen, Place, part_set_of, stacked
from optimizer.evaluation import Scene
from optimizer.infeasible_kinds import freed
from optimizer.limits import Check
from optimizer.parts import bank
from optimizer.parts.bridge_records import HalfBridge
from optimizer.pool import Pool
from optimizer.records import BoolArray, Fall, FloatArray, IntArray, Leg, Waterfall
from optimizer.results import Margin
from optimizer.stage import Stage

SKELETONS = 10
"""Skeletons looked into per topology."""

SINGLES = 14
"""Transistors of each position, and types of a bank, that are tried together."""

BANKS_ALL = 3000
"""Up to so many banks of a position, all of them are looked at."""

Misses = Mapping[str, FloatArray]
"""Limit -> share by which each option misses it, 0 where it holds, inf where unknown."""


@dataclass(frozen=True, slots=True)
class Near:
    """One complete set, and the limits it breaks, worst first."""

    stage: Stage
    chosen: Chosen
    broken: tuple[Margin, ...]

    @property
    def miss(self) -> float:
        """Largest share by which it misses a limit."""
        return max((-margin.margin for margin in self.broken), default=0.0)


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


def near_sets(stage: Stage, prices: Prices) -> tuple[list[Near], list[Waterfall]]:
    """Sets of one topology that come near, and why options of its best skeleton fell."""
    free = replace(stage, spec=freed(stage.spec))
    offered = pool.pool(free, prices)
    if any(not one.left for one in offered.waterfalls):
        return [], []
    chosen: list[Chosen] = []
    best: tuple[float, list[Waterfall]] = (np.inf, [])
    with np.errstate(all="ignore"):
        for frequency, coil in _skeletons(stage, free, offered):
            groups = _groups(stage, free, offered, frequency, coil)
            best = min(best, _furthest(stage, frequency, coil, groups), key=lambda one: one[0])
            chosen += _assembled(stage, frequency, coil, groups)
        return judged(stage, list(_distinct(chosen))), best[1]


def _distinct(chosen: Iterable[Chosen]) -> Iterator[Chosen]:
    seen = set()
    for one in chosen:
        key = (one.frequency, *one.places())
        if key not in seen:
            seen.add(key)
            yield one


def judged(stage: Stage, chosen: Sequence[Chosen]) -> list[Near]:
    """Every limit of complete sets: sizing lanes at the sizing state, the others at their own."""
    if not chosen:
        return []
    sets = stacked(chosen)
    with np.errstate(all="ignore"):
        scene = verification.given_scene(stage, verification.reference_of(stage, sets))
        result = assembly.evaluate(scene, sets)
        names = [part_set_of(one, stage.tables) for one in chosen]
        found = conclude_margins.margins(result, sets, names)
    return [
        Near(stage, one, tuple(m for m in margins if not m.passes))
        for one, margins in zip(chosen, found, strict=True)
    ]


# --- misses ---------------------------------------------------------------------------------------


def _misses(checks: Iterable[Check], count: int) -> dict[str, FloatArray]:
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


# --- skeletons ------------------------------------------------------------------------------------


def _skeletons(stage: Stage, free: Stage, offered: Pool) -> list[tuple[float, int]]:
    """Frequencies and inductors worth a look: nearest by their own limits, then by loss."""
    grid = np.array(stage.controller.frequencies)
    frequency = np.repeat(grid, len(offered.coil))
    coil = np.tile(offered.coil, len(grid))
    scene = evaluation.sizing_scene(stage, frequency, coil, spectrum=False)
    coils = evaluation.coils(scene)
    checks = [
        *limits.inductor(stage, scene, coils),
        *limits.body_ratings(stage, "inductor", "inductor", coil),
    ]
    misses = _misses(checks, len(coil))
    low, high = screen.sense_range(stage, scene, coils)
    gap = np.sqrt(low / high) - 1.0
    misses["limit chain"] = np.where(np.isnan(gap), np.inf, np.maximum(gap, 0.0))
    loss = np.where(limits.steady(stage), coils.loss, 0.0).max(axis=1)
    loss = np.where(np.isnan(loss), np.inf, loss)
    every = np.max(list(misses.values()), axis=0)
    picks: list[int] = [int(k) for k in np.lexsort((loss, every))[:2]]
    for value in grid:
        here = np.where(frequency == value, every, np.inf)
        picks.append(int(np.lexsort((loss, here))[0]))
    for name in misses:
        rest = np.max([value for key, value in misses.items() if key != name], axis=0)
        only = np.flatnonzero((rest == 0.0) & (misses[name] > 0.0))
        if len(only):
            by_miss, by_loss = misses[name][only], loss[only]
            picks.insert(1, int(only[np.lexsort((by_loss, by_miss))[0]]))
            picks.insert(2, int(only[np.lexsort((by_miss, by_loss))[0]]))
    known = [k for k in dict.fromkeys(picks) if np.isfinite(every[k])]
    return [(float(frequency[k]), int(coil[k])) for k in known[:SKELETONS]]


# --- options of one skeleton ----------------------------------------------------------------------


def _groups(
    stage: Stage, free: Stage, offered: Pool, frequency: float, coil: int
) -> dict[str, Options]:
    """Options of every group: legs, banks, sense resistor, inductor."""
    scene = evaluation.sizing_scene(stage, np.array([frequency]), np.array([coil]))
    groups = {leg.name: _leg(stage, offered, scene, leg) for leg in stage.topology.LEGS}
    for node in offered.bank:
        groups[f"{node}-bank"] = _banks(stage, offered.bank[node], scene, node)
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
    misses = _misses(checks, len(rows))
    chain = limits.chain(stage, scene, evaluation.coils(scene), sense)
    misses["limit chain"] = _chain_miss(chain, len(rows))
    places = [((int(r), int(n)),) for r, n in zip(rows, pieces, strict=True)]
    area = limits.body_area(stage, "resistor")[rows] * pieces
    return Options(places, misses, _most(stage, sense.loss), area, np.zeros(len(rows)))


def _banks(stage: Stage, types: IntArray, scene: Scene, node: str) -> Options:
    """Banks of one type in a few sizes, then pairs of the types that come nearest."""
    most = stage.spec.choice.bank_pieces_max
    few = len(types) * most <= BANKS_ALL
    sizes = np.arange(1, most + 1) if few else np.unique(np.minimum([1, 2, 4, most], most))
    first, pieces = np.repeat(types, len(sizes)), np.tile(sizes, len(types))
    none = np.full(len(first), -1)
    single = _bank_options(stage, scene, node, (first, pieces, none, none + 1))
    if stage.spec.choice.bank_types_max < 2:
        return single
    order = np.lexsort((single.loss, single.worst()))
    kept = np.array(list(dict.fromkeys(first[order].tolist()))[:SINGLES])
    few = len(kept) ** 2 * most**2 <= 2 * BANKS_ALL
    sizes = np.arange(1, most + 1) if few else np.unique([max(1, most // 2), most])
    a, b = np.triu_indices(len(kept), 1)
    pair, n, m = (axis.ravel() for axis in np.meshgrid(np.arange(len(a)), sizes, sizes))
    if not len(pair):
        return single
    choice = (kept[a[pair]], n, kept[b[pair]], m)
    return _joined(single, _bank_options(stage, scene, node, choice))


def _bank_options(
    stage: Stage,
    scene: Scene,
    node: str,
    choice: tuple[IntArray, IntArray, IntArray, IntArray],
) -> Options:
    first, pieces, second, second_pieces = choice
    result = bank.solve(
        **evaluation.bank_current(scene, node),
        branches=evaluation.branches(scene, node),
        first=first,
        first_pieces=pieces,
        second=second,
        second_pieces=second_pieces,
        source=stage.source_branch if node == "input" else None,
    )
    checks = [*limits.capacitors(stage, node, result, scene.state.temp_board, choice)]
    for rows in (first, np.where(second < 0, first, second)):
        checks += limits.capacitor_ratings(stage, node, rows)
        checks += limits.body_ratings(stage, "capacitor", f"{node}-bank", rows)
    body = limits.body_area(stage, "capacitor")
    area = body[first] * pieces + np.where(second < 0, 0.0, body[second] * second_pieces)
    places: list[tuple[Place, ...]] = []
    for row, count, other, more in zip(*(c.tolist() for c in choice), strict=True):
        places.append(((row, count),) if other < 0 else ((row, count), (other, more)))
    misses = _misses(checks, len(first))
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
    most = stage.spec.choice.transistors_parallel_max
    kept = []
    for position in (leg.control, leg.synchronous):
        choices = screen.transistor_choices(offered.transistor[position], most)
        kept.append(tuple(c[_nearest(stage, scene, leg, position, choices)] for c in choices))
    i, j = (k.ravel() for k in np.meshgrid(*(np.arange(len(c[0])) for c in kept), indexing="ij"))
    one, two = ((c[0][k], c[1][k]) for c, k in zip(kept, (i, j), strict=True))
    bridge = _bridge(stage, scene, leg, one, two)
    checks = [*limits.transistors(stage, leg, bridge, one[0], two[0])]
    for position, rows in ((leg.control, one[0]), (leg.synchronous, two[0])):
        checks += limits.transistor_ratings(stage, position, rows)
        checks += limits.body_ratings(stage, "mosfet", position, rows)
    body = limits.body_area(stage, "mosfet")
    i_drive = bridge.control.i_drive + bridge.synchronous.i_drive
    loss = bridge.loss + scene.operation.v_input * i_drive
    places = [((int(a), int(n)), (int(b), int(m))) for a, n, b, m in zip(*one, *two, strict=True)]
    return Options(
        places,
        _misses(checks, len(places)),
        _most(stage, loss),
        body[one[0]] * one[1] + body[two[0]] * two[1],
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
    ideal = parameters.without_charges(stage.mosfets)
    both = [ideal if c is None else parameters.in_parallel(stage.mosfets, *c) for c in (one, two)]
    return evaluation.half_bridges(scene, leg, *both)


def _nearest(
    stage: Stage, scene: Scene, leg: Leg, position: str, choices: tuple[IntArray, IntArray]
) -> IntArray:
    """The transistors of one position that miss least, and those that miss in one limit only."""
    control = position == leg.control
    bridge = _bridge(stage, scene, leg, choices if control else None, None if control else choices)
    rows = choices[0]
    own = bridge.control if control else bridge.synchronous
    checks = [
        *(c for c in limits.transistors(stage, leg, bridge, rows, rows) if c.subject == position),
        *limits.transistor_ratings(stage, position, rows),
        *limits.body_ratings(stage, "mosfet", position, rows),
    ]
    misses = _misses(checks, len(rows))
    loss = _most(stage, own.loss)
    worst = np.max(list(misses.values()), axis=0)
    order = [int(k) for k in np.lexsort((loss, worst))[: SINGLES - 4]]
    order += [int(k) for k in np.lexsort((own.i_drive.max(axis=1), worst))[:2]]
    for name, value in misses.items():
        rest = np.max([v for key, v in misses.items() if key != name], axis=0)
        order += [int(k) for k in np.lexsort((loss, value, rest))[:2]]
    return np.array(list(dict.fromkeys(order)), dtype=np.int64)


# --- from options to sets -------------------------------------------------------------------------


def _assembled(
    stage: Stage, frequency: float, coil: int, groups: Mapping[str, Options]
) -> list[Chosen]:
    """The set that misses least, and for each limit the one that misses only there, least."""
    names = dict.fromkeys(name for one in groups.values() for name in one.misses)
    aims: list[dict[str, int]] = [
        {name: int(np.lexsort((one.loss, one.worst()))[0]) for name, one in groups.items()}
    ]
    for key in ("area", "i_drive"):
        aims.append(
            {
                name: int(np.lexsort((getattr(one, key), one.worst()))[0])
                for name, one in groups.items()
            }
        )
    for limit in names:
        aims.append({name: _only(one, limit) for name, one in groups.items()})
    return [_chosen(stage, frequency, coil, groups, aim) for aim in aims]


def _only(one: Options, limit: str) -> int:
    """The option that keeps every other limit best, then misses least in this one."""
    miss = one.misses.get(limit, np.zeros(len(one.places)))
    return int(np.lexsort((one.loss, miss, one.worst(without=limit)))[0])


def _chosen(
    stage: Stage,
    frequency: float,
    coil: int,
    groups: Mapping[str, Options],
    aim: Mapping[str, int],
) -> Chosen:
    places = {name: groups[name].places[k] for name, k in aim.items()}
    transistor: dict[str, Place] = {}
    for leg in stage.topology.LEGS:
        transistor[leg.control], transistor[leg.synchronous] = places[leg.name]
    return Chosen(
        topology=stage.topology.NAME,
        frequency=frequency,
        coil=coil,
        transistor={p: transistor[p] for p in stage.topology.POSITIONS},
        bank={node: places[f"{node}-bank"] for node in ("input", "output")},
        sense=places["sense-resistor"][0],
    )


# --- why options fell -----------------------------------------------------------------------------


def _furthest(
    stage: Stage, frequency: float, coil: int, groups: Mapping[str, Options]
) -> tuple[float, list[Waterfall]]:
    """How far a skeleton is from options everywhere, and how its options fell."""
    part = stage.tables["inductor"].part_number[coil]
    head = f"{stage.topology.NAME}, {frequency / 1e3:g} kHz, {part}:"
    falls = [_fallen(f"{head} {name}", one) for name, one in groups.items()]
    far = sum(float(np.min(one.worst(), initial=np.inf)) for one in groups.values())
    return far, falls


def _fallen(position: str, one: Options) -> Waterfall:
    alive: BoolArray = np.ones(len(one.places), dtype=bool)
    falls = []
    for name, miss in one.misses.items():
        fell = int((alive & (miss > 0)).sum())
        if fell:
            falls.append(Fall(position, name, int(alive.sum()), fell))
        alive &= miss <= 0
    return Waterfall(position, len(one.places), tuple(falls), int(alive.sum()))
