"""Complete boards of one topology: taken apart into places, changed, and ruled on in bulk.

The verdict is that of the front: every limit at the loss ceiling (and on- and off-times without
loss too), floors and objective at the set's own state. Nothing of the decision is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import (
    assembly,
    buying,
    charge_sense,
    conclude_margins,
    evaluation,
    pool,
    verification,
)
from optimizer.assembly import Sets
from optimizer.buying import Prices
from optimizer.catalog import Catalog
from optimizer.charge_sense import ChargePart
from optimizer.conclude_figures import verified_sets
from optimizer.conclude_margins import failing
from optimizer.conclude_sets import Chosen, part_set_of, stacked
from optimizer.points import points
from optimizer.records import COST_UNIT, BoolArray, FloatArray, kind_of, switch_kind
from optimizer.results import PartSet, Verified
from optimizer.spec_records import OBJECTIVE_WORST, Spec
from optimizer.stage import build_stage, lanes_where
from optimizer.studies.judging import choice_rules
from optimizer.tables import replaces

CHUNK = 128
"""Boards evaluated at once."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a board: position, number within it (a bank may have two), part and pieces."""

    position: str
    slot: int
    part: str
    pieces: int

    @property
    def kind(self) -> str:
        """Kind of part that stands there."""
        return kind_of(self.position)

    @property
    def name(self) -> str:
        """The position, with a number for the second type of a bank."""
        return self.position if not self.slot else f"{self.position} (second type)"


def places_of(board: PartSet) -> tuple[Place, ...]:
    """Every place of a board, transistors first."""
    found = [Place(name, 0, *held) for name, held in board.transistors.items()]
    found.append(Place("inductor", 0, board.inductor, board.inductor_pieces))
    for node in ("input", "output", "coupling"):
        found += [Place(f"{node}-bank", k, *held) for k, held in enumerate(board.bank(node))]
    return (*found, Place("sense-resistor", 0, *board.sense))


def with_places(board: PartSet, changed: Sequence[Place]) -> PartSet:
    """The board with some places filled otherwise."""
    held = {(one.position, one.slot): one for one in (*places_of(board), *changed)}

    def bank(node: str) -> tuple[tuple[str, int], ...]:
        return tuple(
            (one.part, one.pieces) for (name, _), one in held.items() if name == f"{node}-bank"
        )

    sense, coil = held["sense-resistor", 0], held["inductor", 0]
    return replace(
        board,
        inductor=coil.part,
        transistors={p: (held[p, 0].part, held[p, 0].pieces) for p in board.transistors},
        bank_input=bank("input"),
        bank_output=bank("output"),
        sense=(sense.part, sense.pieces),
        bank_coupling=bank("coupling"),
        inductor_pieces=coil.pieces,
    )


@dataclass(frozen=True, slots=True)
class Ruling:
    """What the verification says of one board.

    reasons : what it breaks, worst first; empty where it passes
    cost : per board [currency]; loss : of the objective at the own state [W]; NaN where unknown
    """

    board: PartSet
    passes: bool
    reasons: tuple[str, ...]
    cost: float
    loss: float


class Boards:
    """Rules on boards of one topology under one spec and catalog."""

    def __init__(self, spec: Spec, catalog: Catalog, topology: str) -> None:
        self.spec, self.topology = spec, topology
        self.tables = catalog.tables
        lanes = points(spec, topology).lanes
        self.stage = build_stage(spec, topology, lanes=lanes, tables=catalog.tables)
        sized = lanes_where(lanes, self.stage.sizing)
        self.sizing = build_stage(spec, topology, lanes=sized, tables=catalog.tables)
        self.prices = buying.prices(spec, catalog.tables)
        self.row = {
            kind: {name: row for row, name in enumerate(table.part_number)}
            for kind, table in catalog.tables.items()
        }
        self._let_in: dict[str, list[tuple[str, BoolArray]]] = {}

    # --- parts ------------------------------------------------------------------------------------

    def knows(self, place: Place) -> bool:
        """Whether the part of a place is in the catalogs."""
        return place.part in self.row[place.kind]

    def filled(self, place: Place, part: str) -> Place:
        """The place with another part; an inductor in the pieces that the stage takes of it."""
        if place.kind != "inductor":
            return replace(place, part=part)
        row = np.array([self.row["inductor"][part]])
        return replace(place, part=part, pieces=int(self.stage.coil_pieces(row)[0]))

    def normal(self, board: PartSet) -> PartSet:
        """The board with its inductor, where known, in the pieces that the stage takes of it."""
        if board.inductor not in self.row["inductor"]:
            return board
        place = Place("inductor", 0, board.inductor, 1)
        return with_places(board, [self.filled(place, board.inductor)])

    def land_pattern(self, place: Place) -> str:
        """Land pattern of the part of a place, "" where it has none."""
        return self.tables[place.kind].texts["land_pattern"][self.row[place.kind][place.part]]

    def maker(self, place: Place) -> str:
        """Maker of the part of a place."""
        return self.tables[place.kind].texts["maker"][self.row[place.kind][place.part]]

    def refusal(self, kind: str, part: str) -> str:
        """The first rule of purchase that keeps a part out, "" where none does."""
        if kind not in self._let_in:
            self._let_in[kind] = list(pool.purchase_rules(self.stage, self.prices, kind))
        row = self.row[kind][part]
        why = next((why for why, good in self._let_in[kind] if not good[row]), "")
        column = {"life-cycle state": "status", "approval": "approval"}.get(why, "")
        return f"{why}: {self.tables[kind].texts[column][row]}" if column else why

    def price_alone(self, place: Place) -> int:
        """Cost of the pieces of a place bought by themselves [COST_UNIT]."""
        row = self.row[place.kind][place.part]
        return int(self.prices.alone(place.kind)[row, place.pieces])

    def charge_parts(self) -> list[tuple[str, ChargePart, Prices]]:
        """Parts of other makers on the pads of the charge-current sense that make its value.

        Each with what becomes of it there and the prices beside it; none where no part is counted.
        """
        held, table, spec = self.prices.charge, self.tables["resistor"], self.spec
        if held is None or not held.found:
            return []
        resistance = table.numbers["resistance_typ"][held.row] / held.pieces
        rows = np.flatnonzero(charge_sense.makes(table, held.pieces, resistance))
        free = replace(spec, purchase=replace(spec.purchase, second_source=()))
        found = []
        for row in rows[replaces(table, held.row, rows)]:
            name = table.part_number[row]
            one = replace(free, load=replace(free.load, sense_part=name))
            prices = buying.prices(one, self.tables)
            if prices.charge is not None:
                found.append((name, prices.charge, prices))
        return found

    # --- boards -----------------------------------------------------------------------------------

    def chosen(self, board: PartSet) -> Chosen:
        """The rows of a board whose parts are all known."""
        row = self.row
        coil = row["inductor"][board.inductor]
        return Chosen(
            topology=board.topology,
            frequency=board.frequency,
            coil=coil,
            coil_pieces=int(self.stage.coil_pieces(np.array([coil]))[0]),
            transistor={p: (row[switch_kind(p)][n], k) for p, (n, k) in board.transistors.items()},
            bank={
                node: tuple((row["capacitor"][n], k) for n, k in board.bank(node))
                for node in self.stage.nodes
            },
            sense=(row["resistor"][board.sense[0]], board.sense[1]),
        )

    def costs(self, boards: Sequence[PartSet], prices: Prices) -> list[float]:
        """What boards cost at some prices [currency]."""
        sets = stacked([self.chosen(board) for board in boards])
        fixed = buying.controller_units(self.spec, self.topology)
        return [float(one) for one in buying.set_costs(prices, sets, fixed=fixed) * COST_UNIT]

    def verified(self, boards: Sequence[PartSet]) -> list[Verified]:
        """Boards in full, at their own state."""
        return verified_sets(self.stage, [self.chosen(one) for one in boards])

    def rulings(
        self, boards: Sequence[PartSet], *, reasons: bool = True, rules: bool = True
    ) -> list[Ruling]:
        """Whether each board passes, why not, what it costs and loses.

        rules : whether rules of choice count, not only limits
        """
        found: list[Ruling] = []
        for start in range(0, len(boards), CHUNK):
            found += self._rulings(boards[start : start + CHUNK], reasons=reasons, rules=rules)
        return found

    def _rulings(self, boards: Sequence[PartSet], *, reasons: bool, rules: bool) -> list[Ruling]:
        chosen = [self.chosen(board) for board in boards]
        sets = stacked(chosen)
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            alive, why = self._sized(sets, chosen, reasons=reasons)
            loss = np.full(len(boards), np.nan)
            kept = np.flatnonzero(alive)
            if len(kept):
                self._settled(sets.take(kept), chosen, kept, alive, why, loss, reasons=reasons)
        fixed = buying.controller_units(self.spec, self.topology)
        cost = buying.set_costs(self.prices, sets, fixed=fixed) * COST_UNIT
        found = []
        for number, (board, one) in enumerate(zip(boards, chosen, strict=True)):
            broken = tuple(choice_rules(self.spec, self.stage, one)) if rules else ()
            texts = (*broken, *why.get(number, ()))
            passes = bool(alive[number]) and not broken
            found.append(Ruling(board, passes, texts, float(cost[number]), float(loss[number])))
        return found

    def _sized(
        self, sets: Sets, chosen: Sequence[Chosen], *, reasons: bool
    ) -> tuple[BoolArray, dict[int, list[str]]]:
        """Which boards keep the limits of the sizing lanes, and what the others break."""
        scene = evaluation.sizing_scene(self.sizing, sets.frequency, sets.coil)
        result = assembly.evaluate(scene, sets)
        alive = _held(result, sets)
        fallen = [int(k) for k in np.flatnonzero(~alive)] if reasons else []
        return alive, self._texts(result, sets, chosen, fallen)

    def _settled(
        self,
        sets: Sets,
        chosen: Sequence[Chosen],
        kept: np.ndarray,
        alive: BoolArray,
        why: dict[int, list[str]],
        loss: FloatArray,
        *,
        reasons: bool,
    ) -> None:
        """Floors and losses of the boards left, at their own states; fills the last three."""
        scene = verification.given_scene(self.stage, verification.reference_of(self.stage, sets))
        result = assembly.evaluate(scene, sets)
        good = _held(result, sets)
        alive[kept] = good
        mission, worst = verification.objectives(result)
        loss[kept] = worst if self.spec.choice.objective == OBJECTIVE_WORST else mission
        if reasons and not good.all():
            fallen = [int(k) for k in np.flatnonzero(~good)]
            texts = self._texts(result, sets, [chosen[k] for k in kept], fallen)
            why |= {int(kept[k]): text for k, text in texts.items()}

    def _texts(
        self, result: assembly.Physics, sets: Sets, chosen: Sequence[Chosen], fallen: Sequence[int]
    ) -> dict[int, list[str]]:
        if not fallen:
            return {}
        names = [part_set_of(one, self.tables) for one in chosen]
        margins = conclude_margins.margins(result, sets, names)
        return {
            k: list(dict.fromkeys(failing(m) for m in margins[k] if not m.passes))
            or ["a limit that has no number here"]
            for k in fallen
        }


def _held(result: assembly.Physics, sets: Sets) -> BoolArray:
    """Whether each set keeps every limit in the lanes it was evaluated in."""
    kept = np.ones(len(sets), dtype=bool)
    for check in verification.checks(result, sets):
        kept &= check.holds()
    return kept & verification.limit_chain(result).holds()
