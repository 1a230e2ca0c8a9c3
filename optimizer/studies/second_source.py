"""Second sources of one board: alternates of which every mixture with the primaries passes.

An alternate comes from another maker, fits the land pattern and may be bought. The strong form
holds when every mixture passes every limit, each place holding its primary or its alternate; the
weak form looks at two boards only, all primaries and all alternates, and is called weak. Parallel
pieces at one place are one part: mixed pieces within a place are not looked at. The charge-current
sense of a charger is a place too where its part is counted; what it does hangs on no other place.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, islice, product

from optimizer.catalog import Catalog
from optimizer.results import PartSet, Verified
from optimizer.spec_records import CHARGE_SENSE, Spec
from optimizer.studies.boards import CHUNK, Boards, Place, Ruling, places_of, with_places
from optimizer.studies.obsolete import doubled

BOARDS_MOST = 40_000
"""Boards looked at for the strong form; beyond that the answer is not proved to be the best."""

WEAK_MOST = 1_500
"""Boards looked at for the weak form."""

MARGINS_TOLD = 5


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part of another maker on the same pads, alone in its place: whether it passes, why not."""

    part: str
    maker: str
    passes: bool
    reason: str
    cost_change: float


@dataclass(frozen=True, slots=True)
class Line:
    """One place, or several the spec wants equal: its primary, the alternate chosen, the others.

    alternate : "" where none could be had
    """

    positions: tuple[str, ...]
    primary: str
    maker: str
    pieces: int
    alternate: str
    candidates: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True)
class WorstMargin:
    """A limit where it has least room over all mixtures, and the mixture."""

    subject: str
    quantity: str
    at: str
    margin: float
    with_alternates: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SecondSource:
    """The table of a board.

    robust : every place has an alternate and every mixture passes
    mixtures : boards verified for the strong form; missing : those that miss a limit at their own
        state though they keep it at the loss ceiling, where limits are judged
    proved : nothing covers more places, and nothing that covers as many is cheaper in the price
        of its alternates
    cost_*, loss_* : over all mixtures [currency], [W]
    weak : alternates with which the all-alternate board passes, by position (those of the strong
        form where it holds); None where none was found; weak_proved : whether it is the cheapest
        such, or surely none
    """

    board: PartSet
    lines: tuple[Line, ...]
    robust: bool
    single: tuple[str, ...]
    mixtures: int
    missing: int
    proved: bool
    cost_least: float
    cost_most: float
    loss_least: float
    loss_most: float
    worst: tuple[WorstMargin, ...]
    weak: tuple[tuple[str, str], ...] | None
    weak_proved: bool


@dataclass(frozen=True, slots=True)
class _Unit:
    """Places that change together, and what may stand there, cheapest first."""

    places: tuple[Place, ...]
    offered: tuple[tuple[Place, ...], ...]
    price: tuple[int, ...]


def second_source(spec: Spec, catalog: Catalog, board: PartSet) -> SecondSource:
    """The table of alternates of a board."""
    shop = Boards(spec, catalog, board.topology)
    return _Case(shop, shop.normal(board)).answer()


def cheapest_robust(
    boards: Iterable[tuple[Spec, PartSet]], catalog: Catalog
) -> tuple[int | None, SecondSource | None]:
    """The first board, in the order given, whose every place has an alternate in the strong form.

    boards : each with the spec it is judged under
    Sets that are no point of the front are not looked at.
    """
    shops: dict[tuple[str, str], Boards] = {}
    for number, (spec, board) in enumerate(boards):
        key = spec.text, board.topology
        if key not in shops:
            shops[key] = Boards(spec, catalog, board.topology)
        case = _Case(shops[key], board)
        if all(unit.offered for unit in case.units) and case.charge_may():
            found = case.answer()
            if found.robust:
                return number, found
    return None, None


class _Case:
    """One board with the verdicts known so far."""

    def __init__(self, boards: Boards, board: PartSet) -> None:
        self.boards, self.board = boards, board
        self.units = [self._unit(places) for places in tied(boards.spec, board)]
        self.known: dict[tuple[Place, ...], Ruling] = {}

    def answer(self) -> SecondSource:
        singles = [self._singles(unit) for unit in self.units]
        good = [[k for k, one in enumerate(s) if one.passes] for s in singles]
        picked, proved = self._strong(good)
        mixtures = self._rulings(self._mixtures(picked))
        seen = self.boards.verified([one.board for one in mixtures])
        costs = [one.cost for one in mixtures]
        charge = self._charge_line(seen, costs)
        whole = all(k is not None for k in picked)
        strong = tuple((p.name, p.part) for p in places_of(self._with(picked)))
        weak, weak_proved = (strong, False) if whole else self._weak()
        lines = tuple(
            self._line(unit, s, picked[n])
            for n, (unit, s) in enumerate(zip(self.units, singles, strict=True))
        )
        if charge is not None:
            lines = (*lines, charge)
            weak = (*weak, (CHARGE_SENSE, charge.alternate)) if weak and charge.alternate else None
        single = tuple(name for line in lines if not line.alternate for name in line.positions)
        return SecondSource(
            board=self.board,
            lines=lines,
            robust=not single and all(one.passes for one in mixtures),
            single=single,
            mixtures=len(mixtures),
            missing=sum(
                one.passes and not all(m.passes for m in found.margins)
                for one, found in zip(mixtures, seen, strict=True)
            ),
            proved=proved,
            cost_least=min(costs),
            cost_most=max(costs),
            loss_least=min(one.loss for one in mixtures),
            loss_most=max(one.loss for one in mixtures),
            worst=tuple(self._worst(seen)),
            weak=weak,
            weak_proved=weak_proved,
        )

    def _unit(self, places: tuple[Place, ...]) -> _Unit:
        """What may stand in for the part of some places."""
        first, boards = places[0], self.boards
        maker, pads = boards.maker(first), boards.land_pattern(first)
        found = []
        for part in boards.row[first.kind] if maker and pads else ():
            here = tuple(boards.filled(place, part) for place in places)
            other = boards.maker(here[0])
            fits = other and other != maker and boards.land_pattern(here[0]) == pads
            alive = fits and not boards.refusal(first.kind, part)
            if alive and not doubled(with_places(self.board, here)):
                found.append((sum(boards.price_alone(one) for one in here), part, here))
        found.sort(key=lambda one: one[:2])
        return _Unit(places, tuple(x for _, _, x in found), tuple(price for price, _, _ in found))

    # --- verdicts ---------------------------------------------------------------------------------

    def _rulings(self, boards: Sequence[PartSet], *, reasons: bool = False) -> list[Ruling]:
        """Verdicts by limits alone, each board once."""
        keys = [places_of(board) for board in boards]
        new = {k: b for k, b in zip(keys, boards, strict=True) if k not in self.known}
        found = self.boards.rulings(list(new.values()), reasons=reasons, rules=False)
        self.known |= dict(zip(new, found, strict=True))
        return [self.known[key] for key in keys]

    def _singles(self, unit: _Unit) -> list[Candidate]:
        boards = [with_places(self.board, places) for places in unit.offered]
        (own, *found) = self._rulings([self.board, *boards], reasons=True)
        return [
            Candidate(
                part=places[0].part,
                maker=self.boards.maker(places[0]),
                passes=one.passes,
                reason="; ".join(one.reasons[:2]),
                cost_change=one.cost - own.cost,
            )
            for places, one in zip(unit.offered, found, strict=True)
        ]

    def _with(self, picked: Sequence[int | None]) -> PartSet:
        """The board with the picked alternates in, primaries elsewhere."""
        changed = [
            place
            for unit, k in zip(self.units, picked, strict=True)
            if k is not None
            for place in unit.offered[k]
        ]
        return with_places(self.board, changed)

    def _mixtures(self, picked: Sequence[int | None]) -> list[PartSet]:
        """Every board that holds the primary or the picked alternate in each unit."""
        axes = [(None,) if k is None else (None, k) for k in picked]
        return [self._with(one) for one in product(*axes)]

    # --- strong form ------------------------------------------------------------------------------

    def _strong(self, good: Sequence[Sequence[int]]) -> tuple[list[int | None], bool]:
        """Alternates for most units, then of least price, of which every mixture passes.

        Units are decided one after the other, the most promising beginnings first; a beginning
        whose mixtures do not all pass is given up, as every continuation contains them; so is one
        that would put a single part into both types of a bank.
        """
        least = [min((self.units[n].price[k] for k in ks), default=0) for n, ks in enumerate(good)]
        rest = [sum(least[n:]) for n in range(len(least) + 1)]
        order = count()
        empty = sum(not ks for ks in good)
        waiting: list[tuple[int, int, int, int, list[int | None]]] = [
            (empty, rest[0], 0, next(order), [])
        ]
        best: list[int | None] = []
        while waiting and len(self.known) <= BOARDS_MOST:
            skipped, bound, _, _, begun = heapq.heappop(waiting)
            n = len(begun)
            new = self._fresh(begun) if begun and begun[-1] is not None else []
            twice = any(doubled(board) for board in new)
            if twice or not all(one.passes for one in self._rulings(new)):
                continue
            best = begun if n > len(best) else best
            if n == len(self.units):
                return begun, True
            for k in (*good[n], None):
                more = int(k is None and bool(good[n]))
                price = bound - rest[n] + (0 if k is None else self.units[n].price[k])
                item = (skipped + more, price + rest[n + 1], -n, next(order), [*begun, k])
                heapq.heappush(waiting, item)
        return [*best, *[None] * (len(self.units) - len(best))], False

    def _fresh(self, begun: Sequence[int | None]) -> list[PartSet]:
        """The mixtures that the last decision adds."""
        rest: list[int | None] = [None] * (len(self.units) - len(begun))
        axes = [(None,) if k is None else (None, k) for k in begun[:-1]]
        return [self._with([*one, begun[-1], *rest]) for one in product(*axes)]

    # --- weak form --------------------------------------------------------------------------------

    def _weak(self) -> tuple[tuple[tuple[str, str], ...] | None, bool]:
        """The cheapest alternates that pass all together; every unit must have one."""
        if not all(unit.offered for unit in self.units):
            return None, True
        listed = _cheapest_first([unit.price for unit in self.units])
        looked = 0
        while looked < WEAK_MOST:
            boards = [self._with(picked) for picked in islice(listed, CHUNK)]
            if not boards:
                return None, True
            looked += len(boards)
            for one in self._rulings([board for board in boards if not doubled(board)]):
                if one.passes:
                    return tuple((p.name, p.part) for p in places_of(one.board)), True
        return None, False

    # --- telling ----------------------------------------------------------------------------------

    def _line(self, unit: _Unit, found: Sequence[Candidate], picked: int | None) -> Line:
        first = unit.places[0]
        return Line(
            positions=tuple(place.name for place in unit.places),
            primary=first.part,
            maker=self.boards.maker(first),
            pieces=first.pieces,
            alternate="" if picked is None else unit.offered[picked][0].part,
            candidates=tuple(found),
        )

    def charge_may(self) -> bool:
        """Whether the charge-current sense has a second source, or no part is counted."""
        charge = self.boards.prices.charge
        return charge is None or not charge.found or bool(charge.alternates)

    def _charge_line(self, seen: Sequence[Verified], costs: list[float]) -> Line | None:
        """The charge-current sense, the cheapest alternate taken; its mixtures add their costs.

        seen : the mixtures of the other places
        """
        held = self.boards.prices.charge
        if held is None or not held.found:
            return None
        table, boards = self.boards.tables["resistor"], [one.part_set for one in seen]
        room = self.boards.spec.limits.area_max - max(one.area for one in seen)
        found = []
        for name, part, prices in self.boards.charge_parts():
            why = "" if part.found else part.text
            why = why or ("area" if part.area - held.area > room else "")
            row = table.part_number.index(name)
            paid = self.boards.costs(boards, prices) if part.found else [math.nan]
            change = paid[0] - costs[0]
            found.append((Candidate(name, table.texts["maker"][row], not why, why, change), paid))
        good = sorted((one for one in found if one[0].passes), key=lambda one: one[0].cost_change)
        if good:
            costs += good[0][1]
        return Line(
            positions=(CHARGE_SENSE,),
            primary=table.part_number[held.row],
            maker=table.texts["maker"][held.row],
            pieces=held.pieces,
            alternate=good[0][0].part if good else "",
            candidates=tuple(one for one, _ in found),
        )

    def _worst(self, mixtures: Sequence[Verified]) -> Iterator[WorstMargin]:
        """The limits with least room over all mixtures, each at its worst one."""
        least: dict[tuple[str, str], WorstMargin] = {}
        own = places_of(self.board)
        for seen in mixtures:
            swapped = tuple(p.part for p in places_of(seen.part_set) if p not in own)
            for one in seen.margins:
                key = (one.subject, one.quantity)
                if key not in least or one.margin < least[key].margin:
                    least[key] = WorstMargin(*key, one.at, one.margin, swapped)
        yield from sorted(least.values(), key=lambda one: one.margin)[:MARGINS_TOLD]


def tied(spec: Spec, board: PartSet) -> list[tuple[Place, ...]]:
    """Places of a board, those that the spec wants to hold the same part together."""
    left, found = list(places_of(board)), []
    for positions in spec.choice.same_part:
        group = tuple(place for place in left if place.position in positions)
        if len(group) > 1:
            found.append(group)
            left = [place for place in left if place not in group]
    return [*found, *((place,) for place in left)]


def _cheapest_first(prices: Sequence[Sequence[int]]) -> Iterator[tuple[int, ...]]:
    """One index per list, sums of the prices rising; each list rises.

    >>> list(_cheapest_first([[1, 5], [2, 3]]))
    [(0, 0), (0, 1), (1, 0), (1, 1)]
    """
    start = tuple([0] * len(prices))
    waiting = [(sum(one[0] for one in prices), start)]
    seen = {start}
    while waiting:
        total, picked = heapq.heappop(waiting)
        yield picked
        for n, k in enumerate(picked):
            if k + 1 < len(prices[n]):
                other = (*picked[:n], k + 1, *picked[n + 1 :])
                if other not in seen:
                    seen.add(other)
                    more = prices[n][k + 1] - prices[n][k]
                    heapq.heappush(waiting, (total + more, other))
