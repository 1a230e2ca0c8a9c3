"""What changes of parts do to a finished front, as far as that can be proved without a search.

Taking sets away, or making them dearer, improves no set. So where only such things happened and no
point holds a part they happened to, the front stands as it is, at the reference states of its run;
where some points do, all others stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from optimizer import buying
from optimizer.buying import KIND_ORDER
from optimizer.catalog import Catalog
from optimizer.catalog_changes import Changes
from optimizer.columns import KINDS
from optimizer.results import PartSet
from optimizer.spec_records import Spec
from optimizer.studies.boards import Boards, places_of
from optimizer.studies.fronts import spec_at
from optimizer.studies.obsolete import without

Plain = Mapping[str, Any]

STANDS, POINTS_FALL, OPEN = "stands", "points fall", "open"

ABSENT, NEUTRAL, WORSE, OTHER = "absent", "neutral", "worse", "other"

TOLD_ONLY = (
    *("stock_pcs", "lead_time_weeks", "price_date", "data_source", "data_revision"),
    *("series", "grade", "second_source_group"),
)
"""Columns that no limit, loss, cost or rule of choice reads."""

COST_ONLY = ("price_breaks_each", "order_minimum_pcs", "order_multiple_pcs", "currency")
RULES_ONLY = ("status", "approval")


@dataclass(frozen=True, slots=True)
class FrontChange:
    """What is proved of the front: `status` and why; `fallen` : points that hold a lost part."""

    status: str
    proof: str
    fallen: tuple[int, ...] = ()


def front_change(
    run: Plain,
    boards_of: Sequence[PartSet],
    spec: Spec,
    catalogs: tuple[Catalog, Catalog],
    changes: Changes,
    *,
    same_catalogs: bool,
) -> FrontChange:
    """What the changes do to the front of a run.

    boards_of : the part sets of its points; catalogs : before and after the changes
    same_catalogs : whether the catalogs before are those of the run
    """
    if not same_catalogs:
        return FrontChange(OPEN, "the catalogs read now are not those the run was found from")
    first = spec_at(spec, run["points"][0])  # what may be bought is the same at every sense
    kinds = _kinds(first, catalogs, changes, boards_of[0].topology)
    if set(kinds.values()) <= {ABSENT}:
        return FrontChange(STANDS, "no changed part is in the catalogs of the run (equal hashes)")
    if set(kinds.values()) <= {ABSENT, NEUTRAL}:
        return FrontChange(STANDS, "no limit, loss or cost of a part that may be chosen changes")
    if OTHER in kinds.values():
        names = ", ".join(sorted(name for name, kind in kinds.items() if kind == OTHER))
        return FrontChange(OPEN, f"{names} may have become better: only a new search knows")
    if not run["complete"]:
        return FrontChange(OPEN, "the front of the run was not proved complete")
    worse = {name for name, kind in kinds.items() if kind == WORSE}
    fallen = tuple(
        point["number"]
        for point, board in zip(run["points"], boards_of, strict=True)
        if worse
        & (
            {place.part for place in places_of(board)}
            | {line["part_number"] for line in point["verified"]["bill"]}
        )
    )
    if not fallen:
        proof = (
            "no point holds a part that is gone or dearer, and taking sets away improves no other "
            "(at the reference states of the run)"
        )
        return FrontChange(STANDS, proof)
    proof = (
        f"{len(fallen)} of {len(run['points'])} points hold a part that is gone or dearer; the "
        "others stand, what takes their place is for a new search"
    )
    return FrontChange(POINTS_FALL, proof, fallen)


def _kinds(
    spec: Spec, catalogs: tuple[Catalog, Catalog], changes: Changes, topology: str
) -> dict[str, str]:
    """Changed part -> what its change can do to a front."""
    before = _Side(spec, catalogs[0], topology)
    after = _Side(without(spec, changes.gone), catalogs[1], topology)
    return {name: _kind(name, before, after, changes) for name in sorted(changes.names)}


class _Side:
    """One catalog under one spec: which parts may be bought, and what they cost."""

    def __init__(self, spec: Spec, catalog: Catalog, topology: str) -> None:
        self.boards = Boards(spec, catalog, topology)
        self.prices = buying.price_list(spec, [catalog.tables[kind] for kind in KIND_ORDER])
        self.kind = {name: kind for kind in KINDS for name in catalog.tables[kind].part_number}

    def usable(self, name: str) -> bool:
        """Whether a part is in the tables and may be bought."""
        return name in self.kind and not self.boards.refusal(self.kind[name], name)

    def costs(self, name: str) -> list[int]:
        """Cost of 1, 2, ... pieces per board."""
        row = self.boards.row[self.kind[name]][name] + self.prices.offset[self.kind[name]]
        return [int(cost) for cost in self.prices.table[row]]


def _kind(name: str, before: _Side, after: _Side, changes: Changes) -> str:
    if name not in before.kind and name not in after.kind:
        return ABSENT
    cells = changes.cells.get(name, {}).keys() - set(TOLD_ONLY)
    if not before.usable(name):
        return OTHER if after.usable(name) else NEUTRAL
    if not after.usable(name):
        return WORSE
    if cells - set(COST_ONLY) - set(RULES_ONLY):
        return OTHER
    old, new = before.costs(name), after.costs(name)
    if old == new:
        return NEUTRAL
    return WORSE if all(b >= a for a, b in zip(old, new, strict=True)) else OTHER
