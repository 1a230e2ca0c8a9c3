"""The sections of a spec: each read by its table of keys, defaults filled, contradictions found."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from optimizer import spec_checks as checks
from optimizer import spec_tables as tables
from optimizer.load_records import LedString
from optimizer.spec_demands import dimmed_frequencies
from optimizer.spec_dimming import read_current, read_dimming
from optimizer.spec_records import DIODE_TOPOLOGIES, LIGHT_LOAD_FORCED, TOPOLOGIES
from optimizer.spec_sources import read_source
from optimizer.spec_text import Path as KeyPath
from optimizer.spec_text import Reading, article, nearest, trade

Values = dict[str, Any]

TIME_TRANSIENT = 1.0
RIPPLE_INPUT_SHARE, RIPPLE_OUTPUT_SHARE = 0.05, 0.01


class Sections:
    """The sections of one spec; `reading` collects what is wrong or stood in."""

    def __init__(self, reading: Reading, data: dict[str, Any]) -> None:
        self.reading, self.data = reading, data

    def plain(self, name: str, keys: Sequence[tables.Key], *, inner: Sequence[str] = ()) -> Values:
        """One section; a required one that is absent was reported by its name alone."""
        if name not in self.data and name in tables.REQUIRED_SECTIONS:
            return {key.name: None for key in keys}
        return self.reading.section(self.data.get(name, {}), (name,), keys, inner=inner)

    def items(self, path: KeyPath, raw: Any, keys: Sequence[tables.Key]) -> list[Values]:
        """Every table of a list of tables."""
        if raw is None:
            return []
        if not isinstance(raw, list):
            need = "a list of tables"
            self.reading.problem(path, got=article(raw), need=need, fix="write [[name]] sections")
            return []
        return [self.reading.section(item, (*path, i), keys) for i, item in enumerate(raw)]

    def given(self, name: str) -> set[str]:
        """Keys the file gives in a section."""
        data = self.data.get(name)
        return set(data) if isinstance(data, Mapping) else set()

    def sub(self, section: str, name: str) -> Any:
        """A list or section inside a section, None when absent."""
        data = self.data.get(section)
        return data.get(name) if isinstance(data, Mapping) else None

    def source(self) -> Values:
        """The source, by its kind."""
        return read_source(self.reading, self.data.get("source", {}), self._source_range)

    def _source_range(self) -> Values:
        """A source by its range; the transient range falls back to the continuous one."""
        values = self.plain("source", tables.SOURCE, inner=("transients",))
        named = self.given("source")
        ranged = any(word.startswith("v_transient") for word in named)
        timed = any(word.startswith("time_transient") for word in named)
        for name, other in (("v_transient_min", "v_min"), ("v_transient_max", "v_max")):
            if not any(word.startswith(name) for word in named) and values[other] is not None:
                values[name] = values[other]
                self.reading.note(
                    "assumed", ("source", f"{name}_v"), f"not given, assumed {other}_v"
                )
        if not timed:
            values["time_transient"] = TIME_TRANSIENT if ranged else 0.0
            if ranged:
                self.reading.note(
                    "assumed", ("source", "time_transient_s"), "not given, assumed 1 s"
                )
        checks.check_orders(self.reading, ("source",), "source", tables.SOURCE, values)
        return values

    def ambient(self) -> Values:
        """The ambient range."""
        values = self.plain("ambient", tables.AMBIENT)
        checks.check_orders(self.reading, ("ambient",), "ambient", tables.AMBIENT, values)
        return values

    def set_points(self, load: Values) -> Values:
        """Set points, with the dimming input and the current loop where they are described."""
        values = self.plain("set_points", tables.SET_POINTS, inner=("dimming", "current"))
        values["dimming"] = read_dimming(self.reading, self.sub("set_points", "dimming"), load)
        values["current"] = read_current(self.reading, self.sub("set_points", "current"), load)
        return values

    def controllers(self, load: Values, source: Values) -> dict[str, Values]:
        """Every controller record, its window inside it."""
        raw = self.data.get("controllers", {})
        if not isinstance(raw, Mapping):
            self.reading.problem(("controllers",), got=article(raw), need="a section")
            return {}
        if "controllers" in self.data and not raw:
            need = f"a record of one of {', '.join(TOPOLOGIES)}"
            self.reading.problem(("controllers",), got="no record", need=need)
        found = {}
        for name, record in raw.items():
            if name not in TOPOLOGIES:
                self.reading.problem(
                    ("controllers", name),
                    got=f"the topology {name!r}",
                    need=f"one of {', '.join(TOPOLOGIES)}",
                    fix=nearest(name, TOPOLOGIES),
                )
                continue
            found[name] = self._controller(name, record, load, source)
        return found

    def _controller(self, name: str, record: Any, load: Values, source: Values) -> Values:
        path: KeyPath = ("controllers", name)
        inner = ("window",) if name == "four-switch" else ()
        keys = tables.CONTROLLER_DIODE if name in DIODE_TOPOLOGIES else tables.CONTROLLER
        values = self.reading.section(record, path, keys, inner=inner)
        if name in DIODE_TOPOLOGIES:
            values |= {"time_dead_on": 0.0, "time_dead_off": 0.0, "light_load": LIGHT_LOAD_FORCED}
        checks.check_orders(self.reading, path, "controllers", keys, values)
        checks.check_controller(self.reading, path, values, load, source)
        values["frequencies"] = dimmed_frequencies(self.reading, name, values, load)
        values["window"] = None
        if not inner or not isinstance(record, Mapping):
            return values
        here = (*path, "window")
        if "window" not in record:
            need = "the law of the region where both half bridges switch"
            self.reading.problem(
                here, got="nothing", need=need, fix="add [controllers.four-switch.window]"
            )
            return values
        window = self.reading.section(record["window"], here, tables.WINDOW)
        checks.check_orders(self.reading, here, "window", tables.WINDOW, window)
        checks.check_window(self.reading, here, window)
        values["window"] = window
        return values

    def topologies(
        self, asked: tuple[str, ...] | None, controllers: Mapping[str, Any]
    ) -> tuple[str, ...]:
        """Which topologies to consider: as asked, else all that have a record."""
        if asked is None:
            for name in TOPOLOGIES:
                if controllers and name not in controllers and "topologies" not in self.data:
                    text = f"{name} is not considered: it has no controller record"
                    self.reading.note("excluded", ("topologies",), text)
            return tuple(name for name in TOPOLOGIES if name in controllers)
        if not asked:
            need = "at least one topology"
            self.reading.problem(
                ("topologies",), got="an empty list", need=need, fix="remove the key"
            )
        records = self.data.get("controllers")
        for name in asked:
            if isinstance(records, Mapping) and name not in records:
                self.reading.problem(
                    ("topologies",),
                    got=f"{name!r} without a controller record",
                    need=f"a section [controllers.{name}]",
                    fix=f"add the record or take {name} out of the list",
                )
        return tuple(dict.fromkeys(asked))

    def limits(self, source: Values, load: Values, ambient: Values) -> tuple[Values, list[Values]]:
        """Limits and floors."""
        reading, path = self.reading, ("limits",)
        values = self.plain("limits", tables.LIMITS, inner=("floors",))
        given = self.given("limits")
        record = load["record"]
        if isinstance(record, LedString) and not any(
            w.startswith("v_ripple_output") for w in given
        ):
            ripple = record.i_ripple_share * load["i_output"] * record.leds * record.resistance_led
            values["v_ripple_output"] = ripple
            stood = f"not given, assumed {trade(ripple, 'voltage')}: the ripple of the LED current"
            reading.note("assumed", (*path, "v_ripple_output_mv"), stood)
            given = given | {"v_ripple_output"}
        for name, base, part in (
            ("v_ripple_input", source["v_nominal"], RIPPLE_INPUT_SHARE),
            ("v_ripple_output", load["v_output"], RIPPLE_OUTPUT_SHARE),
        ):
            if base is not None and not any(word.startswith(name) for word in given):
                values[name] = base * part
                stood = f"not given, assumed {part:.0%} of {trade(base, 'voltage')} peak to peak"
                reading.note("assumed", (*path, f"{name}_mv"), stood)
        if "loss_ceiling_pct" not in given:
            text = "not given, assumed 8 % of the output power, or what a floor at the point allows"
            reading.note("assumed", (*path, "loss_ceiling_pct"), text)
        floors = self.items((*path, "floors"), self.sub("limits", "floors"), tables.FLOOR)
        for index, floor in enumerate(floors):
            self.at_nominal(floor, ambient)
            here = (*path, "floors", index)
            checks.check_inputs(reading, here, floor["v_input"], source)
            checks.check_ambient(reading, here, floor["temp_ambient"], ambient)
        checks.check_floors(reading, (*path, "floors"), floors, values["loss_ceiling"])
        return values, floors

    def at_nominal(self, values: Values, ambient: Values) -> None:
        """Fill an ambient that was not given."""
        if values["temp_ambient"] is not None:
            return
        values["temp_ambient"] = ambient["temp_nominal"]
        text = "not given at some floors or mission rows, assumed the nominal ambient"
        if all(note.text != text for note in self.reading.notes):
            self.reading.note("assumed", ("temp_ambient",), text)

    def purchase(self) -> tuple[Values, list[Values]]:
        """Purchase rules and exchange rates."""
        values = self.plain("purchase", tables.PURCHASE, inner=("exchange_rates",))
        path: KeyPath = ("purchase", "exchange_rates")
        rates = self.items(path, self.sub("purchase", "exchange_rates"), tables.EXCHANGE_RATE)
        renamed = []
        for index, rate in enumerate(rates):
            date = rate["date"]
            if date is not None and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", date):
                self.reading.problem(
                    (*path, index, "date"), got=repr(date), need="a date, YYYY-MM-DD"
                )
            renamed.append(rate)
        return values, renamed

    def choice(self, purchase: Values) -> Values:
        """What the search may choose."""
        path: KeyPath = ("choice",)
        values = self.plain("choice", tables.CHOICE, inner=("force", "same_part"))
        values["force"] = self.items((*path, "force"), self.sub("choice", "force"), tables.FORCE)
        values["same_part"] = self._same_part((*path, "same_part"), self.sub("choice", "same_part"))
        checks.check_choice(self.reading, path, values, purchase)
        return values

    def _same_part(self, path: KeyPath, raw: Any) -> tuple[tuple[str, ...], ...]:
        if raw is None:
            return ()
        need = 'a list of groups, for example [["input-high", "output-high"]]'
        if not isinstance(raw, list) or not all(isinstance(group, list) for group in raw):
            self.reading.problem(
                path, got=article(raw), need=need, fix="put each group in brackets"
            )
            return ()
        for group in raw:
            for word in group:
                if word not in tables.SAME_PART_POSITIONS:
                    known = tables.SAME_PART_POSITIONS
                    fix = nearest(str(word), known)
                    self.reading.problem(
                        path, got=repr(word), need=f"one of {', '.join(known)}", fix=fix
                    )
            if len(group) < 2 or len(set(map(str, group))) < len(group):
                self.reading.problem(
                    path, got=f"the group {group!r}", need="two or more different positions"
                )
        return tuple(tuple(str(word) for word in group) for group in raw)
