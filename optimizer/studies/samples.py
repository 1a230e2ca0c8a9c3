"""What to order so that every set of a shortlist can be built: the smallest kit, exactly.

Every set of the list may be stood in for by a point that ties with it and costs hardly more. One
point is chosen for each so that the kit needs the fewest part numbers, then the least money: the
same model as the front itself, with sets of the list in place of positions, solved twice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer import buying, purchase
from optimizer.charge_sense import ChargePart
from optimizer.conclude_sets import Chosen
from optimizer.found import Progress, Stop, never, quiet
from optimizer.records import BoolArray, Choice, FloatArray, Group, IntArray, Skeleton
from optimizer.results import counted
from optimizer.selection import OPTIMAL, Answer, Selector
from optimizer.studies.answer import Answer as Told
from optimizer.studies.answer import Grid
from optimizer.studies.archived import Archived
from optimizer.studies.distance import distances
from optimizer.tables import PartTable

COST_NEAR = 0.02
"""By how much a point that stands in for another may cost more."""

STAND_INS = 12
"""Points that may stand for one set, itself among them."""

ORDER_SHOWN = 10
"""Lines of the order on the screen."""

PRICE_DIGITS = 4

Part = tuple[str, int]
"""Kind and row of a part."""


@dataclass(frozen=True, slots=True)
class Kit:
    """A sample order.

    rows : the point built for each set of the list; lines : what to order, longest lead first
    total : price of all lines [currency]; lead_time [weeks], NaN where none is known
    open : why it is not proved the smallest, empty where it is
    """

    rows: tuple[int, ...]
    lines: tuple[Mapping[str, Any], ...]
    total: float
    lead_time: float
    open: str
    notes: tuple[str, ...] = ()

    def lead_text(self) -> str:
        """The longest lead time in words."""
        return "unknown" if math.isnan(self.lead_time) else f"{self.lead_time:g} weeks"


def sample_kit(
    case: Archived,
    rows: Sequence[int],
    *,
    keep_apart: BoolArray,
    differ: int,
    boards_each: int,
    spare: float,
    time_limit: float,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Kit:
    """The smallest kit from which a set (or a stand-in) of each of `rows` can be built.

    keep_apart : which pairs of the list must go on differing in `differ` positions, (n, n); no
        point stands for two
    boards_each : boards of each set; spare : share of pieces on top; both go into every need
    """
    offered = [stand_ins(case, row) for row in rows]
    parts = _parts(case, [k for some in offered for k in some])
    choice = _choice(case, offered, parts, keep_apart, differ, boards_each, spare)
    counted = replace(choice, price=np.zeros_like(choice.price), line_item=1)
    first = _least(counted, time_limit)
    left = ""
    picked = tuple(rows)
    if first.status == OPTIMAL and first.selection is not None:
        fewest = replace(choice, part_numbers_max=first.selection.cost)
        second = _least(fewest, time_limit)
        if second.selection is not None:
            chosen = second.selection.option
            picked = tuple(some[k] for some, k in zip(offered, chosen, strict=True))
        if second.status != OPTIMAL:
            left = "the cheapest kit of so few parts"
    else:
        left = "the kit of fewest parts"
    progress("sample order", left or f"{len(rows)} sets")
    lines = _lines(case, [case.front.chosen[k] for k in picked], picked, boards_each, spare)
    leads = [float(line["lead_time_weeks"]) for line in lines]
    known = [value for value in leads if not math.isnan(value)]
    return Kit(
        rows=picked,
        lines=tuple(lines),
        total=float(sum(line["line_price"] for line in lines)),
        lead_time=max(known) if known else math.nan,
        open=left,
        notes=tuple(_notes(lines)),
    )


def stand_ins(case: Archived, row: int) -> list[int]:
    """The point itself and those that tie with it and cost hardly more, cheapest first."""
    points, front = case.run["points"], case.front
    tie = points[row]["tie"]
    same = [k for k, point in enumerate(points) if tie > 0 and point["tie"] == tie and k != row]
    most = (1.0 + COST_NEAR) * front.cost[row]
    near = sorted((k for k in same if front.cost[k] <= most), key=lambda k: int(front.cost[k]))
    return [row, *near[: STAND_INS - 1]]


# --- the model ------------------------------------------------------------------------------------


def _parts(case: Archived, rows: Sequence[int]) -> dict[Part, int]:
    found: dict[Part, int] = {}
    for row in rows:
        for key in pieces_of(case.front.chosen[row], case.charge(row)):
            found.setdefault(key, len(found))
    return found


def pieces_of(one: Chosen, charge: ChargePart | None = None) -> dict[Part, int]:
    """Pieces of each part on one board, its charge-current sense among them if it has a part."""
    found: dict[Part, int] = {}
    if charge is not None and charge.found:
        found["resistor", charge.row] = charge.pieces
    for _, kind, row, pieces in one.places():
        found[(kind, row)] = found.get((kind, row), 0) + pieces
    return found


def _choice(
    case: Archived,
    offered: Sequence[Sequence[int]],
    parts: Mapping[Part, int],
    keep_apart: BoolArray,
    differ: int,
    boards_each: int,
    spare: float,
) -> Choice:
    """One skeleton whose groups are the sets of the list, with a row per point and other set.

    A row says: this point, or one of the other set that differs too little from it, not both.
    """
    boards = [[pieces_of(case.front.chosen[k], case.charge(k)) for k in some] for some in offered]
    width = max(len(one) for some in boards for one in some)
    most = sum(max(max(one.values()) for one in some) for some in boards)
    flat = [k for some in offered for k in some]
    same = np.equal.outer(flat, flat)
    close = distances(case.front.take(flat)) < differ
    starts = np.cumsum([0, *(len(some) for some in offered)])
    rows: list[IntArray] = []
    for s, some in enumerate(offered):
        for t in range(len(offered)):
            if s < t:
                alike = close if keep_apart[s, t] else same
                for k in range(len(some)):
                    near = alike[starts[s] + k, starts[t] : starts[t + 1]]
                    if near.any():
                        row = np.zeros(len(flat), dtype=np.int64)
                        row[starts[s] + k] = 1
                        row[starts[t] : starts[t + 1]] = near
                        rows.append(row)
    table = np.array(rows, dtype=np.float64).reshape(len(rows), len(flat)).T
    groups = tuple(
        _group(f"set {s + 1}", boards[s], parts, width, table[starts[s] : starts[s + 1]])
        for s in range(len(offered))
    )
    body = Skeleton("kit", groups, 0, 0, np.zeros(len(rows)), np.zeros(0, dtype=np.int64))
    return Choice(
        skeletons=(body,),
        row_names=tuple(f"apart {k + 1}" for k in range(len(rows))),
        price=_prices(case, parts, boards_each, spare, most),
        line_item=0,
        placement=0,
        part_names=tuple(case.catalog.tables[kind].part_number[row] for kind, row in parts),
    )


def _group(
    name: str,
    boards: Sequence[Mapping[Part, int]],
    parts: Mapping[Part, int],
    width: int,
    rows: FloatArray,
) -> Group:
    part = np.full((len(boards), width), -1, dtype=np.int64)
    pieces = np.zeros((len(boards), width), dtype=np.int64)
    for k, board in enumerate(boards):
        for slot, (key, count) in enumerate(board.items()):
            part[k, slot], pieces[k, slot] = parts[key], count
    return Group(
        name=name,
        part=part,
        pieces=pieces,
        loss=np.zeros(len(boards), dtype=np.int64),
        rows=np.asarray(rows, dtype=np.float64),
        loss_lane=np.zeros((len(boards), 0), dtype=np.int64),
        slot_position=tuple(f"{name}, line {k + 1}" for k in range(width)),
    )


def _prices(
    case: Archived, parts: Mapping[Part, int], boards_each: int, spare: float, most: int
) -> IntArray:
    """Cost units per board of each set, of so many pieces of each part over all sets."""
    worth = buying.exchange(case.spec)
    found = []
    for kind, row in parts:
        table = case.catalog.tables[kind]
        rate = worth.get(table.texts["currency"][row], math.nan)
        quantity, price = purchase.break_table([table.price_breaks[row]])
        found.append(
            purchase.price_table(
                quantity,
                price * rate,
                table.numbers["order_minimum"][row],
                table.numbers["order_multiple"][row],
                boards=boards_each,
                scrap=spare,
                pieces_max=most,
            )
        )
    return np.concatenate(found)


def _least(choice: Choice, time_limit: float) -> Answer:
    return Selector(choice, prune=False).solve(first="cost", settle=False, time_limit=time_limit)


# --- the order ------------------------------------------------------------------------------------


def _lines(
    case: Archived, chosen: Sequence[Chosen], rows: Sequence[int], boards_each: int, spare: float
) -> list[dict[str, Any]]:
    """One line per part number, longest lead time first."""
    total: dict[Part, int] = {}
    users: dict[Part, list[str]] = {}
    for one, row in zip(chosen, rows, strict=True):
        for key, count in pieces_of(one, case.charge(row)).items():
            total[key] = total.get(key, 0) + count
            users.setdefault(key, []).append(str(case.front.number[row]))
    worth = buying.exchange(case.spec)
    lines = [
        _line(case.catalog.tables[kind], row, count, users[kind, row], worth, boards_each, spare)
        for (kind, row), count in total.items()
    ]
    return sorted(lines, key=lambda one: (-_known(one["lead_time_weeks"]), one["part_number"]))


def _known(value: float) -> float:
    return math.inf if math.isnan(value) else value


def _line(
    table: PartTable,
    row: int,
    count: int,
    users: Sequence[str],
    worth: Mapping[str, float],
    boards_each: int,
    spare: float,
) -> dict[str, Any]:
    need = int(purchase.pieces_needed(count, boards=boards_each, scrap=spare))
    rate = worth.get(table.texts["currency"][row], math.nan)
    minimum, multiple = (
        int(np.nan_to_num(table.numbers[key][row], nan=1.0))
        for key in ("order_minimum", "order_multiple")
    )
    breaks = [(q, p * rate) for q, p in table.price_breaks[row]]
    bought = purchase.line_price(need, breaks, minimum, multiple)
    return {
        "part_number": table.part_number[row],
        "maker": table.texts["maker"][row],
        "kind": table.kind,
        "land_pattern": table.texts["land_pattern"][row],
        "pieces_built": count * boards_each,
        "pieces_needed": need,
        "quantity": bought.quantity,
        "unit_price": bought.price,
        "line_price": bought.total,
        "excess": bought.excess,
        "order_minimum": minimum,
        "order_multiple": multiple,
        "lead_time_weeks": float(table.numbers["lead_time"][row]),
        "stock": float(table.numbers["stock"][row]),
        "status": table.texts["status"][row],
        "for_points": " ".join(users),
    }


def _notes(lines: Sequence[Mapping[str, Any]]) -> list[str]:
    short = [line for line in lines if line["stock"] < line["quantity"]]
    more = [line for line in lines if line["excess"] > line["pieces_needed"]]
    unknown = [line["part_number"] for line in lines if math.isnan(line["lead_time_weeks"])]
    found = []
    if short:
        found.append(f"less in stock than ordered: {_numbers(short)}")
    if more:
        paid = sum(line["line_price"] for line in more)
        text = "more than twice the need, by minimum orders and multiples"
        found.append(f"{text}: {_numbers(more)}, {paid:.2f} of the total")
    if unknown:
        found.append(f"no lead time known: {', '.join(unknown[:6])}{_more(unknown)}")
    return found


def _numbers(lines: Sequence[object]) -> str:
    return f"{len(lines)} part number{'' if len(lines) == 1 else 's'}"


def _more(names: Sequence[str]) -> str:
    return f" and {len(names) - 6} more" if len(names) > 6 else ""


def order_rows(answer: Told) -> list[dict[str, object]]:
    """The sample order of an answer, as rows of a CSV file."""
    whole = ("lead_time_weeks", "stock")
    prices = ("unit_price", "line_price")
    return [
        dict(line)
        | {key: counted(line[key]) for key in whole}
        | {key: round(line[key], PRICE_DIGITS) for key in prices}
        for line in answer.data["order"]
    ]


def order_grid(kit: Kit, currency: str) -> Grid:
    """The sample order on the screen: lines with something to say, then those that take longest.

    The others are told in one line.
    """
    longest = [line for line in kit.lines if not _remark(line)]
    told = [line for line in kit.lines if _remark(line)][:ORDER_SHOWN]
    told += longest[: ORDER_SHOWN - len(told)]
    if len(told) + 1 == len(kit.lines):
        told = list(kit.lines)
    shown = [line for line in kit.lines if line in told]
    rows = [_order_row(line) for line in shown]
    rest = [line for line in kit.lines if line not in told]
    if rest:
        paid = f"{sum(line['line_price'] for line in rest):.2f}"
        leads = [line["lead_time_weeks"] for line in rest]
        weeks = "-" if any(math.isnan(one) for one in leads) else f"{max(leads):g}"
        rows.append((f"{len(rest)} others", "", "", "", paid, weeks, "", "", ""))
    heads = (
        *("part", "kind", ">need", ">order", f">price {currency}", ">lead weeks", ">stock"),
        *("for points", "mind"),
    )
    return Grid("Sample order, longest lead time first", heads, tuple(rows))


def _order_row(line: Mapping[str, Any]) -> tuple[str, ...]:
    weeks, stock = counted(line["lead_time_weeks"]), counted(line["stock"])
    return (
        line["part_number"],
        line["kind"],
        str(line["pieces_needed"]),
        str(line["quantity"]),
        f"{line['line_price']:.2f}",
        "-" if weeks is None else str(weeks),
        "-" if stock is None else str(stock),
        line["for_points"],
        _remark(line),
    )


def _remark(line: Mapping[str, Any]) -> str:
    """What stands in the way of a line: stock, or more pieces than twice the need."""
    found = ["stock is less"] if line["stock"] < line["quantity"] else []
    if line["excess"] > line["pieces_needed"]:
        found.append(f"{line['excess']} too many")
    return ", ".join(found)
