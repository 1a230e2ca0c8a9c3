"""The mixed-integer model: the only room that knows Pyomo and the solver.

Each point of a front is found in two solves, least loss within a cost and then least cost at
that loss. One solve of W times loss plus cost would need W above the cost range, an objective
near 1e11 and a gap below 1e-11 of it, which is finer than the solver's own tolerances; two
integer objectives of up to about 1e7 with an absolute gap below 1 are safe. No row bounds the
objective that is being minimised.

Nothing the solver says is believed unseen: its values are rounded, and cost, loss and every row
are added up again from the unscaled data.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyomo.core as pyo  # pyomo.environ loads plugins that nothing here asks for
from pyomo.contrib.solver.common.results import SolutionStatus, TerminationCondition
from pyomo.contrib.solver.solvers.highs import Highs
from pyomo.core.expr import LinearExpression

from optimizer.dominance import survivors
from optimizer.errors import NotProved
from optimizer.formulation import Program, Row, formulate
from optimizer.records import BoolArray, Choice, FloatArray, Selection
from optimizer.tally import (
    check_choice,
    parts_used,
    row_sums,
    selection_cost,
    selection_loss,
    violations,
)

ROW_ROOM = 1e-6
"""Room given to each row, so that rounding never hides a set that keeps it; checked afterwards."""

WHOLE = 1e-6
"""How far from a whole number a solver's value may be."""

OPTIMAL, INFEASIBLE, OPEN = "optimal", "infeasible", "open"


@dataclass(frozen=True, slots=True)
class Answer:
    """What one question to the solver gave.

    status : "optimal" (proved), "infeasible" (proved) or "open" (ended before its proof)
    selection : the best set found, None where none was
    bound : proved lower bound of the objective asked for first, in its own unit
    """

    status: str
    selection: Selection | None
    bound: float
    seconds: float

    @property
    def gap(self) -> float:
        """Found loss less its bound, infinite where nothing was found."""
        return math.inf if self.selection is None else self.selection.loss - self.bound


@dataclass(frozen=True, slots=True)
class Relaxation:
    """Least violation of the rows set free, every other one holding.

    share : largest violation as a share of the limit; `bound` proved lower bound of it
    over : violation of each row set free that the set breaks
    """

    share: float
    bound: float
    selection: Selection
    over: dict[str, float]
    proved: bool


class Selector:
    """The model of one choice, kept by the solver between questions."""

    def __init__(
        self,
        choice: Choice,
        *,
        keep: Sequence[Sequence[BoolArray]] | None = None,
        prune: bool = True,
        presolve: bool = False,
        seed: int = 1,
    ) -> None:
        """Build the model; `keep` marks options to keep, `prune` drops what others replace."""
        check_choice(choice)
        self.choice = choice
        self.pruned = prune or keep is not None
        kept = [_kept(choice, k, prune, keep) for k in self._every_skeleton()]
        self.program = formulate(choice, kept)
        self._model = Model(self.program, presolve=presolve, seed=seed)
        self._elastic: Model | None = None

    def solve(
        self,
        *,
        cost_max: int | None = None,
        loss_max: int | None = None,
        first: str = "loss",
        settle: bool = True,
        time_limit: float = 60.0,
    ) -> Answer:
        """Least loss (or cost) within the bounds, then the least of the other at that value.

        `settle=False` leaves the second solve out: the answer proves the first value only.
        """
        began = time.monotonic()
        limit = {"cost": cost_max, "loss": loss_max}
        second = "cost" if first == "loss" else "loss"
        answer = self._best(first, limit, time_limit)
        if answer.status == OPTIMAL and answer.selection is not None:
            best = getattr(answer.selection, first)
            if limit[first] is not None and best > limit[first]:
                return Answer(INFEASIBLE, None, answer.bound, time.monotonic() - began)
            if not settle:
                return replace(answer, seconds=time.monotonic() - began)
            left = max(0.01, time_limit - (time.monotonic() - began))
            answer = self._settled(answer, self._best(second, {**limit, first: best}, left))
        return replace(answer, seconds=time.monotonic() - began)

    def exclude(self, selection: Selection) -> None:
        """Forbid one set from now on. Equal-valued options must not have been left out."""
        if self.pruned:
            raise ValueError("a selector built with prune=True has dropped equal sets; rebuild")
        self._forbid(selection.skeleton, selection.option)

    def relax(
        self, rows: Iterable[str], *, part_numbers: bool = False, time_limit: float = 60.0
    ) -> Relaxation | None:
        """Least largest violation when only these rows are set free; None if that is not enough."""
        names = list(rows)
        elastic = self._softened()
        free = [self.choice.row_names.index(name) for name in names]
        if part_numbers and elastic.program.numbers is not None:
            free.append(len(self.choice.row_names))
        result = elastic.violation(free, time_limit)
        if result.values is None:
            if result.status == INFEASIBLE:
                return None
            raise NotProved(f"no set found within {time_limit:g} s with {', '.join(names)} free")
        return self._relaxation(elastic.program, result, free)

    def _softened(self) -> Model:
        """The model with slack in its rows; options that fit no row alone are back in it."""
        if self._elastic is None:
            kept = [_kept(self.choice, k, True, None, False) for k in self._every_skeleton()]
            self._elastic = Model(
                formulate(self.choice, kept), presolve=False, seed=1, elastic=True
            )
        return self._elastic

    def _every_skeleton(self) -> range:
        return range(len(self.choice.skeletons))

    def _relaxation(self, program: Program, result: Result, free: list[int]) -> Relaxation:
        selection = self._selection(program, result.values)
        use = list(row_sums(self.choice, selection.skeleton, selection.option))
        names = [*self.choice.row_names, "part numbers"]
        if self.choice.part_numbers_max is not None:
            body = self.choice.skeletons[selection.skeleton]
            use.append(len(parts_used(body, selection.option)) / self.choice.part_numbers_max)
        over = {names[r]: float(use[r] - 1) for r in free if use[r] > 1 + ROW_ROOM}
        share = max(over.values(), default=0.0)
        return Relaxation(share, result.bound, selection, over, result.status == OPTIMAL)

    def _best(self, objective: str, limit: dict[str, int | None], time_limit: float) -> Answer:
        """One objective; what only the solver's tolerance lets in is cut off and re-solved."""
        began = time.monotonic()
        while True:
            left = max(0.0, time_limit - (time.monotonic() - began))
            result = self._model.best(objective, limit, left)
            if result.values is None:
                return Answer(result.status, None, result.bound, 0.0)
            selection = self._selection(self.program, result.values)
            if not self._broken(selection, objective, limit):
                return self._checked(result, selection, objective)
            self._forbid(selection.skeleton, selection.option)

    def _broken(self, selection: Selection, objective: str, limit: dict[str, int | None]) -> bool:
        """Whether the set breaks a row or bound in the unscaled data."""
        other = "cost" if objective == "loss" else "loss"
        bound = limit[other]
        if bound is not None and getattr(selection, other) > bound:
            return True
        return bool(violations(self.choice, selection.skeleton, selection.option))

    def _checked(self, result: Result, selection: Selection, objective: str) -> Answer:
        """The answer, after the solver's objective agreed with the sum of the unscaled data."""
        found = getattr(selection, objective)
        if result.status == OPTIMAL and abs(found - result.objective) > 0.5:
            raise NotProved(f"solver says {objective} {result.objective}, its set has {found}")
        bound = min(float(found), float(math.ceil(result.bound - 1e-3)))
        if result.status == OPTIMAL and bound < found:
            return Answer(OPEN, selection, bound, 0.0)
        return Answer(result.status, selection, bound, 0.0)

    def _settled(self, first: Answer, second: Answer) -> Answer:
        """Both stages as one answer; the set counts as proved only when both are."""
        if second.status == OPTIMAL and second.selection is not None:
            proved = replace(second.selection, proof="solver", bound=float(second.selection.loss))
            return Answer(OPTIMAL, proved, first.bound, 0.0)
        best = second.selection or first.selection
        return Answer(OPEN, best, first.bound, 0.0)

    def _selection(self, program: Program, values: FloatArray | None) -> Selection:
        """The set the solver's binaries stand for."""
        assert values is not None
        chosen = np.round(values)
        binary = np.array(program.binary)
        if np.abs(values - chosen)[binary].max() > WHOLE:
            raise NotProved("the solver returned binaries that are not whole")
        skeleton = int(np.argmax(chosen[program.skeletons]))
        option = tuple(
            int(np.argmax(np.where(place >= 0, chosen[place], -1)))
            for place in program.options[skeleton]
        )
        cost = selection_cost(self.choice, skeleton, option)
        return Selection(cost, selection_loss(self.choice, skeleton, option), skeleton, option)

    def _forbid(self, skeleton: int, option: Sequence[int]) -> None:
        """One row: not all of these options at once."""
        places = self.program.options[skeleton]
        column = np.array([place[k] for place, k in zip(places, option, strict=True)])
        row = Row("left out", column, np.ones(len(column)), -math.inf, len(column) - 1)
        self.program.rows.append(row)
        self._model.add(row)


def _kept(
    choice: Choice,
    skeleton: int,
    prune: bool,
    keep: Sequence[Sequence[BoolArray]] | None,
    fitting: bool = True,
) -> list[BoolArray]:
    """Options of one skeleton that enter the model."""
    groups = choice.skeletons[skeleton].groups
    wanted = [np.ones(len(group.loss), dtype=bool) for group in groups]
    if keep is not None:
        wanted = list(keep[skeleton])
    if not prune or not all(mask.any() for mask in wanted):
        return wanted
    return survivors(choice, skeleton, wanted, fitting=fitting)


@dataclass(frozen=True, slots=True)
class Result:
    """Raw answer of the solver; `values` None where it has no set."""

    status: str
    values: FloatArray | None
    objective: float
    bound: float


class Model:
    """The Pyomo model of a program and the solver that keeps it."""

    def __init__(
        self, program: Program, *, presolve: bool, seed: int, elastic: bool = False
    ) -> None:
        self.program = program
        self.model = pyo.ConcreteModel()
        self.variables = _variables(self.model, program)
        self.scale: dict[str, float] = {}
        self.free: dict[str, float] = {}
        self._objectives()
        self.model.rows = pyo.ConstraintList()
        for row in program.rows:
            self.model.rows.add(self._ranged(row))
        self._limited_rows(elastic)
        self.solver = _solver(presolve=presolve, seed=seed)

    def _sum(self, column: Iterable[int], value: Iterable[float], *more: Any) -> Any:
        """Linear expression; `more` are extra (coefficient, variable) pairs."""
        pairs = [(float(v), self.variables[c]) for c, v in zip(column, value, strict=True) if v]
        pairs += more
        return LinearExpression(
            constant=0,
            linear_coefs=[pair[0] for pair in pairs],
            linear_vars=[pair[1] for pair in pairs],
        )

    def _ranged(self, row: Row, *more: Any) -> Any:
        low = None if row.low == -math.inf else row.low
        return (low, self._sum(row.column.tolist(), row.coefficient.tolist(), *more), row.high)

    def _objectives(self) -> None:
        """Both objectives and the row that bounds each while the other is minimised."""
        model, program = self.model, self.program
        every = range(len(program.cost))
        body = {"cost": self._sum(every, program.cost)}
        size = {"cost": max(map(abs, program.cost))}
        if program.lanes:
            model.worst = pyo.Var(bounds=(0, None))
            size["loss"] = max(1.0, *(max(map(abs, lane.values())) for lane in program.lanes))
            model.lanes = pyo.ConstraintList()
            for lane in program.lanes:
                scaled = [value / size["loss"] for value in lane.values()]
                model.lanes.add(
                    (None, self._sum(lane, scaled, (-1 / size["loss"], model.worst)), 0)
                )
            body["loss"] = LinearExpression(
                constant=0, linear_coefs=[1.0], linear_vars=[model.worst]
            )
        else:
            body["loss"] = self._sum(every, program.loss)
            size["loss"] = max(map(abs, program.loss))
        self.scale = {name: max(1.0, value / 100) for name, value in size.items()}
        self._bounded(body)

    def _bounded(self, body: dict[str, Any]) -> None:
        model = self.model
        self.free = {
            name: 1.0 + sum(map(abs, line.linear_coefs)) / self.scale[name]
            for name, line in body.items()
        }
        if self.program.lanes:
            self.free["loss"] = 1.0 + sum(
                sum(map(abs, lane.values())) for lane in self.program.lanes
            )
        model.limit = pyo.Param(["cost", "loss"], initialize=1.0, mutable=True)
        model.bounds = pyo.ConstraintList()
        model.cost = pyo.Objective(expr=body["cost"])
        model.loss = pyo.Objective(expr=body["loss"])
        model.loss.deactivate()
        for name in ("cost", "loss"):
            line = body[name]
            scaled = LinearExpression(
                constant=0,
                linear_coefs=[value / self.scale[name] for value in line.linear_coefs],
                linear_vars=line.linear_vars,
            )
            model.bounds.add((None, scaled, model.limit[name]))

    def _limited_rows(self, elastic: bool) -> None:
        """The user's rows and the number of parts, with a slack each where `elastic`."""
        model, program = self.model, self.program
        rows = [*program.user_rows, *([program.numbers] if program.numbers else [])]
        model.limited = pyo.ConstraintList()
        if elastic:
            self.slack_most = max(float(np.abs(row.coefficient).sum()) for row in rows)
            model.open = pyo.Param(range(len(rows)), initialize=0.0, mutable=True)
            model.slack = pyo.Var(range(len(rows)), bounds=lambda m, r: (0, m.open[r]))
            model.largest = pyo.Var(bounds=(0, None))
            model.violation = pyo.Objective(expr=model.largest)
            model.violation.deactivate()
            for r in range(len(rows)):
                model.limited.add(model.slack[r] <= model.largest)
        for r, row in enumerate(rows):
            room = Row(row.name, row.column, row.coefficient / row.high, -math.inf, 1 + ROW_ROOM)
            more = [(-1.0, model.slack[r])] if elastic else []
            model.limited.add(self._ranged(room, *more))

    def add(self, row: Row) -> None:
        """One more row for every later question."""
        self.model.rows.add(self._ranged(row))

    def best(self, objective: str, limit: dict[str, int | None], time_limit: float) -> Result:
        """Minimise one objective with the other one bounded."""
        for name in ("cost", "loss"):
            bound = limit[name] if name != objective else None
            free = self.free[name] if bound is None else (bound + 0.5) / self.scale[name]
            self.model.limit[name] = free
        return self._run(objective, time_limit, gap=0.99)

    def violation(self, free: list[int], time_limit: float) -> Result:
        """Minimise the largest slack of the rows in `free`."""
        for name in ("cost", "loss"):
            self.model.limit[name] = self.free[name]
        for r in self.model.open:
            self.model.open[r] = self.slack_most if r in free else 0.0
        return self._run("violation", time_limit, gap=1e-6)

    def _run(self, objective: str, time_limit: float, *, gap: float) -> Result:
        for active in self.model.component_objects(pyo.Objective):
            active.activate() if active.local_name == objective else active.deactivate()
        result = self.solver.solve(
            self.model, time_limit=max(1e-3, time_limit), abs_gap=gap, rel_gap=0.0
        )
        status = _status(result)
        found = result.solution_status in (SolutionStatus.optimal, SolutionStatus.feasible)
        values = None
        if found and status != INFEASIBLE:
            primal = result.solution_loader.get_vars(self.variables)
            values = np.array([primal[variable] for variable in self.variables])
        return Result(
            status,
            values,
            _number(result.incumbent_objective, math.inf),
            math.inf if status == INFEASIBLE else _number(result.objective_bound, -math.inf),
        )


def _variables(model: Any, program: Program) -> list[Any]:
    """One Pyomo variable per column, in order."""
    binary = np.array(program.binary)
    model.whole = pyo.Var(np.flatnonzero(binary).tolist(), domain=pyo.Binary)
    model.share = pyo.Var(np.flatnonzero(~binary).tolist(), bounds=(0, 1))
    return [model.whole[c] if whole else model.share[c] for c, whole in enumerate(program.binary)]


def _solver(*, presolve: bool, seed: int) -> Highs:
    solver = Highs()
    solver.config.load_solutions = False
    solver.config.raise_exception_on_nonoptimal_result = False
    solver.config.threads = 1
    solver.config.solver_options["random_seed"] = seed
    solver.config.solver_options["presolve"] = "choose" if presolve else "off"
    return solver


def _status(result: Any) -> str:
    condition = result.termination_condition
    if condition == TerminationCondition.convergenceCriteriaSatisfied:
        return OPTIMAL
    if condition == TerminationCondition.provenInfeasible:
        return INFEASIBLE
    return OPEN


def _number(value: float | None, missing: float) -> float:
    return missing if value is None or not math.isfinite(value) else float(value)
