"""Parts list and cost of complete sets at the build quantity."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import buying, charge_sense, purchase
from optimizer.charge_sense import ChargePart
from optimizer.columns import columns_of
from optimizer.conclude_sets import Chosen, Tables
from optimizer.records import COST_UNIT, Note
from optimizer.results import BillLine
from optimizer.results_evidence import Sample
from optimizer.spec_records import Spec
from optimizer.tables import PartTable

SAMPLE_BOARDS = 5
"""Boards a sample order is made for: enough to build, measure and break some (preset)."""


@dataclass(frozen=True, slots=True)
class Bill:
    """Lines of a set, its cost per board and what makes it up [currency of the run]."""

    lines: tuple[BillLine, ...]
    cost: float
    items: Mapping[str, float]


Known = dict[tuple[str, int, tuple[tuple[str, int], ...]], BillLine]
"""Lines made before for one spec and its tables, by kind, row and (position, pieces)."""


def bill_of(
    spec: Spec,
    tables: Tables,
    one: Chosen,
    charge: ChargePart | None = None,
    known: Known | None = None,
) -> Bill:
    """Every distinct part number once, priced for the pieces of all its positions together.

    charge : part of the charge-current sense, if the spec asks for it
    known : looked up first and added to, where bills of many sets are asked for
    """
    known = {} if known is None else known
    pooled: dict[tuple[str, int], list[tuple[str, int]]] = {}
    for position, kind, row, pieces in one.places():
        pooled.setdefault((kind, row), []).append((position, pieces))
    if charge is not None and charge.found:
        held_too = charge_sense.POSITION, charge.pieces
        pooled.setdefault(("resistor", charge.row), []).append(held_too)
    wanted = [(kind, row, tuple(held)) for (kind, row), held in pooled.items()]
    for kind, row, held in wanted:
        if (kind, row, held) not in known:
            known[kind, row, held] = _line(spec, tables[kind], row, held)
    lines = tuple(known[item] for item in wanted)
    boards = spec.purchase.boards
    totals = np.array([line.line_price for line in lines])
    parts = purchase.cost_units(totals, boards=boards)
    bought = bool((parts < purchase.PRICE_NONE).all())
    pieces_all = sum(line.pieces for line in lines)
    placement = purchase.placement_units(spec.purchase.placement_each) * pieces_all
    each = purchase.line_item_units(spec.purchase.line_item_each, boards=boards)
    units = {
        "parts": int(parts.sum()),
        "line items": each * len(lines),
        "placement": placement,
        "controller": buying.controller_units(spec, one.topology),
    }
    items = {name: round(count * COST_UNIT, 4) for name, count in units.items()}
    if not bought:
        items["parts"] = math.nan
    cost = round(sum(units.values()) * COST_UNIT, 4) if bought else math.nan
    return Bill(lines, cost, items)


def same_at_both(spec: Spec, tables: Tables, chosen: Sequence[Chosen]) -> Iterator[Note]:
    """Where the part in series with the coil, bought for the charge-current sense too, is cheaper.

    The part is the cheapest by itself; of a set that holds another one that would do, two pieces on
    one line may cost less than one piece on each of two.
    """
    charge = buying.charge_of(spec, tables)
    if charge is None or spec.load.sense_part != charge_sense.CHEAPEST:
        return
    saved: dict[str, list[float]] = {}
    for row, pieces in charge.others:
        other = replace(charge, row=row, pieces=pieces)
        for one in (one for one in chosen if one.sense[0] == row):
            less = bill_of(spec, tables, one, charge).cost - bill_of(spec, tables, one, other).cost
            if less > 0.5 * COST_UNIT:
                saved.setdefault(tables["resistor"].part_number[row], []).append(less)
    for name, some in saved.items():
        text = (
            f"{len(some)} points hold {name} in series with the coil; with it at the"
            f" {charge_sense.SUBJECT} too, on one line, they would cost up to {max(some):.4f}"
            f' {spec.purchase.currency} less: load.sense_part = "{name}" finds that front'
        )
        yield Note("finding", charge_sense.SUBJECT, text)


def _line(spec: Spec, table: PartTable, row: int, held: Sequence[tuple[str, int]]) -> BillLine:
    """One line: what it takes to build all boards with this part."""
    pieces = sum(count for _, count in held)
    need = purchase.pieces_needed(
        pieces, boards=spec.purchase.boards, scrap=spec.purchase.scrap_share
    )
    bought = _bought(spec, table, row, int(need))
    return BillLine(
        positions=tuple(dict.fromkeys(position for position, _ in held)),
        kind=table.kind,
        part_number=table.part_number[row],
        maker=table.texts["maker"][row],
        pieces=pieces,
        quantity=bought.quantity if bought else int(need),
        unit_price=bought.price if bought else math.inf,
        line_price=bought.total if bought else math.inf,
        excess=bought.excess if bought else 0,
        land_pattern=table.texts["land_pattern"][row],
        status=table.texts["status"][row],
        stock=float(table.numbers["stock"][row]),
        lead_time_weeks=float(table.numbers["lead_time"][row]),
        filled=filled_columns(table, row),
        place=table.place[row],
    )


def sample_lines(spec: Spec, tables: Tables, one: Chosen) -> tuple[Sample, ...]:
    """What to order to build `SAMPLE_BOARDS` boards, at the price of so few."""
    pooled: dict[tuple[str, int], int] = {}
    for _, kind, row, pieces in one.places():
        pooled[kind, row] = pooled.get((kind, row), 0) + pieces
    charge = buying.charge_of(spec, tables)
    if charge is not None and charge.found:
        key = "resistor", charge.row
        pooled[key] = pooled.get(key, 0) + charge.pieces
    found = []
    for (kind, row), pieces in pooled.items():
        bought = _bought(spec, tables[kind], row, pieces * SAMPLE_BOARDS)
        found.append(
            Sample(
                part_number=tables[kind].part_number[row],
                pieces=pieces * SAMPLE_BOARDS,
                quantity=bought.quantity if bought else pieces * SAMPLE_BOARDS,
                unit_price=bought.price if bought else math.inf,
                line_price=bought.total if bought else math.inf,
            )
        )
    return tuple(found)


def _bought(spec: Spec, table: PartTable, row: int, need: int) -> purchase.Line | None:
    """The cheapest order of at least `need` pieces, None where there is no price."""
    worth = buying.exchange(spec).get(table.texts["currency"][row])
    breaks = [] if worth is None else [(q, p * worth) for q, p in table.price_breaks[row]]
    minimum, multiple = (
        int(np.nan_to_num(table.numbers[key][row], nan=1.0))
        for key in ("order_minimum", "order_multiple")
    )
    return purchase.line_price(need, breaks, minimum, multiple) if breaks else None


def filled_columns(table: PartTable, row: int) -> tuple[str, ...]:
    """Headers of the cells of one part that the fill policy wrote."""
    found = []
    for item in columns_of(table.kind):
        mask = table.filled.get(item.key, table.filled.get(item.header))
        if mask is not None and mask[row]:
            found.append(item.header)
    return tuple(found)
