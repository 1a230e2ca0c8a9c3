"""Three tiny models with known answers: a solver that misses one is not to be believed."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from optimizer.errors import NotProved
from optimizer.formulation import Program, Row
from optimizer.selection import INFEASIBLE, OPTIMAL, Model


def check_solver(*, time_limit: float = 10.0) -> None:
    """Solve three known models and refuse to go on where an answer is wrong.

    A 0/1 knapsack (values 60, 100, 120; weights 10, 20, 30; room 50: best 220; Cormen and
    others, Introduction to Algorithms, 0-1 knapsack, from memory), an assignment of three
    (costs 4 1 3 / 2 0 5 / 3 2 2: least 5, by listing the six), and an odd sum of even numbers,
    which does not exist.
    """
    knapsack = _program([60, 100, 120], "loss", [([10, 20, 30], -math.inf, 50)], sign=-1)
    squares = np.eye(3)
    lines = [np.kron(unit, np.ones(3)) for unit in squares]
    lines += [np.kron(np.ones(3), unit) for unit in squares]
    assignment = _program([4, 1, 3, 2, 0, 5, 3, 2, 2], "cost", [(line, 1, 1) for line in lines])
    odd = _program([1, 1], "cost", [([2, 2], 3, 3)])
    known = [(knapsack, "loss", -220.0), (assignment, "cost", 5.0), (odd, "cost", None)]
    for program, objective, expected in known:
        model = Model(program, presolve=False, seed=1)
        result = model.best(objective, {"cost": None, "loss": None}, time_limit)
        wrong = result.status != (INFEASIBLE if expected is None else OPTIMAL)
        if wrong or (expected is not None and abs(result.objective - expected) > 1e-6):
            raise NotProved(
                f"the solver fails a known model: got {result.status} {result.objective}, "
                f"need {'infeasible' if expected is None else expected}; "
                "install highspy 1.15 or later"
            )


@cache
def check_solver_once() -> None:
    """The same, once in a process: what a run asks before its first question to the solver."""
    check_solver()


def _program(
    values: list[int],
    objective: str,
    rows: list[tuple[object, float, float]],
    *,
    sign: int = 1,
) -> Program:
    program = Program()
    size = len(values)
    weight = sign * np.array(values)
    other = "cost" if objective == "loss" else "loss"
    column = program.columns(size, binary=True, **{objective: weight, other: np.ones(size)})
    for coefficient, low, high in rows:
        line = np.asarray(coefficient, dtype=np.float64)
        program.rows.append(Row("known", column, line, low, high))
    return program
