"""A spec with some of its keys given another value, comments and lines kept.

A change is written as in the messages about a spec: ``limits.height_max_mm = 8``,
``limits.floors[1].efficiency_pct = 91`` (items of a list are counted from 1); the value ``none``
takes the key out.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from optimizer.errors import InputError, Problem
from optimizer.spec import parse_spec
from optimizer.spec_records import Spec
from optimizer.spec_tables import FAMILIES
from optimizer.spec_text import in_si

STEP = re.compile(r"([A-Za-z0-9_-]+)((?:\[\d+\])*)")
DROP = "none"
SENSE = "resistance_sense_"
OF_SENSE = ("load", "text", "notes")
"""What of a spec its charge-current sense decides whatever else was changed."""


def edited(spec: Spec, changes: Iterable[str]) -> Spec:
    """The spec with changes ``key = value``; raises `InputError` as reading a spec does."""
    document = tomlkit.parse(spec.text)
    problems = [problem for text in changes if (problem := _change(document, text)) is not None]
    if problems:
        raise InputError(problems)
    return parse_spec(tomlkit.dumps(document), path=spec.path)


def by_sense(spec: Spec) -> tuple[Spec, ...]:
    """The spec once for each resistor its charger offers for the current sense, falling; itself
    where there is one.

    Sections that were given other values since its text was read keep them.
    """
    if not spec.load.senses:
        return (spec,)
    read, singles = _read_by_sense(spec.text, spec.path, spec.catalogs)
    names = [item.name for item in fields(spec) if item.name not in OF_SENSE]
    given = {n: getattr(spec, n) for n in names if getattr(spec, n) != getattr(read, n)}
    return tuple(replace(one, **given) for one in singles)


@lru_cache(maxsize=32)
def _read_by_sense(text: str, path: str, catalogs: Sequence[Path]) -> tuple[Spec, tuple[Spec, ...]]:
    """A text that offers several resistors as it reads, and with each of them alone."""
    document = tomlkit.parse(text)
    load = tomllib.loads(text)["load"]
    (word,) = [key for key in load if key.startswith(SENSE)]
    scale = FAMILIES["resistance"][word.removeprefix(SENSE)]
    written = {in_si(raw, scale): raw for raw in load[word]}
    spec = _parsed(text, path, catalogs)
    singles = []
    for value in spec.load.senses:
        _change(document, f"load.{word} = {written[value]!r}")
        singles.append(_parsed(tomlkit.dumps(document), path, catalogs))
    return spec, tuple(singles)


def _parsed(text: str, path: str, catalogs: Sequence[Path]) -> Spec:
    """A text read; where the catalogs it names are no longer found, with those given."""
    try:
        return parse_spec(text, path=path)
    except InputError:
        return parse_spec(text, path=path, catalogs=catalogs)


def with_sense(spec: Spec, resistance: float | None) -> Spec:
    """The spec with this resistor of the charge-current sense alone [ohm], offered or not; as it
    is where none is named."""
    if resistance is None:
        return spec
    for one, offered in zip(by_sense(spec), spec.load.senses, strict=False):
        if math.isclose(offered, resistance, rel_tol=1e-6):
            return one
    written = [key for key in tomllib.loads(spec.text)["load"] if key.startswith(SENSE)]
    gone = [f"load.{key} = {DROP}" for key in written]
    return edited(spec, [*gone, f"load.{SENSE}mohm = {resistance * 1e3:.9g}"])


def _change(document: Any, text: str) -> Problem | None:
    key, sign, value = (part.strip() for part in text.partition("="))
    if not sign or not value:
        need = "key=value, for example limits.height_max_mm=8"
        return Problem("change", text, "no value", need, "write the key, '=' and the value")
    steps = _steps(key)
    if steps is None:
        return Problem("change", key, "no key of a spec", "section.key", "write it as in the spec")
    table = document
    for step in steps[:-1]:
        inner = _inner(table, step)
        if inner is None:
            if isinstance(step, int) or value == DROP:
                return _missing(key, step, table)
            table[step] = tomlkit.table()
            inner = table[step]
        table = inner
    last = steps[-1]
    if value == DROP:
        if _inner(table, last) is None:
            return _missing(key, last, table)
        del table[last]
        return None
    try:
        table[last] = tomllib.loads(f"x = {value}")["x"]
    except (tomllib.TOMLDecodeError, IndexError, TOMLKitError):
        return _unreadable(key, value, table, last)
    return None


def _steps(key: str) -> list[str | int] | None:
    """``floors[2].x`` as ["floors", 1, "x"]; None where it is no such path."""
    found: list[str | int] = []
    for word in key.split("."):
        match = STEP.fullmatch(word)
        if match is None:
            return None
        found.append(match[1])
        found += [int(number) - 1 for number in re.findall(r"\d+", match[2])]
    return found if not any(step == -1 for step in found) else None


def _inner(table: Any, step: str | int) -> Any:
    try:
        return table[step]
    except (KeyError, IndexError, TypeError):
        return None


def _missing(key: str, step: str | int, table: Any) -> Problem:
    known = [str(name) for name in table] if isinstance(table, Mapping) else []
    close = get_close_matches(str(step), known, 1)
    fix = f"did you mean {close[0]!r}?" if close else "look it up in the spec"
    word = f"no item {step + 1}" if isinstance(step, int) else f"no {step!r} there"
    return Problem("change", key, word, "a key of the spec", fix)


def _unreadable(key: str, value: str, table: Any, last: str | int) -> Problem | None:
    """A bare word is taken as text; anything else that is no TOML is a problem."""
    if re.fullmatch(r"[\w .+-]+", value) and not isinstance(last, int):
        table[last] = value
        return None
    return Problem("change", key, repr(value), "a TOML value", "quote texts, bracket lists")
