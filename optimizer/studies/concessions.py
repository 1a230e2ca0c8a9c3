"""Which single concession in the spec saves most? Exact, with as few searches as bounds allow."""

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
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.results import as_plain
from optimizer.spec_records import Spec
from optimizer.studies.answer import SCREEN_ROWS, Answer, Grid, money, watts
from optimizer.studies.archived import Archived, Resolved, resolve

MONEY, WATTS = "money", "watts"

APART = ("loss ceiling",)
"""Kinds whose loosening can also take sets away: never bounded together with others."""

LEFT_OUT = ("gate drive",)
"""Kinds that are another circuit rather than a limit."""

FLOOR = "efficiency floor"


@dataclass(frozen=True, slots=True)
class Concession:
    """One limit loosened; saving in units of the decision, 0 where there is none."""

    kind: Kind
    amount: float
    saving: int = 0
    chosen: Chosen | None = None

    def at(self, spec: Spec) -> Spec:
        """The spec with it."""
        return self.kind.at(spec, self.amount)


@dataclass(slots=True)
class _Ask:
    """What is asked of the search, and what it has answered."""

    case: Archived
    row: int
    save: str
    deadline: float
    progress: Progress
    stop: Stop
    solves: int = 0
    left: list[str] = field(default_factory=list)

    def box(self) -> Staircase:
        """A staircase that leaves only sets open that save something at the anchor."""
        cost, loss = int(self.case.front.cost[self.row]), int(self.case.front.loss[self.row])
        if self.save == WATTS:
            return _stair((1, loss), (cost + 1, COVERED))
        if self.row == 0:
            return _stair((cost, COVERED))
        return _stair((1, loss + 1), (cost, COVERED))

    def saving(self, spec: Spec, name: str) -> tuple[int, Chosen | None] | None:
        """Most that a spec saves at the anchor and the set that does; None where not answered."""
        seconds = self.deadline - time.monotonic()
        if self.stop() or seconds <= 0.0:
            self.left.append(name)
            return None
        found = resolve(
            spec,
            self.case.catalog,
            known=self.box(),
            like=self.case,
            time_limit=seconds,
            stop=self.stop,
        )
        self.solves += 1
        if found.open:
            self.left.append(name)
            return None
        saved, chosen = self._most(found)
        self.progress("concessions", f"{name}: {self.told(saved)}")
        return saved, chosen

    def _most(self, found: Resolved) -> tuple[int, Chosen | None]:
        front, case = found.front, self.case.front
        if not len(front):
            return 0, None
        if self.save == WATTS:
            k = int(np.argmin(front.loss))
            return max(0, int(case.loss[self.row] - front.loss[k])), front.chosen[k]
        k = int(np.argmin(front.cost))
        return max(0, int(case.cost[self.row] - front.cost[k])), front.chosen[k]

    def told(self, saved: float) -> str:
        """A saving in words."""
        if self.save == WATTS:
            return f"saves {watts(saved * LOSS_UNIT)}"
        return f"saves {money(saved * COST_UNIT, self.case.currency)}"


def _stair(*points: tuple[int, int]) -> Staircase:
    cost, loss = zip(*points, strict=True)
    return np.array(cost, dtype=np.int64), np.array(loss, dtype=np.int64)


def concessions(
    case: Archived,
    *,
    share: float = 0.1,
    point: int | None = None,
    save: str = MONEY,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """The single limit that saves most when it gives way by a share of itself.

    share : how far each limit with a scale gives way (kelvin per cent for temperatures, loss
        allowed for efficiency floors); a rule without a scale is dropped or one step wider
    point : number of the point to save at (default: the cheapest for money, the one of least
        loss for watts): at no more loss, or for watts at no more cost

    Limits are loosened together in groups first: what a whole group does not save, none of it
    does. A group is split until the one that saves most stands alone.
    """
    began = time.monotonic()
    row = _row(case, point, save)
    end = math.inf if time_limit is None else began + time_limit
    ask = _Ask(case, row, save, end, progress, stop)
    offered = [
        Concession(kind, amount_of(kind, case.spec, share))
        for kind in kinds(case.spec)
        if not kind.name.startswith(LEFT_OUT)
    ]
    best, bound, looked = _search(ask, offered)
    answer = _answer(ask, share, best, bound, looked, len(offered))
    return replace(answer, seconds=time.monotonic() - began)


def _row(case: Archived, point: int | None, save: str) -> int:
    if point is None:
        return 0 if save == MONEY else len(case.front) - 1
    return case.row_of(point)


def amount_of(kind: Kind, spec: Spec, share: float) -> float:
    """How far a kind of limit gives way for a share of itself, in its own amount."""
    if kind.step:
        return kind.most
    if kind.name.startswith(FLOOR):
        now = next(f.efficiency for f in spec.limits.floors if kind.name == f"{FLOOR} {f.name!r}")
        return min(now - 1.0 / (1.0 + (1.0 / now - 1.0) * (1.0 + share)), kind.most)
    return min(share / kind.share(1.0), kind.most)


def _search(
    ask: _Ask, offered: Sequence[Concession]
) -> tuple[list[Concession], float, list[Concession]]:
    """Best concessions first, a bound on what any other saves, and all that were looked at."""
    looked: list[Concession] = []
    for one in offered:
        if one.kind.name in APART:
            looked += _single(ask, one)
    together = [one for one in offered if one.kind.name not in APART]
    groups: list[tuple[float, int, list[Concession]]] = [(-math.inf, 0, together)]
    bound, turn = 0.0, 0
    while groups:
        promise, _, group = heapq.heappop(groups)
        if -promise <= _most(looked):
            continue
        for part in [group] if turn == 0 else _halves(group):
            turn += 1
            if len(part) == 1:
                alone = _single(ask, part[0])
                looked += alone
                bound = bound if alone else max(bound, -promise)
                continue
            found = ask.saving(_all_of(ask.case.spec, part), f"{len(part)} limits together")
            if found is None:
                bound = max(bound, -promise)
            elif found[0] > 0:
                heapq.heappush(groups, (-float(found[0]), turn, part))
    ranked = sorted(looked, key=lambda one: -one.saving)
    return [one for one in ranked if one.saving > 0], bound, ranked


def _most(looked: Sequence[Concession]) -> int:
    return max((one.saving for one in looked), default=0)


def _single(ask: _Ask, one: Concession) -> list[Concession]:
    found = ask.saving(one.at(ask.case.spec), one.kind.name)
    return [] if found is None else [replace(one, saving=found[0], chosen=found[1])]


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
    ask: _Ask,
    share: float,
    best: list[Concession],
    bound: float,
    looked: list[Concession],
    offered: int,
) -> Answer:
    case = ask.case

    def told(one: Concession) -> str:
        return one.kind.told(case.spec, one.amount)

    mark = case.front.mark[ask.row] or f"point {case.front.number[ask.row]}"
    if best:
        first = best[0]
        text = f"{first.kind.name}, {told(first)}: {ask.told(first.saving)} at {mark}"
    else:
        text = f"none of {offered} limits saves anything at {mark}"
    if ask.left:
        text = f"as far as known, {text}"
    rows = tuple(
        (one.kind.name, told(one), ask.told(one.saving).removeprefix("saves "))
        for one in looked[:SCREEN_ROWS]
    )
    done = f"{ask.solves} searches over {offered} limits; no other single one saves more"
    left = [f"{len(ask.left)} questions not answered for lack of time"] if ask.left else []
    if ask.left and math.isfinite(bound):
        left.append(f"no other single one {ask.told(bound)} or more".replace("saves", "saves over"))
    return Answer(
        question=(
            f"Which single concession saves most {ask.save}, if each gives way by "
            f"{share_up(share)}?"
        ),
        answer=text,
        proof=case.proof(done, left),
        proved=not left and not case.open,
        grids=(Grid("Concessions asked alone", ("limit", "gives way", ">saves"), rows),),
        notes=("limits not listed were asked in groups that save no more than the best",),
        data={
            "save": ask.save,
            "point": case.front.number[ask.row],
            "concessions": [
                {
                    "limit": one.kind.name,
                    "amount": one.amount,
                    "told": told(one),
                    "saving": one.saving * (LOSS_UNIT if ask.save == WATTS else COST_UNIT),
                    "set": None
                    if one.chosen is None
                    else as_plain(part_set_of(one.chosen, case.catalog.tables)),
                }
                for one in looked
            ],
            "searches": ask.solves,
        },
    )
