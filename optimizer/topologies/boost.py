"""Synchronous step-up stage: the coil starts at the input, a half bridge at the output."""

from __future__ import annotations

from optimizer.records import OUTPUT_HIGH, OUTPUT_LOW, REGION_UP, Leg, Pattern, Window
from optimizer.topologies.intervals import OUTPUT_LEG, Row, pattern_of

NAME = "boost"
POSITIONS: tuple[str, ...] = (OUTPUT_LOW, OUTPUT_HIGH)
LEGS: tuple[Leg, ...] = (OUTPUT_LEG,)
REGIONS: tuple[int, ...] = (REGION_UP,)


def pattern(region: int, window: Window | None) -> Pattern:
    """Output-low on for the regulated duty, then output-high."""
    if region != REGION_UP:
        raise ValueError(f"{NAME}: got region {region}, need step-up")
    return pattern_of(
        (Row(True, False, 0.0, 1.0), Row(True, True, 1.0, -1.0)),
        positions=POSITIONS,
        duty_input=(1.0, 0.0),
        duty_output=(0.0, 1.0),
        switching={OUTPUT_LOW: 1.0},
    )


def regions_of(*, v_input: float, v_output: float, window: Window | None) -> tuple[int, ...]:
    """Step-up, at every ratio."""
    return REGIONS


def refusal(
    *, v_input_min: float, v_input_max: float, v_output_min: float, v_output_max: float
) -> str | None:
    """Why the stage cannot do the job: the input reaches the output.

    v_input_min, v_input_max : range of the input [V], scalars
    v_output_min, v_output_max : range of the output [V], scalars
    Returns : the reason, or None where the input stays below the output

    Holds for: any load; the largest gain with losses is lower, which the waveforms show.
    Source: derived in DEVELOPERS.md (volt-second balance: input = (1 - duty) * output, duty > 0).

    >>> refusal(v_input_min=14.4, v_input_max=33.6, v_output_min=19.0, v_output_max=19.0)
    'input 33.6 V reaches the output 19 V'
    """
    if v_input_max < v_output_min:
        return None
    return f"input {v_input_max:g} V reaches the output {v_output_min:g} V"
