"""The mission: shares of time over input, load and ambient, as rows or as products."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer import sources
from optimizer import spec_checks as checks
from optimizer import spec_tables as tables
from optimizer.load_records import Demand, LeadAcid, LedString, Lithium, SolarModule
from optimizer.spec_sections import Sections, Values
from optimizer.spec_text import Path as KeyPath
from optimizer.spec_text import Reading, trade

MISSION_INPUTS = (("v_min", 0.1), ("v_nominal", 0.8), ("v_max", 0.1))
MISSION_LOADS = ((1.0, 0.15), (0.6, 0.35), (0.3, 0.4), (0.05, 0.1))


def read_mission(sections: Sections, source: Values, load: Values, ambient: Values) -> list[Values]:
    """Every row of the mission, shares multiplied out; [] when something is wrong."""
    path: KeyPath = ("mission",)
    parts = ("rows", "inputs", "loads", "phases", "ambients")
    if "mission" in sections.data:
        sections.reading.section(sections.data["mission"], path, (), inner=parts)
    found = {part: sections.sub("mission", part) for part in parts}
    if found["rows"] is not None:
        rows = _mission_rows(sections, path, found, source, load, ambient)
        return pulsed(sections.reading, rows, load)
    if all(raw is None for raw in found.values()):
        return pulsed(sections.reading, _mission_default(sections, source, load, ambient), load)
    if found["phases"] is not None:
        _phases(sections, path, found, source, load)
    if found["inputs"] is None or found["loads"] is None:
        missing = "inputs" if found["inputs"] is None else "loads"
        need = f"mission.{missing} beside the others"
        sections.reading.problem(
            path, got="part of a product", need=need, fix=f"add [[mission.{missing}]]"
        )
    rows = _mission_product(sections, path, found, source, ambient)
    return pulsed(sections.reading, rows, load)


def _mission_rows(
    sections: Sections,
    path: KeyPath,
    found: Values,
    source: Values,
    load: Values,
    ambient: Values,
) -> list[Values]:
    beside = [part for part in ("inputs", "loads", "phases", "ambients") if found[part] is not None]
    if beside:
        got, need = f"mission.{beside[0]} beside mission.rows", "rows or products, not both"
        sections.reading.problem((*path, beside[0]), got=got, need=need, fix="remove one")
    rows = sections.items((*path, "rows"), found["rows"], tables.MISSION_ROW)
    for index, row in enumerate(rows):
        sections.at_nominal(row, ambient)
        here = (*path, "rows", index)
        checks.check_inputs(sections.reading, here, row["v_input"], source)
        checks.check_ambient(sections.reading, here, row["temp_ambient"], ambient)
        checks.check_output(sections.reading, here, row["v_output"], load)
        row["name"] = row["name"] or _point_name(row)
        row["phase"] = row["phase"] or ""
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
    phases = found["phases"] is not None
    lists = {
        part: found["loads"]
        if phases and part == "loads"
        else sections.items((*path, part), found[part], keys[part])
        for part in keys
    }
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


def _phases(sections: Sections, path: KeyPath, found: Values, source: Values, load: Values) -> None:
    """Phases with hours as loads with shares; without inputs the nominal one all the time."""
    reading = sections.reading
    if found["loads"] is not None:
        got, need = "mission.phases beside mission.loads", "phases or loads, not both"
        reading.problem((*path, "phases"), got=got, need=need, fix="remove one")
    phases = sections.items((*path, "phases"), found["phases"], tables.MISSION_PHASE)
    hours = [one["time"] for one in phases]
    if None in hours:
        found["loads"] = []
        return
    if not sum(hours) > 0.0:
        got = "no hours in any phase"
        reading.problem((*path, "phases"), got=got, need="phases with hours", fix="add time_h")
        found["loads"] = []
        return
    for index, one in enumerate(phases):
        checks.check_output(reading, (*path, "phases", index), one["v_output"], load)
        one["share"] = one.pop("time") / sum(hours)
    found["loads"] = phases
    if found["inputs"] is None and source["v_nominal"] is not None:
        text = "not given, assumed the nominal input in every phase"
        reading.note("assumed", (*path, "inputs"), text)
        found["inputs"] = [{"v_input_v": source["v_nominal"], "share_pct": 100}]


def _demand(load: Values, name: str) -> Demand:
    found: dict[str, Demand] = {one.name: one for one in load["demands"]}
    return found[name]


def default_loads(load: Values) -> tuple[str, list[Values]]:
    """What stands in for a mission of one kind of load: a text, and loads with shares of time."""
    record, nominal = load["record"], load["v_output"]
    rows: list[tuple[float, float, float | None, str]]
    if isinstance(record, LedString):
        text = "a corridor lamp: 35 % of the time at full current, 45 % at 50 %, 20 % at 10 %"
        rows = [(1.0, 0.35, None, ""), (0.5, 0.45, None, ""), (0.1, 0.2, None, "")]
    elif isinstance(record, LeadAcid):
        text = "hours of charging: 35 % bulk, 25 % absorption at 40 % current, 40 % float"
        bulk, floated = _demand(load, "bulk"), _demand(load, "float")
        middle = 0.5 * (bulk.v_output + nominal)
        rows = [(1.0, 0.35, middle, "bulk"), (0.4, 0.25, nominal, "absorption")]
        rows.append((floated.i_output / load["i_output"], 0.4, floated.v_output, "float"))
    elif isinstance(record, Lithium):
        text = "hours of charging: 65 % constant current, 30 % constant voltage, 5 % pre-charge"
        start, gentle = _demand(load, "constant current, start"), _demand(load, "pre-charge, end")
        middle = 0.5 * (start.v_output + nominal)
        rows = [(1.0, 0.65, middle, "constant current"), (0.35, 0.3, nominal, "constant voltage")]
        rows.append((gentle.i_output / load["i_output"], 0.05, gentle.v_output, "pre-charge"))
    else:
        text = (
            "a computer's day: 15 % of the time at full load, 35 % at 60 %, 40 % at 30 %, 10 % at"
            " 5 %"
        )
        rows = [(share, part, None, "") for share, part in MISSION_LOADS]
    keys = ("load_share", "share", "v_output", "name")
    return text, [dict(zip(keys, row, strict=True)) for row in rows]


def _solar_rows(module: SolarModule, source: Values, air: Values, load: Values) -> list[Values]:
    """The power points that EN 50530 weighs, at the nominal temperature of the cells."""
    curve = {
        "v_open": module.v_open,
        "v_power": module.v_power,
        "i_short": module.i_short,
        "i_power": module.i_power,
    }
    rows = []
    for share, weight in sources.WEIGHTS_EURO:
        volts = module.series * sources.v_power_at(share_power=share, **curve)
        volts = min(max(volts, source["v_min"]), source["v_max"])
        v = {"v_input": float(f"{volts:.6g}"), "share": weight}
        demand = {"load_share": share, "share": 1.0, "v_output": load["v_output"], "name": ""}
        rows.append(_product_row(v, demand, air))
        rows[-1]["name"] = f"{100.0 * share:g} % sun"
    return rows


def pulsed(reading: Reading, rows: list[Values], load: Values) -> list[Values]:
    """Rows of a lamp below its smallest continuous current: that current, a part of the time."""
    record = load["record"]
    if not isinstance(record, LedString) or record.dimming.pwm_ratio <= 1.0:
        return rows
    least, changed = record.dimming.analogue_share, False
    for row in rows:
        if row["load_share"] is not None and row["load_share"] < least * (1.0 - 1e-9):
            row["share"] = row["share"] * row["load_share"] / least
            row["load_share"], changed = least, True
    if changed:
        text = (
            f"points below {trade(least, 'share')} of the current are pulses of it: their time"
            " share is that of the pulses, nothing is lost between them"
        )
        reading.note("assumed", ("mission",), text)
    return rows


def _mission_default(
    sections: Sections, source: Values, load: Values, ambient: Values
) -> list[Values]:
    inputs = [{"v_input": source[key], "share": part} for key, part in MISSION_INPUTS]
    air = {"temp_ambient": ambient["temp_nominal"], "share": 1.0}
    known = all(item["v_input"] is not None for item in inputs)
    if not known or air["temp_ambient"] is None or load["v_output"] is None:
        return []
    if isinstance(source["record"], SolarModule):
        text = "not given, assumed the power points and weights of EN 50530 (second-hand)"
        sections.reading.note("assumed", ("mission",), f"{text}; nominal ambient")
        return _solar_rows(source["record"], source, air, load)
    stood, loads = default_loads(load)
    text = (
        f"not given, assumed {stood}; 10 % at the lowest, 80 % at the nominal and 10 % at the"
        " highest input; nominal ambient"
    )
    sections.reading.note("assumed", ("mission",), text)
    return [_product_row(v, one, air) for v in inputs for one in loads]


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
        "v_output": load.get("v_output"),
        "phase": load.get("name") or "",
    }
    named = f", {row['phase']}" if row["phase"] else ""
    return {"name": _point_name(row) + named, **row}
