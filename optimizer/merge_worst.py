"""Exact front where the worst of a few lanes counts: the merge over costs and losses in every lane.

For weights w >= 0 that add up to one, the weighted loss of a set is never above its worst lane, and
it adds up over groups. So the plain merge, once for each of a few weights, gives sets that may be
good and bounds on what the groups not yet joined add. Options and sums of options are kept while
every weighted bound leaves them below the front so far, and no other one costs less and loses less
in every lane.

Rows are left out here as in `merge`. More lanes than a few are left to the solver, unless it is
seen that they lose no more than another one in every set.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import merge
from optimizer.dominance import (
    Staircase,
    covered,
    joined,
    largest_loss_beside,
    stair_of,
    staircase,
    summed,
)
from optimizer.merge import PAIRS_AT_ONCE
from optimizer.records import BoolArray, Choice, FloatArray, Group, IntArray, Selection, Skeleton
from optimizer.tally import check_choice, option_costs

LANES_MAX = 4
"""Most lanes whose worst the merge takes."""

LEVELS = 1024
"""Steps of cost at which the loss still open is worked out."""

POINTS = 256
"""Most points of a staircase of bounds on the groups not yet joined."""

BLOCK = 256
"""Options held against each other at once."""

ROUNDING = 1e-3
"""Of a loss unit: above the noise of weighted sums of whole units."""


def bounding(choice: Choice) -> Choice:
    """The choice with only the lanes that stand for its worst point; one alone adds up.

    No set has less at its worst than in these lanes.
    """
    if not choice.worst_point:
        return choice
    lanes = [
        body.lanes if len(body.lanes) else np.arange(len(body.loss_lane_fixed))
        for body in choice.skeletons
    ]
    count = max((len(some) for some in lanes), default=1)
    bodies = [
        _at(body, np.resize(some, count))
        for body, some in zip(choice.skeletons, lanes, strict=True)
    ]
    if count == 1:
        bodies = [_weighed(body, np.ones(1)) for body in bodies]
    return replace(choice, skeletons=tuple(bodies), worst_point=count > 1)


def _at(body: Skeleton, lanes: IntArray) -> Skeleton:
    """A skeleton with only some of its worst-point lanes."""
    groups = tuple(replace(one, loss_lane=one.loss_lane[:, lanes]) for one in body.groups)
    fixed, every = body.loss_lane_fixed[lanes], np.zeros(0, dtype=np.int64)
    return replace(body, groups=groups, loss_lane_fixed=fixed, lanes=every)


def mergeable(choice: Choice) -> bool:
    """Whether a merge can take the choice: few lanes, parts shared by few groups."""
    if not choice.worst_point:
        return merge.mergeable(choice)
    if choice.part_numbers_max is not None or not merge.mergeable(
        replace(choice, worst_point=False)
    ):
        return False
    return all(len(_lanes_that_matter(body)) <= LANES_MAX for body in choice.skeletons)


def relaxed_front(choice: Choice, known: Staircase | None = None) -> tuple[Selection, ...]:
    """Every nondominated point without the rows, cost rising; proved by the merge.

    known : only points that this staircase does not cover are wanted
    """
    if not choice.worst_point:
        return merge.relaxed_front(choice)
    if not mergeable(choice):
        raise ValueError("the worst of many lanes does not add up over groups: use the solver")
    check_choice(choice)
    none: IntArray = np.zeros(0, dtype=np.int64)
    best = (none, none) if known is None else known
    fields = [_Field(choice, k) for k in range(len(choice.skeletons))]
    fields = [one for one in fields if not one.empty]
    found: list[tuple[_Sums, int]] = []
    for one in fields:
        some = one.scouted().uncovered(best)
        best = joined(best, (some.cost, some.worst))
        found.append((some, one.number))
    for one in fields:
        some = one.searched(best)
        best = joined(best, (some.cost, some.worst))
        found.append((some, one.number))
    return merge.selections(
        [(some.cost, some.worst, some.option) for some, _ in found], [k for _, k in found]
    )


def _lanes_that_matter(body: Skeleton) -> IntArray:
    """Lanes without those that lose no more than another one in every set."""
    fixed = body.loss_lane_fixed
    kept = list(range(len(fixed)))
    for one in range(len(fixed)):
        for other in kept:
            most = fixed[one] - fixed[other]
            most += sum(
                int((group.loss_lane[:, one] - group.loss_lane[:, other]).max())
                for group in body.groups
            )
            if other != one and most <= 0:
                kept.remove(one)
                break
    return np.array(kept, dtype=np.int64)


def weights_of(lanes: int) -> FloatArray:
    """Weights that bound the worst of some lanes: each lane alone, and mixtures, (n, n_lane)."""
    alone = np.eye(lanes)
    mixed = [np.full(lanes, 1.0 / lanes)]
    shares = (0.25, 0.5, 0.75) if lanes == 2 else (0.5,)
    for one in range(lanes):
        for two in range(one):
            mixed += [share * alone[one] + (1 - share) * alone[two] for share in shares]
    return np.unique(np.concatenate([alone, mixed]), axis=0)


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums of options: cost, loss by lane, (n, n_lane), and options, (n, n_group)."""

    cost: IntArray
    lanes: IntArray
    option: IntArray

    @property
    def worst(self) -> IntArray:
        """Loss in the worst lane, (n,)."""
        return np.asarray(self.lanes.max(axis=1))

    def take(self, index: IntArray | BoolArray) -> _Sums:
        """Those at `index`."""
        return _Sums(self.cost[index], self.lanes[index], self.option[index])

    def uncovered(self, stair: Staircase) -> _Sums:
        """The nondominated ones that the staircase does not cover."""
        some = self.take(~covered(self.cost, self.worst, stair))
        return some.take(staircase(some.cost, some.worst))

    @staticmethod
    def joined(parts: Sequence[_Sums]) -> _Sums:
        """Those that no other one of all the parts replaces whatever the rest of the set is."""
        columns = ([getattr(one, name) for one in parts] for name in ("cost", "lanes", "option"))
        every = _Sums(*(np.concatenate(column) for column in columns))
        return every.take(_undominated(every.cost, every.lanes))


def _undominated(cost: IntArray, lanes: IntArray) -> IntArray:
    """Indices of the options that none beats in cost and every lane; of equals one stays."""
    order = np.lexsort((*lanes.T[::-1], cost))
    kept: list[IntArray] = []
    best = lanes[:0]  # of what is kept: it costs no more than what follows, so lanes are compared
    for start in range(0, len(order), BLOCK):
        some = order[start : start + BLOCK]
        some = some[~_beaten(lanes[some], best)]
        within = (lanes[some][None, :, :] <= lanes[some][:, None, :]).all(axis=2)
        some = some[~np.tril(within, -1).any(axis=1)]
        kept.append(some)
        best = np.concatenate([best, lanes[some]])
        if best.shape[1] == 2:
            best = best[staircase(best[:, 0], best[:, 1])]
    return np.concatenate(kept) if kept else order


def _beaten(lanes: IntArray, others: IntArray) -> BoolArray:
    """Which options lose no less in any lane than one of some others.

    others : (n, n_lane); of two lanes a staircase
    """
    if lanes.shape[1] == 2:
        return covered(lanes[:, 0], lanes[:, 1], (others[:, 0], others[:, 1]))
    below: BoolArray = others[None, :, :] <= lanes[:, None, :]
    return np.asarray(np.any(np.all(below, axis=2), axis=1))


@dataclass(frozen=True, slots=True)
class _Open:
    """The loss still open at each cost beside everything else, for each weight."""

    weights: FloatArray
    cost: IntArray
    loss: FloatArray

    @staticmethod
    def beside(
        rest: Sequence[Staircase], best: Staircase, weights: FloatArray, cost: IntArray
    ) -> _Open:
        """For options of some costs; `rest` : bounds on everything else, by weight."""
        low, high = (int(cost.min()), int(cost.max())) if len(cost) else (0, 0)
        grid = np.unique(np.linspace(low, high, LEVELS).astype(np.int64))
        loss = [largest_loss_beside(grid, _thinned(one), best) for one in rest]
        return _Open(weights, grid, np.array(loss))

    def leaves(self, cost: IntArray, lanes: IntArray) -> BoolArray:
        """Which options every weight leaves open."""
        place = np.searchsorted(self.cost, cost, side="right") - 1
        keep = place >= 0
        for weight, most in zip(self.weights, self.loss, strict=True):
            keep[keep] = lanes[keep] @ weight < most[place[keep]] + ROUNDING
        return np.asarray(keep)


def _thinned(stair: Staircase) -> Staircase:
    """A staircase below this one, of few points."""
    cost, loss = stair
    if len(cost) <= POINTS:
        return stair
    edges = np.linspace(0, len(cost), POINTS + 1).astype(np.int64)
    return cost[edges[:-1]], loss[edges[1:] - 1]


class _Field:
    """One skeleton: its fronts by weight, and the merge of its groups over all lanes."""

    def __init__(self, choice: Choice, number: int) -> None:
        self.number = number
        body = choice.skeletons[number]
        self.body = _at(body, _lanes_that_matter(body))
        self.choice = replace(choice, skeletons=(self.body,))
        self.weights = weights_of(len(self.body.loss_lane_fixed))
        mixed = [_weighed(self.body, weight) for weight in self.weights]
        plain = replace(self.choice, worst_point=False)
        fronts = [merge.component_fronts(replace(plain, skeletons=(one,)), one) for one in mixed]
        self.mixed, self.fronts = mixed, fronts
        self.empty = not all(len(steps.cost) for parts in fronts for steps in parts)
        self.relaxed = (
            []
            if self.empty
            else [merge.whole(one, parts, None) for one, parts in zip(mixed, fronts, strict=True)]
        )

    def scouted(self) -> _Sums:
        """The sets that are best for some weight."""
        cost = np.concatenate([steps.cost for steps in self.relaxed])
        every = np.concatenate([steps.option for steps in self.relaxed])
        lanes = self.body.loss_lane_fixed + sum(
            group.loss_lane[every[:, g]] for g, group in enumerate(self.body.groups)
        )
        return _Sums(cost, np.asarray(lanes), every)

    def searched(self, best: Staircase) -> _Sums:
        """Every nondominated set that the staircase does not cover."""
        body = self.body
        total = _Sums(
            np.array([body.cost_fixed], dtype=np.int64),
            body.loss_lane_fixed[None, :].astype(np.int64),
            np.zeros((1, 0), dtype=np.int64),
        )
        nothing = total.take(np.zeros(0, dtype=np.int64))
        nothing = replace(nothing, option=np.zeros((0, len(body.groups)), dtype=np.int64))
        if any(covered(steps.cost, steps.loss, best).all() for steps in self.relaxed):
            return nothing
        parts = []
        for number, steps in enumerate(self.fronts[0]):
            part = self._component(steps.groups, self._rest(best, [number]), best)
            if not len(part.cost):
                return nothing
            parts.append((part, number, steps.groups))
        parts.sort(key=lambda one: len(one[0].cost))
        held: tuple[int, ...] = ()
        for k, (part, _, members) in enumerate(parts):
            later = [number for _, number, _ in parts[k + 1 :]]
            rest = [self._sum_of(j, later) for j in range(len(self.weights))]
            total = self._added(total, part, rest, best)
            held += members
            if not len(total.cost):
                return nothing
        total = replace(total, option=total.option[:, np.argsort(held)])
        return total.uncovered(best)

    def _rest(self, best: Staircase, without: Sequence[int]) -> list[Staircase]:
        """Staircase of everything but some components, by weight."""
        count = len(self.fronts[0])
        others = [number for number in range(count) if number not in without]
        rest = []
        for j, body in enumerate(self.mixed):
            cost, loss = self._sum_of(j, others)
            rest.append((cost + body.cost_fixed, loss + body.loss_fixed))
        return rest

    def _sum_of(self, j: int, numbers: Sequence[int]) -> Staircase:
        """Staircase of some components together under one weight."""
        total: Staircase = (np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64))
        for number in numbers:
            steps = self.fronts[j][number]
            total = summed(_thinned(total), _thinned(stair_of(steps.cost, steps.loss)))
        return total

    def _added(
        self, total: _Sums, part: _Sums, rest: Sequence[Staircase], best: Staircase
    ) -> _Sums:
        """Sums of one of each that may be on the front."""
        ends = np.array([f(total.cost) + f(part.cost) for f in (np.min, np.max)])
        room = _Open.beside(rest, best, self.weights, ends)
        blocks = []
        for a, b in _products(len(total.cost), len(part.cost)):
            cost, lanes = total.cost[a] + part.cost[b], total.lanes[a] + part.lanes[b]
            keep = room.leaves(cost, lanes)
            a, b = a[keep], b[keep]
            option = np.concatenate([total.option[a], part.option[b]], axis=1)
            blocks.append(_Sums(cost[keep], lanes[keep], option))
        return _Sums.joined(blocks)

    def _component(
        self, members: tuple[int, ...], rest: Sequence[Staircase], best: Staircase
    ) -> _Sums:
        """What groups that can share parts leave open, over every way to keep equal parts."""
        groups = [self.body.groups[k] for k in members]
        equal = merge.equal_inside(self.choice, self.body, groups)
        found = []
        for index in merge.equal_variants(groups, equal):
            chosen = [group.take(kept) for group, kept in zip(groups, index, strict=True)]
            if len(members) == 1:
                cost, lanes = option_costs(self.choice, chosen[0]), chosen[0].loss_lane
                keep = _Open.beside(rest, best, self.weights, cost).leaves(cost, lanes)
                found.append(_Sums(cost[keep], lanes[keep], index[0][keep][:, None]))
            elif len(members) == 2:
                found.append(self._pair(chosen, index, rest, best))
            else:
                found.append(self._three(chosen, index, rest, best))
        if not found:
            none = np.zeros((0, len(self.body.loss_lane_fixed)), dtype=np.int64)
            return _Sums(none[:, 0], none, np.zeros((0, len(members)), dtype=np.int64))
        return _Sums.joined(found)

    def _pair(
        self,
        groups: Sequence[Group],
        index: Sequence[IntArray],
        rest: Sequence[Staircase],
        best: Staircase,
    ) -> _Sums:
        """Two groups that can share parts; `index` are their options' own numbers."""
        numbers = [np.arange(len(one.loss)) for one in groups]
        left, right, saving = merge.sides(self.choice, groups[0], groups[1], numbers)
        gains = _most_saved(left, saving), _most_saved(right, saving.swapaxes(1, 2))
        sides = [left, right]
        for one, two in ((0, 1), (1, 0)):
            least = sides[two].cost - gains[two][sides[two].option]
            lost = groups[two].loss_lane[sides[two].option]
            weighted = [np.floor(lost @ weight).astype(np.int64) for weight in self.weights]
            beside = [
                summed(_thinned(bound), _thinned(stair_of(least, loss)))
                for bound, loss in zip(rest, weighted, strict=True)
            ]
            cost = sides[one].cost - gains[one][sides[one].option]
            room = _Open.beside(beside, best, self.weights, cost)
            keep = room.leaves(cost, groups[one].loss_lane[sides[one].option])
            sides[one] = sides[one].take(np.flatnonzero(keep))
            if not keep.any():
                none = np.zeros((0, 2), dtype=np.int64)
                return _Sums(none[:, 0], groups[0].loss_lane[:0], none)
        left, right = sides
        lanes = [group.loss_lane[side.option] for group, side in zip(groups, sides, strict=True)]
        costs = np.append(left.cost.min() + right.cost.min(), left.cost.max() + right.cost.max())
        costs[0] -= sum(int(one.max(initial=0)) for one in gains)
        room = _Open.beside(rest, best, self.weights, costs)
        blocks = []
        for a, b in self._listed(left, right, lanes, saving):
            cost, loss = left.cost[a] + right.cost[b], lanes[0][a] + lanes[1][b]
            if len(saving):
                cost = cost - merge.shared_cost(left, right, a, b, saving)[0]
            keep = room.leaves(cost, loss)
            a, b = left.option[a[keep]], right.option[b[keep]]
            option = np.stack([index[0][a], index[1][b]], axis=1)
            blocks.append(_Sums(cost[keep], loss[keep], option))
        return _Sums.joined(blocks)

    def _listed(
        self, left: merge.Side, right: merge.Side, lanes: Sequence[IntArray], saving: IntArray
    ) -> Iterator[tuple[IntArray, IntArray]]:
        """Index pairs of options worth a look: the best that share nothing, all that share a part.

        All of them where shared parts may cost more together.
        """
        if (saving < 0).any():
            yield from _products(len(left.cost), len(right.cost))
            return
        some = [
            _undominated(side.cost, loss) for side, loss in zip((left, right), lanes, strict=True)
        ]
        for a, b in _products(len(some[0]), len(some[1])):
            yield some[0][a], some[1][b]
        for part in range(len(saving)):
            one, two = (np.flatnonzero((side.slot == part).any(axis=1)) for side in (left, right))
            for a, b in _products(len(one), len(two)):
                yield one[a], two[b]

    def _three(
        self,
        groups: Sequence[Group],
        index: Sequence[IntArray],
        rest: Sequence[Staircase],
        best: Staircase,
    ) -> _Sums:
        """Three groups that can share parts: the two smaller ones as one, then the third."""
        two, third, own, options = merge.two_as_one(self.choice, groups, index)
        found = self._pair([two, third], own, rest, best)
        return replace(found, option=np.stack(options(*found.option.T), axis=1))


def weighed(choice: Choice, weight: FloatArray) -> Choice:
    """The choice with a weighted sum of its lanes as a loss: it adds up, and bounds the worst."""
    bodies = tuple(_weighed(body, weight) for body in choice.skeletons)
    return replace(choice, skeletons=bodies, worst_point=False)


def _weighed(body: Skeleton, weight: FloatArray) -> Skeleton:
    """A skeleton with a weighted sum of its lanes, rounded down, as a loss that adds up."""
    groups = tuple(
        replace(group, loss=np.floor(group.loss_lane @ weight + ROUNDING).astype(np.int64))
        for group in body.groups
    )
    fixed = int(np.floor(float(body.loss_lane_fixed @ weight) + ROUNDING))
    return replace(body, groups=groups, loss_fixed=fixed)


def _most_saved(side: merge.Side, saving: IntArray) -> IntArray:
    """Most that a partner can take off the cost of each option, (n_option,)."""
    if not len(saving):
        return np.zeros(len(side.cost), dtype=np.int64)
    return np.asarray(merge.moved(side, saving)[0].sum(axis=1))


def _products(first: int, second: int) -> Iterator[tuple[IntArray, IntArray]]:
    """Every pair of numbers below two counts, some at a time; one empty lot where there is none."""
    rows = max(1, PAIRS_AT_ONCE // max(second, 1))
    for start in range(0, max(first, 1), rows):
        some = np.arange(start, min(start + rows, first))
        yield np.repeat(some, second), np.tile(np.arange(second), len(some))
