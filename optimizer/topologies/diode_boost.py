"""Step-up stage with a diode: the switch pulls the coil to ground, the diode to the output."""

from __future__ import annotations

from dataclasses import replace

from optimizer.records import OUTPUT_DIODE, OUTPUT_LOW, Leg, Pattern, Window
from optimizer.topologies import boost
from optimizer.topologies.intervals import OUTPUT_DIODE_LEG

NAME = "diode-boost"
POSITIONS: tuple[str, ...] = (OUTPUT_LOW, OUTPUT_DIODE)
LEGS: tuple[Leg, ...] = (OUTPUT_DIODE_LEG,)
REGIONS = boost.REGIONS
regions_of = boost.regions_of
refusal = boost.refusal


def pattern(region: int, window: Window | None) -> Pattern:
    """As the synchronous stage, the diode in the place of its high transistor."""
    found = boost.pattern(region, window)
    conducts = {OUTPUT_LOW: found.conducts[OUTPUT_LOW]}
    return replace(found, conducts=conducts | {OUTPUT_DIODE: found.conducts[boost.POSITIONS[1]]})
