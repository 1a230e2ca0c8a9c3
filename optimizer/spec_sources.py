"""The source section of a spec: one table of keys per kind, turned into ranges and transients."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from optimizer import sources
from optimizer.load_records import BatteryBus, SolarModule, Transient, VehicleBus
from optimizer.spec_records import TIME_CONTINUOUS
from optimizer.spec_tables import FROM_OTHERS, SOURCE, Key, celsius, count, seconds, volts
from optimizer.spec_text import Reading, article, nearest, trade

Values = dict[str, Any]

BUSES = Path(__file__).parent / "policies" / "buses.toml"

KINDS = ("range", "solar", "battery", "vehicle")

KIND = Key("kind", "text", choices=KINDS)
IMPEDANCE = SOURCE[-2:]
EFFICIENCY = 0.93
"""Preset for the current a cable carries at full power."""

TRANSIENT = (
    Key("name", "text"),
    volts("v_input", 2.0, 200.0),
    seconds("time", "ms", 1e-6, 1e5),
    Key("regulates", "flag", default=True, why="the output holds meanwhile"),
)


def _slope(name: str, low: float, **rest: Any) -> Key:
    return Key(name, "relative slope", "pct_per_k", low, 0.0, **rest)


SOLAR = (
    KIND,
    volts("v_open", 2.0, 150.0),
    volts("v_power", 2.0, 150.0),
    Key("i_short", "current", "a", 0.05, 50.0),
    Key("i_power", "current", "a", 0.05, 50.0),
    _slope("tempco_open", -0.01),
    _slope("tempco_power", -0.01),
    celsius("temp_cell_cold", -60.0, 25.0),
    celsius("temp_cell_hot", 25.0, 110.0),
    count("series", 1, 20, default=1, why="one module"),
    count("parallel", 1, 50, default=1, why="one module"),
    *IMPEDANCE,
)

BATTERY = (
    KIND,
    count("cells", 1, 60),
    volts("v_cell_min", 0.5, 4.0),
    volts("v_cell_typ", 0.5, 4.5),
    volts("v_cell_max", 0.5, 4.7),
    Key("resistance_cable", "resistance", "mohm", 0.0, 1.0, 0.0, "battery beside the stage"),
    *IMPEDANCE,
)

VEHICLE = (
    KIND,
    Key("v_system", "voltage", "v", 12.0, 24.0),
    Key("code", "text", choices=tuple("ABCDEFGH"), default=FROM_OTHERS),
    volts("v_min", 2.0, 150.0, default=FROM_OTHERS),
    volts("v_nominal", 2.0, 150.0, default=FROM_OTHERS),
    volts("v_max", 2.0, 150.0, default=FROM_OTHERS),
    *IMPEDANCE,
)

TABLES: dict[str, tuple[Key, ...]] = {"solar": SOLAR, "battery": BATTERY, "vehicle": VEHICLE}

COMMON_NOT_ASKED = (
    ("hot plug", "cable length and whether it is plugged live; see the faults for what is assumed"),
    ("reversed input", "who protects; no fuse, clamp or blocking transistor is counted"),
    ("slow input ramp", "under-voltage thresholds; taken as clean switching of the input"),
)
NOT_ASKED: dict[str, tuple[tuple[str, str], ...]] = {
    "range": COMMON_NOT_ASKED,
    "solar": (
        *COMMON_NOT_ASKED,
        ("partial shade", "a second power peak; taken as evenly lit"),
        ("over-irradiance", "clouds at the edge of the sun, about 1.25 of the current"),
        ("d.c. disconnect", "modules are live whenever lit; where is the switch"),
        ("night drain", "what the stage draws from the battery in the dark; not counted"),
    ),
    "battery": (
        *COMMON_NOT_ASKED,
        ("fuse at the battery", "close to it and rated for its fault current; taken as there"),
        ("regeneration", "does a motor feed back; add it to [[source.transients]] if so"),
    ),
    "vehicle": (
        *COMMON_NOT_ASKED,
        ("unsuppressed load dump", "outside a 60 V stage: needs a clamp or suppression at source"),
        ("fast pulses", "ISO 7637-2 pulses; taken as clamped before the stage"),
        ("24 V in a 12 V vehicle", "jump start from a lorry; see the transients"),
    ),
}
"""What each kind of source leaves open, and what stood in."""


def read_source(reading: Reading, data: Any, ranged: Callable[[], Values]) -> Values:
    """The source: fields of `spec_records.Source`.

    ranged : reads a source given by its range, as the plain keys of [source]
    """
    kind = data.get("kind", "range") if isinstance(data, Mapping) else "range"
    if not isinstance(kind, str) or kind not in KINDS:
        need, fix = f"one of {', '.join(KINDS)}", nearest(str(kind), KINDS)
        reading.problem(("source", "kind"), got=repr(kind), need=need, fix=fix)
        return _blank("range")
    if kind == "range":
        values = ranged()
        events = _events(reading, data) if isinstance(data, Mapping) else ()
        return _with_events(reading, _range_only(values), events)
    values = reading.section(data, ("source",), TABLES[kind], inner=("transients",))
    before = len(reading.problems)
    CHECKS[kind](reading, values)
    if len(reading.problems) > before or any(value is None for value in values.values()):
        return _blank(kind)
    found = BUILDERS[kind](reading, values)
    impedance = {key.name: values[key.name] for key in IMPEDANCE}
    given = _events(reading, data)
    events = given if "transients" in data else found.pop("events", ())
    found.pop("events", None)
    return _with_events(reading, {**found, **impedance, "kind": kind}, events)


def _blank(kind: str) -> Values:
    names = ("v_min", "v_nominal", "v_max", "v_transient_min", "v_transient_max")
    more = ("time_transient", "resistance", "inductance", "v_idle_max", "v_survive_max")
    return {
        **dict.fromkeys((*names, *more, "v_cold_min")),
        "kind": kind,
        "transients": (),
        "record": None,
    }


def _range_only(values: Values) -> Values:
    return {
        **values,
        "kind": "range",
        "v_idle_max": values["v_max"],
        "v_cold_min": values["v_min"],
        "record": None,
    }


def _events(reading: Reading, data: Mapping[str, Any]) -> tuple[Transient, ...]:
    """The transients a spec gives."""
    raw, path = data.get("transients"), ("source", "transients")
    if raw is None:
        return ()
    if not isinstance(raw, list):
        reading.problem(
            path, got=article(raw), need="a list of tables", fix="[[source.transients]]"
        )
        return ()
    found = [reading.section(item, (*path, k), TRANSIENT) for k, item in enumerate(raw)]
    return tuple(Transient(**one) for one in found if None not in one.values())


def _with_events(reading: Reading, values: Values, events: tuple[Transient, ...]) -> Values:
    """Long events widen the continuous range, short ones the transient range or the stress."""
    low, high = values["v_min"], values["v_max"]
    if low is None or high is None:
        return {**values, "v_survive_max": None, "transients": events}
    lasting = [one for one in events if one.regulates and one.time > TIME_CONTINUOUS]
    short = [one for one in events if one.regulates and one.time <= TIME_CONTINUOUS]
    for one in lasting:
        text = (
            f"{one.name} lasts {trade(one.time, 'time')}: longer than {TIME_CONTINUOUS:g} s counts"
            " as continuous"
        )
        reading.note("assumed", ("source", "transients"), text)
    for one in events:
        if one.origin:
            text = f"{one.name}: {one.v_input:g} V for {trade(one.time, 'time')}, {one.origin}"
            reading.note("assumed", ("source", "transients"), f"{text}; edit it in the spec")
        if not one.regulates and one.v_input < low:
            text = f"{one.name} at {one.v_input:g} V: the output may drop out meanwhile"
            reading.note("caution", ("source", "transients"), text)
    low = min([low, *(one.v_input for one in lasting)])
    high = max([high, *(one.v_input for one in lasting)])
    inputs = [one.v_input for one in short]
    wide_low, wide_high = values.get("v_transient_min"), values.get("v_transient_max")
    bottom = min(low if wide_low is None else wide_low, low, *inputs)
    top = max(high if wide_high is None else wide_high, high, *inputs)
    time = max([values.get("time_transient") or 0.0, *(one.time for one in short)])
    survived = [one.v_input for one in events if not one.regulates]
    idle = values["v_idle_max"]
    return {
        **values,
        "v_min": low,
        "v_max": high,
        "v_cold_min": min(values["v_cold_min"], low) if lasting else values["v_cold_min"],
        "v_idle_max": max(idle, high),
        "v_transient_min": bottom,
        "v_transient_max": top,
        "time_transient": time,
        "v_survive_max": max([top, idle, *survived]),
        "transients": events,
    }


# --- kinds ----------------------------------------------------------------------------------------


def _order(reading: Reading, values: Values, low: str, high: str, unit: str = "v") -> None:
    below, above = values[low], values[high]
    if below is None or above is None or below < above:
        return
    family = {"v": "voltage", "a": "current"}[unit]
    reading.problem(
        ("source", f"{low}_{unit}"),
        got=f"{trade(below, family)}, not below {high} = {trade(above, family)}",
        need=f"{low} < {high}",
        fix="correct one of the two",
    )


def _check_solar(reading: Reading, values: Values) -> None:
    _order(reading, values, "v_power", "v_open")
    _order(reading, values, "i_power", "i_short", "a")


def _check_battery(reading: Reading, values: Values) -> None:
    _order(reading, values, "v_cell_min", "v_cell_typ")
    _order(reading, values, "v_cell_typ", "v_cell_max")


def _presets() -> dict[str, Any]:
    return tomllib.loads(BUSES.read_text("utf-8"))


def _check_vehicle(reading: Reading, values: Values) -> None:
    """Fill the range from the preset of the supply code."""
    system = values["v_system"]
    if system is None:
        return
    if system not in (12.0, 24.0):
        got = trade(system, "voltage")
        reading.problem(("source", "v_system_v"), got=got, need="12 V or 24 V")
        return
    preset = _presets()[f"{system:g}"]
    code = values["code"] or preset["code_default"]
    if code not in preset["codes_v"]:
        known = ", ".join(preset["codes_v"])
        need = f"a code of a {system:g} V supply: {known}"
        reading.problem(("source", "code"), got=repr(code), need=need)
        return
    values["code"] = code
    low, high = preset["codes_v"][code]
    stood = {"v_min": low, "v_max": high, "v_nominal": preset["v_nominal_v"]}
    for name, value in stood.items():
        if values[name] is None:
            values[name] = float(value)
            text = f"{value:g} V: code {code}, {preset['codes_origin']}"
            reading.note("assumed", ("source", name), f"not given, assumed {text}")
    _order(reading, values, "v_min", "v_nominal")
    _order(reading, values, "v_nominal", "v_max")


def _module(record: SolarModule, v_module: float, tempco: float, temp: float) -> float:
    """A voltage of the modules in series at a cell temperature, six digits [V]."""
    found = sources.v_module_at(v_module=v_module, tempco_module=tempco, temp_cell=temp)
    return float(f"{record.series * found:.6g}")


def _solar(reading: Reading, values: Values) -> Values:
    record = SolarModule(**{k: values[k] for k in SolarModule.__dataclass_fields__})
    cold, hot = record.temp_cell_cold, record.temp_cell_hot
    low, nominal, high = (
        _module(record, record.v_power, record.tempco_power, temp) for temp in (hot, 25.0, cold)
    )
    idle = _module(record, record.v_open, record.tempco_open, cold)
    text = (
        f"the parts stand {trade(idle, 'voltage')}, open circuit at {cold:g} degC of the cell;"
        f" full power lies between {trade(low, 'voltage')} hot and {trade(high, 'voltage')} cold."
        " Full power at open circuit does not exist"
    )
    reading.note("assumed", ("source", "v_open"), text)
    return {
        "v_min": low,
        "v_nominal": nominal,
        "v_max": high,
        "v_idle_max": idle,
        "v_cold_min": low,
        "record": record,
    }


def _battery_bus(reading: Reading, values: Values) -> Values:
    record = BatteryBus(**{k: values[k] for k in BatteryBus.__dataclass_fields__})
    return {
        "v_min": record.cells * record.v_cell_min,
        "v_nominal": record.cells * record.v_cell_typ,
        "v_max": record.cells * record.v_cell_max,
        "v_idle_max": record.cells * record.v_cell_max,
        "v_cold_min": record.cells * record.v_cell_min,
        "record": record,
    }


def _vehicle(reading: Reading, values: Values) -> Values:
    preset = _presets()[f"{values['v_system']:g}"]
    events = tuple(
        Transient(
            name=one["name"],
            v_input=float(one["v_input_v"]),
            time=float(one["time_s"]),
            regulates=one["regulates"],
            origin=one["origin"],
        )
        for one in preset["transients"]
    )
    return {
        "v_min": values["v_min"],
        "v_nominal": values["v_nominal"],
        "v_max": values["v_max"],
        "v_idle_max": values["v_max"],
        "v_cold_min": values["v_min"],
        "record": VehicleBus(v_system=values["v_system"], code=values["code"]),
        "events": events,
    }


CHECKS: dict[str, Callable[[Reading, Values], None]] = {
    "solar": _check_solar,
    "battery": _check_battery,
    "vehicle": _check_vehicle,
}
BUILDERS: dict[str, Callable[[Reading, Values], Values]] = {
    "solar": _solar,
    "battery": _battery_bus,
    "vehicle": _vehicle,
}


# --- what needs source and load together ----------------------------------------------------------


def joined(reading: Reading, source: Values, load: Values, ambient: Values) -> None:
    """Cable drop at full power; the coldest air a hot module may go with; surges that can be."""
    record = source["record"]
    for k, surge in enumerate(load["surges"]):
        if source["v_max"] is not None and surge.v_input_min > source["v_max"]:
            reading.problem(
                ("load", "surges", k, "v_input_min_v"),
                got=trade(surge.v_input_min, "voltage"),
                need=f"at most the highest input {trade(source['v_max'], 'voltage')}",
                fix="lower it, or leave it out for a surge at every input",
            )
    power = None
    if load["v_output"] is not None and load["i_output"] is not None:
        power = load["v_output"] * load["i_output"]
    if isinstance(record, BatteryBus) and power is not None and source["v_min"]:
        drop = record.resistance_cable * power / EFFICIENCY / source["v_min"]
        if drop > 0.5 * source["v_min"]:
            reading.problem(
                ("source", "resistance_cable_mohm"),
                got=f"a drop of {trade(float(f'{drop:.3g}'), 'voltage')} at full power",
                need="less than half of the lowest battery voltage",
                fix="thicker or shorter cable",
            )
            return
        for name in ("v_min", "v_cold_min", "v_transient_min"):
            source[name] = float(f"{source[name] - drop:.6g}")
        if drop:
            text = f"{trade(float(f'{drop:.3g}'), 'voltage')} lost in the cable at full power"
            reading.note("assumed", ("source", "resistance_cable"), text)
    if isinstance(record, SolarModule) and None not in ambient.values():
        rise = max(record.temp_cell_hot - ambient["temp_hot"], 0.0)
        warm = min(ambient["temp_cold"] + rise, record.temp_cell_hot)
        source["v_cold_min"] = _module(record, record.v_power, record.tempco_power, warm)
        _power_note(reading, record, source, power)


def _power_note(reading: Reading, record: SolarModule, source: Values, power: float | None) -> None:
    """Whether the modules can feed the full load."""
    if power is None:
        return
    need = trade(float(f"{power / EFFICIENCY:.4g}"), "power")
    hot, cold = (record.parallel * record.i_power * source[end] for end in ("v_min", "v_max"))
    if cold < power / EFFICIENCY:
        text = (
            f"Even the coldest modules offer {trade(float(f'{cold:.4g}'), 'power')} for {need}:"
            " full load is never held in full sun; more modules or less current; the points stay"
            " at full load"
        )
        reading.note("caution", ("source", "i_power"), text)
    elif hot < power / EFFICIENCY:
        text = (
            f"Hot modules offer {trade(float(f'{hot:.4g}'), 'power')} for {need}: full load is"
            " held only in stronger or cooler sun; the points stay at full load"
        )
        reading.note("caution", ("source", "i_power"), text)
