"""What the parts of a catalog and complete sets cost per board at the build quantity."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import charge_sense, purchase
from optimizer.assembly import Sets
from optimizer.charge_sense import ChargePart
from optimizer.purchase import PRICE_NONE
from optimizer.records import BoolArray, IntArray, switch_kind
from optimizer.spec_records import Spec
from optimizer.tables import PartTable

KIND_ORDER = ("mosfet", "diode", "inductor", "capacitor", "resistor")
SWITCHES = ("mosfet", "diode")
"""First of all kinds: their numbers together are the kind "switch"."""


@dataclass(frozen=True, slots=True)
class Prices:
    """Purchase table over all kinds: a part's number is offset[kind] + row of its table.

    table : cost units per board of 0, 1, ... pieces of a part, (n_part, pieces_max + 1)
    line_item, placement : cost units per distinct part and per piece
    names : part numbers, (n_part,)
    charge : the charge-current sense where the spec asks for its part: every set pays it alone, and
        `table` holds what more pieces of the same part add to it (`beside_charge`)
    """

    table: IntArray
    offset: Mapping[str, int]
    line_item: int
    placement: int
    names: tuple[str, ...]
    charge: ChargePart | None = None

    def number(self, kind: str, rows: IntArray) -> IntArray:
        """Part numbers of rows of a kind; -1 stays -1."""
        return np.where(rows < 0, -1, rows + self.offset[kind])

    def start(self, kind: str) -> int:
        """First part number of a kind; "switch" stands for transistors and diodes together."""
        return 0 if kind == "switch" else self.offset[kind]

    def ends(self) -> tuple[int, ...]:
        """Part numbers at which a kind may end."""
        return (*self.offset.values(), len(self.table))

    def alone(self, kind: str) -> IntArray:
        """Cost of each part of a kind bought alone for one place: purchase, line item, placement.

        (n_part of the kind, pieces_max + 1); column 0 is 0; PRICE_NONE stays at least that.
        """
        start = self.start(kind)
        last = self.offset[SWITCHES[-1] if kind == "switch" else kind]
        end = min([o for o in self.ends() if o > last], default=last)
        pieces = np.arange(self.table.shape[1])
        charge = np.where(pieces > 0, self.line_item + self.placement * pieces, 0)
        return np.asarray(self.table[start:end] + charge)


def exchange(spec: Spec) -> dict[str, float]:
    """Currency -> worth in the currency of the run; a currency without a dated rate is absent."""
    rates = {one.currency: one.rate for one in spec.purchase.exchange_rates}
    return {spec.purchase.currency: 1.0} | rates


def most_pieces(spec: Spec) -> int:
    """Most pieces of one part number a board can hold under the choice rules."""
    rules = spec.choice
    banks = 3 if any(name.endswith("sepic") for name in spec.topologies) else 2
    return max(4 * rules.transistors_parallel_max, banks * rules.bank_pieces_max) + max(
        0, rules.resistors_parallel_max - 1
    )


def prices(spec: Spec, tables: Mapping[str, PartTable]) -> Prices:
    """Cost per board of every part in every number of pieces a board may hold."""
    found = price_list(spec, [tables[kind] for kind in KIND_ORDER])
    return beside_charge(found, charge_of(spec, tables), most=most_pieces(spec))


def beside_charge(found: Prices, charge: ChargePart | None, *, most: int) -> Prices:
    """Prices beside a charge-current sense that every set holds.

    found : `price_list`, of more pieces than the charge-current sense holds beside `most`
    Of its part k pieces more are paid as k + m pieces less m (purchase line by line rounded up),
    and no line item. `Prices` adds a line item to every part of a set, so it is taken off here; the
    sum of what the set pays is that of the pooled purchase, exactly. No entry falls below minus
    one line item, as more pieces never cost less.
    """
    table = found.table[:, : most + 1].copy()
    if charge is not None and charge.found:
        row, held = found.offset["resistor"] + charge.row, charge.pieces
        pooled = found.table[row, held + 1 : held + most + 1]
        table[row, 1:] = pooled - found.table[row, held] - found.line_item
    return replace(found, table=table, charge=charge)


def price_list(spec: Spec, tables: Sequence[PartTable]) -> Prices:
    """What parts cost by themselves, whatever else a set holds."""
    rates = exchange(spec)
    rows: list[IntArray] = []
    names: list[str] = []
    offset: dict[str, int] = {}
    for table in tables:
        offset[table.kind] = len(names)
        names += table.part_number
        worth = np.array([rates.get(c, np.nan) for c in table.texts["currency"]])
        quantity, price = purchase.break_table(table.price_breaks)
        rows.append(
            purchase.price_table(
                np.where(np.isnan(worth)[:, None], np.nan, quantity),
                price * worth[:, None],
                table.numbers["order_minimum"],
                table.numbers["order_multiple"],
                boards=spec.purchase.boards,
                scrap=spec.purchase.scrap_share,
                pieces_max=most_pieces(spec) + spec.choice.resistors_parallel_max,
            )
        )
    return Prices(
        table=np.concatenate(rows),
        offset=offset,
        line_item=purchase.line_item_units(
            spec.purchase.line_item_each, boards=spec.purchase.boards
        ),
        placement=purchase.placement_units(spec.purchase.placement_each),
        names=tuple(names),
    )


def charge_of(spec: Spec, tables: Mapping[str, PartTable]) -> ChargePart | None:
    """The charge-current sense where the spec asks for its part."""
    if not charge_sense.asked(spec):
        return None
    table = tables["resistor"]
    found = price_list(spec, [table])
    cost, allowed = found.alone("resistor"), rules(spec, table, found)
    return charge_sense.charge_part(spec, table, cost=cost, rules=allowed)


def rules(spec: Spec, table: PartTable, found: Prices) -> Iterator[tuple[str, BoolArray]]:
    """Rules of purchase with the parts that keep them: life-cycle, approval, bans, currency."""
    wanted, choice, kind = spec.purchase, spec.choice, table.kind
    number, maker = np.array(table.part_number), np.array(table.texts["maker"])
    forced = [one.part_number for one in choice.force]
    state = np.isin(np.array(table.texts["status"]), wanted.states_allowed)
    if choice.force_any_state:
        state |= np.isin(number, forced)
    yield "life-cycle state", state
    approval = np.array(table.texts["approval"])
    refused = ("no",) if wanted.conditional_allowed else ("no", "conditional")
    yield "approval", ~np.isin(approval, refused)
    if wanted.approved:
        yield (
            "not on the approved list",
            np.isin(number, wanted.approved) | np.isin(maker, wanted.approved),
        )
    yield "banned", ~(np.isin(number, wanted.banned) | np.isin(maker, wanted.banned))
    yield "forbidden by the spec", ~np.isin(number, choice.forbid)
    if kind == "capacitor":
        technology = np.array(table.texts["technology"])
        yield "banned technology", ~np.isin(technology, wanted.banned_technologies)
    yield "no price in the currency of the run", priced(found, kind, len(table))


def priced(found: Prices, kind: str, count: int) -> BoolArray:
    """Which parts of a kind can be bought at all, (n_part of the kind,)."""
    start = found.offset[kind]
    return np.asarray(found.table[start : start + count, 1] < PRICE_NONE)


def slots(found: Prices, sets: Sets) -> tuple[IntArray, IntArray]:
    """Part numbers and pieces of every place of each set, -1 and 0 where empty, (n_set, n_slot)."""
    columns = [(found.number("inductor", sets.coil), sets.coil_pieces)]
    columns += [
        (found.number(switch_kind(position), row), n)
        for position, (row, n) in sets.transistor.items()
    ]
    for first, first_pieces, second, second_pieces in sets.bank.values():
        columns.append((found.number("capacitor", first), first_pieces))
        columns.append((found.number("capacitor", second), np.where(second < 0, 0, second_pieces)))
    columns.append((found.number("resistor", sets.sense[0]), sets.sense[1]))
    part, pieces = zip(*columns, strict=True)
    return np.stack(part, axis=1), np.stack(pieces, axis=1)


def set_costs(found: Prices, sets: Sets, *, fixed: int) -> IntArray:
    """Cost units per board of each set, purchases pooled over its places, (n_set,).

    fixed : cost units of what is not chosen (controller and its small parts); that of the
        charge-current sense comes on top, pooled with an equal part of the set
    A set with more pieces of a part than the rules of the choice allow on a board has no price.
    """
    part, pieces = slots(found, sets)
    for later in range(1, part.shape[1]):
        for earlier in range(later):
            same = (part[:, later] >= 0) & (part[:, later] == part[:, earlier])
            pieces[same, earlier] += pieces[same, later]
            part[same, later] = -1
            pieces[same, later] = 0
    bought = part >= 0
    most = found.table.shape[1] - 1
    price = np.where(pieces > most, PRICE_NONE, found.table[part, np.minimum(pieces, most)])
    line = np.where(bought, price + found.line_item, 0)
    fixed += 0 if found.charge is None else found.charge.units
    return np.asarray(fixed + (line + found.placement * pieces).sum(axis=1), dtype=np.int64)


def controller_units(spec: Spec, topology: str) -> int:
    """Cost units of the controller record of a topology."""
    return int(purchase.cost_units(spec.controllers[topology].cost_each, boards=1))
