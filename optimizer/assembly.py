"""Complete part sets: every position together, at a given state or at the set's own one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from optimizer import evaluation, waveforms
from optimizer.evaluation import Coil, Scene, Sense
from optimizer.parts import bank
from optimizer.parts.bridge_records import HalfBridge
from optimizer.records import DIODES, BoolArray, FloatArray, IntArray, State
from optimizer.stage import Stage

ITERATIONS_MAX = 200
CONVERGED = 1e-8
"""Rise of the total loss, as a share of it, from which one more secant step ends within 1e-11."""

LOSS_FIRST = 0.03
"""Share of the output power the own state starts from."""

FEEDBACK_MAX = 0.7
"""Share of its last rise up to which the rise of a loss is taken to go on falling like that."""


@dataclass(frozen=True, slots=True)
class Sets:
    """Complete part sets of one topology by catalog rows, (n_set,) each.

    transistor : position -> (row, pieces), for a diode its row in the table of diodes and one
    bank : node -> (row, pieces, second row or -1, second pieces)
    sense : (row, pieces)
    """

    frequency: FloatArray
    coil: IntArray
    coil_pieces: IntArray
    transistor: Mapping[str, tuple[IntArray, IntArray]]
    bank: Mapping[str, tuple[IntArray, IntArray, IntArray, IntArray]]
    sense: tuple[IntArray, IntArray]

    def __len__(self) -> int:
        return len(self.coil)

    def take(self, rows: IntArray | BoolArray) -> Sets:
        """Some of the sets."""
        return Sets(
            frequency=self.frequency[rows],
            coil=self.coil[rows],
            coil_pieces=self.coil_pieces[rows],
            transistor={p: (a[rows], n[rows]) for p, (a, n) in self.transistor.items()},
            bank={
                node: (a[rows], n[rows], b[rows], m[rows])
                for node, (a, n, b, m) in self.bank.items()
            },
            sense=(self.sense[0][rows], self.sense[1][rows]),
        )


@dataclass(frozen=True, slots=True)
class Physics:
    """Everything the sets do in every lane; arrays (n_set, n_lane).

    losses : (subject, mechanism) -> loss [W]; total : their sum
    fed : node -> power it delivers beside the conduction drops [W]
    gain : sum of the thermal-gain row, at most 1 where the demanded gain holds
    i_drive : current of the drive regulator, its own supply current included [A]
    """

    scene: Scene
    bridges: Mapping[str, HalfBridge]
    coil: Coil
    sense: Sense
    banks: Mapping[str, bank.Bank]
    losses: Mapping[tuple[str, str], FloatArray]
    total: FloatArray
    fed: Mapping[str, FloatArray]
    resistance: Mapping[str, FloatArray]
    gain: FloatArray
    i_drive: FloatArray


def evaluate(found: Scene, sets: Sets, *, ripple: bool = True) -> Physics:
    """All positions of the sets under the waveforms of `found`; no state is changed."""
    stage = found.stage
    bridges = {
        leg.name: evaluation.half_bridges(
            found,
            leg,
            evaluation.controls(stage, *sets.transistor[leg.control]),
            evaluation.rectifiers(stage, leg, *sets.transistor[leg.synchronous]),
        )
        for leg in stage.topology.LEGS
    }
    coil = evaluation.coils(found)
    sense = evaluation.senses(found, *sets.sense)
    banks = {
        node: evaluation.own_banks(found, node, *chosen, ripple=ripple)
        for node, chosen in sets.bank.items()
    }
    losses, resistance = _losses(found, bridges, coil, sense, banks)
    i_drive = stage.controller.i_quiescent + sum(
        (one.control.i_drive + one.synchronous.i_drive for one in bridges.values()),
        start=np.zeros(1),
    )
    return Physics(
        scene=found,
        bridges=bridges,
        coil=coil,
        sense=sense,
        banks=banks,
        losses=losses,
        total=np.sum(np.broadcast_arrays(*losses.values()), axis=0),
        fed=_fed(found, bridges, coil, banks),
        resistance=resistance,
        gain=coil.gain + sum((one.gain for one in bridges.values()), start=np.zeros(1)),
        i_drive=i_drive,
    )


def _losses(
    found: Scene,
    bridges: Mapping[str, HalfBridge],
    coil: Coil,
    sense: Sense,
    banks: Mapping[str, bank.Bank],
) -> tuple[dict[tuple[str, str], FloatArray], dict[str, FloatArray]]:
    """Losses by subject and mechanism, and the resistance each position puts into the path."""
    stage = found.stage
    losses: dict[tuple[str, str], FloatArray] = {}
    resistance: dict[str, FloatArray] = {}
    v_input, i_rms = found.operation.v_input, found.wave.i_rms[..., 0]
    for leg in stage.topology.LEGS:
        one = bridges[leg.name]
        for name, position in ((leg.control, one.control), (leg.synchronous, one.synchronous)):
            if name in DIODES:
                for mechanism, field in evaluation.MECHANISMS_DIODE.items():
                    losses[name, mechanism] = getattr(position, field)
                resistance[name] = position.resistance
                continue
            for mechanism, field in evaluation.MECHANISMS.items():
                losses[name, mechanism] = getattr(position, field)
            losses[name, "gate drive"] = v_input * position.i_drive
            square = found.wave.position_rms[name] ** 2
            with np.errstate(invalid="ignore", divide="ignore"):
                carried = position.loss_conduction / square
            resistance[name] = np.where(square > 0.0, carried, position.resistance)
    losses["inductor", "copper"] = coil.loss_copper
    losses["inductor", "ripple copper"] = coil.loss_ac
    losses["inductor", "core"] = coil.loss_core
    for node, one_bank in banks.items():
        losses[f"{node}-bank", "ripple"] = one_bank.loss
    losses["sense-resistor", "conduction"] = sense.loss
    if stage.two_coils:
        resistance[leg.control] = resistance[leg.control] + sense.resistance
    losses["board", "copper"] = stage.spec.board.resistance * i_rms * i_rms
    losses["controller", "supply"] = v_input * stage.controller.i_quiescent
    return losses, resistance


def _fed(
    found: Scene, bridges: Mapping[str, HalfBridge], coil: Coil, banks: Mapping[str, bank.Bank]
) -> dict[str, FloatArray]:
    """Power each node delivers beside the conduction drops [W].

    Added up from the positions, not from the table of losses: that the two agree is what the
    power balance checks.
    """
    fed = {node: one.loss for node, one in banks.items()}
    fed["input"] = fed["input"] + coil.loss_fed + fed.pop("coupling", 0.0)
    job = found.operation
    volts = {"input": job.v_input, "output": job.v_output}
    for leg in found.stage.topology.LEGS:
        one = bridges[leg.name]
        charge = one.control.loss_charge + one.synchronous.loss_charge
        for node in (leg.node,) if leg.node in volts else ("input", "output"):
            # A charge that falls through both voltages takes from each its share.
            share = 1.0 if node == leg.node else volts[node] / (job.v_input + job.v_output)
            fed[node] = fed[node] + share * charge
    return fed


def next_state(result: Physics) -> State:
    """The state these losses make: the fixed point of this is the set's own state."""
    found = result.scene
    job, board = found.operation, found.stage.spec.board
    supply = job.v_input * result.i_drive + found.wave.loss_ripple_conduction
    series = result.coil.resistance + board.resistance
    if not found.stage.two_coils:
        series = series + result.sense.resistance
    return State(
        resistance_series=series,
        resistance=result.resistance,
        i_input_extra=(result.fed["input"] + supply) / job.v_input,
        i_output_extra=result.fed["output"] / job.v_output,
        temp_board=found.stage.lanes.temp_ambient + board.board_k_per_w * _heating(result),
        drop={
            leg.synchronous: result.bridges[leg.name].synchronous.v_forward
            for leg in found.stage.topology.LEGS
            if leg.synchronous in DIODES
        }
        | dict(result.coil.drops),
    )


def _heating(result: Physics) -> FloatArray:
    """Loss that heats the board [W]: a transient is too short to heat it more than the continuous
    points of the guaranteed set do."""
    lanes, total = result.scene.stage.lanes, result.total
    lasting = lanes.guaranteed & ~lanes.transient
    if not (lanes.transient.any() and lasting.any()):
        return total
    most = np.fmax.reduce(total[:, lasting], axis=1)[:, None]
    return np.where(lanes.transient, np.fmin(total, most), total)


def balance_error(result: Physics) -> FloatArray:
    """|input - output - losses| over input power; the sides are computed apart, (n_set, n_lane)."""
    found = result.scene
    job = found.operation
    entering = job.v_input * (found.wave.i_input_mean + found.state.i_input_extra)
    return np.asarray(np.abs(entering - job.v_output * job.i_output - result.total) / entering)


def own_physics(stage: Stage, sets: Sets, *, ripple: bool = True) -> Physics:
    """The sets at their own state: losses feed back into currents and temperatures until they rest.

    By secant steps in each lane: a step is stretched by what ends the rise of the loss above the
    loss the state was made from. A set leaves as soon as all of its lanes rest. Lanes without a
    rest (runaway, dropout, a loss that goes to and fro) end as NaN.
    """
    job = evaluation.operation(stage, sets.frequency, sets.coil, None)
    state = waveforms.sizing_state(
        stage.topology,
        job,
        stage.controller.window,
        LOSS_FIRST * job.v_output * np.maximum(job.i_output, 1e-3),
        temp_board=stage.lanes.temp_ambient,
        emulation=stage.emulation,
    )
    loss: FloatArray = np.zeros((len(sets), len(stage.lanes)))
    before: _Made | None = None
    left, rested = np.arange(len(sets)), []
    for turn in range(ITERATIONS_MAX):
        some = sets.take(left)
        found = evaluation.scene(stage, some.coil, job, state)
        result = evaluate(found, some, ripple=False)
        i_mean = evaluation.i_bias(found.wave)
        made = _Made(result.total - loss, result.total, next_state(result), i_mean)
        ahead = _stretched(made, before or made)
        moving = np.abs(made.rise) > CONVERGED * np.abs(made.loss)
        if turn + 1 == ITERATIONS_MAX:
            ahead, moving = _lost(ahead, moving), np.zeros_like(moving)
        moves = np.asarray(moving.any(axis=1))
        rested.append((left[~moves], _rows(ahead, ~moves)))
        if not moves.any():
            break
        left, before, ahead = left[moves], _rows(made, moves), _rows(ahead, moves)
        loss, state = ahead.loss, ahead.state
        job = evaluation.operation(stage, sets.frequency[left], sets.coil[left], ahead.i_mean)
    order = np.argsort(np.concatenate([rows for rows, _ in rested]))
    own = _each(lambda *parts: np.concatenate(parts)[order], *(one for _, one in rested))
    job = evaluation.operation(stage, sets.frequency, sets.coil, own.i_mean)
    return evaluate(evaluation.scene(stage, sets.coil, job, own.state), sets, ripple=ripple)


@dataclass(frozen=True, slots=True)
class _Made:
    """What a state leads to, (n_set, n_lane): its loss and how far that is above the loss the state
    was made from [W], the state it makes, and the mean current of the coil [A]."""

    rise: FloatArray
    loss: FloatArray
    state: State
    i_mean: FloatArray


def _each(work: Callable[..., FloatArray], *records: Any) -> Any:
    """A record of what `work` makes of each array of equal records."""
    first = records[0]
    if isinstance(first, Mapping):
        return {name: _each(work, *(one[name] for one in records)) for name in first}
    if isinstance(first, _Made | State):
        names = [item.name for item in fields(first)]
        made = [_each(work, *(getattr(one, name) for one in records)) for name in names]
        return type(first)(*made)
    return work(*records)


def _rows(made: _Made, rows: BoolArray) -> _Made:
    """Some of the sets."""
    found: _Made = _each(lambda values: np.broadcast_to(values, made.loss.shape)[rows], made)
    return found


def _lost(made: _Made, moving: BoolArray) -> _Made:
    """NaN where the loss still moves."""
    found: _Made = _each(lambda values: np.where(moving, np.nan, values), made)
    return found


def _stretched(made: _Made, before: _Made) -> _Made:
    """The last step, longer by what would end the rise; as it is where the loss feeds back more
    than `FEEDBACK_MAX` of itself, as it does before it runs away."""
    with np.errstate(invalid="ignore", divide="ignore"):
        share = made.rise / before.rise
        step = np.where(np.abs(share) <= FEEDBACK_MAX, share / (1.0 - share), 0.0)

    def beyond(now: FloatArray, last: FloatArray) -> FloatArray:
        with np.errstate(invalid="ignore"):
            return np.where(step == 0.0, now, now + step * (now - last))

    found: _Made = _each(beyond, made, before)
    return found
