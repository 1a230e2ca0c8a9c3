"""Full evaluation of complete part sets: at a given state (judge) or at their own (verify).

Nothing here reads a coefficient of the decision: it shares only physics and limits with the
options, so that brute force through this room can catch an error in all the others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer import assembly, buying, evaluation, limits
from optimizer.assembly import Physics, Sets
from optimizer.evaluation import Scene
from optimizer.limits import Chain, Check
from optimizer.records import BoolArray, FloatArray, IntArray, State, switch_kind
from optimizer.stage import Stage


@dataclass(frozen=True, slots=True)
class Reference:
    """The state the objective is taken at, one per skeleton (frequency, inductor).

    frequency, coil : (n_set,); state and i_mean (mean inductor current) : (n_set, n_lane), of
    which only the lanes that are not sizing lanes are used
    """

    frequency: FloatArray
    coil: IntArray
    state: State
    i_mean: FloatArray


@dataclass(frozen=True, slots=True)
class Judged:
    """Complete sets at a given state, (n_set,) each: the two objectives [W] and the verdict."""

    loss_mission: FloatArray
    loss_worst: FloatArray
    feasible: BoolArray


def reference_of(stage: Stage, sets: Sets) -> Reference:
    """The own states of one reference set per skeleton, to be used for all its other sets."""
    result = assembly.own_physics(stage, sets, ripple=False)
    state = assembly.next_state(result)
    return Reference(sets.frequency, sets.coil, state, evaluation.i_bias(result.scene.wave))


def taken_over(own: Reference, given: Reference) -> Reference:
    """The skeletons of `own`, at the states of `given` where it names them (same lanes)."""
    known = {key: k for k, key in enumerate(_keys(given))}
    row = np.array([known.get(key, -1) for key in _keys(own)], dtype=np.int64)
    held = (row >= 0)[:, None]

    def mixed(one: FloatArray, other: FloatArray) -> FloatArray:
        return np.where(held, other[np.maximum(row, 0)], one) if len(other) else one

    one, other = own.state, given.state
    state = State(
        resistance_series=mixed(one.resistance_series, other.resistance_series),
        resistance={p: mixed(v, other.resistance[p]) for p, v in one.resistance.items()},
        i_input_extra=mixed(one.i_input_extra, other.i_input_extra),
        i_output_extra=mixed(one.i_output_extra, other.i_output_extra),
        temp_board=mixed(one.temp_board, other.temp_board),
        drop={p: mixed(v, other.drop[p]) for p, v in one.drop.items()},
    )
    return Reference(own.frequency, own.coil, state, mixed(own.i_mean, given.i_mean))


def reference_rows(reference: Reference, rows: IntArray) -> Reference:
    """Some skeletons of a reference."""
    state = reference.state
    return Reference(
        reference.frequency[rows],
        reference.coil[rows],
        State(
            resistance_series=state.resistance_series[rows],
            resistance={p: value[rows] for p, value in state.resistance.items()},
            i_input_extra=state.i_input_extra[rows],
            i_output_extra=state.i_output_extra[rows],
            temp_board=state.temp_board[rows],
            drop={p: value[rows] for p, value in state.drop.items()},
        ),
        reference.i_mean[rows],
    )


def _keys(reference: Reference) -> Iterator[tuple[int, int]]:
    """Frequency in hertz and row of the inductor of each skeleton."""
    for frequency, coil in zip(reference.frequency, reference.coil, strict=True):
        yield round(float(frequency)), int(coil)


def given_scene(stage: Stage, reference: Reference, *, spectrum: bool = True) -> Scene:
    """Waveforms of each skeleton: sizing lanes at their bracket, the others at the reference."""
    sized = evaluation.sizing_scene(stage, reference.frequency, reference.coil, spectrum=False)
    held = stage.sizing[None, :]
    i_mean = np.where(held, evaluation.i_bias(sized.wave), reference.i_mean)
    state = _mixed(held, sized.state, reference.state)
    job = evaluation.operation(stage, reference.frequency, reference.coil, i_mean)
    return evaluation.scene(stage, reference.coil, job, state, spectrum=spectrum)


def _mixed(held: BoolArray, one: State, other: State) -> State:
    """`one` where `held`, else `other`."""
    return State(
        resistance_series=np.where(held, one.resistance_series, other.resistance_series),
        resistance={
            p: np.where(held, value, other.resistance[p]) for p, value in one.resistance.items()
        },
        i_input_extra=np.where(held, one.i_input_extra, other.i_input_extra),
        i_output_extra=np.where(held, one.i_output_extra, other.i_output_extra),
        temp_board=np.where(held, one.temp_board, other.temp_board),
        drop={p: np.where(held, value, other.drop[p]) for p, value in one.drop.items()},
    )


def judge(found: Scene, sets: Sets) -> Judged:
    """Objectives and verdict of sets under a given scene (one row per set)."""
    result = assembly.evaluate(found, sets)
    verdict = np.ones(len(sets), dtype=bool)
    for check in checks(result, sets):
        verdict &= check.holds()
    verdict &= limits.chain(found.stage, found, result.coil, result.sense).holds()
    return Judged(*objectives(result), verdict)


def objectives(result: Physics) -> tuple[FloatArray, FloatArray]:
    """Mission-weighted and worst-point loss of each set [W], (n_set,) each."""
    stage = result.scene.stage
    worst = limits.worst_lanes(stage)
    share = stage.lanes.share
    weighed = share > 0
    mission = result.total[:, weighed] @ share[weighed]
    return mission, result.total[:, worst].max(axis=1, initial=0.0)


def checks(result: Physics, sets: Sets) -> Iterator[Check]:
    """Every limit of complete sets except the limit chain."""
    found, stage = result.scene, result.scene.stage
    for leg in stage.topology.LEGS:
        rows = [sets.transistor[p][0] for p in (leg.control, leg.synchronous)]
        yield from limits.switches(found, leg, result.bridges[leg.name], *rows)
    for position, (rows_at, _) in sets.transistor.items():
        yield from limits.switch_ratings(stage, position, rows_at)
        yield from limits.body_ratings(stage, switch_kind(position), position, rows_at)
    yield from limits.inductor(stage, found, result.coil)
    yield from limits.light_load(stage, found)
    yield from limits.body_ratings(stage, "inductor", "inductor", sets.coil)
    for node, chosen in sets.bank.items():
        yield from _bank_checks(result, node, chosen)
    yield from limits.sense_resistor(stage, found, result.sense, sets.sense[0])
    yield from limits.body_ratings(stage, "resistor", "sense-resistor", sets.sense[0])
    yield from limits.whole(stage, result)
    area = np.array(stage.spec.limits.area_max)
    if np.isfinite(area):
        used = areas(stage, sets)[:, None]
        always = np.array([True])
        yield Check("whole set", "area", used, area, always, "m2", cases=limits.DURATIONS[:1])


def _bank_checks(
    result: Physics, node: str, chosen: tuple[IntArray, IntArray, IntArray, IntArray]
) -> Iterator[Check]:
    found, stage = result.scene, result.scene.stage
    needed = limits.capacitance_needed(stage, found, node)
    yield from limits.capacitors(found, node, result.banks[node], chosen, needed)
    first, _, second, _ = chosen
    for rows in (first, np.where(second < 0, first, second)):
        yield from limits.capacitor_ratings(stage, node, rows)
        yield from limits.body_ratings(stage, "capacitor", f"{node}-bank", rows)


def areas(stage: Stage, sets: Sets) -> FloatArray:
    """Room all parts of each set take on the board [m2], (n_set,)."""
    body = {kind: limits.body_area(stage, kind) for kind in stage.tables}
    used = body["inductor"][sets.coil] * stage.coil_pieces(sets.coil)
    used = used + body["resistor"][sets.sense[0]] * sets.sense[1]
    for position, (rows, pieces) in sets.transistor.items():
        used = used + body[switch_kind(position)][rows] * pieces
    for first, first_pieces, second, second_pieces in sets.bank.values():
        used = used + body["capacitor"][first] * first_pieces
        more = body["capacitor"][np.maximum(second, 0)] * second_pieces
        used = used + np.where(second < 0, 0.0, more)
    charge = buying.charge_of(stage.spec, stage.tables)
    return np.asarray(used + (0.0 if charge is None else charge.area))


def limit_chain(result: Physics) -> Chain:
    """The limit chain of each set."""
    return limits.chain(result.scene.stage, result.scene, result.coil, result.sense)
