"""Where the numbers of a diode come from: at its hottest operating point."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from optimizer import derating, parameters
from optimizer.conclude_inputs import Source
from optimizer.limits import steady
from optimizer.parts import diode
from optimizer.parts.bridge_records import Position
from optimizer.parts.diode import Diode
from optimizer.records import FloatArray, Leg
from optimizer.results_evidence import PRESET, Derivation, Input


def diode_derivations(source: Source, leg: Leg, position: Position) -> Iterator[Derivation]:
    """Forward line, reverse current, both losses, temperature and average current."""
    lane = source.worst(source.row(position.temp_junction), steady(source.stage))
    row, _ = source.one.transistor[leg.synchronous]
    part = parameters.take(source.stage.diodes, np.array([row]))
    temp = float(source.row(position.temp_junction)[lane])
    yield from _forward(source, leg, position, lane, part, temp)
    yield from _reverse(source, leg, position, lane, part, temp)
    yield from _heat(source, leg, position, lane, part)
    yield from _average(source, leg)


def _at(source: Source, values: FloatArray, lane: int) -> float:
    """The figure of a part in a lane."""
    return float(np.broadcast_to(values, (1, len(source.stage.lanes)))[0, lane])


def _forward(
    source: Source, leg: Leg, position: Position, lane: int, part: Diode, temp: float
) -> Iterator[Derivation]:
    name, (row, _) = leg.synchronous, source.one.transistor[leg.synchronous]
    ohms, cold = _at(source, part.resistance, lane), _at(source, part.v_forward, lane)
    test = source.cell("diode", row, "i_forward_test", "i_forward_test", "A")
    yield source.derivation(
        "diode.resistance_forward",
        name,
        "slope of the forward line",
        lane,
        ohms,
        source.cell("diode", row, "v_forward_typ", "v_forward", "V"),
        source.cell("diode", row, "v_forward_tenth_typ", "v_forward_tenth", "V"),
        test,
    )
    limit = source.lane_cell("diode", row, "v_forward", "v_forward", "V", lane)
    slope, hold = (_at(source, x, lane) for x in (part.v_forward_slope, part.temp_hold))
    hot = float(
        diode.v_forward_hot(
            v_forward=np.array(cold),
            v_forward_slope=np.array(slope),
            temp_junction=np.array(temp),
            temp_hold=np.array(hold),
        )
    )
    cells = [source.cell_name("diode", row, k) for k in ("v_forward_typ", "v_forward_125c_typ")]
    yield source.derivation(
        "diode.v_forward_hot",
        name,
        "forward voltage of the line at no current, hot",
        lane,
        hot,
        source.computed("v_forward", cold, "V", f"{limit.source} less slope x test current"),
        source.computed("v_forward_slope", slope, "V/K", f"({' less '.join(cells)}) / 100 K"),
        source.computed("temp_junction", temp, "degC", "junction temperature below"),
        Input("temp_hold", min(hold, 1e6), "degC", PRESET, "guaranteed: no fall above it"),
    )
    wave = source.result.scene.wave
    yield source.derivation(
        "diode.loss_forward",
        name,
        "conduction loss",
        lane,
        source.row(position.loss_conduction)[lane],
        source.computed("v_forward", hot, "V", "row above"),
        source.computed("i_mean", source.row(wave.position_mean[name])[lane], "A", "waveform"),
        source.computed("resistance", ohms, "ohm", "slope of the forward line"),
        source.computed("i_rms", source.row(wave.position_rms[name])[lane], "A", "waveform"),
    )


def _reverse(
    source: Source, leg: Leg, position: Position, lane: int, part: Diode, temp: float
) -> Iterator[Derivation]:
    name, (row, _) = leg.synchronous, source.one.transistor[leg.synchronous]
    growth = _at(source, part.growth, lane)
    hot = source.lane_cell("diode", row, "i_reverse_125c", "i_reverse_125c", "A", lane)
    cold = source.lane_cell("diode", row, "i_reverse", "i_reverse", "A", lane)
    value = hot.value * float(np.exp(growth * (temp - 125.0)))
    yield source.derivation(
        "diode.i_reverse",
        name,
        "reverse current, hot",
        lane,
        value,
        hot,
        source.computed("growth", growth, "1/K", f"log({hot.source} / {cold.source}) / 100 K"),
        source.computed("temp_junction", temp, "degC", "junction temperature below"),
    )
    wave = source.result.scene.wave
    volts = source.row(source.volts(leg.node))[lane]
    yield source.derivation(
        "diode.loss_reverse",
        name,
        "loss of the reverse current",
        lane,
        source.row(position.loss_reverse)[lane],
        source.computed("v_node", volts, "V", f"{source.node_words(leg.node)} of the point"),
        source.computed("i_reverse", value, "A", "row above"),
        source.computed(
            "share_blocking",
            1.0 - source.row(wave.position_share[name])[lane],
            "1",
            "share of the pattern in which it does not conduct",
        ),
    )


def _heat(
    source: Source, leg: Leg, position: Position, lane: int, part: Diode
) -> Iterator[Derivation]:
    name, (row, _) = leg.synchronous, source.one.transistor[leg.synchronous]
    pattern = source.stage.tables["diode"].texts["land_pattern"][row]
    pad = source.stage.spec.pads.rth_pad(pattern)
    rth = _at(source, part.rth, lane)
    yield source.derivation(
        "mosfet.rth_board",
        name,
        "junction to board",
        lane,
        rth,
        source.lane_cell("diode", row, "rth_junction_case", "rth_junction_case", "K/W", lane),
        Input("rth_pad", pad, "K/W", PRESET, f"pad of {pattern}"),
    )
    yield source.derivation(
        "board.temp_over",
        name,
        "junction temperature",
        lane,
        source.row(position.temp_junction)[lane],
        source.board(lane, "temp_reference"),
        source.computed("rth", rth, "K/W", "row above"),
        source.computed("loss", source.row(position.loss)[lane], "W", "forward + reverse"),
    )


def _average(source: Source, leg: Leg) -> Iterator[Derivation]:
    """What the derating allows of the rated average current."""
    name, (row, _) = leg.synchronous, source.one.transistor[leg.synchronous]
    share = derating.rule(source.stage.spec.derating_policy, "diode", "current").continuous
    if not np.isfinite(share):
        return
    rating = source.cell("diode", row, "i_forward_rating", "rating", "A")
    yield source.derivation(
        "derating.at_share",
        name,
        "average current allowed",
        -1,
        rating.value * share,
        rating,
        Input("share_allowed", share, "1", PRESET, f"policy {source.stage.spec.derating}"),
    )
