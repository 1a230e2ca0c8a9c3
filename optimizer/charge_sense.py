"""The resistor of a charger's current sense as a part of the list: the cheapest that will do.

It stands behind the stage and carries the output current, so what it loses, how hot it gets and
how exact it is hang on no other part of a set: where the spec asks for it (`load.sense_part`) the
cheapest part, one or several in parallel, is found before any search. A set whose resistor in
series with the coil is the same part buys both on one line (`buying.beside_charge`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer import derating, parameters
from optimizer.load_records import LeadAcid, Lithium
from optimizer.parts import resistor
from optimizer.points_lanes import LOSS_CEILING
from optimizer.records import COST_UNIT, BoolArray, FloatArray, IntArray
from optimizer.spec_records import CHARGE_SENSE, Spec
from optimizer.spec_text import trade
from optimizer.tables import PartTable, replaces

SUBJECT = "charge-current sense"
POSITION = CHARGE_SENSE
CHEAPEST = "cheapest"

Falls = Counter[str]
"""Reason -> choices that fell on it."""

SAME = 1e-3
"""Share by which a resistance may differ from the one asked for and count as it."""

ALTERNATES_TOLD = 3


@dataclass(frozen=True, slots=True)
class ChargePart:
    """The part that was found, or why none was.

    name : pieces and part number; row : in the table of resistors, -1 where none will do
    pieces : in parallel
    units : purchase, line item and placement per board, bought alone [COST_UNIT]
    area : on the board [m2]; area_most : with an alternate too, where the spec asks for one [m2]
    i_end_min, i_end_max : where charging may end with the offset and this part [A]
    text : what it is and stands, or what the others of the value fell on
    alternates : part numbers of other makers on its pads that will do, cheapest first
    others : row and pieces of every other choice that will do
    """

    name: str
    row: int
    pieces: int
    units: int
    area: float
    area_most: float
    i_end_min: float
    i_end_max: float
    text: str
    alternates: tuple[str, ...] = ()
    others: tuple[tuple[int, int], ...] = ()

    @property
    def found(self) -> bool:
        """Whether there is a part."""
        return self.row >= 0


def asked(spec: Spec) -> bool:
    """Whether a spec with one resistor asks for its part."""
    return bool(spec.load.sense_part) and not spec.load.senses


def held_on(bill: Sequence[Mapping[str, Any]], coil_pieces: int) -> tuple[str, int]:
    """Part and pieces of the charge-current sense on an archived parts list, "" and 0 where none.

    coil_pieces : pieces in series with the coil, which may stand on the same line
    """
    for line in bill:
        if POSITION in line["positions"]:
            shared = coil_pieces if len(line["positions"]) > 1 else 0
            return line["part_number"], line["pieces"] - shared
    return "", 0


def makes(table: PartTable, pieces: int | IntArray, resistance: float) -> BoolArray:
    """Which parts make a resistance [ohm] in so many pieces, (n_part,) or (n_part, n)."""
    nominal = table.numbers["resistance_typ"]
    nominal = nominal[:, None] if isinstance(pieces, np.ndarray) else nominal
    return np.asarray(np.abs(nominal / pieces / resistance - 1.0) <= SAME)


def temp_board(spec: Spec, loss: FloatArray) -> FloatArray:
    """Board temperature that no set goes beyond, at full current in hot air [degC].

    loss : in the resistor, which heats the same board, broadcasts [W]
    """
    limits = spec.limits
    floors = [1.0 / one.efficiency - 1.0 for one in limits.floors]
    share = limits.loss_ceiling or max([LOSS_CEILING, *floors])
    most = share * spec.load.v_highest * spec.load.i_output
    return spec.ambient.temp_hot + spec.board.board_k_per_w * (most + loss)


def charge_part(
    spec: Spec,
    table: PartTable,
    *,
    cost: IntArray,
    rules: Iterable[tuple[str, BoolArray]],
) -> ChargePart:
    """The cheapest part or parallel parts of the resistance that keep every limit.

    cost : of each part in 0, 1, ... pieces bought alone [COST_UNIT], (n_part, n)
    rules : of purchase, with the parts that keep them, (n_part,)
    """
    record = spec.load.record
    if not isinstance(record, LeadAcid | Lithium):
        raise ValueError("no charger")
    pieces = np.arange(1, spec.choice.resistors_parallel_max + 1)
    row, place = np.nonzero(makes(table, pieces, record.resistance_sense))
    count = pieces[place]
    wanted = np.ones(len(row), dtype=bool)
    if spec.load.sense_part != CHEAPEST:
        wanted = np.array(table.part_number)[row] == spec.load.sense_part
    stress = _Stress(spec, table, row, count, record.resistance_sense)
    low, high = stress.ends(record, spec.load.i_output)
    end = record.end_share * spec.load.i_output
    error = np.maximum(high - end, end - low)
    tests = [(why, np.asarray(keep)[row]) for why, keep in rules]
    good, fell = _sifted([*tests, *_limits(spec, stress, error)], wanted)
    price = cost[row, count]
    order = [int(k) for k in np.lexsort((row, error, price)) if good[k]]
    mates = {k: _alternates(table, row, count, k, order) for k in order}
    left = [k for k in order if wanted[k]]
    doubled = spec.purchase.needs_second_source(POSITION)
    if doubled:
        fell["no part of another maker on its pads"] += sum(not mates[k] for k in left)
        left = [k for k in left if mates[k]]
    if not left:
        why = _none(spec, table, record.resistance_sense, int(wanted.sum()), fell)
        return ChargePart("", -1, 0, 0, 0.0, 0.0, 0.0, 0.0, why)
    best = left[0]
    areas = parameters.body_area(table, spec.pads.area_margin)[row] * count
    area = float(areas[best])
    least = min(float(areas[k]) for k in mates[best]) if doubled else area
    return ChargePart(
        name=stress.name(best),
        row=int(row[best]),
        pieces=int(count[best]),
        units=int(price[best]),
        area=area,
        area_most=max(area, least),
        i_end_min=max(float(low[best]), 0.0),
        i_end_max=float(high[best]),
        text=_told(spec, stress, best, int(price[best]), [stress.name(k) for k in mates[best]]),
        alternates=tuple(table.part_number[row[k]] for k in mates[best]),
        others=tuple((int(row[k]), int(count[k])) for k in order if k != best),
    )


def _limits(spec: Spec, stress: _Stress, error: FloatArray) -> Iterator[tuple[str, BoolArray]]:
    """What a choice must keep beside the rules of purchase; `error` of the end of charge [A]."""
    numbers, row = stress.table.numbers, stress.row
    yield "power", stress.keeps_power
    yield "temperature", stress.keeps_temp
    yield "height", numbers["height"][row] <= spec.limits.height_max
    yield "coldest temperature", numbers["temp_min"][row] <= spec.ambient.temp_cold
    yield "error of the end of charge", error <= spec.load.i_end_error_max * (1.0 + 1e-9)


def _sifted(tests: Iterable[tuple[str, BoolArray]], wanted: BoolArray) -> tuple[BoolArray, Falls]:
    """Choices that keep everything, and on what those wanted fell first."""
    good, fell = np.ones(len(wanted), dtype=bool), Counter[str]()
    for why, keep in tests:
        fell[why] += int((wanted & good & ~keep).sum())
        good &= keep
    return good, fell


def _alternates(
    table: PartTable, row: IntArray, pieces: IntArray, one: int, good: Sequence[int]
) -> list[int]:
    """Of the good choices those of other makers on the pads of one, in as many pieces."""
    index = np.array(good)
    fits = replaces(table, int(row[one]), row[index]) & (pieces[index] == pieces[one])
    return [int(k) for k in index[fits]]


class _Stress:
    """Heat and spread of choices at full current and the hottest board, (n_choice,) each."""

    def __init__(
        self, spec: Spec, table: PartTable, row: IntArray, pieces: IntArray, nominal: float
    ) -> None:
        self.table, self.row, self.pieces, self.nominal = table, row, pieces, nominal
        parts = parameters.take(parameters.resistors(table), row)
        count = pieces[:, None].astype(np.float64)
        self.loss = resistor.loss_piece(
            i_rms=np.array(spec.load.i_output),
            resistance=parts.resistance * (1.0 + parts.tolerance),
            pieces=count,
        )
        line = {
            "power_rating": parts.power_rating,
            "temp_power_derating": parts.temp_power_derating,
            "temp_part_rating": parts.temp_part_rating,
        }
        board = temp_board(spec, self.loss * count)
        policy = spec.derating_policy
        rule = derating.rule(policy, "resistor", "power")
        left = resistor.power_at_board(temp_board=board, **line)
        self.board, self.allowed = board, derating.allowed(rule, rating=left)
        self.temp = resistor.temp_part(temp_board=board, loss=self.loss, **line)
        rule = derating.rule(policy, "resistor", "temp_part")
        hottest = np.minimum(
            derating.allowed(rule, rating=parts.temp_part_rating),
            spec.limits.temp_max.get("resistor", np.inf),
        )
        hottest = np.minimum(hottest, spec.ambient.temp_hot + spec.limits.rise_hottest)
        self.keeps_power = (self.loss <= self.allowed)[:, 0]
        self.keeps_temp = (self.temp <= hottest)[:, 0]
        spread = {
            "resistance": parts.resistance,
            "resistance_tolerance": parts.tolerance,
            "resistance_drift": parts.drift,
            "resistance_tempco": np.abs(parts.tempco),
            "temp_part": self.temp,
            "pieces": count,
        }
        self.low = resistor.resistance_low(**spread)[:, 0]
        self.high = resistor.resistance_high(**spread, resistance_solder=parts.solder)[:, 0]

    def name(self, k: int) -> str:
        """A choice as pieces and part number."""
        return f"{self.pieces[k]} x {self.table.part_number[self.row[k]]}"

    def ends(self, record: LeadAcid | Lithium, i_output: float) -> tuple[FloatArray, FloatArray]:
        """Least and largest current at which charging ends: the drop set, give or take the offset,
        over the largest and the smallest resistance [A]."""
        drop = record.end_share * i_output * record.resistance_sense
        offset = record.v_sense_offset
        return (drop - offset) / self.high, (drop + offset) / self.low


def _told(spec: Spec, stress: _Stress, k: int, units: int, others: Sequence[str]) -> str:
    watts = [float(f"{float(one[k, 0]):.3g}") for one in (stress.loss, stress.allowed)]
    spread = [100.0 * (float(one[k]) / stress.nominal - 1.0) for one in (stress.low, stress.high)]
    mates = (
        f"also {' or '.join(others[:ALTERNATES_TOLD])}" if others else "no part of another maker"
    )
    return (
        f"{stress.name(k)}, the cheapest that will do: {units * COST_UNIT:.4f}"
        f" {spec.purchase.currency} a board with line item and placement;"
        f" {trade(watts[0], 'power')} each at full current of {trade(watts[1], 'power')} allowed on"
        f" a board of {float(stress.board[k, 0]):.0f} degC; {spread[0]:+.1f} to {spread[1]:+.1f} %"
        " of its value over tolerance, drift, heat and joints, counted in the end of charge; one"
        " line with the resistor in series with the coil where that is the same part; on its pads"
        f" {mates}"
    )


def _none(spec: Spec, table: PartTable, resistance: float, count: int, fell: Falls) -> str:
    value, wanted = trade(resistance, "resistance"), spec.load.sense_part
    if wanted not in (CHEAPEST, *table.part_number):
        return f"no {wanted} is in the catalogs"
    if not count:
        of = "no part of the catalogs makes" if wanted == CHEAPEST else f"{wanted} does not make"
        return f"{of} {value}, alone or in parallel"
    reasons = ", ".join(f"{number} on {why}" for why, number in fell.items() if number)
    return f"none of {count} choices of {value} will do: {reasons}"
