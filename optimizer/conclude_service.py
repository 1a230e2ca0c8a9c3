"""One complete set in service: what its loop allows, how long it lasts, how often it fails."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from optimizer import life, limits, parameters, service, verification
from optimizer.conclude_margins import quantity
from optimizer.conclude_overload import FAILS, HOLDS, OUTSIDE, FaultCase
from optimizer.parts import capacitor
from optimizer.records import REGION_DOWN, FloatArray, IntArray
from optimizer.results import FaultLine

FIGURE = "figure"

FROM_BELOW = {
    ("inductor", "ripple ratio"): "ripple ratio",
    ("sense-resistor", "slope"): "slope at the sense pins",
}
"""Limits that fall as the inductance rises, in words."""


def service_lines(case: FaultCase) -> Iterator[FaultLine]:
    """Loop, life and failure rate of one set."""
    if case.stage.two_coils:
        yield FaultLine("loop", OUTSIDE, "of a stage with two coils: not modelled")
    else:
        yield from _loop(case)
    yield from life_lines(case)
    yield failure_line(case)


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
    yield _inductance(case, rows)
    if stage.spec.loop.i_step > 0.0:
        yield _step(case, rows, cross)


def _inductance(case: FaultCase, rows: IntArray) -> FaultLine:
    """Between which inductances loop and limits keep the coil, all else as it is; what binds."""
    chosen = float(case.stage.tables["inductor"].numbers["inductance_typ"][case.one.coil])
    least = {name: chosen * one for name, one in _too_small(case).items()}
    most = {name: chosen * one for name, one in _too_large(case, rows).items() if one < math.inf}
    low = max(least, key=lambda one: least[one])
    text = f"{quantity(chosen, 'H')}, all else as it is at least about {_about(least[low], 'H')}"
    text += f" for the {low}"
    if not most:
        text += "; nothing that is asked of the loop bounds it from above"
        return FaultLine("loop: inductance", FIGURE, text)
    high = min(most, key=lambda one: most[one])
    nearer = low if least[low] / chosen > chosen / most[high] else high
    text += f", at most about {_about(most[high], 'H')} for the {high}; the {nearer} binds first"
    return FaultLine("loop: inductance", FIGURE, text)


def _about(value: float, unit: str) -> str:
    return quantity(float(f"{value:.3g}"), unit)


def _too_small(case: FaultCase) -> dict[str, float]:
    """Rows that bound the inductance from below: least share of it that keeps each."""
    wave, low = case.result.scene.wave, float(case.chain.low[0])
    mean, ripple = wave.i_mean[0, :, 0], wave.i_ripple[0, :, 0]
    lanes = limits.firm(case.stage)
    room = np.where(mean < low, 2.0 * (low - mean), 0.0)
    found = {"smallest current limit": float((ripple / room)[lanes].max())}
    for check in verification.checks(case.result, case.sets):
        name = FROM_BELOW.get((check.subject, check.quantity))
        if name:
            found[name] = float((check.value / check.allowed)[0, check.applies].max())
    return found


def _too_large(case: FaultCase, rows: IntArray) -> dict[str, float]:
    """Rows that bound it from above: most shares of it that keep each, inf where nothing does."""
    rules = case.stage.spec.loop
    zero = limits.zero(case.result.scene)[0, rows] * rules.share_zero
    found = {}
    if rules.frequency_cross_min > 0.0:
        found["crossover below the right-half-plane zero"] = zero / rules.frequency_cross_min
    if rules.i_step > 0.0:
        held = case.result.banks["output"].capacitance[0, rows]
        needed = rules.i_step / (2.0 * np.pi * rules.v_step * held)
        found["load step below the right-half-plane zero"] = zero / needed
    for check in verification.checks(case.result, case.sets):
        if (check.subject, check.quantity) == ("sense-resistor", "ripple"):
            found["ripple at the sense pins"] = (check.value / check.allowed)[0, check.applies]
    return {name: float(np.min(shares)) for name, shares in found.items()}


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
    least = float(limits.capacitance_needed(case.stage, case.result.scene, "output")[0, worst])
    text = (
        f"{quantity(rules.i_step, 'A')}: {quantity(float(dip[worst]), 'V')} of"
        f" {quantity(rules.v_step, 'V')} at {case.stage.lanes.name[worst]}, of which"
        f" {quantity(float(rules.i_step * esr[worst]), 'V')} by the resistance of the bank;"
        f" {quantity(float(held[worst]), 'F')} effective of at least {_about(least, 'F')} before"
        f" resistance, crossover {quantity(float(cross[worst]), 'Hz')}"
    )
    return FaultLine("loop: load step", HOLDS if dip[worst] <= rules.v_step else FAILS, text)


# --- life -----------------------------------------------------------------------------------------


def life_lines(case: FaultCase) -> Iterator[FaultLine]:
    """Life of every wet or polymer type over the mission."""
    table, rules = case.stage.tables["capacitor"], case.stage.spec.life
    for node, chosen in case.sets.bank.items():
        both = service.bank_years(case.result.scene, case.result.banks[node], chosen)
        for place, (row, _) in enumerate(case.one.bank[node]):
            years = float(both[place][0])
            if np.isinf(years):
                continue
            name = f"life: {node}-bank {table.part_number[row]}"
            if np.isnan(table.numbers["life_rating"][row]):
                yield FaultLine(name, FAILS, "no rated life in the catalog: not known")
                continue
            factor, step = life.LAWS[table.texts["technology"][row]]
            capped = years >= rules.years_seal
            text = (
                f"{years:.3g} years at {100 * rules.service_share:.3g} % service"
                f"{' (the seal ends it first)' if capped else ''}, core up to"
                f" {quantity(_hottest(case, node, place), 'degC')}; x{factor:g} for {step:g} K,"
                " good to a factor of two"
            )
            asked = rules.years
            if asked > 0.0:
                text += f"; {asked:g} years asked"
            yield FaultLine(name, FAILS if years < asked else HOLDS if asked else FIGURE, text)


def _hottest(case: FaultCase, node: str, place: int) -> float:
    """Hottest core of one type of a bank over the mission [degC]."""
    row, _ = case.one.bank[node][place]
    bank, (lanes, _) = case.result.banks[node], service.mission(case.stage)
    current = bank.i_rms_first if place == 0 else bank.i_rms_second
    core = capacitor.temp_core(
        temp_board=case.result.scene.state.temp_board,
        coefficient_heating=parameters.take(case.stage.capacitors, np.array([row])).heating,
        i_rms=current,
    )
    return float(np.broadcast_to(core, (1, len(case.stage.lanes)))[0, lanes].max())


def failure_line(case: FaultCase) -> FaultLine:
    """Sum of the failure rates of the chosen parts, mean over the mission."""
    mean = float(service.failure_rate(case.result, case.sets)[0])
    if not math.isfinite(mean):
        return FaultLine("failure rate", FIGURE, "not known: a part has no figure in some lane")
    text = (
        f"{mean:.3g} failures in 10^6 h, {service.rated_kinds(case.stage)}, environment"
        f" {case.stage.spec.life.environment} (MIL-HDBK-217F N2, second-hand): for comparing"
        " designs only"
    )
    return FaultLine("failure rate", FIGURE, text)
