"""The reference set of every skeleton: the cheapest parts that pass, and the state they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer import evaluation, verification
from optimizer.assembly import Sets
from optimizer.bank_reach import Reach
from optimizer.buying import Prices
from optimizer.errors import Watch, go_on
from optimizer.evaluation import Scene
from optimizer.parts.bridge_records import Mosfet
from optimizer.parts.diode import Diode
from optimizer.pool import Pool
from optimizer.records import (
    BoolArray,
    Fall,
    FloatArray,
    IntArray,
    Leg,
    State,
    Waterfall,
    switch_kind,
)
from optimizer.screen import (
    Screened,
    coil_costs,
    keeps_limits_alone,
    senses_that_close,
    switch_checks,
    switch_choices,
)
from optimizer.stage import Stage, build_stage, lanes_where
from optimizer.topologies.intervals import windings
from optimizer.verification import Reference

COILS_AT_ONCE = 96
"""Inductors of one frequency whose waveforms are worked out together."""

Column = tuple[int, int]
"""Row and pieces."""

BESIDE = "parts beside inductor and frequency"
"""Position of the waterfall of what a skeleton needs besides its inductor."""


def references(
    stage: Stage,
    found: Pool,
    prices: Prices,
    screened: Screened,
    watch: Watch = go_on,
) -> tuple[Reference, BoolArray, Waterfall]:
    """The reference state of every skeleton, which ones have one, (n_set,), and what fell.

    All skeletons of a frequency share the other parts of its cheapest feasible reference set and
    keep their own inductor. Where no skeleton of a frequency has a complete set, none can pass.
    watch : called often; raises where the search is to end
    """
    alone = coil_costs(stage, prices)
    kept = np.zeros(len(screened.coil), dtype=bool)
    parts, falls = [], dict[str, int]()
    for frequency in np.unique(screened.frequency):
        index = np.flatnonzero(screened.frequency == frequency)
        order = index[np.argsort(alone[screened.coil[index]], kind="stable")]
        one = _Common(stage, found, prices, watch)
        common = one.search(frequency, screened.coil[order])
        if common is None:
            falls = {name: falls.get(name, 0) + fell for name, fell in one.falls.items()}
            continue
        kept[index] = True
        parts.append(_with_coils(stage, common, frequency, screened.coil[index]))
    waterfall = _waterfall(len(kept), falls, int(kept.sum()))
    if not parts:
        empty = np.zeros((0, len(stage.lanes)))
        names = stage.topology.POSITIONS
        drop = {p: empty for p in names if switch_kind(p) == "diode"}
        drop |= dict.fromkeys(windings(stage.topology), empty)
        state = State(empty, dict.fromkeys(names, empty), empty, empty, empty, drop)
        return Reference(np.zeros(0), np.zeros(0, dtype=np.int64), state, empty), kept, waterfall
    return _reference_states(stage, parts), kept, waterfall


def _waterfall(offered: int, falls: Mapping[str, int], left: int) -> Waterfall:
    listed, entered = [], offered
    for name, fell in falls.items():
        if fell:
            listed.append(Fall(BESIDE, f"{name}: none passes", entered, fell))
            entered -= fell
    return Waterfall(BESIDE, offered, tuple(listed), left)


# --- the cheapest complete set of one frequency ---------------------------------------------------


class _Common:
    """Inductor after inductor until one has a part that passes at every place.

    What had none at the last inductor is asked first at the next, and a bound on banks refuses
    many inductors at once.
    """

    def __init__(self, stage: Stage, found: Pool, prices: Prices, watch: Watch) -> None:
        self.stage, self.found, self.prices, self.watch = stage, found, prices, watch
        self.legs = {leg.name: leg for leg in stage.topology.LEGS}
        names = [*self.legs, *(f"{node}-bank" for node in found.bank), "sense-resistor"]
        self.places = list(names)
        self.falls = dict.fromkeys(names, 0)

    def search(self, frequency: float, coil: IntArray) -> Sets | None:
        """The set of the first inductor that has one, with the inductor; None where none has."""
        for start, end in _blocks(len(coil)):
            some = coil[start:end]
            scene = evaluation.sizing_scene(self.stage, np.full(len(some), frequency), some)
            reach = {n: Reach(scene, n, rows) for n, rows in self.found.bank.items()}
            for row in range(len(some)):
                self.watch()
                parts = self._parts(scene, row, reach)
                if parts is not None:
                    return _set_of(self.stage, frequency, int(some[row]), parts)
        return None

    def _parts(
        self, scene: Scene, row: int, reach: Mapping[str, Reach]
    ) -> dict[str, tuple[Column, ...]] | None:
        """The cheapest part at every place beside one inductor of a scene, or None."""
        one = scene.take(np.array([row]))
        parts: dict[str, tuple[Column, ...]] = {}
        best: tuple[Column, ...] | None
        for place in self.places:
            if place in self.legs:
                leg = self.legs[place]
                best = _cheapest_leg(one, self.found, self.prices, leg, self.watch)
            elif place == "sense-resistor":
                best = self._cheapest_sense(one)
            else:
                node = place.removesuffix("-bank")
                best = self._cheapest_bank(node, row, reach[node])
            if best is None:
                self.falls[place] += 1
                self.places.remove(place)
                self.places.insert(0, place)
                return None
            parts[place] = best
        return parts

    def _cheapest_bank(self, node: str, row: int, reach: Reach) -> tuple[Column, ...] | None:
        rows, most = self.found.bank[node], self.stage.spec.choice.bank_pieces_max
        cost = self.prices.alone("capacitor")[rows, : most + 1]
        best = reach.cheapest(row, cost, watch=self.watch)
        if best is None:
            return None
        one, pieces, two, more = best
        return (int(rows[one]), pieces), (-1 if two < 0 else int(rows[two]), more)

    def _cheapest_sense(self, scene: Scene) -> tuple[Column, ...] | None:
        rows, pieces = senses_that_close(self.stage, self.found, scene, evaluation.coils(scene))
        if not len(rows):
            return None
        best = int(np.argmin(self.prices.alone("resistor")[rows, pieces]))
        return ((int(rows[best]), int(pieces[best])),)


def _blocks(count: int) -> list[tuple[int, int]]:
    """The first alone, since it usually passes, then many together."""
    starts = [0, *range(1, count, COILS_AT_ONCE)] if count else []
    return list(zip(starts, [*starts[1:], count], strict=True))


def _set_of(
    stage: Stage, frequency: float, coil: int, parts: Mapping[str, tuple[Column, ...]]
) -> Sets:
    def columns(place: str) -> list[IntArray]:
        return [np.array([value]) for column in parts[place] for value in column]

    transistor: dict[str, tuple[IntArray, IntArray]] = {}
    for leg in stage.topology.LEGS:
        one, count, two, more = columns(leg.name)
        transistor |= {leg.control: (one, count), leg.synchronous: (two, more)}
    banks = {}
    for node in stage.nodes:
        first, count, second, more = columns(f"{node}-bank")
        banks[node] = (first, count, second, more)
    sense, count = columns("sense-resistor")
    return Sets(
        frequency=np.array([frequency]),
        coil=np.array([coil]),
        coil_pieces=stage.coil_pieces(np.array([coil])),
        transistor=transistor,
        bank=banks,
        sense=(sense, count),
    )


def _cheapest_leg(
    scene: Scene, found: Pool, prices: Prices, leg: Leg, watch: Watch = go_on
) -> tuple[Column, Column] | None:
    """The cheapest control, and the cheapest synchronous transistor beside which one passes.

    Those that fail beside every partner are left out first; None when no pair passes.
    """
    stage = scene.stage

    def left(position: str) -> tuple[IntArray, IntArray]:
        rows, pieces = _by_price(scene, found, prices, position)
        keep = keeps_limits_alone(scene, leg, position, (rows, pieces))
        return rows[keep], pieces[keep]

    synchronous, controls = left(leg.synchronous), left(leg.control)
    for row, pieces in zip(*synchronous, strict=True):
        watch()
        if not len(controls[0]):
            return None
        partner = evaluation.rectifiers(stage, leg, np.array([row]), np.array([pieces]))
        rows, counts = _passing(scene, leg, leg.control, controls, partner)
        if len(rows):
            return (int(rows[0]), int(counts[0])), (int(row), int(pieces))
    return None


def _by_price(
    scene: Scene, found: Pool, prices: Prices, position: str
) -> tuple[IntArray, IntArray]:
    """Transistors of a position in every number of pieces, cheapest first: rows and pieces."""
    rows, pieces = switch_choices(scene.stage, found, position)
    order = np.argsort(prices.alone(switch_kind(position))[rows, pieces], kind="stable")
    return rows[order], pieces[order]


def _passing(
    scene: Scene,
    leg: Leg,
    position: str,
    choices: tuple[IntArray, IntArray],
    partner: Mosfet | Diode,
) -> tuple[IntArray, IntArray]:
    """Of the choices at a position, those that keep their own limits beside a partner."""
    rows, pieces = choices
    if not len(rows):
        return choices
    keep = np.ones(len(rows), dtype=bool)
    for check in switch_checks(scene, leg, position, choices, partner):
        keep &= check.holds()
    return rows[keep], pieces[keep]


# --- states ---------------------------------------------------------------------------------------


def _with_coils(stage: Stage, common: Sets, frequency: float, coil: IntArray) -> Sets:
    """The set repeated with each of the inductors."""
    rows = np.zeros(len(coil), dtype=np.int64)
    many = common.take(rows)
    pieces = stage.coil_pieces(coil)
    return replace(many, frequency=np.full(len(coil), frequency), coil=coil, coil_pieces=pieces)


def _reference_states(stage: Stage, parts: list[Sets]) -> Reference:
    """Own states of the reference sets in the lanes that are not sizing lanes."""
    own = stage.lanes.bracket == 0
    part = build_stage(
        stage.spec, stage.topology.NAME, lanes=lanes_where(stage.lanes, own), tables=stage.tables
    )
    small = [verification.reference_of(part, sets) for sets in parts]
    lane = np.flatnonzero(own)

    def wide(values: list[FloatArray]) -> FloatArray:
        rows = np.concatenate(values)
        full = np.zeros((len(rows), len(own)))
        full[:, lane] = rows
        return full

    state = State(
        resistance_series=wide([one.state.resistance_series for one in small]),
        resistance={
            p: wide([one.state.resistance[p] for one in small]) for p in stage.topology.POSITIONS
        },
        i_input_extra=wide([one.state.i_input_extra for one in small]),
        i_output_extra=wide([one.state.i_output_extra for one in small]),
        temp_board=wide([one.state.temp_board for one in small]),
        drop={p: wide([one.state.drop[p] for one in small]) for p in small[0].state.drop},
    )
    return Reference(
        frequency=np.concatenate([one.frequency for one in small]),
        coil=np.concatenate([one.coil for one in small]),
        state=state,
        i_mean=wide([one.i_mean for one in small]),
    )
