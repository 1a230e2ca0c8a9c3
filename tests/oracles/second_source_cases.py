"""Second sources read off every judged set: which sets pass in every mixture with alternates."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np

from optimizer.catalog import Catalog, read_catalog
from optimizer.records import BoolArray
from optimizer.spec import parse_spec
from optimizer.spec_records import Spec
from optimizer.stage import Stage
from optimizer.tables import PartTable
from tests import tiny
from tests.oracles import brute_force, random_cases
from tests.oracles.brute_force import Judgement
from tests.oracles.random_cases import Case

CHOICE_RULES = ("same part", "part numbers", "forced part")
"""Rules of the chosen set alone: alternates need not keep them."""

KINDS = {"inductor": "inductor", "sense-resistor": "resistor"}

Held = tuple[tuple[str, int, int, int], ...]
"""(position, slot, row, pieces) of every place of a set, types of a bank in the order of rows."""


def made_twice(catalog: Catalog, seed: int) -> Catalog:
    """The catalog with two makers and mostly one land pattern per kind."""
    random = np.random.default_rng([2031, seed])
    tables = {}
    for kind, table in catalog.tables.items():
        makers = [
            ("North", "South")[(row + int(random.random() < 0.2)) % 2] for row in range(len(table))
        ]
        pads = list(table.texts["land_pattern"])
        same = pads[0] if pads else ""
        pads = [own if random.random() < 0.06 else same for own in pads]
        tables[kind] = replace(
            table, texts=dict(table.texts) | {"maker": makers, "land_pattern": pads}
        )
    return replace(catalog, tables=tables)


def kind_at(position: str) -> str:
    """Kind of part at a position."""
    if position.endswith("-bank"):
        return "capacitor"
    return KINDS.get(position, "diode" if position.endswith("diode") else "mosfet")


def places_of(judged: Judgement, number: int) -> tuple[float, Held]:
    """Frequency and places of one set."""
    sets = judged.sets
    held = [("inductor", 0, int(sets.coil[number]), int(sets.coil_pieces[number]))]
    for position, (row, pieces) in sets.transistor.items():
        held.append((position, 0, int(row[number]), int(pieces[number])))
    for node, columns in sets.bank.items():
        one, n, two, m = (int(column[number]) for column in columns)
        types = sorted([(one, n), (two, m)] if two >= 0 else [(one, n)])
        held += [(f"{node}-bank", slot, row, k) for slot, (row, k) in enumerate(types)]
    held.append(("sense-resistor", 0, int(sets.sense[0][number]), int(sets.sense[1][number])))
    return float(sets.frequency[number]), tuple(held)


def ordered(held: Held) -> Held | None:
    """The places with the types of each bank in order; None where both types are one part."""
    found = []
    for position in dict.fromkeys(p for p, *_ in held):
        here = sorted((row, pieces) for p, _, row, pieces in held if p == position)
        if position.endswith("-bank") and len({row for row, _ in here}) < len(here):
            return None
        found += [(position, slot, row, pieces) for slot, (row, pieces) in enumerate(here)]
    return tuple(found)


class Mixtures:
    """The sets of one topology, by what they hold, and whether they keep every limit."""

    def __init__(self, spec: Spec, stage: Stage, judged: Judgement) -> None:
        self.spec, self.stage, self.judged = spec, stage, judged
        kept = np.ones(len(judged.sets), dtype=bool)
        for name, good in judged.held.items():
            if name not in CHOICE_RULES:
                kept &= good
        self.passing = {places_of(judged, number): None for number in np.flatnonzero(kept).tolist()}

    def robust(self) -> BoolArray:
        """Which sets pass with some alternates at every place that needs one."""
        found = self.judged.feasible()
        for number in np.flatnonzero(found).tolist():
            frequency, held = places_of(self.judged, number)
            found[number] = self._has(frequency, held, [], list(self._units(held)))
        return found

    def _units(self, held: Held) -> Iterator[tuple[int, ...]]:
        """Places that need a second source; tied ones change together."""
        asked = self.spec.purchase.second_source
        places = [k for k, (position, *_) in enumerate(held) if "all" in asked or position in asked]
        for group in self.spec.choice.same_part:
            tied = tuple(k for k, (position, *_) in enumerate(held) if position in group)
            if len(tied) > 1 and set(tied) & set(places):
                yield tied
                places = [k for k in places if k not in tied]
        yield from ((k,) for k in places)

    def _has(
        self,
        frequency: float,
        held: Held,
        chosen: list[Mapping[int, int]],
        units: list[tuple[int, ...]],
    ) -> bool:
        """Whether the alternates so far can be added to, every mixture passing."""
        if not all(self._passes(frequency, held, some) for some in _mixtures(chosen)):
            return False
        if not units:
            return True
        return any(
            self._has(frequency, held, [*chosen, dict.fromkeys(units[0], row)], units[1:])
            for row in self._alternates(held, units[0])
        )

    def _passes(self, frequency: float, held: Held, changed: Mapping[int, int]) -> bool:
        mixed = []
        for k, (position, slot, row, pieces) in enumerate(held):
            new = changed.get(k, row)
            if position == "inductor" and self.stage.two_coils:
                pieces = 2 if np.isnan(self._table(position).numbers["coupling_typ"][new]) else 1
            mixed.append((position, slot, new, pieces))
        key = ordered(tuple(mixed))
        return key is not None and (frequency, key) in self.passing

    def _table(self, position: str) -> PartTable:
        return self.stage.tables[kind_at(position)]

    def _alternates(self, held: Held, unit: tuple[int, ...]) -> Iterator[int]:
        position, _, own, _ = held[unit[0]]
        table = self._table(position)
        maker, pads = table.texts["maker"], table.texts["land_pattern"]
        for row in range(len(table)):
            fits = maker[row] != maker[own] and pads[row] == pads[own]
            if fits and all(brute_force.part_rules(self.spec, table, row).values()):
                yield row


def _mixtures(chosen: list[Mapping[int, int]]) -> Iterator[dict[int, int]]:
    """The mixtures that the last alternate adds."""
    if not chosen:
        yield {}
        return
    for picks in product((False, True), repeat=len(chosen) - 1):
        mixed = dict(chosen[-1])
        for unit, pick in zip(chosen, picks, strict=False):
            mixed |= unit if pick else {}
        yield mixed


def robust_only(spec: Spec, catalog: Catalog, judged: list[Judgement]) -> list[Judgement]:
    """The judgements with one limit more: a second source at every place that needs one."""
    stages = brute_force.stages(spec, catalog)
    found = []
    for part in judged:
        kept = Mixtures(spec, stages[part.topology], part).robust()
        found.append(replace(part, held=dict(part.held) | {"second source": kept}))
    return found


# --- cases in which alternates pass or fail by a little -------------------------------------------

COUNTS = {"mosfet": 4, "inductor": 3, "capacitor": 3, "resistor": 3}
SPREAD = {
    "mosfet": (
        "0.3",
        "rds_on_10v",
        "rds_on_4v5",
        "q_gate_10v",
        "q_gate_4v5",
        "q_output",
        "q_recovery",
    ),
    "inductor": ("0.06", "inductance", "dcr", "i_saturation", "i_rated"),
    "capacitor": ("0.12", "capacitance", "esr", "i_ripple_rating"),
    "resistor": ("0.02", "resistance"),
}
"""How far the parts of a kind differ, and in which quantities."""


@cache
def _samples() -> Catalog:
    folder = Path(tempfile.mkdtemp())
    parts = {
        kind: {f"{kind[0].upper()}-{k}": {} for k in range(count)} for kind, count in COUNTS.items()
    }
    tiny.write_catalogs(folder, parts)
    return read_catalog([folder])


def _limit(random: np.random.Generator, tight: tuple[float, float], wide: float) -> float:
    return round(float(random.uniform(*tight)), 2) if random.random() < 0.4 else wide


def alike_case(seed: int) -> Case:
    """A step-down job whose parts differ a little, with limits near what they reach."""
    random = np.random.default_rng([2033, seed])
    catalog = _samples()
    tables = {}
    for kind, table in catalog.tables.items():
        numbers = {key: values.copy() for key, values in table.numbers.items()}
        for stem in SPREAD[kind][1:] if kind in SPREAD else ():
            factor = np.exp(float(SPREAD[kind][0]) * random.standard_normal(len(table)))
            for key in numbers:
                if key == stem or key.removeprefix(stem) in ("_typ", "_max", "_min"):
                    numbers[key] = numbers[key] * factor
        price = np.exp(0.4 * random.standard_normal(len(table)))
        breaks = tuple(
            tuple((count, each * factor) for count, each in entry)
            for entry, factor in zip(table.price_breaks, price, strict=True)
        )
        tables[kind] = replace(table, numbers=numbers, price_breaks=breaks)
    data = tiny.spec_data()
    del data["catalogs"]
    data["choice"] |= {"bank_pieces_max_pcs": 2 - seed % 2, "bank_types_max_pcs": 1 + seed % 2}
    if seed % 5 == 4:
        data["choice"]["same_part"] = [["input-high", "input-low"]]
    data["limits"] |= {
        "loss_ceiling_pct": _limit(random, (3.5, 6.0), 8.0),
        "v_ripple_output_mv": _limit(random, (50.0, 120.0), 300.0),
        "area_max_mm2": _limit(random, (250.0, 400.0), 900.0),
    }
    demand = ["all"]
    if seed % 3:
        places = ("input-high", "input-low", "inductor", "input-bank", "output-bank")
        demand = sorted(str(p) for p in random.choice(places, 1 + seed % 3, replace=False))
    data["purchase"]["second_source"] = demand
    text = random_cases.toml(data)
    one = made_twice(replace(catalog, tables=tables), seed)
    return Case(seed, text, parse_spec(text), one, ())


def torn_case(seed: int) -> Case:
    """The same with inductors that give ripple for saturation current: no alternate does for all.

    A small bank passes beside one alternate, a small sense resistor beside the other.
    """
    random = np.random.default_rng([2034, seed])
    case = alike_case(seed)
    table = case.catalog.tables["inductor"]
    factor = np.exp(random.uniform(0.5, 1.5) * random.permutation([-0.25, 0.0, 0.25]))
    numbers = {key: values.copy() for key, values in table.numbers.items()}
    for key in numbers:
        if key.startswith("inductance"):
            numbers[key] = numbers[key] * factor
        elif key.startswith(("i_saturation", "i_rated")):
            numbers[key] = numbers[key] / factor**1.2
    texts = dict(table.texts) | {"maker": ("North", "South", "South")}
    torn = replace(table, numbers=numbers, texts=texts)
    catalog = replace(case.catalog, tables=dict(case.catalog.tables) | {"inductor": torn})
    limits = replace(
        case.spec.limits,
        v_ripple_output=0.001 * float(random.uniform(60.0, 300.0)),
        area_max=float("inf"),
    )
    purchase = replace(case.spec.purchase, second_source=("inductor",))
    return replace(case, spec=replace(case.spec, limits=limits, purchase=purchase), catalog=catalog)
