"""Which options of one skeleton fit into what a front so far leaves open, rows included.

A set that keeps its rows, costs at most C and loses at most L keeps every weighted sum of these
limits too. The weights that leave the least room are found by cutting planes; an option goes when
the sum over it and the least of every other group is over the limit for some of the weights tried.
"""

from __future__ import annotations

from collections.abc import Sequence

import highspy
import numpy as np

from optimizer.dominance import Staircase, corners
from optimizer.errors import NotProved
from optimizer.records import BoolArray, Choice, FloatArray, IntArray
from optimizer.scouts import least_cost
from optimizer.tally import ROW_TOLERANCE

CORNERS = 8
"""Most corners that a staircase is looked at in."""

CUTS = 40
"""Most cutting planes a corner."""

ENOUGH = 1e-7
"""Gap between bound and sets at which the weights count as found, in shares of the limits."""

ROOM = 1e-9
"""Room for rounding of the sums, in shares of the limits."""


Costs = Sequence[Sequence[IntArray]]
"""Least that each option adds to the cost of any set, by skeleton and group, (n_option,)."""


def costs_of(choice: Choice) -> Costs:
    """The costs that `within` takes."""
    return [_costs(choice, k) for k in range(len(choice.skeletons))]


def within(
    choice: Choice, cost_max: float, loss_max: float, costs: Costs | None = None
) -> list[list[BoolArray]]:
    """Options that may belong to a set of at most that cost and loss, by skeleton and group.

    cost_max, loss_max : inf for any
    costs : `costs_of` the choice, where it is asked more often
    """
    costs = costs or costs_of(choice)
    return [_fit(choice, k, cost_max, loss_max, own) for k, own in enumerate(costs)]


def fitting(choice: Choice, skeleton: int, stair: Staircase) -> list[BoolArray]:
    """Options that may belong to a set which the staircase leaves open, by group, (n_option,)."""
    body = choice.skeletons[skeleton]
    kept = [np.zeros(len(group.loss), dtype=bool) for group in body.groups]
    costs = _costs(choice, skeleton)
    for cost_max, loss_max in _few(corners(stair)):
        if loss_max < 0 or cost_max < 0:
            continue
        for mask, fits in zip(kept, _fit(choice, skeleton, cost_max, loss_max, costs), strict=True):
            mask |= fits
    return kept


def _few(corner: FloatArray) -> FloatArray:
    """At most `CORNERS` corners that hold all of them: neighbours become one that holds both."""
    if len(corner) <= CORNERS:
        return corner
    return np.array([some.max(axis=0) for some in np.array_split(corner, CORNERS)])


def _costs(choice: Choice, skeleton: int) -> list[IntArray]:
    """Least that each option adds to the cost of any set, by group, (n_option,)."""
    body = choice.skeletons[skeleton]
    return [least_cost(choice, body, group) for group in range(len(body.groups))]


def _fit(
    choice: Choice, skeleton: int, cost_max: float, loss_max: float, costs: Sequence[IntArray]
) -> list[BoolArray]:
    """Options that may belong to a set within one corner; `costs` : see `_costs`."""
    use, room = _uses(choice, skeleton, cost_max, loss_max, costs)
    kept = [np.ones(len(values), dtype=bool) for values in use]
    if not len(room):
        return kept
    weight = np.full(len(room), 1.0 / len(room))
    tightest = _Tightest(len(room))
    for _ in range(CUTS):
        sums = [values @ weight for values in use]
        excess = np.sum([value.min() for value in sums]) - room @ weight
        if excess > ROOM:
            return [np.zeros(len(values), dtype=bool) for values in use]
        for mask, value in zip(kept, sums, strict=True):
            mask &= value - value.min() + excess <= ROOM
        least = [values[int(np.argmin(value))] for values, value in zip(use, sums, strict=True)]
        weight, bound = tightest.beside(np.sum(least, axis=0) - room)
        if bound - excess < ENOUGH:
            break
    return kept


def _uses(
    choice: Choice, skeleton: int, cost_max: float, loss_max: float, costs: Sequence[IntArray]
) -> tuple[list[FloatArray], FloatArray]:
    """What each option takes of each limit, as shares, (n_option, n_limit), and what is left.

    The worst point keeps a limit when every lane does.
    """
    body = choice.skeletons[skeleton]
    use = [group.rows for group in body.groups]
    room = 1.0 + ROW_TOLERANCE - body.rows_fixed
    if np.isfinite(loss_max):
        worst, most = choice.worst_point, max(loss_max, 1.0)
        lost = [g.loss_lane if worst else g.loss[:, None] for g in body.groups]
        fixed = body.loss_lane_fixed if worst else np.array([body.loss_fixed])
        use = [np.hstack([loss / most, u]) for loss, u in zip(lost, use, strict=True)]
        room = np.append((loss_max - fixed) / most, room)
    if np.isfinite(cost_max):
        use = [_beside(cost / max(cost_max, 1.0), u) for cost, u in zip(costs, use, strict=True)]
        room = np.append((cost_max - body.cost_fixed) / max(cost_max, 1.0), room)
    return use, room


def _beside(first: FloatArray, rest: FloatArray) -> FloatArray:
    return np.concatenate([first[:, None], rest], axis=1)


class _Quiet(highspy.Highs):
    """The solver without the line it prints when the first one of a process is made.

    On one thread: the first one settles the number for every solver of the process.
    """

    def enableCallbacks(self) -> None:  # noqa: N802
        """Called while it is made."""
        self.setOptionValue("output_flag", False)
        self.setOptionValue("threads", 1)
        super().enableCallbacks()  # type: ignore[no-untyped-call]


class _Tightest:
    """Weights, adding up to one, for which the least of the cuts is largest; and that least.

    The solver is kept from cut to cut: each time it goes on from the weights before.
    """

    def __init__(self, count: int) -> None:
        """`count` : number of limits to be weighed."""
        self._solver = solver = _Quiet()  # type: ignore[no-untyped-call]
        self._index = np.arange(count + 1, dtype=np.int32)
        solver.addVars(count + 1, np.append(np.zeros(count), -np.inf), np.full(count + 1, np.inf))
        solver.changeColCost(count, -1.0)
        solver.addRow(1.0, 1.0, count, self._index[:-1], np.ones(count))

    def beside(self, cut: FloatArray) -> tuple[FloatArray, float]:
        """The answer with one cut more, (n_limit,)."""
        solver = self._solver
        solver.addRow(0.0, np.inf, len(self._index), self._index, np.append(cut, -1.0))
        solver.run()
        status = solver.getModelStatus()
        if status != highspy.HighsModelStatus.kOptimal:
            raise NotProved(f"no weights found: {solver.modelStatusToString(status)}")
        *found, least = solver.getSolution().col_value
        weight = np.maximum(found, 0.0)
        return weight / weight.sum(), float(least)
