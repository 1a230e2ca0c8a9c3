"""What a verification and a run say: records that the archive keeps and the report prints.

Everything here is plain data (strings, numbers, tuples, mappings), so that `as_plain` turns a
whole run into JSON and the report can be redrawn without physics or solver.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.records import FloatArray, Lanes, Note, Waterfall
from optimizer.results_evidence import Evidence, Shape


@dataclass(frozen=True, slots=True)
class PartSet:
    """One complete part set by part numbers.

    transistors : position -> (part number, pieces)
    bank_input, bank_output, bank_coupling : one or two (part number, pieces); none between two
        coils where there is one
    sense : (part number, pieces); inductor_pieces : two where a stage takes two coils
    """

    topology: str
    frequency: float
    inductor: str
    transistors: Mapping[str, tuple[str, int]]
    bank_input: tuple[tuple[str, int], ...]
    bank_output: tuple[tuple[str, int], ...]
    sense: tuple[str, int]
    bank_coupling: tuple[tuple[str, int], ...] = ()
    inductor_pieces: int = 1

    def bank(self, node: str) -> tuple[tuple[str, int], ...]:
        """The bank of a node."""
        banks = {"input": self.bank_input, "output": self.bank_output}
        return banks.get(node, self.bank_coupling)


@dataclass(frozen=True, slots=True)
class BillLine:
    """One line of a parts list at the build quantity; prices in the currency of the run."""

    positions: tuple[str, ...]
    kind: str
    part_number: str
    maker: str
    pieces: int
    quantity: int
    unit_price: float
    line_price: float
    excess: int
    land_pattern: str
    status: str
    stock: float
    lead_time_weeks: float
    filled: tuple[str, ...]
    place: str


@dataclass(frozen=True, slots=True)
class Margin:
    """One limit at its worst operating point. margin = (allowed - worst)/allowed; for temperatures
    (limit - T)/(limit - ambient). `unit` is SI ("V", "A", "degC", "s", "W"), of life "years";
    `at_least` marks a lower limit (margin = (worst - allowed)/allowed)."""

    subject: str
    part_number: str
    quantity: str
    at: str
    parameter_set: str
    value: float
    allowed: float
    unit: str
    margin: float
    transient: bool = False
    at_least: bool = False

    @property
    def passes(self) -> bool:
        """Whether the limit holds (to rounding)."""
        return bool(self.margin >= -1e-9)


@dataclass(frozen=True, slots=True)
class LimitChain:
    """needed peak <= smallest limit <= largest limit (with delay) <= hot saturation [A]."""

    i_peak_needed: float
    i_peak_at: str
    i_limit_min: float
    i_limit_max: float
    i_limit_delayed: float
    i_saturation: float
    closes: bool


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One fault, or a question of service, and what becomes of the set.

    verdict : "holds", "fails", "outside" (this tool does not answer it: see the text), or
        "figure" where nothing is asked
    """

    fault: str
    verdict: str
    text: str


@dataclass(frozen=True, slots=True)
class Verified:
    """One part set, evaluated at its own state at every operating point.

    cost : per board, in the currency of the run; `bill` adds up to it with `cost_items`
    cost_items : name -> share of the cost per board (parts, line items, placement, controller)
    lanes : the operating points, n_lane; every array below is (n_lane,)
    losses : (subject, mechanism) -> loss [W]
    temps : subject -> hottest temperature [degC]
    waves : name -> value (i_mean, i_ripple, i_peak, i_valley, i_rms, duty_input, duty_output,
        v_ripple_input, v_ripple_output, v_step_input, v_step_output, i_bank_input, i_bank_output,
        thermal_gain and rms per position)
    balance_error : |input - output - losses| / input power
    loss_mission, loss_worst : the two objectives [W]; `loss_worst_at` names the point
    efficiency_named : name of point -> efficiency (expected set)
    life_years : of what wears out first over the mission, NaN where not known or nothing does
    life_of : bank and part that has it, "" where no part wears out
    failure_rate : mean over the mission, failures in 1e6 hours, NaN where not known
    faults : what becomes of the set under faults; only of marked points and of given boards
    """

    part_set: PartSet
    bill: tuple[BillLine, ...]
    cost: float
    cost_items: Mapping[str, float]
    lanes: Lanes
    losses: Mapping[tuple[str, str], FloatArray]
    temps: Mapping[str, FloatArray]
    waves: Mapping[str, FloatArray]
    power_input: FloatArray
    power_output: FloatArray
    loss_total: FloatArray
    efficiency: FloatArray
    balance_error: FloatArray
    loss_mission: float
    loss_worst: float
    loss_worst_at: str
    efficiency_named: Mapping[str, float]
    margins: tuple[Margin, ...]
    chain: LimitChain
    area: float
    height: float
    life_years: float
    life_of: str
    failure_rate: float
    faults: tuple[FaultLine, ...] = ()

    @property
    def failures(self) -> tuple[Margin, ...]:
        """The limits that do not hold, worst first."""
        return tuple(margin for margin in self.margins if not margin.passes)


@dataclass(frozen=True, slots=True)
class ChargeSense:
    """The resistor of the charge-current sense that a point goes with, where several are offered.

    resistance [ohm]; loss : in it, of the kind the front trades [W], part of the output power of
        the stage, so beside its loss
    i_end : set point of the end of charge; i_end_min, i_end_max : where it may lie [A]
    part : what of the catalogs it is, empty where its price is not counted
    """

    resistance: float
    loss: float
    i_end: float
    i_end_min: float
    i_end_max: float
    part: str = ""

    @property
    def error(self) -> float:
        """How far the end of charge may lie off its set point [A]."""
        return max(self.i_end_max - self.i_end, self.i_end - self.i_end_min)


@dataclass(frozen=True, slots=True)
class FrontPoint:
    """One point of a front: the proved integers, the verified set, and how far the two differ.

    proof : "merge", "merge+solver", "solver" or "" (not proved)
    bound : proved lower bound of the loss at this cost, at the reference state [W]
    loss_model : loss at the reference state [W], what the proof speaks of
    loss_difference : (own state - reference state) / reference state
    mark : "cheapest", "knee", "least loss", "cheapest that keeps all" (limits at its own state,
        where a cheaper point misses one) or ""
    tie : number of the group of points closer than the printed difference, -1 where alone
    evidence : what a detailed point keeps beside its figures, None for the others
    charge_sense : None where the spec names no choice of it
    """

    number: int
    cost: float
    loss_model: float
    bound: float
    proof: str
    loss_difference: float
    mark: str
    tie: int
    verified: Verified
    evidence: Evidence | None = None
    charge_sense: ChargeSense | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """A topology that was considered and cannot do the job, with the reason."""

    topology: str
    reason: str


@dataclass(frozen=True, slots=True)
class Run:
    """Everything one front run found and assumed.

    complete : every point proved, nothing left open; `not_proved` says what is not
    objective : "mission" or "worst-point"
    state_difference : largest |own - reference| / reference loss over the front
    stages : stage -> seconds
    counts : name -> number (parts read, choices, skeletons, options, points)
    shapes : `shape_name` -> intervals of its lanes, and the lanes of its efficiency curves
    """

    name: str
    title: str
    currency: str
    objective: str
    points: tuple[FrontPoint, ...]
    complete: bool
    engine: str
    not_proved: str
    state_difference: float
    refused: tuple[Refused, ...]
    waterfalls: tuple[Waterfall, ...]
    lanes_dropped: tuple[Note, ...]
    notes: tuple[Note, ...]
    echo: tuple[tuple[str, str, str], ...]
    stages: Mapping[str, float]
    counts: Mapping[str, int]
    hashes: Mapping[str, str]
    versions: Mapping[str, str]
    shapes: Mapping[str, Shape] = field(default_factory=dict)


def counted(value: float | None) -> float | int | None:
    """A number of pieces or weeks: without decimals where it has none, None where not known.

    >>> counted(2385.0), counted(0.5), counted(math.nan)
    (2385, 0.5, None)
    """
    if value is None or math.isnan(value):
        return None
    return int(value) if value == int(value) else value


def shape_name(topology: str, resistance: float | None = None) -> str:
    """Name of the shape of a point: its topology, and its charge-current sense [ohm] if it has
    one of several.

    >>> shape_name("buck"), shape_name("buck", 0.01)
    ('buck', 'buck, 10 mohm')
    """
    return topology if resistance is None else f"{topology}, {resistance * 1e3:g} mohm"


def part_set_of_plain(plain: Mapping[str, Any]) -> PartSet:
    """A part set read back from plain data."""

    def pair(entry: Sequence[Any]) -> tuple[str, int]:
        return str(entry[0]), int(entry[1])

    return PartSet(
        topology=plain["topology"],
        frequency=plain["frequency"],
        inductor=plain["inductor"],
        transistors={k: pair(v) for k, v in plain["transistors"].items()},
        bank_input=tuple(pair(v) for v in plain["bank_input"]),
        bank_output=tuple(pair(v) for v in plain["bank_output"]),
        sense=pair(plain["sense"]),
        bank_coupling=tuple(pair(v) for v in plain.get("bank_coupling", ())),
        inductor_pieces=int(plain.get("inductor_pieces", 1)),
    )


AS_THEY_ARE = frozenset((str, int, bool, type(None)))
"""Types of which JSON knows every value."""


@cache
def _names(kind: type[Any]) -> tuple[str, ...]:
    return tuple(item.name for item in fields(kind))


def as_plain(value: Any, tables: dict[int, Any] | None = None) -> Any:
    """Records, arrays and mappings as JSON-able data; NaN becomes None, tuple keys "a | b".

    tables : tables of operating points made plain already, by identity: many points share one
    """
    tables = {} if tables is None else tables
    kind: Any = type(value)
    if kind in AS_THEY_ARE:
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [item if type(item) in AS_THEY_ARE else as_plain(item, tables) for item in value]
    if isinstance(value, np.ndarray):
        return _plain_array(value)
    if isinstance(value, Mapping):
        return {_plain_key(key): as_plain(item, tables) for key, item in value.items()}
    if kind is Lanes and id(value) in tables:
        return tables[id(value)]
    if is_dataclass(value) and not isinstance(value, type):
        plain = {}
        for name in _names(kind):
            item = getattr(value, name)
            plain[name] = item if type(item) in AS_THEY_ARE else as_plain(item, tables)
        if kind is Lanes:
            tables[id(value)] = plain
        return plain
    if isinstance(value, np.generic):
        return as_plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _plain_array(values: NDArray[Any]) -> Any:
    """An array as lists, whole where it holds numbers only."""
    if values.dtype.kind in "biu":
        return values.tolist()
    if values.dtype.kind == "f":
        known = np.isfinite(values)
        if known.all():
            return values.tolist()
        plain = values.astype(object)
        plain[~known] = None
        return plain.tolist()
    return as_plain(values.tolist())


def _plain_key(key: Any) -> str:
    return " | ".join(str(part) for part in key) if isinstance(key, tuple) else str(key)
