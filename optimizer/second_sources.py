"""Second sources as a demand of the search: what passes in every mixture with its alternates.

`purchase.second_source` names places. Each needs an alternate, a part of another maker on the same
pads that may be bought, such that every mixture of chosen parts and alternates keeps every limit.
Beside a given inductor the limits of a set are those of its half bridges, banks and sense
resistor, one by one, and rows that add over them. So every mixture passes when each option and
its own mixtures pass beside the inductor and beside its alternate, and when each row holds with
the worst mixture of every option.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer import evaluation, limits, option_legs, pool, screen, workbench
from optimizer.evaluation import Scene
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
from optimizer.parts import bank_choice
from optimizer.records import (
    BoolArray,
    FloatArray,
    Group,
    IntArray,
    Leg,
    Skeleton,
    kind_of,
    switch_kind,
)
from optimizer.workbench import Rows, area_of, fixed_row, row_values

ALIKE = {
    "mosfet": "rds_on_10v_max",
    "diode": "v_forward_max",
    "inductor": "inductance_typ",
    "capacitor": "capacitance_typ",
    "resistor": "resistance_typ",
}
"""What makes an alternate likely to do, for the order in which they are tried."""


def rows_of(found: Market) -> Rows:
    """The additive rows of a topology; twice, for both inductors, if an alternate is asked for."""
    rows = workbench.rows_of(found)
    if not pool.second_source_asked(found.stage.spec, "inductor"):
        return rows
    again = (f"{name}, with the other inductor" for name in rows.names)
    return replace(rows, names=(*rows.names, *again))


def skeletons(found: Market) -> Iterator[tuple[int, int | None]]:
    """Every skeleton, with each that holds an alternate of its inductor if one is asked for."""
    asked = pool.second_source_asked(found.stage.spec, "inductor")
    for k in range(len(found.scene.coil)):
        if not asked:
            yield k, None
        elif workbench.coil_holds(found, k):
            others = other_coils(found, k)
            yield from ((k, other) for other in others if workbench.coil_holds(found, other))


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
        SecondSources(found, rows, k, other).holds_parts(halves)
        for k, other in skeletons(found)
        if near[k]
    )


def other_coils(found: Market, skeleton: int) -> Iterator[int]:
    """Skeletons of the same frequency with an alternate of the inductor, the likeliest first."""
    coil = found.scene.coil
    near = np.isclose(found.frequency(), found.frequency()[skeleton], rtol=1e-9)
    offered = _Offered(found, "inductor", np.unique(coil))
    for row in offered.of(int(coil[skeleton]) * PIECES) // PIECES:
        yield from (int(k) for k in np.flatnonzero(near & (coil == row)))


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
            fits = self.rows[pool.replaces(table, row, self.rows)]
            value = table.numbers[ALIKE[kind]]
            with np.errstate(invalid="ignore", divide="ignore"):
                apart = np.abs(np.log(value[fits] / value[row]))
            self.known[row] = fits[np.argsort(np.nan_to_num(apart, nan=np.inf), kind="stable")]
        return self.known[row] * PIECES + pieces


class SecondSources:
    """One skeleton whose places need second sources, and the skeleton of its other inductor.

    other : number of that skeleton, None where the inductor needs no alternate
    """

    def __init__(self, found: Market, rows: Rows, skeleton: int, other: int | None) -> None:
        self.found, self.stage, self._rows = found, found.stage, rows
        self.skeletons = (skeleton,) if other is None else (skeleton, other)
        self.scenes = [found.scene.take(np.array([k])) for k in self.skeletons]
        count = len(rows.names) // len(self.skeletons)
        self.forced = np.arange(count - len(rows.forced), count)
        self.offered = {
            position: _Offered(found, position, pool.may_stand(self.stage, found.prices, position))
            for position in _positions(found)
            if pool.second_source_asked(self.stage.spec, position)
        }
        self.groups: dict[str, Pairs] = {"sense resistor": self._senses()}
        self.groups |= {leg.name: self._leg(leg) for leg in self.stage.topology.LEGS}
        self.groups |= {f"{node} bank": self._bank(node) for node in found.pool.bank}
        self.start = self.fixed() + self.coil()
        self._lines: dict[tuple[str, int, int, int | None], FloatArray] = {}
        self._known: dict[tuple[str, int, int], bool] = {}

    # --- what the options of one group are asked --------------------------------------------------

    def passes(self, group: str, x: Halves, y: Halves | None = None) -> BoolArray:
        """Which options of a group pass in every mixture; rows and pieces of each half."""
        return self.groups[group].robust(_numbered(x), _numbered(y, len(x[0])))

    def _robust_option(self, name: str, x: int, y: int) -> bool:
        if (name, x, y) not in self._known:
            self._known[name, x, y] = bool(
                self.groups[name].robust(np.array([x]), np.array([y]))[0]
            )
        return self._known[name, x, y]

    def _others(self, position: str) -> Others | None:
        return self.offered[position].of if position in self.offered else None

    def _leg(self, leg: Leg) -> Pairs:
        def ask(x: IntArray, y: IntArray) -> BoolArray:
            control, synchronous = divmod(x, PIECES), divmod(y, PIECES)
            keep = np.ones(len(x), dtype=bool)
            for scene in self.scenes:
                keep &= option_legs.held(scene, leg, control, synchronous)[0]
            return keep

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            control, synchronous = divmod(x, PIECES), divmod(y, PIECES)
            places = ((leg.control, *control), (leg.synchronous, *synchronous))
            each = [area_of(self.stage, switch_kind(p), r, n) for p, r, n in places]
            area = each[0] + each[1]
            part = np.stack([self._part(p, r) for p, r, _ in places], axis=1)
            return self._blocks(
                lambda scene: option_legs.burden(scene, leg, control, synchronous), area, part
            )

        places = leg.control, leg.synchronous
        one, two = (self._others(position) for position in places)
        tied = any({*places} <= {*group} for group in self.stage.spec.choice.same_part)
        if tied and (one or two):
            stand = [pool.may_stand(self.stage, self.found.prices, p) for p in places]
            one = _Offered(self.found, leg.control, np.intersect1d(stand[0], stand[1])).of
            return Pairs(ask, rows, one, one, tied=True)
        return Pairs(ask, rows, one, two)

    def _bank(self, node: str) -> Pairs:
        types = self.found.pool.bank[node]
        steady = np.flatnonzero(limits.steady(self.stage))
        every = np.arange(len(self.stage.lanes))
        firm = [
            (screen.bank_duty(s, node, types, steady), screen.bank_limits(s, node, types, steady))
            for s in self.scenes
        ]
        duty = {id(s): screen.bank_duty(s, node, types, every) for s in self.scenes}

        def columns(x: IntArray, y: IntArray) -> dict[str, IntArray]:
            second = np.searchsorted(types, np.maximum(y, 0) // PIECES)
            return {
                "first": np.searchsorted(types, x // PIECES),
                "first_pieces": x % PIECES,
                "second": np.where(y < 0, -1, second),
                "second_pieces": np.where(y < 0, 0, y % PIECES),
            }

        def ask(x: IntArray, y: IntArray) -> BoolArray:
            keep = np.ones(len(x), dtype=bool)
            for one, limit in firm:
                met = bank_choice.verdicts(duty=one, limits=limit, **columns(x, y))
                keep &= np.logical_and.reduce(list(met.values()))
            return keep

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            bank = columns(x, y)
            pieces = bank["first_pieces"], bank["second_pieces"]
            second = np.maximum(y, 0) // PIECES
            area = area_of(self.stage, "capacitor", x // PIECES, pieces[0])
            area += area_of(self.stage, "capacitor", second, pieces[1])
            held = x // PIECES, np.where(y < 0, -1, second)
            part = np.stack([self._part(f"{node}-bank", one) for one in held], axis=1)
            return self._blocks(
                lambda scene: (duty[id(scene)].solve(bank, ripple=False).loss, None, None),
                area,
                part,
            )

        others = self._others(f"{node}-bank")
        return Pairs(ask, rows, others, others, bank=True)

    def _senses(self) -> Pairs:
        sense = pool.may_stand(self.stage, self.found.prices, "sense-resistor")
        closing = []
        for scene, skeleton in zip(self.scenes, self.skeletons, strict=True):
            coils = evaluation.set_rows(self.found.coils, np.array([skeleton]))
            all_rows = replace(self.found.pool, sense=sense)
            closing.append(_numbered(screen.senses_that_close(self.stage, all_rows, scene, coils)))

        def ask(x: IntArray, y: IntArray) -> BoolArray:
            return np.asarray(np.logical_and.reduce([np.isin(x, one) for one in closing]))

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            row, pieces = divmod(x, PIECES)
            area = area_of(self.stage, "resistor", row, pieces)
            return self._blocks(
                lambda scene: (evaluation.senses(scene, row, pieces).loss, None, None),
                area,
                self._part("sense-resistor", row)[:, None],
            )

        return Pairs(ask, rows, self._others("sense-resistor"), None)

    # --- rows -------------------------------------------------------------------------------------

    def _part(self, position: str, rows: IntArray) -> IntArray:
        return self.found.prices.number(kind_of(position), rows)

    def _blocks(
        self,
        burden: Callable[[Scene], tuple[FloatArray, FloatArray | None, FloatArray | None]],
        area: FloatArray,
        part: IntArray,
    ) -> FloatArray:
        """Rows of options beside each inductor, one block after the other."""
        blank = np.zeros((1, len(self.stage.lanes)))
        blocks = []
        for scene in self.scenes:
            loss, i_drive, gain = burden(scene)
            blocks.append(
                row_values(
                    self._rows,
                    loss=loss,
                    i_drive=blank if i_drive is None else i_drive,
                    gain=blank if gain is None else gain,
                    area=area,
                    part=part,
                )
            )
        return self._joined(blocks)

    def _joined(self, blocks: Sequence[FloatArray]) -> FloatArray:
        """The blocks in one; a forced part is asked of the first, of the chosen parts."""
        if len(self.forced):
            for block in blocks[1:]:
                block[..., -len(self.forced) :] = 0.0
        return np.concatenate(blocks, axis=-1)

    def fixed(self) -> FloatArray:
        """What the skeletons themselves add to each row."""
        return self._joined([fixed_row(self._rows, scene) for scene in self.scenes])

    def coil(self) -> FloatArray:
        """What each inductor adds to its rows."""
        found, steady = self.found, limits.steady(self.stage)
        blocks = []
        for k in self.skeletons:
            row = found.scene.coil[[k]]
            block = row_values(
                self._rows,
                loss=found.coils.loss[[k]],
                i_drive=np.zeros((1, len(steady))),
                gain=np.where(steady, found.coils.gain[[k]], 0.0),
                area=area_of(self.stage, "inductor", row, self.stage.coil_pieces(row)),
                part=self._part("inductor", row)[:, None],
            )
            blocks.append(block[0])
        return self._joined(blocks)

    def widened(self, body: Skeleton, *, every: bool) -> Skeleton:
        """The skeleton with the rows beside both inductors.

        every : each option comes once for every choice of alternates that no other choice makes
            needless, with the worst mixture in its rows; else its rows are its own, which are
            never more, and `holds` is to be asked of every set
        """
        groups = []
        for group in body.groups:
            if group.name == "inductor":
                rows = self.coil()[None, :]
                groups.append(replace(group, rows=np.repeat(rows, len(group.loss), axis=0)))
                continue
            x, y = self._choices(group)
            pairs = self.groups[group.name]
            if not every:
                groups.append(replace(group, rows=_in_parts(pairs.rows, x, y)))
                continue
            found = [self._needed(group.name, int(a), int(b)) for a, b in zip(x, y, strict=True)]
            index = np.repeat(np.arange(len(x)), [len(one) for one in found])
            groups.append(
                Group(
                    name=group.name,
                    part=group.part[index],
                    pieces=group.pieces[index],
                    loss=group.loss[index],
                    rows=np.concatenate(found),
                    loss_lane=group.loss_lane[index],
                    slot_position=group.slot_position,
                )
            )
        return replace(body, groups=tuple(groups), rows_fixed=self.fixed())

    def _needed(self, name: str, x: int, y: int, width: int | None = None) -> FloatArray:
        """Rows with the worst mixture, a line for each choice of alternates that none replaces."""
        key = name, x, y, width
        if key not in self._lines:
            self._lines[key] = self._worst(self.groups[name], x, y, width)
        return self._lines[key]

    def _worst(self, pairs: Pairs, x: int, y: int, width: int | None) -> FloatArray:
        ((one, two),) = pairs.alternates(np.array([x]), np.array([y]), width)
        if not len(one):
            return np.zeros((0, len(self._rows.names)))
        lines = [
            pairs.worst(x, y, (one[k : k + AT_ONCE], two[k : k + AT_ONCE]), self.forced)
            for k in range(0, len(one), AT_ONCE)
        ]
        return least(np.concatenate(lines))

    def _choices(self, group: Group) -> Halves:
        """The options of a group by row and pieces."""
        found = []
        for slot in range(2):
            if slot >= group.part.shape[1]:
                found.append(np.full(len(group.loss), -1))
                continue
            start = self.found.prices.offset[kind_of(group.slot_position[slot])]
            rows = group.part[:, slot] - start
            held = group.part[:, slot] >= 0
            found.append(np.where(held, rows * PIECES + group.pieces[:, slot], -1))
        return found[0], found[1]

    # --- complete sets ----------------------------------------------------------------------------

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
        for name, (x, y) in parts.items():
            if not self._robust_option(name, x, y):
                return False
        for width in WIDTHS:
            found = [self._needed(n, x, y, width) for n, (x, y) in parts.items()]
            if all(len(one) for one in found) and some_sum_fits(self.start, found):
                return True
        return False


def _positions(found: Market) -> tuple[str, ...]:
    banks = (f"{node}-bank" for node in found.pool.bank)
    return (*found.stage.topology.POSITIONS, "inductor", *banks, "sense-resistor")


def _number(row: int, pieces: int) -> int:
    return row * PIECES + pieces


def _numbered(choice: Halves | None, count: int = 0) -> IntArray:
    if choice is None:
        return np.full(count, -1)
    return np.where(choice[0] < 0, -1, choice[0] * PIECES + choice[1])


def _in_parts(
    rows: Callable[[IntArray, IntArray], FloatArray], x: IntArray, y: IntArray
) -> FloatArray:
    blocks = [rows(x[k : k + AT_ONCE], y[k : k + AT_ONCE]) for k in range(0, len(x), AT_ONCE)]
    return np.concatenate(blocks)
