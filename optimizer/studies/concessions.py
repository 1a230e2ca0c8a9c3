"""Which single concession in the spec saves most? Exact, the cheapest questions first."""

from __future__ import annotations

import heapq
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer.conclude_sets import Chosen, part_set_of
from optimizer.dominance import Staircase
from optimizer.expansion import COVERED
from optimizer.found import Progress, Stop, never, quiet
from optimizer.infeasible_kinds import kinds, share_up
from optimizer.infeasible_rules import Kind
from optimizer.records import COST_UNIT, LOSS_UNIT, switch_kind
from optimizer.results import ChargeSense, as_plain
from optimizer.spec_records import Spec
from optimizer.studies.answer import SCREEN_ROWS, Answer, Grid, listed, money, watts
from optimizer.studies.archived import Archived, Resolved, resolve
from optimizer.studies.fronts import error_of, sense_data

MONEY, WATTS = "money", "watts"

APART = ("loss ceiling",)
"""Kinds whose loosening can also take sets away: never bounded together with others."""

LEFT_OUT = ("gate drive",)
"""Kinds that are another circuit rather than a limit."""

FLOOR = "efficiency floor"


NEAR = 3.0
"""A limit is asked alone where its margin at the point is below so many times what it gives way."""

QUESTION_SECONDS = 60.0
"""Longest time for one question, unless told otherwise."""

GRAIN = {MONEY: 100, WATTS: 100}
"""Least saving that counts, in units of the decision: the step of a report."""

ENDS = {MONEY: "cost", WATTS: "loss"}


@dataclass(frozen=True, slots=True)
class Concession:
    """One limit loosened, in units of the decision.

    saving : of the best set found; most : what it can save at most, inf where nothing is known.
    Where the two differ the question was left there: it was not the best one, or time was short.
    """

    kind: Kind
    amount: float
    saving: int = 0
    most: float = math.inf
    chosen: Chosen | None = None
    sense: ChargeSense | None = None

    def at(self, spec: Spec) -> Spec:
        """The spec with it."""
        return self.kind.at(spec, self.amount)


@dataclass(frozen=True, slots=True)
class _Found:
    """Best saving found, a bound on any, whether the question was answered, and the set."""

    saving: int
    most: float
    answered: bool
    chosen: Chosen | None = None
    sense: ChargeSense | None = None


_Held = tuple[Chosen | None, ChargeSense | None]
"""The set that saves most and its charge-current sense."""


@dataclass(slots=True)
class _Ask:
    """What is asked of the search, and what it has answered."""

    case: Archived
    row: int
    save: str
    deadline: float
    progress: Progress
    stop: Stop
    seconds: float = QUESTION_SECONDS
    each: bool = False
    only: Sequence[ChargeSense | None] | None = None
    solves: int = 0
    best: int = 0
    left: list[str] = field(default_factory=list)

    def beaten(self) -> int:
        """Saving that does not count any more [units]."""
        return max(GRAIN[self.save] - 1, 0 if self.each else self.best)

    def box(self, _error: float) -> Staircase:
        """A staircase that leaves only sets open that save enough at the anchor."""
        cost, loss = int(self.case.front.cost[self.row]), int(self.case.front.loss[self.row])
        if self.save == WATTS:
            return _stair((1, loss - self.beaten()), (cost + 1, COVERED))
        if self.row == 0:
            return _stair((cost - self.beaten(), COVERED))
        return _stair((1, loss + 1), (cost - self.beaten(), COVERED))

    def saving(self, spec: Spec, name: str) -> _Found:
        """Most that a spec saves at the anchor and the set that does."""
        seconds = min(self.deadline - time.monotonic(), self.seconds)
        if self.stop() or seconds <= 0.0:
            self.left.append(name)
            return _Found(0, math.inf, False)
        self.progress("concessions", f"{name} ...")
        beaten = self.beaten()
        found = resolve(
            spec,
            self.case.catalog,
            known=self.box,
            like=self.case,
            only=self.only,
            end=ENDS[self.save],
            time_limit=seconds,
            stop=self.stop,
        )
        self.solves += 1
        saved, held = self._most(found)
        if not found.open:
            self.progress("concessions", f"{name}: {self.told(saved) if saved else 'no more'}")
            return _Found(saved, max(saved, beaten), True, *held)
        self.left.append(name)
        self.progress("concessions", f"{name}: not answered in {seconds:.0f} s")
        return _Found(saved, self._bound(found), False, *held)

    def _most(self, found: Resolved) -> tuple[int, _Held]:
        front, case = found.front, self.case.front
        if not len(front):
            return 0, (None, None)
        if self.save == WATTS:
            k = int(np.argmin(front.loss))
            less = case.loss[self.row] - front.loss[k]
        else:
            k = int(np.argmin(front.cost))
            less = case.cost[self.row] - front.cost[k]
        return max(0, int(less)), (front.chosen[k], front.sense[k])

    def _bound(self, found: Resolved) -> float:
        """What a question that was left can save at most, by the bounds of its search.

        inf where it was left before it had any: that a set costs nothing is no bound.
        """
        cost, loss = found.open_from
        now, least = self.case.front.cost, cost
        if self.save == WATTS:
            now, least = self.case.front.loss, loss
        return float(max(0.0, now[self.row] - least)) if least > 0.0 else math.inf

    def told(self, saved: float) -> str:
        """A saving in words."""
        return f"saves {self.figure(saved)}"

    def figure(self, saved: float) -> str:
        """A saving as money or watts."""
        if self.save == WATTS:
            return watts(saved * LOSS_UNIT)
        return money(saved * COST_UNIT, self.case.currency)


def _stair(*points: tuple[int, int]) -> Staircase:
    cost, loss = zip(*points, strict=True)
    return np.array(cost, dtype=np.int64), np.array(loss, dtype=np.int64)


def concessions(
    case: Archived,
    *,
    share: float = 0.1,
    point: int | None = None,
    save: str = MONEY,
    each: bool = False,
    question_limit: float = QUESTION_SECONDS,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """The single limit that saves most when it gives way by a share of itself.

    share : how far each limit with a scale gives way (kelvin per cent for temperatures, loss
        allowed for efficiency floors); a rule without a scale is dropped or one step wider
    point : number of the point to save at (default: the cheapest for money, the one of least
        loss for watts): at no more loss, or for watts at no more cost, and where it is given at
        an end of charge that is as near
    each : what each limit saves, not only which saves most: slower
    question_limit, time_limit : for one question and for all [s]; what was not answered is named

    Limits that the point comes near are asked alone, nearest first, then rules without a scale;
    the others together, for more than the best so far. What they do not save together, none of
    them does; else they are split until the one that saves most stands alone.
    """
    began = time.monotonic()
    row = _row(case, point, save)
    end = math.inf if time_limit is None else began + time_limit
    most = error_of(case.front.sense[row])
    near = [one.sense for one in case.variants if error_of(one.sense) <= most]
    only = None if point is None else near
    ask = _Ask(case, row, save, end, progress, stop, question_limit, each, only)
    alone, together = _ordered(ask, share)
    looked, bound = _search(ask, alone, together)
    answer = _answer(ask, share, looked, bound, len(alone) + len(together))
    return replace(answer, seconds=time.monotonic() - began)


def _row(case: Archived, point: int | None, save: str) -> int:
    if point is None:
        return 0 if save == MONEY else case.front.least_loss()
    return case.row_of(point)


def amount_of(kind: Kind, spec: Spec, share: float) -> float:
    """How far a kind of limit gives way for a share of itself, in its own amount."""
    if kind.step:
        return kind.most
    if kind.name.startswith(FLOOR):
        now = next(f.efficiency for f in spec.limits.floors if kind.name == f"{FLOOR} {f.name!r}")
        return min(now - 1.0 / (1.0 + (1.0 / now - 1.0) * (1.0 + share)), kind.most)
    return min(share / kind.share(1.0), kind.most)


def _ordered(ask: _Ask, share: float) -> tuple[list[Concession], list[Concession]]:
    """Concessions to ask alone, cheapest and most likely first, and those to ask together."""
    case = ask.case
    diodes = any(switch_kind(p) == "diode" for p in case.positions())
    margins = case.margins(ask.row)
    ranked: list[tuple[float, Concession]] = []
    for kind in kinds(case.spec):
        if kind.name.startswith(LEFT_OUT) or (kind.name.startswith("diode") and not diodes):
            continue
        one = Concession(kind, amount_of(kind, case.spec, share))
        near = [-kind.amount(m) / one.amount for m in margins if kind.covers(m)]
        ranked.append((min(near, default=NEAR + kind.step), one))
    ranked.sort(key=lambda item: item[0])
    alone: list[Concession] = []
    together: list[Concession] = []
    for margin, one in ranked:
        apart = ask.each or margin < NEAR or one.kind.step or one.kind.name in APART
        (alone if apart else together).append(one)
    return alone, together


def _search(
    ask: _Ask, alone: Sequence[Concession], together: list[Concession]
) -> tuple[list[Concession], float]:
    """All that were looked at alone, best first, and a bound on what any other one saves."""
    looked: list[Concession] = []
    for one in alone:
        looked.append(_single(ask, one))
    groups: list[tuple[float, int, list[Concession]]] = []
    if together:
        groups.append((-math.inf, 0, together))
    bound, turn = 0.0, 0
    while groups:
        promise, _, group = heapq.heappop(groups)
        if -promise <= ask.best:
            bound = max(bound, -promise)
            continue
        for part in [group] if turn == 0 else _halves(group):
            turn += 1
            if len(part) == 1:
                looked.append(_single(ask, part[0]))
                continue
            names = listed([one.kind.name for one in part], most=3)
            found = ask.saving(_all_of(ask.case.spec, part), f"{len(part)} together ({names})")
            if not found.answered:
                bound = max(bound, found.most)
            elif found.saving > ask.best:
                heapq.heappush(groups, (-float(found.saving), turn, part))
            else:
                bound = max(bound, found.most)
    return sorted(looked, key=lambda one: (-one.saving, -one.most)), bound


def _single(ask: _Ask, one: Concession) -> Concession:
    found = ask.saving(one.at(ask.case.spec), one.kind.name)
    ask.best = max(ask.best, found.saving)
    return replace(
        one, saving=found.saving, most=found.most, chosen=found.chosen, sense=found.sense
    )


def _halves(group: list[Concession]) -> Iterator[list[Concession]]:
    middle = (len(group) + 1) // 2
    yield group[:middle]
    yield group[middle:]


def _all_of(spec: Spec, group: Sequence[Concession]) -> Spec:
    for one in group:
        spec = one.at(spec)
    return spec


# --- the answer -----------------------------------------------------------------------------------


def _answer(
    ask: _Ask, share: float, looked: list[Concession], bound: float, offered: int
) -> Answer:
    case = ask.case
    mark = case.front.name(ask.row)
    first = looked[0] if looked and looked[0].saving > 0 else None
    text = f"none of {offered} limits saves anything at {mark}"
    if first is not None:
        told = first.kind.told(case.spec, first.amount)
        text = f"{first.kind.name}, {told}: {ask.told(first.saving)} at {mark}"
    if ask.left:
        text = f"as far as known, {text}"
    rows = tuple(
        (one.kind.name, one.kind.told(case.spec, one.amount), _saves(ask, one))
        for one in looked[:SCREEN_ROWS]
    )
    done = f"{ask.solves} searches over {offered} limits; no other single one saves more"
    left = []
    if ask.left:
        left.append(f"{len(ask.left)} questions not answered for lack of time")
        most = max([bound, *(one.most for one in looked)])
        if math.isfinite(most):
            left.append(f"no other single one saves more than {ask.figure(most)}")
    return Answer(
        question=(
            f"Which single concession saves most {ask.save}, if each gives way by "
            f"{share_up(share)}?"
        ),
        answer=text,
        proof=case.proof(done, left),
        proved=not left and not case.open,
        grids=(Grid("Concessions asked alone", ("limit", "gives way", ">saves"), rows),),
        notes=tuple(_notes(ask, offered - len(looked))),
        data=_data(ask, looked),
    )


def _data(ask: _Ask, looked: Sequence[Concession]) -> dict[str, object]:
    """The figures, for machines."""
    case = ask.case
    unit = COST_UNIT if ask.save == MONEY else LOSS_UNIT
    return {
        "save": ask.save,
        "point": case.front.number[ask.row],
        "concessions": [
            {
                "limit": one.kind.name,
                "amount": one.amount,
                "told": one.kind.told(case.spec, one.amount),
                "saving": one.saving * unit,
                "saving_most": one.most * unit if math.isfinite(one.most) else None,
                **sense_data(one.sense),
                "set": None
                if one.chosen is None
                else as_plain(part_set_of(one.chosen, case.catalog.tables)),
            }
            for one in looked
        ],
        "not_answered": list(ask.left),
        "searches": ask.solves,
    }


def _saves(ask: _Ask, one: Concession) -> str:
    """What one saves, in words; less than the step of a report is nothing."""
    if one.saving == one.most:
        return ask.figure(one.saving)
    if not math.isfinite(one.most):
        return f"{ask.figure(one.saving)} or more" if one.saving else "not answered"
    if one.most < GRAIN[ask.save]:
        return "nothing"
    most = f"at most {ask.figure(one.most)}"
    return f"{ask.figure(one.saving)} or more, {most}" if one.saving else most


def _notes(ask: _Ask, grouped: int) -> Iterator[str]:
    if not ask.each:
        yield "each was asked whether it saves more than the best before it; --each asks for all"
    if grouped:
        yield f"{grouped} limits that are not near were asked together"
    yield f"savings below {ask.figure(GRAIN[ask.save])} count as none"
    if ask.left:
        yield f"not answered: {listed(ask.left)}"
