"""All skeletons of a search: their bounds, the front so far, what was expanded of them.

Bounds first; sketches of the most promising skeletons give a first front, a survey of those that
stay open nearly the whole one; then each that a bound still leaves open is expanded into all
options that may matter. The front so far sharpens the bounds of the next.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from optimizer import (
    crew,
    dominance,
    families,
    fitting,
    floors,
    frontier,
    narrow,
    options,
    row_choice,
    row_floors,
    second_sources,
    tally,
    workbench,
)
from optimizer.dominance import Staircase
from optimizer.errors import Halted
from optimizer.found import Clock, Found, Key
from optimizer.frontier import Frontier
from optimizer.records import (
    LOSS_UNIT,
    Choice,
    FloatArray,
    Group,
    IntArray,
    Selection,
    Skeleton,
)
from optimizer.second_sources import SecondSources
from optimizer.workbench import Aim

AHEAD, AHEAD_LATE, LATE = 2, 6, 16
"""Skeletons begun before the first of them is taken in, whatever the number of processes: the
result must not depend on the machine. More of them once so many were surveyed: the front hardly
moves any more, and no process waits for a long one."""

CREW_FROM = 0.5
"""Seconds that a search must have taken before for further processes to be worth their start."""

FAMILY = 8
"""Skeletons whose half bridges are bounded together: more of them cost less and bound less."""

SKETCHES = 3
SKETCH_DIRECTIONS = 7
"""Skeletons sketched first in each of so many directions."""

ENDS: Mapping[str, Sequence[int]] = {"cost": (0,), "loss": (-1,)}
"""Direction of each end of the front."""

LOSS_SCALE = 0.03
"""Loss that counts like the whole cost in the fan of directions, as a share of output power."""

COST_SCALE = 10.0
"""Cost that goes with it, in the currency of the run; the fan is dense enough for any scale."""

GAP_STEP = 1 << 20
"""Added to the numbers of skeletons that are expanded again, to tell them apart."""

FREE = 0
"""Cost of a point that covers everything from its loss on."""

COVERED = -(1 << 40)
"""Loss of a point that covers everything from its cost on."""


Task = tuple[int, Staircase, Mapping[str, bool], Skeleton | None]
"""A skeleton to expand: its number, the front so far, how, and what came of it in a survey."""

Job = tuple[Callable[["Expansion", Any], Any], Any]
"""A method and what it is called with: something to do in this process or in one beside it."""


class Told(NamedTuple):
    """What came of a skeleton beside a front so far: its options, and its feasible sets there.

    worst : number of the worst lane of each set, where the worst point counts
    """

    body: Skeleton | None
    sets: Sequence[Selection]
    worst: Sequence[int]


Begun = deque[tuple[int, Callable[[], Told]]]
"""Numbers of the skeletons under way, and what waits for each."""


class Expansion:
    """Bounds, front so far and expanded skeletons of one search.

    worst : topology and number of the worst lane of sets found, by cost and loss
    """

    def __init__(self, found: Found, clock: Clock, processes: int = 1, *, end: str = "") -> None:
        self.found, self.clock, self.processes, self.end = found, clock, processes, end
        self.markets = found.markets
        self.rows = {name: second_sources.rows_of(one) for name, one in self.markets.items()}
        self.keys: list[Key] = []
        self.skeletons: list[int] = []
        for name, one in self.markets.items():
            every = list(second_sources.skeletons(one))
            self.keys += [(name, number) for number in range(len(every))]
            self.skeletons += every
        self.number = {key: number for number, key in enumerate(self.keys)}
        self._mixtures: dict[Key, SecondSources] = {}
        spec = found.spec
        loss = LOSS_SCALE * spec.power_output / LOSS_UNIT
        self.weights = dominance.directions(cost_scale=COST_SCALE / 1e-4, loss_scale=loss)
        self.bounds: FloatArray = np.zeros((len(self.keys), len(self.weights)))
        none: IntArray = np.zeros(0, dtype=np.int64)
        self.stair: Staircase = (none, none)
        self.worst: dict[tuple[int, int], tuple[str, int]] = {}
        self.expanded: dict[Key, Skeleton] = {}
        self.sketched: dict[Key, Skeleton] = {}
        self.left: list[int] = []
        self.refused = False
        self.legs: dict[int, tuple[Staircase, FloatArray]] = {}
        self.surveyed: dict[Key, Skeleton | None] = {}
        rules = spec.choice
        self.pairs = False
        counted = any(
            one.numbers_limited and len(one.stage.nodes) != 2 for one in self.markets.values()
        )
        # a row of its own only where the solver is to take it, see `placed`
        self.complete = counted or any(one.position is None for one in rules.force)
        self._held = ExitStack()
        self._crew: crew.Begin | None = None

    def close(self) -> None:
        """End the processes that helped."""
        self._held.close()
        self._crew = None

    def aim(
        self,
        *,
        best_only: bool = False,
        complete: bool = False,
        pairs: bool = False,
        alone: bool = False,
    ) -> Aim:
        """What options are held against now."""

        def joined(groups: Sequence[Group]) -> Staircase:
            return narrow.joint_stair(self.found.prices, groups)

        return Aim(
            joined,
            self.weights,
            self.stair,
            best_only=best_only,
            complete=complete,
            pairs=pairs,
            alone=alone,
            watch=self.clock.watch,
        )

    def bound(self) -> None:
        """Bounds of all skeletons; the half bridges once per frequency."""
        families.ask_for_money(self.markets, self._hands(), self.clock.halted)
        self._bound_together(range(len(self.keys)), len(self.keys))
        self.clock.done("bounds", f"{len(self.keys)} skeletons bounded")

    def _bound_together(self, numbers: Sequence[int], most: int) -> None:
        """Bounds of some skeletons, in families of so many at most."""
        number = {(self.keys[n][0], self.skeletons[n]): n for n in numbers}
        every = list(families.families(self.markets, number, most))
        jobs: list[Job] = [(Expansion._bounded, family) for family in every]
        answers = crew.together(self._begin(), jobs)
        for (name, rows), (bounds, stair, shared) in zip(every, answers, strict=True):
            mine = [number[name, row] for row in rows.tolist()]
            self.bounds[mine] = bounds
            self.legs |= dict.fromkeys(mine, (stair, shared))

    def _bounded(self, family: families.Family) -> families.Bounds:
        """Bounds of a family."""
        return families.bounds(self.markets[family[0]], self.weights, family[1])

    def sketch(self, *, any_set: bool) -> None:
        """Rough fronts of the most promising skeletons: where the bounds get their bite."""
        waiting, taken = self._worth_a_sketch(), set[int]()

        def pick() -> int | None:
            enough = any_set and len(self.stair[0])
            waiting[:] = [] if enough else self._all_open(waiting)
            return waiting.pop(0) if waiting else None

        begun: Begun = deque()
        with suppress(Halted):
            for number, skeleton in self._taken_in(pick, begun, best_only=True):
                taken.add(number)
                if skeleton is not None:
                    self.sketched[self.keys[number]] = skeleton
                tried = len(taken) >= AHEAD or not begun
                if tried and not len(self.stair[0]) and not self.refused:
                    self._refuse()
                    taken |= {one for one, _ in begun}
                    waiting[:] = [one for one in self._worth_a_sketch() if one not in taken]
        self.clock.done("sketches", f"first front of {len(self.stair[0])} points")

    def _worth_a_sketch(self) -> list[int]:
        """The most promising skeletons, some in each of a fan of directions."""
        fan = np.linspace(0, len(self.weights) - 1, SKETCH_DIRECTIONS).astype(np.int64)
        picks = (self._promising(direction) for direction in ENDS.get(self.end, fan))
        return list(dict.fromkeys(number for some in picks for number in some))

    def _promising(self, direction: int) -> list[int]:
        """Skeletons with the least bounds in a direction."""
        return [int(k) for k in np.argsort(self.bounds[:, direction], kind="stable")[:SKETCHES]]

    def _refuse(self) -> None:
        """Leave out the skeletons that cannot keep a limit on the total loss, with reasons."""
        self.refused = True
        for name, one in self.markets.items():
            gone, waterfall = row_floors.refused(one)
            out = [number for number in self._numbers(name) if gone[self.skeletons[number]]]
            self.bounds[out] = np.inf
            if waterfall.falls:
                self.found.fell(name, waterfall)

    def survey(self, *, ended: Callable[[], bool] = lambda: False) -> bool:
        """Sets of every open skeleton whose banks share no type: nearly the whole front, fast.

        A skeleton of which nothing is left then has nothing on the front, unless the rows want
        options that others beat. Where `ended` says so after one, the others are left and the
        answer is False.
        """
        self._bound_together(self._all_open(range(len(self.keys))), FAMILY)
        for key, skeleton in self._rounds(None, alone=True):
            self.surveyed[key] = skeleton
            if skeleton is not None:
                self.sketched[key] = skeleton
            looked = f"{len(self.surveyed)} skeletons surveyed, {len(self.stair[0])} points"
            self.clock.meanwhile("survey", looked)
            if ended():
                return False
        if self.complete:
            self.surveyed = {}
        self.clock.done("survey", f"front of {len(self.stair[0])} points with no shared banks")
        return True

    def expand_all(self, *, any_set: bool = False) -> None:
        """Expand every skeleton that the bounds leave open, the most promising first."""
        done = self.expanding(any_set=any_set)()
        self.found.counts["skeletons expanded"] = done
        self.clock.done("options", f"{done} skeletons expanded, {len(self.stair[0])} points so far")

    def expanding(
        self, *, any_set: bool = False, of: Collection[Key] | None = None
    ) -> Callable[[], int]:
        """Begin to expand skeletons; what goes on until none is left says how many there were.

        of : the skeletons to look at; None for all
        """
        rounds = self._rounds(of, complete=self.complete, pairs=self.pairs)

        def finish() -> int:
            done = 0
            for key, skeleton in rounds:
                done += 1
                if skeleton is not None:
                    self.expanded[key] = skeleton
                    expanded = f"{done} skeletons expanded, {len(self.stair[0])} points"
                    self.clock.meanwhile("options", expanded)
                if any_set and len(self.stair[0]):
                    break
            left = [self.keys[k] for k in self.left]
            self.found.open = list(dict.fromkeys([*self.found.open, *left]))
            return done

        return finish

    def within(self, stair: Staircase) -> Expansion:
        """The same search beside another front so far, nothing of it expanded yet."""
        self._begin()  # one crew for both
        other = copy.copy(self)
        other.stair, other.expanded, other.left = stair, {}, []
        return other

    def begin_front(self, choice: Choice, **how: Any) -> Callable[[], Frontier]:
        """Begin the front of a choice beside other work; `how` as `frontier.front` takes it."""
        return self._begin()((Expansion._fronted, (choice, how)))

    def _fronted(self, task: tuple[Choice, Mapping[str, Any]]) -> Frontier:
        choice, how = task
        return frontier.front(choice, **how, stop=self.clock.halted)

    def least(self, numbers: Sequence[int]) -> tuple[float, float]:
        """Least cost and least loss that the bounds of some skeletons allow."""
        if not len(numbers):
            return math.inf, math.inf
        bounds = self.bounds[list(numbers)].min(axis=0)
        return float(bounds[0] / self.weights[0, 0]), float(bounds[-1] / self.weights[-1, 1])

    def _rounds(
        self, of: Collection[Key] | None, **how: bool
    ) -> Iterator[tuple[Key, Skeleton | None]]:
        """Skeletons that the bounds leave open, the most promising first; begun at once.

        What a stop leaves is in `left`.
        """
        waiting = [k for k, key in enumerate(self.keys) if of is None or key in of]
        begun: Begun = deque()
        taken_in = self._taken_in(lambda: self._next(waiting), begun, **how)

        def rounds() -> Iterator[tuple[Key, Skeleton | None]]:
            self.left = []
            try:
                for number, skeleton in taken_in:
                    yield self.keys[number], skeleton
            except Halted:
                self.left = self._all_open([*(number for number, _ in begun), *waiting])

        return rounds()

    def _taken_in(
        self, pick: Callable[[], int | None], begun: Begun, **how: bool
    ) -> Iterator[tuple[int, Skeleton | None]]:
        """Skeletons as they are picked, each beside the front so far when it was begun.

        The first are begun at once. What is under way is in `begun`, also when `Halted` is raised.
        """
        begin = self._begin()

        def go_on() -> bool:
            ahead = AHEAD if len(self.surveyed) < LATE else AHEAD_LATE
            while len(begun) < ahead and (number := pick()) is not None:
                known = self.surveyed.get(self.keys[number])
                task: Task = number, self.stair, how, known
                begun.append((number, begin((Expansion._expanded, task))))
            return len(begun) > 0

        def taken_in() -> Iterator[tuple[int, Skeleton | None]]:
            while go_on():
                self.clock.watch()
                number, answer = begun[0]
                told = answer()
                begun.popleft()
                self._take_in(self.keys[number], told)
                yield number, told.body

        go_on()
        return taken_in()

    def _begin(self) -> crew.Begin:
        """Does jobs side by side, by processes that stay until the search is closed."""
        if self._crew is None and self._hands() > 1:
            self._crew = self._held.enter_context(
                crew.crew(self._done, self._hands(), self.clock.halted)
            )
        return self._crew or (lambda job: partial(self._done, job))

    def _done(self, job: Job) -> Any:
        """Do a job."""
        work, task = job
        return work(self, task)

    def _hands(self) -> int:
        """How many processes are worth their start."""
        long = sum(self.clock.seconds.values()) >= CREW_FROM
        return min(AHEAD, self.processes) if long else 1

    def _next(self, waiting: list[int]) -> int | None:
        """The next open skeleton, taken out of those that wait; None where none is left."""
        alive = [k for k in waiting if self.surveyed.get(self.keys[k], True) is not None]
        waiting[:] = self._all_open(alive)
        while waiting:
            number = self._most_promising(waiting)
            waiting.remove(number)
            if self._open_closer(number):
                return number
        return None

    def _expanded(self, task: Task) -> Told:
        """The options and sets of a skeleton beside a front so far."""
        number, stair, how, known = task
        beside = copy.copy(self)
        beside.stair = stair
        body = beside._options(number, known, **how)
        whole = not (how.get("alone") or how.get("best_only"))
        if body is not None and whole and len(stair[0]):
            body = narrow.narrowed(self.markets[self.keys[number][0]], body, stair)
        choice, sets = beside._feasible(self.keys[number], body)
        if choice is None or not choice.worst_point:
            return Told(body, sets, ())
        lanes = [tally.lane_losses(choice, one.skeleton, one.option) for one in sets]
        return Told(body, sets, [int(np.argmax(lane)) for lane in lanes])

    def _options(self, number: int, known: Skeleton | None, **how: bool) -> Skeleton | None:
        """The options of a skeleton beside the front so far."""
        key, aim = self.keys[number], self.aim(**how)
        market = self.markets[key[0]]
        k, mixtures = self.skeletons[number], self.mixtures(key)
        body = options.expand(market, self.rows[key[0]], k, aim, known, mixtures)
        if not aim.complete and not (aim.pairs and mixtures):
            return body
        left_out = () if aim.complete else row_choice.BANKS
        body = body and self.fitted(key, body, spare=left_out)
        if body and mixtures:
            body = mixtures.every(body, aim.watch, plain=left_out)
            body = body and self.fitted(key, body, spare=left_out)
        return body

    def fitted(self, key: Key, body: Skeleton, *, spare: tuple[str, ...] = ()) -> Skeleton | None:
        """The skeleton with the options that fit into what the front so far leaves open.

        spare : groups of which options that another beats were left out, see `row_choice.loosened`
        """
        choice = row_choice.loosened(self.choice_of({key: body}), spare)
        kept = fitting.fitting(choice, 0, workbench.loose(self.stair))
        if not all(mask.any() for mask in kept):
            return None
        groups = [group.take(mask) for group, mask in zip(body.groups, kept, strict=True)]
        return replace(body, groups=tuple(groups))

    def mixtures(self, key: Key) -> SecondSources | None:
        """What second sources are asked of a skeleton, if any."""
        if not self.found.spec.purchase.second_source:
            return None
        name, number = key[0], key[1] % GAP_STEP
        if (name, number) not in self._mixtures:
            k = self.skeletons[self.number[name, number]]
            one = SecondSources(self.markets[name], self.rows[name], k)
            self._mixtures[name, number] = one
        return self._mixtures[name, number]

    def robust(self, key: Key, body: Skeleton, option: Sequence[int]) -> bool:
        """Whether a set of a skeleton passes in every mixture with second sources."""
        mixtures = self.mixtures(key)
        return mixtures is None or mixtures.holds(body, option)

    def _numbers(self, topology: str) -> list[int]:
        """Numbers of the keys of one topology."""
        return [number for number, (name, _) in enumerate(self.keys) if name == topology]

    def _most_promising(self, waiting: list[int]) -> int:
        """The skeleton whose bound lies farthest below the front so far in some direction."""
        bounds = self.bounds[waiting]
        if self.end:
            return waiting[int(np.argmin(bounds[:, ENDS[self.end][0]]))]
        if not len(self.stair[0]):
            return waiting[int(np.argmin(bounds[:, len(self.weights) // 2]))]
        real = (self.stair[1] > COVERED) & (self.stair[0] > FREE)
        if not real.any():
            return waiting[int(np.argmin(bounds[:, 0]))]
        known = dominance.lower_bounds(self.stair[0][real], self.stair[1][real], self.weights)
        return waiting[int(np.argmax(((known - bounds) / known).max(axis=1)))]

    def narrow(self) -> None:
        """Hold the options of every expanded skeleton against the whole front so far."""
        kept: dict[Key, Skeleton] = {}
        for key, body in self.expanded.items():
            left = narrow.narrowed(self.markets[key[0]], body, self.stair)
            if left is not None:
                kept[key] = left
        self.expanded = kept

    def _all_open(self, numbers: Sequence[int]) -> list[int]:
        """Those of some skeletons whose bounds leave them on the front."""
        bounds = self.bounds[np.array(numbers, dtype=np.int64)]
        if len(self.stair[0]):
            closed = dominance.droppable(bounds, self.weights, workbench.loose(self.stair))
        else:
            closed = np.asarray(~np.isfinite(bounds).all(axis=1))
        return [number for number, gone in zip(numbers, closed, strict=True) if not gone]

    def _open_closer(self, number: int) -> bool:
        """The same with staircases of bounds, for sets whose legs share nothing, and directions."""
        if not len(self.stair[0]):
            return True
        one, (legs, shared) = self.markets[self.keys[number][0]], self.legs[number]
        stair = workbench.loose(self.stair)
        cost, loss = floors.skeleton_stair(one, self.skeletons[number], legs)
        if not dominance.covered(cost, loss - int(workbench.ROUNDING_UNITS), stair).all():
            return True
        both = self.bounds[number] + shared
        return bool(np.isfinite(shared).all()) and not bool(
            dominance.droppable(both[None, :], self.weights, stair)[0]
        )

    def _feasible(
        self, key: Key, body: Skeleton | None
    ) -> tuple[Choice | None, Sequence[Selection]]:
        """The feasible sets of a skeleton that the front so far leaves open, in their choice."""
        if body is None:
            return None, ()
        choice = self.choice_of({key: body})
        if choice.row_names and len(self.stair[0]):
            fitted = self.fitted(key, body)
            if fitted is None:
                return None, ()
            body, choice = fitted, self.choice_of({key: fitted})
        sets = row_choice.feasible_sets(choice, self.stair)
        return choice, [one for one in sets if self.robust(key, body, one.option)]

    def _take_in(self, key: Key, told: Told) -> None:
        """Let the feasible sets of a skeleton improve the front so far."""
        sets = told.sets
        if not sets:
            return
        if self.found.first is None:
            choice, first = self._feasible(key, told.body)
            self.found.first = None if choice is None else (choice, first[0])
        for one, lane in zip(sets, told.worst, strict=False):
            self.worst[one.cost, one.loss] = key[0], lane
        covering = [(one.cost, one.loss) for one in sets]
        if self.end == "cost":
            covering.append((min(covering)[0] + 1, COVERED))
        if self.end == "loss":
            covering.append((1, min(one.loss for one in sets) + int(workbench.ROUNDING_UNITS)))
        cost, loss = np.array(covering, dtype=np.int64).reshape(-1, 2).T
        self.stair = dominance.joined(self.stair, (cost, loss))

    def choice_of(self, skeletons: Mapping[Key, Skeleton]) -> Choice:
        """The decision over some skeletons, with every row that some set could break."""
        return row_choice.choice_of(self.found, self.rows, skeletons)
