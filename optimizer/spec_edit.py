"""A spec with some of its keys given another value, comments and lines kept.

A change is written as in the messages about a spec: ``limits.height_max_mm = 8``,
``limits.floors[1].efficiency_pct = 91`` (items of a list are counted from 1); the value ``none``
takes the key out.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
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


def edited(spec: Spec, changes: Iterable[str]) -> Spec:
    """The spec with changes ``key = value``; raises `InputError` as reading a spec does."""
    document = tomlkit.parse(spec.text)
    problems = [problem for text in changes if (problem := _change(document, text)) is not None]
    if problems:
        raise InputError(problems)
    return parse_spec(tomlkit.dumps(document), path=spec.path)


def by_sense(spec: Spec) -> tuple[Spec, ...]:
    """The spec once for each resistor its charger offers for the current sense, falling; itself
    where there is one."""
    if not spec.load.senses:
        return (spec,)
    load = tomllib.loads(spec.text)["load"]
    (word,) = [key for key in load if key.startswith(SENSE)]
    scale = FAMILIES["resistance"][word.removeprefix(SENSE)]
    written = {in_si(raw, scale): raw for raw in load[word]}
    return tuple(edited(spec, [f"load.{word} = {written[value]!r}"]) for value in spec.load.senses)


def with_sense(spec: Spec, resistance: float | None) -> Spec:
    """The spec with that one of the resistors offered [ohm], or as it is where none is named."""
    if resistance is None:
        return spec
    near = [
        k for k, one in enumerate(spec.load.senses) if math.isclose(one, resistance, rel_tol=1e-6)
    ]
    return by_sense(spec)[near[0]] if near else spec


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
