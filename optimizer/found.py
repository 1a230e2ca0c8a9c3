"""What a search found and was found with, and its clock: when to end, how long each stage took."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from optimizer import crew
from optimizer.buying import Prices
from optimizer.errors import Halted
from optimizer.frontier import Frontier
from optimizer.market import Market
from optimizer.points import PointSet
from optimizer.records import Choice, Selection, Waterfall
from optimizer.results import Refused
from optimizer.spec_records import Spec
from optimizer.stage import Stage
from optimizer.verification import Reference

Progress = Callable[[str, str], None]
Stop = Callable[[], bool]

Key = tuple[str, int]
"""Topology and number of a skeleton in its market."""


def quiet(_stage: str, _detail: str) -> None:
    """Report nothing."""


def never() -> bool:
    """Go on."""
    return False


TOLD_EVERY = 2.0
"""Seconds between two words about how far a stage is."""


@dataclass(slots=True)
class Clock:
    """Seconds of each stage of the search, and whether to go on."""

    say: Progress
    stop: Stop
    deadline: float
    seconds: dict[str, float] = field(default_factory=dict)
    since: float = field(default_factory=time.monotonic)
    told: float = field(default_factory=time.monotonic)

    def done(self, stage: str, detail: str) -> None:
        """Close a stage and report it."""
        now = time.monotonic()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self.since
        self.since = self.told = now
        self.say(stage, detail)

    def meanwhile(self, stage: str, detail: str) -> None:
        """Report how far a stage is, unless something was reported just before."""
        now = time.monotonic()
        if now - self.told >= TOLD_EVERY:
            self.told = now
            self.say(stage, detail)

    def halted(self) -> bool:
        """Whether to end now."""
        return crew.called_off() or self.stop() or time.monotonic() >= self.deadline

    def watch(self) -> None:
        """Raise `Halted` when it is time to end."""
        if self.halted():
            raise Halted


@dataclass(slots=True)
class Found:
    """What a search found, and all it was found with.

    stages, references, points : by topology; choice : skeletons and options left open at the end
    front : its front with the proofs
    open : skeletons the search had no time for; skipped : topologies it did not come to
    open_from : least cost and least loss, in units of the decision, that a set could have among
        all that was not searched or not proved
    first : the first feasible set that was met, in the choice it was met in
    """

    spec: Spec
    prices: Prices
    refused: list[Refused] = field(default_factory=list)
    waterfalls: list[Waterfall] = field(default_factory=list)
    points: dict[str, PointSet] = field(default_factory=dict)
    stages: dict[str, Stage] = field(default_factory=dict)
    references: dict[str, Reference] = field(default_factory=dict)
    markets: dict[str, Market] = field(default_factory=dict)
    choice: Choice | None = None
    front: Frontier | None = None
    open: list[Key] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    open_from: tuple[float, float] = (math.inf, math.inf)
    first: tuple[Choice, Selection] | None = None
    counts: dict[str, int] = field(default_factory=dict)
    seconds: Mapping[str, float] = field(default_factory=dict)

    def none(self) -> bool:
        """Whether it is shown that no set passes."""
        answered = self.front is None or self.front.complete
        return answered and self.first is None and not (self.open or self.skipped)

    def fell(self, topology: str, one: Waterfall) -> None:
        """Keep a waterfall under the name of its topology."""
        self.waterfalls.append(replace(one, position=f"{topology} {one.position}"))
