"""Finished runs of tiny cases, and what a look at every set says of the same questions."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from optimizer import conclude, search
from optimizer.catalog import Catalog
from optimizer.records import COST_UNIT, LOSS_UNIT, BoolArray, FloatArray
from optimizer.spec_records import Spec
from optimizer.studies.archived import Archived, take_up
from optimizer.verification import Reference
from tests.oracles import brute_force, random_cases
from tests.oracles.brute_force import Judgement

SLACK = 2e-4
"""Watts by which the rounding of the groups may move a loss; far below the step of a report."""


@dataclass(frozen=True, slots=True)
class Looked:
    """A finished run and every set of its case, judged at the same states."""

    case: Archived
    judged: list[Judgement]
    worst: bool

    def sets(self, keep: list[BoolArray] | None = None) -> tuple[FloatArray, FloatArray]:
        """Cost [currency] and loss [W] of all sets that pass (and are in `keep`)."""
        cost, loss = [], []
        for k, part in enumerate(self.judged):
            good = part.feasible() if keep is None else part.feasible() & keep[k]
            cost.append(part.cost[good] * COST_UNIT)
            loss.append((part.loss_worst if self.worst else part.loss_mission)[good])
        return np.concatenate([*cost, []]), np.concatenate([*loss, []])


def finished(spec: Spec, catalog: Catalog) -> Archived | None:
    """The run of a case taken up again, None where nothing passes."""
    found = search.solve(spec, catalog)
    if found.front is None or not found.front.points:
        return None
    return take_up(spec, catalog, conclude.run_of(found, catalog, name="tiny"))


def looked(
    spec: Spec, catalog: Catalog, references: dict[str, Reference] | None = None
) -> list[Judgement]:
    """Every set of a case at the reference states of its search."""
    states = references or dict(search.prepared(spec, catalog).references)
    return brute_force.judge_case(spec, catalog, references=states)


@functools.cache
def random_run(seed: int) -> Looked | None:
    """A finished run of a random case with every set judged, None where nothing passes."""
    case = random_cases.random_case(seed)
    run = finished(case.spec, case.catalog)
    if run is None:
        return None
    judged = looked(case.spec, case.catalog, dict(run.prepared.references))
    return Looked(run, judged, case.worst)


def cheaper(cost: FloatArray, loss: FloatArray, most: float) -> float:
    """Least cost at a loss of at most `most`, inf where there is none."""
    return float(np.min(cost[loss <= most], initial=np.inf))


def agrees(
    told: float, cost: FloatArray, loss: FloatArray, most: float, *, step: float = COST_UNIT
) -> bool:
    """Whether a least cost is that of all sets, up to the rounding of the loss it is held to."""
    low, high = cheaper(cost, loss, most + SLACK), cheaper(cost, loss, most - SLACK)
    if np.isinf(told):
        return bool(np.isinf(high))
    return low - step <= told <= high + step


__all__ = ["LOSS_UNIT", "Looked", "agrees", "cheaper", "finished", "looked", "random_run"]
