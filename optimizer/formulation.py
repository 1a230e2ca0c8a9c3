"""A `Choice` as a mixed-integer program in plain arrays: columns, rows, two objectives.

Binaries y per skeleton and x per option, with the x of each group adding up to the y of its
skeleton. Everything that only counts parts is written once for all skeletons, because one
skeleton alone is active:

- a part that two groups of a skeleton can share: each option carries what it costs bought on its
  own, and a variable w in 0..1 per (pieces in one group, pieces in the other) pays back the
  saving. It is at most the share of options with those pieces on either side, so it needs no
  integrality and the relaxation stays close. A negative saving is charged by w >= x + x' - 1.
- a part that three groups or more can share: one binary per total number of pieces.
- part numbers: a part that several groups can hold counts through a variable u.
- equal parts at several positions: equal shares of every part at both.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from optimizer.records import BoolArray, Choice, FloatArray, Group, IntArray
from optimizer.tally import most_pieces, option_costs, pooled_slots

Columns = list[int]
Terms = tuple[IntArray, FloatArray]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the program: ``low <= sum of coefficient * column <= high``."""

    name: str
    column: IntArray
    coefficient: FloatArray
    low: float
    high: float


@dataclass(slots=True)
class Program:
    """The program; `binary` marks whole columns, all of which lie in 0..1.

    cost, loss : objective coefficients, (n_column,); `loss` is empty for worst-point loss
    lanes : loss of each worst-point lane, (n_lane, n_column)
    options : per skeleton and group, the column of each option (-1: left out)
    skeletons : column of each skeleton
    """

    binary: list[bool] = field(default_factory=list)
    cost: list[float] = field(default_factory=list)
    loss: list[float] = field(default_factory=list)
    lanes: list[dict[int, float]] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    user_rows: list[Row] = field(default_factory=list)
    numbers: Row | None = None
    skeletons: Columns = field(default_factory=list)
    options: list[list[IntArray]] = field(default_factory=list)

    def columns(self, count: int, *, binary: bool, cost: object = 0, loss: object = 0) -> IntArray:
        """Add columns and return their numbers."""
        first = len(self.binary)
        self.binary.extend([binary] * count)
        self.cost.extend(np.broadcast_to(np.asarray(cost, dtype=np.float64), count).tolist())
        self.loss.extend(np.broadcast_to(np.asarray(loss, dtype=np.float64), count).tolist())
        return np.arange(first, first + count)

    def row(self, name: str, terms: Iterable[Terms], low: float, high: float) -> Row:
        """Add a row."""
        self.rows.append(joined(name, terms, low, high))
        return self.rows[-1]


@dataclass(frozen=True, slots=True)
class Holding:
    """Options of one group that hold one part: their `pieces` and their `column`."""

    pieces: IntArray
    column: IntArray


Holdings = dict[int, dict[str, Holding]]
"""Part to group name to holding, of one skeleton."""


def joined(name: str, terms: Iterable[Terms], low: float, high: float) -> Row:
    """A row from pieces of it, every column named once."""
    pieces = list(terms)
    named = np.concatenate([np.zeros(0, dtype=np.int64), *(column for column, _ in pieces)])
    values = np.concatenate([np.zeros(0), *(value for _, value in pieces)])
    column, place = np.unique(named, return_inverse=True)
    total = np.zeros(len(column))
    np.add.at(total, place.reshape(-1), values)
    return Row(name, column[total != 0], total[total != 0], low, high)


def formulate(choice: Choice, kept: list[list[BoolArray]]) -> Program:
    """The program of a choice over the options marked in `kept` (per skeleton, per group)."""
    program = Program(lanes=[{} for _ in range(_lane_count(choice))])
    many = [_held_by_many(choice, k) for k in range(len(choice.skeletons))]
    for k in range(len(choice.skeletons)):
        _skeleton_columns(program, choice, k, kept[k], many[k])
    program.row("one skeleton", [_ones(np.array(program.skeletons))], 1, 1)
    holdings = [_holdings(choice, program, k) for k in range(len(choice.skeletons))]
    _user_rows(program, choice)
    _pair_savings(program, choice, holdings, many)
    _pooled_lines(program, choice, holdings, many)
    _equal_parts(program, choice)
    _part_numbers(program, choice, holdings)
    return program


def _ones(column: IntArray, sign: float = 1.0) -> Terms:
    return column, np.full(len(column), sign)


def _lane_count(choice: Choice) -> int:
    if not choice.worst_point:
        return 0
    return max(len(body.loss_lane_fixed) for body in choice.skeletons)


def _held_by_many(choice: Choice, skeleton: int) -> BoolArray:
    """Parts that three or more groups of the skeleton can hold, (n_part,)."""
    groups = choice.skeletons[skeleton].groups
    held = np.array([most_pieces(group, len(choice.price)) > 0 for group in groups])
    return np.asarray(held.sum(axis=0) >= 3)


def _skeleton_columns(
    program: Program, choice: Choice, skeleton: int, kept: list[BoolArray], many: BoolArray
) -> None:
    """Columns y and x of one skeleton and the rows that tie them."""
    body = choice.skeletons[skeleton]
    y = program.columns(1, binary=True, cost=body.cost_fixed, loss=body.loss_fixed)
    program.skeletons.append(int(y[0]))
    program.options.append([])
    _lane_terms(program, y, body.loss_lane_fixed[None, :])
    for group, keep in zip(body.groups, kept, strict=True):
        cost = option_costs(choice, group, elsewhere=many)
        x = program.columns(int(keep.sum()), binary=True, cost=cost[keep], loss=group.loss[keep])
        place = np.full(len(group.loss), -1, dtype=np.int64)
        place[keep] = x
        program.options[-1].append(place)
        program.row(f"{body.name}/{group.name}", [_ones(x), _ones(y, -1.0)], 0, 0)
        _lane_terms(program, x, group.loss_lane[keep])


def _lane_terms(program: Program, column: IntArray, loss: IntArray) -> None:
    for lane, values in zip(program.lanes, np.transpose(loss), strict=False):
        lane.update(zip(column.tolist(), values.tolist(), strict=True))


def _placed(
    program: Program, choice: Choice, skeleton: int
) -> list[tuple[Group, BoolArray, IntArray]]:
    """Groups of a skeleton, which options are kept, and their columns."""
    return [
        (group, place >= 0, place[place >= 0])
        for group, place in zip(
            choice.skeletons[skeleton].groups, program.options[skeleton], strict=True
        )
    ]


def _holdings(choice: Choice, program: Program, skeleton: int) -> Holdings:
    """Which kept options of a skeleton hold which part, and how many pieces of it."""
    found: Holdings = defaultdict(dict)
    for group, keep, column in _placed(program, choice, skeleton):
        part, pieces = (values[keep] for values in pooled_slots(group))
        option, slot = np.nonzero(part >= 0)
        held, count = part[option, slot], pieces[option, slot]
        order = np.argsort(held, kind="stable")
        cuts = np.flatnonzero(np.diff(held[order])) + 1
        for index in np.split(order, cuts):
            if len(index):
                holding = Holding(count[index], column[option[index]])
                found[int(held[index[0]])][group.name] = holding
    return found


def _user_rows(program: Program, choice: Choice) -> None:
    """The additive rows, each a share of its limit."""
    for r, name in enumerate(choice.row_names):
        terms: list[Terms] = []
        for k, body in enumerate(choice.skeletons):
            y = np.array([program.skeletons[k]])
            terms.append((y, np.array([body.rows_fixed[r]])))
            terms += [(x, g.rows[keep, r]) for g, keep, x in _placed(program, choice, k)]
        program.user_rows.append(joined(name, terms, -np.inf, 1.0))


def _pair_savings(
    program: Program, choice: Choice, holdings: list[Holdings], many: list[BoolArray]
) -> None:
    """What two groups save by buying a part together, one table per part and pair of names."""
    tables: dict[tuple[int, str, str], list[tuple[Holding, Holding]]] = defaultdict(list)
    for found, wide in zip(holdings, many, strict=True):
        for part, groups in found.items():
            if len(groups) == 2 and not wide[part]:
                first, second = sorted(groups)
                tables[part, first, second].append((groups[first], groups[second]))
    for (part, first, second), pairs in tables.items():
        sides = [
            _stacked([pair[0] for pair in pairs]),
            _stacked([pair[1] for pair in pairs]),
        ]
        _saving_table(program, choice, part, (first, second), sides)


def _stacked(holdings: list[Holding]) -> Holding:
    return Holding(
        np.concatenate([one.pieces for one in holdings]),
        np.concatenate([one.column for one in holdings]),
    )


def _saving_table(
    program: Program, choice: Choice, part: int, names: tuple[str, str], sides: list[Holding]
) -> None:
    """Variables and rows of the saving of one part between two groups."""
    counts = [np.unique(side.pieces) for side in sides]
    price = choice.price[part]
    total = counts[0][:, None] + counts[1][None, :]
    apart = price[counts[0]][:, None] + price[counts[1]][None, :] + choice.line_item
    bought = total < len(price)  # wider totals only pair options of different skeletons
    saving = np.where(bought, apart - price[np.minimum(total, len(price) - 1)], 0)
    classes = [_alike(saving), _alike(saving.T)]
    small = saving[np.ix_(*(first for first, _ in classes))]
    member = [
        [side.column[np.isin(side.pieces, count[alike == c])] for c in range(len(first))]
        for side, count, (first, alike) in zip(sides, counts, classes, strict=True)
    ]
    w = np.full(small.shape, -1, dtype=np.int64)
    w[small != 0] = program.columns(
        int((small != 0).sum()), binary=False, cost=-small[small != 0].astype(float)
    )
    name = f"part {part} in {names[0]} and {names[1]}"
    for axis in (0, 1):
        for c, options in enumerate(member[axis]):
            line = np.take(w, c, axis=axis)[np.take(small, c, axis=axis) > 0]
            if len(line):
                program.row(name, [_ones(line), _ones(options, -1.0)], -np.inf, 0)
    for a, b in np.argwhere(small < 0):
        both = [_ones(member[0][a]), _ones(member[1][b]), _ones(w[a, b : b + 1], -1.0)]
        program.row(name, both, -np.inf, 1)


def _alike(table: IntArray) -> tuple[IntArray, IntArray]:
    """First index of each distinct line of a table, and the class of every line."""
    _, first, alike = np.unique(table, axis=0, return_index=True, return_inverse=True)
    return first, alike.reshape(-1)


def _pooled_lines(
    program: Program, choice: Choice, holdings: list[Holdings], many: list[BoolArray]
) -> None:
    """One binary per total of a part that three or more groups can hold."""
    pooled: dict[int, dict[str, list[Holding]]] = defaultdict(lambda: defaultdict(list))
    for found, wide in zip(holdings, many, strict=True):
        for part, groups in found.items():
            if wide[part]:
                for name, holding in groups.items():
                    pooled[part][name].append(holding)
    for part, groups_of in pooled.items():
        total = np.arange(1, choice.price.shape[1])
        cost = choice.price[part, 1:] + choice.line_item
        z = program.columns(len(total), binary=True, cost=cost)
        sides = [_stacked(entries) for entries in groups_of.values()]
        bought = [(side.column, -side.pieces.astype(np.float64)) for side in sides]
        program.row(f"pieces of part {part}", [(z, total.astype(np.float64)), *bought], 0, 0)
        program.row(f"one total of part {part}", [_ones(z)], 0, 1)
        for side in sides:
            terms = [_ones(side.column), _ones(z, -1.0)]
            program.row(f"part {part} is bought", terms, -np.inf, 0)


def _equal_parts(program: Program, choice: Choice) -> None:
    """Equal shares of every part at positions that must hold the same part."""
    linked: dict[tuple[str, str], dict[int, list[Terms]]] = defaultdict(lambda: defaultdict(list))
    for k in range(len(choice.skeletons)):
        held = {
            name: (group.part[keep, slot], column)
            for group, keep, column in _placed(program, choice, k)
            for slot, name in enumerate(group.slot_position)
        }
        for positions in choice.same_part:
            present = [name for name in positions if name in held]
            for pair in itertools.pairwise(present):
                for name, sign in zip(pair, (1.0, -1.0), strict=True):
                    part, column = held[name]
                    for value in np.unique(part):
                        terms = _ones(column[part == value], sign)
                        linked[pair][int(value)].append(terms)
    for pair, parts in linked.items():
        for terms_of in parts.values():
            program.row(f"same part: {pair[0]}, {pair[1]}", terms_of, 0, 0)


def _part_numbers(program: Program, choice: Choice, holdings: list[Holdings]) -> None:
    """The number of distinct parts; a part of one group counts in its options."""
    if choice.part_numbers_max is None:
        return
    terms: list[Terms] = []
    shared: dict[int, dict[str, list[IntArray]]] = defaultdict(lambda: defaultdict(list))
    for found in holdings:
        for part, groups in found.items():
            for name, holding in groups.items():
                if len(groups) == 1:
                    terms.append(_ones(holding.column))
                else:
                    shared[part][name].append(holding.column)
    for part, groups_of in shared.items():
        u = program.columns(1, binary=False)
        terms.append(_ones(u))
        for columns in groups_of.values():
            line = [_ones(np.concatenate(columns)), _ones(u, -1.0)]
            program.row(f"part {part} counts", line, -np.inf, 0)
    program.numbers = joined("part numbers", terms, -np.inf, choice.part_numbers_max)
