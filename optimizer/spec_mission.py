"""The mission: shares of time over input, load and ambient, as rows or as products."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer import spec_checks as checks
from optimizer import spec_tables as tables
from optimizer.spec_sections import Sections, Values
from optimizer.spec_text import Path as KeyPath

MISSION_INPUTS = (("v_min", 0.1), ("v_nominal", 0.8), ("v_max", 0.1))
MISSION_LOADS = ((1.0, 0.15), (0.6, 0.35), (0.3, 0.4), (0.05, 0.1))


def read_mission(sections: Sections, source: Values, ambient: Values) -> list[Values]:
    """Every row of the mission, shares multiplied out; [] when something is wrong."""
    path: KeyPath = ("mission",)
    parts = ("rows", "inputs", "loads", "ambients")
    if "mission" in sections.data:
        sections.reading.section(sections.data["mission"], path, (), inner=parts)
    found = {part: sections.sub("mission", part) for part in parts}
    if found["rows"] is not None:
        return _mission_rows(sections, path, found, source, ambient)
    if all(raw is None for raw in found.values()):
        return _mission_default(sections, source, ambient)
    if found["inputs"] is None or found["loads"] is None:
        missing = "inputs" if found["inputs"] is None else "loads"
        need = f"mission.{missing} beside the others"
        sections.reading.problem(
            path, got="part of a product", need=need, fix=f"add [[mission.{missing}]]"
        )
    return _mission_product(sections, path, found, source, ambient)


def _mission_rows(
    sections: Sections, path: KeyPath, found: Values, source: Values, ambient: Values
) -> list[Values]:
    beside = [part for part in ("inputs", "loads", "ambients") if found[part] is not None]
    if beside:
        got, need = f"mission.{beside[0]} beside mission.rows", "rows or products, not both"
        sections.reading.problem((*path, beside[0]), got=got, need=need, fix="remove one")
    rows = sections.items((*path, "rows"), found["rows"], tables.MISSION_ROW)
    for index, row in enumerate(rows):
        sections.at_nominal(row, ambient)
        here = (*path, "rows", index)
        checks.check_inputs(sections.reading, here, row["v_input"], source)
        checks.check_ambient(sections.reading, here, row["temp_ambient"], ambient)
        row["name"] = row["name"] or _point_name(row)
    if not rows and isinstance(found["rows"], list):
        sections.reading.problem((*path, "rows"), got="no rows", need="at least one row")
    checks.check_shares(
        sections.reading, (*path, "rows"), [r["share"] for r in rows], "time shares"
    )
    return rows


def _mission_product(
    sections: Sections, path: KeyPath, found: Values, source: Values, ambient: Values
) -> list[Values]:
    keys = {
        "inputs": tables.MISSION_INPUT,
        "loads": tables.MISSION_LOAD,
        "ambients": tables.MISSION_AMBIENT,
    }
    lists = {part: sections.items((*path, part), found[part], keys[part]) for part in keys}
    for part, items in lists.items():
        checks.check_shares(
            sections.reading, (*path, part), [i["share"] for i in items], "time shares"
        )
    for index, item in enumerate(lists["inputs"]):
        checks.check_inputs(sections.reading, (*path, "inputs", index), item["v_input"], source)
    for index, item in enumerate(lists["ambients"]):
        here = (*path, "ambients", index)
        checks.check_ambient(sections.reading, here, item["temp_ambient"], ambient)
    ambients = lists["ambients"] or [{"temp_ambient": ambient["temp_nominal"], "share": 1.0}]
    if sections.reading.problems:
        return []
    return [
        _product_row(v, load, air)
        for v in lists["inputs"]
        for load in lists["loads"]
        for air in ambients
    ]


def _mission_default(sections: Sections, source: Values, ambient: Values) -> list[Values]:
    inputs = [{"v_input": source[key], "share": part} for key, part in MISSION_INPUTS]
    loads = [{"load_share": load, "share": part} for load, part in MISSION_LOADS]
    air = {"temp_ambient": ambient["temp_nominal"], "share": 1.0}
    text = (
        "not given, assumed a computer's day: 15 % of the time at full load, 35 % at 60 %,"
        " 40 % at 30 %, 10 % at 5 %; 10 % at the lowest, 80 % at the nominal and 10 % at the"
        " highest input; nominal ambient"
    )
    sections.reading.note("assumed", ("mission",), text)
    if any(item["v_input"] is None for item in inputs) or air["temp_ambient"] is None:
        return []
    return [_product_row(v, load, air) for v in inputs for load in loads]


def _point_name(row: Mapping[str, Any]) -> str:
    if row["v_input"] is None or row["load_share"] is None:
        return ""
    return f"{row['v_input']:g} V, {row['load_share'] * 100:g} % load"


def _product_row(v: Mapping[str, Any], load: Mapping[str, Any], air: Mapping[str, Any]) -> Values:
    row = {
        "v_input": v["v_input"],
        "load_share": load["load_share"],
        "temp_ambient": air["temp_ambient"],
        "share": v["share"] * load["share"] * air["share"],
    }
    return {"name": _point_name(row), **row}
