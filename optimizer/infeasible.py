"""Why nothing is feasible, what came nearest, and which single relaxation would do."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from optimizer import search
from optimizer.catalog import Catalog
from optimizer.conclude_margins import failing, percent
from optimizer.errors import NoFeasibleDesign
from optimizer.infeasible_kinds import kinds
from optimizer.infeasible_probe import Near, judged, near_sets
from optimizer.infeasible_rules import Kind
from optimizer.points import points
from optimizer.records import Waterfall
from optimizer.search import Found, Progress, Stop, never, quiet
from optimizer.spec_records import Spec
from optimizer.stage import build_stage

SECONDS = 60.0
"""Time for the explanation where the user sets none."""

SLACK = 1e-9
"""Relative room a limit gets over the value a set needs."""


@dataclass(frozen=True, slots=True)
class Relaxation:
    """One limit loosened alone, so that a set passes.

    proved : whether a re-solve showed that one grain less does not do
    """

    kind: Kind
    amount: float
    share: float
    proved: bool


def explain(
    spec: Spec,
    catalog: Catalog,
    found: Found,
    *,
    time_limit: float = math.inf,
    progress: Progress = quiet,
    stop: Stop = never,
) -> NoFeasibleDesign:
    """The error to raise: what fell where, the nearest miss, and what would do.

    time_limit : for the explanation [s]; what it leaves unanswered is said
    """
    case = _Case(spec, catalog, found, min(time_limit, SECONDS), progress, stop)
    near, falls = _near(found)
    progress("nearest misses", f"{len(near)} sets looked at")
    lines = [f"{one.topology} refused: {one.reason}" for one in found.refused]
    lines += [waterfall_text(one) for one in found.waterfalls if one.falls or not one.left]
    lines += [waterfall_text(one) for one in falls if one.falls]
    if found.stages:
        lines += _miss_lines(near)
        lines += _relaxation_lines(case, _relaxations(case, near))
    return NoFeasibleDesign("\n".join(lines))


def waterfall_text(one: Waterfall) -> str:
    """One position: ``output-low: 812 parts, 410 fell on drain voltage, 0 left``."""
    falls = "".join(f", {fall.fell} fell on {fall.reason}" for fall in one.falls)
    word = "combinations" if one.position.endswith("inductor and frequency") else "parts"
    if ":" in one.position:
        word = "choices"
    return f"{one.position}: {one.offered} {word}{falls}, {one.left} left"


def _near(found: Found) -> tuple[list[Near], list[Waterfall]]:
    """Near sets of all topologies, and how options fell at the skeletons that got furthest."""
    near: list[Near] = []
    falls: list[Waterfall] = []
    for stage in found.stages.values():
        some, fell = near_sets(stage, found.prices)
        near += some
        falls += fell
    return sorted(near, key=lambda one: one.miss), falls


# --- the nearest miss -----------------------------------------------------------------------------


def _miss_lines(near: Sequence[Near]) -> Iterator[str]:
    if not near or not math.isfinite(near[0].miss):
        yield "nearest miss: no set comes near; see the positions with nothing left"
        return
    first = near[0]
    broken = [one for one in first.broken if one.margin < 0]
    if not broken:
        yield "nearest miss: a set keeps every limit, but not the rules of purchase and choice"
        return
    parts = [failing(one) for one in broken[:3]]
    more = f" and {len(broken) - 3} more" if len(broken) > 3 else "; all other limits hold"
    head = f"nearest miss of {len(near)} sets looked at"
    yield f"{head}: {_set_text(first)} misses {'; '.join(parts)}{more}"


def _set_text(near: Near) -> str:
    one = near.chosen
    coil = near.stage.tables["inductor"].part_number[one.coil]
    return f"{one.topology}, {one.frequency / 1e3:g} kHz, {coil}"


# --- relaxations ----------------------------------------------------------------------------------


class _Case:
    """The question "would this spec do", asked again and again within a time."""

    def __init__(
        self,
        spec: Spec,
        catalog: Catalog,
        found: Found,
        seconds: float,
        progress: Progress,
        stop: Stop,
    ) -> None:
        self.spec, self.catalog, self.found = spec, catalog, found
        self.deadline = time.monotonic() + seconds
        self.last = sum(found.seconds.values())
        self.progress, self.stop = progress, stop
        self.solves = 0
        self.unanswered = 0

    def would_do(self, spec: Spec) -> bool | None:
        """Whether any set passes under `spec`; None where the time does not answer it."""
        left = self.deadline - time.monotonic()
        if self.stop() or left < 1.5 * self.last:
            self.unanswered += 1
            return None
        since = time.monotonic()
        found = search.solve(
            spec, self.catalog, any_set=True, time_limit=max(left, 0.05), stop=self.stop
        )
        self.last = max(self.last, time.monotonic() - since)
        self.solves += 1
        if found.counts.get("sets found", 0):
            return True
        if found.open or self.stop():
            self.unanswered += 1
            return None
        return False

    def rules_hold(self) -> bool:
        """Whether the spec has no rule that only a search keeps."""
        choice = self.spec.choice
        return not (choice.force or choice.same_part or choice.part_numbers_max is not None)


def _relaxations(case: _Case, near: Sequence[Near]) -> list[Relaxation]:
    """For each kind of limit the least loosening found that would do, smallest share first."""
    found = []
    for kind in kinds(case.spec):
        if not _may_help(case.found, kind):
            continue
        one = _relaxed(case, kind, near)
        if one is not None:
            found.append(one)
            case.progress("relaxations", _told(case.spec, one))
    return sorted(found, key=lambda one: (one.kind.step, one.share))


def _may_help(found: Found, kind: Kind) -> bool:
    """Whether a kind took away parts at every position that has none left, in some topology.

    A part comes back only if the freed limit was the only one it broke, and then it fell there.
    """
    topologies = found.stages
    for topology in topologies:
        empty = [
            one
            for one in found.waterfalls
            if one.position.startswith(f"{topology} ") and not one.left
        ]
        reasons = [{fall.reason for fall in one.falls} for one in empty]
        if all(any(_names(kind, text) for text in texts) for texts in reasons):
            return True
        if any(one.position.endswith("inductor and frequency") for one in empty):
            return True
    return False


def _names(kind: Kind, reason: str) -> bool:
    return any(reason.startswith(word) for word in kind.reasons)


def _relaxed(case: _Case, kind: Kind, near: Sequence[Near]) -> Relaxation | None:
    """The least loosening of one kind: from a near set, then narrowed by re-solves."""
    if kind.step:
        answer = case.would_do(kind.at(case.spec, kind.most))
        return Relaxation(kind, kind.most, math.inf, True) if answer else None
    known = _from_near(case, kind, near)
    if known is None:
        known = _by_growing(case, kind)
    if known is None:
        return None
    amount, low = known
    proved = amount - low <= _grain(kind, low)
    while not proved:
        middle = 0.5 * (low + amount)
        answer = case.would_do(kind.at(case.spec, middle))
        if answer is None:
            break
        low, amount = (low, middle) if answer else (middle, amount)
        proved = amount - low <= _grain(kind, low)
    return Relaxation(kind, amount, kind.share(amount), proved)


def _grain(kind: Kind, low: float) -> float:
    """How finely the least amount above `low` is looked for: a share of the limit itself."""
    return kind.grain * max(1.0, 1.0 + kind.share(low))


def _from_near(case: _Case, kind: Kind, near: Sequence[Near]) -> tuple[float, float] | None:
    """Least amount that lets a near set pass, shown by judging it again under the loosened spec."""
    if not case.rules_hold():
        return None
    wanted = []
    for one in near:
        if one.broken and all(kind.covers(m) and math.isfinite(m.margin) for m in one.broken):
            amount = max(kind.amount(margin) for margin in one.broken)
            if 0.0 < amount <= kind.most:
                wanted.append((amount * (1.0 + SLACK), one))
    for amount, one in sorted(wanted, key=lambda pair: pair[0])[:3]:
        if _passes(case, kind.at(case.spec, amount), one):
            return amount, 0.0
    return None


def _passes(case: _Case, spec: Spec, one: Near) -> bool:
    """Whether a set passes every limit of another spec."""
    lanes = points(spec, one.chosen.topology).lanes
    stage = build_stage(spec, one.chosen.topology, lanes=lanes, tables=case.catalog.tables)
    return not judged(stage, [one.chosen])[0].broken


def _by_growing(case: _Case, kind: Kind) -> tuple[float, float] | None:
    """An amount that does and a smaller one that does not, by re-solves with growing amounts."""
    if not case.would_do(kind.at(case.spec, kind.most)):
        return None
    low, amount = 0.0, kind.grain
    while amount < kind.most:
        answer = case.would_do(kind.at(case.spec, amount))
        if answer:
            return amount, low
        if answer is None:
            break
        low, amount = amount, 2.0 * amount
    return kind.most, low


def _told(spec: Spec, one: Relaxation) -> str:
    """One relaxation in its own unit and as a share."""
    told = one.kind.told(spec, one.amount)
    if one.kind.step or one.kind.in_share:
        return f"{one.kind.name}: {told}"
    return f"{one.kind.name}: {told} ({percent(one.share)})"


def _relaxation_lines(case: _Case, found: Sequence[Relaxation]) -> Iterator[str]:
    if found:
        yield "one of these alone would do, smallest first:"
        for one in found:
            yield f"  {_told(case.spec, one)}{'' if one.proved else ', perhaps less'}"
        first = found[0]
        yield f"smallest single relaxation: {_told(case.spec, first)}"
    else:
        yield "no single relaxation that would do was found"
    yield _asked(case, found)


def _asked(case: _Case, found: Iterable[Relaxation]) -> str:
    text = f"{case.solves} re-solves"
    open_still = [one.kind.name for one in found if not one.proved]
    if case.unanswered or open_still:
        text += "; not proved for lack of time"
        if open_still:
            text += f": that less would not do for {', '.join(open_still)}"
        if case.unanswered:
            text += f"; {case.unanswered} questions not answered"
    return text
