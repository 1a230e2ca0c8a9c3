"""What the detailed points of a front keep: waveforms, circuit, curves, derivations, alternates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from optimizer import assembly, evaluation
from optimizer.assembly import Physics, Sets
from optimizer.conclude_alternates import alternates_of
from optimizer.conclude_bill import sample_lines
from optimizer.conclude_derivations import derivations
from optimizer.conclude_figures import own_stage
from optimizer.conclude_sets import Chosen, stacked
from optimizer.parts import bank, board
from optimizer.points_sweep import sweep
from optimizer.records import DIODES, WINDINGS, BoolArray, FloatArray
from optimizer.results import Verified
from optimizer.results_evidence import Alternate, Branch, Circuit, Evidence, Shape, Traces
from optimizer.stage import Stage, build_stage
from optimizer.topologies.intervals import lane_table

SAMPLES = 240
"""Instants at which the ripple voltage is looked at before it is cut down to break points."""

SAG = 0.02
"""How far the ripple voltage may lie off its break points, a share of its peak-to-peak value."""

UNITS = 500
"""Steps the peak-to-peak ripple is kept in."""

SETS_AT_ONCE = 32


def evidence_of(
    stage: Stage, found: Sequence[Chosen], verified: Sequence[Verified]
) -> list[Evidence]:
    """Evidence of sets of one topology, in their order."""
    own, curves = own_stage(stage), sweep(stage.spec, stage.topology.NAME)
    wide = build_stage(stage.spec, stage.topology.NAME, lanes=curves.lanes, tables=stage.tables)
    alternates = alternates_of(own, found, verified)
    result: list[Evidence] = []
    for start in range(0, len(found), SETS_AT_ONCE):
        some = slice(start, start + SETS_AT_ONCE)
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            result += _evidence(own, wide, found[some], alternates[some])
    return result


def _evidence(
    own: Stage,
    wide: Stage,
    found: Sequence[Chosen],
    alternates: Sequence[Mapping[str, tuple[Alternate, ...]]],
) -> list[Evidence]:
    sets = stacked(found)
    result = assembly.own_physics(own, sets)
    curve = assembly.own_physics(wide, sets, ripple=False)
    power = wide.lanes.v_output * wide.lanes.i_output
    efficiency = board.efficiency(power_output=power, loss_total=curve.total)
    waves = {node: _ripple_waves(result, node, sets) for node in own.nodes}
    return [
        Evidence(
            derivations=derivations(result, sets, one, k),
            traces=_traces(result, waves, k),
            circuit=_circuit(result, sets, one, k),
            sweep_efficiency=np.broadcast_to(efficiency, curve.total.shape)[k],
            sweep_loss=curve.total[k],
            alternates=alternates[k],
            samples=sample_lines(own.spec, own.tables, one),
        )
        for k, one in enumerate(found)
    ]


# --- waveforms ------------------------------------------------------------------------------------


def _traces(result: Physics, waves: Mapping[str, FloatArray], k: int) -> Traces:
    wave = result.scene.wave
    start, end = wave.i_start[k], wave.i_end[k]
    currents = np.concatenate([start[:, :1].sum(axis=-1), end.sum(axis=-1)], axis=1)
    two = start.shape[-1] == 2
    return Traces(
        time_pattern=wave.time_pattern[k],
        duration=wave.duration[k],
        i_coil=currents,
        ripple={node: tuple(break_points(lanes[k])) for node, lanes in waves.items()},
        i_apart=(start[:, 0, 0] - start[:, 0, 1]) / 2.0 if two else np.zeros(0),
    )


def _ripple_waves(result: Physics, node: str, sets: Sets) -> FloatArray:
    """Ripple voltage of a node up to the harmonics of its bank, (n_set, n_lane, SAMPLES)."""
    found = result.scene
    first, pieces, second, more = sets.bank[node]
    omega = 2 * np.pi / found.wave.time_pattern[..., None] * np.arange(1, bank.HARMONICS + 1)
    total: FloatArray = np.zeros((1, 1, 1), dtype=np.complex128)
    for rows, count in ((first, pieces), (np.maximum(second, 0), np.where(second < 0, 0, more))):
        one = evaluation.branches(found, node, rows)
        g, b = bank.admittance(
            capacitance=one.capacitance[..., None],
            esr=one.esr[..., None],
            esl=one.esl[..., None],
            omega=omega,
        )
        # An absent type stands on row 0, whose values may be unknown here.
        total = total + np.where(count[:, None, None] > 0, count[:, None, None] * (g + 1j * b), 0.0)
    source = found.stage.source_branch if node == "input" else None
    if source is not None:
        total = total + 1 / (source.resistance[:, None] + 1j * omega * source.inductance[:, None])
    sign = -1.0 if node == "input" else 1.0
    volts = sign * found.spectrum[node] / total
    angle = 2 * np.pi * np.outer(np.arange(1, bank.HARMONICS + 1), np.arange(SAMPLES)) / SAMPLES
    return np.asarray(volts.real @ np.cos(angle) - volts.imag @ np.sin(angle))


def break_points(samples: FloatArray) -> list[tuple[float, ...]]:
    """Sampled periods, (n_wave, n_sample), as few break points each, straight between them.

    Returns for each the unit of the values, then pairs of whole numbers: thousandths of the period
    and units; nothing where the period is not known.

    >>> break_points(np.array([[0.0, 1.0, 2.0, 1.0]]))
    [(0.004, 0, 0, 500, 500, 1000, 0)]
    """
    values = np.concatenate([samples, samples[:, :1]], axis=1)
    known = np.isfinite(values).all(axis=1)
    values = np.where(known[:, None], values, 0.0)
    swing = np.ptp(values, axis=1)
    swing = np.where(swing > 0.0, swing, 1.0)
    kept, last = _kept(values, SAG * swing), values.shape[1] - 1
    found: list[tuple[float, ...]] = []
    for wave, keep, size, told in zip(values, kept, swing.tolist(), known.tolist(), strict=True):
        unit, at = float(f"{size / UNITS:.5g}"), np.flatnonzero(keep)
        pairs = np.rint(np.stack([1000 * at / last, wave[at] / unit], axis=1))
        found.append((unit, *pairs.ravel().astype(int).tolist()) if told else ())
    return found


def _kept(values: FloatArray, off_max: FloatArray) -> BoolArray:
    """Which samples to keep so that no other lies farther than `off_max` off the line between them.

    Ends and extremes are, then again and again the farthest between two neighbours, in all waves
    at once: they stand one after the other, and no sample lies between two of them.
    """
    row = np.arange(len(values))
    kept = np.zeros(values.shape, dtype=bool)
    for pick in (0, -1, values.argmax(axis=1), values.argmin(axis=1)):
        kept[row, pick] = True
    while len(row):  # waves that lie close enough everywhere leave
        flat, chosen = values[row].ravel(), kept[row].ravel()
        at = np.flatnonzero(chosen)
        span = np.append(np.diff(at), 1)
        rise = np.append(np.diff(flat[at]), 0.0) / span
        piece = np.repeat(np.arange(len(at)), span)
        off = np.abs(flat - flat[at][piece] - rise[piece] * (np.arange(flat.size) - at[piece]))
        most = np.maximum.reduceat(off, at)
        wave = at // values.shape[1]
        far = most > off_max[row][wave]
        worst = np.flatnonzero(far[piece] & (off == most[piece]))
        chosen[worst[np.unique(piece[worst], return_index=True)[1]]] = True
        kept[row] = chosen.reshape(-1, values.shape[1])
        row = row[np.unique(wave[far])]
    return kept


# --- circuit --------------------------------------------------------------------------------------


def _circuit(result: Physics, sets: Sets, one: Chosen, k: int) -> Circuit:
    found, shape = result.scene, result.total.shape

    def row(values: FloatArray) -> FloatArray:
        return np.asarray(np.broadcast_to(values, shape)[k])

    state, coupling = found.state, np.nan_to_num(found.stage.inductors.coupling[one.coil])
    resistance = {name: row(ohms) for name, ohms in state.resistance.items()}
    two = found.stage.two_coils
    if two:
        means = found.wave.winding_mean
        for number, name in enumerate(WINDINGS):
            resistance[name] = row(state.drop[name] / means[..., number])
    return Circuit(
        inductance=row(found.operation.inductance) * (2.0 / (1.0 + coupling[0]) if two else 1.0),
        resistance_series=row(state.resistance_series),
        resistance=resistance,
        i_input_extra=row(state.i_input_extra),
        i_output_extra=row(state.i_output_extra),
        i_input_mean=row(found.wave.i_input_mean),
        banks={node: _branches(result, sets, one, node, k) for node in found.stage.nodes},
        drop={name: row(volts) for name, volts in state.drop.items() if name in DIODES},
        coupling=row(coupling) if two else np.zeros(0),
    )


def _branches(result: Physics, sets: Sets, one: Chosen, node: str, k: int) -> tuple[Branch, ...]:
    """The types of a bank as branches of the circuit."""
    solved, numbers = result.banks[node], result.scene.stage.tables["capacitor"].part_number
    first, _, second, _ = sets.bank[node]
    currents = (solved.i_rms_first, solved.i_rms_second)
    found = []
    for turn, (row, pieces) in enumerate(one.bank[node]):
        rows = first if turn == 0 else np.maximum(second, 0)
        lone = evaluation.branches(result.scene, node, rows)
        found.append(
            Branch(
                part_number=numbers[row],
                pieces=pieces,
                capacitance=lone.capacitance[k],
                esr=lone.esr[k],
                esl=lone.esl[k],
                i_rms=currents[turn][k],
            )
        )
    return tuple(found)


# --- what holds for a topology --------------------------------------------------------------------


def shape_of(stage: Stage) -> Shape:
    """Intervals of every lane of a verification, and the lanes of the efficiency curves."""
    own, curves = own_stage(stage), sweep(stage.spec, stage.topology.NAME)
    window, emulation = stage.controller.window, stage.emulation
    table = lane_table(stage.topology, own.lanes.region, window, emulation=emulation)
    two = stage.two_coils
    nodes = {"input": table.input_current, "output": table.output_current}
    nodes |= {"coupling": table.coupling_current} if two else {}
    of_sum = {node: shares.mean(axis=-1).T for node, shares in nodes.items()}
    apart = {node: (shares[..., 0] - shares[..., -1]).T for node, shares in nodes.items()}
    apart |= {
        name: sign + 0.0 * of_sum["input"] for name, sign in zip(WINDINGS, (1.0, -1.0), strict=True)
    }
    return Shape(
        legs=tuple((leg.control, leg.synchronous, leg.node) for leg in stage.topology.LEGS),
        conducts={name: value[..., 0].T for name, value in table.conducts.items()},
        input_current=of_sum["input"],
        output_current=of_sum["output"],
        sweep_v_input=curves.lanes.v_input,
        sweep_load=curves.lanes.i_output / stage.spec.load.i_output,
        sweep_curve=curves.curve,
        curves=tuple((one.name, one.i_output, one.v_output) for one in curves.curves),
        sweep_region=curves.lanes.region.astype(np.float64),
        coupling_current=of_sum.get("coupling", np.zeros(0)),
        apart=apart if two else {},
        one_way=table.one_way.astype(np.float64),
    )
