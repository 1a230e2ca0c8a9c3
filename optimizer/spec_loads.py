"""The load section of a spec: one table of keys per kind, and the demands each kind turns into."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Any

from optimizer import loads
from optimizer.load_records import Dimming, LeadAcid, LedString, Lithium, Surge
from optimizer.spec_demands import DEMANDS
from optimizer.spec_tables import FROM_OTHERS, LOAD, Key, celsius, count, seconds, share, volts
from optimizer.spec_text import Reading, article, nearest, trade

Values = dict[str, Any]

KINDS = ("rail", "led-string", "lead-acid", "lithium")

SURGE = (
    Key("name", "text"),
    Key("i_output", "current", "a", 0.02, 500.0),
    seconds("time", "ms", 1e-5, 10.0),
    volts("v_input_min", 2.0, 200.0, default=FROM_OTHERS),
)

DIMMING = (
    share("analogue_share", 0.001, 1.0, default=1.0, why="no continuous dimming"),
    Key("pwm_frequency", "frequency", "hz", 50.0, 5e4, 1e3, "not used at a ratio of 1"),
    Key("pwm_ratio", "number", "", 1.0, 1e5, 1.0, "no dimming by pulses"),
    count("cycles_min", 1, 100, default=3, why="switching cycles in the shortest pulse"),
)

LED_STRING = (
    Key("kind", "text", choices=KINDS),
    count("leds", 1, 60),
    volts("v_led_min", 1.0, 8.0),
    volts("v_led_typ", 1.0, 8.0),
    volts("v_led_max", 1.0, 8.0),
    Key("i_output", "current", "a", 0.02, 100.0),
    share("v_output_tolerance", 0.0, 0.2, default=0.0, why="the string sets the voltage"),
    Key(
        "v_led_tempco",
        "voltage slope",
        "mv_per_k",
        -0.02,
        0.0,
        -3e-3,
        "Khanna, Fundamentals of Solid-State Lighting, ch. 14",
    ),
    Key("resistance_led", "resistance", "ohm", 1e-3, 20.0, default=FROM_OTHERS),
    celsius("temp_led_hot", 0.0, 180.0, default=FROM_OTHERS),
    share("i_ripple_share", 0.01, 1.0, default=0.2, why="peak to peak; common practice"),
)

NOT_COUNTED = "not counted"
SENSE_PART = (
    "price and spread of the charge-current sense; 'cheapest' or a part number takes it from the"
    " catalogs"
)

SENSE = (
    Key("resistance_sense", "resistance", "mohm", 1e-4, 1.0, default=FROM_OTHERS, several=True),
    volts("v_sense_offset", 0.0, 0.05, default=1e-3, why="a common current-sense amplifier"),
    Key("i_end_error_max", "current", "a", 1e-4, 50.0, default=FROM_OTHERS),
    Key("sense_part", "text", default=NOT_COUNTED, why=SENSE_PART),
    Key("resistance_cable", "resistance", "mohm", 0.0, 1.0, 0.0, "battery beside the stage"),
)

LEAD_ACID = (
    Key("kind", "text", choices=KINDS),
    count("cells", 1, 60),
    Key("i_output", "current", "a", 0.02, 100.0),
    share("v_output_tolerance", 0.0, 0.1, default=0.01, why="reference and divider"),
    volts("v_cell_charge", 2.2, 2.6, default=2.45, why="common practice at 25 degC"),
    volts("v_cell_float", 2.1, 2.4, default=2.28, why="common practice at 25 degC"),
    volts("v_cell_bulk", 1.5, 2.3, default=1.9, why="full current from here"),
    volts("v_cell_deep", 0.5, 2.3, default=1.5, why="deep discharged, charged gently"),
    Key(
        "v_cell_tempco",
        "voltage slope",
        "mv_per_k",
        -8e-3,
        0.0,
        -4e-3,
        "common practice, -3 to -5 mV/K a cell",
    ),
    celsius("temp_battery_cold", -50.0, 60.0, default=FROM_OTHERS),
    celsius("temp_battery_hot", -20.0, 90.0, default=FROM_OTHERS),
    Key("i_deep", "current", "a", 1e-3, 100.0, default=FROM_OTHERS),
    share("end_share", 0.01, 0.5, default=0.1, why="common practice"),
    *SENSE,
)

LITHIUM = (
    Key("kind", "text", choices=KINDS),
    count("cells", 1, 60),
    Key("i_output", "current", "a", 0.02, 100.0),
    share("v_output_tolerance", 0.0, 0.05),
    volts("v_cell_charge", 2.0, 4.6),
    volts("v_cell_limit", 2.0, 4.7),
    volts("v_cell_precharge", 1.0, 4.0),
    volts("v_cell_min", 0.5, 4.0),
    Key("i_precharge", "current", "a", 1e-3, 100.0, default=FROM_OTHERS),
    share("end_share", 0.01, 0.5, default=0.1, why="common practice"),
    celsius("temp_charge_min", -40.0, 30.0, default=0.0, why="common practice"),
    celsius("temp_charge_max", 20.0, 80.0, default=45.0, why="common practice"),
    *SENSE,
)

TABLES: dict[str, tuple[Key, ...]] = {
    "rail": LOAD,
    "led-string": LED_STRING,
    "lead-acid": LEAD_ACID,
    "lithium": LITHIUM,
}

NOT_ASKED: dict[str, tuple[tuple[str, str], ...]] = {
    "rail": (
        ("load step", "how large, how fast, and what dip may the output show; taken as none"),
        ("start-up", "start into full load or into a charged output; taken as neither"),
        ("back-feed", "does the load contain a battery or another supply; taken as no"),
    ),
    "led-string": (
        ("lamp chassis", "may a lead touch the chassis or the battery; taken as insulated"),
        ("flickering contact", "a loose lead re-plugs the string again and again; taken as no"),
        ("camera or moving machine", "banding and strobe by pulses; taken as no matter"),
        ("optical risk group", "of the lamp; not judged here, lamps can hurt eyes"),
        ("escape lighting", "is it an emergency lamp by law; taken as no"),
    ),
    "lead-acid": (
        ("maker's set points", "charge, float and compensation of this very battery"),
        ("load on the battery", "a load in float brings charging back; taken as none"),
        ("disconnect", "who parts battery and stage with the input off; taken as nobody"),
        ("ventilation", "charging makes hydrogen; room and rules are outside this tool"),
        ("probe", "what a broken temperature probe does; taken as caught by the controller"),
    ),
    "lithium": (
        ("chemistry and maker's sheet", "limits of this very cell go before every default"),
        ("pack protection", "an independent one is always needed; the stage is never enough"),
        ("balancing", "who evens the cells; taken as the pack"),
        ("timer", "longest charge before it counts as a fault; taken as the controller's"),
        ("pack asleep", "a pack at 0 V wakes by its own rule; not charged below v_cell_min"),
    ),
}
"""What each kind of load leaves open, and what stood in."""


def read_load(reading: Reading, data: Any, ambient: Values) -> Values:
    """The load: fields of `spec_records.Load`; None where absent or bad."""
    blank = {"kind": None, "v_output": None, "v_output_tolerance": None, "i_output": None}
    path = ("load",)
    if not isinstance(data, Mapping):
        if data is not None:
            need = "a section"
            reading.problem(path, got=article(data), need=need, fix="write [load]")
        return {**blank, "demands": (), "surges": (), "record": None}
    kind = data.get("kind", "rail")
    known = kind if isinstance(kind, str) and kind in TABLES else "rail"
    if isinstance(kind, str) and kind not in TABLES and "v_output_v" not in data:
        fix = nearest(kind, KINDS)
        need = f"one of {', '.join(KINDS)}"
        reading.problem((*path, "kind"), got=repr(kind), need=need, fix=fix)
        return {**blank, "demands": (), "surges": (), "record": None}
    inner = ("surges", "dimming") if known == "led-string" else ("surges",)
    values = reading.section(data, path, TABLES[known], inner=inner)
    surges = _surges(reading, data.get("surges"), values["i_output"])
    if known == "rail":
        return {**values, "demands": (), "surges": surges, "record": None}
    if known == "led-string":
        values |= reading.section(data.get("dimming", {}), (*path, "dimming"), DIMMING)
    before = len(reading.problems)
    FILLS[known](reading, values, ambient)
    part = values.pop("sense_part", None)
    senses, error_max = _senses(reading, values)
    unknown = None in values.values() or None in ambient.values()
    if len(reading.problems) > before or unknown:
        kept = {key: values.get(key) for key in ("v_output_tolerance", "i_output")}
        return {**blank, "kind": known, **kept, "demands": (), "surges": (), "record": None}
    record = RECORDS[known](values)
    demands = DEMANDS[known](record, values, ambient)
    return {
        "kind": known,
        "v_output": demands[0].v_output,
        "v_output_tolerance": values["v_output_tolerance"],
        "i_output": values["i_output"],
        "demands": demands[1:],
        "surges": surges,
        "record": record,
        "senses": senses,
        "i_end_error_max": error_max,
        "sense_part": "" if part in (None, NOT_COUNTED) else part,
    }


def _surges(reading: Reading, raw: Any, i_full: float | None) -> tuple[Surge, ...]:
    path = ("load", "surges")
    if raw is None:
        return ()
    if not isinstance(raw, list):
        reading.problem(path, got=article(raw), need="a list of tables", fix="[[load.surges]]")
        return ()
    found = [reading.section(item, (*path, k), SURGE) for k, item in enumerate(raw)]
    for k, one in enumerate(found):
        if one["v_input_min"] is None:
            text = "at every input, the lowest too: ask whether it is needed there"
            reading.note("assumed", (*path, k, "v_input_min"), f"not given, assumed {text}")
        one["v_input_min"] = one["v_input_min"] or 0.0
        i_output = one["i_output"]
        if None not in (i_output, i_full) and i_output <= i_full:
            reading.problem(
                (*path, k, "i_output_a"),
                got=trade(i_output, "current"),
                need=f"more than the full current {trade(i_full, 'current')}",
                fix="leave it out: full load covers it",
            )
    return tuple(Surge(**one) for one in found if None not in one.values())


# --- what is filled in, and what cannot hold together ---------------------------------------------


def _stand_in(reading: Reading, values: Values, name: str, value: float | None, text: str) -> None:
    """A default that other keys give."""
    if values[name] is None and value is not None:
        values[name] = value
        reading.note("assumed", ("load", name), f"not given, assumed {text}")


def _order(reading: Reading, values: Values, *chain: str, family: str = "voltage") -> None:
    """Values that must not fall along `chain`."""
    for low, high in pairwise(chain):
        below, above = values[low], values[high]
        if below is None or above is None or below <= above:
            continue
        got = f"{trade(below, family)} above {high} = {trade(above, family)}"
        need = f"{low} <= {high}"
        path = ("load", low + {"voltage": "_v", "current": "_a", "temperature": "_c"}[family])
        reading.problem(path, got=got, need=need, fix="correct one of the two")


def _fill_led(reading: Reading, values: Values, ambient: Values) -> None:
    _order(reading, values, "v_led_min", "v_led_typ", "v_led_max")
    v_led, i_output, hot = values["v_led_typ"], values["i_output"], ambient["temp_hot"]
    if v_led is not None and i_output is not None:
        drop = 0.1 * v_led / i_output
        text = f"{trade(drop, 'resistance')}: a tenth of the voltage at full current"
        _stand_in(reading, values, "resistance_led", drop, text)
    if hot is not None:
        _stand_in(reading, values, "temp_led_hot", hot + 40.0, "40 K over the hot ambient")


def _fill_lead_acid(reading: Reading, values: Values, ambient: Values) -> None:
    chain = ("v_cell_deep", "v_cell_bulk", "v_cell_float", "v_cell_charge")
    _order(reading, values, *chain)
    for end in ("cold", "hot"):
        temp = ambient[f"temp_{end}"]
        if temp is not None:
            text = f"the {end} ambient"
            _stand_in(reading, values, f"temp_battery_{end}", temp, text)
    _order(reading, values, "temp_battery_cold", "temp_battery_hot", family="temperature")
    _fill_charge(reading, values, "i_deep")


def _fill_lithium(reading: Reading, values: Values, ambient: Values) -> None:
    chain = ("v_cell_min", "v_cell_precharge", "v_cell_charge", "v_cell_limit")
    _order(reading, values, *chain)
    _fill_charge(reading, values, "i_precharge")
    charge, limit = values["v_cell_charge"], values["v_cell_limit"]
    spread = values["v_output_tolerance"]
    if None not in (charge, limit, spread) and charge <= limit < charge * (1.0 + spread):
        got = f"{trade(charge * (1.0 + spread), 'voltage')} a cell at its tolerance"
        need = f"at most v_cell_limit = {trade(limit, 'voltage')}"
        allowed = trade(float(f"{limit / charge - 1.0:.4g}"), "share")
        fix = f"tighten v_output_tolerance_pct to {allowed} or lower v_cell_charge_v"
        reading.problem(("load", "v_cell_charge_v"), got=got, need=need, fix=fix)
    cold, least = ambient["temp_cold"], values["temp_charge_min"]
    if cold is not None and least is not None and cold < least:
        text = (
            f"no charge below {trade(least, 'temperature')}: the ambient reaches"
            f" {trade(cold, 'temperature')}, so a probe in the pack must inhibit the stage"
        )
        reading.note("caution", ("load", "temp_charge_min_c"), text)


def _fill_charge(reading: Reading, values: Values, gentle: str) -> None:
    """Gentle current and sense resistor of a charger."""
    i_output = values["i_output"]
    if i_output is None:
        return
    text = f"{trade(0.1 * i_output, 'current')}, a tenth of the full current"
    _stand_in(reading, values, gentle, 0.1 * i_output, text)
    _order(reading, values, gentle, "i_output", family="current")
    drop = 0.05 / i_output
    text = f"{trade(float(f'{drop:.3g}'), 'resistance')}: 50 mV at full current"
    _stand_in(reading, values, "resistance_sense", drop, text)


def _senses(reading: Reading, values: Values) -> tuple[tuple[float, ...], float]:
    """Resistors offered for the charge-current sense, none where there is one, and the error
    allowed at the end of charge; the values keep the largest resistor."""
    asked, limit = values.get("resistance_sense"), values.pop("i_end_error_max", None)
    path = ("load", "resistance_sense_mohm")
    if asked == ():
        need = "at least one value"
        reading.problem(path, got="an empty list", need=need, fix="name one or remove the key")
    offset, full = values.get("v_sense_offset"), values["i_output"]
    if not asked or offset is None or full is None:
        return (), math.inf
    offered = sorted(set(asked) if isinstance(asked, tuple) else {asked}, reverse=True)
    kept = offered
    if limit is not None:
        least = offset / limit
        kept = [value for value in offered if value >= least * (1.0 - 1e-9)]
        told = trade(limit, "current")
        if not kept:
            error = loads.i_end_error(v_sense_offset=offset, resistance=offered[0])
            loss = trade(float(f"{full**2 * least:.3g}"), "power")
            ohms = trade(float(f"{least:.3g}"), "resistance")
            reading.problem(
                path,
                got=f"an end of charge within {trade(float(f'{error:.3g}'), 'current')} at best",
                need=f"within i_end_error_max = {told}",
                fix=f"offer {ohms} or more ({loss} at full current), or take an amplifier of less"
                " offset",
            )
            kept = offered
        elif len(kept) < len(offered):
            gone = trade(tuple(offered[len(kept) :]), "resistance")
            text = f"{gone} left out: the end of charge would lie further off than {told}"
            reading.note("excluded", ("load", "resistance_sense"), text)
    values["resistance_sense"] = kept[0]
    return (tuple(kept) if len(kept) > 1 else ()), math.inf if limit is None else limit


Fill = Callable[[Reading, Values, Values], None]
FILLS: dict[str, Fill] = {
    "led-string": _fill_led,
    "lead-acid": _fill_lead_acid,
    "lithium": _fill_lithium,
}


# --- records --------------------------------------------------------------------------------------


def _led_record(values: Values) -> LedString:
    names = tuple(key.name for key in DIMMING)
    rest = ("kind", "i_output", "v_output_tolerance", *names)
    return LedString(
        dimming=Dimming(**{name: values[name] for name in names}),
        **{key: value for key, value in values.items() if key not in rest},
    )


def _battery(values: Values) -> Values:
    rest = ("kind", "i_output", "v_output_tolerance")
    return {key: value for key, value in values.items() if key not in rest}


RECORDS: dict[str, Callable[[Values], LedString | LeadAcid | Lithium]] = {
    "led-string": _led_record,
    "lead-acid": lambda values: LeadAcid(**_battery(values)),
    "lithium": lambda values: Lithium(**_battery(values)),
}
