"""The set points of a spec: what each must keep, its divider, and what would do where none does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer import set_points
from optimizer.load_records import LeadAcid, LedString, Lithium
from optimizer.records import Note
from optimizer.set_points import Divider, Stack
from optimizer.spec_records import Controller, Spec
from optimizer.spec_text import trade

FINE_TOLERANCE, FINE_TEMPCO = 1e-3, 25e-6
"""Resistors that cost more: 0.1 % and 25 ppm/K."""

SOURCE = "E-series of IEC 60063, every pair tried"


@dataclass(frozen=True, slots=True)
class Wish:
    """A set point [V] and the band its worst case must keep."""

    name: str
    target: float
    low: float
    high: float


def set_point_notes(spec: Spec, topology: str) -> tuple[Note, ...]:
    """One note per set point of a controller; a finding where the accuracy cannot be had."""
    controller = spec.controllers[topology]
    found: list[Note] = []
    stack = stack_of(spec, controller)
    if stack is not None:
        found += [_note(wish, stack, spec) for wish in wishes(spec, controller)]
    found += _lockout(spec)
    return tuple(found)


def divider_stack(spec: Spec, v_reference: float, tolerance: float, i_bias: float) -> Stack:
    """What a divider of the spec's resistors holds against a reference [V, 1, A]."""
    rules = spec.set_points
    return Stack(
        v_reference=v_reference,
        reference_tolerance=tolerance,
        resistor_tolerance=resistor_error(spec, rules.resistor_tolerance, rules.resistor_tempco),
        i_bias=i_bias,
        series=rules.series,
        total_min=rules.resistance_total_min,
        total_max=rules.resistance_total_max,
    )


def resistor_error(spec: Spec, tolerance: float, tempco: float) -> float:
    """Tolerance and temperature of a resistor together, over the ambient range [1]."""
    air = spec.ambient
    reach = max(abs(air.temp_hot - 25.0), abs(air.temp_cold - 25.0))
    return tolerance + tempco * reach


def stack_of(spec: Spec, controller: Controller) -> Stack | None:
    """The error stack of the feedback divider; None without a reference."""
    if controller.v_reference is None:
        return None
    reference = controller.v_reference, controller.v_reference_tolerance
    return divider_stack(spec, *reference, spec.set_points.i_bias_max)


def wishes(spec: Spec, controller: Controller) -> Iterator[Wish]:
    """What the dividers of a controller must hold."""
    load, record = spec.load, spec.load.record
    spread = load.v_output_tolerance
    if isinstance(record, LedString):
        low, high = load.v_highest, controller.v_overvoltage_min
        yield Wish("open-string limit", 0.5 * (low + high), low, high)
    elif isinstance(record, LeadAcid):
        for name, volts in (("charge", record.v_cell_charge), ("float", record.v_cell_float)):
            target = record.cells * volts
            yield Wish(f"{name} voltage at 25 degC", target, *_band(target, spread))
    elif isinstance(record, Lithium):
        target = record.cells * record.v_cell_charge
        low, high = _band(target, spread)
        yield Wish("constant voltage", target, low, min(high, record.cells * record.v_cell_limit))
    else:
        yield Wish("output voltage", load.v_output, *_band(load.v_output, spread))
    low, high = controller.v_overvoltage_min, controller.v_overvoltage_max
    yield Wish("over-voltage limit", controller.v_overvoltage_typ, low, high)


def _band(target: float, spread: float) -> tuple[float, float]:
    return target * (1.0 - spread), target * (1.0 + spread)


def _note(wish: Wish, stack: Stack, spec: Spec) -> Note:
    found = set_points.best_divider(stack, target=wish.target, low=wish.low, high=wish.high)
    name = f"set point: {wish.name}"
    if found is None:
        text = f"no divider of {stack.series} within the allowed total resistance"
        return Note("finding", name, text, SOURCE)
    asked = f"asks {_volts(wish.low)} to {_volts(wish.high)}"
    if keeps(found, wish):
        return Note("assumed", name, f"{told(found, stack)}; {asked}: holds", SOURCE)
    text = f"{told(found, stack)}; {asked}: NOT reached; {would_do(wish, stack, spec)}"
    return Note("finding", name, text, SOURCE)


def keeps(found: Divider, wish: Wish) -> bool:
    """Whether the worst case stays in the band."""
    return found.v_min >= wish.low * (1 - 1e-12) and found.v_max <= wish.high * (1 + 1e-12)


def told(found: Divider, stack: Stack) -> str:
    """A divider and its voltages in words."""
    ohms = [trade(value, "resistance") for value in (found.r_top, found.r_bottom)]
    return (
        f"{ohms[0]} over {ohms[1]} ({stack.series}): {_volts(found.v_nominal)},"
        f" {_volts(found.v_min)} to {_volts(found.v_max)} in the worst case (expected within"
        f" {trade(float(f'{found.v_spread:.2g}'), 'voltage')}, root-sum-square)"
    )


def _volts(value: float) -> str:
    return trade(float(f"{value:.4g}"), "voltage")


def would_do(wish: Wish, stack: Stack, spec: Spec) -> str:
    """What would reach the band: each alone, smallest change first."""
    fine = replace(stack, resistor_tolerance=resistor_error(spec, FINE_TOLERANCE, FINE_TEMPCO))
    answers = []
    reference = _reference_that_does(wish, stack)
    if reference is not None:
        answers.append(f"a reference of {trade(reference, 'share')}")
    if _reached(wish, fine):
        answers.append("resistors of 0.1 % and 25 ppm/K")
    else:
        both = _reference_that_does(wish, fine)
        if both is not None:
            share = trade(both, "share")
            answers.append(f"a reference of {share} with resistors of 0.1 % and 25 ppm/K")
    drift = replace(
        stack,
        reference_tolerance=0.0,
        resistor_tolerance=resistor_error(spec, 0.0, spec.set_points.resistor_tempco),
    )
    if _reached(wish, drift):
        answers.append("a trim at final test")
    found = set_points.best_divider(stack, target=wish.target)
    if found is not None:
        lower = wish.high / (found.v_max / found.v_nominal)
        answers.append(f"a one-sided target of {_volts(lower)}, never above {_volts(wish.high)}")
    return "would do: " + ", or ".join(answers)


def _reached(wish: Wish, stack: Stack) -> bool:
    found = set_points.best_divider(stack, target=wish.target, low=wish.low, high=wish.high)
    return found is not None and keeps(found, wish)


def _reference_that_does(wish: Wish, stack: Stack) -> float | None:
    """The largest reference tolerance, in steps of 0.1 %, that reaches the band."""
    steps = int(stack.reference_tolerance / 1e-3 - 1e-9)
    for step in range(steps, 0, -1):
        if _reached(wish, replace(stack, reference_tolerance=step * 1e-3)):
            return step * 1e-3
    return None


def _lockout(spec: Spec) -> Iterator[Note]:
    """The input must switch on below its lowest value, and as high as that allows."""
    rules, low = spec.set_points, spec.source.v_min
    name = "set point: under-voltage lock-out"
    reference = rules.v_lockout_reference, rules.v_lockout_tolerance
    stack = divider_stack(spec, *reference, rules.i_bias_max)
    found = set_points.highest_below(stack, high=low)
    if found is None:
        yield Note("finding", name, f"no divider stays below {_volts(low)}", SOURCE)
        return
    text = f"{told(found, stack)}; on for certain at the lowest input {_volts(low)}"
    yield Note("assumed", name, text, SOURCE)
