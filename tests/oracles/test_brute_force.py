"""The front of the search against a look at every set, on random tiny cases.

PAIRS=300 (an environment variable) runs three hundred pairs, counts which limits made a
difference and removes each limit from the search once; a normal run takes fewer pairs.
"""

from __future__ import annotations

import ast
import functools
import os
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from optimizer import search
from optimizer.catalog import Catalog
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.spec_records import Spec
from optimizer.verification import Reference
from tests.oracles import brute_force, faults, random_cases
from tests.oracles.brute_force import Judgement, Points
from tests.oracles.random_cases import SETS_MAX, Case

PAIRS = int(os.environ.get("PAIRS", "48"))
MANY = 300
BINDING_MIN = 10
TELLING = (70, 105, 191)
"""Pairs of the many that once told of a fault the first ones did not: part of every run."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One pair: both fronts and what brute force knows of every set."""

    case: Case
    found: Points
    wanted: Points
    judged: list[Judgement]

    @property
    def differences(self) -> list[str]:
        """Why the fronts differ, empty where they do not."""
        return brute_force.differences(self.found, self.wanted)


def searched(spec: Spec, catalog: Catalog) -> tuple[Points, dict[str, Reference]]:
    """Front of the search, and the states it holds at."""
    found = search.solve(spec, catalog)
    points = found.front.points if found.front is not None else ()
    cost = np.array([one.cost for one in points], dtype=np.float64)
    loss = np.array([one.loss for one in points], dtype=np.float64)
    return Points(cost * COST_UNIT, loss * LOSS_UNIT), dict(found.references)


def compare(case: Case) -> Compared:
    """Search a case, and look at all its sets at the same states."""
    found, references = searched(case.spec, case.catalog)
    judged = brute_force.judge_case(case.spec, case.catalog, references=references)
    return Compared(case, found, brute_force.front(judged, worst=case.worst), judged)


@functools.cache
def pair(seed: int) -> Compared:
    return compare(random_cases.random_case(seed))


@functools.cache
def mattered(seed: int) -> frozenset[str]:
    """Limits and rules without which the front of a pair would be another one."""
    one = pair(seed)
    return brute_force.mattering(one.case.spec, one.case.catalog.tables, one.judged)


def same_fronts(one: Compared) -> None:
    """Both fronts of a pair small enough to be listed are one."""
    assert sum(len(part.sets) for part in one.judged) <= SETS_MAX
    assert one.differences == [], one.case.text
    assert bool(len(one.found)) == any(part.feasible().any() for part in one.judged)


@pytest.mark.parametrize("seed", sorted({*range(PAIRS), *TELLING}))
def test_front_is_the_front_of_all_sets(seed: int) -> None:
    same_fronts(pair(seed))


RECTIFIED_PAIRS = max(8, PAIRS // 3)


@pytest.mark.parametrize("seed", range(RECTIFIED_PAIRS))
def test_front_with_diodes_is_the_front_of_all_sets(seed: int) -> None:
    same_fronts(compare(random_cases.rectified_case(seed)))


TWO_COIL_PAIRS = max(5, PAIRS // 8)


@pytest.mark.parametrize("seed", range(TWO_COIL_PAIRS))
def test_front_with_two_coils_is_the_front_of_all_sets(seed: int) -> None:
    same_fronts(compare(random_cases.two_coil_case(seed)))


def faulty(name: str, case: Case) -> list[str]:
    """How the front of a search that forgets a limit differs from that of all sets."""
    with pytest.MonkeyPatch.context() as patch:
        found, references = searched(*faults.forget(name, case.spec, case.catalog, patch))
    judged = brute_force.judge_case(case.spec, case.catalog, references=references)
    return brute_force.differences(found, brute_force.front(judged, worst=case.worst))


def seen_in(name: str) -> int | None:
    """The first pair in which a limit forgotten by the search is noticed."""
    for seed in range(PAIRS):
        if name in mattered(seed) and faulty(name, pair(seed).case):
            return seed
    return None


FEW = faults.NAMES[::6]


@pytest.mark.parametrize("name", faults.NAMES if PAIRS >= MANY else FEW)
def test_a_forgotten_limit_is_noticed(name: str) -> None:
    """Of the pairs in which a limit matters, one at least fails when the search forgets it."""
    if PAIRS < MANY and not any(name in mattered(seed) for seed in range(PAIRS)):
        pytest.skip(f"no pair of {PAIRS} hangs on it; PAIRS={MANY} has some")
    assert seen_in(name) is not None


PLANTED_PAIRS = 12 if PAIRS >= MANY else 1


@pytest.mark.parametrize("name", faults.OF_STAGES)
def test_a_forgotten_limit_of_diodes_and_coupling_banks_is_noticed(name: str) -> None:
    """In pairs drawn for one limit it binds, the fronts are equal, and forgetting it shows."""
    pairs = [compare(random_cases.planted_case(seed, name)) for seed in range(PLANTED_PAIRS)]
    assert [one.differences for one in pairs] == [[]] * len(pairs)
    bound = [one for one in pairs if name == LEAKAGE or name in _binding(one)]
    assert len(bound) >= (BINDING_MIN if PAIRS >= MANY else 1)
    if name == LEAKAGE:
        gone = [~part.held["finite loss"] for one in pairs for part in one.judged]
        assert all(part.any() and not part.all() for part in gone), "a diode runs away in each pair"
    assert any(faulty(name, one.case) for one in bound)


LEAKAGE = "diodes: hot leakage"
"""A diode that runs away breaks temperature and finite loss at once: neither binds alone."""


def _binding(one: Compared) -> set[str]:
    return brute_force.binding(one.judged, worst=one.case.worst)


def report() -> str:
    """How often each limit mattered, and how many sets broke some limit."""
    counts = Counter(name for seed in range(PAIRS) for name in mattered(seed))
    shares = np.array([brute_force.infeasible_share(pair(seed).judged) for seed in range(PAIRS)])
    sets = sum(len(part.sets) for seed in range(PAIRS) for part in pair(seed).judged)
    lines = [f"{counts[name]:4d}  {name}" for name in (*faults.NAMES, *(counts - NAMED))]
    lines.append(f"{sets} sets in {PAIRS} pairs; 20 to 80 % of the sets infeasible in")
    lines.append(f"{int(((shares >= 0.2) & (shares <= 0.8)).sum())} pairs")
    lines.append(f"{sum(not len(pair(seed).wanted) for seed in range(PAIRS))} pairs without a set")
    return "\n".join(lines)


NAMED = Counter(dict.fromkeys(faults.NAMES, 10**9))

TOGETHER = {"input-bank: voltage": "output-bank: voltage"}
"""One rule at two nodes: counted together."""


@pytest.mark.skipif(PAIRS < MANY, reason=f"PAIRS={MANY} counts them")
def test_every_limit_matters_in_ten_pairs() -> None:
    print(report())
    counts = Counter(name for seed in range(PAIRS) for name in mattered(seed))
    for name, other in TOGETHER.items():
        counts[name] = counts[other] = counts[name] + counts[other]
    seldom = {name: counts[name] for name in faults.NAMES if counts[name] < BINDING_MIN}
    assert seldom == {}


@pytest.mark.skipif(PAIRS < MANY, reason=f"PAIRS={MANY} counts them")
def test_about_half_of_the_pairs_are_mixed() -> None:
    """20 to 80 % of the sets are infeasible in 45 to 65 % of the pairs."""
    shares = np.array([brute_force.infeasible_share(pair(seed).judged) for seed in range(PAIRS)])
    mixed = ((shares >= 0.2) & (shares <= 0.8)).mean()
    assert 0.45 <= mixed <= 0.65


def test_brute_force_knows_nothing_of_the_search() -> None:
    """Its imports, and what those import of the package, hold no room of the decision."""
    seen: set[str] = set()
    waiting = [Path(brute_force.__file__), Path(random_cases.__file__)]
    root = Path(brute_force.__file__).parents[2]
    while waiting:
        tree = ast.parse(waiting.pop().read_text("utf-8"))
        for node in ast.walk(tree):
            if not isinstance(node, ast.ImportFrom) or node.module is None:
                continue
            for name in (node.module, *(f"{node.module}.{alias.name}" for alias in node.names)):
                path = root / f"{name.replace('.', '/')}.py"
                if path.exists() and name not in seen:
                    seen.add(name)
                    waiting.append(path)
    assert "optimizer.verification" in seen
    forbidden = {"options", "merge", "selection", "frontier", "search", "floors", "screen", "pool"}
    forbidden |= {"dominance", "formulation", "tally", "scouts", "selfcheck"}
    assert seen & {f"optimizer.{name}" for name in forbidden} == set()
