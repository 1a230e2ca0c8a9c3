"""Step-down stage with a diode: the switch pulls the coil to the input, the diode to ground."""

from __future__ import annotations

from dataclasses import replace

from optimizer.records import INPUT_DIODE, INPUT_HIGH, Leg, Pattern, Window
from optimizer.topologies import buck
from optimizer.topologies.intervals import INPUT_DIODE_LEG

NAME = "diode-buck"
POSITIONS: tuple[str, ...] = (INPUT_HIGH, INPUT_DIODE)
LEGS: tuple[Leg, ...] = (INPUT_DIODE_LEG,)
REGIONS = buck.REGIONS
regions_of = buck.regions_of
refusal = buck.refusal


def pattern(region: int, window: Window | None) -> Pattern:
    """As the synchronous stage, the diode in the place of its low transistor."""
    found = buck.pattern(region, window)
    conducts = {INPUT_HIGH: found.conducts[INPUT_HIGH]}
    return replace(found, conducts=conducts | {INPUT_DIODE: found.conducts[buck.POSITIONS[1]]})
