"""The answers of many runs together: what is untouched, what passes with what, what to buy."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer import purchase
from optimizer.catalog import Catalog
from optimizer.studies.obsolete import DROP_IN, FAILS, PASSES, TOUCH, UNAFFECTED, VERDICTS

Plain = Mapping[str, Any]
NOT_ANSWERED = "not answered"


@dataclass(frozen=True, slots=True)
class Design:
    """One run of a fleet: its folder, the point that is built, boards a year (None: one build)."""

    run: str
    point: int | None = None
    boards_per_year: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One design in the overview. change : of cost [currency] and loss [W] with the cheapest."""

    run: str
    point: int | None
    verdict: str
    affected: tuple[str, ...]
    with_parts: str
    cost_change: float | None
    loss_change: float | None
    front: str
    why: str


@dataclass(frozen=True, slots=True)
class Alternate:
    """A part that stands in for a lost one, and the designs that pass with it untouched."""

    instead_of: str
    part: str
    runs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LastBuy:
    """How much of a lost part to buy for the years to come.

    least : for the designs nothing can stand in for; most : for every design that holds it [pcs]
    order_least, order_most : the same by its order rules; price_* : what that costs, None where
        no price is known; stock : as the catalogs say, None where they do not
    """

    part: str
    designs: int
    least: int
    most: int
    order_least: int
    order_most: int
    price_least: float | None
    price_most: float | None
    currency: str
    stock: float | None


@dataclass(frozen=True, slots=True)
class Fleet:
    """The whole answer. counts : verdict -> designs; fronts : status -> designs."""

    counts: Mapping[str, int]
    fronts: Mapping[str, int]
    lines: tuple[Line, ...]
    alternates: tuple[Alternate, ...]
    last_buys: tuple[LastBuy, ...]
    years: float
    notes: tuple[str, ...]


def gathered(
    designs: Sequence[Design],
    answers: Sequence[Plain | None],
    errors: Sequence[str],
    *,
    catalog: Catalog | None,
    years: float,
) -> Fleet:
    """All answers together, in the order of the designs.

    answers : None where there is none, with the error beside it
    catalog : where prices and order rules of lost parts are read; years : to buy for
    """
    lines = tuple(_line(*three) for three in zip(designs, answers, errors, strict=True))
    counts = Counter(line.verdict for line in lines)
    fronts = Counter(line.front for line in lines if line.front)
    order = (*VERDICTS, NOT_ANSWERED)
    given = [(d, a) for d, a in zip(designs, answers, strict=True) if a is not None]
    assumed = sum(d.boards_per_year is None for d, _ in given)
    notes = [f"{assumed} designs: boards a year not given, assumed one build"] if assumed else []
    if counts[UNAFFECTED]:
        notes.append("unaffected: proved without solving, the board holds no changed part")
    return Fleet(
        counts={name: counts[name] for name in order if counts[name]},
        fronts=dict(sorted(fronts.items())),
        lines=lines,
        alternates=tuple(_alternates(given)),
        last_buys=tuple(_last_buys(given, catalog, years)),
        years=years,
        notes=tuple(notes),
    )


def _line(design: Design, found: Plain | None, error: str) -> Line:
    if found is None:
        return Line(design.run, design.point, NOT_ANSWERED, (), "", None, None, "", error)
    answer = found["answer"]
    best = _best(answer)
    swaps = best["swaps"] if best else []
    misses = best["misses"][:1] if best else ()
    return Line(
        run=found["run"],
        point=found["point"],
        verdict=answer["verdict"],
        affected=tuple(answer["affected"]),
        with_parts=", ".join(dict.fromkeys(f"{s['part_before']} > {s['part']}" for s in swaps)),
        cost_change=best["cost_change"] if best else None,
        loss_change=best["loss_change"] if best else None,
        front=found["front"]["status"],
        why="; ".join([answer["proof"], *(f"at its own state it misses {m}" for m in misses)]),
    )


def _best(answer: Plain) -> Plain | None:
    """The cheapest board that passes."""
    if answer["verdict"] == PASSES:
        again: Plain = answer["again"]
        return again
    step = {DROP_IN: answer["drop_ins"], TOUCH: answer["touched"]}.get(answer["verdict"])
    return step["replacements"][0] if step else None


def _alternates(given: Sequence[tuple[Design, Plain]]) -> Iterator[Alternate]:
    """Drop-ins by the number of designs that pass with them, then by what they cost there."""
    runs: dict[tuple[str, str], list[str]] = {}
    paid: dict[tuple[str, str], float] = {}
    for _, found in given:
        step = found["answer"]["drop_ins"]
        for one in step["replacements"] if step else ():
            for pair in dict.fromkeys((s["part_before"], s["part"]) for s in one["swaps"]):
                runs.setdefault(pair, []).append(found["run"])
                paid[pair] = paid.get(pair, 0.0) + (one["cost_change"] or 0.0)
    for pair in sorted(runs, key=lambda one: (-len(runs[one]), round(paid[one], 4), one)):
        names = runs[pair]
        yield Alternate(*pair, tuple(dict.fromkeys(names)))


def _last_buys(
    given: Sequence[tuple[Design, Plain]], catalog: Catalog | None, years: float
) -> Iterator[LastBuy]:
    """Need of every lost part over the years, for all its designs and for those without help."""
    names = dict.fromkeys(name for _, found in given for name in found["lost_pieces"])
    for name in sorted(names):
        holding = [(d, f) for d, f in given if name in f["lost_pieces"]]
        needs = [_need(d, f, f["lost_pieces"][name], years) for d, f in holding]
        failing = [f["answer"]["verdict"] == FAILS for _, f in holding]
        least = sum(need for need, fails in zip(needs, failing, strict=True) if fails)
        yield _last_buy(name, len(holding), least, sum(needs), catalog)


def _need(design: Design, found: Plain, pieces: int, years: float) -> int:
    yearly = design.boards_per_year if design.boards_per_year is not None else found["boards"]
    boards = int(np.ceil(yearly * years))
    return int(purchase.pieces_needed(pieces, boards=boards, scrap=found["scrap"]))


def _last_buy(name: str, designs: int, least: int, most: int, catalog: Catalog | None) -> LastBuy:
    tables = catalog.tables.values() if catalog else ()
    table = next((one for one in tables if name in one.part_number), None)
    if table is None:
        return LastBuy(name, designs, least, most, least, most, None, None, "", None)
    row = table.part_number.index(name)
    rules = [int(table.numbers[key][row]) for key in ("order_minimum", "order_multiple")]
    lines = [purchase.line_price(need, table.price_breaks[row], *rules) for need in (least, most)]
    totals = [round(x.total, 2) if np.isfinite(x.total) else None for x in lines]
    stock = float(table.numbers["stock"][row])
    return LastBuy(
        part=name,
        designs=designs,
        least=least,
        most=most,
        order_least=lines[0].quantity,
        order_most=lines[1].quantity,
        price_least=totals[0],
        price_most=totals[1],
        currency=table.texts["currency"][row],
        stock=stock if np.isfinite(stock) else None,
    )
