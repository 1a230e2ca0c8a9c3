"""Every limit a design must keep, as values against what is allowed, in every lane it applies to.

One list serves the options (choices at one position) and the verification (complete sets), so
that a limit cannot be forgotten in one of them; the tests switch each one on and watch it bite.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer import derating, loop, parameters, service
from optimizer.assembly import Physics
from optimizer.evaluation import Coil, Scene, Sense
from optimizer.parameters import BY_COEFFICIENT
from optimizer.parts import board, capacitor, resistor
from optimizer.parts.bank import Bank
from optimizer.parts.bridge_records import HalfBridge
from optimizer.points_places import input_range
from optimizer.records import (
    REGION_DOWN,
    REGION_UP,
    BoolArray,
    FloatArray,
    IntArray,
    Leg,
    switch_kind,
)
from optimizer.stage import Stage
from optimizer.topologies.intervals import has_diode

DIODE_FORWARD = 1.0
"""Forward voltage of a diode in what the switch beside it sees, a preset [V]."""

JUNCTION = {"mosfet": "junction temperature", "diode": "diode junction temperature"}
"""Quantity under which the temperature of a switch is limited, by kind."""

ROUNDING = 1e-9
"""Relative slack for float noise at a limit."""


@dataclass(frozen=True, slots=True)
class Check:
    """One limit: `value` against `allowed`, both broadcasting to (n_choice, n_lane).

    applies : lanes it applies to, (n_lane,); at_least : the value must not fall below
    base : what the margin is measured from (ambient for temperatures), else 0
    subject : position or other name; quantity : what is limited; unit : SI
    cases : names of the last axis where it is not the lanes ("continuous", "transient")
    """

    subject: str
    quantity: str
    value: FloatArray
    allowed: FloatArray
    applies: BoolArray
    unit: str
    at_least: bool = False
    base: FloatArray | float = 0.0
    cases: tuple[str, ...] = ()

    def holds(self, among: BoolArray | None = None) -> BoolArray:
        """Whether each choice keeps the limit in every lane it applies to; NaN never does.

        among : the lanes that are looked at, as far as the limit applies there; None for all
        """
        slack = ROUNDING * np.abs(self.allowed)
        with np.errstate(invalid="ignore"):
            if self.at_least:
                kept = self.value >= self.allowed - slack
            else:
                kept = self.value <= self.allowed + slack
        asked = self.applies if among is None else self.applies & among
        return np.asarray((kept | ~asked).all(axis=-1))

    def margins(self) -> FloatArray:
        """Margin in every lane, NaN where the limit does not apply, (n_choice, n_lane).

        It has the sign of the room left, also where the limit lies below what it is measured from.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            room = self.value - self.allowed if self.at_least else self.allowed - self.value
            share = np.where(room == 0.0, 0.0, room / np.abs(self.allowed - self.base))
        # A value of NaN (runaway, dropout) fails by more than any number.
        share = np.where(np.isnan(self.value), -np.inf, share)
        return np.where(self.applies, share, np.nan)


def firm(stage: Stage) -> BoolArray:
    """Lanes where limits hold: the guaranteed set, transients included, (n_lane,)."""
    return stage.lanes.guaranteed


def steady(stage: Stage) -> BoolArray:
    """Lanes where heat, ripple and ripple current are limited: guaranteed and continuous."""
    return np.asarray(stage.lanes.guaranteed & ~stage.lanes.transient)


def worst_lanes(stage: Stage) -> BoolArray:
    """Lanes the worst-point loss is taken over: guaranteed, hot, continuous, full load."""
    lanes = stage.lanes
    hot = lanes.temp_ambient == stage.spec.ambient.temp_hot
    return np.asarray(steady(stage) & lanes.full_load & hot & (lanes.bracket == 1))


def temp_limit(stage: Stage, kind: str, rating: FloatArray, quantity: str) -> FloatArray:
    """Highest part temperature the policy and the spec allow [degC]."""
    one = derating.rule(stage.spec.derating_policy, kind, quantity)
    allowed = derating.allowed(one, rating=rating)
    return np.minimum(allowed, stage.spec.limits.temp_max.get(kind, np.inf))


def _heat(
    stage: Stage, subject: str, quantity: str, temp: FloatArray, limit: FloatArray
) -> Iterator[Check]:
    """Temperature of a part, and its rise where the spec limits the hottest part's."""
    ambient, lanes = stage.lanes.temp_ambient, steady(stage)
    yield Check(subject, quantity, temp, limit, lanes, "degC", base=ambient)
    rise = stage.spec.limits.rise_hottest
    if np.isfinite(rise):
        yield Check(subject, "rise over ambient", temp - ambient, np.array(rise), lanes, "K")


# --- positions ------------------------------------------------------------------------------------


def switches(
    found: Scene,
    leg: Leg,
    bridge: HalfBridge,
    control: IntArray | None,
    synchronous: IntArray | None,
) -> Iterator[Check]:
    """Junction temperatures of a half bridge, and the mean current of its diode if it has one.

    control, synchronous : rows of the choices; None leaves out what is said of that position
    """
    stage = found.stage
    for subject, rows, position in (
        (leg.control, control, bridge.control),
        (leg.synchronous, synchronous, bridge.synchronous),
    ):
        if rows is None:
            continue
        kind = switch_kind(subject)
        rating = stage.tables[kind].numbers["temp_junction_rating"][rows][:, None]
        limit = temp_limit(stage, kind, rating, "temp_junction")
        quantity = JUNCTION[kind]
        yield from _heat(stage, subject, quantity, position.temp_junction, limit)
        if kind == "diode":
            yield _rectifier_current(found, leg, rows)
    everywhere = np.ones(len(stage.lanes), dtype=bool)
    yield Check(leg.control, "finite loss", bridge.loss, np.array(np.inf), everywhere, "W")


def inductor(stage: Stage, found: Scene, coil: Coil) -> Iterator[Check]:
    """Temperature, ripple ratio, voltage of the inductor, and the times the controller needs."""
    lanes, wave = stage.lanes, found.wave
    parts, control = stage.inductors, stage.controller
    limit = temp_limit(stage, "inductor", parts.temp_part_rating[found.coil], "temp_part")
    yield from _heat(stage, "inductor", "part temperature", coil.temp, limit)
    ratio = wave.i_ripple[..., 0] / np.abs(wave.i_mean[..., 0])
    full = steady(stage) & lanes.full_load
    allowed = np.array(stage.spec.limits.ripple_ratio_max)
    yield Check("inductor", "ripple ratio", ratio, allowed, full, "1")
    one = derating.rule(stage.spec.derating_policy, "inductor", "voltage")
    volts = derating.allowed(
        one, rating=parts.v_winding_rating[found.coil], transient=lanes.transient
    )
    across = np.maximum(lanes.v_input, lanes.v_output)[None, :]
    yield Check("inductor", "winding voltage", across, volts, firm(stage), "V")
    wanted = stage.spec.loop.frequency_cross_min
    if wanted > 0.0:
        cross = crossover(stage, found)
        yield Check("inductor", "crossover", cross, np.array(wanted), full, "Hz", at_least=True)
    on, off = np.array(control.time_on_min), np.array(control.time_off_min)
    yield Check("controller", "on-time", wave.time_on_min, on, firm(stage), "s", at_least=True)
    yield Check("controller", "off-time", wave.time_off_min, off, firm(stage), "s", at_least=True)
    everywhere = np.ones(len(lanes), dtype=bool)
    yield Check("inductor", "finite loss", coil.loss, np.array(np.inf), everywhere, "W")


def _rectifier_current(found: Scene, leg: Leg, rows: IntArray) -> Check:
    """Mean current of the diode of a leg; `rows` of the diodes."""
    stage = found.stage
    one = derating.rule(stage.spec.derating_policy, "diode", "current")
    rating = stage.tables["diode"].numbers["i_forward_rating"][rows][:, None]
    mean = found.wave.position_mean[leg.synchronous]
    allowed = derating.allowed(one, rating=rating)
    return Check(leg.synchronous, "average current", mean, allowed, steady(stage), "A")


def light_load(stage: Stage, found: Scene) -> Iterator[Check]:
    """On-time at the points of the mission and the floors, where the current may rest.

    At light load the on-time of a resting current shrinks with the load; below what the
    controller can make it would skip pulses, which has no model here.
    """
    if not (stage.emulation or has_diode(stage.topology)):
        return
    least, named = np.array(stage.controller.time_on_min), np.asarray(stage.lanes.bracket == 0)
    value = found.wave.time_on_min
    yield Check("controller", "on-time at light load", value, least, named, "s", at_least=True)


def ripple_allowed(stage: Stage, temp_board: FloatArray, rows: IntArray | slice) -> FloatArray:
    """Ripple current one capacitor may carry, inf where no limit applies, (n_type, n_lane)."""
    policy, parts = stage.spec.derating_policy, stage.capacitors
    share = derating.rule(policy, "capacitor", "ripple_current").continuous
    rise = derating.rule(policy, "capacitor", "temp_rise").rise_max
    technology = np.array(stage.tables["capacitor"].texts["technology"])[rows]
    by_coefficient = np.isin(technology, BY_COEFFICIENT)[:, None]
    found = capacitor.i_ripple_allowed(
        i_ripple_rating=parts.i_ripple_rating[rows],
        share_allowed=np.array(share),
        coefficient_heating=parts.heating[rows],
        temp_board=temp_board,
        temp_core_limit=temp_limit(stage, "capacitor", parts.temp_part_rating[rows], "temp_part"),
        temp_rise_limit=np.where(by_coefficient, rise, np.inf),
    )
    return np.where(steady(stage)[None, :], found, np.inf)


def zero(found: Scene) -> FloatArray:
    """Right-half-plane zero, inf where the stage steps down, (n_set, n_lane) [Hz]."""
    job = found.operation
    of_coil = loop.frequency_zero(
        v_output=job.v_output,
        i_output=job.i_output,
        i_mean=found.wave.i_mean[..., 0],
        inductance=job.inductance,
    )
    return np.where(job.region == REGION_DOWN, np.inf, of_coil)


def crossover(stage: Stage, found: Scene) -> FloatArray:
    """Highest crossover the loop may have, (n_set, n_lane) [Hz]."""
    job, rules = found.operation, stage.spec.loop
    return loop.frequency_cross(
        frequency_zero=zero(found),
        share_zero=np.array(rules.share_zero),
        frequency=job.frequency,
        share_switching=np.array(rules.share_switching),
    )


def capacitance_needed(stage: Stage, found: Scene, node: str) -> FloatArray:
    """Capacitance a load step asks of a bank, 0 where none is asked, (n_set, n_lane) [F]."""
    rules, lanes = stage.spec.loop, stage.lanes
    asked = steady(stage) & lanes.full_load
    if node != "output" or rules.i_step <= 0.0:
        return np.zeros((1, len(lanes)))
    needed = loop.capacitance_step(
        i_step=np.array(rules.i_step),
        frequency_cross=crossover(stage, found),
        v_step=np.array(rules.v_step),
    )
    return np.where(asked, needed, 0.0)


COUPLING_RIPPLE = 0.05
"""Ripple of the coupling bank over the input, above which its voltage is not constant enough."""

CIRCULATING = 0.8 * 0.1
"""The ripple of a coupling bank drives a current round two windings on one core; of their own
ripple that is ripple/(8 duty v_input) (1 + coupling)/(1 - coupling), at most a tenth here."""


def ripple_voltage(found: Scene, node: str) -> FloatArray:
    """Ripple voltage allowed at a node, inf where no limit applies, (n_set, n_lane)."""
    stage, job = found.stage, found.operation
    limits = stage.spec.limits
    if node == "coupling":
        coupling = np.nan_to_num(stage.inductors.coupling[found.coil])
        duty = job.v_output / (job.v_input + job.v_output)
        model = np.minimum(COUPLING_RIPPLE, CIRCULATING * duty * (1 - coupling) / (1 + coupling))
        allowed = np.minimum(limits.v_ripple_coupling, model * job.v_input)
        return np.where(steady(stage), allowed, np.inf)
    one = limits.v_ripple_input if node == "input" else limits.v_ripple_output
    return np.where(steady(stage), one, np.inf)[None, :]


def capacitors(
    scene: Scene,
    node: str,
    found: Bank,
    chosen: tuple[IntArray, IntArray, IntArray, IntArray],
    needed: FloatArray,
) -> Iterator[Check]:
    """Ripple voltage of a node, ripple current of both types of its bank, and its capacitance.

    needed : capacitance a load step asks for, (n_set, n_lane) [F]
    """
    stage, temp_board = scene.stage, scene.state.temp_board
    lanes, subject = steady(stage), f"{node}-bank"
    volts = ripple_voltage(scene, node)
    if np.isfinite(volts).any():
        yield Check(subject, "ripple voltage", found.v_ripple, volts, lanes, "V")
    if (needed > 0.0).any():
        name = "capacitance for the load step"
        yield Check(subject, name, found.capacitance, needed, lanes, "F", at_least=True)
    first, _, second, _ = chosen
    allowed = ripple_allowed(stage, temp_board, first)
    yield Check(subject, "ripple current, first type", found.i_rms_first, allowed, lanes, "A")
    has = second >= 0
    if has.any():
        two = ripple_allowed(stage, temp_board, np.maximum(second, 0))
        two = np.where(has[:, None], two, np.inf)
        yield Check(subject, "ripple current, second type", found.i_rms_second, two, lanes, "A")
    yield from _bank_life(scene, subject, found, chosen)
    everywhere = np.ones(len(stage.lanes), dtype=bool)
    yield Check(subject, "finite loss", found.loss, np.array(np.inf), everywhere, "W")


MISSION = ("the mission",)
"""Name of the case of a limit on a sum over the mission."""


def _bank_life(
    scene: Scene, subject: str, found: Bank, chosen: tuple[IntArray, IntArray, IntArray, IntArray]
) -> Iterator[Check]:
    """Years both types of a bank last over the mission, where the spec asks for some."""
    asked, always = np.array(scene.stage.spec.life.years), np.array([True])
    if asked <= 0.0:
        return
    for name, years in zip(
        ("first", "second"), service.bank_years(scene, found, chosen), strict=True
    ):
        if not np.isinf(years).all():
            value, quantity = years[:, None], f"life, {name} type"
            yield Check(
                subject, quantity, value, asked, always, "years", at_least=True, cases=MISSION
            )


def sense_resistor(stage: Stage, found: Scene, sense: Sense, rows: IntArray) -> Iterator[Check]:
    """Power of the sense resistor against its derating line."""
    parts, policy = stage.resistors, stage.spec.derating_policy
    left = resistor.power_at_board(
        power_rating=parts.power_rating[rows],
        temp_board=found.state.temp_board,
        temp_power_derating=parts.temp_power_derating[rows],
        temp_part_rating=parts.temp_part_rating[rows],
    )
    allowed = derating.allowed(derating.rule(policy, "resistor", "power"), rating=left)
    lanes = steady(stage)
    yield Check("sense-resistor", "power", sense.loss_each, allowed, lanes, "W")
    yield from _sense_signal(stage, found, sense)
    limit = temp_limit(stage, "resistor", parts.temp_part_rating[rows], "temp_part")
    yield from _heat(stage, "sense-resistor", "part temperature", sense.temp, limit)


def _sense_signal(stage: Stage, found: Scene, sense: Sense) -> Iterator[Check]:
    """Ripple at the sense pins and the slope that must be added there, where the spec asks."""
    rules, lanes, job = stage.spec.loop, stage.lanes, found.operation
    ripple = found.wave.i_ripple[..., 0]
    full = steady(stage) & lanes.full_load
    if rules.v_sense_ripple_min > 0.0:
        top = full & (lanes.v_input >= lanes.v_input[full].max(initial=0.0))
        value, wanted = ripple * sense.resistance_low, np.array(rules.v_sense_ripple_min)
        yield Check("sense-resistor", "ripple", value, wanted, top, "V", at_least=True)
    if np.isfinite(rules.slope_compensation):
        up, down = current_slopes(found)
        value = loop.slope_needed(
            slope_up=up / job.inductance,
            slope_down=down / job.inductance,
            resistance=sense.resistance_high,
        )
        allowed = np.array(rules.slope_compensation)
        yield Check("sense-resistor", "slope", value, allowed, full, "V/s")


def current_slopes(found: Scene) -> tuple[FloatArray, FloatArray]:
    """Voltage across the coil while its current rises and falls, without drops [V].

    In the window the steepest rise and the steepest fall of its intervals are taken.
    """
    job = found.operation
    down = job.region == REGION_DOWN
    rising = np.where(down, job.v_input - job.v_output, job.v_input)
    falling = np.where(job.region == REGION_UP, job.v_output - job.v_input, job.v_output)
    return rising, falling


@dataclass(frozen=True, slots=True)
class Chain:
    """The current-limit chain, (n_choice,) each [A]: needed <= low, delayed <= saturation."""

    needed: FloatArray
    needed_lane: IntArray
    low: FloatArray
    high: FloatArray
    delayed: FloatArray
    saturation: FloatArray

    def holds(self) -> BoolArray:
        """Whether the chain closes at both ends."""
        with np.errstate(invalid="ignore"):
            return np.asarray((self.needed <= self.low) & (self.delayed <= self.saturation))


def chain(stage: Stage, found: Scene, coil: Coil, sense: Sense) -> Chain:
    """Close the limit chain over all lanes of the guaranteed set.

    The smallest limit uses the largest resistance of any lane; the largest limit adds what the
    current rises by in the delay at the highest winding voltage and the smallest inductance, and
    must stay below the saturation current of the hottest lane.
    """
    lanes, control = firm(stage), stage.controller
    peak = np.where(lanes, found.wave.i_peak[..., 0], -np.inf)
    job = found.operation
    low = resistor.i_limit_low(
        v_sense=np.array(control.v_sense_min),
        resistance=np.where(lanes, sense.resistance_high, -np.inf).max(axis=1),
    )
    least = np.where(lanes, sense.resistance_low, np.inf).min(axis=1)
    high = resistor.i_limit_low(v_sense=np.array(control.v_sense_max), resistance=least)
    volts = np.where(lanes, np.maximum(job.v_input, job.v_output), 0.0).max(axis=1)
    delayed = resistor.i_limit_high(
        v_sense=np.array(control.v_sense_max),
        resistance=least,
        v_inductor=volts,
        time_delay=np.array(control.time_sense_delay_max),
        inductance=np.where(lanes, job.inductance, np.inf).min(axis=1),
    )
    held = np.where(lanes, coil.i_saturation, np.inf).min(axis=1)
    shape = np.broadcast_shapes(peak.shape[:1], low.shape)
    return Chain(
        needed=np.broadcast_to(peak.max(axis=1), shape),
        needed_lane=np.broadcast_to(peak.argmax(axis=1), shape),
        low=np.broadcast_to(low, shape),
        high=np.broadcast_to(high, shape),
        delayed=np.broadcast_to(delayed, shape),
        saturation=np.broadcast_to(held, shape),
    )


# --- ratings that do not depend on the lane -------------------------------------------------------

DURATIONS = ("continuous", "transient")
BOTH = np.array([True, True])
LASTING = np.array([False, True])
"""Whether the transient share applies, per duration."""


def node_of(stage: Stage, position: str) -> str:
    """The node whose voltage a switch position sees."""
    legs = stage.topology.LEGS
    return next(leg.node for leg in legs if position in (leg.control, leg.synchronous))


def switch_ratings(stage: Stage, position: str, rows: IntArray | slice) -> Iterator[Check]:
    """Drain voltage with ringing and gate voltage of transistors, reverse voltage of diodes."""
    kind, policy = switch_kind(position), stage.spec.derating_policy
    numbers = stage.tables[kind].numbers
    volts = np.array(voltages(stage)[node_of(stage, position)])
    volts = volts * (1.0 + stage.spec.board.ringing_share)
    if kind == "diode":
        allowed = derating.allowed(
            derating.rule(policy, "diode", "voltage"),
            rating=numbers["v_reverse_rating"][rows][:, None],
            transient=LASTING,
        )
        value = np.broadcast_to(volts, allowed.shape)
        yield Check(position, "reverse voltage", value, allowed, BOTH, "V", cases=DURATIONS)
        return
    allowed = derating.allowed(
        derating.rule(policy, "mosfet", "voltage"),
        rating=numbers["v_drain_source_rating"][rows][:, None],
        transient=LASTING,
    )
    value = np.broadcast_to(volts, allowed.shape)
    yield Check(position, "drain voltage", value, allowed, BOTH, "V", cases=DURATIONS)
    gate = derating.allowed(
        derating.rule(policy, "mosfet", "gate_voltage"),
        rating=numbers["v_gate_source_rating"][rows][:, None],
    )
    drive = np.full_like(gate, stage.controller.v_drive_max)
    yield Check(position, "gate voltage", drive, gate, BOTH[:1], "V", cases=DURATIONS[:1])


def capacitor_ratings(stage: Stage, node: str, rows: IntArray) -> Iterator[Check]:
    """Voltage of capacitors at a node, each technology by its own rule."""
    table, policy = stage.tables["capacitor"], stage.spec.derating_policy
    rating = table.numbers["v_rating"]
    technology = np.array(table.texts["technology"])
    allowed = np.full((len(rows), 2), np.nan)
    for name in np.unique(technology[rows]):
        of_it = technology[rows] == name
        one = derating.rule(policy, "capacitor", "voltage", technology=str(name))
        allowed[of_it] = derating.allowed(
            one,
            rating=rating[rows][of_it][:, None],
            transient=LASTING,
            temp_ambient=stage.spec.ambient.temp_hot,
        )
    value = np.broadcast_to(np.array(voltages(stage)[node]), allowed.shape)
    yield Check(f"{node}-bank", "voltage", value, allowed, BOTH, "V", cases=DURATIONS)


def body_ratings(stage: Stage, kind: str, subject: str, rows: IntArray | slice) -> Iterator[Check]:
    """Height of the body and the coldest temperature a part may work at."""
    numbers, always = stage.tables[kind].numbers, np.array([True])
    height = numbers["height"][rows][:, None]
    limit = np.array(stage.spec.limits.height_max)
    if np.isfinite(limit):
        yield Check(subject, "height", height, limit, always, "m", cases=DURATIONS[:1])
    cold = np.full_like(height, stage.spec.ambient.temp_cold)
    least = numbers["temp_min"][rows][:, None]
    yield Check(
        subject,
        "coldest temperature",
        cold,
        least,
        always,
        "degC",
        at_least=True,
        base=least - 100.0,
        cases=DURATIONS[:1],
    )


def body_area(stage: Stage, kind: str) -> FloatArray:
    """Room one piece of each part takes on the board, margin included [m2], (n_part,)."""
    return parameters.body_area(stage.tables[kind], stage.spec.pads.area_margin)


# --- complete sets --------------------------------------------------------------------------------


def voltages(stage: Stage) -> dict[str, tuple[float, float]]:
    """Highest voltage at each node, (continuous, transient) [V], without ringing.

    The switches between two coils see input and output together, the forward voltage of a diode
    and half of the ripple of the capacitor between the coils.
    A transient that lasts long counts as continuous; the output's transient is its highest
    over-voltage threshold.
    """
    source, top = stage.spec.source, stage.spec.load.v_highest
    _, v_max, _, v_transient_max = input_range(stage.spec)
    v_max = max(v_max, source.v_idle_max)
    highest = v_max, max(v_transient_max, v_max, source.v_survive_max)
    output = top, max(stage.controller.v_overvoltage_max, top)
    found = {"input": highest, "output": output}
    if stage.two_coils:
        wave = 0.5 * min(COUPLING_RIPPLE * v_max, stage.spec.limits.v_ripple_coupling)
        found["coupling"] = (highest[0] + wave, highest[1] + wave)
        forward = DIODE_FORWARD if has_diode(stage.topology) else 0.0
        both = (one + other + wave + forward for one, other in zip(highest, output, strict=True))
        found["both"] = (next(both), next(both))
    return found


def drive_allowed(stage: Stage) -> FloatArray:
    """Largest drive current, from the regulator's limit and from its heat, (n_lane,) [A]."""
    control, lanes = stage.controller, stage.lanes
    drop = np.maximum(lanes.v_input - control.v_drive_min, 1e-9)
    by_heat = control.loss_drive_limit / drop
    return np.where(firm(stage), np.minimum(control.i_drive_limit, by_heat), np.inf)


def loss_allowed(stage: Stage) -> FloatArray:
    """Largest total loss: ceiling in sizing lanes, floor in named lanes, inf elsewhere [W]."""
    lanes = stage.lanes
    power = lanes.v_output * lanes.i_output
    floor = np.where(
        np.isnan(lanes.efficiency_floor), np.inf, power * (1.0 / lanes.efficiency_floor - 1.0)
    )
    ceiling = np.where(steady(stage) & lanes.full_load, lanes.loss_ceiling, np.inf)
    return np.minimum(floor, np.where(stage.sizing, ceiling, np.inf))


def whole(stage: Stage, result: Physics) -> Iterator[Check]:
    """Limits on sums over the whole set."""
    lanes = stage.lanes
    allowed = loss_allowed(stage)
    floors = ~np.isnan(lanes.efficiency_floor)
    sizing = np.isfinite(allowed) & ~floors
    yield Check("whole set", "loss under the ceiling", result.total, allowed, sizing, "W")
    if floors.any():
        yield Check("whole set", "loss under the floor", result.total, allowed, floors, "W")
    limit = drive_allowed(stage)
    yield Check("controller", "drive current", result.i_drive, limit, np.isfinite(limit), "A")
    yield Check("whole set", "thermal gain row", result.gain, np.array(1.0), steady(stage), "1")


def regulator_heat(stage: Stage, i_drive: FloatArray) -> FloatArray:
    """Heat of the drive regulator [W], (n_set, n_lane)."""
    return board.loss_drive_regulator(
        v_input=stage.lanes.v_input,
        v_drive=np.array(stage.controller.v_drive_min),
        i_drive=i_drive,
        i_quiescent=np.array(0.0),
    )
