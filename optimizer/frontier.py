"""The front of a choice, each point with its proof: the merge where it can, the solver elsewhere.

Why points of the merge may stand. The relaxed choice holds every set of the real one at the same
cost and loss. A point of its front that keeps the rows is therefore a point of the real front:
what beat it would beat it among the relaxed sets too. And between two such neighbours i and j a
real point left over has a cost in (c_i, c_j) and a loss in (l_j, l_i), so searching those boxes
finds the rest. A box without a relaxed point in it is empty.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer.dominance import staircase
from optimizer.errors import NotProved
from optimizer.fitting import Costs, costs_of, within
from optimizer.merge_worst import mergeable, relaxed_front
from optimizer.records import Choice, Selection
from optimizer.restrict import Reduced, reduced
from optimizer.scouts import costs_and_losses, incumbents, needed
from optimizer.selection import INFEASIBLE, OPTIMAL, Answer, Selector
from optimizer.selfcheck import check_solver_once
from optimizer.tally import check_choice, violations

PROVE_SEED = 2024
"""Seed of the points that the solver proves again after the merge."""

SECONDS_LATE = 2.0
"""Time for scouts once the search has been told to end."""


@dataclass(frozen=True, slots=True)
class Frontier:
    """A front and what is proved of it.

    points : cost rising; `proof` of each "merge", "solver", "merge+solver" or "" (not proved)
    complete : whether every point of the front is here and proved
    engine : "merge", "merge+solver" or "solver": what found the points
    not_proved : what was left open, one sentence each, in cost and loss units
    """

    points: tuple[Selection, ...]
    complete: bool
    engine: str
    not_proved: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Gap:
    """A box to search: cost at most `cost_max`, loss below `loss_below`; `floor` bounds it."""

    cost_max: int | None
    loss_below: float
    floor: float


@dataclass(slots=True)
class _Search:
    """What one run has found so far, and its clock."""

    choice: Choice
    deadline: float
    on_point: Callable[[Selection], None]
    stop: Callable[[], bool]
    points: list[Selection] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    costs: Costs | None = None

    def keep(self, point: Selection) -> None:
        """Take in a point and tell the caller."""
        self.points.append(point)
        self.on_point(point)

    def left(self) -> float:
        """Seconds until the deadline."""
        return self.deadline - time.monotonic()

    def halted(self) -> bool:
        """Whether to end now."""
        return self.left() <= 0 or self.stop()

    def box(self, cost_max: int | None, loss_below: float, *, scouted: bool = True) -> _Box | None:
        """The options that sets of a box may have, as a model; None where it has no set.

        scouted : whether good sets are looked for first, so that bounds take more options out
        """
        check_solver_once()
        cost = math.inf if cost_max is None else float(cost_max)
        self.costs = self.costs or costs_of(self.choice)
        small = reduced(self.choice, within(self.choice, cost, loss_below - 1, self.costs))
        if not small.choice.skeletons:
            return None
        known = incumbents(small.choice) if scouted else ()
        selector = Selector(small.choice, keep=needed(small.choice, known))
        return _Box(small, tuple(small.whole(point) for point in known), selector)


@dataclass(frozen=True, slots=True)
class _Box:
    """A box under search: its options, sets known of it, and the solver's model of them.

    known : in numbers of the whole choice
    """

    small: Reduced
    known: tuple[Selection, ...]
    selector: Selector

    def solve(self, *, cost_max: int | None, time_limit: float, settle: bool = True) -> Answer:
        """Least loss within a cost; the set in numbers of the whole choice."""
        answer = self.selector.solve(cost_max=cost_max, settle=settle, time_limit=time_limit)
        found = answer.selection
        return answer if found is None else replace(answer, selection=self.small.whole(found))


def front(
    choice: Choice,
    *,
    engine: str = "auto",
    time_limit: float = math.inf,
    on_point: Callable[[Selection], None] | None = None,
    prove_points: int = 13,
    stop: Callable[[], bool] | None = None,
) -> Frontier:
    """Every nondominated point of a choice with its proof.

    engine : "auto", or "solver" to leave the merge out
    time_limit : for the whole front [s]; what is proved by then is kept
    on_point : called with each point as it is found
    prove_points : how many points of the merge the solver proves again (ends, knee, seeded rest)
    stop : asked between questions to the solver; True ends the run as a time limit does
    """
    check_choice(choice)
    search = _Search(
        choice,
        time.monotonic() + time_limit,
        on_point or (lambda point: None),
        stop or (lambda: False),
    )
    merged = engine == "auto" and mergeable(choice)
    used = "merge" if merged else "solver"
    try:
        gaps = _merged(search) if merged else [_Gap(None, math.inf, -math.inf)]
        used = "merge+solver" if merged and gaps else used
        for gap in gaps:
            _fill(search, gap)
        _prove_again(search, prove_points)
    except KeyboardInterrupt:
        search.notes.append("interrupted: the front may lack points")
    return Frontier(nondominated(search.points), not search.notes, used, tuple(search.notes))


def nondominated(points: Sequence[Selection]) -> tuple[Selection, ...]:
    """The points as a staircase; a proved one goes before an equal one without proof."""
    order = sorted(points, key=lambda point: (point.cost, point.loss, point.proof == ""))
    return tuple(order[k] for k in staircase(*costs_and_losses(order)))


def _merged(search: _Search) -> list[_Gap]:
    """Keep what the merge proves and return the boxes it leaves to the solver."""
    relaxed = relaxed_front(search.choice)
    gaps: list[_Gap] = []
    loss_below, waiting = math.inf, False
    for point in relaxed:
        if violations(search.choice, point.skeleton, point.option):
            waiting = True
            continue
        if waiting:
            gaps.append(_Gap(point.cost - 1, loss_below, float(point.loss + 1)))
        search.keep(point)
        loss_below, waiting = float(point.loss), False
    if waiting:
        gaps.append(_Gap(None, loss_below, float(relaxed[-1].loss)))
    return gaps


def _fill(search: _Search, gap: _Gap) -> None:
    """Points of one box, dearest first, each the least loss within the cost left."""
    cost_max, box = gap.cost_max, None
    while True:
        if search.halted():
            search.notes.append(f"not searched: {_name(cost_max, gap)}")
            known = incumbents(search.choice, seconds=SECONDS_LATE) if box is None else box.known
            _keep_known(search, gap, cost_max, known)
            return
        box = box or search.box(cost_max, gap.loss_below)
        if box is None:
            return
        answer = box.solve(cost_max=cost_max, time_limit=max(0.01, search.left()))
        if answer.status == INFEASIBLE or answer.bound >= gap.loss_below:
            return
        if answer.status != OPTIMAL or answer.selection is None:
            _leave_open(search, gap, cost_max, answer, box)
            return
        search.keep(answer.selection)
        cost_max = answer.selection.cost - 1


def _keep_known(
    search: _Search, gap: _Gap, cost_max: int | None, known: tuple[Selection, ...]
) -> None:
    """Sets of a box that was not searched which the scouts know to keep every row."""
    for point in _inside(known, gap, cost_max):
        search.keep(replace(point, proof="", bound=max(gap.floor, 0.0)))


def _inside(points: Iterable[Selection], gap: _Gap, cost_max: int | None) -> list[Selection]:
    """Those of some sets that lie in what is left of a box."""
    dearest = math.inf if cost_max is None else cost_max
    return [one for one in points if one.cost <= dearest and one.loss < gap.loss_below]


def _name(cost_max: int | None, gap: _Gap) -> str:
    dear = "any cost" if cost_max is None else f"cost up to {cost_max}"
    return dear if math.isinf(gap.loss_below) else f"{dear}, loss below {gap.loss_below:.0f}"


def _leave_open(
    search: _Search, gap: _Gap, cost_max: int | None, answer: Answer, box: _Box
) -> None:
    """Say what was found and what is proved of a box the solver did not finish."""
    bound = max(answer.bound, gap.floor)
    met = [point for point in (answer.selection, *box.known) if point is not None]
    inside = _inside(met, gap, cost_max)
    if not inside:
        search.notes.append(f"not proved: {_name(cost_max, gap)}: nothing found, bound {bound:.0f}")
        return
    for point in inside:
        search.keep(replace(point, proof="", bound=bound))
    best = min(inside, key=lambda point: (point.loss, point.cost))
    left = f"gap {best.loss - bound:.0f}" if best.loss > bound else f"least cost {best.cost} open"
    search.notes.append(
        f"not proved: {_name(cost_max, gap)}: best loss {best.loss}, bound {bound:.0f}, {left}"
    )


def _prove_again(search: _Search, count: int) -> None:
    """Ask the solver for the least loss at the cost of some merged points."""
    merged = [k for k, point in enumerate(search.points) if point.proof == "merge"]
    for k in _chosen([search.points[k] for k in merged], count):
        if search.halted():
            search.notes.append("not every chosen point was proved again by the solver")
            return
        point = search.points[merged[k]]
        box = search.box(point.cost, float(point.loss + 1), scouted=False)
        if box is None:
            raise NotProved(f"merge and bounds disagree at cost {point.cost}: {point.loss}")
        left = max(0.01, search.left())
        answer = box.solve(cost_max=point.cost, settle=False, time_limit=left)
        if answer.status == OPTIMAL and answer.bound == point.loss:
            search.points[merged[k]] = replace(point, proof="merge+solver")
        elif answer.status == OPTIMAL or answer.status == INFEASIBLE:
            raise NotProved(
                f"merge and solver disagree at cost {point.cost}: {point.loss}, {answer.bound}"
            )
        else:
            search.notes.append(
                f"cost {point.cost}: proved by the merge, the solver ended at bound {answer.bound}"
            )


def _chosen(points: list[Selection], count: int) -> Iterator[int]:
    """Both ends, the knee and seeded others, `count` in all."""
    if not points or count <= 0:
        return iter(())
    first = list(dict.fromkeys([0, len(points) - 1, knee(tuple(points))]))
    rest = np.setdiff1d(np.arange(len(points)), first)
    more = np.random.default_rng(PROVE_SEED).permutation(rest)[: max(0, count - len(first))]
    return iter([*first[:count], *sorted(int(k) for k in more)])


def knee(points: tuple[Selection, ...]) -> int:
    """Index of the knee: farthest below the chord between the ends, both axes scaled to 0..1."""
    if len(points) < 3:
        return 0
    cost, loss = (values.astype(np.float64) for values in costs_and_losses(points))
    u = (cost - cost[0]) / (cost[-1] - cost[0])
    v = (loss - loss[-1]) / (loss[0] - loss[-1])
    return int(np.argmax(1 - u - v))
