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
    pool,
    screen,
    verification,
)
from optimizer.buying import Prices
from optimizer.conclude_sets import Chosen, Place, part_set_of, stacked
from optimizer.errors import Halted, Watch, go_on
from optimizer.evaluation import Scene
from optimizer.infeasible_kinds import freed
from optimizer.infeasible_options import Options, groups, misses_of
from optimizer.pool import Pool
from optimizer.records import BoolArray, Fall, FloatArray, Waterfall
from optimizer.results import Margin
from optimizer.stage import Stage

SKELETONS = 8
"""Skeletons looked into per topology."""


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


def near_sets(
    stage: Stage, prices: Prices, watch: Watch = go_on
) -> tuple[list[Near], list[Waterfall]]:
    """Sets of one topology that come near, and why options of its best skeleton fell.

    watch : called between skeletons; where it raises `Halted`, those looked at are kept
    """
    free = replace(stage, spec=freed(stage.spec))
    offered = pool.pool(free, prices)
    if any(not one.left for one in offered.waterfalls):
        return [], []
    chosen: list[Chosen] = []
    best: tuple[float, float, int] = (np.inf, 0.0, 0)
    with np.errstate(all="ignore"):
        for frequency, coil in _until(watch, _skeletons(stage, free, offered)):
            found = groups(stage, free, offered, frequency, coil, every=False)
            far = sum(float(np.min(one.worst(), initial=np.inf)) for one in found.values())
            best = min(best, (far, frequency, coil))
            chosen += _assembled(stage, frequency, coil, found)
        found = groups(stage, free, offered, *best[1:], every=True) if chosen else {}
        return judged(stage, list(_distinct(chosen))), _fallen(stage, *best[1:], found)


def nearest(stage: Stage, prices: Prices, count: int) -> Iterator[Near]:
    """The sets of the most promising skeletons one after the other, for a first look.

    count : of skeletons. None where a position has no part that keeps its limits.
    """
    free = replace(stage, spec=freed(stage.spec))
    offered = pool.pool(free, prices)
    kept = pool.pool(stage, prices)
    if any(not one.left for one in (*offered.waterfalls, *kept.waterfalls)):
        return
    with np.errstate(all="ignore"):
        for frequency, coil in _skeletons(stage, free, offered)[:count]:
            found = groups(stage, free, offered, frequency, coil, every=False)
            yield from judged(stage, list(_distinct(_assembled(stage, frequency, coil, found))))


def _until(watch: Watch, skeletons: Iterable[tuple[float, int]]) -> Iterator[tuple[float, int]]:
    """Skeleton after skeleton, the first in any case, until the watch ends it."""
    for number, one in enumerate(skeletons):
        try:
            if number:
                watch()
        except Halted:
            return
        yield one


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
    misses = misses_of(checks, len(coil))
    misses["limit chain"] = _chain_misses(stage, free, offered, scene, coils)
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


def _chain_misses(
    stage: Stage, free: Stage, offered: Pool, scene: Scene, coils: evaluation.Coil
) -> FloatArray:
    """Share by which the limit chain of each skeleton misses with its best sense resistor.

    The spread of each resistor is taken at the first skeleton: near enough to choose by.
    """
    rows, pieces = screen.sense_choices(free, offered)
    nominal = stage.resistors.resistance[rows, 0] / pieces
    sense = evaluation.senses(scene.take(np.array([0])), rows, pieces)
    lanes = limits.firm(stage)
    most = np.where(lanes, sense.resistance_high, -np.inf).max(axis=1)
    least = np.where(lanes, sense.resistance_low, np.inf).min(axis=1)
    known = np.isfinite(most) & np.isfinite(least)
    most, least = (np.where(known, value, nominal) for value in (most, least))
    low, high = screen.sense_range(stage, scene, coils)
    over = np.maximum(most / high[:, None], low[:, None] / least).min(axis=1) - 1.0
    return np.asarray(np.where(np.isnan(over), np.inf, np.maximum(over, 0.0)))


# --- from options to sets -------------------------------------------------------------------------


def _assembled(
    stage: Stage, frequency: float, coil: int, options: Mapping[str, Options]
) -> list[Chosen]:
    """The set that misses least, and for each limit the one that misses only there, least."""
    names = dict.fromkeys(name for one in options.values() for name in one.misses)
    aims: list[dict[str, int]] = [
        {name: int(np.lexsort((one.loss, one.worst()))[0]) for name, one in options.items()}
    ]
    for key in ("area", "i_drive"):
        aims.append(
            {
                name: int(np.lexsort((getattr(one, key), one.worst()))[0])
                for name, one in options.items()
            }
        )
    for limit in names:
        aims.append({name: _only(one, limit) for name, one in options.items()})
    return [_chosen(stage, frequency, coil, options, aim) for aim in aims]


def _only(one: Options, limit: str) -> int:
    """The option that keeps every other limit best, then misses least in this one."""
    miss = one.misses.get(limit, np.zeros(len(one.places)))
    return int(np.lexsort((one.loss, miss, one.worst(without=limit)))[0])


def _chosen(
    stage: Stage,
    frequency: float,
    coil: int,
    options: Mapping[str, Options],
    aim: Mapping[str, int],
) -> Chosen:
    places = {name: options[name].places[k] for name, k in aim.items()}
    transistor: dict[str, Place] = {}
    for leg in stage.topology.LEGS:
        transistor[leg.control], transistor[leg.synchronous] = places[leg.name]
    return Chosen(
        topology=stage.topology.NAME,
        frequency=frequency,
        coil=coil,
        coil_pieces=int(stage.coil_pieces(np.array([coil]))[0]),
        transistor={p: transistor[p] for p in stage.topology.POSITIONS},
        bank={node: places[f"{node}-bank"] for node in stage.nodes},
        sense=places["sense-resistor"][0],
    )


# --- why options fell -----------------------------------------------------------------------------


def _fallen(
    stage: Stage, frequency: float, coil: int, options: Mapping[str, Options]
) -> list[Waterfall]:
    """How the options of a skeleton fell, group by group."""
    part = stage.tables["inductor"].part_number[coil]
    head = f"{stage.topology.NAME}, {frequency / 1e3:g} kHz, {part}:"
    return [_falls(f"{head} {name}", one) for name, one in options.items()]


def _falls(position: str, one: Options) -> Waterfall:
    alive: BoolArray = np.ones(len(one.places), dtype=bool)
    falls = []
    for name, miss in one.misses.items():
        fell = int((alive & (miss > 0)).sum())
        if fell:
            falls.append(Fall(position, name, int(alive.sum()), fell))
        alive &= miss <= 0
    return Waterfall(position, len(one.places), tuple(falls), int(alive.sum()))
