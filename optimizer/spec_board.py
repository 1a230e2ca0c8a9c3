"""Reads a board file: the complete part set of an existing board, for `verify`.

::

    topology = "buck"
    frequency_khz = 400
    catalogs = ["capacitors-own.csv"]          # optional, beside the catalogs of the spec
    charge_sense_mohm = 10                     # optional: which of several that the spec offers

    [positions]
    input-high = { part_number = "A", pieces = 1 }
    input-low = { part_number = "B" }     # pieces = 1 when left out
    inductor = { part_number = "C" }
    sense-resistor = { part_number = "D" }
    input-bank = [{ part_number = "E", pieces = 4 }, { part_number = "F", pieces = 1 }]
    output-bank = [{ part_number = "G", pieces = 3 }]
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from optimizer.errors import InputError, Problem
from optimizer.records import (
    DIODES,
    INPUT_DIODE,
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_DIODE,
    OUTPUT_HIGH,
    OUTPUT_LOW,
)
from optimizer.results import PartSet

TRANSISTORS = {
    "buck": (INPUT_HIGH, INPUT_LOW),
    "boost": (OUTPUT_LOW, OUTPUT_HIGH),
    "four-switch": (INPUT_HIGH, INPUT_LOW, OUTPUT_LOW, OUTPUT_HIGH),
    "diode-buck": (INPUT_HIGH, INPUT_DIODE),
    "diode-boost": (OUTPUT_LOW, OUTPUT_DIODE),
    "sepic": (OUTPUT_LOW, OUTPUT_HIGH),
    "diode-sepic": (OUTPUT_LOW, OUTPUT_DIODE),
}
SINGLE = ("inductor", "sense-resistor")
ONE_PIECE = ("inductor", *DIODES)
BANKS = ("input-bank", "output-bank")
BANKS_TWO_COILS = (*BANKS, "coupling-bank")
KEYS = ("topology", "frequency_khz", "catalogs", "charge_sense_mohm", "positions")
TYPES_MAX = 2

Bought = tuple[str, int]


@dataclass(frozen=True, slots=True)
class BoardFile:
    """A part set, the catalogs that hold its own parts, and its charge-current sense [ohm], None
    where it names none."""

    part_set: PartSet
    catalogs: tuple[Path, ...]
    resistance_sense: float | None = None


def read_board(path: Path) -> BoardFile:
    """The part set of a board file, or every problem in it at once."""
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError:
        problem = Problem(str(path), "", "no readable file", "a board file", "check the path")
        raise InputError([problem]) from None
    except ValueError as error:
        problem = Problem(str(path), "", f"text that is no TOML ({error})", "TOML", "correct it")
        raise InputError([problem]) from None
    return _Board(str(path), data).build(path.parent)


class _Board:
    """One pass over the data of a board file, collecting problems."""

    def __init__(self, place: str, data: Mapping[str, Any]) -> None:
        self.place = place
        self.data = data
        self.problems: list[Problem] = []

    def build(self, folder: Path) -> BoardFile:
        self._unknown("", self.data, KEYS)
        topology = self._topology()
        frequency = self._frequency()
        positions = self._table("positions")
        switches = TRANSISTORS.get(topology, ())
        nodes = BANKS_TWO_COILS if topology.endswith("sepic") else BANKS
        if switches:
            self._unknown("positions.", positions, (*switches, *SINGLE, *nodes))
        bought = {name: self._one(name, positions) for name in (*switches, *SINGLE)}
        banks = {name: self._bank(name, positions) for name in nodes}
        catalogs = self._catalogs(folder)
        resistance_sense = self._resistance_sense()
        if self.problems:
            raise InputError(self.problems)
        part_set = PartSet(
            topology=topology,
            frequency=frequency,
            inductor=bought["inductor"][0],
            transistors={name: bought[name] for name in switches},
            bank_input=banks["input-bank"],
            bank_output=banks["output-bank"],
            sense=bought["sense-resistor"],
            bank_coupling=banks.get("coupling-bank", ()),
            inductor_pieces=bought["inductor"][1],
        )
        return BoardFile(part_set, catalogs, resistance_sense)

    def _bad(self, name: str, got: object, need: str, fix: str = "correct it") -> None:
        text = got if isinstance(got, str) else repr(got)
        self.problems.append(Problem(self.place, name, text, need, fix))

    def _unknown(self, prefix: str, table: Mapping[str, Any], known: tuple[str, ...]) -> None:
        for key in table:
            if key not in known:
                close = get_close_matches(key, known, 1)
                fix = f"did you mean {close[0]!r}?" if close else "remove it"
                self._bad(prefix + key, "an unknown key", f"one of {', '.join(known)}", fix)

    def _topology(self) -> str:
        value = self.data.get("topology")
        if not isinstance(value, str) or value not in TRANSISTORS:
            got = "nothing" if value is None else repr(value)
            self._bad("topology", got, f"one of {', '.join(TRANSISTORS)}")
            return ""
        return value

    def _frequency(self) -> float:
        value = self.data.get("frequency_khz")
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not 10.0 <= float(value or 0) <= 10_000.0:
            got = "nothing" if value is None else repr(value)
            self._bad("frequency_khz", got, "a number from 10 to 10000, in kHz")
            return 0.0
        return 1e3 * float(value or 0)

    def _resistance_sense(self) -> float | None:
        value = self.data.get("charge_sense_mohm")
        if value is None:
            return None
        if isinstance(value, int | float) and not isinstance(value, bool) and 0.1 <= value <= 1e3:
            return 1e-3 * float(value)
        self._bad("charge_sense_mohm", repr(value), "a number from 0.1 to 1000, in mohm")
        return None

    def _table(self, name: str) -> Mapping[str, Any]:
        value = self.data.get(name)
        if isinstance(value, dict):
            return value
        self._bad(name, "nothing" if value is None else repr(value), "a table of positions")
        return {}

    def _one(self, name: str, positions: Mapping[str, Any]) -> Bought:
        if name not in positions:
            self._bad(f"positions.{name}", "nothing", "a part number", "add the position")
            return "", 0
        return self._pieces(f"positions.{name}", positions[name], single=name in ONE_PIECE)

    def _bank(self, name: str, positions: Mapping[str, Any]) -> tuple[Bought, ...]:
        value = positions.get(name)
        entries = value if isinstance(value, list) else [value]
        if value is None or not 1 <= len(entries) <= TYPES_MAX:
            got = "nothing" if value is None else f"{len(entries)} types"
            self._bad(f"positions.{name}", got, "one or two types of capacitor")
            return ()
        return tuple(self._pieces(f"positions.{name}", entry) for entry in entries)

    def _pieces(self, name: str, entry: Any, *, single: bool = False) -> Bought:
        if not isinstance(entry, dict) or not isinstance(entry.get("part_number"), str):
            self._bad(name, entry, 'a part, for example { part_number = "A", pieces = 1 }')
            return "", 0
        self._unknown(f"{name}.", entry, ("part_number", "pieces"))
        pieces = entry.get("pieces", 1)
        top = 1 if single else 99
        if not isinstance(pieces, int) or isinstance(pieces, bool) or not 1 <= pieces <= top:
            self._bad(f"{name}.pieces", pieces, f"a whole number from 1 to {top}")
            return "", 0
        return entry["part_number"], pieces

    def _catalogs(self, folder: Path) -> tuple[Path, ...]:
        value = self.data.get("catalogs", [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self._bad("catalogs", value, "a list of file names")
            return ()
        return tuple(folder / item for item in value)
