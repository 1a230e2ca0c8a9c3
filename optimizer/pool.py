"""Which parts may stand at which position before any waveform is known, and why the others fell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer import buying, limits, service
from optimizer.buying import Prices
from optimizer.limits import Check
from optimizer.records import BoolArray, Fall, IntArray, Waterfall, kind_of, switch_kind
from optimizer.spec_records import CHARGE_SENSE
from optimizer.stage import Stage
from optimizer.tables import PartTable, replaces

Tests = Iterator[tuple[str, BoolArray]]

NO_CHARGE_SENSE = "no second source at the charge-current sense"


@dataclass(frozen=True, slots=True)
class Pool:
    """Rows of the parts that may stand at each position of one topology.

    transistor : switch position -> rows in the table of its kind; bank : node -> rows
    coil, sense : rows
    waterfalls : one per position, in order
    """

    transistor: Mapping[str, IntArray]
    bank: Mapping[str, IntArray]
    coil: IntArray
    sense: IntArray
    waterfalls: tuple[Waterfall, ...]


def pool(stage: Stage, prices: Prices) -> Pool:
    """Sift every kind by rules of purchase, by ratings and by drive, counting each reason."""
    falls: list[Waterfall] = []

    def sift(position: str) -> IntArray:
        table = stage.tables[kind_of(position)]
        left, fell = _sifted(
            position,
            len(table),
            purchase_rules(stage, prices, table.kind),
            _forced_at(stage, position, table),
            _own(stage, position),
            _alone_on_its_pads(stage, prices, position),
            _charge_sense_alone(stage, prices, position),
            needed=_needed_at(stage, position, table),
        )
        falls.append(fell)
        return left

    transistor = {position: sift(position) for position in stage.topology.POSITIONS}
    bank = {node: sift(f"{node}-bank") for node in stage.nodes}
    coil, sense = sift("inductor"), sift("sense-resistor")
    return Pool(transistor, bank, coil, sense, tuple(falls))


def _sifted(
    position: str, offered: int, *tests: Tests, needed: Sequence[int] = ()
) -> tuple[IntArray, Waterfall]:
    """Apply the tests one after the other; each part falls on the first it fails.

    needed : rows without which nothing can stand here; where one falls, the rest falls with it
    """
    alive = np.ones(offered, dtype=bool)
    falls = []
    for series in tests:
        for reason, passes in series:
            fell = int((alive & ~passes).sum())
            if fell:
                falls.append(Fall(position, reason, int(alive.sum()), fell))
            alive &= passes
            if alive.any() and not alive[list(needed)].all():
                rest = int(alive.sum())
                falls.append(Fall(position, f"{reason} of the part forced here", rest, rest))
                alive[:] = False
    left = np.flatnonzero(alive)
    return left, Waterfall(position, offered, tuple(falls), len(left))


def may_stand(stage: Stage, prices: Prices, position: str) -> IntArray:
    """Parts that could stand at a position, whatever is forced there: rows."""
    kind = kind_of(position)
    count = len(stage.tables[kind])
    return _sifted(position, count, purchase_rules(stage, prices, kind), _own(stage, position))[0]


def _alone_on_its_pads(stage: Stage, prices: Prices, position: str) -> Tests:
    """Parts without a second source, where one is asked for."""
    if stage.spec.purchase.needs_second_source(position):
        table, rows = stage.tables[kind_of(position)], may_stand(stage, prices, position)
        held = [bool(replaces(table, row, rows).any()) for row in range(len(table))]
        yield "no part of another maker on its pads", np.array(held, dtype=bool)


def _charge_sense_alone(stage: Stage, prices: Prices, position: str) -> Tests:
    """Nothing passes where the charge-current sense lacks its alternate; told at the coil's."""
    charge, asked = prices.charge, stage.spec.purchase.needs_second_source(CHARGE_SENSE)
    if position == "sense-resistor" and asked and charge is not None and not charge.found:
        none = np.zeros(len(stage.tables["resistor"]), dtype=bool)
        yield f"{NO_CHARGE_SENSE}: {charge.text}", none


def purchase_rules(stage: Stage, prices: Prices, kind: str) -> Tests:
    """Rules of purchase: life-cycle, approval, bans, force and forbid, currency."""
    return buying.rules(stage.spec, stage.tables[kind], prices)


def _forced_at(stage: Stage, position: str, table: PartTable) -> Tests:
    """Only the parts forced at the position, where any is; a bank may hold another type too."""
    wanted = [f.part_number for f in stage.spec.choice.force if f.position == position]
    if wanted and not position.endswith("-bank"):
        yield "another part is forced here", np.isin(np.array(table.part_number), wanted)


def _needed_at(stage: Stage, position: str, table: PartTable) -> list[int]:
    """Rows that every bank of a position has to hold."""
    forced = stage.spec.choice.force if position.endswith("-bank") else ()
    wanted = [one.part_number for one in forced if one.position == position]
    return [k for k, name in enumerate(table.part_number) if name in wanted]


def pieces_wanted(stage: Stage, position: str, pieces: IntArray) -> BoolArray:
    """Which choices of a position hold the number of pieces forced there, if any is."""
    wanted = [f.pieces for f in stage.spec.choice.force if f.position == position and f.pieces]
    return np.isin(pieces, wanted) if wanted else np.ones(len(pieces), dtype=bool)


def _of_checks(checks: Iterator[Check]) -> Tests:
    for check in checks:
        yield check.quantity, check.holds()


def _own(stage: Stage, position: str) -> Tests:
    """What a position asks of a part itself, beside the rules of purchase."""
    kind = kind_of(position)
    if kind == "capacitor":
        every = np.arange(len(stage.tables[kind]))
        yield from _of_checks(limits.capacitor_ratings(stage, position[: -len("-bank")], every))
        if stage.spec.life.years > 0.0:
            yield "life over the mission, even without heat of its own", service.may_last(stage)
    elif kind == "inductor" and not stage.two_coils:
        yield "two windings, for a stage with two coils", np.isnan(stage.inductors.coupling[:, 0])
    elif kind == switch_kind(position):
        yield from _of_checks(limits.switch_ratings(stage, position, slice(None)))
        if kind == "mosfet":
            rated = np.isfinite(stage.mosfets.rds_on).all(axis=1)
            yield "no rating at the drive voltage", np.asarray(rated)
    yield from _of_checks(limits.body_ratings(stage, kind, position, slice(None)))
