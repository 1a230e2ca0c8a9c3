"""A part that must be used somewhere: one question per position it may stand at, one front of all.

A set with the part has it at one position at least, so the front of the sets with it is the best of
the fronts with it at each position. There nothing else has to be kept for the sake of the part,
which a row "is used" over all options would ask.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from itertools import product

import numpy as np

from optimizer import buying
from optimizer.catalog import Catalog
from optimizer.dominance import Staircase, joined
from optimizer.errors import InputError, Problem
from optimizer.found import Found
from optimizer.frontier import Frontier, nondominated
from optimizer.records import Choice, Selection, Skeleton, kind_of
from optimizer.scouts import costs_and_losses
from optimizer.spec_records import OTHER_POSITIONS, Force, Spec
from optimizer.stage import nodes_of
from optimizer.topologies import TOPOLOGIES

PLACE = "spec"


def checked(spec: Spec, catalog: Catalog) -> Spec:
    """The spec; raises `InputError` where catalogs and rules of purchase or choice cannot agree:
    a forced part is unknown, at a position of another kind, or in a state not allowed, or no part
    is priced in the currency of the run.
    """
    problems = list(_problems(spec, catalog))
    if problems:
        raise InputError(problems)
    return spec


def _problems(spec: Spec, catalog: Catalog) -> Iterator[Problem]:
    rules, name = spec.purchase, "choice.force"
    yield from _unpriced(spec, catalog)
    for one in spec.choice.force:
        kind = kind_of_part(catalog, one.part_number)
        if kind and one.position and kind_of(one.position) != kind:
            got = f"{one.part_number}, a {kind}, at {one.position}"
            need = f"a part of the {kind_of(one.position)} catalogs"
            yield Problem(PLACE, name, got, need, "correct the position")
    for part in dict.fromkeys(one.part_number for one in spec.choice.force):
        kind = kind_of_part(catalog, part)
        if kind is None:
            yield unknown_part(PLACE, name, part, catalog)
            continue
        table = catalog.tables[kind]
        state = table.texts["status"][table.part_number.index(part)]
        if state not in rules.states_allowed and not spec.choice.force_any_state:
            got = f"{part}, whose life-cycle state is {state!r}"
            need = f"a part in an allowed state ({', '.join(rules.states_allowed)})"
            fix = "add the state to purchase.states_allowed, or set choice.force_any_state = true"
            yield Problem(PLACE, name, got, need, fix)
        for key, parts in (
            ("choice.forbid", spec.choice.forbid),
            ("purchase.banned", rules.banned),
        ):
            if part in parts:
                yield Problem(PLACE, name, f"{part}, which {key} rules out", "one or the other")


def _unpriced(spec: Spec, catalog: Catalog) -> Iterator[Problem]:
    """A currency of the run in which nothing can be bought."""
    found = {name for table in catalog.tables.values() for name in table.texts["currency"]}
    if found and not found & set(buying.exchange(spec)):
        got = f"{spec.purchase.currency!r}, in which no part of the catalogs is priced"
        need = f"{' or '.join(sorted(found))}, or a dated rate for it"
        yield Problem(
            PLACE, "purchase.currency", got, need, "add [[purchase.exchange_rates]] or correct it"
        )


def unknown_names(spec: Spec, catalog: Catalog) -> Iterator[tuple[str, str]]:
    """Key and name of every part or maker that rules name and no catalog has."""
    tables = catalog.tables.values()
    known = {name for table in tables for name in (*table.part_number, *table.texts["maker"])}
    known |= {one.part_number for one in catalog.refused}
    rules = {
        "choice.forbid": spec.choice.forbid,
        "purchase.banned": spec.purchase.banned,
        "purchase.approved": spec.purchase.approved,
    }
    for key, names in rules.items():
        for name in names:
            if name not in known:
                yield key, f"{name!r} is in no catalog; {near(name, sorted(known))}".strip("; ")


def unknown_part(place: str, name: str, part: str, catalog: Catalog) -> Problem:
    """What is wrong with a part number that no table of the catalogs has."""
    need = "a part number of the catalogs"
    for one in catalog.refused:
        if one.part_number == part:
            got = f"{part!r}, whose row {one.place} is not used: {one.reason}"
            return Problem(place, name, got, "a full row", "complete the row")
    names = [known for table in catalog.tables.values() for known in table.part_number]
    return Problem(place, name, repr(part), need, near(part, names))


def near(word: str, known: Sequence[str]) -> str:
    """The known word that was most likely meant, as a question, or nothing."""
    close = get_close_matches(word, known, 1, 0.5)
    return f"did you mean {close[0]!r}?" if close else ""


def kind_of_part(catalog: Catalog, part: str) -> str | None:
    """Kind of a part, None where no catalog has it."""
    return next((k for k, table in catalog.tables.items() if part in table.part_number), None)


def stands_at(topology: str, position: str) -> bool:
    """Whether a topology has a position."""
    if position in OTHER_POSITIONS:
        return position != "coupling-bank" or "coupling" in nodes_of(TOPOLOGIES[topology])
    return position in TOPOLOGIES[topology].POSITIONS


def positions_of(kind: str | None, topologies: Iterable[str]) -> list[str]:
    """Positions of some topologies that take a kind of part."""
    names = list(topologies)
    switches = dict.fromkeys(p for name in names for p in TOPOLOGIES[name].POSITIONS)
    others = [p for p in OTHER_POSITIONS if any(stands_at(name, p) for name in names)]
    return [p for p in (*switches, *others) if kind_of(p) == kind]


def by_position(spec: Spec, catalog: Catalog) -> Iterator[Spec]:
    """The spec with every part forced anywhere at one position instead, in every way.

    No spec where nothing is forced anywhere, or where the part is in no catalog.
    """
    anywhere = [one for one in spec.choice.force if one.position is None]
    fixed = tuple(one for one in spec.choice.force if one.position is not None)
    places = [
        positions_of(kind_of_part(catalog, one.part_number), spec.topologies) for one in anywhere
    ]
    if not anywhere or not all(places):
        return
    for way in product(*places):
        able = tuple(n for n in spec.topologies if all(stands_at(n, p) for p in way))
        if able:
            forced = (Force(a.part_number, p) for a, p in zip(anywhere, way, strict=True))
            choice = replace(spec.choice, force=(*fixed, *dict.fromkeys(forced)))
            yield replace(spec, topologies=able, choice=choice)


def beside(known: Staircase | None, front: Frontier) -> Staircase:
    """What is known, with the points of a front."""
    none = np.zeros(0, dtype=np.int64)
    return joined(known or (none, none), costs_and_losses(front.points))


def united(whole: Found, parts: Sequence[Found]) -> Found:
    """What was found, from what was found for each position; `whole` : prepared for any.

    The rows of the choices were kept in each search of its own and are left out.
    """
    for one in parts:
        whole.open += [key for key in one.open if key not in whole.open]
        whole.skipped += [name for name in one.skipped if name not in whole.skipped]
        whole.first = whole.first or one.first
        for name, count in one.counts.items():
            whole.counts[name] = whole.counts.get(name, 0) + count
    whole.open_from = min(one.open_from[0] for one in parts), min(one.open_from[1] for one in parts)
    whole.seconds = _added(one.seconds for one in (whole, *parts))
    answers = [(one.choice, one.front) for one in parts if one.choice and one.front]
    if not answers:
        fell = [fall for one in parts for fall in one.waterfalls]
        whole.waterfalls += [fall for fall in fell if fall not in whole.waterfalls]
        return whole
    whole.choice, whole.front = _joined(answers)
    return whole


def _joined(answers: Sequence[tuple[Choice, Frontier]]) -> tuple[Choice, Frontier]:
    """One choice over the skeletons of all, and its front."""
    bodies: list[Skeleton] = []
    points: list[Selection] = []
    for choice, front in answers:
        points += [replace(p, skeleton=p.skeleton + len(bodies)) for p in front.points]
        for body in choice.skeletons:
            groups = tuple(replace(one, rows=one.rows[:, :0]) for one in body.groups)
            bodies.append(replace(body, groups=groups, rows_fixed=body.rows_fixed[:0]))
    fronts = [front for _, front in answers]
    front = Frontier(
        points=nondominated(points),
        complete=all(one.complete for one in fronts),
        engine=max((one.engine for one in fronts), key=len),
        not_proved=tuple(text for one in fronts for text in one.not_proved),
    )
    return replace(answers[0][0], skeletons=tuple(bodies), row_names=()), front


def _added(parts: Iterable[Mapping[str, float]]) -> dict[str, float]:
    """Seconds of each stage, all together."""
    total: dict[str, float] = {}
    for seconds in parts:
        for name, value in seconds.items():
            total[name] = total.get(name, 0.0) + value
    return total
