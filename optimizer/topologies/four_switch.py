"""Four-switch stage: a half bridge at each end of the coil.

Stepping down output-high conducts all the time, stepping up input-high does; in the window
between both half bridges switch.
"""

from __future__ import annotations

from optimizer.records import (
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_HIGH,
    OUTPUT_LOW,
    REGION_DOWN,
    REGION_UP,
    REGION_WINDOW,
    Leg,
    Pattern,
    Window,
)
from optimizer.topologies.intervals import INPUT_LEG, OUTPUT_LEG, Row, pattern_of

NAME = "four-switch"
POSITIONS: tuple[str, ...] = (INPUT_HIGH, INPUT_LOW, OUTPUT_LOW, OUTPUT_HIGH)
LEGS: tuple[Leg, ...] = (INPUT_LEG, OUTPUT_LEG)
REGIONS: tuple[int, ...] = (REGION_DOWN, REGION_WINDOW, REGION_UP)

Share = tuple[float, float]
"""(base, slope) of a share that is linear in the regulated duty."""


def pattern(region: int, window: Window | None) -> Pattern:
    """Intervals of one switching pattern in `region`; the window region needs `window`."""
    if region == REGION_WINDOW:
        return _window(window)
    step_down = region == REGION_DOWN
    rows = (
        (Row(True, True, 0.0, 1.0), Row(False, True, 1.0, -1.0))
        if step_down
        else (Row(True, False, 0.0, 1.0), Row(True, True, 1.0, -1.0))
    )
    return pattern_of(
        rows,
        positions=POSITIONS,
        duty_input=(0.0, 1.0) if step_down else (1.0, 0.0),
        duty_output=(0.0, 0.0) if step_down else (0.0, 1.0),
        switching={INPUT_HIGH if step_down else OUTPUT_LOW: 1.0},
    )


def _window(window: Window | None) -> Pattern:
    if window is None:
        raise ValueError(f"{NAME}: got no window law, need one for the window region")
    held, regulated = (window.duty, 0.0), (0.0, 1.0)
    duty_input, duty_output = (
        (regulated, held) if window.law == "output duty" else (held, regulated)
    )
    alternate = window.frequency_share < 1
    rows = _alternating if alternate else _every_cycle
    return pattern_of(
        rows(duty_input, duty_output, centre=window.pulse == "centre"),
        positions=POSITIONS,
        duty_input=duty_input,
        duty_output=duty_output,
        switching={INPUT_HIGH: window.frequency_share, OUTPUT_LOW: window.frequency_share},
        cycles=2 if alternate else 1,
    )


def _every_cycle(duty_input: Share, duty_output: Share, *, centre: bool) -> tuple[Row, ...]:
    """Both legs every cycle; the output-low pulse lies inside the input on-time."""
    pulse = Row(True, False, *duty_output)
    both = _sum(duty_input, duty_output, -1.0)
    rest = Row(False, True, *_sum((1.0, 0.0), duty_input, -1.0))
    if not centre:
        return (pulse, Row(True, True, *both), rest)
    half = Row(True, True, both[0] / 2, both[1] / 2)
    return (half, pulse, half, rest)


def _alternating(duty_input: Share, duty_output: Share, *, centre: bool) -> tuple[Row, ...]:
    """First cycle: the input leg switches; second: the output leg. Shares are of two cycles.

    With the pulse in the centre of the second cycle, its second half of both-high runs on into
    the first interval of the next pattern and is counted there.
    """
    off_input = _sum((1.0, 0.0), duty_input, -1.0)
    off_output = _sum((1.0, 0.0), duty_output, -1.0)
    rest = Row(False, True, off_input[0] / 2, off_input[1] / 2)
    pulse = Row(True, False, duty_output[0] / 2, duty_output[1] / 2)
    on_input = (duty_input[0] / 2, duty_input[1] / 2)
    if not centre:
        tail = Row(True, True, off_output[0] / 2, off_output[1] / 2)
        return (Row(True, True, *on_input), rest, pulse, tail)
    quarter = Row(True, True, off_output[0] / 4, off_output[1] / 4)
    return (Row(True, True, *_sum(on_input, off_output, 0.25)), rest, quarter, pulse)


def _sum(one: Share, other: Share, factor: float) -> Share:
    return one[0] + factor * other[0], one[1] + factor * other[1]


def regions_of(*, v_input: float, v_output: float, window: Window | None) -> tuple[int, ...]:
    """Every region the stage may be in at this ratio, given the tolerance of the edges.

    v_input, v_output : voltages [V], scalars
    window : law of the window, or None for a stage that steps over it
    Returns : regions, one or two (all three where the tolerance exceeds the window)

    Holds for: edges that scale with their tolerance independently.
    Source: derived in DEVELOPERS.md.

    >>> law = Window(0.9, 1.15, 0.02, "output duty", 0.1, "start", 1.0)
    >>> regions_of(v_input=27.4, v_output=24.0, window=law)
    (0, 1)
    """
    ratio = v_input / v_output
    if window is None:
        return (REGION_DOWN,) if ratio > 1 else (REGION_UP,)
    wide, narrow = 1 + window.ratio_tolerance, 1 - window.ratio_tolerance
    may = {
        REGION_DOWN: ratio > window.ratio_high * narrow,
        REGION_WINDOW: window.ratio_low * narrow <= ratio <= window.ratio_high * wide,
        REGION_UP: ratio < window.ratio_low * wide,
    }
    return tuple(region for region in REGIONS if may[region])


def refusal(
    *, v_input_min: float, v_input_max: float, v_output_min: float, v_output_max: float
) -> str | None:
    """Never refuses on voltages: the stage steps down and up.

    v_input_min, v_input_max : range of the input [V], scalars
    v_output_min, v_output_max : range of the output [V], scalars
    Returns : None

    Holds for: any voltages; whether the duty closes with its drops, the waveforms show.
    Source: derived in DEVELOPERS.md (volt-second balance of three regions).

    >>> refusal(v_input_min=9.0, v_input_max=60.0, v_output_min=24.0, v_output_max=24.0) is None
    True
    """
    return None
