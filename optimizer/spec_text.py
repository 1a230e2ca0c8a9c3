"""The text of a spec file: where each key stands, and what a value becomes in SI."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from optimizer.errors import Problem
from optimizer.records import Note
from optimizer.spec_tables import FAMILIES, FROM_OTHERS, REQUIRED, Key
from optimizer.units import PREFIXES, UNITS, factor

Path = tuple[str | int, ...]

_ARRAY_HEADER = re.compile(r"^\s*\[\[\s*([^\]]+?)\s*\]\]")
_HEADER = re.compile(r"^\s*\[\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(r"""^\s*([A-Za-z0-9_."'-]+)\s*=\s*(.*)$""")
_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*'")
_PREFIXES = tuple(sorted(((f, p) for p, f in PREFIXES.items()), reverse=True))
_SYMBOLS = {
    "voltage": "V",
    "current": "A",
    "resistance": "ohm",
    "inductance": "H",
    "time": "s",
    "frequency": "Hz",
    "power": "W",
    "capacitance": "F",
    "energy": "J",
}
_FIXED = {
    family: (UNITS[suffix].label, factor(suffix))
    for family, suffix in {
        "length": "mm",
        "area": "mm2",
        "temperature": "c",
        "difference": "k",
        "heat path": "k_per_w",
        "share": "pct",
        "relative slope": "pct_per_k",
        "voltage slope": "mv_per_k",
        "duration": "h",
        "small slope": "ppm_per_k",
        "ramp": "mv_per_us",
        "money": "each",
        "count": "pcs",
    }.items()
}
_HUGE = 10**300
"""A whole number beyond it is no float; every plausible range ends long before."""

_BARE_UNITS = {
    "length": "m",
    "area": "m2",
    "share": "",
    "relative slope": "1/K",
    "voltage slope": "V/K",
    "duration": "s",
    "small slope": "1/K",
    "ramp": "V/s",
}


def _names(dotted: str) -> Path:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _found(text: str) -> Iterator[tuple[Path, int]]:
    """Paths of headers, keys and inline items with their lines, in reading order."""
    section: Path = ()
    counts: dict[Path, int] = {}
    inside: Path | None = None
    depth = item = 0
    for number, raw in enumerate(text.splitlines(), start=1):
        bare = _QUOTED.sub('""', raw).split("#", 1)[0]
        if inside is None:
            if header := _ARRAY_HEADER.match(raw):
                table = _names(header[1])
                section = (*table, counts.get(table, 0))
                counts[table] = counts.get(table, 0) + 1
                yield section[:-1], number
                yield section, number
                continue
            if header := _HEADER.match(raw):
                section = _names(header[1])
                yield section, number
                continue
            found = _KEY.match(raw)
            if found is None:
                continue
            path = (*section, *_names(found[1]))
            yield path, number
            bare = bare.split("=", 1)[1]
            if not bare.lstrip().startswith("["):
                continue
            inside, depth, item = path, 0, 0
        for _ in range(bare.count("{")):
            yield (*inside, item), number
            item += 1
        depth += bare.count("[") - bare.count("]")
        if depth <= 0:
            inside = None


class Lines:
    """Where each key of a text stands."""

    def __init__(self, text: str) -> None:
        self._line: dict[Path, int] = {}
        for path, number in _found(text):
            self._line.setdefault(path, number)

    def line(self, path: Path) -> int:
        """Line of `path`, else of the nearest section above it, else 1."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._line:
                return self._line[path[:length]]
        return 1


def dotted(path: Path) -> str:
    """`path` as the user sees it; items of a list are counted from 1.

    >>> dotted(("limits", "floors", 0, "efficiency_pct"))
    'limits.floors[1].efficiency_pct'
    """
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def trade(value: Any, family: str) -> str:
    """A value in the unit an engineer would write.

    >>> trade(0.0015, "resistance"), trade(0.93, "share"), trade(250e3, "frequency")
    ('1.5 mohm', '93 %', '250 kHz')
    """
    if isinstance(value, tuple | list):
        return ", ".join(trade(item, family) for item in value) or "none"
    if value is None or (isinstance(value, float) and math.isinf(value)):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if family in _FIXED:
        unit, scale = _FIXED[family]
        return f"{value / scale:.6g} {unit}"
    if family not in _SYMBOLS:
        return f"{value:g}" if isinstance(value, float) else str(value)
    size = abs(value)
    step, prefix = next(((f, p) for f, p in _PREFIXES if size >= f * 0.9999), (1.0, ""))
    return f"{value / step:.6g} {prefix}{_SYMBOLS[family]}"


def si(value: Any, family: str) -> str:
    """A value in SI, as the program holds it.

    >>> si(0.0015, "resistance"), si(0.93, "share")
    ('0.0015 ohm', '0.93')
    """
    if isinstance(value, tuple | list):
        return ", ".join(si(item, family) for item in value) or "none"
    if value is None or (isinstance(value, float) and math.isinf(value)):
        return "none"
    if isinstance(value, bool) or family in ("text", "flag"):
        return trade(value, family)
    unit = _BARE_UNITS.get(family, _SYMBOLS.get(family, _FIXED.get(family, ("",))[0]))
    return f"{value:.6g} {unit}".strip()


def in_si(raw: float, scale: float) -> float:
    """A number of the file in SI; `scale` is the factor of its unit."""
    return raw / round(1.0 / scale) if scale < 1.0 else raw * scale


def article(value: Any) -> str:
    """What kind of thing came, in words."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"text {value!r}"
    if isinstance(value, int | float):
        return f"the number {min(value, _HUGE):g}"
    if isinstance(value, Mapping):
        return "a section"
    if isinstance(value, Sequence):
        return "a list"
    return f"a {type(value).__name__}"


def nearest(word: str, known: Sequence[str]) -> str:
    """Remedy for a word nobody knows."""
    close = get_close_matches(word, known, n=1, cutoff=0.6)
    return f"did you mean {close[0]}?" if close else "remove it"


class Reading:
    """One pass over a spec: collects every problem and every default that stood in."""

    def __init__(self, text: str, place: str) -> None:
        self.place = place
        self.lines = Lines(text)
        self.problems: list[Problem] = []
        self.notes: list[Note] = []
        self._written: dict[Path, Path] = {}

    def problem(self, path: Path, *, got: str, need: str, fix: str = "") -> None:
        """Record one problem at `path`; a key may be given in any of its units."""
        path = self._written.get(path, path)
        where = f"{self.place}:{self.lines.line(path)}"
        self.problems.append(Problem(where, dotted(path), got, need, fix))

    def note(self, kind: str, path: Path, text: str) -> None:
        """Record one note about `path`."""
        self.notes.append(Note(kind, dotted(path), text, self.place))

    def section(
        self, data: Any, path: Path, keys: Sequence[Key], *, inner: Sequence[str] = ()
    ) -> dict[str, Any]:
        """Values of one section by field name: SI, None where absent or bad.

        `inner` are the sections inside it, which the caller reads.
        """
        values: dict[str, Any] = {key.name: None for key in keys}
        if not isinstance(data, Mapping):
            self.problem(path, got=article(data), need="a section", fix=f"write [{dotted(path)}]")
            return values
        spelled = {text: (key, f) for key in keys for text, f in key.spellings().items()}
        seen: dict[str, str] = {}
        for word, raw in data.items():
            if word in inner:
                continue
            if word not in spelled:
                self._unknown(word, path, keys, (*spelled, *inner))
                self._claim(word, keys, seen)
                continue
            key, scale = spelled[word]
            if key.name in seen:
                self.problem(
                    (*path, word),
                    got=f"{word} beside {seen[key.name]}",
                    need="one of them",
                    fix="remove one",
                )
                continue
            seen[key.name] = word
            self._written |= {
                (*path, other): (*path, word) for other in key.spellings() if other not in data
            }
            values[key.name] = self.value(raw, (*path, word), key, scale)
        for key in keys:
            if key.name not in seen:
                values[key.name] = self._absent(key, path)
        return values

    def _claim(self, word: str, keys: Sequence[Key], seen: dict[str, str]) -> None:
        """A misspelt key still counts as given, so that one slip makes one problem."""
        known = [text for key in keys for text in key.spellings()]
        for close in get_close_matches(word, known, n=1, cutoff=0.8):
            key = next(key for key in keys if close in key.spellings())
            if key.default is REQUIRED:
                seen.setdefault(key.name, word)
        for key in keys:
            if key.unit and (word == key.name or word.startswith(f"{key.name}_")):
                seen.setdefault(key.name, word)

    def _unknown(self, word: str, path: Path, keys: Sequence[Key], known: Sequence[str]) -> None:
        for key in keys:
            if key.unit and word == key.name:
                self.problem(
                    (*path, word),
                    got="a key without a unit",
                    need=f"the unit in the key: {' or '.join(key.spellings())}",
                    fix=f"write {key.spelling}",
                )
                return
            if key.unit and word.startswith(f"{key.name}_") and word not in known:
                rest = word.removeprefix(f"{key.name}_")
                if not get_close_matches(
                    word, [k for k in known if k not in key.spellings()], n=1, cutoff=0.9
                ):
                    self.problem(
                        (*path, word),
                        got=f"the unit {rest!r}",
                        need=f"a unit of {key.family}: {' or '.join(FAMILIES[key.family])}",
                        fix=f"write {key.spelling}",
                    )
                    return
        where = f"[{dotted(path)}]" if path else "the spec"
        self.problem(
            (*path, word), got="an unknown key", need=f"a key of {where}", fix=nearest(word, known)
        )

    def _absent(self, key: Key, path: Path) -> Any:
        if key.default is REQUIRED:
            self.problem(
                (*path, key.spelling),
                got="nothing",
                need=self.wanted(key),
                fix=f"add {key.spelling} to {f'[{dotted(path)}]' if path else 'the spec'}",
            )
            return None
        if key.default is FROM_OTHERS:
            return None
        stood = trade(key.default, key.family)
        text = key.why if stood == "none" else f"{stood}: {key.why}"
        self.note("assumed", (*path, key.spelling), f"not given, assumed {text}")
        return key.default

    def wanted(self, key: Key) -> str:
        """What a key needs, in words."""
        if key.choices:
            return ("any of " if key.many else "one of ") + ", ".join(key.choices)
        if key.family == "flag":
            return "true or false"
        if key.family == "text":
            return "a list of texts" if key.many else "a text"
        span = f"{trade(key.low, key.family)} to {trade(key.high, key.family)}"
        return f"a list of values, {span}" if key.many else span

    def value(self, raw: Any, path: Path, key: Key, scale: float) -> Any:
        """One value, or every item of a list, in SI; None where bad."""
        if not key.many and not (key.several and isinstance(raw, list)):
            return self._single(raw, path, key, scale)
        if not isinstance(raw, list):
            self.problem(path, got=article(raw), need="a list", fix=f"write [{raw!r}]")
            return None
        values = tuple(self._single(item, path, key, scale) for item in raw)
        return None if any(value is None for value in values) else values

    def _single(self, raw: Any, path: Path, key: Key, scale: float) -> Any:
        if key.family == "flag":
            if isinstance(raw, bool):
                return raw
            self.problem(path, got=article(raw), need="true or false")
            return None
        if key.family == "text":
            return self._word(raw, path, key)
        return self._number(raw, path, key, scale)

    def _word(self, raw: Any, path: Path, key: Key) -> str | None:
        if not isinstance(raw, str) or not raw.strip():
            got = article(raw) if not isinstance(raw, str) else "an empty text"
            self.problem(path, got=got, need=self.wanted(key), fix="write it in quotes")
            return None
        if key.choices and raw not in key.choices:
            close = get_close_matches(raw, key.choices, n=1, cutoff=0.4)
            fix = f"did you mean {close[0]!r}?" if close else ""
            self.problem(path, got=repr(raw), need=self.wanted(key), fix=fix)
            return None
        return raw

    def _number(self, raw: Any, path: Path, key: Key, scale: float) -> float | int | None:
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            fix = "write it without quotes and unit" if isinstance(raw, str) else ""
            self.problem(
                path,
                got=article(raw),
                need=f"a number, {self.wanted(key)}" if not key.many else "numbers",
                fix=fix,
            )
            return None
        raw = max(min(raw, _HUGE), -_HUGE) if isinstance(raw, int) else raw
        if not math.isfinite(raw):
            free = path[0] == "limits" and key.default is not REQUIRED
            fix = "remove the key for no limit" if free else "write the number"
            self.problem(path, got=str(raw), need="a finite number", fix=fix)
            return None
        if key.family == "count" and raw != int(raw):
            self.problem(path, got=f"{raw:g}", need="a whole number")
            return None
        value = in_si(raw, scale)
        if not key.low - _room(key.low) <= value <= key.high + _room(key.high):
            self._implausible(raw, path, key, scale)
            return None
        return int(raw) if key.family == "count" else float(value)

    def _implausible(self, raw: float, path: Path, key: Key, scale: float) -> None:
        unit = next((u for u, f in FAMILIES[key.family].items() if f == scale), key.unit)
        self.problem(
            path,
            got=f"{raw:g} {_shown(unit)}".rstrip(),
            need=f"{trade(key.low, key.family)} to {trade(key.high, key.family)}",
            fix=_other_reading(raw, key, scale),
        )


def _room(bound: float) -> float:
    """What the conversion of units may put beside a bound that is itself allowed."""
    return 1e-12 * abs(bound) if math.isfinite(bound) else 0.0


def _shown(unit: str) -> str:
    return UNITS[unit].label if unit else ""


def _other_reading(raw: float, key: Key, scale: float) -> str:
    """The unit in which the same digits would be plausible."""
    if key.family == "share" and key.low <= raw <= key.high:
        return f"shares are written in percent: did you mean {raw * 100:g} %?"
    for unit, other in FAMILIES[key.family].items():
        if other != scale and key.low <= raw * other <= key.high:
            return f"did you mean {raw:g} {_shown(unit)}? then write {key.spelled(unit)} = {raw:g}"
    for step in (1e3, 1e-3, 1e6, 1e-6, 1e9, 1e-9):
        if key.family in _SYMBOLS and raw and key.low <= raw * scale * step <= key.high:
            return f"did you mean {trade(raw * scale * step, key.family)}?"
    return "correct the value or its unit" if key.unit else "correct the value"
