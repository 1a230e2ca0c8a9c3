"""Points of a front verified and told in detail, the work shared out over a few processes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, TypeVar

from optimizer import crew
from optimizer.conclude_evidence import evidence_of
from optimizer.conclude_faults import fault_lines
from optimizer.conclude_figures import SETS_AT_ONCE, verified_sets
from optimizer.conclude_sets import Chosen
from optimizer.found import never
from optimizer.results import FaultLine, FrontPoint, Verified
from optimizer.results_evidence import DETAILED_POINTS, Evidence, spread
from optimizer.stage import Stage

EVIDENCE_AT_ONCE = 30
"""Sets of one topology that one process makes evidence of at a time."""

T = TypeVar("T")


def verified_all(
    stages: Mapping[str, Stage], chosen: Sequence[Chosen], *, processes: int = 1
) -> list[Verified]:
    """Every set at its own state, the sets of a topology some at a time."""

    def verified(topology: str, some: Sequence[int]) -> list[Verified]:
        return verified_sets(stages[topology], [chosen[k] for k in some])

    shares = list(_shares(chosen, range(len(chosen)), SETS_AT_ONCE))
    found = _by_number(shares, _together([partial(verified, *one) for one in shares], processes))
    return [found[k] for k in range(len(chosen))]


def with_evidence(
    stages: Mapping[str, Stage],
    points: Sequence[FrontPoint],
    chosen: Sequence[Chosen],
    *,
    most: int = DETAILED_POINTS,
    processes: int = 1,
    meanwhile: Callable[[], T],
) -> tuple[tuple[FrontPoint, ...], T]:
    """The points, up to `most` of them with evidence: marked ones, then spread out.

    The marked ones (the first where none is) also tell what becomes of them under faults.

    meanwhile : other work that is shared out too; what it gives comes second
    """
    marked = [k for k, point in enumerate(points) if point.mark]
    detailed = spread([point.loss_model for point in points], marked, most)
    shown = marked or [0]

    def evidence(topology: str, some: Sequence[int]) -> list[Evidence]:
        sets, verified = [chosen[k] for k in some], [points[k].verified for k in some]
        return evidence_of(stages[topology], sets, verified)

    def faults(k: int) -> tuple[FaultLine, ...]:
        return fault_lines(stages[chosen[k].topology], chosen[k])

    shares = list(_shares(chosen, sorted({*detailed, *shown}), EVIDENCE_AT_ONCE))
    jobs: list[Callable[[], Any]] = [partial(evidence, *one) for one in shares]
    jobs += [meanwhile, *(partial(faults, k) for k in shown)]  # the longest first
    answers = _together(jobs, processes)
    found, (other, *lines) = _by_number(shares, answers), answers[len(shares) :]
    told = dict(zip(shown, lines, strict=True))
    return tuple(
        replace(
            point,
            evidence=found[k],
            verified=replace(point.verified, faults=told.get(k, ())),
        )
        if k in found
        else point
        for k, point in enumerate(points)
    ), other


def _shares(
    chosen: Sequence[Chosen], wanted: Sequence[int], most: int
) -> Iterator[tuple[str, Sequence[int]]]:
    """Sets of one topology to work on together, by their numbers, whatever the processes are.

    Each share takes its sets from everywhere along the front, so that all take about as long.
    """
    for topology in dict.fromkeys(chosen[k].topology for k in wanted):
        index = [k for k in wanted if chosen[k].topology == topology]
        count = -(-len(index) // most)
        yield from ((topology, index[k::count]) for k in range(count))


def _together(jobs: Sequence[Callable[[], T]], processes: int) -> list[T]:
    """What each job gives, done in forks of this process."""

    def done(number: int) -> T:
        return jobs[number]()

    with crew.crew(done, min(processes, len(jobs)), never) as begin:
        return crew.together(begin, range(len(jobs)))


def _by_number(
    shares: Sequence[tuple[str, Sequence[int]]], answers: Sequence[Sequence[T]]
) -> dict[int, T]:
    """What was made of each set of some shares, by its number; more answers may follow."""
    return {
        k: one
        for (_, index), some in zip(shares, answers, strict=False)
        for k, one in zip(index, some, strict=True)
    }
