"""Exact front of a `Choice` where only cost and loss add up: the relaxed front.

Rows are left out here, so the front bounds every other one from below, and each of its points that
happens to keep them is a point of the full front too. Only mission loss: worst-point loss does not
add up. Equal parts at positions whose groups can share parts are kept, by one front per part;
elsewhere they are left out too. Where the number of part numbers is limited, fronts are kept for
each number of them, which adds up as cost does once groups that share parts are joined.

Groups that share no part add up, front by front. Two groups A and B that can share parts are
joined first. With c the cost of an option bought on its own, a pair of options costs

    c(a) + c(b) - sum over parts in both of saving(part, pieces in a, pieces in b)
    saving(p, n, m) = price[p, n] + price[p, m] + line item - price[p, n + m]

Every pair that shares a part is listed with that exact cost; every pair that does not is the sum
of two fronts. Where a saving can be negative (prices that rise with quantity), sums of pairs that
share such a part would be too cheap, so A is split by the set of such parts it holds, and each
piece meets only those options of B that hold none of them.

Of three groups the two smaller ones become one first, every pair of their options an option.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.dominance import (
    Staircase,
    covered,
    directions,
    droppable,
    joined,
    largest_loss_beside,
    lower_bounds,
    staircase,
    survivors,
    undominated,
)
from optimizer.records import BoolArray, Choice, Group, IntArray, Selection, Skeleton
from optimizer.tally import check_choice, option_costs, pooled_slots

PAIRS_AT_ONCE = 1 << 19
"""Pairs of options listed before they are thinned: bounds the memory."""

PRODUCT_MAX = 1 << 20
"""Most pairs of options of two groups that are taken for the options of one."""


@dataclass(frozen=True, slots=True)
class Steps:
    """Points with what stands behind them: `option` of each of `groups`, (n_point, n_group).

    numbers : part numbers of each point; 0 for all where they are not limited, and the points are
        a staircase
    """

    cost: IntArray
    loss: IntArray
    numbers: IntArray
    option: IntArray
    groups: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Side:
    """One of two groups that can share parts; `slot` holds rows of the saving table or -1."""

    cost: IntArray
    loss: IntArray
    numbers: IntArray
    slot: IntArray
    pieces: IntArray
    option: IntArray

    def take(self, index: IntArray) -> Side:
        """The options at `index`."""
        fields = (self.cost, self.loss, self.numbers, self.slot, self.pieces, self.option)
        return Side(*(values[index] for values in fields))


def relaxed_front(choice: Choice) -> tuple[Selection, ...]:
    """Every nondominated point without the rows, cost rising; proved by the merge."""
    if choice.worst_point:
        raise ValueError("worst-point loss does not add up over groups: use the solver")
    check_choice(choice)
    fields = [(component_fronts(choice, body), k) for k, body in enumerate(choice.skeletons)]
    fields = [field for field in fields if all(len(steps.cost) for steps in field[0])]
    if not fields:
        return ()
    best: Staircase = (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    kept: list[tuple[Steps, int]] = []
    for parts, k in _most_promising_first(choice, fields):
        if _beaten(choice.skeletons[k], parts, best):
            continue
        steps = whole(choice.skeletons[k], parts, choice.part_numbers_max)
        kept.append((steps, k))
        best = joined(best, (steps.cost, steps.loss))
    return _selections(kept)


def mergeable(choice: Choice) -> bool:
    """Whether the merge can take the choice: mission loss, parts shared by few groups."""
    if choice.worst_point:
        return False
    return all(_joinable(body, m) for body in choice.skeletons for m in components(body))


def _joinable(skeleton: Skeleton, members: tuple[int, ...]) -> bool:
    """Two groups share parts, or three of which two are small."""
    if len(members) <= 2:
        return True
    sizes = sorted(len(skeleton.groups[k].loss) for k in members)
    return len(members) == 3 and sizes[0] * sizes[1] <= PRODUCT_MAX


def components(skeleton: Skeleton) -> tuple[tuple[int, ...], ...]:
    """Groups that can share a part, directly or through others, together."""
    sets = [set(np.unique(group.part[group.part >= 0]).tolist()) for group in skeleton.groups]
    found: list[tuple[set[int], set[int]]] = []
    for k, parts in enumerate(sets):
        touching = [entry for entry in found if entry[1] & parts]
        found = [entry for entry in found if entry not in touching]
        members = {k}.union(*(entry[0] for entry in touching))
        found.append((members, parts.union(*(entry[1] for entry in touching))))
    return tuple(sorted(tuple(sorted(members)) for members, _ in found))


def component_fronts(choice: Choice, skeleton: Skeleton) -> list[Steps]:
    """Front of each set of groups that can share parts."""
    fronts = []
    for members in components(skeleton):
        if not _joinable(skeleton, members):
            names = ", ".join(skeleton.groups[k].name for k in members)
            raise ValueError(f"{skeleton.name}: {names} share parts: use the solver")
        fronts.append(_component(choice, skeleton, members))
    return fronts


def _component(choice: Choice, skeleton: Skeleton, members: tuple[int, ...]) -> Steps:
    """Front of up to three groups, over every way to keep the equal parts asked for in them."""
    groups = [skeleton.groups[k] for k in members]
    steps = _Collector(len(members))
    counted = choice.part_numbers_max is not None
    for index in equal_variants(groups, equal_inside(choice, skeleton, groups)):
        chosen = [group.take(kept) for group, kept in zip(groups, index, strict=True)]
        if len(members) == 1:
            cost = option_costs(choice, chosen[0])
            numbers = (pooled_slots(chosen[0])[0] >= 0).sum(axis=1) * counted
            steps.add(cost, chosen[0].loss, numbers, index[0])
        elif len(members) == 3:
            _three(choice, chosen, index, steps)
        else:
            _pair(choice, chosen[0], chosen[1], index, steps)
    return Steps(steps.cost, steps.loss, steps.numbers, np.stack(steps.option, axis=1), members)


def equal_inside(choice: Choice, skeleton: Skeleton, groups: list[Group]) -> list[tuple[str, ...]]:
    """Positions that must hold one part, where all of them that the skeleton has are in here."""
    every = {name for group in skeleton.groups for name in group.slot_position}
    here = {name for group in groups for name in group.slot_position}
    present = [tuple(name for name in names if name in every) for names in choice.same_part]
    return [names for names in present if len(names) > 1 and here.issuperset(names)]


def equal_variants(groups: list[Group], equal: list[tuple[str, ...]]) -> Iterator[list[IntArray]]:
    """Options of each group, once per part that the equal positions can all hold."""
    variants = [[np.arange(len(group.loss)) for group in groups]]
    for names in equal:
        variants = [finer for index in variants for finer in _by_common_part(groups, index, names)]
    yield from variants


def _by_common_part(
    groups: list[Group], index: list[IntArray], names: tuple[str, ...]
) -> Iterator[list[IntArray]]:
    held = [
        (g, group.part[index[g], slot])
        for g, group in enumerate(groups)
        for slot, name in enumerate(group.slot_position)
        if name in names
    ]
    for part in set.intersection(*(set(parts.tolist()) for _, parts in held)):
        keep = [np.ones(len(kept), dtype=bool) for kept in index]
        for g, parts in held:
            keep[g] &= parts == part
        if all(mask.any() for mask in keep):
            yield [kept[mask] for kept, mask in zip(index, keep, strict=True)]


def _pair(
    choice: Choice, first: Group, second: Group, index: list[IntArray], steps: _Collector
) -> None:
    """Front of two groups that can share parts; `index` are their options' own numbers."""
    left, right, saving = sides(choice, first, second, index)
    left, right = _thinned(left, saving), _thinned(right, saving.swapaxes(1, 2))
    rising = np.asarray((saving < 0).any(axis=(1, 2)))
    for near, far in _apart(left, right, rising):
        steps.add(*_sum(near, far))
    counted = choice.part_numbers_max is not None
    for a, b in _together(left, right, saving, steps):
        saved, common = shared_cost(left, right, a, b, saving)
        cost, loss = left.cost[a] + right.cost[b] - saved, left.loss[a] + right.loss[b]
        numbers = left.numbers[a] + right.numbers[b] - common * counted
        steps.add(cost, loss, numbers, left.option[a], right.option[b])


def _three(choice: Choice, groups: list[Group], index: list[IntArray], steps: _Collector) -> None:
    """Front of three groups that can share parts: the two smaller ones as one, then the third."""
    two, third, own, options = two_as_one(choice, groups, index)
    found = _Collector(2)
    _pair(choice, two, third, own, found)
    steps.add(found.cost, found.loss, found.numbers, *options(*found.option))


def two_as_one(
    choice: Choice, groups: Sequence[Group], index: Sequence[IntArray]
) -> tuple[Group, Group, list[IntArray], Callable[[IntArray, IntArray], list[IntArray]]]:
    """Of three groups the two smaller ones as one, and the third, with numbers for their options.

    And what turns such numbers into the own numbers `index` of all three groups, in their order.
    """
    blank = [replace(one, rows=one.rows[:, :0]) for one in groups]
    if not choice.worst_point:
        blank = [replace(one, loss_lane=one.loss_lane[:, :0]) for one in blank]
    body = Skeleton("three", tuple(blank), 0, 0, np.zeros(0), np.zeros(0, dtype=np.int64))
    alone = replace(choice, skeletons=(body,), row_names=())
    every = [np.ones(len(one.loss), dtype=np.bool_) for one in groups]
    kept = [np.flatnonzero(mask) for mask in survivors(alone, 0, every, fitting=False)]
    order = sorted(range(3), key=lambda k: len(kept[k]))
    one, two, third = ((blank[k].take(kept[k]), index[k][kept[k]]) for k in order)
    a, b = (axis.ravel() for axis in np.indices((len(one[1]), len(two[1]))))

    def options(pair: IntArray, last: IntArray) -> list[IntArray]:
        chosen = [one[1][a[pair]], two[1][b[pair]], last]
        return [chosen[order.index(k)] for k in range(3)]

    return as_one(one[0].take(a), two[0].take(b)), third[0], [np.arange(len(a)), third[1]], options


def as_one(one: Group, two: Group) -> Group:
    """Options of two groups, pair by pair, as the options of one group; without rows."""
    return Group(
        name="two as one",
        part=np.concatenate([one.part, two.part], axis=1),
        pieces=np.concatenate([one.pieces, two.pieces], axis=1),
        loss=one.loss + two.loss,
        rows=one.rows[:, :0],
        loss_lane=one.loss_lane + two.loss_lane,
        slot_position=one.slot_position + two.slot_position,
    )


class _Collector:
    """Points that nothing so far covers with no more part numbers; it grows."""

    def __init__(self, groups: int) -> None:
        empty = np.zeros(0, dtype=np.int64)
        self.cost, self.loss, self.numbers = empty, empty, empty
        self.option = [empty] * groups

    def add(self, cost: IntArray, loss: IntArray, numbers: IntArray, *option: IntArray) -> None:
        """Take in candidates, (n,) each."""
        new = np.flatnonzero(~self._covers(cost, loss, numbers))
        if not len(new):
            return
        old = (self.cost, self.loss, self.numbers, *self.option)
        fresh = (cost, loss, numbers, *option)
        both = [np.concatenate([a, b[new]]) for a, b in zip(old, fresh, strict=True)]
        index = _by_numbers(both[0], both[1], both[2])
        self.cost, self.loss, self.numbers, *self.option = (values[index] for values in both)

    def open_beside(
        self, side: Side, some: IntArray, other: Side, others: IntArray, gain: IntArray
    ) -> IntArray:
        """Which options of a side are not covered beside all of some options of the other.

        gain : most that each slot of the other side can save, (n_option, n_slot)
        """
        if self.numbers.any() or not len(some) or not len(others):
            return some
        cost, loss = other.cost[others] - gain[others].sum(axis=1), other.loss[others]
        best = staircase(cost, loss)
        known = self.cost, self.loss
        open_loss = largest_loss_beside(side.cost[some], (cost[best], loss[best]), known)
        return np.asarray(some[side.loss[some] < open_loss])

    def _covers(self, cost: IntArray, loss: IntArray, numbers: IntArray) -> BoolArray:
        """Which candidates some point equals or beats."""
        found = np.zeros(len(cost), dtype=bool)
        for number in np.unique(numbers):
            some, known = numbers == number, self.numbers <= number
            kept = known.nonzero()[0][staircase(self.cost[known], self.loss[known])]
            found[some] = covered(cost[some], loss[some], (self.cost[kept], self.loss[kept]))
        return found


def _by_numbers(cost: IntArray, loss: IntArray, numbers: IntArray) -> IntArray:
    """Indices of the points that none with as many part numbers or fewer beats, cost rising."""
    kept: IntArray = np.zeros(0, dtype=np.int64)
    for number in np.unique(numbers):
        some = np.concatenate([kept, np.flatnonzero(numbers == number)])
        best = some[staircase(cost[some], loss[some])]
        kept = np.concatenate([kept, best[numbers[best] == number]])
    return kept[np.lexsort((loss[kept], cost[kept]))]


def sides(
    choice: Choice, first: Group, second: Group, index: list[IntArray]
) -> tuple[Side, Side, IntArray]:
    """Both groups over the parts they have in common, and the saving table of those parts.

    The table is (n_shared, pieces in first + 1, pieces in second + 1), 0 where a side never uses
    that many.
    """
    slots = [pooled_slots(group) for group in (first, second)]
    shared = np.intersect1d(slots[0][0], slots[1][0])
    shared = shared[shared >= 0]
    row = np.full(len(choice.price) + 1, -1, dtype=np.int64)
    row[shared] = np.arange(len(shared))
    counted = choice.part_numbers_max is not None
    both = [
        Side(
            cost=option_costs(choice, group),
            loss=group.loss,
            numbers=(part >= 0).sum(axis=1) * counted,
            slot=row[part],
            pieces=pieces,
            option=own,
        )
        for group, (part, pieces), own in zip((first, second), slots, index, strict=True)
    ]
    return both[0], both[1], _saving(choice, shared, both)


def _saving(choice: Choice, shared: IntArray, both: list[Side]) -> IntArray:
    present = [_present(side, len(shared), choice.price.shape[1]) for side in both]
    used = present[0][:, :, None] & present[1][:, None, :]
    count = np.arange(choice.price.shape[1])
    total = np.minimum(count[:, None] + count[None, :], count[-1])
    price = choice.price[shared]
    apart = price[:, :, None] + price[:, None, :] + choice.line_item
    return np.where(used, apart - price[:, total], 0)


def _present(side: Side, parts: int, width: int) -> BoolArray:
    """Which piece counts of each shared part some option has, (n_shared, width)."""
    present = np.zeros((parts, width), dtype=bool)
    held = side.slot >= 0
    present[side.slot[held], side.pieces[held]] = True
    return present


def _thinned(side: Side, saving: IntArray) -> Side:
    """The options that no other option of the same group replaces whatever the partner is."""
    if side.numbers.any():  # a shared part is no further part number: `Rivals` has seen to it
        return side
    if not len(saving):
        return side.take(undominated(side.cost, side.cost, side.loss))
    gain, pain = (moved.sum(axis=1) for moved in moved(side, saving))
    return side.take(undominated(side.cost - gain, side.cost + pain, side.loss))


def moved(side: Side, saving: IntArray) -> tuple[IntArray, IntArray]:
    """Most that a partner can take off and add to the cost of each slot, (n_option, n_slot)."""
    held = side.slot >= 0
    most = np.maximum(saving.max(axis=2, initial=0), 0)
    least = np.maximum(-saving.min(axis=2, initial=0), 0)
    gain, pain = (one[side.slot, side.pieces] for one in (most, least))
    return np.where(held, gain, 0), np.where(held, pain, 0)


def _apart(left: Side, right: Side, rising: BoolArray) -> Iterator[tuple[Side, Side]]:
    """Sub-fronts whose sums never undercount: no part of rising price on both sides."""
    if not rising.any():
        yield _front_of(left), _front_of(right)
        return
    mine, theirs = _holds(left, rising), _holds(right, rising)
    for held in np.unique(mine, axis=0):
        near = np.flatnonzero((mine == held).all(axis=1))
        far = np.flatnonzero(~(theirs & held).any(axis=1))
        yield _front_of(left.take(near)), _front_of(right.take(far))


def _holds(side: Side, rising: BoolArray) -> BoolArray:
    """Which parts of rising price each option holds, (n_option, n_shared)."""
    holds = np.zeros((len(side.cost), len(rising) + 1), dtype=bool)
    np.put_along_axis(holds, np.where(side.slot >= 0, side.slot, len(rising)), True, axis=1)
    return holds[:, :-1] & rising


def _front_of(side: Side) -> Side:
    return side.take(_by_numbers(side.cost, side.loss, side.numbers))


def _sum(left: Side, right: Side) -> tuple[IntArray, ...]:
    """Every sum of one entry of each side: cost, loss, part numbers, both options."""
    first, second = np.divmod(np.arange(len(left.cost) * len(right.cost)), len(right.cost))
    pairs = ((left.cost, right.cost), (left.loss, right.loss), (left.numbers, right.numbers))
    sums = [one[first] + two[second] for one, two in pairs]
    return *sums, left.option[first], right.option[second]


def _together(
    left: Side, right: Side, saving: IntArray, steps: _Collector
) -> Iterator[tuple[IntArray, IntArray]]:
    """Index pairs of options that share at least one part, in handfuls.

    Without those that what is collected so far covers whatever they share.
    """
    if not len(saving):
        return
    gains = moved(left, saving), moved(right, saving.swapaxes(1, 2))
    firsts: list[IntArray] = []
    seconds: list[IntArray] = []
    waiting, parts = 0, len(saving)
    for part in range(parts):
        a, b = (
            _holders(side, part, *moved) for side, moved in zip((left, right), gains, strict=True)
        )
        a = steps.open_beside(left, a, right, b, gains[1][0])
        b = steps.open_beside(right, b, left, a, gains[0][0])
        firsts.append(np.repeat(a, len(b)))
        seconds.append(np.tile(b, len(a)))
        waiting += len(a) * len(b)
        if waiting > PAIRS_AT_ONCE or part == parts - 1:
            yield np.concatenate(firsts), np.concatenate(seconds)
            firsts, seconds, waiting = [], [], 0


def _holders(side: Side, part: int, gain: IntArray, pain: IntArray) -> IntArray:
    """The options that hold a part and that no other with as many of it replaces.

    Whatever partner shares the part saves as much with the one as with the other.
    """
    option, slot = np.nonzero(side.slot == part)
    if side.numbers.any() or not len(option):
        return np.asarray(option)
    best = side.cost[option] - gain[option].sum(axis=1) + gain[option, slot]
    worst = side.cost[option] + pain[option].sum(axis=1) - pain[option, slot]
    pieces = side.pieces[option, slot]
    same = [np.flatnonzero(pieces == count) for count in np.unique(pieces)]
    kept = [k[undominated(best[k], worst[k], side.loss[option[k]])] for k in same]
    return np.asarray(option[np.concatenate(kept)])


def shared_cost(
    left: Side, right: Side, a: IntArray, b: IntArray, saving: IntArray
) -> tuple[IntArray, IntArray]:
    """What each pair saves by buying its common parts together, and their number, (n_pair,)."""
    saved = np.zeros(len(a), dtype=np.int64)
    common = np.zeros(len(a), dtype=np.int64)
    for near in range(left.slot.shape[1]):
        for far in range(right.slot.shape[1]):
            part = left.slot[a, near]
            same = (part >= 0) & (part == right.slot[b, far])
            amount = saving[part, left.pieces[a, near], right.pieces[b, far]]
            saved += np.where(same, amount, 0)
            common += same
    return saved, common


def _most_promising_first(
    choice: Choice, fields: list[tuple[list[Steps], int]]
) -> list[tuple[list[Steps], int]]:
    """Skeletons by their least cost plus loss, so that good fronts come early and drop others."""
    scale = [max(1, max(int(np.ptp(steps.cost)) for parts, _ in fields for steps in parts))]
    scale.append(max(1, max(int(np.ptp(steps.loss)) for parts, _ in fields for steps in parts)))

    def least(entry: tuple[list[Steps], int]) -> float:
        body = choice.skeletons[entry[1]]
        total = body.cost_fixed / scale[0] + body.loss_fixed / scale[1]
        return total + sum(
            float((steps.cost / scale[0] + steps.loss / scale[1]).min()) for steps in entry[0]
        )

    return sorted(fields, key=least)


def _beaten(skeleton: Skeleton, parts: list[Steps], best: Staircase) -> bool:
    """Whether bounds alone show that the skeleton adds nothing to the staircase."""
    if not len(best[0]):
        return False
    weights = directions(
        cost_scale=max(1.0, float(np.ptp(best[0]))), loss_scale=max(1.0, float(np.ptp(best[1])))
    )
    bound = weights @ np.array([skeleton.cost_fixed, skeleton.loss_fixed], dtype=np.float64)
    for steps in parts:
        bound = bound + lower_bounds(steps.cost, steps.loss, weights)
    return bool(droppable(bound[None, :], weights, best)[0])


def whole(skeleton: Skeleton, parts: list[Steps], numbers_max: int | None) -> Steps:
    """Front of one skeleton: fixed terms plus the sums of its components, groups in order."""
    total = Steps(
        np.array([skeleton.cost_fixed], dtype=np.int64),
        np.array([skeleton.loss_fixed], dtype=np.int64),
        np.zeros(1, dtype=np.int64),
        np.zeros((1, 0), dtype=np.int64),
        (),
    )
    for steps in sorted(parts, key=lambda entry: len(entry.cost)):
        total = _added(total, steps, numbers_max)
    order = np.argsort(total.groups)
    index = staircase(total.cost, total.loss)
    cost, loss, numbers = total.cost[index], total.loss[index], total.numbers[index]
    return Steps(cost, loss, numbers, total.option[index][:, order], tuple(range(len(order))))


def _added(first: Steps, second: Steps, numbers_max: int | None) -> Steps:
    """Nondominated sums of two fronts with no more part numbers than are allowed."""
    cost, loss, numbers = (
        (one[:, None] + two[None, :]).ravel()
        for one, two in (
            (first.cost, second.cost),
            (first.loss, second.loss),
            (first.numbers, second.numbers),
        )
    )
    fits = np.arange(len(cost)) if numbers_max is None else np.flatnonzero(numbers <= numbers_max)
    index = fits[_by_numbers(cost[fits], loss[fits], numbers[fits])]
    near, far = np.divmod(index, len(second.cost))
    option = np.concatenate([first.option[near], second.option[far]], axis=1)
    return Steps(cost[index], loss[index], numbers[index], option, first.groups + second.groups)


def _selections(kept: list[tuple[Steps, int]]) -> tuple[Selection, ...]:
    """The staircase over all skeletons."""
    return selections([(one.cost, one.loss, one.option) for one, _ in kept], [k for _, k in kept])


def selections(
    found: Sequence[tuple[IntArray, IntArray, IntArray]], skeletons: Sequence[int]
) -> tuple[Selection, ...]:
    """The staircase over costs, losses and options of some skeletons."""
    if not found:
        return ()
    cost = np.concatenate([one for one, _, _ in found])
    loss = np.concatenate([one for _, one, _ in found])
    owner = np.repeat(np.arange(len(found)), [len(one) for one, _, _ in found])
    row = np.concatenate([np.arange(len(one)) for one, _, _ in found])
    return tuple(
        Selection(
            cost=int(cost[k]),
            loss=int(loss[k]),
            skeleton=skeletons[owner[k]],
            option=tuple(found[owner[k]][2][row[k]].tolist()),
            proof="merge",
            bound=float(loss[k]),
        )
        for k in staircase(cost, loss)
    )
