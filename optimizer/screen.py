"""Which (frequency, inductor) skeletons of a topology pass their own limits; banks beside one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer import evaluation, limits, parameters, service
from optimizer.buying import Prices
from optimizer.errors import Watch, go_on
from optimizer.evaluation import Scene
from optimizer.limits import Check
from optimizer.parts import bank_choice, bank_mix
from optimizer.parts.bank_cascade import Fits
from optimizer.parts.bank_choice import BankDuty, BankLife, BankLimits
from optimizer.parts.bridge_records import Mosfet
from optimizer.parts.diode import Diode
from optimizer.pool import Pool, pieces_wanted
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
    Waterfall,
    switch_kind,
)
from optimizer.stage import Stage, build_stage, lanes_where

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
    rows, pieces = np.repeat(found.sense, len(count)), np.tile(count, len(found.sense))
    keep = pieces_wanted(stage, "sense-resistor", pieces)
    return rows[keep], pieces[keep]


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


def bank_limits(
    scene: Scene, node: str, rows: IntArray, lanes: IntArray, *, lasting: bool = False
) -> BankLimits:
    """Limits of a bank in the same lanes.

    lasting : also the life over the mission, where the state of its lanes is the one it is judged
        at; a scene at the sizing state alone leaves it out, which lets more banks pass
    """
    stage = scene.stage
    allowed = limits.ripple_allowed(stage, scene.state.temp_board[:1], rows)
    return BankLimits(
        v_ripple=limits.ripple_voltage(scene, node)[0, lanes],
        i_ripple=np.broadcast_to(allowed, (len(rows), len(stage.lanes)))[:, lanes],
        capacitance_min=limits.capacitance_needed(stage, scene, node)[0, lanes],
        life=_bank_life(scene, node, rows) if lasting and stage.spec.life.years > 0.0 else None,
    )


def _bank_life(scene: Scene, node: str, rows: IntArray) -> BankLife:
    """The life asked of the banks of a skeleton."""
    lanes, share = service.mission(scene.stage)
    return BankLife(
        duty=bank_duty(scene, node, rows, lanes),
        wear=service.wear(scene.stage, rows),
        temp_board=scene.state.temp_board[0, lanes],
        share=share,
        needed=service.needed(scene.stage),
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
    lasting: bool = False,
    fits: Fits | None = None,
    watch: Watch = go_on,
) -> tuple[int, int, int, int] | None:
    """The cheapest bank of one or two types that passes, or None.

    lasting : as in `bank_limits`
    fits : which banks of two types are allowed; then none of one type is looked at
    watch : called often; raises where the search is to end
    """
    sizing = np.flatnonzero(limits.steady(scene.stage))
    duty = bank_duty(scene, node, rows, sizing)
    limit = bank_limits(scene, node, rows, sizing, lasting=lasting)
    usable = bank_choice.usable_types(duty, duty, limit)
    banks = every_bank(np.where(usable[:, None], cost, bank_choice.NOT_OFFERED))
    single = None
    singles = int(usable.sum()) * (cost.shape[1] - 1) if fits is None else 0
    for start in range(0, singles, CHUNK):
        watch()
        some = {name: values[start : start + CHUNK] for name, values in banks.items()}
        met = bank_choice.verdicts(duty=duty, limits=limit, **some)
        keep = np.flatnonzero(np.logical_and.reduce(list(met.values())))
        if len(keep):
            single = int(some["first"][keep[0]]), int(some["first_pieces"][keep[0]]), -1, 0
            break
    if types_max < 2:
        return single
    known = [] if single is None else [int(cost[single[0], single[1]])]
    mixed = bank_mix.mixed_options(
        objective=duty,
        weight=np.zeros(len(sizing)),
        sizing=duty,
        limits=limit,
        cost=np.where(usable[:, None], cost, bank_choice.NOT_OFFERED),
        single_cost=np.array(known, dtype=np.int64),
        single_loss=np.zeros(len(known)),
        cost_max=known[0] - 1 if known else None,
        fits=fits,
        watch=watch,
    )
    if not len(mixed.cost):
        return single
    best = int(np.argmin(mixed.cost))
    columns = (mixed.first, mixed.first_pieces, mixed.second, mixed.second_pieces)
    one, one_pieces, two, two_pieces = (int(column[best]) for column in columns)
    return one, one_pieces, two, two_pieces


# --- switches -------------------------------------------------------------------------------------


def switch_choices(stage: Stage, found: Pool, position: str) -> tuple[IntArray, IntArray]:
    """Every transistor of a position in every number of parallel pieces: rows and pieces.

    Diodes stand alone: of two in parallel the warmer one has the lower forward voltage and takes
    the current.
    """
    rows = found.transistor[position]
    alone = switch_kind(position) == "diode"
    count = np.arange(1, 2 if alone else stage.spec.choice.transistors_parallel_max + 1)
    return np.repeat(rows, len(count)), np.tile(count, len(rows))


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


def keeps_limits_alone(
    scene: Scene, leg: Leg, position: str, choices: tuple[IntArray, IntArray]
) -> BoolArray:
    """Which choices at one position of a leg may keep their limits, (n_choice,).

    Whatever stands beside them: asked beside a partner without charges, in the lanes where that
    makes them coolest.
    """
    stage, hard = scene.stage, evaluation.hard_edges(scene, leg)
    ideal = (
        evaluation.ideal_rectifier(stage, leg)
        if position == leg.control
        else parameters.without_charges(stage.mosfets)
    )
    keep = np.ones(len(choices[0]), dtype=bool)
    for check in switch_checks(scene, leg, position, choices, ideal):
        keep &= check.holds() if check.cases else check.holds(hard)
    return keep


def coil_costs(stage: Stage, prices: Prices) -> IntArray:
    """Cost of every inductor in the pieces the stage takes, bought for this place alone."""
    rows = np.arange(len(stage.tables["inductor"]))
    return np.asarray(prices.alone("inductor")[rows, stage.coil_pieces(rows)])
