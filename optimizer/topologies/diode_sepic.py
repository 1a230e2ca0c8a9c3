"""SEPIC with a diode: the common form."""

from __future__ import annotations

from optimizer.records import OUTPUT_DIODE, OUTPUT_LOW, Leg, Pattern, Window
from optimizer.topologies import sepic
from optimizer.topologies.intervals import SEPIC_DIODE_LEG

NAME = "diode-sepic"
POSITIONS: tuple[str, ...] = (OUTPUT_LOW, OUTPUT_DIODE)
LEGS: tuple[Leg, ...] = (SEPIC_DIODE_LEG,)
REGIONS = sepic.REGIONS
regions_of = sepic.regions_of
refusal = sepic.refusal


def pattern(region: int, window: Window | None) -> Pattern:
    """As the synchronous stage, the diode in the place of its high transistor."""
    return sepic.pattern_with(OUTPUT_DIODE, region)
