"""Second sources as a demand of the search: what passes in every mixture with its alternates.

`purchase.second_source` names places. Each needs an alternate, a part of another maker on the same
pads that may be bought, such that every mixture of chosen parts and alternates keeps every limit.
Beside a given inductor the limits of a set are those of its half bridges, banks and sense
resistor, one by one, and rows that add over them. So every mixture passes when each option and
its own mixtures pass beside the inductor and beside its alternate, and when each row holds with
the worst mixture of every option.

A skeleton is expanded once for all alternates of its inductor, with the options that pass beside
one of them. That is more than there is: whether one alternate serves all options of a set is asked
of every set on the way to the front, and becomes a row where sets that it refuses leave gaps.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import cast

import numpy as np

from optimizer import pool, workbench
from optimizer.errors import Watch, go_on
from optimizer.market import Market
from optimizer.mixtures import (
    AT_ONCE,
    PIECES,
    WIDTHS,
    Halves,
    Others,
    Pairs,
    least,
    some_sum_fits,
)
from optimizer.option_legs import joined
from optimizer.records import BoolArray, FloatArray, Group, IntArray, Leg, Skeleton, kind_of
from optimizer.second_sources_beside import beside
from optimizer.tables import replaces
from optimizer.workbench import Rows

ALIKE = {
    "mosfet": "rds_on_10v_max",
    "diode": "v_forward_max",
    "inductor": "inductance_typ",
    "capacitor": "capacitance_typ",
    "resistor": "resistance_typ",
}
"""What makes an alternate likely to do, for the order in which they are tried."""


def rows_of(found: Market) -> Rows:
    """The additive rows of a topology; if an alternate of the inductor is asked for, twice.

    Then two more for each group, which hold where all options stand beside the same alternate.
    """
    rows = workbench.rows_of(found)
    if not found.stage.spec.purchase.needs_second_source("inductor"):
        return rows
    again = (f"{name}, with the other inductor" for name in rows.names)
    groups = (*found.pool.bank, *found.stage.topology.LEGS, "sense")
    tags = (f"one other inductor, {k // 2 + 1}{'ab'[k % 2]}" for k in range(2 * len(groups)))
    topology = found.stage.topology.NAME
    return replace(rows, names=(*rows.names, *again, *(f"{topology}: {tag}" for tag in tags)))


def skeletons(found: Market) -> Iterator[int]:
    """Every skeleton that has an alternate of its inductor, if one is asked for."""
    for k in range(len(found.scene.coil)):
        others = other_inductors(found, k)
        if others is None or (workbench.coil_holds(found, k) and others):
            yield k


def has_second_sources(
    found: Market, frequency: float, coil: int, parts: Mapping[str, Sequence[tuple[int, int]]]
) -> bool:
    """Whether a set passes in every mixture with some alternates where the spec asks for them.

    parts : group -> row and pieces of its one or two halves
    """
    near = np.isclose(found.frequency(), frequency, rtol=1e-6) & (found.scene.coil == coil)
    halves = {
        name: (_number(*held[0]), _number(*held[1]) if len(held) > 1 else -1)
        for name, held in parts.items()
    }
    rows = rows_of(found)
    return any(
        SecondSources(found, rows, k).holds_parts(halves) for k in skeletons(found) if near[k]
    )


def other_inductors(found: Market, skeleton: int) -> list[int] | None:
    """Skeletons of the same frequency with an alternate of the inductor, the likeliest first.

    None where no alternate is asked for.
    """
    if not found.stage.spec.purchase.needs_second_source("inductor"):
        return None
    coil = found.scene.coil
    near = np.isclose(found.frequency(), found.frequency()[skeleton], rtol=1e-9)
    rows = _offered(found, "inductor").of(int(coil[skeleton]) * PIECES) // PIECES
    others = (int(k) for row in rows for k in np.flatnonzero(near & (coil == row)))
    return [k for k in others if workbench.coil_holds(found, k)]


@dataclass
class _Offered:
    """Alternates of the parts of one position, the likeliest first, in as many pieces."""

    found: Market
    position: str
    rows: IntArray
    known: dict[int, IntArray] = field(default_factory=dict)

    def of(self, choice: int) -> IntArray:
        """Every alternate of a choice."""
        row, pieces = divmod(choice, PIECES)
        if row not in self.known:
            kind = kind_of(self.position)
            table = self.found.stage.tables[kind]
            fits = self.rows[replaces(table, row, self.rows)]
            value = table.numbers[ALIKE[kind]]
            with np.errstate(invalid="ignore", divide="ignore"):
                apart = np.abs(np.log(value[fits] / value[row]))
            self.known[row] = fits[np.argsort(np.nan_to_num(apart, nan=np.inf), kind="stable")]
        return self.known[row] * PIECES + pieces


def _offered(found: Market, *positions: str) -> _Offered:
    """Alternates at a position, or of one part at several; made once for a market."""
    if positions not in found.alternates:
        if positions == ("inductor",):
            rows = np.unique(found.scene.coil)
        else:
            rows = pool.may_stand(found.stage, found.prices, positions[0])
        for position in positions[1:]:
            rows = np.intersect1d(rows, pool.may_stand(found.stage, found.prices, position))
        found.alternates[positions] = _Offered(found, positions[0], rows)
    return cast(_Offered, found.alternates[positions])


class _Mixtures:
    """Options and their mixtures beside one skeleton, or beside it and that of another inductor."""

    def __init__(self, found: Market, rows: Rows, *skeletons: int) -> None:
        self.found, self._besides = found, [beside(found, rows, k) for k in skeletons]
        count = len(self._besides[0].fixed())
        self._forced = np.arange(count - len(rows.forced), count)
        self.groups = {"sense resistor": self._pairs("sense resistor", "sense-resistor")}
        self.groups |= {leg.name: self._leg(leg) for leg in found.stage.topology.LEGS}
        for node in found.pool.bank:
            places = (f"{node}-bank",) * 2
            self.groups[f"{node} bank"] = self._pairs(f"{node} bank", *places, bank=True)
        self._lines: dict[tuple[str, int, int, int | None], FloatArray] = {}
        self._known: dict[tuple[str, int, int], bool] = {}

    def _others(self, position: str) -> Others | None:
        asked = self.found.stage.spec.purchase.needs_second_source(position)
        return _offered(self.found, position).of if asked else None

    def _leg(self, leg: Leg) -> Pairs:
        places = leg.control, leg.synchronous
        pairs = self._pairs(leg.name, *places)
        tied = any({*places} <= {*group} for group in self.found.stage.spec.choice.same_part)
        if tied and (pairs.first or pairs.second):
            one = _offered(self.found, *places).of
            return replace(pairs, first=one, second=one, tied=True)
        return pairs

    def _pairs(self, name: str, *places: str, bank: bool = False) -> Pairs:
        def pass_(x: IntArray, y: IntArray) -> BoolArray:
            keep = np.ones(len(x), dtype=bool)
            for one in self._besides:
                keep[keep] = one.passes[name](x[keep], y[keep])
            return keep

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            return self._joined([one.rows[name](x, y) for one in self._besides])

        others = [self._others(position) for position in places]
        return Pairs(pass_, rows, others[0], others[-1] if len(others) > 1 else None, bank=bank)

    def _joined(self, blocks: Sequence[FloatArray]) -> FloatArray:
        """The rows of each inductor; a forced part is asked of the first, of the chosen parts."""
        for block in blocks[1:]:
            block[..., self._forced] = 0.0
        return np.concatenate(blocks, axis=-1)

    def fixed(self) -> FloatArray:
        """What the skeletons themselves add to each row."""
        return self._joined([one.fixed() for one in self._besides])

    def coil(self) -> FloatArray:
        """What each inductor adds to its rows."""
        return self._joined([one.coil() for one in self._besides])

    def plain_rows(self, name: str, x: IntArray, y: IntArray) -> FloatArray | None:
        """Rows of the options of a group that needs no alternates, NaN where one does not pass."""
        pairs = self.groups[name]
        if pairs.first or pairs.second:
            return None
        return np.where(pairs.pass_(x, y)[:, None], self.own_rows(name, x, y), np.nan)

    def own_rows(self, name: str, x: IntArray, y: IntArray) -> FloatArray:
        """Rows of the options of a group themselves, beside each inductor."""
        blocks = [slice(k, k + AT_ONCE) for k in range(0, max(len(x), 1), AT_ONCE)]
        return np.concatenate([self.groups[name].rows(x[some], y[some]) for some in blocks])

    def lines(self, name: str, x: int, y: int, width: int | None = None) -> FloatArray:
        """Rows with the worst mixture, a line for each choice of alternates that none replaces."""
        key = name, x, y, width
        if key not in self._lines:
            self._lines[key] = self._worst(self.groups[name], x, y, width)
        return self._lines[key]

    def _worst(self, pairs: Pairs, x: int, y: int, width: int | None) -> FloatArray:
        ((one, two),) = pairs.alternates(np.array([x]), np.array([y]), width)
        if not len(one):
            return np.zeros((0, len(self.fixed())))
        lines = [
            pairs.worst(x, y, (one[k : k + AT_ONCE], two[k : k + AT_ONCE]), self._forced)
            for k in range(0, len(one), AT_ONCE)
        ]
        return least(np.concatenate(lines))

    def _robust(self, name: str, x: int, y: int) -> bool:
        if (name, x, y) not in self._known:
            self._known[name, x, y] = bool(
                self.groups[name].robust(np.array([x]), np.array([y]))[0]
            )
        return self._known[name, x, y]

    def hold(self, parts: Mapping[str, tuple[int, int]]) -> bool:
        """Whether every mixture of a set with some alternates keeps every limit."""
        if not all(self._robust(name, x, y) for name, (x, y) in parts.items()):
            return False
        for width in WIDTHS:
            found = [self.lines(name, x, y, width) for name, (x, y) in parts.items()]
            if all(len(one) for one in found) and some_sum_fits(self.fixed() + self.coil(), found):
                return True
        return False


class SecondSources:
    """One skeleton whose places need second sources."""

    def __init__(self, found: Market, rows: Rows, skeleton: int) -> None:
        self._found, self._rows, self._skeleton = found, rows, skeleton
        self._own = _Mixtures(found, rows, skeleton)
        self._others = other_inductors(found, skeleton)
        self._beside: dict[int, _Mixtures] = {}

    def _each(self) -> Iterator[_Mixtures]:
        """Beside each alternate of the inductor; beside the inductor where none is asked for."""
        if self._others is None:
            yield self._own
        for k in self._others or ():
            if k not in self._beside:
                self._beside[k] = _Mixtures(self._found, self._rows, self._skeleton, k)
            yield self._beside[k]

    def passes(self, group: str, x: Halves, y: Halves | None = None) -> BoolArray:
        """Which options of a group pass in every mixture; rows and pieces of each half.

        Beside some alternate of the inductor, where one is asked for.
        """
        one, two = _numbered(x), _numbered(y, len(x[0]))
        keep = self._own.groups[group].robust(one, two)
        if self._others is None:
            return keep
        left = np.flatnonzero(keep)
        for mixtures in self._each():
            if len(left):
                left = left[~mixtures.groups[group].robust(one[left], two[left])]
        keep[left] = False
        return keep

    def holds(self, body: Skeleton, option: Sequence[int]) -> bool:
        """Whether every mixture of a set with some alternates keeps every limit."""
        parts = {}
        for group, k in zip(body.groups, option, strict=True):
            if group.name != "inductor":
                one, two = self._choices(group)
                parts[group.name] = int(one[k]), int(two[k])
        return self.holds_parts(parts)

    def holds_parts(self, parts: Mapping[str, tuple[int, int]]) -> bool:
        """The same of a set whose options are given by group as numbers of their choices."""
        return any(mixtures.hold(parts) for mixtures in self._each())

    def widened(self, body: Skeleton) -> Skeleton:
        """The skeleton with room for the rows beside both inductors.

        The rows of its options are their own beside its own inductor, which are never more than
        those of a mixture; `holds` is to be asked of every set.
        """
        width = len(self._rows.names)
        groups = [replace(one, rows=_padded(one.rows, width)) for one in body.groups]
        fixed = _padded(body.rows_fixed, width)
        return replace(body, groups=tuple(groups), rows_fixed=fixed)

    def every(
        self, body: Skeleton, watch: Watch = go_on, *, plain: tuple[str, ...] = ()
    ) -> Skeleton | None:
        """The skeleton with the rows beside both inductors; None where nothing is left.

        Each option comes once for every choice of alternates that no other choice makes needless,
        with the worst mixture in its rows.
        plain : ends of the names of groups whose options come once for each inductor, with rows of
            their own, which are never more
        watch : called often; raises `Halted` once the search is to end
        """
        count = 0 if self._others is None else 2 * (len(body.groups) - 1)
        blocks = []
        for number, mixtures in enumerate(self._each()):
            groups = [
                self._with_rows(group, mixtures)
                if group.name.endswith(plain)
                else self._with_lines(group, mixtures, watch)
                for group in body.groups
            ]
            if all(len(group.loss) for group in groups):
                share = number / len(self._others or [0])
                blocks.append([_tagged(g, share, k, count) for k, g in enumerate(groups)])
                fixed = np.concatenate([mixtures.fixed(), np.ones(count)])
        if not blocks:
            return None
        whole = tuple(joined(list(some)) for some in zip(*blocks, strict=True))
        return replace(body, groups=whole, rows_fixed=fixed)

    def own(self, group: Group) -> Group:
        """A group of a widened skeleton with the rows beside its own inductor only."""
        return replace(group, rows=group.rows[:, : len(self._own.fixed())])

    def _with_lines(self, group: Group, mixtures: _Mixtures, watch: Watch) -> Group:
        """The options of a group, once for each choice of alternates that none replaces."""
        if group.name == "inductor":
            return replace(group, rows=mixtures.coil()[None, :])
        x, y = self._choices(group)
        plain = mixtures.plain_rows(group.name, x, y)
        if plain is not None:
            keep = np.asarray(np.isfinite(plain).all(axis=1))
            return replace(group.take(keep), rows=plain[keep])
        lines = []
        for pair in zip(x.tolist(), y.tolist(), strict=True):
            watch()
            lines.append(mixtures.lines(group.name, *pair))
        index = np.repeat(np.arange(len(x)), [len(one) for one in lines])
        return replace(group.take(index), rows=np.concatenate(lines))

    def _with_rows(self, group: Group, mixtures: _Mixtures) -> Group:
        """The options of a group that pass with some alternates, with rows of their own."""
        x, y = self._choices(group)
        keep = mixtures.groups[group.name].robust(x, y)
        return replace(group.take(keep), rows=mixtures.own_rows(group.name, x[keep], y[keep]))

    def _choices(self, group: Group) -> Halves:
        """The options of a group by row and pieces."""
        found = []
        for slot in range(2):
            if slot >= group.part.shape[1]:
                found.append(np.full(len(group.loss), -1))
                continue
            start = self._found.prices.offset[kind_of(group.slot_position[slot])]
            rows = group.part[:, slot] - start
            held = group.part[:, slot] >= 0
            found.append(np.where(held, rows * PIECES + group.pieces[:, slot], -1))
        return found[0], found[1]


def _padded(rows: FloatArray, width: int) -> FloatArray:
    """Rows with zeros up to a width."""
    blank = np.zeros((*rows.shape[:-1], width - rows.shape[-1]))
    return np.concatenate([rows, blank], axis=-1)


def _tagged(group: Group, share: float, place: int, count: int) -> Group:
    """The group with rows that keep a set beside one alternate: with a fixed 1, at most 1 in all.

    share : the number of the alternate as a share of all; place : the number of the group
    Two rows for each group hold its number less that of the inductor, once with either sign.
    """
    tags = np.zeros(count)
    if group.name == "inductor":
        tags[0::2], tags[1::2] = -share, share
    else:
        tags[2 * place : 2 * place + 2] = [share, -share][:count]
    return replace(group, rows=np.hstack([group.rows, np.tile(tags, (len(group.loss), 1))]))


def _number(row: int, pieces: int) -> int:
    return row * PIECES + pieces


def _numbered(choice: Halves | None, count: int = 0) -> IntArray:
    if choice is None:
        return np.full(count, -1)
    return np.where(choice[0] < 0, -1, choice[0] * PIECES + choice[1])
