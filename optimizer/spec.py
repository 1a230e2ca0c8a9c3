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
from optimizer import spec_loads, spec_sources
from optimizer import spec_tables as tables
from optimizer.errors import InputError, Problem
from optimizer.records import Note, Window
from optimizer.spec_echo import rows
from optimizer.spec_loads import read_load
from optimizer.spec_mission import read_mission
from optimizer.spec_records import (
    PART_KINDS,
    Ambient,
    Board,
    ChoiceRules,
    Controller,
    CurrentLoop,
    DimmingInput,
    ExchangeRate,
    Faults,
    Floor,
    Force,
    Life,
    Limits,
    Load,
    Loop,
    MissionRow,
    Pads,
    Purchase,
    SetPoints,
    Source,
    Spec,
)
from optimizer.spec_sections import Sections, Values
from optimizer.spec_sources import joined
from optimizer.spec_text import Path as KeyPath
from optimizer.spec_text import Reading, nearest
from optimizer.spec_uses import use_notes

POLICIES = Path(__file__).parent / "policies"
CATALOGS = Path(__file__).parents[1] / "catalogs"

NOT_ASKED = (
    ("short circuit", "how the controller answers beside its limit: [faults] short_response"),
    ("removal of a short", "when it goes away; bounded among the faults, test it on the bench"),
    ("life", "years and share of the time on: [life]; without them life is a figure only"),
    ("emission", "protected frequency bands; no emission prediction is made"),
    (
        "alarm",
        "what fails unnoticed (vaccines, escape lighting) needs an independent one; not here",
    ),
    ("approvals", "place of use and its rules; local codes and licensed practice prevail"),
)


def read_spec(path: str | Path) -> Spec:
    """Read a spec file; raise InputError with every problem in it."""
    place = str(path)
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        got, fix = "no readable file", "check the path"
        if isinstance(error, ValueError):
            got, fix = "bytes that are not UTF-8", "save it in UTF-8"
        raise InputError([Problem(place, "", got, "a spec file in TOML", fix)]) from None
    return parse_spec(text, path=place)


def parse_spec(text: str, *, path: str = "", catalogs: Sequence[Path] = ()) -> Spec:
    """Read a spec from `text`; `path` names it in messages and roots its relative paths.

    catalogs : to read in place of those the text names
    """
    place = path or "spec"
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError([_syntax_problem(text, place, str(error))]) from None
    if catalogs:
        data["catalogs"] = [str(one.resolve()) for one in catalogs]
    reading = Reading(text, place)
    found = _read(reading, data, Path(path).parent)
    if reading.problems:
        raise InputError(sorted(dict.fromkeys(reading.problems), key=_by_line))
    return _spec(found, text=text, path=path, notes=reading.notes)


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


def _read(reading: Reading, data: dict[str, Any], folder: Path) -> Values:
    """Every section as plain values; later ones may look at earlier ones."""
    sections = Sections(reading, data)
    top = reading.section(data, (), tables.TOP, inner=tables.SECTIONS)
    for name in tables.REQUIRED_SECTIONS:
        if name not in data:
            reading.problem((name,), got="nothing", need=f"a section [{name}]", fix="add it")
    found = {name: top[name] for name in ("name", "topologies", "catalogs")}
    source, ambient = sections.source(), sections.ambient()
    load = read_load(reading, data.get("load"), ambient)
    joined(reading, source, load, ambient)
    found |= {"source": source, "load": load, "ambient": ambient}
    found["board"] = sections.plain("board", tables.BOARD)
    found["controllers"] = sections.controllers(load, source)
    found["topologies"] = sections.topologies(top["topologies"], found["controllers"])
    found["limits"], found["floors"] = sections.limits(source, load, ambient)
    found["faults"] = sections.plain("faults", tables.FAULTS)
    found["set_points"] = sections.set_points(load)
    found["loop"] = sections.plain("loop", tables.LOOP)
    checks.check_loop(reading, found["loop"])
    found["life"] = sections.plain("life", tables.LIFE)
    checks.check_life(reading, found["life"])
    found["derating"] = sections.plain("policy", tables.POLICY)["derating"]
    found["policy"] = _policy(reading, found["derating"], folder)
    found["purchase"], found["rates"] = sections.purchase()
    checks.check_charge_sense(reading, found["purchase"], load)
    found["mission"] = read_mission(sections, source, load, ambient)
    found["choice"] = sections.choice(found["purchase"])
    found["catalogs"] = _catalogs(reading, top["catalogs"], folder, given="catalogs" in data)
    checks.check_counts(reading, found["mission"], found["floors"])
    return found


def _shipped() -> Path:
    """The shipped catalogs, told from here where they lie below: results should not hold paths."""
    here = Path.cwd()
    return CATALOGS.relative_to(here) if CATALOGS.is_relative_to(here) else CATALOGS


def _catalogs(
    reading: Reading, asked: tuple[str, ...] | None, folder: Path, *, given: bool
) -> tuple[Path, ...]:
    """The files and folders to read parts from, relative to the spec file."""
    path: KeyPath = ("catalogs",)
    if asked is None:
        if not given:
            reading.note("assumed", path, "not given, assumed the shipped catalogs")
        return (_shipped(),)
    if not asked:
        need = "at least one file or folder"
        reading.problem(path, got="an empty list", need=need, fix="remove the key or name one")
    paths = tuple((folder / word.replace("\0", "?")).resolve() for word in asked)
    for word, file in zip(asked, paths, strict=True):
        if not file.exists():
            got, need = f"{word!r}, which does not exist", "a CSV file or a folder of them"
            fix = "paths are relative to the folder of the spec file"
            reading.problem(path, got=got, need=need, fix=fix)
    return paths


def _spec(found: Values, *, text: str, path: str, notes: Sequence[Note]) -> Spec:
    """The records, once nothing is wrong."""
    choice, limits, purchase = found["choice"], found["limits"], found["purchase"]
    points = found["set_points"]
    dimming = DimmingInput(**points["dimming"]) if points["dimming"] else None
    current = CurrentLoop(**points["current"]) if points["current"] else None
    return Spec(
        name=found["name"] or Path(path).stem or "spec",
        path=path,
        text=text,
        source=Source(**found["source"]),
        load=Load(**found["load"]),
        ambient=Ambient(**found["ambient"]),
        board=Board(**found["board"]),
        controllers={name: _controller(name, r) for name, r in found["controllers"].items()},
        topologies=found["topologies"],
        limits=_limits(limits, found["floors"]),
        faults=Faults(**found["faults"]),
        set_points=SetPoints(**{**points, "dimming": dimming, "current": current}),
        loop=Loop(**found["loop"]),
        life=Life(**found["life"]),
        derating=found["derating"],
        derating_policy=found["policy"],
        purchase=Purchase(
            **purchase, exchange_rates=tuple(ExchangeRate(**rate) for rate in found["rates"])
        ),
        mission=tuple(MissionRow(**row) for row in found["mission"]),
        choice=ChoiceRules(**{**choice, "force": tuple(Force(**f) for f in choice["force"])}),
        catalogs=found["catalogs"],
        pads=read_pads(POLICIES / "pads.toml"),
        notes=(
            *notes,
            *use_notes(found["load"], found["source"]),
            *_cautions(found["source"], found["controllers"]),
        ),
        not_asked=_not_asked(found["load"]["kind"], found["source"]["kind"]),
    )


def _not_asked(load: str, source: str) -> tuple[Note, ...]:
    """What the spec left open, by kind of load and source, and what stood in."""
    asked = (*spec_loads.NOT_ASKED[load], *spec_sources.NOT_ASKED[source], *NOT_ASKED)
    return tuple(Note("assumed", name, f"not asked yet: {text}") for name, text in asked)


def _limits(values: Values, floors: Sequence[Values]) -> Limits:
    temps = {kind: values[f"temp_{kind}_max"] for kind in PART_KINDS}
    rest = {key: v for key, v in values.items() if key not in {f"temp_{k}_max" for k in temps}}
    return Limits(
        temp_max={kind: temp for kind, temp in temps.items() if temp is not None},
        floors=tuple(Floor(**floor) for floor in floors),
        **rest,
    )


def _controller(name: str, values: Values) -> Controller:
    window = values["window"]
    rest = {key: value for key, value in values.items() if key != "window"}
    return Controller(topology=name, window=Window(**window) if window else None, **rest)


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
    except ValueError as error:
        reading.problem(
            ("policy", "derating"), got=f"{path}: {error}", need="a policy file in TOML"
        )
    return None


def read_pads(path: Path) -> Pads:
    """Heat paths and room of land patterns from a policy file.

    >>> read_pads(POLICIES / "pads.toml").rth_pad("power-3x3")
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
    highest = max(source["v_survive_max"], *limits)
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
