"""Merge = mixed-integer model = `scipy.optimize.milp` on the same integers.

The second model is written here from the definition of a choice, without the package's
formulation: one binary per total number of pieces of every part, no savings, no bounds, nothing
left out. scipy brings its own build of the HiGHS solver; the listing in the other tests needs
no solver at all.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from optimizer.frontier import front
from optimizer.merge import relaxed_front
from optimizer.tally import violations
from tests.choices import LEG_INPUT, LEG_OUTPUT, random_choice

THIRD = ("leg-third", ("third-high", "third-low"), "t")


class Naive:
    """The definition of a choice as rows for scipy."""

    def __init__(self, choice):
        self.choice = choice
        self.entries, self.low, self.high = [], [], []
        self.size = 0
        self.y = [self.new() for _ in choice.skeletons]
        self.x = [
            [[self.new() for _ in group.loss] for group in body.groups] for body in choice.skeletons
        ]
        parts, width = choice.price.shape
        self.z = [[self.new() for _ in range(width - 1)] for _ in range(parts)]
        self.worst = self.new() if choice.worst_point else None
        self.rows()

    def new(self):
        self.size += 1
        return self.size - 1

    def row(self, terms, low, high):
        number = len(self.low)
        self.entries += [(number, column, value) for column, value in terms]
        self.low.append(low)
        self.high.append(high)

    def each_option(self):
        for k, body in enumerate(self.choice.skeletons):
            for g, group in enumerate(body.groups):
                for o in range(len(group.loss)):
                    yield k, g, o, group, self.x[k][g][o]

    def rows(self):
        choice = self.choice
        self.row([(y, 1) for y in self.y], 1, 1)
        for k in range(len(choice.skeletons)):
            for columns in self.x[k]:
                self.row([*((x, 1) for x in columns), (self.y[k], -1)], 0, 0)
        self.purchase()
        for r in range(len(choice.row_names)):
            terms = [(self.y[k], body.rows_fixed[r]) for k, body in enumerate(choice.skeletons)]
            terms += [(x, group.rows[o, r]) for _, _, o, group, x in self.each_option()]
            self.row(terms, -np.inf, 1)
        if choice.part_numbers_max is not None:
            every = [(z, 1) for line in self.z for z in line]
            self.row(every, 0, choice.part_numbers_max)
        for k, body in enumerate(choice.skeletons):
            self.equal(k, body)
        self.lanes()

    def purchase(self):
        used = {p: [] for p in range(len(self.z))}
        for _, _, o, group, x in self.each_option():
            for part, pieces in zip(group.part[o], group.pieces[o], strict=True):
                if part >= 0:
                    used[part].append((x, -int(pieces)))
        for part, terms in used.items():
            self.row([*((z, n) for n, z in enumerate(self.z[part], 1)), *terms], 0, 0)
            self.row([(z, 1) for z in self.z[part]], 0, 1)

    def equal(self, k, body):
        held = {
            name: (g, slot)
            for g, group in enumerate(body.groups)
            for slot, name in enumerate(group.slot_position)
        }
        for names in self.choice.same_part:
            present = [held[name] for name in names if name in held]
            for g, slot in present[1:]:
                for part in range(-1, len(self.z)):
                    terms = self.holding(k, *present[0], part, 1)
                    self.row(terms + self.holding(k, g, slot, part, -1), 0, 0)

    def holding(self, k, g, slot, part, sign):
        group = self.choice.skeletons[k].groups[g]
        return [(self.x[k][g][o], sign) for o in np.flatnonzero(group.part[:, slot] == part)]

    def lanes(self):
        if self.worst is None:
            return
        for lane in range(len(self.choice.skeletons[0].loss_lane_fixed)):
            terms = [
                (self.y[k], body.loss_lane_fixed[lane])
                for k, body in enumerate(self.choice.skeletons)
            ]
            terms += [(x, group.loss_lane[o, lane]) for _, _, o, group, x in self.each_option()]
            self.row([*terms, (self.worst, -1)], -np.inf, 0)

    def objectives(self):
        choice = self.choice
        cost, loss = np.zeros(self.size), np.zeros(self.size)
        for k, body in enumerate(choice.skeletons):
            cost[self.y[k]], loss[self.y[k]] = body.cost_fixed, body.loss_fixed
        for _, _, o, group, x in self.each_option():
            cost[x] = choice.placement * group.pieces[o][group.part[o] >= 0].sum()
            loss[x] = group.loss[o]
        for part, line in enumerate(self.z):
            cost[line] = choice.price[part, 1:] + choice.line_item
        if self.worst is not None:
            loss[:] = 0
            loss[self.worst] = 1
        return cost, loss

    def least(self, objective, more):
        number, column, value = (np.array(axis) for axis in zip(*self.entries, strict=True))
        matrix = coo_array((value, (number, column)), shape=(len(self.low), self.size)).tocsr()
        upper = np.ones(self.size)
        whole = np.ones(self.size)
        if self.worst is not None:
            upper[self.worst], whole[self.worst] = np.inf, 0
        rows = [LinearConstraint(matrix, self.low, self.high)]
        rows += [LinearConstraint(line[None, :], -np.inf, top + 0.5) for line, top in more]
        options = {"mip_rel_gap": 0.0}
        found = milp(
            objective, constraints=rows, integrality=whole, bounds=Bounds(0, upper), options=options
        )
        assert found.status in (0, 2), found.message
        return None if found.status == 2 else round(found.fun)

    def front(self):
        cost, loss = self.objectives()
        points, most = [], []
        while True:
            least = self.least(loss, most)
            if least is None:
                return points[::-1]
            cheapest = self.least(cost, [*most, (loss, least)])
            points.append((cheapest, least))
            most = [(cost, cheapest - 1)]


COUPLINGS = {
    "pooled prices and line items": {"price_shape": "bought", "line_item": 25},
    "rows": {"rows": 3},
    "part numbers": {"numbers": 4, "price_shape": "bought"},
    "equal parts": {"same_part": True, "rows": 1},
    "prices that rise": {"price_shape": "rising"},
    "worst point": {"worst": 3, "rows": 1},
    "three groups share": {"layouts": (LEG_INPUT, LEG_OUTPUT, THIRD), "rows": 1},
    "everything": {"rows": 2, "numbers": 5, "same_part": True, "price_shape": "bought"},
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("coupling", COUPLINGS)
def test_front_equals_second_solver(coupling, seed):
    choice = random_choice(seed, options=(4, 6), parts=3, skeletons=2, **COUPLINGS[coupling])
    result = front(choice, prove_points=3)
    assert result.complete
    assert [(point.cost, point.loss) for point in result.points] == Naive(choice).front()


@pytest.mark.parametrize("seed", range(20, 40))
def test_merge_and_model_and_second_solver_agree(seed):
    """All three on the same integers, twenty seeds, where nothing but purchase couples."""
    choice = random_choice(seed, options=(3, 5), parts=3, skeletons=2)
    merged = [(point.cost, point.loss) for point in relaxed_front(choice)]
    modelled = front(choice, engine="solver")
    assert all(point.proof == "solver" for point in modelled.points)
    assert [(point.cost, point.loss) for point in modelled.points] == merged
    assert Naive(choice).front() == merged


def test_a_row_left_out_would_show():
    """The same comparison fails when a row never reaches the package's model."""
    differing = 0
    for seed in range(4):
        choice = random_choice(seed, options=(4, 6), parts=3, skeletons=2, rows=1)
        points = relaxed_front(choice)
        broken = [p for p in points if violations(choice, p.skeleton, p.option)]
        without = [(point.cost, point.loss) for point in points]
        differing += bool(broken) and without != Naive(choice).front()
    assert differing >= 2
