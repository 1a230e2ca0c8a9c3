"""The sense resistor of a regulated current: what it holds, and what would do where it misses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from optimizer.load_records import LeadAcid, Lithium
from optimizer.records import Note
from optimizer.set_point_rules import FINE_TEMPCO, FINE_TOLERANCE, SOURCE, resistor_error
from optimizer.set_points_current import Shunt, best_shunt
from optimizer.spec_records import CurrentLoop, Spec
from optimizer.spec_text import trade

NAME = "set point: regulated current"

NEAR = 0.02
"""Share by which the resistor may differ from the one the charger's spec counts with."""

STEP = 1e-3
"""Steps in which a smaller tolerance or offset is looked for, of the tolerance or the threshold."""


def current_notes(spec: Spec) -> Iterator[Note]:
    """The resistor of the current loop; a finding where the accuracy cannot be had."""
    loop, record = spec.set_points.current, spec.load.record
    if record is None:
        return
    if loop is None:
        text = "not asked yet: threshold and offset of its loop; taken as met exactly"
        yield Note("assumed", NAME, f"{text} ([set_points.current])")
        return
    found = _best(spec, loop, _error(spec))
    told = _told(spec, loop, found)
    if _holds(spec, loop, found):
        yield Note("assumed", NAME, f"{told}: holds", SOURCE)
    else:
        cure = ", or ".join(_would_do(spec, loop, found))
        yield Note("finding", NAME, f"{told}: NOT reached; would do: {cure}", SOURCE)
    full = spec.load.i_output
    if found.i_max > full * (1.0 + 1e-9):
        text = (
            f"the current may reach {_amps(found.i_max)}, the stage is sized for {_amps(full)}:"
            " its heat and peak are judged there; raise load.i_output_a to size for all of it"
        )
        yield Note("finding", NAME, text)
    counted = record.resistance_sense if isinstance(record, LeadAcid | Lithium) else 0.0
    if counted and abs(found.resistance / counted - 1.0) > NEAR:
        text = (
            f"{_ohms(found.resistance)} here, {_ohms(counted)} in load.resistance_sense: its loss"
            " and the end of charge are counted with that"
        )
        yield Note("finding", NAME, text)


def _error(spec: Spec) -> float:
    rules = spec.set_points
    return resistor_error(spec, rules.resistor_tolerance, rules.resistor_tempco)


def _best(spec: Spec, loop: CurrentLoop, error: float) -> Shunt:
    full, series = spec.load.i_output, spec.set_points.series
    return best_shunt(loop, target=full, resistor_tolerance=error, series=series)


def _holds(spec: Spec, loop: CurrentLoop, found: Shunt) -> bool:
    full = spec.load.i_output
    miss = max(abs(found.i_min - full), abs(found.i_max - full))
    return miss <= loop.accuracy * full * (1.0 + 1e-9)


def _told(spec: Spec, loop: CurrentLoop, found: Shunt) -> str:
    full = spec.load.i_output
    parts = " beside ".join(_ohms(value) for value in found.values)
    heat = trade(float(f"{found.i_max**2 * found.resistance:.3g}"), "power")
    return (
        f"{parts} ({spec.set_points.series}) at {trade(loop.v_sense, 'voltage')}:"
        f" {_amps(found.i_nominal)}, {_amps(found.i_min)} to {_amps(found.i_max)} in the worst case"
        f" (expected within {_amps(found.i_spread)}, root-sum-square), {heat} at most; asks"
        f" {_amps(full * (1 - loop.accuracy))} to {_amps(full * (1 + loop.accuracy))}"
    )


def _would_do(spec: Spec, loop: CurrentLoop, found: Shunt) -> Iterator[str]:
    """What would reach the accuracy, each alone."""
    now = _error(spec)
    fine = resistor_error(spec, FINE_TOLERANCE, FINE_TEMPCO)
    spread = loop.v_sense_tolerance
    for step in range(int(spread / STEP - 1e-9), -1, -1):
        if _reached(spec, replace(loop, v_sense_tolerance=step * STEP), now):
            yield f"a threshold of {trade(step * STEP, 'share')}"
            break
    for step in range(int(loop.v_offset / loop.v_sense / STEP - 1e-9), -1, -1):
        offset = step * STEP * loop.v_sense
        if _reached(spec, replace(loop, v_offset=offset), now):
            yield f"an offset of {trade(float(f'{offset:.2g}'), 'voltage')}"
            break
    if _reached(spec, loop, fine):
        yield "resistors of 0.1 % and 25 ppm/K"
    if loop.resistors == 1 and _reached(spec, replace(loop, resistors=2), now):
        yield "two resistors in parallel"
    exact = replace(loop, v_sense_tolerance=0.0, v_offset=0.0)
    if _reached(spec, exact, resistor_error(spec, 0.0, spec.set_points.resistor_tempco)):
        yield "a trim at final test"
    most = spec.load.i_output * (1.0 + loop.accuracy)
    lower = most / (found.i_max / found.i_nominal)
    yield f"a one-sided target of {_amps(lower)}, never above {_amps(most)}"


def _reached(spec: Spec, loop: CurrentLoop, error: float) -> bool:
    return _holds(spec, loop, _best(spec, loop, error))


def _amps(value: float) -> str:
    return trade(float(f"{value:.3g}"), "current")


def _ohms(value: float) -> str:
    return trade(float(f"{value:.4g}"), "resistance")
