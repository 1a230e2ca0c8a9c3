"""A spec printed back: each value in the unit of the trade and as the program holds it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from optimizer import spec_loads, spec_sources
from optimizer import spec_tables as tables
from optimizer.load_records import LedString
from optimizer.spec_dimming import CURRENT_LOOP, DIMMING_INPUT
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


def _source(spec: Spec) -> Iterator[Row]:
    source, record = spec.source, spec.source.record
    yield from _section("source", source, tables.SOURCE)
    if record is not None:
        own = [key for key in spec_sources.TABLES[source.kind] if not hasattr(source, key.name)]
        yield from _section("source", record, own)
    for name in ("v_idle_max", "v_survive_max", "v_cold_min"):
        value = getattr(source, name)
        yield f"source.{name}", trade(value, "voltage"), si(value, "voltage")
    yield from _text("source.record", type(record).__name__ if record else "none")
    events = [
        f"{e.name} {e.v_input:g} V {trade(e.time, 'time')}{'' if e.regulates else ', stress only'}"
        for e in source.transients
    ]
    yield from _text("source.transients", "; ".join(events) or "none")


def _load(spec: Spec) -> Iterator[Row]:
    load, record = spec.load, spec.load.record
    yield from _section("load", load, tables.LOAD)
    if record is not None:
        own = [key for key in spec_loads.TABLES[load.kind] if not hasattr(load, key.name)]
        if load.senses:
            own = [key for key in own if key.name != "resistance_sense"]
            offered = load.senses
            yield "load.resistance_sense", trade(offered, "resistance"), si(offered, "resistance")
        yield from _section("load", record, own)
    if isinstance(record, LedString):
        yield from _section("load.dimming", record.dimming, spec_loads.DIMMING)
    if math.isfinite(load.i_end_error_max):
        limit = load.i_end_error_max
        yield "load.i_end_error_max", trade(limit, "current"), si(limit, "current")
    if load.sense_part:
        yield from _text("load.sense_part", load.sense_part)
    yield from _text("load.record", type(record).__name__ if record else "none")
    for number, one in enumerate(load.demands, start=1):
        text = f"{one.name}: {one.v_output:.4g} V, {trade(one.i_output, 'current')}"
        yield from _text(f"load.demands[{number}]", text)
    surges = [
        f"{s.name} {s.i_output:g} A {trade(s.time, 'time')}"
        f"{f' from {s.v_input_min:g} V' if s.v_input_min else ''}"
        for s in load.surges
    ]
    yield from _text("load.surges", "; ".join(surges) or "none")


def _text(key: str, text: str) -> Iterator[Row]:
    yield key, text, text


def rows(spec: Spec) -> tuple[Row, ...]:
    """Every value of `spec` as (key, in trade units, in SI)."""
    found: list[Row] = [
        ("name", spec.name, spec.name),
        ("topologies", ", ".join(spec.topologies), ", ".join(spec.topologies)),
    ]
    catalogs = ", ".join(str(path) for path in spec.catalogs)
    found.append(("catalogs", catalogs, catalogs))
    found += _source(spec)
    found += _load(spec)
    found += _section("ambient", spec.ambient, tables.AMBIENT)
    found += _section("board", spec.board, tables.BOARD)
    for name, record in spec.controllers.items():
        found += _section(f"controllers.{name}", record, tables.CONTROLLER)
        if record.window is not None:
            found += _section(f"controllers.{name}.window", record.window, tables.WINDOW)
    found += _limits(spec)
    found += _section("faults", spec.faults, tables.FAULTS)
    found += _section("set_points", spec.set_points, tables.SET_POINTS)
    if spec.set_points.dimming is not None:
        found += _section("set_points.dimming", spec.set_points.dimming, DIMMING_INPUT)
    if spec.set_points.current is not None:
        found += _section("set_points.current", spec.set_points.current, CURRENT_LOOP)
    found += _section("loop", spec.loop, tables.LOOP)
    found += _section("life", spec.life, tables.LIFE)
    found.append(("policy.derating", spec.derating, spec.derating))
    found += _section("purchase", spec.purchase, tables.PURCHASE)
    for number, rate in enumerate(spec.purchase.exchange_rates, start=1):
        found += _section(f"purchase.exchange_rates[{number}]", rate, tables.EXCHANGE_RATE)
    for number, row in enumerate(spec.mission, start=1):
        found += _section(f"mission.rows[{number}]", row, tables.MISSION_ROW)
    found += _choice(spec)
    return tuple(found)
