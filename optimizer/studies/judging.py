"""Complete sets under a spec: cost, loss at the reference states, verdict and margins.

Only `verification` speaks here, so what a search found is judged by another room than the one
that found it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer import assembly, buying, conclude_margins, pool, verification
from optimizer.assembly import Sets
from optimizer.buying import Prices
from optimizer.conclude_sets import Chosen, part_set_of, stacked
from optimizer.found import Found
from optimizer.infeasible_probe import judged as judged_alone
from optimizer.purchase import PRICE_NONE
from optimizer.records import DIODES, LOSS_UNIT, BoolArray, IntArray, kind_of
from optimizer.results import Margin
from optimizer.second_sources import has_second_sources
from optimizer.spec_records import OBJECTIVE_WORST, Spec
from optimizer.stage import Stage
from optimizer.verification import Reference

CHUNK = 96


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Complete sets under one spec, (n_set,) each.

    cost, loss : in the units of the decision; loss at the reference state where the search has
        one for the skeleton (`known`), else at the set's own
    passes : keeps every limit and every rule; broken : the margins below zero, worst first
    rules : rules of purchase and choice a set breaks, in words
    """

    cost: IntArray
    loss: IntArray
    known: BoolArray
    passes: BoolArray
    broken: tuple[tuple[Margin, ...], ...]
    rules: tuple[tuple[str, ...], ...]


def judge(found: Found, chosen: Sequence[Chosen]) -> Verdicts:
    """Judge sets under the spec and at the reference states of a search (or its preparation)."""
    count = len(chosen)
    cost = np.full(count, PRICE_NONE, dtype=np.int64)
    loss = np.full(count, PRICE_NONE, dtype=np.int64)
    known = np.zeros(count, dtype=bool)
    broken: list[tuple[Margin, ...]] = [()] * count
    rules: list[tuple[str, ...]] = [("its topology is refused",)] * count
    for topology, stage in found.stages.items():
        index = [k for k, one in enumerate(chosen) if one.topology == topology]
        for start in range(0, len(index), CHUNK):
            rows = index[start : start + CHUNK]
            some = [chosen[k] for k in rows]
            cost[rows] = _costs(stage, found.prices, some)
            for k, texts in zip(rows, broken_rules(stage, found.prices, some), strict=True):
                rules[k] = texts
            for k, verdict in zip(rows, _judged(found, stage, some), strict=True):
                loss[k], known[k], broken[k] = verdict
    for k, one in enumerate(chosen):
        refused = [r.reason for r in found.refused if r.topology == one.topology]
        if refused:
            rules[k] = tuple(refused)
    for k, one in enumerate(chosen):
        if found.spec.purchase.second_source and known[k] and not (broken[k] or rules[k]):
            rules[k] = tuple(_lacks_second_source(found, one))
    good = np.array([not b and not r for b, r in zip(broken, rules, strict=True)], dtype=bool)
    return Verdicts(cost, loss, known, good & known, tuple(broken), tuple(rules))


def _lacks_second_source(found: Found, one: Chosen) -> Iterator[str]:
    """What is said of a set that breaks a limit in some mixture, whatever the alternates."""
    market = found.markets[one.topology]
    parts = {f"{node} bank": bank for node, bank in one.bank.items()}
    parts |= {
        leg.name: (one.transistor[leg.control], one.transistor[leg.synchronous])
        for leg in market.stage.topology.LEGS
    }
    parts["sense resistor"] = (one.sense,)
    if not has_second_sources(market, one.frequency, one.coil, parts):
        yield f"no second source at {', '.join(found.spec.purchase.second_source)}"


def _costs(stage: Stage, prices: Prices, some: Sequence[Chosen]) -> IntArray:
    fixed = buying.controller_units(stage.spec, stage.topology.NAME)
    return buying.set_costs(prices, stacked(some), fixed=fixed)


Judgement = tuple[int, bool, tuple[Margin, ...]]


def _judged(found: Found, stage: Stage, some: Sequence[Chosen]) -> Iterator[Judgement]:
    """Loss, whether a reference state is known, and broken limits of each set of one topology."""
    reference = found.references.get(stage.topology.NAME)
    rows = _rows(reference, some)
    alone = [one for one, row in zip(some, rows, strict=True) if row < 0]
    apart = iter(judged_alone(stage, alone))
    held = [one for one, row in zip(some, rows, strict=True) if row >= 0]
    at_reference = iter(_at_reference(stage, reference, held, rows[rows >= 0]))
    for row in rows:
        yield next(at_reference) if row >= 0 else (PRICE_NONE, False, next(apart).broken)


def _rows(reference: Reference | None, some: Sequence[Chosen]) -> IntArray:
    if reference is None:
        return np.full(len(some), -1, dtype=np.int64)
    known = {
        (round(float(f)), int(c)): k
        for k, (f, c) in enumerate(zip(reference.frequency, reference.coil, strict=True))
    }
    return np.array(
        [known.get((round(one.frequency), one.coil), -1) for one in some], dtype=np.int64
    )


def _at_reference(
    stage: Stage, reference: Reference | None, some: Sequence[Chosen], rows: IntArray
) -> list[Judgement]:
    if not some or reference is None:
        return []
    needed, place = np.unique(rows, return_inverse=True)
    sets: Sets = stacked(some)
    with np.errstate(all="ignore"):
        scene = verification.given_scene(stage, verification.reference_rows(reference, needed))
        result = assembly.evaluate(scene.take(place) if len(needed) > 1 else scene, sets)
        mission, worst = verification.objectives(result)
        names = [part_set_of(one, stage.tables) for one in some]
        margins = conclude_margins.margins(result, sets, names)
    watts = worst if stage.spec.choice.objective == OBJECTIVE_WORST else mission
    units = np.rint(np.nan_to_num(watts, nan=PRICE_NONE * LOSS_UNIT) / LOSS_UNIT)
    return [
        (int(unit), True, tuple(m for m in one if not m.passes))
        for unit, one in zip(units, margins, strict=True)
    ]


# --- rules ----------------------------------------------------------------------------------------


def broken_rules(stage: Stage, prices: Prices, chosen: Sequence[Chosen]) -> list[tuple[str, ...]]:
    """Rules of purchase and choice that each set breaks, in words."""
    lets: dict[str, list[tuple[str, BoolArray]]] = {}
    for kind in buying.KIND_ORDER:
        lets[kind] = list(pool.purchase_rules(stage, prices, kind))
    rated: BoolArray = np.asarray(np.isfinite(stage.mosfets.rds_on).all(axis=1))
    found = []
    for one in chosen:
        texts: list[str] = []
        for position, kind, row, _ in one.places():
            part = stage.tables[kind].part_number[row]
            texts += [f"{part}: {reason}" for reason, keep in lets[kind] if not bool(keep[row])]
            if kind == "mosfet" and not rated[row]:
                texts.append(f"{part} at {position}: no rating at the drive voltage")
        found.append(tuple(dict.fromkeys([*texts, *choice_rules(stage.spec, stage, one)])))
    return found


def choice_rules(spec: Spec, stage: Stage, one: Chosen) -> Iterator[str]:
    """Rules of choice that one set breaks."""
    rules, places = spec.choice, one.places()
    frequencies = np.array(stage.controller.frequencies)
    if not np.isclose(frequencies, one.frequency, rtol=1e-6).any():
        yield f"{one.frequency / 1e3:g} kHz is not offered by the controller"
    for position, kind, row, pieces in places:
        most = pieces_max(spec, position)
        if position != "inductor" and pieces > most:
            part = stage.tables[kind].part_number[row]
            yield f"{pieces} x {part} at {position}: the spec allows {most}"
    for node, bank in one.bank.items():
        if len(bank) > rules.bank_types_max:
            yield f"{len(bank)} types in the {node}-bank: the spec allows {rules.bank_types_max}"
    for group in rules.same_part:
        if len({one.transistor[p][0] for p in group if p in one.transistor}) > 1:
            yield f"{' and '.join(group)} hold different parts"
    numbers = len({(kind, row) for _, kind, row, _ in places})
    if rules.part_numbers_max is not None and numbers > rules.part_numbers_max:
        yield f"{numbers} part numbers: the spec allows {rules.part_numbers_max}"
    for force in rules.force:
        if not holds(stage, one, force.part_number, force.position, force.pieces):
            yield f"{force.part_number} is forced at {force.position or 'some position'}"


def pieces_max(spec: Spec, position: str) -> int:
    """Most pieces of one part that the spec allows at a position."""
    rules = spec.choice
    if position == "inductor" or position in DIODES:
        return 1
    if position == "sense-resistor":
        return rules.resistors_parallel_max
    return rules.bank_pieces_max if position.endswith("-bank") else rules.transistors_parallel_max


def holds(
    stage: Stage, one: Chosen, part: str, position: str | None = None, pieces: int | None = None
) -> bool:
    """Whether a set holds a part, at a position and in a number of pieces where they are given."""
    return any(
        stage.tables[kind_of(place)].part_number[row] == part
        and position in (None, place)
        and pieces in (None, count)
        for place, _, row, count in one.places()
    )


def worst_first(margins: Sequence[Margin]) -> list[Margin]:
    """Broken limits, the worst first, without the rows that only say that a loss is not known."""
    known = [m for m in margins if m.quantity != "finite loss"] or list(margins)
    return sorted(known, key=lambda m: m.margin)
