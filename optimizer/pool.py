"""Which parts may stand at which position before any waveform is known, and why the others fell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer import buying, limits, service
from optimizer.buying import Prices
from optimizer.limits import Check
from optimizer.records import BoolArray, Fall, IntArray, Waterfall, kind_of, switch_kind
from optimizer.spec_records import EVERY_POSITION, Spec
from optimizer.stage import Stage
from optimizer.tables import PartTable

Tests = Iterator[tuple[str, BoolArray]]


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
        )
        if not _forced_left(stage, position, table, left):
            lost = Fall(position, "the part forced here is not left", len(left), len(left))
            left, fell = left[:0], replace(fell, falls=(*fell.falls, lost), left=0)
        falls.append(fell)
        return left

    transistor = {position: sift(position) for position in stage.topology.POSITIONS}
    bank = {node: sift(f"{node}-bank") for node in stage.nodes}
    coil, sense = sift("inductor"), sift("sense-resistor")
    return Pool(transistor, bank, coil, sense, tuple(falls))


def _sifted(position: str, offered: int, *tests: Tests) -> tuple[IntArray, Waterfall]:
    """Apply the tests one after the other; each part falls on the first it fails."""
    alive = np.ones(offered, dtype=bool)
    falls = []
    for series in tests:
        for reason, passes in series:
            fell = int((alive & ~passes).sum())
            if fell:
                falls.append(Fall(position, reason, int(alive.sum()), fell))
            alive &= passes
    left = np.flatnonzero(alive)
    return left, Waterfall(position, offered, tuple(falls), len(left))


def second_source_asked(spec: Spec, position: str) -> bool:
    """Whether a position needs a second source."""
    return bool({position, EVERY_POSITION} & {*spec.purchase.second_source})


def may_stand(stage: Stage, prices: Prices, position: str) -> IntArray:
    """Parts that could stand at a position, whatever is forced there: rows."""
    kind = kind_of(position)
    count = len(stage.tables[kind])
    return _sifted(position, count, purchase_rules(stage, prices, kind), _own(stage, position))[0]


def replaces(table: PartTable, row: int, others: IntArray) -> BoolArray:
    """Which of some parts come from another maker than a part, on the same pads."""
    maker, pads = np.array(table.texts["maker"]), np.array(table.texts["land_pattern"])
    named = bool(maker[row] and pads[row])
    kept = (maker[others] != maker[row]) & (maker[others] != "") & (pads[others] == pads[row])
    return np.asarray(kept & named)


def _alone_on_its_pads(stage: Stage, prices: Prices, position: str) -> Tests:
    """Parts without a second source, where one is asked for."""
    if second_source_asked(stage.spec, position):
        table, rows = stage.tables[kind_of(position)], may_stand(stage, prices, position)
        held = [bool(replaces(table, row, rows).any()) for row in range(len(table))]
        yield "no part of another maker on its pads", np.array(held, dtype=bool)


def purchase_rules(stage: Stage, prices: Prices, kind: str) -> Tests:
    """Rules of purchase: life-cycle, approval, bans, force and forbid, currency."""
    table, spec = stage.tables[kind], stage.spec
    rules, choice = spec.purchase, spec.choice
    number, maker = np.array(table.part_number), np.array(table.texts["maker"])
    forced = [one.part_number for one in choice.force]
    state = np.isin(np.array(table.texts["status"]), rules.states_allowed)
    if choice.force_any_state:
        state |= np.isin(number, forced)
    yield "life-cycle state", state
    approval = np.array(table.texts["approval"])
    refused = ("no",) if rules.conditional_allowed else ("no", "conditional")
    yield "approval", ~np.isin(approval, refused)
    if rules.approved:
        yield (
            "not on the approved list",
            np.isin(number, rules.approved) | np.isin(maker, rules.approved),
        )
    yield "banned", ~(np.isin(number, rules.banned) | np.isin(maker, rules.banned))
    yield "forbidden by the spec", ~np.isin(number, choice.forbid)
    if kind == "capacitor":
        technology = np.array(table.texts["technology"])
        yield "banned technology", ~np.isin(technology, rules.banned_technologies)
    yield "no price in the currency of the run", buying.priced(prices, kind, len(table))


def _forced_at(stage: Stage, position: str, table: PartTable) -> Tests:
    """Only the parts forced at the position, where any is; a bank may hold another type too."""
    wanted = [f.part_number for f in stage.spec.choice.force if f.position == position]
    if wanted and not position.endswith("-bank"):
        yield "another part is forced here", np.isin(np.array(table.part_number), wanted)


def _forced_left(stage: Stage, position: str, table: PartTable, left: IntArray) -> bool:
    """Whether every part forced at a position is among those left."""
    wanted = [f.part_number for f in stage.spec.choice.force if f.position == position]
    return {*wanted} <= {table.part_number[k] for k in left} if wanted else True


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
