"""A spec printed back: each value in the unit of the trade and as the program holds it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from optimizer import spec_tables as tables
from optimizer.spec_records import PART_KINDS, Spec
from optimizer.spec_text import si, trade

Row = tuple[str, str, str]


def _section(path: str, record: Any, keys: Sequence[tables.Key]) -> Iterator[Row]:
    for key in keys:
        value = getattr(record, key.name)
        yield f"{path}.{key.name}", trade(value, key.family), si(value, key.family)


def _limits(spec: Spec) -> Iterator[Row]:
    keys = {key.name: key for key in tables.LIMITS}
    for kind in PART_KINDS:
        key = keys.pop(f"temp_{kind}_max")
        value = spec.limits.temp_max.get(kind)
        text = "derating policy" if value is None else trade(value, key.family)
        yield f"limits.{key.name}", text, "-" if value is None else si(value, key.family)
    yield from _section("limits", spec.limits, tuple(keys.values()))
    for number, floor in enumerate(spec.limits.floors, start=1):
        yield from _section(f"limits.floors[{number}]", floor, tables.FLOOR)


def _choice(spec: Spec) -> Iterator[Row]:
    yield from _section("choice", spec.choice, tables.CHOICE)
    groups = "; ".join(" = ".join(group) for group in spec.choice.same_part) or "none"
    yield "choice.same_part", groups, groups
    forced = [
        f"{f'{f.pieces} x ' if f.pieces else ''}{f.part_number} at {f.position or 'any position'}"
        for f in spec.choice.force
    ]
    yield "choice.force", ", ".join(forced) or "none", ", ".join(forced) or "none"


def rows(spec: Spec) -> tuple[Row, ...]:
    """Every value of `spec` as (key, in trade units, in SI)."""
    found: list[Row] = [
        ("name", spec.name, spec.name),
        ("topologies", ", ".join(spec.topologies), ", ".join(spec.topologies)),
    ]
    catalogs = ", ".join(str(path) for path in spec.catalogs)
    found.append(("catalogs", catalogs, catalogs))
    found += _section("source", spec.source, tables.SOURCE)
    found += _section("load", spec.load, tables.LOAD)
    found += _section("ambient", spec.ambient, tables.AMBIENT)
    found += _section("board", spec.board, tables.BOARD)
    for name, record in spec.controllers.items():
        found += _section(f"controllers.{name}", record, tables.CONTROLLER)
        if record.window is not None:
            found += _section(f"controllers.{name}.window", record.window, tables.WINDOW)
    found += _limits(spec)
    found.append(("policy.derating", spec.derating, spec.derating))
    found += _section("purchase", spec.purchase, tables.PURCHASE)
    for number, rate in enumerate(spec.purchase.exchange_rates, start=1):
        found += _section(f"purchase.exchange_rates[{number}]", rate, tables.EXCHANGE_RATE)
    for number, row in enumerate(spec.mission, start=1):
        found += _section(f"mission.rows[{number}]", row, tables.MISSION_ROW)
    found += _choice(spec)
    return tuple(found)
