"""The dimming levels of a spec: their resistors, and what would do where they miss."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from optimizer.load_records import LedString
from optimizer.records import Note
from optimizer.set_point_rules import (
    FINE_TEMPCO,
    FINE_TOLERANCE,
    SOURCE,
    divider_stack,
    resistor_error,
)
from optimizer.set_points import Stack
from optimizer.set_points_dimming import Ladder, Level, best_ladder
from optimizer.spec_records import DimmingInput, Spec
from optimizer.spec_text import trade

NAME = "set point: dimming"
STEPS = 20
"""Steps in which a smaller error of one kind is looked for."""

HIGH, GRAIN = 0.9, 1e-3
"""Up to where, and in what steps, a lowest level that holds is looked for."""


def dimming_notes(spec: Spec) -> Iterator[Note]:
    """One note for each dimming level; a finding where the accuracy cannot be had."""
    load, pin = spec.load.record, spec.set_points.dimming
    if not isinstance(load, LedString):
        return
    if pin is None:
        if load.dimming.analogue_share < 1.0:
            share = trade(load.dimming.analogue_share, "share")
            text = f"not asked yet: what sets {share} of the current; taken as met exactly"
            yield Note("assumed", NAME, f"{text} ([set_points.dimming])")
        return
    rules = spec.set_points
    stack = divider_stack(spec, pin.v_reference, pin.v_reference_tolerance, pin.i_bias_max)
    found = best_ladder(pin, stack, pin.levels)
    if found is None:
        text = f"no divider of {stack.series} within the allowed total resistance"
        yield Note("finding", NAME, text, SOURCE)
        return
    fine = resistor_error(spec, FINE_TOLERANCE, FINE_TEMPCO)
    drift = resistor_error(spec, 0.0, rules.resistor_tempco)
    for level in found.levels:
        name = f"{NAME} to {_percent(level.target)}"
        told = _told(found, level, pin, stack, spec)
        if holds(level, pin):
            yield Note("assumed", name, f"{told}: holds", SOURCE)
        else:
            cure = would_do(pin, stack, level.target, fine, drift)
            yield Note("finding", name, f"{told}: NOT reached; would do: {cure}", SOURCE)
    least, sized = min(level.low for level in found.levels), load.dimming.analogue_share
    if least < sized * (1.0 - 1e-6):
        lower = math.floor(1e3 * least) / 10.0
        text = (
            f"the current may fall to {_percent(least)}, the stage is sized down to"
            f" {_percent(sized)}: lower load.dimming.analogue_share_pct to {lower:g}"
        )
        yield Note("finding", NAME, text)


def holds(level: Level, pin: DimmingInput) -> bool:
    """Whether the worst case of a level stays within the accuracy asked."""
    return level.miss <= pin.accuracy * (1.0 + 1e-9)


def _told(found: Ladder, level: Level, pin: DimmingInput, stack: Stack, spec: Spec) -> str:
    full = spec.load.i_output
    ohms = [trade(value, "resistance") for value in (found.r_top, level.r_bottom)]
    amps = [trade(float(f"{x * full:.3g}"), "current") for x in (level.low, level.high)]
    low, high = (level.target * (1.0 + sign * pin.accuracy) for sign in (-1.0, 1.0))
    return (
        f"{ohms[0]} over {ohms[1]} ({stack.series}) from {_volts(stack.v_reference)}:"
        f" {_volts(level.v_tap)} at the input, {_percent(level.nominal)} of the full current,"
        f" {_percent(level.low)} to {_percent(level.high)} ({amps[0]} to {amps[1]}) in the worst"
        f" case (expected within {_percent(level.spread)}, root-sum-square); asks"
        f" {_percent(low)} to {_percent(high)}"
    )


def _percent(share: float) -> str:
    return trade(float(f"{share:.3g}"), "share")


def _volts(value: float) -> str:
    return trade(float(f"{value:.4g}"), "voltage")


def would_do(pin: DimmingInput, stack: Stack, level: float, fine: float, drift: float) -> str:
    """What would reach a level within its accuracy, each alone.

    fine : error of resistors that cost more; drift : what a trim leaves of the resistors
    """
    better = replace(stack, resistor_tolerance=fine)
    answers = []
    reference = _largest(
        stack.reference_tolerance,
        lambda x: _reached(pin, replace(stack, reference_tolerance=x), level),
    )
    if reference is not None:
        answers.append(f"a reference of {_percent(reference)}")
    if _reached(pin, better, level):
        answers.append("resistors of 0.1 % and 25 ppm/K")
    offset = _largest(pin.v_offset, lambda x: _reached(replace(pin, v_offset=x), stack, level))
    if offset is not None:
        answers.append(f"an input of {trade(float(f'{offset:.3g}'), 'voltage')} offset")
    slope = _largest(
        pin.slope_tolerance, lambda x: _reached(replace(pin, slope_tolerance=x), stack, level)
    )
    if slope is not None:
        answers.append(f"an input of {_percent(slope)} slope tolerance")
    exact = replace(pin, v_offset=0.0, slope_tolerance=0.0)
    trimmed = replace(stack, reference_tolerance=0.0, resistor_tolerance=drift)
    if _reached(exact, trimmed, level):
        answers.append("a trim at final test")
    lowest = _lowest(pin, stack, level)
    if lowest is not None:
        answers.append(f"{_percent(lowest)} as lowest level, pulses for the rest")
    return ", or ".join(answers) or (
        "a wider accuracy (no one of reference, resistors, input and trim is enough)"
    )


def _reached(pin: DimmingInput, stack: Stack, level: float) -> bool:
    found = best_ladder(pin, stack, (level,))
    return found is not None and holds(found.levels[0], pin)


def _largest(now: float, does: Callable[[float], bool]) -> float | None:
    """The largest of so many equal steps below an error with which the level is reached."""
    if now <= 0.0 or not does(0.0):
        return None
    low, high = 0, STEPS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if does(now * middle / STEPS) else (low, middle)
    return now * low / STEPS if low else None


def _lowest(pin: DimmingInput, stack: Stack, level: float) -> float | None:
    """A level above that is reached, near the lowest such one; None where `HIGH` is not."""
    low, high = round(level / GRAIN), round(HIGH / GRAIN)
    if low >= high or not _reached(pin, stack, HIGH):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _reached(pin, stack, middle * GRAIN) else (middle, high)
    return high * GRAIN
