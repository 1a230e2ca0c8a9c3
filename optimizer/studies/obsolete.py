"""Parts of a finished run are gone or changed: is its board still good, and what can stand in?

First drop-in replacements on the frozen board (one other part with the same land pattern wherever
the lost one stood, nothing else touched), then the fewest places that must change. Every board is
ruled on by the verification; what was not looked at is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, islice, product
from math import prod
from typing import Any

from optimizer import charge_sense
from optimizer.catalog import Catalog
from optimizer.catalog_changes import Changes
from optimizer.conclude_margins import failing
from optimizer.results import Margin, PartSet, Verified
from optimizer.spec_records import Spec
from optimizer.studies import by_name, retest
from optimizer.studies.boards import Boards, Place, Ruling, places_of, with_places

Plain = Mapping[str, Any]

UNAFFECTED, PASSES, DROP_IN, TOUCH, FAILS = "unaffected", "passes", "drop-in", "touch", "fails"
VERDICTS = (UNAFFECTED, PASSES, DROP_IN, TOUCH, FAILS)

BOARDS_MOST = 20_000
"""Boards looked at in one step; what lies beyond is said."""

SHOWN = 12
"""Replacements told with margins and tests; the others with cost and loss."""

TOUCH_MOST = 2
"""Places beyond the lost ones that may change: none, then one, ..."""


@dataclass(frozen=True, slots=True)
class Swap:
    """One place filled otherwise."""

    position: str
    part: str
    pieces: int
    part_before: str
    pieces_before: int
    land_pattern: str
    land_pattern_before: str


@dataclass(frozen=True, slots=True)
class MarginMove:
    """A limit whose margin changed."""

    subject: str
    quantity: str
    at: str
    margin_before: float
    margin: float


@dataclass(frozen=True, slots=True)
class Replacement:
    """A board that passes with some places changed; changes are against the board of the run.

    cost, cost_change : per board [currency]; loss, loss_change : of the objective [W]
    margins : limits whose margin changed, least first; tests : to repeat on the bench
    misses : limits that it keeps at the loss ceiling, where limits are judged, but not at its own
        state
    """

    swaps: tuple[Swap, ...]
    board: PartSet
    cost: float
    cost_change: float
    loss: float
    loss_change: float
    margins: tuple[MarginMove, ...] = ()
    tests: tuple[str, ...] = ()
    misses: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotFit:
    """A part that cannot stand in for the lost one, and why.

    by : "rule" of purchase, "limit", or "name" where it equals the lost part by name only
    """

    part: str
    instead_of: str
    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the answer: boards that pass, parts that do not, and what was not looked at.

    boards, seen : boards there are and boards looked at; the step is proved when they are equal
    """

    replacements: tuple[Replacement, ...]
    refused: tuple[NotFit, ...]
    boards: int
    seen: int

    @property
    def proved(self) -> bool:
        """Whether every board of the step was looked at."""
        return self.boards == self.seen


@dataclass(frozen=True, slots=True)
class Answer:
    """What becomes of one board.

    affected : changed parts it holds; lost : those that must be replaced
    proof : why the verdict holds; touch : fewest changed places beyond the lost ones, None where
        drop-ins were enough or nothing was found
    """

    verdict: str
    proof: str
    board: PartSet
    cost: float
    loss: float
    affected: tuple[str, ...]
    lost: tuple[str, ...]
    reasons: tuple[str, ...]
    drop_ins: Step | None = None
    touched: Step | None = None
    touch: int | None = None
    again: Replacement | None = None


@dataclass(frozen=True, slots=True)
class Before:
    """The board as the run kept it.

    pads : part -> land pattern, where the run says
    charge, charge_pieces : part of its charge-current sense, empty where the run counts none
    """

    board: PartSet
    cost: float
    loss: float
    margins: Mapping[tuple[str, str], float]
    pads: Mapping[str, str] = field(default_factory=dict)
    charge: str = ""
    charge_pieces: int = 0


def before_of(point: Plain, board: PartSet, *, objective: str) -> Before:
    """What a run says of one of its points."""
    held = point["verified"]
    loss = held["loss_worst"] if objective == "worst-point" else held["loss_mission"]
    margins: dict[tuple[str, str], float] = {}
    for one in held["margins"]:
        if one["margin"] is not None:
            margins.setdefault((one["subject"], one["quantity"]), one["margin"])
    cost, loss = (math.nan if value is None else value for value in (held["cost"], loss))
    pads = {line["part_number"]: line["land_pattern"] for line in held["bill"]}
    charge = charge_sense.held_on(held["bill"], board.sense[1])
    return Before(board, cost, loss, margins, pads, *charge)


def without(spec: Spec, gone: Sequence[str]) -> Spec:
    """The spec with parts forbidden that cannot be had any more."""
    forbid = tuple(dict.fromkeys((*spec.choice.forbid, *gone)))
    return replace(spec, choice=replace(spec.choice, forbid=forbid))


def answer(
    spec: Spec, after: Catalog, changes: Changes, before: Before, *, same_catalogs: bool = True
) -> Answer:
    """What becomes of a board when some parts change.

    after : the catalogs with the changes applied
    same_catalogs : whether they were those of the run before; if not, every part may have changed
    """
    held = [place.part for place in places_of(before.board)]
    held += [before.charge] if before.charge else []
    affected = tuple(dict.fromkeys(p for p in held if p in changes.names or not same_catalogs))
    if not affected:
        proof = (
            "the board holds none of the changed parts, and no figure of a part depends on another "
            "part of the catalogs"
        )
        return Answer(UNAFFECTED, proof, before.board, before.cost, before.loss, (), (), ())
    return _Case(spec, after, changes, before, affected).answer()


class _Case:
    """One affected board."""

    def __init__(
        self,
        spec: Spec,
        after: Catalog,
        changes: Changes,
        before: Before,
        affected: tuple[str, ...],
    ) -> None:
        self.spec = without(spec, changes.gone)
        self.boards = Boards(self.spec, after, before.board.topology)
        self.before, self.affected, self.changes = before, affected, changes
        self.held = places_of(before.board)
        self.kept_out: dict[str, str] = {}
        self.lost: tuple[str, ...] = ()
        self.reasons: tuple[str, ...] = ()

    def answer(self) -> Answer:
        placed = [name for name in self.affected if any(p.part == name for p in self.held)]
        self.kept_out = {name: why for name in placed if (why := self._kept_out(name))}
        self.lost = tuple(self.kept_out)
        self.reasons = tuple(f"{name}: {why}" for name, why in self.kept_out.items())
        charge = self.boards.prices.charge
        if self.before.charge in self.affected and charge is not None:
            told = f"{self.before.charge} (charge-current sense) changed; now {charge.text}"
            self.reasons = (*self.reasons, told)
        if not self.lost:
            (ruling,) = self.boards.rulings([self.before.board])
            if ruling.passes:
                (again,) = self._told([ruling])
                proof = "verified again with the changed parts: every limit holds"
                return self._answer(PASSES, proof, again=again)
            self.lost, self.reasons = tuple(placed), (*ruling.reasons, *self.reasons)
        drop_ins = self._drop_ins()
        if drop_ins.replacements:
            proof = f"{len(drop_ins.replacements)} verified on the frozen board"
            return self._answer(DROP_IN, proof, drop_ins=drop_ins)
        return self._touched(drop_ins)

    def _answer(self, verdict: str, proof: str, **more: Any) -> Answer:
        before = self.before
        return Answer(
            verdict,
            proof,
            before.board,
            before.cost,
            before.loss,
            self.affected,
            self.lost,
            self.reasons,
            **more,
        )

    def _kept_out(self, name: str) -> str:
        """Why a part of the board cannot be bought any more, "" where it can."""
        place = next(one for one in self.held if one.part == name)
        if name in self.changes.gone:
            return "gone"
        if not self.boards.knows(place):
            return "not in the catalogs, or its row is refused"
        return self.boards.refusal(place.kind, name)

    # --- drop-ins ---------------------------------------------------------------------------------

    def _drop_ins(self) -> Step:
        """One other part of the same land pattern for each lost one, wherever it stood."""
        refused: list[NotFit] = []
        offered = [self._alike(name, refused) for name in self.lost]
        count = prod(len(names) for names in offered)
        boards = []
        for names in islice(product(*offered), BOARDS_MOST):
            instead = dict(zip(self.lost, names, strict=True))
            swapped = [replace(p, part=instead[p.part]) for p in self.held if p.part in instead]
            boards.append(with_places(self.before.board, swapped))
        possible = [board for board in boards if not doubled(board)]
        rulings = self.boards.rulings(possible)
        refused += self._unfit(offered, rulings)
        skipped = len(boards) - len(possible)
        return Step(
            self._told([one for one in rulings if one.passes]),
            tuple(refused),
            count - skipped,
            len(possible),
        )

    def _alike(self, name: str, refused: list[NotFit]) -> list[str]:
        """Parts on the same pads that may be bought, cheapest first; the others are refused."""
        place = next(one for one in self.held if one.part == name)
        pads = self._pads(place)
        if not pads:
            refused.append(NotFit("", name, "no land pattern is known of it", "rule"))
            return []
        found = []
        for other in self.boards.row[place.kind]:
            here = self.boards.filled(place, other)
            if other in self.lost or self.boards.land_pattern(here) != pads:
                continue
            why = self.boards.refusal(place.kind, other)
            if why:
                refused.append(NotFit(other, name, why, "rule"))
            else:
                found.append(here)
        return [one.part for one in sorted(found, key=self.boards.price_alone)]

    def _pads(self, place: Place) -> str:
        """Land pattern of what stands at a place; of a part without a row as the run kept it."""
        if self.boards.knows(place):
            return self.boards.land_pattern(place)
        return self.before.pads.get(place.part, "")

    def _unfit(self, offered: Sequence[Sequence[str]], rulings: Sequence[Ruling]) -> list[NotFit]:
        """Parts that pass on no board looked at, with what they broke on the first of them."""
        good = {p.part for one in rulings if one.passes for p in places_of(one.board)}
        first: dict[str, Ruling] = {}
        for ruling in rulings:
            for place in places_of(ruling.board):
                first.setdefault(place.part, ruling)
        found = []
        for name, others in zip(self.lost, offered, strict=True):
            for other in others:
                if other in first and other not in good:
                    alike = by_name.alike(self.boards, name, other)
                    why = by_name.told(self.boards, name, other, first[other].reasons)
                    found.append(NotFit(other, name, why, "name" if alike else "limit"))
        return found

    # --- fewest places ----------------------------------------------------------------------------

    def _touched(self, drop_ins: Step) -> Answer:
        """Fewest places beyond the lost ones: every part, land pattern and number of pieces."""
        lost = [one for one in self.held if one.part in self.lost]
        others = [one for one in self.held if one.part not in self.lost]
        open_steps = "" if drop_ins.proved else "not every drop-in was looked at; "
        step = drop_ins
        for more in range(min(TOUCH_MOST, len(others) + 1)):
            step = self._step(lost, [list(extra) for extra in combinations(others, more)])
            if step.replacements:
                proof = f"{open_steps}no drop-in passes; verified with {more} further places"
                return self._answer(TOUCH, proof, drop_ins=drop_ins, touched=step, touch=more)
            if not step.proved:
                open_steps = "not proved, as not every board was looked at: "
        proof = f"{open_steps}no board with at most {TOUCH_MOST - 1} further places passes"
        return self._answer(FAILS, proof, drop_ins=drop_ins, touched=step)

    def _step(self, lost: Sequence[Place], extras: Sequence[Sequence[Place]]) -> Step:
        boards: list[PartSet] = []
        count = 0
        share = max(1, BOARDS_MOST // max(1, len(extras)))
        for extra in extras:
            offered = [self._anything(one) for one in (*lost, *extra)]
            listed = [
                with_places(self.before.board, places)
                for places in islice(product(*offered), share)
            ]
            possible = [board for board in listed if not doubled(board)]
            count += prod(len(one) for one in offered) - (len(listed) - len(possible))
            boards += possible
        rulings = self.boards.rulings(boards, reasons=False)
        return Step(self._told([one for one in rulings if one.passes]), (), count, len(boards))

    def _anything(self, place: Place) -> list[Place]:
        """Everything that may fill a place, cheapest first; what stands there now is not among it.

        In a bank of two types the other type is not.
        """
        rules = self.spec.choice
        most = {
            "mosfet": rules.transistors_parallel_max,
            "capacitor": rules.bank_pieces_max,
            "resistor": rules.resistors_parallel_max,
        }.get(place.kind, 1)
        beside = {p.part for p in self.held if p.position == place.position and p != place}
        found = [
            self.boards.filled(replace(place, pieces=pieces), name)
            for name in self.boards.row[place.kind]
            if name not in self.lost and name not in beside
            if not self.boards.refusal(place.kind, name)
            for pieces in range(1, most + 1)
        ]
        return sorted((p for p in found if p != place), key=self.boards.price_alone)

    # --- telling ----------------------------------------------------------------------------------

    def _told(self, passing: Sequence[Ruling]) -> tuple[Replacement, ...]:
        """Boards that pass, cheapest first; the first ones with margins and tests."""
        order = sorted(passing, key=lambda one: (one.cost, one.loss))
        verified = self.boards.verified([one.board for one in order[:SHOWN]])
        full = [self._full(one, seen) for one, seen in zip(order[:SHOWN], verified, strict=True)]
        return (*full, *(self._short(one) for one in order[SHOWN:]))

    def _short(self, ruling: Ruling) -> Replacement:
        return Replacement(
            swaps=tuple(self._swaps(ruling.board)),
            board=ruling.board,
            cost=ruling.cost,
            cost_change=ruling.cost - self.before.cost,
            loss=ruling.loss,
            loss_change=ruling.loss - self.before.loss,
        )

    def _full(self, ruling: Ruling, seen: Verified) -> Replacement:
        short = self._short(ruling)
        changed = [p for p in places_of(ruling.board) if p not in self.held]
        changed = changed or [p for p in self.held if p.part in self.affected]
        worst = self.spec.choice.objective == "worst-point"
        loss = seen.loss_worst if worst else seen.loss_mission
        return replace(
            short,
            loss=loss,
            loss_change=loss - self.before.loss,
            margins=tuple(moves(self.before.margins, seen.margins)),
            tests=retest.tests(changed, seen),
            misses=tuple(dict.fromkeys(failing(one) for one in seen.margins if not one.passes)),
        )

    def _swaps(self, board: PartSet) -> Iterator[Swap]:
        for old, new in zip(self.held, places_of(board), strict=True):
            if old != new:
                yield Swap(
                    position=old.name,
                    part=new.part,
                    pieces=new.pieces,
                    part_before=old.part,
                    pieces_before=old.pieces,
                    land_pattern=self.boards.land_pattern(new),
                    land_pattern_before=self._pads(old),
                )


def doubled(board: PartSet) -> bool:
    """Whether both types of a bank are one part."""
    banks = (board.bank_input, board.bank_output, board.bank_coupling)
    return any(len({part for part, _ in bank}) < len(bank) for bank in banks)


MOVED = 0.005
"""Change of a margin worth telling, as a share of what is allowed."""


def moves(before: Mapping[tuple[str, str], float], after: Sequence[Margin]) -> Iterator[MarginMove]:
    """Limits whose margin changed, least margin first."""
    seen: set[tuple[str, str]] = set()
    for one in after:
        key = (one.subject, one.quantity)
        if key in seen or key not in before:
            continue
        seen.add(key)
        if abs(one.margin - before[key]) > MOVED:
            yield MarginMove(*key, one.at, before[key], one.margin)
