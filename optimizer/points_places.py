"""Where the input of one topology is worth a point: ends, window edges, interior maxima."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from optimizer.records import REGION_DOWN, REGION_UP, REGION_WINDOW, Note
from optimizer.spec_records import TIME_CONTINUOUS, Spec
from optimizer.topologies import TOPOLOGIES

NEAR = 0.005
"""Inputs closer than this share of each other are one point."""


@dataclass(frozen=True, slots=True)
class Place:
    """One input voltage in one region; `rank` decides which of two close ones stays."""

    label: str
    v_input: float
    region: int
    transient: bool
    rank: int


def outputs(spec: Spec) -> tuple[float, ...]:
    """Lowest, nominal and highest output, fewer where the tolerance is zero."""
    load = spec.load
    if load.demands:
        return tuple(sorted({load.v_lowest, load.v_output, load.v_highest}))
    spread = load.v_output * load.v_output_tolerance
    return tuple(sorted({load.v_output - spread, load.v_output, load.v_output + spread}))


def input_range(spec: Spec) -> tuple[float, float, float, float]:
    """Continuous minimum and maximum, then transient ones; long transients are continuous."""
    source = spec.source
    wide = (source.v_transient_min, source.v_transient_max)
    if source.time_transient > TIME_CONTINUOUS:
        return (*wide, *wide)
    return (source.v_min, source.v_max, *wide)


def regions(
    spec: Spec, topology_name: str, v_input: float, v_output: float, *, spread: bool
) -> tuple[int, ...]:
    """Regions the stage can regulate in; `spread` counts the tolerance of the window edges."""
    window = spec.controllers[topology_name].window
    if window is not None and not spread:
        window = replace(window, ratio_tolerance=0.0)
    found = TOPOLOGIES[topology_name].regions_of(v_input=v_input, v_output=v_output, window=window)
    ratio = v_input / v_output
    reach = {REGION_DOWN: ratio > 1.0, REGION_UP: ratio < 1.0}
    return tuple(region for region in found if reach.get(region, True))


def _inputs(spec: Spec, v_output: float) -> Iterator[tuple[str, float, int]]:
    """Inputs worth a point in every region they fall in (label, volts, rank)."""
    low, high, transient_low, transient_high = input_range(spec)
    yield "minimum input", low, 0
    yield "maximum input", high, 0
    if transient_low < low:
        yield "transient minimum input", transient_low, 0
    if transient_high > high:
        yield "transient maximum input", transient_high, 0
    yield "nominal input", spec.source.v_nominal, 2
    yield "input at the output", v_output, 3
    yield "input at half the output", v_output / 2.0, 4
    yield "input at twice the output", v_output * 2.0, 4


def edge_ratios(spec: Spec, topology_name: str) -> Iterator[tuple[str, float, int]]:
    """Input over output at both sides of both window edges, at the far end of their tolerance."""
    window = spec.controllers[topology_name].window
    if window is None:
        return
    wide, narrow = 1.0 + window.ratio_tolerance, 1.0 - window.ratio_tolerance
    for label, ratio, region in (
        ("low window edge", window.ratio_low * narrow, REGION_WINDOW),
        ("low window edge", window.ratio_low * wide, REGION_UP),
        ("high window edge", window.ratio_high * narrow, REGION_DOWN),
        ("high window edge", window.ratio_high * wide, REGION_WINDOW),
    ):
        if region == REGION_WINDOW or (ratio > 1.0) == (region == REGION_DOWN):
            yield label, ratio, region


def places(
    spec: Spec, topology_name: str, v_output: float | None = None
) -> tuple[list[Place], list[Note]]:
    """Every input that matters, in every region it may fall in, close ones merged.

    v_output : output the ratios are taken to; the highest where not given
    """
    v_output = outputs(spec)[-1] if v_output is None else v_output
    low, high, transient_low, transient_high = input_range(spec)
    found = [
        Place(label, v_output * ratio, region, False, 1)
        for label, ratio, region in edge_ratios(spec, topology_name)
    ]
    notes: list[Note] = []
    missed: list[str] = []
    for label, v_input, rank in _inputs(spec, v_output):
        here = regions(spec, topology_name, v_input, v_output, spread=True)
        inside = transient_low <= v_input <= transient_high
        if inside and not here:
            missed.append(f"{label} {v_input:.4g} V")
        found += [Place(label, v_input, region, False, rank) for region in here]
    found = [
        replace(place, transient=not low <= place.v_input <= high)
        for place in found
        if transient_low <= place.v_input <= transient_high
    ]
    if spec.source.time_transient > TIME_CONTINUOUS and low < high:
        text = f"transients longer than {TIME_CONTINUOUS:g} s count as continuous"
        notes.append(Note("assumed", f"points.{topology_name}", text))
    if missed:
        text = f"{', '.join(missed)}: not a point, {topology_name} cannot reach the output there"
        notes.append(Note("excluded", f"points.{topology_name}", text))
    kept, merged = _merged(found)
    if merged:
        notes.append(Note("excluded", f"points.{topology_name}", f"merged: {'; '.join(merged)}"))
    return kept, notes


def _merged(found: Iterable[Place]) -> tuple[list[Place], list[str]]:
    """Of places within half a percent in the same region, the one of the lowest rank."""
    kept: list[Place] = []
    merged = []
    for place in sorted(found, key=lambda p: (p.rank, p.v_input, p.region)):
        for other in kept:
            close = abs(other.v_input - place.v_input) <= NEAR * place.v_input
            if close and (other.region, other.transient) == (place.region, place.transient):
                if other.label != place.label:
                    one = f"{place.label} {place.v_input:.4g} V"
                    merged.append(f"{one} with {other.label} {other.v_input:.4g} V")
                break
        else:
            kept.append(place)
    return sorted(kept, key=lambda p: (p.transient, p.v_input, p.region)), merged
