"""Where the numbers of the inductor come from: each where it is worst."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from optimizer import parameters, spectra
from optimizer.conclude_inputs import Source
from optimizer.limits import firm, steady
from optimizer.parts import inductor
from optimizer.results_evidence import PRESET, Derivation, Input


def coil_derivations(source: Source) -> Iterator[Derivation]:
    """Inductance, ripple, losses, temperature and hot saturation."""
    coil, wave, lanes = source.result.coil, source.result.scene.wave, steady(source.stage)
    lane = source.worst(source.row(coil.temp), lanes)
    parts = parameters.take(source.stage.inductors, np.array([source.one.coil]))
    dcr_20 = float(np.broadcast_to(parts.dcr_20, (1, len(lanes)))[0, lane])
    yield from _inductance(source, lane)
    yield from _ripple(source, source.worst(source.row(wave.i_ripple[..., 0]), lanes))
    yield from _copper(source, lane, dcr_20)
    yield from _ripple_copper(source, lane, dcr_20)
    yield from _core(source, lane, 1.0 / source.row(wave.time_pattern)[lane])
    yield from _heat(source, lane, dcr_20, float(parts.rth[0, 0]))
    yield from _saturation(source, parts)


def _copper(source: Source, lane: int, dcr_20: float) -> Iterator[Derivation]:
    coil, row = source.result.coil, source.one.coil
    resistance = float(source.row(coil.resistance)[lane])
    i_rms = source.row(source.result.scene.wave.i_rms[..., 0])[lane]
    dcr = source.lane_cell("inductor", row, "dcr", "dcr", "ohm", lane)
    yield source.derivation(
        "inductor.copper_factor",
        "inductor",
        "resistance over 20 degC",
        lane,
        resistance / dcr_20,
        source.computed("temp_part", source.row(coil.temp)[lane], "degC", "temperature below"),
        Input("temp_reference", 20.0, "degC", PRESET, "temperature dcr is brought to"),
    )
    yield source.derivation(
        "mosfet.loss_conduction",
        "inductor",
        "copper loss",
        lane,
        source.row(coil.loss_copper)[lane],
        source.computed("i_rms", i_rms, "A", "waveform"),
        source.computed(
            "resistance",
            resistance,
            "ohm",
            f"{dcr.source} x factors",
        ),
    )


def _ripple_copper(source: Source, lane: int, dcr_20: float) -> Iterator[Derivation]:
    coil, row, wave = source.result.coil, source.one.coil, source.result.scene.wave
    i_rms, i_mean = (source.row(x[..., 0])[lane] for x in (wave.i_rms, wave.i_mean))
    ripple = float(np.sqrt(max(i_rms**2 - i_mean**2, 0.0)))
    frequency = 1.0 / source.row(wave.time_pattern)[lane]
    ac_20 = source.cell("inductor", row, "resistance_ac_300khz_typ", "resistance_ac_300khz", "ohm")
    r_ac = ac_20.value * float(np.sqrt(frequency / 300e3))
    yield source.derivation(
        "inductor.resistance_ac",
        "inductor",
        "winding resistance for the ripple",
        lane,
        r_ac,
        ac_20,
        source.computed("frequency", frequency, "Hz", "frequency with tolerance"),
    )
    yield source.derivation(
        "mosfet.loss_conduction",
        "inductor",
        "ripple copper loss",
        lane,
        source.row(coil.loss_ac)[lane],
        source.computed("i_rms", ripple, "A", "waveform, the ripple alone"),
        source.computed("resistance", max(r_ac - dcr_20, 0.0), "ohm", "what it exceeds dcr by"),
    )


def _heat(source: Source, lane: int, dcr_20: float, rth: float) -> Iterator[Derivation]:
    coil, row = source.result.coil, source.one.coil
    yield source.derivation(
        "board.temp_over",
        "inductor",
        "temperature",
        lane,
        source.row(coil.temp)[lane],
        source.board(lane, "temp_reference"),
        source.computed("rth", rth, "K/W", "rated-current test, next row"),
        source.computed("loss", source.row(coil.loss)[lane], "W", "copper + ripple copper + core"),
    )
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
        Input("dcr", dcr_typ.value * to_20, "ohm", dcr_typ.origin, f"{dcr_typ.source}, at 20 degC"),
    )


def _inductance(source: Source, lane: int) -> Iterator[Derivation]:
    row, corner = source.one.coil, int(source.stage.lanes.corner[lane])
    nominal = source.cell("inductor", row, "inductance_typ", "inductance", "H")
    tolerance = source.cell("inductor", row, "inductance_tolerance", "inductance_tolerance", "1")
    found = source.result.scene
    parts = parameters.take(source.stage.inductors, np.array([row]))
    share = inductor.share_at_current(
        i_mean=np.array([[source.row(found.wave.i_mean[..., 0])[lane]]]),
        curve_current=parts.curve_current,
        curve_share=parts.curve_share,
    )
    value = float(source.row(found.operation.inductance)[lane])
    yield source.derivation(
        "inductor.inductance_at",
        "inductor",
        "inductance",
        lane,
        value,
        nominal,
        tolerance,
        Input("direction", float(corner), "1", PRESET, "-1 slow, 0 nominal, 1 fast corner"),
        source.computed("share", float(share[0, 0]), "1", "inductance_bias_a_pct, mean current"),
    )


def _ripple(source: Source, lane: int) -> Iterator[Derivation]:
    """The interval in which the coil current changes most."""
    found, state = source.result.scene, source.result.scene.state
    wave, job, k = found.wave, found.operation, source.k
    change = wave.i_end[k, lane, :, 0] - wave.i_start[k, lane, :, 0]
    at = int(np.abs(change).argmax())
    drawn, given = (x[lane, at, 0] for x in (wave.input_current, wave.output_current))
    volts = drawn * source.row(job.v_input)[lane] - given * source.row(job.v_output)[lane]
    table = source.conducts
    ohms = source.row(state.resistance_series)[lane] + sum(
        table[p][lane, at] ** 2 * source.row(r)[lane] for p, r in state.resistance.items()
    )
    mean = (wave.i_end[k, lane, at, 0] + wave.i_start[k, lane, at, 0]) / 2
    carried = " and ".join(p for p in table if table[p][lane, at] > 0)
    yield source.derivation(
        "balance.current_change",
        "inductor",
        f"change of current while {carried} conduct",
        lane,
        change[at],
        source.computed("v_inductor", volts, "V", "input and output voltage of the point"),
        source.computed("resistance", ohms, "ohm", "coil, sense, board and those transistors"),
        source.computed("i_mean", mean, "A", "waveform, mean of the interval"),
        source.computed(
            "time_interval",
            wave.duration[k, lane, at] * source.row(wave.time_pattern)[lane],
            "s",
            "duty from the volt-second balance",
        ),
        source.computed("inductance", source.row(job.inductance)[lane], "H", "inductance above"),
    )


def _core(source: Source, lane: int, frequency: float) -> Iterator[Derivation]:
    coil, row = source.result.coil, source.one.coil
    loss = float(source.row(coil.loss_core)[lane])
    if not np.isfinite(source.stage.tables["inductor"].numbers["core_loss_reference_typ"][row]):
        return
    names = ("core_loss_reference", "core_loss_exponent_frequency", "core_loss_exponent_ripple")
    keys = ("core_loss_reference_typ", *names[1:])
    cells = [
        source.cell("inductor", row, key, name, unit)
        for key, name, unit in zip(keys, names, ("W", "1", "1"), strict=True)
    ]
    ripple = float(source.row(source.result.scene.wave.i_ripple[..., 0])[lane])
    factor = spectra.flux_factor(source.result.scene.wave, alpha=cells[1].value)[..., 0]
    yield source.derivation(
        "inductor.loss_core",
        "inductor",
        "core loss",
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
        held[lane],
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
