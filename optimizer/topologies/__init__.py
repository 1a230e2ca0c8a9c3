"""One file per topology: operating region to the intervals of one switching pattern."""

from __future__ import annotations

from optimizer.topologies import (
    boost,
    buck,
    diode_boost,
    diode_buck,
    diode_sepic,
    four_switch,
    sepic,
)
from optimizer.topologies.intervals import Topology

TOPOLOGIES: dict[str, Topology] = {
    buck.NAME: buck,
    boost.NAME: boost,
    four_switch.NAME: four_switch,
    diode_buck.NAME: diode_buck,
    diode_boost.NAME: diode_boost,
    sepic.NAME: sepic,
    diode_sepic.NAME: diode_sepic,
}
"""Every topology by the name specs and reports use."""

__all__ = ["TOPOLOGIES", "Topology"]
