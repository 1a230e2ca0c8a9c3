"""Spec file -> Spec, or every problem in it at once.

A spec is TOML with the unit in the name of each key. Whatever is absent and has a preset is
filled and noted; whatever is wrong is collected, and only a spec without problems is built.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from optimizer import spec_checks as checks
from optimizer import spec_tables as tables
from optimizer.errors import InputError, Problem
from optimizer.records import Note, Window
from optimizer.spec_echo import rows
from optimizer.spec_records import (
    PART_KINDS,
    TOPOLOGIES,
    Ambient,
    Board,
    ChoiceRules,
    Controller,
    ExchangeRate,
    Floor,
    Force,
    Limits,
    Load,
    MissionRow,
    Pads,
    Purchase,
    Source,
    Spec,
)
from optimizer.spec_text import Path as KeyPath
from optimizer.spec_text import Reading, article, nearest, trade

POLICIES = Path(__file__).parent / "policies"
CATALOGS = Path(__file__).parents[1] / "catalogs"

TIME_TRANSIENT = 1.0
RIPPLE_INPUT_SHARE, RIPPLE_OUTPUT_SHARE = 0.05, 0.01

MISSION_INPUTS = (("low", "v_min", 0.1), ("nominal", "v_nominal", 0.8), ("high", "v_max", 0.1))
MISSION_LOADS = ((1.0, 0.15), (0.6, 0.35), (0.3, 0.4), (0.05, 0.1))

NOT_ASKED = (
    ("load step", "how large, how fast, and what dip may the output show; taken as none"),
    ("start-up", "start into full load or into a charged output; taken as neither"),
    ("short circuit", "sustained short, and the overshoot after it; fold-back is not checked"),
    ("hot plug", "cable length and whether it is plugged live; ringing at the input not checked"),
    ("reversed input", "who protects; no fuse, clamp or blocking transistor is counted"),
    ("back-feed", "does the load contain a battery or another supply; taken as no"),
    ("slow input ramp", "under-voltage thresholds; taken as clean switching of the input"),
    ("life", "years and hours a day; capacitor life is not checked"),
    ("emission", "protected frequency bands; no emission prediction is made"),
    ("approvals", "place of use and its rules; local codes and licensed practice prevail"),
)


def read_spec(path: str | Path) -> Spec:
    """Read a spec file; raise InputError with every problem in it."""
    place = str(path)
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        got = "bytes that are not UTF-8" if isinstance(error, ValueError) else "no readable file"
        raise InputError(
            [Problem(place, "", got, "a spec file in TOML", "check the path")]
        ) from None
    return parse_spec(text, path=place)


def parse_spec(text: str, *, path: str = "") -> Spec:
    """Read a spec from `text`; `path` names it in messages and roots its relative paths."""
    place = path or "spec"
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError([_syntax_problem(text, place, str(error))]) from None
    reading = Reading(text, place)
    spec = _Build(reading, data, Path(path).parent).spec(text, path)
    if reading.problems or spec is None:
        raise InputError(sorted(reading.problems, key=_by_line))
    return spec


def _by_line(problem: Problem) -> tuple[int, str]:
    return int(problem.place.rsplit(":", 1)[1]), problem.name


def _syntax_problem(text: str, place: str, message: str) -> Problem:
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    lines = text.splitlines()
    number = int(found[1]) if found else max(len(lines), 1)
    line = lines[number - 1].strip() if number <= len(lines) else ""
    fix = "correct the line"
    if re.search(r"=\s*-?\d+,\d+\s*(#.*)?$", line):
        fix = "write a decimal point instead of the comma"
    elif re.search(r"=\s*-?[\d.]+\s*%?[A-Za-z%]+\s*(#.*)?$", line):
        fix = "write the number alone; its unit is in the key"
    reason = re.sub(r"\s*\(at .*\)$", "", message)
    return Problem(f"{place}:{number}", "", repr(line), f"valid TOML ({reason})", fix)


class _Build:
    """The sections of one spec, read in order; later ones may look at earlier ones."""

    def __init__(self, reading: Reading, data: dict[str, Any], folder: Path) -> None:
        self.reading, self.data, self.folder = reading, data, folder
        self.values: dict[str, dict[str, Any]] = {}

    def spec(self, text: str, path: str) -> Spec | None:
        """Everything read; None when something is wrong."""
        reading = self.reading
        top = reading.section(self.data, (), tables.TOP, inner=tables.SECTIONS)
        for name in tables.REQUIRED_SECTIONS:
            if name not in self.data:
                reading.problem((name,), got="nothing", need=f"a section [{name}]", fix="add it")
        source, load, ambient = self._source(), self._plain("load", tables.LOAD), self._ambient()
        board = self._plain("board", tables.BOARD)
        controllers = self._controllers(load, source)
        topologies = self._topologies(top["topologies"], controllers)
        limits, floors = self._limits(source, load, ambient)
        policy = self._plain("policy", tables.POLICY)
        derating = _policy(reading, policy["derating"], self.folder)
        purchase, rates = self._purchase()
        mission = self._mission(source, ambient)
        if len(mission) + len(floors) > checks.POINTS_MAX:
            got = f"{len(mission)} mission points and {len(floors)} floors"
            need = f"at most {checks.POINTS_MAX} together"
            reading.problem(("mission",), got=got, need=need, fix="merge points that lie close")
        choice = self._choice(purchase)
        catalogs = self._catalogs(top["catalogs"])
        if reading.problems or derating is None:
            return None
        temps = {kind: limits.pop(f"temp_{kind}_max") for kind in PART_KINDS}
        force, same_part = choice.pop("force"), choice.pop("same_part")
        spec_limits = Limits(
            temp_max={kind: temp for kind, temp in temps.items() if temp is not None},
            floors=tuple(Floor(**floor) for floor in floors),
            **limits,
        )
        return Spec(
            name=top["name"] or Path(path).stem or "spec",
            path=path,
            text=text,
            source=Source(**source),
            load=Load(**load),
            ambient=Ambient(**ambient),
            board=Board(**board),
            controllers={name: _controller(name, values) for name, values in controllers.items()},
            topologies=topologies,
            limits=spec_limits,
            derating=policy["derating"],
            derating_policy=derating,
            purchase=Purchase(exchange_rates=tuple(ExchangeRate(**r) for r in rates), **purchase),
            mission=tuple(MissionRow(**row) for row in mission),
            choice=ChoiceRules(
                force=tuple(Force(**item) for item in force), same_part=same_part, **choice
            ),
            catalogs=catalogs,
            pads=read_pads(POLICIES / "pads.toml"),
            notes=tuple(reading.notes) + _cautions(source, controllers),
            not_asked=tuple(Note("assumed", name, text) for name, text in NOT_ASKED),
        )

    def _plain(
        self, name: str, keys: Sequence[tables.Key], *, inner: Sequence[str] = ()
    ) -> dict[str, Any]:
        """One section; a required one that is absent was reported by its name alone."""
        if name not in self.data and name in tables.REQUIRED_SECTIONS:
            return {key.name: None for key in keys}
        return self.reading.section(self.data.get(name, {}), (name,), keys, inner=inner)

    def _items(self, path: KeyPath, raw: Any, keys: Sequence[tables.Key]) -> list[dict[str, Any]]:
        """Every table of a list of tables."""
        if raw is None:
            return []
        if not isinstance(raw, list):
            need = "a list of tables"
            self.reading.problem(path, got=article(raw), need=need, fix="write [[name]] sections")
            return []
        return [self.reading.section(item, (*path, i), keys) for i, item in enumerate(raw)]

    def _sub(self, section: str, name: str) -> Any:
        data = self.data.get(section)
        return data.get(name) if isinstance(data, Mapping) else None

    def _source(self) -> dict[str, Any]:
        values = self._plain("source", tables.SOURCE)
        given = self.data.get("source")
        named = set(given) if isinstance(given, Mapping) else set()
        ranged = any(word.startswith("v_transient") for word in named)
        timed = any(word.startswith("time_transient") for word in named)
        for name, other in (("v_transient_min", "v_min"), ("v_transient_max", "v_max")):
            if not any(word.startswith(name) for word in named) and values[other] is not None:
                values[name] = values[other]
                self.reading.note("assumed", ("source", name), f"not given, assumed {other}")
        if not timed:
            values["time_transient"] = TIME_TRANSIENT if ranged else 0.0
            if ranged:
                self.reading.note("assumed", ("source", "time_transient"), "not given, assumed 1 s")
        checks.check_orders(self.reading, ("source",), "source", tables.SOURCE, values)
        return values

    def _ambient(self) -> dict[str, Any]:
        values = self._plain("ambient", tables.AMBIENT)
        checks.check_orders(self.reading, ("ambient",), "ambient", tables.AMBIENT, values)
        return values

    def _controllers(
        self, load: dict[str, Any], source: dict[str, Any]
    ) -> dict[str, dict[str, Any]]:
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

    def _controller(
        self, name: str, record: Any, load: dict[str, Any], source: dict[str, Any]
    ) -> dict[str, Any]:
        path: KeyPath = ("controllers", name)
        inner = ("window",) if name == "four-switch" else ()
        values = self.reading.section(record, path, tables.CONTROLLER, inner=inner)
        checks.check_orders(self.reading, path, "controllers", tables.CONTROLLER, values)
        checks.check_controller(self.reading, path, values, load, source)
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

    def _topologies(
        self, asked: tuple[str, ...] | None, controllers: Mapping[str, Any]
    ) -> tuple[str, ...]:
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

    def _limits(
        self, source: dict[str, Any], load: dict[str, Any], ambient: dict[str, Any]
    ) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        reading, path = self.reading, ("limits",)
        values = self._plain("limits", tables.LIMITS, inner=("floors",))
        given = self.data.get("limits", {})
        for name, base, part in (
            ("v_ripple_input", source["v_nominal"], RIPPLE_INPUT_SHARE),
            ("v_ripple_output", load["v_output"], RIPPLE_OUTPUT_SHARE),
        ):
            if base is not None and not any(str(word).startswith(name) for word in given):
                values[name] = base * part
                stood = f"not given, assumed {part:.0%} of {trade(base, 'voltage')} peak to peak"
                reading.note("assumed", (*path, name), stood)
        if "loss_ceiling_pct" not in given:
            text = "not given, assumed 8 % of the output power, or what a floor at the point allows"
            reading.note("assumed", (*path, "loss_ceiling"), text)
        floors = self._items((*path, "floors"), self._sub("limits", "floors"), tables.FLOOR)
        for index, floor in enumerate(floors):
            self._at_nominal(floor, ambient)
            here = (*path, "floors", index)
            checks.check_inputs(reading, here, floor["v_input"], source)
            checks.check_ambient(reading, here, floor["temp_ambient"], ambient)
        checks.check_floors(reading, (*path, "floors"), floors, values["loss_ceiling"])
        return values, floors

    def _at_nominal(self, values: dict[str, Any], ambient: dict[str, Any]) -> None:
        if values["temp_ambient"] is None:
            values["temp_ambient"] = ambient["temp_nominal"]

    def _purchase(self) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        values = self._plain("purchase", tables.PURCHASE, inner=("exchange_rates",))
        path: KeyPath = ("purchase", "exchange_rates")
        rates = self._items(path, self._sub("purchase", "exchange_rates"), tables.EXCHANGE_RATE)
        renamed = []
        for index, rate in enumerate(rates):
            date = rate["date"]
            if date is not None and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", date):
                self.reading.problem(
                    (*path, index, "date"), got=repr(date), need="a date, YYYY-MM-DD"
                )
            renamed.append(rate)
        return values, renamed

    def _mission(self, source: dict[str, Any], ambient: dict[str, Any]) -> list[dict[str, Any]]:
        path: KeyPath = ("mission",)
        parts = ("rows", "inputs", "loads", "ambients")
        if "mission" in self.data:
            self.reading.section(self.data["mission"], path, (), inner=parts)
        found = {part: self._sub("mission", part) for part in parts}
        if found["rows"] is not None:
            return self._mission_rows(path, found, source, ambient)
        if all(raw is None for raw in found.values()):
            return self._mission_default(source, ambient)
        if found["inputs"] is None or found["loads"] is None:
            missing = "inputs" if found["inputs"] is None else "loads"
            need = f"mission.{missing} beside the others"
            self.reading.problem(
                path, got="part of a product", need=need, fix=f"add [[mission.{missing}]]"
            )
        return self._mission_product(path, found, source, ambient)

    def _mission_rows(
        self, path: KeyPath, found: dict[str, Any], source: dict[str, Any], ambient: dict[str, Any]
    ) -> list[dict[str, Any]]:
        for part in ("inputs", "loads", "ambients"):
            if found[part] is not None:
                got, need = f"mission.{part} beside mission.rows", "rows or products, not both"
                self.reading.problem((*path, part), got=got, need=need, fix="remove one")
        rows = self._items((*path, "rows"), found["rows"], tables.MISSION_ROW)
        for index, row in enumerate(rows):
            self._at_nominal(row, ambient)
            here = (*path, "rows", index)
            checks.check_inputs(self.reading, here, row["v_input"], source)
            checks.check_ambient(self.reading, here, row["temp_ambient"], ambient)
            row["name"] = row["name"] or _point_name(row)
        if not rows and isinstance(found["rows"], list):
            self.reading.problem((*path, "rows"), got="no rows", need="at least one row")
        checks.check_shares(
            self.reading, (*path, "rows"), [r["share"] for r in rows], "time shares"
        )
        return rows

    def _mission_product(
        self, path: KeyPath, found: dict[str, Any], source: dict[str, Any], ambient: dict[str, Any]
    ) -> list[dict[str, Any]]:
        keys = {
            "inputs": tables.MISSION_INPUT,
            "loads": tables.MISSION_LOAD,
            "ambients": tables.MISSION_AMBIENT,
        }
        lists = {part: self._items((*path, part), found[part], keys[part]) for part in keys}
        for part, items in lists.items():
            checks.check_shares(
                self.reading, (*path, part), [i["share"] for i in items], "time shares"
            )
        for index, item in enumerate(lists["inputs"]):
            checks.check_inputs(self.reading, (*path, "inputs", index), item["v_input"], source)
        for index, item in enumerate(lists["ambients"]):
            here = (*path, "ambients", index)
            checks.check_ambient(self.reading, here, item["temp_ambient"], ambient)
        ambients = lists["ambients"] or [{"temp_ambient": ambient["temp_nominal"], "share": 1.0}]
        if self.reading.problems:
            return []
        return [
            _product_row(v, load, air)
            for v in lists["inputs"]
            for load in lists["loads"]
            for air in ambients
        ]

    def _mission_default(
        self, source: dict[str, Any], ambient: dict[str, Any]
    ) -> list[dict[str, Any]]:
        inputs = [{"v_input": source[key], "share": part} for _, key, part in MISSION_INPUTS]
        loads = [{"load_share": load, "share": part} for load, part in MISSION_LOADS]
        air = {"temp_ambient": ambient["temp_nominal"], "share": 1.0}
        text = (
            "not given, assumed a computer's day: 15 % of the time at full load, 35 % at 60 %,"
            " 40 % at 30 %, 10 % at 5 %; 10 % at the lowest, 80 % at the nominal and 10 % at the"
            " highest input; nominal ambient"
        )
        self.reading.note("assumed", ("mission",), text)
        if any(item["v_input"] is None for item in inputs) or air["temp_ambient"] is None:
            return []
        return [_product_row(v, load, air) for v in inputs for load in loads]

    def _choice(self, purchase: dict[str, Any]) -> dict[str, Any]:
        path: KeyPath = ("choice",)
        values = self._plain("choice", tables.CHOICE, inner=("force", "same_part"))
        values["force"] = self._items((*path, "force"), self._sub("choice", "force"), tables.FORCE)
        values["same_part"] = self._same_part(
            (*path, "same_part"), self._sub("choice", "same_part")
        )
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

    def _catalogs(self, asked: tuple[str, ...] | None) -> tuple[Path, ...]:
        if asked is None:
            if "catalogs" not in self.data:
                self.reading.note(
                    "assumed", ("catalogs",), "not given, assumed the shipped catalogs"
                )
            return (CATALOGS,)
        if not asked:
            self.reading.problem(
                ("catalogs",), got="an empty list", need="at least one file or folder"
            )
        paths = tuple((self.folder / word).resolve() for word in asked)
        for word, path in zip(asked, paths, strict=True):
            if not path.exists():
                got, need = f"{word!r}, which does not exist", "a CSV file or a folder of them"
                fix = f"paths are relative to the spec file: looked at {path}"
                self.reading.problem(("catalogs",), got=got, need=need, fix=fix)
        return paths


def _controller(name: str, values: dict[str, Any]) -> Controller:
    window = values["window"]
    rest = {key: value for key, value in values.items() if key != "window"}
    return Controller(topology=name, window=Window(**window) if window else None, **rest)


def _point_name(row: Mapping[str, Any]) -> str:
    if row["v_input"] is None or row["load_share"] is None:
        return ""
    return f"{row['v_input']:g} V, {row['load_share'] * 100:g} % load"


def _product_row(
    v: Mapping[str, Any], load: Mapping[str, Any], air: Mapping[str, Any]
) -> dict[str, Any]:
    row = {
        "v_input": v["v_input"],
        "load_share": load["load_share"],
        "temp_ambient": air["temp_ambient"],
        "share": v["share"] * load["share"] * air["share"],
    }
    return {"name": _point_name(row), **row}


def _policy(reading: Reading, name: str | None, folder: Path) -> dict[str, Any] | None:
    """The derating policy as a plain mapping."""
    if name is None:
        return None
    known = sorted(
        p.stem.removeprefix("derating_").replace("_", "-") for p in POLICIES.glob("derating_*.toml")
    )
    stem = re.sub(r"[^a-z0-9]+", "_", name.lower())
    path = folder / name if name.endswith(".toml") else POLICIES / f"derating_{stem}.toml"
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError:
        close = nearest(name, known)
        fix = (
            close if close.startswith("did") else "or the path of a policy file that ends in .toml"
        )
        reading.problem(
            ("policy", "derating"), got=f"{name!r}", need=f"one of {', '.join(known)}", fix=fix
        )
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        reading.problem(
            ("policy", "derating"), got=f"{path}: {error}", need="a policy file in TOML"
        )
    return None


def read_pads(path: Path) -> Pads:
    """Heat paths and room of land patterns from a policy file.

    >>> read_pads(POLICIES / "pads.toml").rth_pad("3x3")
    15.0
    """
    data = tomllib.loads(path.read_text("utf-8"))
    heat = data["heat"]
    return Pads(
        rth={name: float(value) for name, value in heat["rth_pad_k_per_w"].items()},
        rth_default=float(heat["rth_pad_default_k_per_w"]),
        area_margin=float(data["room"]["area_margin_mm"]) * tables.FAMILIES["length"]["mm"],
    )


def _cautions(
    source: Mapping[str, Any], controllers: Mapping[str, Mapping[str, Any]]
) -> tuple[Note, ...]:
    """Safety notes that follow from the voltages alone."""
    limits = [values["v_overvoltage_max"] for values in controllers.values()]
    highest = max(source["v_transient_max"], *limits)
    notes = [
        Note(
            "caution",
            "paper design",
            "not a certificate: test on the bench; local codes and licensed practice prevail",
        )
    ]
    if highest > 60.0:
        text = (
            f"up to {highest:g} V: outside the 60 V d.c. extra-low-voltage preset; insulation,"
            " clearance and access rules change"
        )
        notes.append(Note("caution", "voltage", text))
    elif highest >= 54.0:
        text = (
            f"up to {highest:g} V before ringing: close to the 60 V d.c. extra-low-voltage preset"
        )
        notes.append(Note("caution", "voltage", text))
    return tuple(notes)


def echo(spec: Spec) -> tuple[tuple[str, str, str], ...]:
    """Every value as read: (key, in trade units, in SI)."""
    return rows(spec)


def summary(spec: Spec) -> str:
    """One line that says what was asked."""
    source, load = spec.source, spec.load
    text = f"{source.v_min:g}–{source.v_max:g} V to {load.v_output:g} V, {load.i_output:g} A"
    if math.isclose(source.v_transient_min, source.v_min) and math.isclose(
        source.v_transient_max, source.v_max
    ):
        return text
    span = f"{source.v_transient_min:g}–{source.v_transient_max:g} V"
    return f"{text} ({span} for {source.time_transient:g} s)"
