"""Synchronous step-down stage: a half bridge at the input, the coil ends at the output."""

from __future__ import annotations

from optimizer.records import INPUT_HIGH, INPUT_LOW, REGION_DOWN, Leg, Pattern, Window
from optimizer.topologies.intervals import INPUT_LEG, Row, pattern_of

NAME = "buck"
POSITIONS: tuple[str, ...] = (INPUT_HIGH, INPUT_LOW)
LEGS: tuple[Leg, ...] = (INPUT_LEG,)
REGIONS: tuple[int, ...] = (REGION_DOWN,)


def pattern(region: int, window: Window | None) -> Pattern:
    """Input-high on for the regulated duty, then input-low."""
    if region != REGION_DOWN:
        raise ValueError(f"{NAME}: got region {region}, need step-down")
    return pattern_of(
        (Row(True, True, 0.0, 1.0), Row(False, True, 1.0, -1.0)),
        positions=POSITIONS,
        duty_input=(0.0, 1.0),
        duty_output=(0.0, 0.0),
        switching={INPUT_HIGH: 1.0},
    )


def regions_of(*, v_input: float, v_output: float, window: Window | None) -> tuple[int, ...]:
    """Step-down, at every ratio."""
    return REGIONS


def refusal(
    *, v_input_min: float, v_input_max: float, v_output_min: float, v_output_max: float
) -> str | None:
    """Why the stage cannot do the job: the input falls to the output.

    v_input_min, v_input_max : range of the input [V], scalars
    v_output_min, v_output_max : range of the output [V], scalars
    Returns : the reason, or None where the input stays above the output

    Holds for: any load; drops narrow the range further, which the waveforms show.
    Source: derived in DEVELOPERS.md (volt-second balance: output = duty * input, duty < 1).

    >>> refusal(v_input_min=14.4, v_input_max=33.6, v_output_min=19.0, v_output_max=19.0)
    'input 14.4 V falls to the output 19 V'
    """
    if v_input_min > v_output_max:
        return None
    return f"input {v_input_min:g} V falls to the output {v_output_max:g} V"
