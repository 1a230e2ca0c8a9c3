"""Second sources of the parts of a set: another maker's part on the same pads, verified in place.

Each bought part is replaced alone, at every position it stands at; the set with it is then
verified in full. Mixtures of several alternates are not looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from optimizer import assembly, buying, conclude_margins
from optimizer.charge_sense import ChargePart
from optimizer.conclude_bill import Known, bill_of
from optimizer.conclude_sets import Chosen, Place, part_set_of, stacked
from optimizer.records import BoolArray, switch_kind
from optimizer.results import Verified
from optimizer.results_evidence import Alternate
from optimizer.stage import Stage
from optimizer.tables import PartTable
from optimizer.verification import objectives

LOOKED_AT = 2
"""Alternates verified for each bought part, the likeliest first."""

ALIKE: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "mosfet": {"v_drain_source_rating": (1.0, 2.0), "rds_on_10v_max": (0.0, 1.3)},
    "diode": {
        "v_reverse_rating": (1.0, 2.0),
        "i_forward_rating": (0.8, np.inf),
        "v_forward_typ": (0.0, 1.15),
    },
    "inductor": {"inductance_typ": (0.85, 1.2), "i_saturation_typ": (0.95, np.inf)},
    "capacitor": {"capacitance_typ": (0.95, 1.6), "v_rating": (1.0, np.inf)},
    "resistor": {"resistance_typ": (0.99, 1.01), "power_rating": (0.95, np.inf)},
}
"""What a likely alternate has, as shares of the part it replaces: a sieve, not the verdict."""

OF_ROOM = ("m", "m2")
"""Units of limits of room, which an alternate on the same pads hardly moves."""

SETS_AT_ONCE = 128
Swap = tuple[int, str, Chosen, str, int]
"""Number of the set, part replaced, the set with the alternate, kind and row of the alternate."""


def alternates_of(
    own: Stage, found: Sequence[Chosen], verified: Sequence[Verified]
) -> list[dict[str, tuple[Alternate, ...]]]:
    """For each set: bought part -> alternates that were verified, those that pass first.

    The next likeliest alternate is only looked at where those before it do not pass.
    """
    result: list[dict[str, tuple[Alternate, ...]]] = [
        {line.part_number: () for line in one.bill} for one in verified
    ]
    for turn in range(LOOKED_AT):
        open_ = [
            swap
            for swap in _swaps(own, found, turn)
            if not any(one.passes for one in result[swap[0]][swap[1]])
        ]
        for start in range(0, len(open_), SETS_AT_ONCE):
            some = open_[start : start + SETS_AT_ONCE]
            with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
                judged = _judged(own, some)
            for (number, part, *_), alternate in zip(some, judged, strict=True):
                result[number][part] += (alternate,)
    return [{part: tuple(sorted(all_, key=_rank)) for part, all_ in one.items()} for one in result]


def _rank(one: Alternate) -> tuple[bool, float]:
    return not one.passes, one.cost


def _judged(own: Stage, some: Sequence[Swap]) -> list[Alternate]:
    """The sets with their alternates, in full."""
    sets = stacked([swapped for _, _, swapped, _, _ in some])
    result = assembly.own_physics(own, sets)
    names = [part_set_of(swapped, own.tables) for _, _, swapped, _, _ in some]
    margins = conclude_margins.margins(result, sets, names)
    mission, _ = objectives(result)
    charge = buying.charge_of(own.spec, own.tables)
    found, known = [], Known()
    for k, (_, part, swapped, kind, row) in enumerate(some):
        table = own.tables[kind]
        held, stands = _beside(charge, table, part, row)
        bill = bill_of(own.spec, own.tables, swapped, held, known)
        price = next(b.unit_price for b in bill.lines if b.part_number == table.part_number[row])
        found.append(
            Alternate(
                part_number=table.part_number[row],
                maker=table.texts["maker"][row],
                unit_price=price,
                passes=stands and all(margin.passes for margin in margins[k]),
                margin=min(m.margin for m in margins[k] if m.unit not in OF_ROOM),
                loss_mission=float(mission[k]),
                cost=bill.cost,
            )
        )
    return found


def _beside(
    charge: ChargePart | None, table: PartTable, part: str, row: int
) -> tuple[ChargePart | None, bool]:
    """The charge-current sense beside a swapped part, and whether the alternate will do there."""
    if charge is None or not charge.found or table.kind != "resistor":
        return charge, True
    if part != table.part_number[charge.row]:
        return charge, True
    return replace(charge, row=row), table.part_number[row] in charge.alternates


def _swaps(own: Stage, found: Sequence[Chosen], turn: int) -> Iterator[Swap]:
    """Every set with one bought part replaced by the alternate whose turn it is."""

    @cache
    def likely(kind: str, row: int) -> tuple[int, ...]:
        return _likely(own, kind, row)

    charge = buying.charge_of(own.spec, own.tables)
    beside = [("resistor", charge.row)] if charge is not None and charge.found else []
    for number, one in enumerate(found):
        held = [(kind, row) for _, kind, row, _ in one.places()]
        for kind, row in dict.fromkeys([*held, *beside]):
            part = own.tables[kind].part_number[row]
            for other in likely(kind, row)[turn : turn + 1]:
                swapped = _replaced(one, kind, row, other) if (kind, row) in held else one
                yield number, part, swapped, kind, other


def _replaced(one: Chosen, kind: str, row: int, other: int) -> Chosen:
    """The set with another part wherever `row` of `kind` stands."""

    def place(held: Place) -> Place:
        return (other, held[1]) if held[0] == row else held

    if kind in ("mosfet", "diode"):
        transistor = {
            p: place(held) if switch_kind(p) == kind else held for p, held in one.transistor.items()
        }
        return replace(one, transistor=transistor)
    if kind == "inductor":
        return replace(one, coil=other)
    if kind == "resistor":
        return replace(one, sense=place(one.sense))
    return replace(
        one, bank={node: tuple(place(held) for held in bank) for node, bank in one.bank.items()}
    )


def _likely(own: Stage, kind: str, row: int) -> tuple[int, ...]:
    """Rows of the likeliest alternates: another maker, same pads, alive, alike; cheapest first."""
    table, rules = own.tables[kind], own.spec.purchase
    fits = _may_stand(table, row)
    fits &= np.isin(np.array(table.texts["status"]), rules.states_allowed)
    for key, (low, high) in ALIKE[kind].items():
        share = table.numbers[key] / table.numbers[key][row]
        fits &= (share >= low) & (share <= high)
    banned = {*rules.banned, *own.spec.choice.forbid}
    known = buying.exchange(own.spec)
    priced = []
    for other in np.flatnonzero(fits).tolist():
        worth = known.get(table.texts["currency"][other])
        names = {table.part_number[other], table.texts["maker"][other]}
        allowed = not rules.approved or bool(names & set(rules.approved))
        if worth is not None and table.price_breaks[other] and allowed and not names & banned:
            priced.append((min(price for _, price in table.price_breaks[other]) * worth, other))
    return tuple(other for _, other in sorted(priced)[:LOOKED_AT])


def _may_stand(table: PartTable, row: int) -> BoolArray:
    """Parts of another maker on the same land pattern, of the same technology or windings."""
    maker = np.array(table.texts["maker"])
    fits = maker != maker[row]
    for key in ("land_pattern", "technology") if table.kind == "capacitor" else ("land_pattern",):
        text = np.array(table.texts[key])
        fits &= text == text[row]
    if table.kind == "inductor":
        single = np.isnan(table.numbers["coupling_typ"])
        fits &= single == single[row]
    return np.asarray(fits)
