"""SEPIC: two equal coils and a coupling capacitor between them; steps up and down.

While the low switch is on both coils see the input (the capacitor holds its mean voltage), then
both see the output: the sum of their currents behaves like the current of one coil, and what the
two carry apart follows from the charge balance of the capacitor.
"""

from __future__ import annotations

import numpy as np

from optimizer.records import OUTPUT_HIGH, OUTPUT_LOW, REGION_BOTH, Leg, Pattern, Window
from optimizer.topologies.intervals import N_INTERVAL, SEPIC_LEG

NAME = "sepic"
POSITIONS: tuple[str, ...] = (OUTPUT_LOW, OUTPUT_HIGH)
LEGS: tuple[Leg, ...] = (SEPIC_LEG,)
REGIONS: tuple[int, ...] = (REGION_BOTH,)


def pattern(region: int, window: Window | None) -> Pattern:
    """Output-low on for the regulated duty, then the rectifier; then rest, if it comes to that."""
    return pattern_with(OUTPUT_HIGH, region)


def pattern_with(rectifier: str, region: int) -> Pattern:
    """The same with either rectifier."""
    if region != REGION_BOTH:
        raise ValueError(f"{NAME}: got region {region}, need step-up/down")

    def table(*rows: tuple[float, float]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        return np.array([*rows, *[(0.0, 0.0)] * (N_INTERVAL - len(rows))])

    none, both = (0.0, 0.0), (1.0, 1.0)
    return Pattern(
        base=np.array([0.0, 1.0, 0.0, 0.0]),
        slope=np.array([1.0, -1.0, 0.0, 0.0]),
        winding_input=table(both, none),
        winding_output=table(none, (-1.0, -1.0)),
        input_current=table((1.0, 0.0), (1.0, 0.0), (1.0, 0.0)),
        output_current=table(none, both),
        conducts={OUTPUT_LOW: table(both, none), rectifier: table(none, both)},
        cycles=1,
        duty_input=(1.0, 0.0),
        duty_output=(0.0, 1.0),
        switching={OUTPUT_LOW: 1.0},
        coupling_current=table((0.0, -1.0), (1.0, 0.0), (1.0, 0.0)),
        winding_drop=table((1.0, 0.0), (0.0, 1.0)),
    )


def regions_of(*, v_input: float, v_output: float, window: Window | None) -> tuple[int, ...]:
    """One region at every ratio."""
    return REGIONS


def refusal(
    *, v_input_min: float, v_input_max: float, v_output_min: float, v_output_max: float
) -> str | None:
    """Never refuses on voltages: the stage steps up and down.

    v_input_min, v_input_max : range of the input [V], scalars
    v_output_min, v_output_max : range of the output [V], scalars
    Returns : None

    Holds for: any voltages; switch and rectifier see their sum, which the ratings judge.
    Source: derived in DEVELOPERS.md (volt-second balance: output / input = duty / (1 - duty)).

    >>> refusal(v_input_min=9.0, v_input_max=60.0, v_output_min=24.0, v_output_max=24.0) is None
    True
    """
    return None
