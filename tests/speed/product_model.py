"""A mixed-integer model as one would write it first: parts times skeletons, products linearised.

One binary per (position, part, pieces), one per skeleton, and a variable per product of them with
the usual rows w <= each factor, w >= their sum - (factors - 1). Combinations that break a limit
are cut one by one. It is the twin the package's own formulation is measured against.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyomo.environ as pyo
from pyomo.contrib.solver.common.results import SolutionStatus, TerminationCondition
from pyomo.contrib.solver.solvers.highs import Highs

from optimizer.purchase import PRICE_NONE
from optimizer.records import Choice, Group

Key = tuple[str, int, int, int]
"""Group, slot, part and pieces."""


@dataclass(slots=True)
class Answer:
    """Points proved in time, (cost, loss) in whole units, dearest first; size and seconds."""

    points: list[tuple[int, int]] = field(default_factory=list)
    complete: bool = False
    columns: int = 0
    rows: int = 0
    seconds_build: float = 0.0
    seconds: float = 0.0


def solve(choice: Choice, *, time_limit: float) -> Answer:
    """Walk the front from its dear end, two solves a point, until all or out of time."""
    began = time.monotonic()
    model = build(choice)
    answer = Answer(
        columns=model.nvariables(),
        rows=model.nconstraints(),
        seconds_build=time.monotonic() - began,
    )
    solver = _solver()
    cost_max: float = model.cost_most
    while True:
        found = []
        for objective in ("loss", "cost"):
            limit = {"cost": cost_max, "loss": model.loss_most}
            if found:
                limit["loss"] = found[0] + 0.5
            left = time_limit - (time.monotonic() - began)
            status, value = _best(model, solver, objective, limit, left)
            if status == "infeasible" and not found:
                answer.complete = True
            if status != "optimal":
                answer.seconds = time.monotonic() - began
                return answer
            found.append(round(value))
        answer.points.append((found[1], found[0]))
        cost_max = found[1] - 0.5


def build(choice: Choice) -> Any:
    """The model of a choice."""
    model = pyo.ConcreteModel()
    groups = [group.name for group in choice.skeletons[0].groups]
    keys = sorted({key for body in choice.skeletons for g in body.groups for key in _keys(g)})
    every = range(len(choice.skeletons))
    products = [
        (s, g, k)
        for s in every
        for g, group in enumerate(choice.skeletons[s].groups)
        for k in range(len(group.loss))
    ]
    model.y = pyo.Var(every, domain=pyo.Binary)
    model.z = pyo.Var(keys, domain=pyo.Binary)
    model.w = pyo.Var(products, bounds=(0, 1))
    model.rules = pyo.ConstraintList()
    model.rules.add(sum(model.y[s] for s in every) == 1)
    slots = {(name, slot) for name, slot, _, _ in keys}
    for name, slot in sorted(slots):
        mine = [model.z[key] for key in keys if key[:2] == (name, slot)]
        model.rules.add(sum(mine) == 1)
    for s in every:
        for g in range(len(groups)):
            _products(model, choice, s, g, keys)
    _rows(model, choice, products)
    _money(model, choice, keys)
    losses = sum(
        int(choice.skeletons[s].groups[g].loss[k]) * model.w[s, g, k] for s, g, k in products
    )
    losses += sum(int(choice.skeletons[s].loss_fixed) * model.y[s] for s in every)
    model.loss_row = pyo.Constraint(expr=losses <= _limit(model, "loss"))
    model.loss = pyo.Objective(expr=losses)
    return model


def _limit(model: Any, name: str) -> Any:
    """A mutable limit of an objective, at first far away."""
    setattr(model, f"{name}_most", 1e8)
    setattr(model, f"{name}_limit", pyo.Param(initialize=1e8, mutable=True))
    return getattr(model, f"{name}_limit")


def _keys(group: Group) -> Iterator[Key]:
    for part, pieces in zip(group.part.tolist(), group.pieces.tolist(), strict=True):
        for slot, (p, n) in enumerate(zip(part, pieces, strict=True)):
            yield group.name, slot, p, n


def _products(model: Any, choice: Choice, s: int, g: int, keys: list[Key]) -> None:
    """Rows of the products of one skeleton and group, and cuts of what is not allowed."""
    group = choice.skeletons[s].groups[g]
    options = {}
    width = group.part.shape[1]
    for k, (part, pieces) in enumerate(
        zip(group.part.tolist(), group.pieces.tolist(), strict=True)
    ):
        options[tuple(zip(part, pieces, strict=True))] = k
    offered = [[key[2:] for key in keys if key[:2] == (group.name, slot)] for slot in range(width)]
    for combination in itertools.product(*offered):
        factors = [model.y[s]]
        factors += [model.z[(group.name, slot, *pick)] for slot, pick in enumerate(combination)]
        option = options.get(tuple(combination))
        if option is None:
            model.rules.add(sum(factors) <= len(factors) - 1)
            continue
        w = model.w[s, g, option]
        for one in factors:
            model.rules.add(w <= one)
        model.rules.add(w >= sum(factors) - (len(factors) - 1))


def _rows(model: Any, choice: Choice, products: list[tuple[int, int, int]]) -> None:
    """The additive rows over the products."""
    for r in range(len(choice.row_names)):
        use = sum(float(body.rows_fixed[r]) * model.y[s] for s, body in enumerate(choice.skeletons))
        use += sum(
            float(choice.skeletons[s].groups[g].rows[k, r]) * model.w[s, g, k]
            for s, g, k in products
        )
        model.rules.add(use <= 1 + 1e-9)


def _money(model: Any, choice: Choice, keys: list[Key]) -> None:
    """Pooled prices: one binary per part and total number of pieces."""
    parts = sorted({key[2] for key in keys if key[2] >= 0})
    totals = [
        (p, n)
        for p in parts
        for n in range(1, min(choice.price.shape[1], 1 + _most(keys, p)))
        if choice.price[p, n] < PRICE_NONE
    ]
    model.total = pyo.Var(totals, domain=pyo.Binary)
    for p in parts:
        mine = [(n, model.total[p, n]) for q, n in totals if q == p]
        used = sum(key[3] * model.z[key] for key in keys if key[2] == p)
        model.rules.add(sum(n * var for n, var in mine) == used)
        model.rules.add(sum(var for _, var in mine) <= 1)
    cost = sum(
        (int(choice.price[p, n]) + choice.line_item + choice.placement * n) * model.total[p, n]
        for p, n in totals
    )
    cost += sum(int(body.cost_fixed) * model.y[s] for s, body in enumerate(choice.skeletons))
    model.cost_row = pyo.Constraint(expr=cost <= _limit(model, "cost"))
    model.cost = pyo.Objective(expr=cost)
    model.cost.deactivate()


def _most(keys: list[Key], part: int) -> int:
    """Most pieces of a part over all slots."""
    slots: dict[tuple[str, int], int] = {}
    for name, slot, p, n in keys:
        if p == part:
            slots[name, slot] = max(n, slots.get((name, slot), 0))
    return sum(slots.values())


def _solver() -> Highs:
    solver = Highs()
    solver.config.load_solutions = False
    solver.config.raise_exception_on_nonoptimal_result = False
    solver.config.threads = 1
    return solver


def _best(
    model: Any, solver: Highs, objective: str, limit: dict[str, float], left: float
) -> tuple[str, float]:
    """Least of one objective with the other one limited."""
    if left <= 0:
        return "open", np.nan
    for name in ("cost", "loss"):
        getattr(model, f"{name}_limit").value = limit[name] if name != objective else 1e8
        one = getattr(model, name)
        one.activate() if name == objective else one.deactivate()
    result = solver.solve(model, time_limit=left, abs_gap=0.99, rel_gap=0.0)
    if result.termination_condition == TerminationCondition.provenInfeasible:
        return "infeasible", np.nan
    if result.termination_condition != TerminationCondition.convergenceCriteriaSatisfied:
        return "open", np.nan
    if result.solution_status != SolutionStatus.optimal:
        return "open", np.nan
    return "optimal", float(result.incumbent_objective)
