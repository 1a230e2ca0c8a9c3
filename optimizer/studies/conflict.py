"""Nothing feasible: the smallest set of limits that conflict, each shown to be part of it.

A set of limits is in conflict when nothing keeps all of them although every other limit gives way
as far as it can. First some conflict is found among the limits that designs break, and every limit
that it does not need is taken out. Whether a smaller one exists is told by hitting sets: every
design found so far breaks some limits, a conflict must hold at least one of those, so the next
candidate is the smallest set that hits them all. Either a search shows that it is in conflict, or
it finds a design more.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from optimizer import buying, search
from optimizer.catalog import Catalog
from optimizer.conclude_margins import failing
from optimizer.conclude_senses import specs_of
from optimizer.conclude_sets import Chosen, first_set, part_set_of
from optimizer.found import Progress, Stop, never, quiet
from optimizer.infeasible_kinds import kinds
from optimizer.infeasible_probe import judged, near_sets, nearest
from optimizer.infeasible_rules import Kind
from optimizer.points import points
from optimizer.points_lanes import LOSS_CEILING
from optimizer.results import ChargeSense, Margin, as_plain
from optimizer.spec_edit import by_sense
from optimizer.spec_records import Spec
from optimizer.stage import Stage, build_stage
from optimizer.studies.answer import Answer, Grid, listed
from optimizer.studies.fronts import at_sense, sense_data
from optimizer.studies.judging import broken_rules, worst_first

CANDIDATES_MAX = 200_000
"""Sets of limits looked at for the smallest one that hits every design's broken limits."""

NEAR = 4
"""Near sets of each topology that the first candidate must answer to."""

FIRST = 2
"""Skeletons of each topology looked into before a search."""

STANDING = ("loss ceiling", "gate drive")
"""Kinds whose loosening can also take sets away: they stand as they are, and are asked alone."""


@dataclass(frozen=True, slots=True)
class Design:
    """A set with the charge-current sense it goes with, by its number among those offered."""

    chosen: Chosen
    variant: int


@dataclass(frozen=True, slots=True)
class Witness:
    """A design, the limits it keeps (as they stand) and why it breaks the others."""

    design: Design
    kept: frozenset[str]
    broken: tuple[str, ...]


@dataclass(slots=True)
class _Case:
    spec: Spec
    catalog: Catalog
    every: dict[str, Kind]
    standing: dict[str, Kind]
    deadline: float
    progress: Progress
    stop: Stop
    witnesses: list[Witness] = field(default_factory=list)
    solves: int = 0
    core: frozenset[str] | None = None

    def loosened(self, held: frozenset[str]) -> Spec:
        """The spec with every limit but those of `held` given way as far as it can."""
        spec = self.spec
        for name, kind in self.every.items():
            spec = spec if name in held else kind.at(spec, kind.most)
        return spec

    def late(self) -> bool:
        """Whether to end now."""
        return self.stop() or time.monotonic() >= self.deadline


def conflict(
    spec: Spec,
    catalog: Catalog,
    *,
    time_limit: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Answer:
    """The smallest set of limits of which nothing keeps all, with a witness for each.

    Raises nothing where a set passes: the answer says so.
    """
    began = time.monotonic()
    end = math.inf if time_limit is None else began + time_limit
    every = {kind.name: kind for kind in kinds(spec)}
    standing = {name: every.pop(name) for name in STANDING if name in every}
    case = _Case(spec, catalog, every, standing, end, progress, stop)
    answer = _searched(case)
    return replace(answer, seconds=time.monotonic() - began)


def _searched(case: _Case) -> Answer:
    refused = [f"{name} refused: {text}" for name, text in _refusals(case.spec, case.catalog)]
    if len(refused) == len(case.spec.topologies) * len(by_sense(case.spec)):
        return _plain_answer(case, "; ".join(refused), "proved: voltages rule it out", True)
    held = frozenset(case.every)
    first = _design(case, held)
    if first is None:
        return _open(case, 0)
    if isinstance(first, Design):
        return _plain_answer(case, "there is no conflict: a set passes", "proved: it passes", True)
    _from_near(case)
    if not _cored(case):
        return _open(case, 0)
    core, size = case.core or frozenset(), 0
    while True:
        candidate = _smallest_hit(case, size)
        if candidate is None:
            return _open(case, size)
        size = len(candidate)
        if size >= len(core):
            return _answer(case, core) if core else _hard(case)
        found = _asked(case, candidate)
        if found is None:
            return _open(case, size)
        if not found:
            return _answer(case, candidate) if candidate else _hard(case)


def _cored(case: _Case) -> bool:
    """Fill `core`: limits in conflict of which each is needed; False where time ran out.

    Every design that keeps all limits looked at so far breaks another one, which is added until
    nothing keeps them all. Then what the rest does without is taken out, at first half of it.
    """
    every = case.core = frozenset(case.every)
    held = _broken(case)
    while held < every:
        found = _asked(case, held)
        if found is None:
            return False
        if not found:
            case.core = held
            break
        held = held | (every - case.witnesses[-1].kept)
    size = len(case.core)
    while size:
        size = (size + 1) // 2
        for some in _parts(case, size):
            rest = case.core - some
            if any(rest <= one.kept for one in case.witnesses):
                continue
            found = _asked(case, rest)
            if found is None:
                return False
            if not found:
                case.core = rest
        size = 0 if size == 1 else size
    return True


def _asked(case: _Case, held: frozenset[str]) -> bool | None:
    """Whether a design keeps the limits of `held`; it is kept as a witness. None: no time."""
    found = _design(case, held)
    if isinstance(found, Design):
        case.witnesses.append(_grown(case, found, held))
        return True
    return found


def _parts(case: _Case, size: int) -> list[frozenset[str]]:
    """The conflict in parts, those first that few designs break and that are no plain limits."""
    names = list(case.every)
    often = {name: sum(name not in one.kept for one in case.witnesses) for name in names}
    order = sorted(case.core or (), key=lambda one: (often[one], -names.index(one)))
    return [frozenset(order[k : k + size]) for k in range(0, len(order), size)]


def _broken(case: _Case) -> frozenset[str]:
    """Limits that some design known breaks."""
    kept = [one.kept for one in case.witnesses]
    return frozenset(case.every) - frozenset.intersection(*kept) if kept else frozenset()


def _refusals(spec: Spec, catalog: Catalog) -> Iterator[tuple[str, str]]:
    for one, sense in specs_of(spec, catalog):
        for name in one.topologies:
            reason = search.refusal(one, name)
            if reason is not None:
                yield f"{name}{at_sense(sense)}", reason


# --- designs --------------------------------------------------------------------------------------


def _design(case: _Case, held: frozenset[str]) -> Design | bool | None:
    """A set, at any charge-current sense offered, that keeps the limits of `held`; False where
    none does, None where not answered."""
    told = listed(sorted(held), most=3) if held else "no limit at all"
    for number, (spec, sense) in enumerate(specs_of(case.loosened(held), case.catalog)):
        if case.late():
            return None
        left = case.deadline - time.monotonic()
        case.progress("conflict", f"does a set{at_sense(sense)} keep {told}? ...")
        near = _near_design(case, spec, number, held)
        if near is not None:
            case.progress("conflict", "yes")
            return near
        found = search.solve(
            spec,
            case.catalog,
            any_set=True,
            time_limit=None if math.isinf(left) else max(left, 0.05),
            stop=case.stop,
        )
        case.solves += 1
        if found.first is not None:
            case.progress("conflict", "yes")
            return Design(first_set(found), number)
        if not found.none() or case.late():
            return None
        case.progress("conflict", "no")
    return False


def _near_design(case: _Case, spec: Spec, number: int, held: frozenset[str]) -> Design | None:
    """A set of the most promising skeletons that keeps the limits of `held`: no search is needed.

    Where all limits stand none does as a rule, and what a search says then counts.
    """
    if held == frozenset(case.every):
        return None
    prices = buying.prices(spec, case.catalog.tables)
    for name in spec.topologies:
        if search.refusal(spec, name) is None:
            for near in nearest(_stage(case, spec, name), prices, FIRST):
                one = Design(near.chosen, number)
                if not near.broken and _keeps(case, one, held):
                    return one
    return None


def _from_near(case: _Case) -> None:
    """Designs that come near, each grown to all the limits it keeps: candidates for nothing."""
    prices = buying.prices(case.spec, case.catalog.tables)
    for number, (spec, _) in enumerate(specs_of(case.spec, case.catalog)):
        for name in spec.topologies:
            if search.refusal(spec, name) is None:
                stage = _stage(case, spec, name)
                for near in near_sets(stage, prices)[0][:NEAR]:
                    one = Design(near.chosen, number)
                    if _keeps(case, one, frozenset()):
                        case.witnesses.append(_grown(case, one, frozenset()))


def _stage(case: _Case, spec: Spec, topology: str) -> Stage:
    lanes = points(spec, topology).lanes
    return build_stage(spec, topology, lanes=lanes, tables=case.catalog.tables)


def _keeps(case: _Case, one: Design, held: frozenset[str]) -> bool:
    """Whether a set passes when only the limits of `held` stand as they are."""
    return not any(_faults(case, case.loosened(held), one))


def _faults(case: _Case, spec: Spec, one: Design) -> tuple[list[Margin], list[str]]:
    """Limits and rules of a spec that a design breaks."""
    stage = _stage(case, specs_of(spec, case.catalog)[one.variant][0], one.chosen.topology)
    prices = buying.prices(spec, case.catalog.tables)
    rules = broken_rules(stage, prices, [one.chosen])[0]
    return worst_first(judged(stage, [one.chosen])[0].broken), list(rules)


def _grown(case: _Case, one: Design, held: frozenset[str]) -> Witness:
    """As many limits as the set keeps together: all that its faults do not name, then the rest.

    A limit that alone names a fault is not tried: it would be broken still.
    """
    margins, texts = _faults(case, case.spec, one)
    naming = [{n for n, kind in case.every.items() if kind.covers(m)} for m in margins]
    named = set().union(*naming)
    alone = {n for names in naming if len(names) == 1 for n in names}
    kept = held
    waiting = [[n for n in case.every if n in named - alone - held]]
    waiting.append([n for n in case.every if n not in named | held])
    while waiting:
        some = waiting.pop()
        if some and _keeps(case, one, kept | set(some)):
            kept = kept | set(some)
        elif len(some) > 1:
            waiting += [some[len(some) // 2 :], some[: len(some) // 2]]
    return Witness(one, kept, (*(failing(margin) for margin in margins), *texts))


# --- hitting sets ---------------------------------------------------------------------------------


def _smallest_hit(case: _Case, size: int) -> frozenset[str] | None:
    """A smallest set of limits that holds one broken by each design; None where too many."""
    broken = [frozenset(case.every) - witness.kept for witness in case.witnesses]
    broken = [one for one in broken if not any(other < one for other in broken)]
    names = sorted(set().union(*broken)) if broken else []
    rows = np.array([[name in one for name in names] for one in broken], dtype=bool)
    looked = 0
    for count in range(size, len(names) + 1):
        for some in combinations(range(len(names)), count):
            looked += 1
            if looked > CANDIDATES_MAX:
                return None
            if not len(broken) or bool(rows[:, list(some)].any(axis=1).all()):
                return frozenset(names[k] for k in some)
    return None


# --- answers --------------------------------------------------------------------------------------


def _question(case: _Case) -> str:
    return f"Which limits of {case.spec.name!r} conflict?"


def _plain_answer(case: _Case, text: str, proof: str, proved: bool) -> Answer:
    data = {"conflict": [], "searches": case.solves, "feasible": text.startswith("there is no")}
    return Answer(_question(case), text, proof, proved, data=data)


def _open(case: _Case, size: int) -> Answer:
    text = f"not found in the time given; no set of fewer than {size} limits is in conflict"
    if size == 0:
        text = "not found in the time given"
    if case.core:
        text += f"; no set keeps all of {listed(sorted(case.core), most=6)}, maybe not even some"
    return _plain_answer(case, text, f"not proved: {case.solves} searches", False)


def _answer(case: _Case, found: frozenset[str]) -> Answer:
    names = sorted(found)
    shown = [(name, _without(case, found, name)) for name in names]
    word = "limit" if len(names) == 1 else f"{len(names)} limits"
    text = f"no set keeps {'this ' if len(names) == 1 else 'these '}{word}: {listed(names)}"
    proof = (
        f"proved by {case.solves} searches: nothing keeps {'it' if len(names) == 1 else 'all'} "
        "although every other limit gives way, and no smaller set of limits is in conflict"
    )
    standing = [name for name in case.standing if name not in found]
    if standing:
        proof += f" ({listed(standing)} as in the spec)"
    rows = tuple((name, _set_text(case, one), _miss_text(one)) for name, one in shown)
    heads = ("without", "this set keeps the others", "and fails on")
    return Answer(
        question=_question(case),
        answer=text,
        proof=proof,
        proved=True,
        grids=(Grid("Each of them is needed for the conflict", heads, rows),),
        data={
            "conflict": names,
            "feasible": False,
            "witnesses": [
                {
                    "without": name,
                    "set": as_plain(part_set_of(one.design.chosen, case.catalog.tables)),
                    **sense_data(_sense(case, one)),
                    "keeps": sorted(one.kept),
                    "fails": list(one.broken),
                }
                for name, one in shown
                if one is not None
            ],
            "searches": case.solves,
        },
    )


def _hard(case: _Case) -> Answer:
    """Nothing passes although every limit gives way: one of those that stand may be the reason."""
    for name, kind in case.standing.items():
        for amount in _amounts(case.spec, kind):
            alone = replace(case, spec=kind.at(case.spec, amount))
            found = _design(alone, frozenset())
            case.solves += 1
            if found is None:
                return _open(case, 0)
            if isinstance(found, Design):
                margins, texts = _faults(case, case.spec, found)
                told = (*(failing(margin) for margin in margins), *texts)
                case.witnesses.append(Witness(found, frozenset(), told))
                return _answer(case, frozenset([name]))
    text = "nothing passes even where every limit gives way: ratings and voltages rule it out"
    return _plain_answer(case, text, f"proved by {case.solves} searches", True)


def _amounts(spec: Spec, kind: Kind) -> list[float]:
    """How far a limit that stands gives way: a ceiling first to what is usual, then to its most."""
    now = spec.limits.loss_ceiling or LOSS_CEILING
    usual = LOSS_CEILING / now - 1.0
    return [usual, kind.most] if kind.name == "loss ceiling" and usual > 0.0 else [kind.most]


def _without(case: _Case, found: frozenset[str], name: str) -> Witness | None:
    """A design that keeps the rest of a conflict: there is one, or a smaller set would hit all."""
    rest = found - {name}
    fits = [one for one in case.witnesses if rest <= one.kept]
    return max(fits, key=lambda one: len(one.kept), default=None)


def _set_text(case: _Case, one: Witness | None) -> str:
    if one is None:
        return "-"
    chosen = one.design.chosen
    coil = case.catalog.tables["inductor"].part_number[chosen.coil]
    at = at_sense(_sense(case, one))
    return f"{chosen.topology}, {chosen.frequency / 1e3:g} kHz, {coil}{at}"


def _sense(case: _Case, one: Witness) -> ChargeSense | None:
    return specs_of(case.spec, case.catalog)[one.design.variant][1]


def _miss_text(one: Witness | None) -> str:
    return "-" if one is None else "; ".join(_first(one.broken, 2))


def _first(texts: Sequence[str], most: int) -> list[str]:
    more = [f"{len(texts) - most} more"] if len(texts) > most else []
    return [*texts[:most], *more]
