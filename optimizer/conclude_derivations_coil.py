"""Where the numbers of the inductor come from: each where it is worst."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer import evaluation, parameters, spectra
from optimizer.conclude_inputs import Source
from optimizer.limits import firm, steady
from optimizer.parts import inductor
from optimizer.records import WINDINGS
from optimizer.results_evidence import PRESET, Derivation, Input

OF_TWO = ("input winding: ", "output winding: ")

ROUNDING = 1e-9
"""Share by which two changes of the current may differ and still be the same."""


@dataclass(frozen=True, slots=True)
class Winding:
    """The coil, or one winding of two coils, at one operating point.

    name : in front of its quantities, empty where there is one coil
    temp [degC]; dcr_20, hot : resistance at 20 degC and hot [ohm]; i_rms, i_mean [A]
    """

    name: str
    temp: float
    dcr_20: float
    hot: float
    i_rms: float
    i_mean: float


def coil_derivations(source: Source) -> Iterator[Derivation]:
    """Inductance, ripple, losses, temperature and hot saturation."""
    coil, wave, lanes = source.result.coil, source.result.scene.wave, steady(source.stage)
    lane = source.worst(source.row(coil.temp), lanes)
    parts = parameters.take(source.stage.inductors, np.array([source.one.coil]))
    found = windings_at(source, parts, lane)
    yield from _inductance(source, lane)
    yield from _ripple(source, source.worst(source.row(wave.i_ripple[..., 0]), lanes))
    for one in found:
        yield from _copper(source, lane, one)
        yield from _ripple_copper(source, lane, one)
    yield from _core(source, lane, 1.0 / source.row(wave.time_pattern)[lane])
    yield from _heat(source, lane, found, float(parts.rth[0, 0]))
    yield from _saturation(source, parts)


def windings_at(source: Source, parts: parameters.Inductors, lane: int) -> list[Winding]:
    """Every winding of the coils at a lane."""
    coil, wave = source.result.coil, source.result.scene.wave
    dcr_20 = float(np.broadcast_to(parts.dcr_20, (1, len(source.stage.lanes)))[0, lane])
    found = []
    for k, temps in enumerate(coil.temp_windings.values()):
        temp = float(source.row(temps)[lane])
        factor = inductor.copper_factor(temp_part=np.array(temp), temp_reference=np.array(20.0))
        found.append(
            Winding(
                name=OF_TWO[k] if source.stage.two_coils else "",
                temp=temp,
                dcr_20=dcr_20,
                hot=dcr_20 * float(factor),
                i_rms=float(source.row(wave.winding_rms[..., k])[lane]),
                i_mean=float(source.row(wave.winding_mean[..., k])[lane]),
            )
        )
    return found


def _copper(source: Source, lane: int, one: Winding) -> Iterator[Derivation]:
    dcr = source.lane_cell("inductor", source.one.coil, "dcr", "dcr", "ohm", lane)
    yield source.derivation(
        "inductor.copper_factor",
        "inductor",
        f"{one.name}resistance over 20 degC",
        lane,
        one.hot / one.dcr_20,
        source.computed("temp_part", one.temp, "degC", "temperature below"),
        Input("temp_reference", 20.0, "degC", PRESET, "temperature dcr is brought to"),
    )
    alone = not source.stage.two_coils
    yield source.derivation(
        "mosfet.loss_conduction",
        "inductor",
        f"{one.name}copper loss",
        lane,
        source.row(source.result.coil.loss_copper)[lane] if alone else one.i_rms**2 * one.hot,
        source.computed("i_rms", one.i_rms, "A", "waveform"),
        source.computed("resistance", one.hot, "ohm", f"{dcr.source} x factors"),
    )


def _ripple_copper(source: Source, lane: int, one: Winding) -> Iterator[Derivation]:
    row, wave = source.one.coil, source.result.scene.wave
    ripple = float(np.sqrt(max(one.i_rms**2 - one.i_mean**2, 0.0)))
    frequency = 1.0 / source.row(wave.time_pattern)[lane]
    ac_20 = source.cell("inductor", row, "resistance_ac_300khz_typ", "resistance_ac_300khz", "ohm")
    r_ac = ac_20.value * float(np.sqrt(frequency / 300e3))
    if not one.name.startswith(OF_TWO[1]):
        yield source.derivation(
            "inductor.resistance_ac",
            "inductor",
            "winding resistance for the ripple",
            lane,
            r_ac,
            ac_20,
            source.computed("frequency", frequency, "Hz", "frequency with tolerance"),
        )
    more, alone = max(r_ac - one.dcr_20, 0.0), not source.stage.two_coils
    yield source.derivation(
        "mosfet.loss_conduction",
        "inductor",
        f"{one.name}ripple copper loss",
        lane,
        source.row(source.result.coil.loss_ac)[lane] if alone else ripple**2 * more,
        source.computed("i_rms", ripple, "A", "waveform, the ripple alone"),
        source.computed("resistance", more, "ohm", "what it exceeds dcr by"),
    )


def _heat(source: Source, lane: int, found: list[Winding], rth: float) -> Iterator[Derivation]:
    """Temperature of the hottest winding, and its thermal resistance from the rated current."""
    coil, row, dcr_20 = source.result.coil, source.one.coil, found[0].dcr_20
    text, loss = "copper + ripple copper + core", float(source.row(coil.loss)[lane])
    if source.stage.two_coils and source.one.coil_pieces > 1:
        text = f"{text}, of the hotter piece"
        loss = _piece_loss(source, lane, max(found, key=lambda one: one.temp))
    yield source.derivation(
        "board.temp_over",
        "inductor",
        "temperature",
        lane,
        source.row(coil.temp)[lane],
        source.board(lane, "temp_reference"),
        source.computed("rth", rth, "K/W", "rated-current test, next row"),
        source.computed("loss", loss, "W", text),
    )
    together = source.stage.two_coils and source.one.coil_pieces == 1
    to_20 = dcr_20 / source.lane_cell("inductor", row, "dcr", "dcr", "ohm", lane).value
    dcr_typ = source.cell("inductor", row, "dcr_typ", "dcr", "ohm")
    yield source.derivation(
        "inductor.rth_rated",
        "inductor",
        "thermal resistance to the board",
        -1,
        rth,
        source.cell("inductor", row, "temp_rise_rated", "temp_rise", "K"),
        source.cell("inductor", row, "i_rated_typ", "i_rated", "A"),
        Input(
            "dcr",
            dcr_typ.value * to_20 * (2.0 if together else 1.0),
            "ohm",
            dcr_typ.origin,
            f"{dcr_typ.source}, at 20 degC{', both windings' if together else ''}",
        ),
    )


def _piece_loss(source: Source, lane: int, one: Winding) -> float:
    """Loss of one of two equal pieces: its own copper, half of the core losses."""
    wave, coil = source.result.scene.wave, source.result.coil
    frequency = 1.0 / float(source.row(wave.time_pattern)[lane])
    numbers = source.stage.tables["inductor"].numbers
    r_ac = float(numbers["resistance_ac_300khz_typ"][source.one.coil])
    more = max(r_ac * float(np.sqrt(frequency / 300e3)) - one.dcr_20, 0.0)
    ripple = max(one.i_rms**2 - one.i_mean**2, 0.0)
    core = float(source.row(coil.loss_core)[lane]) / source.one.coil_pieces
    return one.i_rms**2 * one.hot + ripple * more + core


def _inductance(source: Source, lane: int) -> Iterator[Derivation]:
    row, corner = source.one.coil, int(source.stage.lanes.corner[lane])
    nominal = source.cell("inductor", row, "inductance_typ", "inductance", "H")
    tolerance = source.cell("inductor", row, "inductance_tolerance", "inductance_tolerance", "1")
    found = source.result.scene
    parts = parameters.take(source.stage.inductors, np.array([row]))
    share = inductor.share_at_current(
        i_mean=np.array([[source.row(evaluation.i_bias(found.wave))[lane]]]),
        curve_current=parts.curve_current,
        curve_share=parts.curve_share,
    )
    value = float(source.row(found.operation.inductance)[lane])
    coupling = float(np.nan_to_num(parts.coupling[0, 0]))
    two = source.stage.two_coils
    yield source.derivation(
        "inductor.inductance_at",
        "inductor",
        "inductance",
        lane,
        2.0 * value / (1.0 + coupling) if two else value,
        nominal,
        tolerance,
        Input("direction", float(corner), "1", PRESET, "-1 slow, 0 nominal, 1 fast corner"),
        source.computed("share", float(share[0, 0]), "1", "inductance_bias_a_pct, mean current"),
    )
    if not two:
        return
    alone = Input("coupling", 0.0, "1", PRESET, "two pieces")
    yield source.derivation(
        "inductor.inductance_pair",
        "inductor",
        "inductance that the sum of both currents sees",
        lane,
        value,
        source.computed("inductance", 2.0 * value / (1.0 + coupling), "H", "row above"),
        source.cell("inductor", row, "coupling_typ", "coupling", "1") if coupling else alone,
    )


def _ripple(source: Source, lane: int) -> Iterator[Derivation]:
    """The interval in which the coil current changes most."""
    found, state = source.result.scene, source.result.scene.state
    wave, job, k = found.wave, found.operation, source.k
    change = (wave.i_end[k, lane] - wave.i_start[k, lane]).sum(axis=-1)
    size = np.abs(change)
    at = int(np.argmax(size >= (1.0 - ROUNDING) * size.max()))  # the first of equals
    table, volts = source.table, winding_voltage(source, lane, at)
    carriers = table.conducts
    ohms = source.row(state.resistance_series)[lane] + sum(
        carriers[p][at, lane, 0] ** 2 * source.row(state.resistance[p])[lane] for p in carriers
    )
    ends = [x[k, lane, at].sum() for x in (wave.i_end, wave.i_start)]
    carried = " and ".join(p for p in carriers if carriers[p][at, lane, 0] > 0)
    less = ", less what diodes and windings take" if state.drop else ""
    yield source.derivation(
        "balance.current_change",
        "inductor",
        f"change of {'the sum of both currents' if source.stage.two_coils else 'current'} while"
        f" {carried} conduct",
        lane,
        change[at],
        source.computed("v_inductor", volts, "V", f"input and output voltage of the point{less}"),
        source.computed("resistance", ohms, "ohm", "coil, sense, board and those transistors"),
        source.computed("i_mean", sum(ends) / 2.0, "A", "waveform, mean of the interval"),
        source.computed(
            "time_interval",
            wave.duration[k, lane, at] * source.row(wave.time_pattern)[lane],
            "s",
            "duty from the volt-second balance",
        ),
        source.computed("inductance", source.row(job.inductance)[lane], "H", "inductance above"),
    )


def winding_voltage(source: Source, lane: int, at: int) -> float:
    """Voltage across the coil in an interval without what resistances in its path take [V]."""
    found, table = source.result.scene, source.table
    job, drop = found.operation, found.state.drop
    volts = table.winding_input[at, lane, 0] * source.row(job.v_input)[lane]
    volts += table.winding_output[at, lane, 0] * source.row(job.v_output)[lane]
    for position, shares in table.conducts.items():
        if position in drop:
            volts -= shares[at, lane, 0] * source.row(drop[position])[lane]
    for number, name in enumerate(WINDINGS):
        if name in drop:
            volts -= table.winding_drop[at, lane, number] * source.row(drop[name])[lane]
    return float(volts)


def _core(source: Source, lane: int, frequency: float) -> Iterator[Derivation]:
    coil, row = source.result.coil, source.one.coil
    count, windings = source.one.coil_pieces, len(coil.temp_windings)
    loss = float(source.row(coil.loss_core)[lane]) / count
    if not np.isfinite(source.stage.tables["inductor"].numbers["core_loss_reference_typ"][row]):
        return
    names = ("core_loss_reference", "core_loss_exponent_frequency", "core_loss_exponent_ripple")
    keys = ("core_loss_reference_typ", *names[1:])
    cells = [
        source.cell("inductor", row, key, name, unit)
        for key, name, unit in zip(keys, names, ("W", "1", "1"), strict=True)
    ]
    ripple = float(source.row(source.result.scene.wave.i_ripple[..., 0])[lane]) / windings
    factor = spectra.flux_factor(source.result.scene.wave, alpha=cells[1].value)[..., 0]
    yield source.derivation(
        "inductor.loss_core",
        "inductor",
        "core loss" if count == 1 else "core loss of one piece",
        lane,
        loss,
        *cells,
        source.computed("frequency", frequency, "Hz", "point"),
        source.computed("i_ripple", ripple, "A", "waveform"),
        source.computed(
            "factor_waveform", float(source.row(factor)[lane]), "1", "waveform, spectra.flux_factor"
        ),
    )


def _saturation(source: Source, parts: parameters.Inductors) -> Iterator[Derivation]:
    coil, stage = source.result.coil, source.stage
    held = source.row(coil.i_saturation)
    lane = source.worst(-held, firm(stage))
    factor = float(
        min(
            1.0
            - (1.0 - parts.share_hot[0, 0])
            / 75.0
            * (source.row(coil.temp)[lane] - parts.temp_saturation[0, 0]),
            1.0,
        )
    )
    hot = Input(
        "share_hot", float(parts.share_hot[0, 0]), "1", PRESET, "core class, common practice"
    )
    yield source.derivation(
        "inductor.saturation_factor",
        "inductor",
        "hot over stated saturation current",
        lane,
        factor,
        hot,
        source.computed("temp_part", source.row(coil.temp)[lane], "degC", "temperature there"),
        source.cell("inductor", source.one.coil, "temp_saturation", "temp_saturation", "degC"),
    )
    knee = float(parts.knee[0, 0])
    share = float(source.row(evaluation.limit_share(source.result.scene, parts))[lane])
    kept = 1.0 - stage.spec.limits.saturation_drop_max
    limit = inductor.current_at_share(
        share=np.array([[kept]]), curve_current=parts.curve_current, curve_share=parts.curve_share
    )
    drop = stage.spec.limits.saturation_drop_max
    yield source.derivation(
        "inductor.i_saturation_usable",
        "inductor",
        "hot saturation current",
        lane,
        held[lane] * share,
        source.computed(
            "i_saturation",
            float(limit[0, 0]),
            "A",
            f"{source.cell_name('inductor', source.one.coil, 'inductance_bias')} where "
            f"{100 * drop:g} % is lost",
        ),
        source.computed("factor", factor, "1", "row above"),
        Input("knee", knee, "1", PRESET, "core class, common practice"),
    )
    if stage.two_coils:
        yield _saturation_switched(source, lane, float(held[lane]), share)


def _saturation_switched(source: Source, lane: int, held: float, share: float) -> Derivation:
    """Switched current at which the winding that carries most of it saturates."""
    core = "half: both windings magnetise one core"
    words = core if source.one.coil_pieces == 1 else "the larger of duty and its rest"
    return source.derivation(
        "inductor.i_saturation_switched",
        "inductor",
        "hot saturation, as a current of the switch",
        lane,
        held,
        source.computed("i_saturation", held * share, "A", "row above"),
        source.computed("share", share, "1", words),
    )
