"""One complete set in service: what its loop allows, how long it lasts, how often it fails."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from optimizer import life, limits, parameters
from optimizer.conclude_margins import quantity
from optimizer.conclude_overload import FAILS, HOLDS, OUTSIDE, FaultCase
from optimizer.parts import capacitor
from optimizer.records import DIODES, REGION_DOWN, FloatArray, IntArray
from optimizer.results import FaultLine

FIGURE = "figure"

HOUR, YEAR_HOURS = 3600.0, 8766.0

LAWS = {
    "aluminium": (2.0, 10.0),
    "hybrid": (2.0, 10.0),
    "polymer": (10.0, 20.0),
}
"""Technology -> life grows by this factor for so many kelvin."""


def service_lines(case: FaultCase) -> Iterator[FaultLine]:
    """Loop, life and failure rate of one set."""
    if case.stage.two_coils:
        yield FaultLine("loop", OUTSIDE, "of a stage with two coils: not modelled")
    else:
        yield from _loop(case)
    yield from life_lines(case)
    yield _failure_rate(case)


# --- loop -----------------------------------------------------------------------------------------


def _loop(case: FaultCase) -> Iterator[FaultLine]:
    stage, found = case.stage, case.result.scene
    lanes = limits.steady(stage) & stage.lanes.full_load
    rows = np.flatnonzero(lanes)
    cross = limits.crossover(stage, found)[0]
    low = int(rows[np.argmin(cross[rows])])
    where = stage.lanes.name[low]
    why = (
        "an eighth or less of the switching frequency"
        if cross[low] >= 0.999 * stage.spec.loop.share_switching * found.operation.frequency[0, low]
        else f"the right-half-plane zero at"
        f" {quantity(float(cross[low] / stage.spec.loop.share_zero), 'Hz')}"
    )
    text = f"up to {quantity(float(cross[low]), 'Hz')} at {where}, bound by {why}"
    yield FaultLine("loop: crossover", FIGURE, text)
    if (stage.lanes.region[rows] == REGION_DOWN).all():
        yield FaultLine("loop: right-half-plane zero", FIGURE, "none: the stage only steps down")
    if stage.spec.loop.i_step > 0.0:
        yield _step(case, rows, cross)


def _step(case: FaultCase, rows: IntArray, cross: FloatArray) -> FaultLine:
    """The whole dip of a load step: what the bank gives before the loop answers, and its ESR."""
    rules, bank = case.stage.spec.loop, case.one.bank["output"]
    job = case.result.scene.operation
    table = np.array([row for row, _ in bank])
    pieces = np.array([count for _, count in bank])[:, None]
    branches = parameters.branches(
        parameters.take(case.stage.capacitors, table),
        lanes=case.stage.lanes,
        v_bias=job.v_output[0],
        temp_board=case.result.scene.state.temp_board[0],
    )
    held = (branches.capacitance * pieces).sum(axis=0)
    esr = 1.0 / (pieces / branches.esr).sum(axis=0)
    dip = rules.i_step / (2.0 * np.pi * cross * held) + rules.i_step * esr
    worst = int(rows[np.argmax(dip[rows])])
    text = (
        f"{quantity(rules.i_step, 'A')}: {quantity(float(dip[worst]), 'V')} of"
        f" {quantity(rules.v_step, 'V')} at {case.stage.lanes.name[worst]}, of which"
        f" {quantity(float(rules.i_step * esr[worst]), 'V')} by the resistance of the bank;"
        f" {quantity(float(held[worst]), 'F')} effective, crossover"
        f" {quantity(float(cross[worst]), 'Hz')}"
    )
    return FaultLine("loop: load step", HOLDS if dip[worst] <= rules.v_step else FAILS, text)


# --- life -----------------------------------------------------------------------------------------


def _mission(case: FaultCase) -> tuple[IntArray, FloatArray]:
    lanes = np.flatnonzero(case.stage.lanes.share > 0)
    return lanes, case.stage.lanes.share[lanes]


def _cores(case: FaultCase, node: str, place: int, lanes: IntArray) -> FloatArray:
    """Core temperature of one type of a bank at some lanes [degC]."""
    row, _ = case.one.bank[node][place]
    bank, board = case.result.banks[node], case.result.scene.state.temp_board
    current = bank.i_rms_first if place == 0 else bank.i_rms_second
    heating = parameters.take(case.stage.capacitors, np.array([row])).heating
    found = capacitor.temp_core(
        temp_board=board[0, lanes], coefficient_heating=heating, i_rms=current[0, lanes]
    )
    return np.asarray(np.broadcast_to(np.atleast_2d(found)[0], lanes.shape))


def life_lines(case: FaultCase) -> Iterator[FaultLine]:
    """Life of every wet or polymer type over the mission."""
    table = case.stage.tables["capacitor"]
    lanes, share = _mission(case)
    rules = case.stage.spec.life
    for node in case.stage.nodes:
        for place, (row, _) in enumerate(case.one.bank[node]):
            law = LAWS.get(table.texts["technology"][row])
            if law is None:
                continue
            numbers = table.numbers
            rated = float(numbers["life_rating"][row])
            name = f"life: {node}-bank {table.part_number[row]}"
            if np.isnan(rated):
                yield FaultLine(name, FAILS, "no rated life in the catalog: not known")
                continue
            rise = float(np.nan_to_num(numbers["temp_rise_ripple"][row]))
            core = _cores(case, node, place, lanes)
            each = life.life_at(
                life_rating=np.array(rated),
                temp_reference=np.array(float(numbers["temp_ripple"][row]) + rise),
                temp_core=core,
                factor=np.array(law[0]),
                temp_step=np.array(law[1]),
            )
            years = float(life.life_mission(life=each, share=share)) / HOUR / YEAR_HOURS
            years /= rules.service_share
            shown = min(years, rules.years_seal)
            text = (
                f"{shown:.3g} years at {100 * rules.service_share:.3g} % service"
                f"{' (the seal ends it first)' if years > shown else ''}, core up to"
                f" {quantity(float(core.max()), 'degC')}; x{law[0]:g} for {law[1]:g} K, good to a"
                " factor of two"
            )
            asked = rules.years
            if asked > 0.0:
                text += f"; {asked:g} years asked"
            yield FaultLine(name, FAILS if shown < asked else HOLDS if asked else FIGURE, text)


def _failure_rate(case: FaultCase) -> FaultLine:
    """Sum of the failure rates of the chosen parts, mean over the mission."""
    lanes, share = _mission(case)
    total = _rate_fets(case, lanes) + _rate_banks(case, lanes) + _rate_coils(case, lanes)
    mean = float((total * share).sum() / share.sum())
    if not math.isfinite(mean):
        return FaultLine("failure rate", FIGURE, "not known: a part has no figure in some lane")
    uncounted = " (the diode is not counted)" if set(case.one.transistor) & set(DIODES) else ""
    text = (
        f"{mean:.3g} failures in 10^6 h, transistors, banks and coil{uncounted}, environment"
        f" {case.stage.spec.life.environment} (MIL-HDBK-217F N2, second-hand): for comparing"
        " designs only"
    )
    return FaultLine("failure rate", FIGURE, text)


def _environment(case: FaultCase) -> tuple[float, float, float]:
    return life.ENVIRONMENT[case.stage.spec.life.environment]


def _rate_fets(case: FaultCase, lanes: IntArray) -> FloatArray:
    """Failure rate of all transistors at each lane."""
    numbers = case.stage.tables["mosfet"].numbers
    total = np.zeros(len(lanes))
    for leg in case.stage.topology.LEGS:
        bridge = case.result.bridges[leg.name]
        for position, one in ((leg.control, bridge.control), (leg.synchronous, bridge.synchronous)):
            if position in DIODES:
                continue
            row, pieces = case.one.transistor[position]
            heat = numbers["temp_junction_rating"][row] - 25.0
            power = float(np.nan_to_num(heat / numbers["rth_junction_case_max"][row], nan=100.0))
            junction = np.broadcast_to(one.temp_junction, (1, len(case.stage.lanes)))[0, lanes]
            total += pieces * np.array(
                [
                    life.rate_fet(
                        temp_junction=float(temp),
                        power_rating=power,
                        factor_environment=_environment(case)[0],
                    )
                    for temp in junction
                ]
            )
    return total


def _rate_banks(case: FaultCase, lanes: IntArray) -> FloatArray:
    """Failure rate of all capacitors at each lane."""
    table = case.stage.tables["capacitor"]
    total = np.zeros(len(lanes))
    for node in case.stage.nodes:
        volts = case.stage.lanes.v_output if node == "output" else case.stage.lanes.v_input
        for place, (row, pieces) in enumerate(case.one.bank[node]):
            total += pieces * np.array(
                [
                    life.rate_capacitor(
                        technology=table.texts["technology"][row],
                        capacitance=float(table.numbers["capacitance_typ"][row]),
                        share_voltage=float(v / table.numbers["v_rating"][row]),
                        temp_part=float(temp),
                        factor_environment=_environment(case)[1],
                    )
                    for temp, v in zip(_cores(case, node, place, lanes), volts[lanes], strict=True)
                ]
            )
    return total


def _rate_coils(case: FaultCase, lanes: IntArray) -> FloatArray:
    """Failure rate of the inductor, or of both coils, at each lane."""
    windings = 2 if case.stage.two_coils else 1
    air, hot = case.stage.lanes.temp_ambient[lanes], case.result.coil.temp[0, lanes]
    return windings * np.array(
        [
            life.rate_coil(
                temp_ambient=float(a),
                temp_rise=float(t - a),
                factor_environment=_environment(case)[2],
            )
            for a, t in zip(air, hot, strict=True)
        ]
    )
