"""Which (frequency, inductor) skeletons of a topology pass their own limits, and at which state."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer import evaluation, limits, parameters, verification
from optimizer.assembly import Sets
from optimizer.buying import Prices
from optimizer.evaluation import Scene
from optimizer.limits import Check
from optimizer.parts import bank_choice, bank_mix
from optimizer.parts.bank_choice import BankDuty, BankLimits
from optimizer.parts.bridge_records import Mosfet
from optimizer.parts.diode import Diode
from optimizer.pool import Pool
from optimizer.records import (
    BRACKET_CEILING,
    BRACKET_LOSSLESS,
    CORNER_FAST,
    CORNER_SLOW,
    BoolArray,
    Fall,
    FloatArray,
    IntArray,
    Leg,
    State,
    Waterfall,
    switch_kind,
)
from optimizer.stage import Stage, build_stage, lanes_where
from optimizer.topologies.intervals import windings
from optimizer.verification import Reference

CHUNK = 96
"""Banks tried at a time while looking for the cheapest that passes."""


@dataclass(frozen=True, slots=True)
class Screened:
    """Skeletons that pass: frequency and inductor row, (n_set,); with what fell before them."""

    frequency: FloatArray
    coil: IntArray
    waterfall: Waterfall


# --- limits of the skeleton itself ----------------------------------------------------------------


def screen(stage: Stage, found: Pool) -> Screened:
    """All frequencies times all inductors against the limits that need no other part.

    A few telling lanes go first; a skeleton that fails one of them fails, whatever the rest says.
    """
    grid = np.array(stage.controller.frequencies)
    frequency = np.repeat(grid, len(found.coil))
    coil = np.tile(found.coil, len(grid))
    falls: list[Fall] = []
    for mask in (_telling(stage), np.ones(len(stage.lanes), dtype=bool)):
        part = build_stage(
            stage.spec,
            stage.topology.NAME,
            lanes=lanes_where(stage.lanes, mask),
            tables=stage.tables,
        )
        passes = _pass(part, found, frequency, coil, falls)
        frequency, coil = frequency[passes], coil[passes]
    position = "inductor and frequency"
    offered = len(grid) * len(found.coil)
    return Screened(frequency, coil, Waterfall(position, offered, tuple(_joined(falls)), len(coil)))


def _telling(stage: Stage) -> BoolArray:
    """A few sizing lanes of every region at the ends of its inputs."""
    lanes = stage.lanes
    pick = np.zeros(len(lanes), dtype=bool)
    for region in np.unique(lanes.region):
        for corner, bracket in (
            (CORNER_SLOW, BRACKET_CEILING),
            (CORNER_FAST, BRACKET_LOSSLESS),
            (CORNER_FAST, BRACKET_CEILING),
        ):
            some = (lanes.region == region) & (lanes.corner == corner) & (lanes.bracket == bracket)
            some &= lanes.temp_ambient == stage.spec.ambient.temp_hot
            index = np.flatnonzero(some)
            if len(index):
                pick[index[np.argmin(lanes.v_input[index])]] = True
                pick[index[np.argmax(lanes.v_input[index])]] = True
    return pick


def _pass(
    stage: Stage, found: Pool, frequency: FloatArray, coil: IntArray, falls: list[Fall]
) -> BoolArray:
    """Which skeletons pass in the lanes of `stage`; appends what fell on what."""
    if not len(coil):
        return np.zeros(0, dtype=bool)
    scene = evaluation.sizing_scene(stage, frequency, coil, spectrum=False)
    coils = evaluation.coils(scene)
    alive = np.ones(len(coil), dtype=bool)
    tests = [(check.quantity, check.holds()) for check in limits.inductor(stage, scene, coils)]
    low, high = sense_range(stage, scene, coils)
    nominal = _sense_nominal(stage, found)
    closes = ((nominal >= low[:, None]) & (nominal <= high[:, None])).any(axis=1)
    tests.append(("limit chain: no sense resistor closes it", np.asarray(closes)))
    for reason, passes in tests:
        fell = int((alive & ~passes).sum())
        if fell:
            falls.append(Fall("inductor and frequency", reason, int(alive.sum()), fell))
        alive &= passes
    return alive


def _joined(falls: list[Fall]) -> list[Fall]:
    """Falls of both rounds, one line per reason, in the order they were first met."""
    reasons = dict.fromkeys(fall.reason for fall in falls)
    entered = 0
    joined = []
    for reason in reasons:
        same = [fall for fall in falls if fall.reason == reason]
        entered = max(fall.entered for fall in same)
        joined.append(Fall(same[0].position, reason, entered, sum(fall.fell for fall in same)))
    return joined


def sense_range(
    stage: Stage, scene: Scene, coils: evaluation.Coil
) -> tuple[FloatArray, FloatArray]:
    """Nominal resistance outside which no sense resistor can close the chain [ohm], (n_set,) each.

    The largest resistance is at least the nominal one and the smallest at most, so the range only
    leaves out what fails for certain.
    """
    lanes, control = limits.firm(stage), stage.controller
    with np.errstate(invalid="ignore", divide="ignore"):
        needed = np.where(lanes, scene.wave.i_peak[..., 0], -np.inf).max(axis=1)
        held = np.where(lanes, coils.i_saturation, np.inf).min(axis=1)
        volts = np.where(lanes, np.maximum(scene.operation.v_input, scene.operation.v_output), 0.0)
        least = np.where(lanes, scene.operation.inductance, np.inf).min(axis=1)
        rise = volts.max(axis=1) * control.time_sense_delay_max / least
        low = control.v_sense_max / np.where(held > rise, held - rise, np.nan)
        return np.where(np.isnan(low), np.inf, low), control.v_sense_min / needed


def sense_choices(stage: Stage, found: Pool) -> tuple[IntArray, IntArray]:
    """Every sense resistor in every number of parallel pieces: rows and pieces."""
    count = np.arange(1, stage.spec.choice.resistors_parallel_max + 1)
    return np.repeat(found.sense, len(count)), np.tile(count, len(found.sense))


def _sense_nominal(stage: Stage, found: Pool) -> FloatArray:
    rows, pieces = sense_choices(stage, found)
    return np.asarray(stage.resistors.resistance[rows, 0] / pieces)


def senses_that_close(
    stage: Stage, found: Pool, scene: Scene, coils: evaluation.Coil
) -> tuple[IntArray, IntArray]:
    """Sense resistors of one skeleton (a scene of one set) that keep all their limits."""
    rows, pieces = sense_choices(stage, found)
    low, high = sense_range(stage, scene, coils)
    nominal = stage.resistors.resistance[rows, 0] / pieces
    maybe = (nominal >= low[0]) & (nominal <= high[0])
    rows, pieces = rows[maybe], pieces[maybe]
    if not len(rows):
        return rows, pieces
    sense = evaluation.senses(scene, rows, pieces)
    keep = limits.chain(stage, scene, coils, sense).holds()
    for check in limits.sense_resistor(stage, scene, sense, rows):
        keep &= check.holds()
    return rows[keep], pieces[keep]


# --- banks ----------------------------------------------------------------------------------------


def bank_duty(scene: Scene, node: str, rows: IntArray, lanes: IntArray) -> BankDuty:
    """What a bank carries in some lanes of one skeleton, and how each type behaves there."""
    stage = scene.stage
    parts = parameters.take(stage.capacitors, rows)
    bias = evaluation.bank_bias(scene.operation, node)[:1]
    every = parameters.branches(
        parts, lanes=stage.lanes, v_bias=bias, temp_board=scene.state.temp_board[:1]
    )
    current = evaluation.bank_current(scene, node)
    source = stage.source_branch if node == "input" else None
    return BankDuty(
        harmonics=current["harmonics"][:, lanes],
        frequency=current["frequency"][:, lanes],
        i_rms_ac=current["i_rms_ac"][:, lanes],
        branches=type(every)(every.capacitance[:, lanes], every.esr[:, lanes], every.esl[:, lanes]),
        source=None
        if source is None
        else type(source)(source.resistance[lanes], source.inductance[lanes]),
    )


def bank_limits(scene: Scene, node: str, rows: IntArray, lanes: IntArray) -> BankLimits:
    """Limits of a bank in the same lanes."""
    stage = scene.stage
    allowed = limits.ripple_allowed(stage, scene.state.temp_board[:1], rows)
    return BankLimits(
        v_ripple=limits.ripple_voltage(scene, node)[0, lanes],
        i_ripple=np.broadcast_to(allowed, (len(rows), len(stage.lanes)))[:, lanes],
        capacitance_min=np.zeros(len(lanes)),
    )


def every_bank(cost: IntArray) -> dict[str, IntArray]:
    """Every bank of one type, as `bank_choice.verdicts` takes them, cheapest first.

    cost : of so many pieces of each type, (n_type, pieces_max + 1)
    """
    count = np.arange(1, cost.shape[1])
    first, pieces = np.repeat(np.arange(len(cost)), len(count)), np.tile(count, len(cost))
    order = np.argsort(cost[first, pieces], kind="stable")
    none = np.full(len(order), -1)
    return {
        "first": first[order],
        "first_pieces": pieces[order],
        "second": none,
        "second_pieces": none + 1,
    }


def cheapest_bank(
    scene: Scene,
    node: str,
    rows: IntArray,
    cost: IntArray,
    *,
    types_max: int,
    least: IntArray | None = None,
) -> tuple[int, int, int, int] | None:
    """The cheapest bank of one or two types that passes, or None.

    least : cost below which no bank that holds a type can pass, (n_type,)
    """
    sizing = np.flatnonzero(limits.steady(scene.stage))
    duty = bank_duty(scene, node, rows, sizing)
    limit = bank_limits(scene, node, rows, sizing)
    usable = bank_choice.usable_types(duty, duty, limit)
    banks = every_bank(np.where(usable[:, None], cost, bank_choice.NOT_OFFERED))
    single = None
    for start in range(0, int(usable.sum()) * (cost.shape[1] - 1), CHUNK):
        some = {name: values[start : start + CHUNK] for name, values in banks.items()}
        met = bank_choice.verdicts(duty=duty, limits=limit, **some)
        keep = np.flatnonzero(np.logical_and.reduce(list(met.values())))
        if len(keep):
            single = int(some["first"][keep[0]]), int(some["first_pieces"][keep[0]]), -1, 0
            break
    if types_max < 2:
        return single
    known = [] if single is None else [int(cost[single[0], single[1]])]
    if known and least is not None:
        usable = usable & (least < known[0])
    mixed = bank_mix.mixed_options(
        objective=duty,
        weight=np.zeros(len(sizing)),
        sizing=duty,
        limits=limit,
        cost=np.where(usable[:, None], cost, bank_choice.NOT_OFFERED),
        single_cost=np.array(known, dtype=np.int64),
        single_loss=np.zeros(len(known)),
        cost_max=known[0] - 1 if known else None,
    )
    if not len(mixed.cost):
        return single
    best = int(np.argmin(mixed.cost))
    columns = (mixed.first, mixed.first_pieces, mixed.second, mixed.second_pieces)
    one, one_pieces, two, two_pieces = (int(column[best]) for column in columns)
    return one, one_pieces, two, two_pieces


# --- the reference set of every skeleton ----------------------------------------------------------


def switch_choices(stage: Stage, found: Pool, position: str) -> tuple[IntArray, IntArray]:
    """Every transistor of a position in every number of parallel pieces: rows and pieces.

    Diodes stand alone: of two in parallel the warmer one has the lower forward voltage and takes
    the current.
    """
    rows = found.transistor[position]
    alone = switch_kind(position) == "diode"
    count = np.arange(1, 2 if alone else stage.spec.choice.transistors_parallel_max + 1)
    return np.repeat(rows, len(count)), np.tile(count, len(rows))


def _cheapest_leg(
    scene: Scene, found: Pool, prices: Prices, leg: Leg
) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """The cheapest synchronous transistor beside which a control passes, and its cheapest control.

    Controls that fail even beside an ideal partner are left out first; None when no pair passes.
    """
    stage = scene.stage
    ideal = parameters.without_charges(stage.mosfets)
    synchronous = _by_price(scene, found, prices, leg.synchronous)
    synchronous = _passing(scene, leg, leg.synchronous, synchronous, ideal)
    controls = _by_price(scene, found, prices, leg.control)
    if evaluation.always_hard(scene, leg):
        beside = evaluation.ideal_rectifier(stage, leg)
        controls = _passing(scene, leg, leg.control, controls, beside)
    for row, pieces in zip(*synchronous, strict=True):
        if not len(controls[0]):
            return None
        partner = evaluation.rectifiers(stage, leg, np.array([row]), np.array([pieces]))
        rows, counts = _passing(scene, leg, leg.control, controls, partner)
        if len(rows):
            return (int(rows[0]), int(counts[0])), (int(row), int(pieces))
    return None


def _by_price(
    scene: Scene, found: Pool, prices: Prices, position: str
) -> tuple[IntArray, IntArray]:
    """Transistors of a position in every number of pieces, cheapest first: rows and pieces."""
    rows, pieces = switch_choices(scene.stage, found, position)
    order = np.argsort(prices.alone(switch_kind(position))[rows, pieces], kind="stable")
    return rows[order], pieces[order]


def _passing(
    scene: Scene,
    leg: Leg,
    position: str,
    choices: tuple[IntArray, IntArray],
    partner: Mosfet | Diode,
) -> tuple[IntArray, IntArray]:
    """Of the choices at a position, those that keep their own limits beside a partner."""
    rows, pieces = choices
    if not len(rows):
        return choices
    keep = np.ones(len(rows), dtype=bool)
    for check in switch_checks(scene, leg, position, choices, partner):
        keep &= check.holds()
    return rows[keep], pieces[keep]


def switch_checks(
    scene: Scene,
    leg: Leg,
    position: str,
    choices: tuple[IntArray, IntArray],
    partner: Mosfet | Diode,
) -> Iterator[Check]:
    """What is asked of the choices at one position of a leg beside a partner."""
    if position == leg.control:
        own = evaluation.controls(scene.stage, *choices)
        bridge = evaluation.half_bridges(scene, leg, own, partner)
        return limits.switches(scene, leg, bridge, choices[0], None)
    assert isinstance(partner, Mosfet)
    other = evaluation.rectifiers(scene.stage, leg, *choices)
    bridge = evaluation.half_bridges(scene, leg, partner, other)
    return limits.switches(scene, leg, bridge, None, choices[0])


def reference_parts(
    stage: Stage, found: Pool, prices: Prices, frequency: float, coil: int
) -> Sets | None:
    """The reference set of one skeleton: at every position the cheapest part that passes."""
    scene = evaluation.sizing_scene(stage, np.array([frequency]), np.array([coil]))
    transistor: dict[str, tuple[IntArray, IntArray]] = {}
    for leg in stage.topology.LEGS:
        pair = _cheapest_leg(scene, found, prices, leg)
        if pair is None:
            return None
        for position, (row, pieces) in zip((leg.control, leg.synchronous), pair, strict=True):
            transistor[position] = (np.array([row]), np.array([pieces]))
    rules = stage.spec.choice
    alone = prices.alone("capacitor")[:, : rules.bank_pieces_max + 1]
    banks: dict[str, Any] = {}
    for node, rows in found.bank.items():
        one = cheapest_bank(scene, node, rows, alone[rows], types_max=rules.bank_types_max)
        if one is None:
            return None
        second = -1 if one[2] < 0 else int(rows[one[2]])
        columns = (int(rows[one[0]]), one[1], second, one[3])
        banks[node] = tuple(np.array([value]) for value in columns)
    sense, count = senses_that_close(stage, found, scene, evaluation.coils(scene))
    if not len(sense):
        return None
    best = np.array([np.argmin(prices.alone("resistor")[sense, count])])
    return Sets(
        frequency=np.array([frequency]),
        coil=np.array([coil]),
        coil_pieces=stage.coil_pieces(np.array([coil])),
        transistor=transistor,
        bank=banks,
        sense=(sense[best], count[best]),
    )


def coil_costs(stage: Stage, prices: Prices) -> IntArray:
    """Cost of every inductor in the pieces the stage takes, bought for this place alone."""
    rows = np.arange(len(stage.tables["inductor"]))
    return np.asarray(prices.alone("inductor")[rows, stage.coil_pieces(rows)])


def references(
    stage: Stage, found: Pool, prices: Prices, screened: Screened
) -> tuple[Reference, BoolArray]:
    """The reference state of every skeleton, and which skeletons have one, (n_set,).

    All skeletons of a frequency share the other parts of its cheapest feasible reference set and
    keep their own inductor. Where no skeleton of a frequency has a complete set, none can pass.
    """
    alone = coil_costs(stage, prices)
    kept = np.zeros(len(screened.coil), dtype=bool)
    parts = []
    for frequency in np.unique(screened.frequency):
        index = np.flatnonzero(screened.frequency == frequency)
        for one in index[np.argsort(alone[screened.coil[index]], kind="stable")]:
            common = reference_parts(stage, found, prices, frequency, int(screened.coil[one]))
            if common is not None:
                kept[index] = True
                parts.append(_with_coils(stage, common, frequency, screened.coil[index]))
                break
    if not parts:
        empty = np.zeros((0, len(stage.lanes)))
        names = stage.topology.POSITIONS
        drop = {p: empty for p in names if switch_kind(p) == "diode"}
        drop |= dict.fromkeys(windings(stage.topology), empty)
        state = State(empty, dict.fromkeys(names, empty), empty, empty, empty, drop)
        return Reference(np.zeros(0), np.zeros(0, dtype=np.int64), state, empty), kept
    return _reference_states(stage, parts), kept


def _with_coils(stage: Stage, common: Sets, frequency: float, coil: IntArray) -> Sets:
    """The set repeated with each of the inductors."""
    rows = np.zeros(len(coil), dtype=np.int64)
    many = common.take(rows)
    pieces = stage.coil_pieces(coil)
    return replace(many, frequency=np.full(len(coil), frequency), coil=coil, coil_pieces=pieces)


def _reference_states(stage: Stage, parts: list[Sets]) -> Reference:
    """Own states of the reference sets in the lanes that are not sizing lanes."""
    own = stage.lanes.bracket == 0
    part = build_stage(
        stage.spec, stage.topology.NAME, lanes=lanes_where(stage.lanes, own), tables=stage.tables
    )
    small = [verification.reference_of(part, sets) for sets in parts]
    lane = np.flatnonzero(own)

    def wide(values: list[FloatArray]) -> FloatArray:
        rows = np.concatenate(values)
        full = np.zeros((len(rows), len(own)))
        full[:, lane] = rows
        return full

    state = State(
        resistance_series=wide([one.state.resistance_series for one in small]),
        resistance={
            p: wide([one.state.resistance[p] for one in small]) for p in stage.topology.POSITIONS
        },
        i_input_extra=wide([one.state.i_input_extra for one in small]),
        i_output_extra=wide([one.state.i_output_extra for one in small]),
        temp_board=wide([one.state.temp_board for one in small]),
        drop={p: wide([one.state.drop[p] for one in small]) for p in small[0].state.drop},
    )
    return Reference(
        frequency=np.concatenate([one.frequency for one in small]),
        coil=np.concatenate([one.coil for one in small]),
        state=state,
        i_mean=wide([one.i_mean for one in small]),
    )
