"""Selections of a choice, and part sets by number, as catalog rows; and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.assembly import Sets
from optimizer.buying import Prices
from optimizer.found import Found
from optimizer.market import Market
from optimizer.records import Choice, IntArray, Selection, kind_of, switch_kind
from optimizer.results import PartSet
from optimizer.tables import PartTable

Place = tuple[int, int]
"""Row in the table of a kind, and pieces."""

Tables = Mapping[str, PartTable]


@dataclass(frozen=True, slots=True)
class Chosen:
    """One complete part set by rows: one place per transistor, one or two per bank."""

    topology: str
    frequency: float
    coil: int
    coil_pieces: int
    transistor: Mapping[str, Place]
    bank: Mapping[str, tuple[Place, ...]]
    sense: Place

    def places(self) -> list[tuple[str, str, int, int]]:
        """(position, kind, row, pieces) of every place, in the order of the board."""
        found = [(name, switch_kind(name), *place) for name, place in self.transistor.items()]
        found.append(("inductor", "inductor", self.coil, self.coil_pieces))
        for node, bank in self.bank.items():
            found += [(f"{node}-bank", "capacitor", *place) for place in bank]
        found.append(("sense-resistor", "resistor", *self.sense))
        return found


def skeleton_keys(markets: Mapping[str, Market]) -> dict[str, tuple[str, int]]:
    """Name of each skeleton -> topology and number in its market."""
    found: dict[str, tuple[str, int]] = {}
    for topology, market in markets.items():
        numbers = market.stage.tables["inductor"].part_number
        coils, frequencies = market.scene.coil.tolist(), (market.frequency() / 1e3).tolist()
        for k, (coil, kilohertz) in enumerate(zip(coils, frequencies, strict=True)):
            found[f"{topology}, {kilohertz:g} kHz, {numbers[coil]}"] = (topology, k)
    return found


def chosen_sets(
    points: Sequence[Selection], choice: Choice, prices: Prices, markets: Mapping[str, Market]
) -> list[Chosen]:
    """The catalog rows of each point of a front."""
    keys = skeleton_keys(markets)
    found = []
    for point in points:
        topology, number = keys[choice.skeletons[point.skeleton].name]
        found.append(_chosen(point, choice, prices, markets[topology], number))
    return found


def first_set(found: Found) -> Chosen:
    """The first feasible set that a search met; it must have met one."""
    assert found.first is not None
    choice, selection = found.first
    (one,) = chosen_sets([selection], choice, found.prices, found.markets)
    return one


def _chosen(
    point: Selection, choice: Choice, prices: Prices, market: Market, number: int
) -> Chosen:
    body = choice.skeletons[point.skeleton]
    held: dict[str, list[Place]] = {}
    for group, option in zip(body.groups, point.option, strict=True):
        slots = zip(group.slot_position, group.part[option], group.pieces[option], strict=True)
        for position, part, pieces in slots:
            if part >= 0:
                row = int(part) - prices.offset[kind_of(position)]
                held.setdefault(position, []).append((row, int(pieces)))
    return Chosen(
        topology=market.stage.topology.NAME,
        frequency=round(float(market.frequency()[number]), 3),
        coil=held["inductor"][0][0],
        coil_pieces=held["inductor"][0][1],
        transistor={p: held[p][0] for p in market.stage.topology.POSITIONS},
        bank={node: tuple(held[f"{node}-bank"]) for node in market.stage.nodes},
        sense=held["sense-resistor"][0],
    )


def stacked(found: Sequence[Chosen]) -> Sets:
    """Sets of one topology as arrays."""

    def column(values: Sequence[int]) -> IntArray:
        return np.array(values, dtype=np.int64)

    def places(values: Sequence[Place]) -> tuple[IntArray, IntArray]:
        return column([row for row, _ in values]), column([count for _, count in values])

    def bank(node: str) -> tuple[IntArray, IntArray, IntArray, IntArray]:
        second = [one.bank[node][1] if len(one.bank[node]) > 1 else (-1, 0) for one in found]
        return (*places([one.bank[node][0] for one in found]), *places(second))

    return Sets(
        frequency=np.array([one.frequency for one in found]),
        coil=column([one.coil for one in found]),
        coil_pieces=column([one.coil_pieces for one in found]),
        transistor={p: places([one.transistor[p] for one in found]) for p in found[0].transistor},
        bank={node: bank(node) for node in found[0].bank},
        sense=places([one.sense for one in found]),
    )


def part_set_of(one: Chosen, tables: Tables) -> PartSet:
    """A set by part numbers."""

    def named(kind: str, place: Place) -> tuple[str, int]:
        return tables[kind].part_number[place[0]], place[1]

    banks = {
        node: tuple(named("capacitor", place) for place in bank) for node, bank in one.bank.items()
    }
    return PartSet(
        topology=one.topology,
        frequency=one.frequency,
        inductor=tables["inductor"].part_number[one.coil],
        transistors={p: named(switch_kind(p), place) for p, place in one.transistor.items()},
        bank_input=banks["input"],
        bank_output=banks["output"],
        sense=named("resistor", one.sense),
        bank_coupling=banks.get("coupling", ()),
        inductor_pieces=one.coil_pieces,
    )
