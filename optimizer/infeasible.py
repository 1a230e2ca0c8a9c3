"""Why nothing is feasible, what came nearest, and which single relaxation would do."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from optimizer import search
from optimizer.catalog import Catalog
from optimizer.conclude_margins import failing, percent
from optimizer.conclude_sets import first_set
from optimizer.errors import Halted, NoFeasibleDesign
from optimizer.found import Found, Progress, Stop, never, quiet
from optimizer.infeasible_kinds import AMPLE, kinds
from optimizer.infeasible_probe import Near, judged, near_sets
from optimizer.infeasible_rules import Kind
from optimizer.points import points
from optimizer.records import Waterfall
from optimizer.spec_records import Spec
from optimizer.stage import build_stage

SECONDS = 50.0
"""Time for the explanation, or less where the user's limit is nearer."""

SECONDS_LEAST, SECONDS_QUESTION, SECONDS_SHARE = 0.5, 12.0, 0.5
"""With less time left nothing is asked; a question gets so many, or that share of what is left."""

SUSPECTS = 4
"""Kinds of limit that are asked whether nothing does without them."""

GROWTH = 0.5
"""First amount asked where nothing but the limit's absence is known to do."""

NEAR_SHARE = 0.5
"""Share of the time after which no more sets are looked for that come near."""

SKELETON = "inductor and frequency"
"""In the position of every waterfall that counts combinations of both."""

FINENESS = "2 % of the limit, of a floor 2 % of the loss it allows, of a temperature 1 K"
"""The grains of the kinds of limit, in words."""

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

    @classmethod
    def rough(cls, kind: Kind, amount: float) -> Relaxation:
        """One that is not narrowed yet."""
        return cls(kind, amount, kind.share(amount), False)


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
    near, falls = _near(case)
    progress("nearest misses", f"{len(near)} sets looked at")
    lines = [f"{one.topology} refused: {one.reason}" for one in found.refused]
    lines += [waterfall_text(one) for one in found.waterfalls if one.falls or not one.left]
    lines += [waterfall_text(one) for one in falls if one.falls]
    would_do: list[Relaxation] = []
    if found.stages:
        would_do = _relaxations(case, near)
        lines += _miss_lines(sorted([*near, *case.met], key=lambda one: one.miss))
        lines += _relaxation_lines(case, would_do)
    text = "\n".join(lines)
    if not would_do:
        return NoFeasibleDesign(text)
    return NoFeasibleDesign(text, share=would_do[0].share, remedy=_told(spec, would_do[0]))


def waterfall_text(one: Waterfall) -> str:
    """One position: ``output-low: 812 parts, 410 fell on drain voltage, 0 left``."""
    falls = "".join(f", {fall.fell} fell on {fall.reason}" for fall in one.falls)
    word = "combinations" if SKELETON in one.position else "parts"
    if ":" in one.position:
        word = "choices"
    return f"{one.position}: {one.offered} {word}{falls}, {one.left} left"


def _near(case: _Case) -> tuple[list[Near], list[Waterfall]]:
    """Near sets of all topologies, and how options fell at the skeletons that got furthest."""
    near: list[Near] = []
    falls: list[Waterfall] = []
    for stage in case.found.stages.values():
        some, fell = near_sets(stage, case.found.prices, case.watch)
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
    alone = [one for one in near if len(one.broken) == 1 and math.isfinite(one.miss)]
    if len(broken) > 1 and alone:
        told = f"{_set_text(alone[0])} misses {failing(alone[0].broken[0])}"
        yield f"nearest miss in one limit alone: {told}; all other limits hold"


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
        self.seconds, self.deadline = seconds, time.monotonic() + seconds
        self.progress, self.stop = progress, stop
        self.solves = 0
        self.needed: list[Kind] = []
        self.unanswered: list[str] = []
        self.met: list[Near] = []

    def left(self) -> float:
        """Seconds left."""
        return self.deadline - time.monotonic()

    def watch(self) -> None:
        """Raise `Halted` when it is time to go on to relaxations."""
        if self.stop() or self.left() <= (1.0 - NEAR_SHARE) * self.seconds:
            raise Halted

    def would_do(self, spec: Spec) -> bool | None:
        """Whether any set passes under `spec`; None where the time does not answer it."""
        if self.stop() or self.left() < SECONDS_LEAST:
            return None
        seconds = min(self.left(), max(SECONDS_SHARE * self.left(), SECONDS_QUESTION))
        found = search.solve(spec, self.catalog, any_set=True, time_limit=seconds, stop=self.stop)
        self.solves += 1
        if found.first is not None:
            self.meet(spec, found)
            return True
        return False if found.none() and not self.stop() else None

    def meet(self, spec: Spec, found: Found) -> None:
        """Keep how far a set that would do misses the limits as they are, if it keeps the rules."""
        if (spec.purchase, spec.choice) != (self.spec.purchase, self.spec.choice):
            return
        one = first_set(found)
        if one.topology in self.found.stages:
            self.met += judged(self.found.stages[one.topology], [one])

    def free(self, kinds: Iterable[Kind]) -> Spec:
        """The spec with kinds of limit loosened as far as they go."""
        spec = self.spec
        for kind in kinds:
            spec = kind.at(spec, kind.most)
        return spec

    def rules_hold(self) -> bool:
        """Whether the spec has no rule that only a search keeps."""
        choice = self.spec.choice
        return not (choice.force or choice.same_part or choice.part_numbers_max is not None)


def _relaxations(case: _Case, near: Sequence[Near]) -> list[Relaxation]:
    """For each kind of limit the least loosening found that would do, smallest share first.

    First it is asked which limits must give way whatever else does: of the others none does alone.
    Near sets give the amounts of most kinds; which of the rest help is asked by re-solves, many
    kinds at a time. Then each amount is narrowed by re-solves, the smallest first.
    """
    every = kinds(case.spec)
    case.needed = _needed(case, every, near)
    may = case.needed if len(case.needed) == 1 else []
    known: list[tuple[Kind, float]] = []
    others = []
    for kind in every:
        out = case.needed and not kind.turns and kind not in may
        if out or not _may_help(case.found, kind):
            continue
        amount = None if kind.step else _from_near(case, kind, near)
        if amount is None:
            others.append(kind)
        else:
            known.append((kind, amount))
            case.progress("relaxations", _told(case.spec, Relaxation.rough(kind, amount)))
    known += [(kind, kind.most) for kind in _helping(case, others)]
    known.sort(key=lambda pair: (pair[0].step, pair[0].share(pair[1])))
    found = [_narrowed(case, kind, amount) for kind, amount in known]
    return sorted(found, key=lambda one: (one.kind.step, one.share))


def _needed(case: _Case, every: Sequence[Kind], near: Sequence[Near]) -> list[Kind]:
    """Kinds without which nothing does, though all others that only let more pass are freed.

    Asked are those that near sets break: first those of the set that breaks fewest.
    """
    wanted = [
        [kind for kind in every if not kind.turns and any(map(kind.covers, one.broken))]
        for one in near
        if one.broken and math.isfinite(one.miss)
    ]
    suspects = min(wanted, key=len, default=[])
    found: list[Kind] = []
    for kind in suspects[:SUSPECTS]:
        others = [one for one in every if one is not kind and not one.turns]
        if case.would_do(case.free(others)) is False:
            found.append(kind)
            case.progress("relaxations", f"{kind.name} must be loosened")
        if len(found) > 1:
            break
    return found


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
        if any(SKELETON in one.position for one in empty):
            return True
    return False


def _names(kind: Kind, reason: str) -> bool:
    return any(reason.startswith(word) for word in kind.reasons)


def _helping(case: _Case, kinds: Sequence[Kind]) -> list[Kind]:
    """The kinds that would do alone if loosened as far as they go.

    Kinds that only ever let more sets pass are freed together first: where that does not do, none
    of them does alone.
    """
    more = [kind for kind in kinds if not kind.turns]
    found = _of_group(case, more)
    for kind in kinds:
        if kind.turns:
            found += _of_group(case, [kind])
    return found


def _of_group(case: _Case, group: Sequence[Kind]) -> list[Kind]:
    if not group:
        return []
    answer = case.would_do(case.free(group))
    if answer is False:
        return []
    if len(group) == 1:
        if answer is None:
            case.unanswered.append(group[0].name)
            return []
        case.progress("relaxations", f"{group[0].name} would do")
        return list(group)
    half = len(group) // 2
    return _of_group(case, group[:half]) + _of_group(case, group[half:])


def _narrowed(case: _Case, kind: Kind, amount: float) -> Relaxation:
    """The least amount that does, between none and one that does, by re-solves.

    Where a near set gave the amount, the first one is asked a grain below: often no less does.
    Where only "without this limit" is known to do, amounts grow until one does.
    """
    if kind.step:
        return Relaxation(kind, amount, math.inf, True)
    free, low = amount == kind.most, 0.0
    asked = min(GROWTH, 0.5 * amount) if free else amount - 0.98 * _grain(kind, amount)
    while amount - low > _grain(kind, low):
        middle = asked if low < asked < amount else 0.5 * (low + amount)
        answer = case.would_do(kind.at(case.spec, middle))
        if answer is None:
            break
        low, amount = (low, middle) if answer else (middle, amount)
        asked = 3.0 * middle if amount == kind.most else 0.0
    proved = amount - low <= _grain(kind, low)
    return Relaxation(kind, amount, kind.share(amount), proved)


def _grain(kind: Kind, low: float) -> float:
    """How finely the least amount above `low` is looked for: a share of the limit itself."""
    return kind.grain * max(1.0, 1.0 + kind.share(low))


def _from_near(case: _Case, kind: Kind, near: Sequence[Near]) -> float | None:
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
            return amount
    return None


def _passes(case: _Case, spec: Spec, one: Near) -> bool:
    """Whether a set passes every limit of another spec."""
    lanes = points(spec, one.chosen.topology).lanes
    stage = build_stage(spec, one.chosen.topology, lanes=lanes, tables=case.catalog.tables)
    return not judged(stage, [one.chosen])[0].broken


def _told(spec: Spec, one: Relaxation) -> str:
    """One relaxation in its own unit and as a share."""
    told = one.kind.told(spec, one.amount)
    if one.amount >= AMPLE and one.amount == one.kind.most:
        return f"{one.kind.name}: without this limit"
    if one.kind.step or one.kind.in_share:
        return f"{one.kind.name}: {told}"
    return f"{one.kind.name}: {told} ({percent(one.share)})"


def _relaxation_lines(case: _Case, found: Sequence[Relaxation]) -> Iterator[str]:
    if found:
        yield "one of these alone would do, smallest first:"
        for one in found:
            yield f"  {_told(case.spec, one)}{'' if one.proved else ', perhaps less'}"
        sure = all(one.proved or one.kind.step for one in found) and not case.unanswered
        head = "smallest single relaxation" if sure else "smallest single relaxation found"
        yield f"{head}: {_told(case.spec, found[0])}"
    elif len(case.needed) > 1:
        head = "no single relaxation was found" if case.unanswered else "no limit alone would do"
        names = " and ".join(kind.name for kind in case.needed)
        yield f"{head}: {names} must both be loosened"
    elif case.needed and case.unanswered:
        yield f"nothing would do without loosening this: {case.needed[0].name}"
    elif case.unanswered:
        yield "no single relaxation that would do was found"
    else:
        yield "no limit loosened alone would do"
    yield _asked(case, found)


def _asked(case: _Case, found: Sequence[Relaxation]) -> str:
    text = f"{case.solves} re-solves"
    open_still = [one.kind.name for one in found if not one.proved]
    if any(one.proved and not one.kind.step for one in found):
        text += f"; amounts are the least to within {FINENESS}"
    if case.unanswered or open_still:
        text += "; not proved for lack of time"
        if open_still:
            text += f": that less would not do for {', '.join(open_still)}"
        if case.unanswered:
            text += f"; {len(case.unanswered)} questions not answered: whether one of these would "
            text += f"do alone: {', '.join(case.unanswered)}"
    return text
