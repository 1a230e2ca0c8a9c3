"""A general genetic search over part numbers, each set judged in full by the verification."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from pymoo.algorithms.moo.nsga2 import NSGA2
from pymoo.core.problem import Problem
from pymoo.operators.crossover.sbx import SBX
from pymoo.operators.mutation.pm import PM
from pymoo.operators.repair.rounding import RoundingRepair
from pymoo.operators.sampling.rnd import IntegerRandomSampling

from optimizer import assembly, buying, verification
from optimizer.assembly import Sets
from optimizer.dominance import staircase
from optimizer.evaluation import Scene
from optimizer.market import Market
from optimizer.records import COST_UNIT, LOSS_UNIT, BoolArray, FloatArray, IntArray

POPULATION = 100
SEED = 1


@dataclass(slots=True)
class Answer:
    """Feasible sets nothing found beats, (cost, loss) in whole units, and the effort."""

    points: list[tuple[int, int]]
    judged: int
    generations: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Genes:
    """What each whole number of a set means; `sets` turns rows of them into part sets."""

    market: Market
    frequency: FloatArray
    coil: IntArray

    @property
    def most(self) -> IntArray:
        """Largest value of each gene; the least is 0."""
        stage, pool = self.market.stage, self.market.pool
        rules = stage.spec.choice
        counts = [len(self.coil)]
        for position in stage.topology.POSITIONS:
            counts += [len(pool.transistor[position]), rules.transistors_parallel_max]
        for node in ("input", "output"):
            counts += [len(pool.bank[node]), rules.bank_pieces_max]
        counts += [len(pool.sense), rules.resistors_parallel_max]
        return np.array(counts, dtype=np.int64) - 1

    def sets(self, genes: IntArray) -> Sets:
        """Part sets of the rows of genes; banks of one type."""
        stage, pool = self.market.stage, self.market.pool
        column = iter(genes.T)
        skeleton = next(column)
        transistor = {
            p: (pool.transistor[p][next(column)], next(column) + 1)
            for p in stage.topology.POSITIONS
        }
        none = np.full(len(genes), -1), np.zeros(len(genes), dtype=np.int64)
        bank = {
            node: (pool.bank[node][next(column)], next(column) + 1, *none)
            for node in ("input", "output")
        }
        return Sets(
            frequency=self.frequency[skeleton],
            coil=self.coil[skeleton],
            coil_pieces=np.ones_like(skeleton),
            transistor=transistor,
            bank=bank,
            sense=(pool.sense[next(column)], next(column) + 1),
        )


def judged(scene: Scene, sets: Sets) -> tuple[FloatArray, IntArray]:
    """Mission loss and number of limits broken: `verification.judge` with a count to climb by."""
    result = assembly.evaluate(scene, sets)
    broken = np.zeros(len(sets), dtype=np.int64)
    for check in verification.checks(result, sets):
        broken += ~np.broadcast_to(check.holds(), len(sets))
    broken += ~verification.limit_chain(result).holds()
    return verification.objectives(result)[0], broken


class PartProblem(Problem):  # type: ignore[misc]
    """Cost and loss of part sets; every set judged is kept in mind."""

    def __init__(self, genes: Genes) -> None:
        self.genes = genes
        self.seen: list[tuple[FloatArray, FloatArray, BoolArray]] = []
        most = genes.most
        super().__init__(
            n_var=len(most), n_obj=2, n_ieq_constr=1, xl=np.zeros(len(most)), xu=most, vtype=int
        )

    def _evaluate(self, x: Any, out: dict[str, Any], *args: Any, **kwargs: Any) -> None:
        market = self.genes.market
        genes = np.asarray(x, dtype=np.int64)
        sets = self.genes.sets(genes)
        cost = buying.set_costs(market.prices, sets, fixed=market.fixed_cost) * COST_UNIT
        loss, broken = judged(market.scene.take(genes[:, 0]), sets)
        loss = np.where(np.isfinite(loss), loss, 1e3)
        out["F"] = np.stack([cost, loss], axis=1)
        out["G"] = broken[:, None].astype(np.float64)
        self.seen.append((cost, loss, broken == 0))


def search(market: Market, *, seconds: float, seed: int = SEED) -> Answer:
    """Run for some seconds and give every undominated feasible set met on the way."""
    scene = market.scene
    problem = PartProblem(Genes(market, market.frequency(), scene.coil))
    algorithm = NSGA2(
        pop_size=POPULATION,
        sampling=IntegerRandomSampling(),
        crossover=SBX(prob=0.9, eta=3.0, vtype=float, repair=RoundingRepair()),
        mutation=PM(eta=3.0, vtype=float, repair=RoundingRepair()),
        eliminate_duplicates=True,
    )
    algorithm.setup(problem, seed=seed, verbose=False, termination=("n_gen", 1 << 30))
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        algorithm.next()
    return Answer(
        points=_front(problem),
        judged=sum(len(cost) for cost, _, _ in problem.seen),
        generations=len(problem.seen),
        seconds=time.monotonic() - began,
    )


def _front(problem: PartProblem) -> list[tuple[int, int]]:
    cost, loss, good = (np.concatenate(column) for column in zip(*problem.seen, strict=True))
    units = np.rint(cost[good] / COST_UNIT).astype(np.int64)
    watts = np.rint(loss[good] / LOSS_UNIT).astype(np.int64)
    return [(int(units[k]), int(watts[k])) for k in staircase(units, watts)]
