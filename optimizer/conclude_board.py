"""One given part set, evaluated in full: an existing board, or a point of a run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from difflib import get_close_matches

import numpy as np

from optimizer import charge_sense
from optimizer.catalog import Catalog
from optimizer.columns import columns_of
from optimizer.conclude_faults import fault_lines
from optimizer.conclude_figures import verified_sets
from optimizer.conclude_notes import charge_notes, derating_notes, part_notes
from optimizer.conclude_sets import Chosen, Place
from optimizer.errors import InputError, Problem
from optimizer.parts.mosfet import at_drive
from optimizer.points import points
from optimizer.records import Note, kind_of, switch_kind
from optimizer.results import PartSet, Verified
from optimizer.set_point_rules import set_point_notes
from optimizer.set_point_rules_dimming import dimming_notes
from optimizer.spec_records import Controller, Spec
from optimizer.stage import build_stage, coil_pieces, nodes_of
from optimizer.tables import PartTable
from optimizer.topologies import TOPOLOGIES

PLACE = "part set"

SWITCH = {"mosfet": "a transistor", "diode": "a diode"}

DRIVE_FULL = 10.0
"""Gate drive at which every transistor states its on-resistance [V]."""


def verify_board(
    spec: Spec, catalog: Catalog, part_set: PartSet
) -> tuple[Verified, tuple[Note, ...]]:
    """One set at its own state at every operating point, with what there is to say of its parts.

    A limit that does not hold is a margin below zero, never an error; only a set that cannot be
    looked up raises `InputError`.
    """
    controller = _controller(spec, part_set)
    chosen = looked_up(catalog, part_set)
    stage = build_stage(
        spec,
        part_set.topology,
        lanes=points(spec, part_set.topology).lanes,
        tables=catalog.tables,
    )
    (verified,) = verified_sets(stage, [chosen])
    verified = replace(verified, faults=fault_lines(stage, chosen))
    notes = [
        *_setting_notes(spec, controller, part_set),
        *_rule_notes(spec, verified),
        *_missing_notes(catalog, controller, chosen),
        *charge_notes(spec, catalog.tables),
        *part_notes(spec, catalog, verified.bill),
        *derating_notes(spec),
        *set_point_notes(spec, part_set.topology),
        *dimming_notes(spec),
        *spec.notes,
    ]
    return verified, tuple(dict.fromkeys(notes))


def _controller(spec: Spec, part_set: PartSet) -> Controller:
    if part_set.topology in spec.controllers:
        return spec.controllers[part_set.topology]
    known = ", ".join(spec.controllers)
    fix = f"add [controllers.{part_set.topology}] to the spec"
    raise InputError(
        [Problem(PLACE, "topology", part_set.topology, f"a topology with a record: {known}", fix)]
    )


# --- looking up -----------------------------------------------------------------------------------


class _Shelf:
    """Looks part numbers up and collects the ones that are not there."""

    def __init__(self, catalog: Catalog) -> None:
        self.tables = catalog.tables
        self.refused = {one.part_number: one for one in catalog.refused}
        self.problems: list[Problem] = []

    def place(self, position: str, part: str, pieces: int) -> Place:
        """Row and pieces of a part at a position."""
        table = self.tables[kind_of(position)]
        if part in table.part_number:
            return table.part_number.index(part), pieces
        self.problems.append(self._unknown(position, part, table))
        return 0, pieces

    def _unknown(self, position: str, part: str, table: PartTable) -> Problem:
        need = f"a part of the {table.kind} catalogs"
        if part in self.refused:
            one = self.refused[part]
            got = f"{part!r}, whose row {one.place} is not used: {one.reason}"
            return Problem(PLACE, position, got, "a full row", "complete the row")
        other = [kind for kind, rows in self.tables.items() if part in rows.part_number]
        if other:
            return Problem(PLACE, position, f"{part!r}, a {other[0]}", need, "correct the position")
        close = get_close_matches(part, table.part_number, 1, 0.5)
        fix = f"did you mean {close[0]!r}?" if close else ""
        more = "or add a catalog with a full row of it"
        return Problem(PLACE, position, repr(part), need, f"{fix} {more}".strip())


def looked_up(catalog: Catalog, part_set: PartSet) -> Chosen:
    """The rows of a part set, or every part of it that is not in the catalogs."""
    shelf = _Shelf(catalog)
    topology = TOPOLOGIES[part_set.topology]
    wanted = topology.POSITIONS
    absent = [name for name in wanted if name not in part_set.transistors]
    for name in absent:
        fix, need = "add the position", SWITCH[switch_kind(name)]
        shelf.problems.append(Problem(PLACE, name, "nothing", need, fix))
    coil = shelf.place("inductor", part_set.inductor, 1)[0]
    chosen = Chosen(
        topology=part_set.topology,
        frequency=part_set.frequency,
        coil=coil,
        coil_pieces=int(coil_pieces(topology, catalog.tables["inductor"])[coil]),
        transistor={
            name: shelf.place(name, *part_set.transistors[name])
            for name in wanted
            if name not in absent
        },
        bank={
            node: tuple(shelf.place(f"{node}-bank", *entry) for entry in part_set.bank(node))
            for node in nodes_of(topology)
        },
        sense=shelf.place("sense-resistor", *part_set.sense),
    )
    if shelf.problems:
        raise InputError(shelf.problems)
    return chosen


# --- what there is to say -------------------------------------------------------------------------


def _setting_notes(spec: Spec, controller: Controller, part_set: PartSet) -> Iterator[Note]:
    """Topology and frequency against what the spec offers."""
    offered = np.array(controller.frequencies)
    if not np.isclose(offered, part_set.frequency, rtol=1e-6).any():
        listed = ", ".join(f"{value / 1e3:g}" for value in controller.frequencies)
        text = f"{part_set.frequency / 1e3:g} kHz is not a frequency of the spec ({listed} kHz)"
        yield Note("finding", "frequency", text, PLACE)
    if part_set.topology not in spec.topologies:
        text = f"{part_set.topology} is not among the topologies the spec considers"
        yield Note("finding", "topology", text, PLACE)


def _rule_notes(spec: Spec, verified: Verified) -> Iterator[Note]:
    """Rules of purchase and choice that a search would have kept."""
    rules, choice = spec.purchase, spec.choice
    for line in verified.bill:
        names = (line.part_number, line.maker)
        if any(name in rules.banned for name in names):
            yield Note("finding", line.part_number, "banned by the spec", PLACE)
        if rules.approved and not any(name in rules.approved for name in names):
            yield Note("finding", line.part_number, "not on the approved list", PLACE)
        if line.part_number in choice.forbid:
            yield Note("finding", line.part_number, "forbidden by the spec", PLACE)
        if not np.isfinite(line.line_price):
            text = "no price in the currency of the run: the cost is unknown"
            yield Note("finding", line.part_number, text, PLACE)
    count = sum(line.positions != (charge_sense.POSITION,) for line in verified.bill)
    if choice.part_numbers_max is not None and count > choice.part_numbers_max:
        text = f"{count} part numbers, the spec allows {choice.part_numbers_max}"
        yield Note("finding", "part numbers", text, PLACE)
    held = verified.part_set.transistors
    for positions in choice.same_part:
        if len({held[p][0] for p in positions if p in held}) > 1:
            text = f"{' and '.join(positions)} hold different parts, the spec wants the same"
            yield Note("finding", "same part", text, PLACE)


def _missing_notes(catalog: Catalog, controller: Controller, chosen: Chosen) -> Iterator[Note]:
    """Resistance of a chosen transistor at the gate drive, where its row does not state it."""
    named: dict[int, str] = {}
    for position, kind, row, _ in chosen.places():
        if kind == "mosfet":
            named.setdefault(row, position)
    table = catalog.tables["mosfet"]
    drive = controller.v_drive_min
    for row, position in named.items():
        missing = missing_columns(table, row, v_drive=drive)
        if missing:
            text = (
                f"{', '.join(missing)} missing, needed at a gate drive of {drive:g} V: "
                "what depends on it counts as failing"
            )
        elif drive < DRIVE_FULL and _only_at_ten(table, row):
            text = (
                f"on-resistance stated at {DRIVE_FULL:g} V only and taken unchanged at a gate "
                f"drive of {drive:g} V: the true one is a few percent higher"
            )
        else:
            continue
        yield Note("finding", f"{position} {table.part_number[row]}", text, table.place[row])


def missing_columns(table: PartTable, row: int, *, v_drive: float) -> tuple[str, ...]:
    """Headers of the on-resistance that no value of the row stands in for at the gate drive.

    Rows that lack any other number a model reads are not in the tables at all.

    v_drive : lowest gate drive [V]
    """
    if table.kind != "mosfet" or not _only_at_ten(table, row):
        return ()
    value = at_drive(
        v_drive=np.array(v_drive),
        at_4v5=np.array(np.nan),
        at_10v=np.array(1.0),
        v_plateau=table.numbers["v_plateau_typ"][row],
    )
    if np.isfinite(value):
        return ()
    return tuple(
        item.header
        for item in columns_of(table.kind)
        if item.condition == "4v5" and item.argument == "rds_on"
    )


def _only_at_ten(table: PartTable, row: int) -> bool:
    return bool(np.isnan(table.numbers["rds_on_4v5_max"][row]))
