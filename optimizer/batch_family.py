"""Several run folders opened as one family: their sets, prices, and the bound over all sets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from optimizer import buying, charge_sense, search
from optimizer.archive import board_of, point_of
from optimizer.archive_inputs import Reopened
from optimizer.batch_fleet import catalogs_of
from optimizer.catalog import Catalog
from optimizer.catalog_changes import Changes
from optimizer.columns import KINDS
from optimizer.conclude_senses import specs_of
from optimizer.errors import InputError, Problem
from optimizer.records import COST_UNIT
from optimizer.results import PartSet, as_plain
from optimizer.spec_edit import by_sense
from optimizer.spec_records import Spec
from optimizer.studies import family
from optimizer.studies.boards import places_of
from optimizer.studies.family import Bought, Choosable, Family, Member
from optimizer.studies.fronts import at_sense, sense_of_point

POOLED = "part numbers equal over the family are one purchase line and one line item a year"
ENDS_NOT_WEIGHED = (
    "losses hold that of the charge-current sense; how near charging ends is not weighed, so see "
    "the resistor named with each set"
)


def family_of(
    opened: Sequence[Reopened],
    boards: Sequence[int | None],
    *,
    common: str = "",
    with_bound: bool = False,
    time_limit: float = 60.0,
) -> Family:
    """The family of some finished runs.

    boards : boards a year of each, None for one build
    common : "inductor" to ask for one common inductor as well
    with_bound : search every run anew at prices the family cannot go below
    """
    catalogs = [catalogs_of(one.spec.catalogs, Changes()) for one in opened]
    names = _names(opened)
    _same_money(opened)
    counts = [
        one.spec.purchase.boards if n is None else n for one, n in zip(opened, boards, strict=True)
    ]
    sets = [list(_front(*pair)) for pair in zip(opened, catalogs, strict=True)]
    if common:
        _add_forced(opened, catalogs, sets)
    members = [
        Member(names[k], counts[k], one.spec.purchase.scrap_share, tuple(sets[k]), _own(one))
        for k, one in enumerate(opened)
    ]
    bought = _bought(opened, catalogs, members)
    line_item = max(one.spec.purchase.line_item_each for one in opened)
    bound = _bound(opened, catalogs, members, line_item) if with_bound else None
    assumed = [n for n, given in zip(names, boards, strict=True) if given is None]
    notes = [POOLED]
    if any(one.spec.load.senses for one in opened):
        notes.append(ENDS_NOT_WEIGHED)
    if assumed:
        notes.append(f"boards a year not given, assumed one build: {', '.join(assumed)}")
    return family.family(
        members,
        bought,
        line_item=line_item,
        common_kind="inductor" if common else "",
        bound=bound,
        time_limit=time_limit,
        notes=notes,
    )


def _names(opened: Sequence[Reopened]) -> list[str]:
    names = [one.folder.name for one in opened]
    if len(set(names)) < len(names) or len(names) < 2:
        need = "two or more run folders of different names"
        raise InputError([Problem("family", "runs", ", ".join(names), need, "name each run once")])
    return names


def _same_money(opened: Sequence[Reopened]) -> None:
    money = {one.folder.name: one.run["currency"] for one in opened}
    if len(set(money.values())) > 1:
        got = ", ".join(f"{name} in {unit}" for name, unit in money.items())
        fix = "run them again in one currency"
        raise InputError([Problem("family", "currency", got, "one currency", fix)])


def _own(one: Reopened) -> int:
    """Place of the run's own choice (its knee) among its points."""
    number = point_of(one.run, None, place=str(one.folder))["number"]
    return int(next(k for k, p in enumerate(one.run["points"]) if p["number"] == number))


# --- sets -----------------------------------------------------------------------------------------


def _front(one: Reopened, catalog: Catalog) -> Iterator[Choosable]:
    worst = one.run["objective"] == "worst-point"
    for point in one.run["points"]:
        held = point["verified"]
        sense = sense_of_point(point)
        loss = held["loss_worst"] if worst else held["loss_mission"]
        loss += 0.0 if sense is None else sense.loss
        name = f"point {point['number']}{at_sense(sense)}"
        yield choosable(one.spec, board_of(point), loss, name, bill=held["bill"])


def choosable(
    spec: Spec, board: PartSet, loss: float, name: str, *, bill: Sequence[Mapping[str, Any]] = ()
) -> Choosable:
    """A board as one set of a family.

    bill : its parts list, for what stands at no place of the stage
    """
    pieces: dict[str, int] = {}
    kinds: dict[str, str] = {}
    for place in places_of(board):
        pieces[place.part] = pieces.get(place.part, 0) + place.pieces
        kinds[place.part] = place.kind
    charge, held = charge_sense.held_on(bill, board.sense[1])
    if charge:
        pieces[charge] = pieces.get(charge, 0) + held
        kinds[charge] = "resistor"
    placed = sum(pieces.values()) * spec.purchase.placement_each
    fixed = placed + spec.controllers[board.topology].cost_each
    return Choosable(name, pieces, kinds, fixed, loss)


def _add_forced(
    opened: Sequence[Reopened], catalogs: Sequence[Catalog], sets: list[list[Choosable]]
) -> None:
    """For every inductor on some front, the fronts of the other runs with that one alone."""
    seen = [{p for s in some for p in s.pieces if s.kinds[p] == "inductor"} for some in sets]
    for part in sorted(set.union(*seen)):
        found: dict[int, list[Choosable]] = {}
        for number, one in enumerate(opened):
            if part not in seen[number]:
                found[number] = list(forced(one.spec, catalogs[number], part))
                if not found[number]:
                    break
        else:
            for number, some in found.items():
                sets[number] += some


def forced(spec: Spec, catalog: Catalog, inductor: str) -> Iterator[Choosable]:
    """The front of a spec with a single inductor to choose."""
    from optimizer import conclude

    table = catalog.tables["inductor"]
    if inductor not in table.part_number:
        return
    one = table.take([table.part_number.index(inductor)])
    only = replace(catalog, tables={**catalog.tables, "inductor": one})
    worst = spec.choice.objective == "worst-point"
    for single, sense in specs_of(spec, only):
        found = search.solve(single, only, engine="merge", processes=1)
        if found.front is None or not found.front.points:
            continue
        for point in conclude.run_of(found, only, name=spec.name).points:
            seen = point.verified
            loss = seen.loss_worst if worst else seen.loss_mission
            loss += 0.0 if sense is None else sense.loss
            name = f"with {inductor}, point {point.number}{at_sense(sense)}"
            yield choosable(single, seen.part_set, loss, name, bill=as_plain(seen.bill))


# --- prices ---------------------------------------------------------------------------------------


def _bought(
    opened: Sequence[Reopened], catalogs: Sequence[Catalog], members: Sequence[Member]
) -> dict[str, Bought]:
    """How every part of the sets is bought; catalogs that contradict each other are refused."""
    wanted = {part for member in members for one in member.sets for part in one.pieces}
    found: dict[str, tuple[Bought, str]] = {}
    problems: list[Problem] = []
    for one, catalog in zip(opened, catalogs, strict=True):
        for name, bought in _prices(one.spec, catalog, wanted):
            before = found.setdefault(name, (bought, one.folder.name))
            if before[0] != bought:
                got = f"other prices in the catalogs of {one.folder.name} and {before[1]}"
                fix = "give both runs the same catalogs with --catalogs"
                problems.append(Problem("family", name, got, "one price list", fix))
    missing = sorted(wanted - found.keys())
    problems += [
        Problem("family", name, "no row", "a part of the catalogs", "restore its catalog")
        for name in missing
    ]
    if problems:
        raise InputError(problems)
    return {name: bought for name, (bought, _) in found.items()}


def _prices(spec: Spec, catalog: Catalog, wanted: set[str]) -> Iterator[tuple[str, Bought]]:
    worth = buying.exchange(spec)
    for kind in KINDS:
        table = catalog.tables[kind]
        for row, name in enumerate(table.part_number):
            if name in wanted:
                rate = worth.get(table.texts["currency"][row])
                breaks = () if rate is None else table.price_breaks[row]
                rules = (
                    int(np.nan_to_num(table.numbers[key][row], nan=1.0))
                    for key in ("order_minimum", "order_multiple")
                )
                priced = tuple((int(q), float(p * (rate or 0.0))) for q, p in breaks)
                yield name, Bought(priced, *rules)


# --- bound over every set -------------------------------------------------------------------------


def _bound(
    opened: Sequence[Reopened],
    catalogs: Sequence[Catalog],
    members: Sequence[Member],
    line_item: float,
) -> float:
    """A cost that no choice of sets of the catalogs goes below.

    Each part costs a member at least its pieces times the least price per piece of any order the
    family could place, and each of its part numbers at least an equal share of one line item.
    """
    most = sum(
        int(np.ceil(m.boards * (1.0 + m.scrap)))
        * (buying.most_pieces(one.spec) + one.spec.choice.resistors_parallel_max)
        for one, m in zip(opened, members, strict=True)
    )
    total = 0.0
    for one, catalog, member in zip(opened, catalogs, members, strict=True):
        rules = replace(
            one.spec.purchase,
            boards=member.boards,
            line_item_each=line_item / len(members),
        )
        spec = replace(one.spec, purchase=rules)
        dear = _at_least(catalog, most)
        pairs = zip(by_sense(spec), by_sense(one.spec), strict=True)
        singles = [_with_its_part(single, own, catalog) for single, own in pairs]
        founds = [search.solve(s, dear, engine="merge", processes=1) for s in singles]
        costs = [f.front.points[0].cost for f in founds if f.front is not None and f.front.points]
        if not costs or any(found.open for found in founds):
            return 0.0
        lines = 1 + len(places_of(board_of(one.run["points"][0])))
        rounding = COST_UNIT * (2 * lines + 4)
        total += member.boards * (min(costs) * COST_UNIT - rounding)
    return round(total, 4)


def _with_its_part(spec: Spec, own: Spec, catalog: Catalog) -> Spec:
    """The spec with the charge-current sense that its run holds: another may be cheapest here.

    own : the spec of the run
    """
    charge = buying.charge_of(own, catalog.tables)
    if charge is None or not charge.found:
        return spec
    part = catalog.tables["resistor"].part_number[charge.row]
    return replace(spec, load=replace(spec.load, sense_part=part))


def _at_least(catalog: Catalog, most: int) -> Catalog:
    """The catalog at prices per piece that no order of up to `most` pieces goes below."""
    tables = {}
    for kind, table in catalog.tables.items():
        ones = np.ones(len(table))
        breaks = tuple(
            ((1, family.optimistic_price(Bought(tuple(entry), 1, 1), most)),) if entry else ()
            for entry in table.price_breaks
        )
        numbers = dict(table.numbers) | {"order_minimum": ones, "order_multiple": ones}
        tables[kind] = replace(table, price_breaks=breaks, numbers=numbers)
    return replace(catalog, tables=tables)


def gap(found: Family) -> float | None:
    """How far the cheapest family lies above the bound, as a share of it."""
    if not found.bound:
        return None
    return found.cheapest[-1].cost / found.bound - 1.0
