"""Bench tests to repeat after parts of a board were replaced (common practice, no source)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from optimizer.results import Verified
from optimizer.studies.boards import Place

ALWAYS = (
    "total loss and efficiency at the named points, full and light load",
    "conducted emissions pre-scan (no figure here stands for it)",
)

BY_KIND: dict[str, tuple[str, ...]] = {
    "mosfet": (
        "gate waveform, dead time and shoot-through at both ends of the input range",
        "drain overshoot and ringing at the highest input, full load (not modelled here)",
        "temperature of the half bridge at the worst point",
    ),
    "diode": (
        "reverse voltage and ringing at the highest input, full load (not modelled here)",
        "temperature of the diode at the worst point, and of the transistor beside it",
    ),
    "inductor": (
        "ripple and peak current at the highest input; saturation at the current limit, hot",
        "temperature of the winding at the worst point",
        "loop stability and load step",
    ),
    "capacitor": (
        "ripple voltage at the coldest and the hottest ambient",
        "temperature of the bank at the worst point",
        "loop stability and load step",
        "inrush and hot plug",
    ),
    "resistor": ("current limit and short circuit, cold and hot",),
}
"""Kind of part -> what its replacement can change on the bench."""


def tests(changed: Iterable[Place], after: Verified) -> tuple[str, ...]:
    """Tests to repeat for the changed places, with the operating point where margin is least."""
    held = list(changed)
    found = [test for place in held for test in BY_KIND[place.kind]]
    found += list(_tightest({place.position for place in held}, after))
    return tuple(dict.fromkeys([*found, *ALWAYS]))


def _tightest(positions: set[str], after: Verified) -> Iterator[str]:
    """The smallest margin of each changed position, where it can be measured."""
    for position in sorted(positions):
        for margin in after.margins:
            lasting = margin.at not in ("always", "continuous", "transient")
            if margin.subject == position and lasting and margin.unit in ("degC", "A", "V", "W"):
                yield f"{position}: {margin.quantity} at {margin.at} (least margin)"
                break
