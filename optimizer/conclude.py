"""From a search to what the user gets: every point verified, marked, and told what it rests on."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Sequence
from dataclasses import replace

from optimizer import conclude_senses as senses
from optimizer import crew, frontier, infeasible, placed, search, spec_echo
from optimizer.catalog import Catalog
from optimizer.conclude_bill import same_at_both
from optimizer.conclude_board import verify_board
from optimizer.conclude_detail import verified_all, with_evidence
from optimizer.conclude_evidence import shape_of
from optimizer.conclude_kept import kept_out_notes
from optimizer.conclude_notes import run_notes
from optimizer.conclude_sets import chosen_sets
from optimizer.errors import NoFeasibleDesign, NotProved
from optimizer.found import Found, Progress, Stop, never, quiet
from optimizer.frontier import Frontier
from optimizer.records import COST_UNIT, LOSS_UNIT, Note, Selection
from optimizer.results import ChargeSense, FrontPoint, PartSet, Run, Verified
from optimizer.results_evidence import DETAILED_POINTS
from optimizer.spec_edit import by_sense, with_sense
from optimizer.spec_records import OBJECTIVE_WORST, Spec

__all__ = ["front", "run_of", "verify_board", "verify_each"]

LACKING = ("not searched", "not proved", "interrupted")
"""How a sentence begins that says points may lack."""

PROVE_USUAL, PROVE_ALL = 13, 1 << 30
"""Points of the merge that the solver proves again: ends, knee and ten more, or all."""


def front(
    spec: Spec,
    catalog: Catalog,
    *,
    engine: str = "auto",
    time_limit: float | None = None,
    prove_all: bool = False,
    processes: int | None = None,
    detailed: int = DETAILED_POINTS,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Run:
    """The front of a spec, every point verified at its own state.

    engine : "auto", "merge" (no second proof) or "solver"
    time_limit : for search and proof [s]; what is proved by then is kept and the rest named
    prove_all : let the solver prove every point of the merge again
    processes : how many share the work (default: two where there are two cores); the answer is
        the same
    detailed : points that get evidence, at most; with 0 none is told with what becomes of it
        under faults either

    Raises `InputError` where a forced part cannot be used, `NoFeasibleDesign` with the reasons
    where nothing passes, and `NotProved` where the time was too short for a first set.
    """
    end = math.inf if time_limit is None else time.monotonic() + time_limit
    asked = by_sense(placed.checked(spec, catalog))
    founds: list[Found] = []
    for k, one in enumerate(asked):
        if len(asked) > 1:
            progress("charge-current sense", senses.name_of(senses.sense_of(one)))
        left = (end - time.monotonic()) / (len(asked) - k)
        found = search.solve(
            one,
            catalog,
            engine=engine,
            time_limit=None if time_limit is None else max(left, 0.0),
            prove_points=PROVE_ALL if prove_all else PROVE_USUAL,
            processes=processes,
            progress=progress,
            stop=stop,
        )
        founds.append(found)
    if not any(found.front is not None and found.front.points for found in founds):
        for found in founds:
            if _cut_short(found):
                raise NotProved(_nothing_yet(found))
        raise _none_feasible(spec, catalog, founds, end, progress, stop)
    if not spec.load.senses:
        return run_of(
            found,
            catalog,
            name=spec.name,
            processes=processes,
            progress=progress,
            detailed=detailed,
        )
    kept = senses.unbeaten(founds)
    runs = [
        run_of(
            part.found,
            catalog,
            name=spec.name,
            processes=processes,
            progress=progress,
            numbers=part.numbers,
            detailed=-(-detailed // len(kept)),
        )
        for part in kept
    ]
    echo = spec_echo.rows(spec)
    return senses.joined(spec, founds, kept, runs, lacking=_lacking, echo=echo)


def verify_each(
    spec: Spec, catalog: Catalog, part_set: PartSet, resistance: float | None = None
) -> list[tuple[ChargeSense | None, Verified, tuple[Note, ...]]]:
    """A board verified at every charge-current sense its spec offers, with each of them where it
    offers several.

    resistance : the only one to verify it with [ohm], offered or not
    """
    single = with_sense(spec, resistance)
    return [
        (sense, *verify_board(one, catalog, part_set))
        for one, sense in senses.specs_of(single, catalog, told=bool(spec.load.senses))
    ]


def _none_feasible(
    spec: Spec, catalog: Catalog, founds: Sequence[Found], end: float, say: Progress, stop: Stop
) -> NoFeasibleDesign:
    """The error to raise, each charge-current sense explained until `end`."""
    apart = []
    for k, one in enumerate(founds):
        left = (end - time.monotonic()) / (len(founds) - k)
        apart.append(
            infeasible.explain(one.spec, catalog, one, time_limit=left, progress=say, stop=stop)
        )
    return senses.none_feasible(spec, apart) if len(apart) > 1 else apart[0]


def _cut_short(found: Found) -> bool:
    """Whether time or the user ended the search before it could know that nothing is feasible."""
    return bool(found.open or found.skipped) or (
        found.front is not None and not found.front.complete
    )


def _nothing_yet(found: Found) -> str:
    left = "; ".join(_not_searched(found)) or "the solver had no time"
    lines = [f"stopped before a first feasible set was found: {left}; allow more time"]
    fallen = [one for one in found.waterfalls if one.falls]
    lines += ["what fell so far:"] if fallen else []
    return "\n".join([*lines, *map(infeasible.waterfall_text, fallen)])


def run_of(
    found: Found,
    catalog: Catalog,
    *,
    name: str,
    processes: int | None = 1,
    progress: Progress = quiet,
    numbers: Sequence[int] | None = None,
    detailed: int = DETAILED_POINTS,
) -> Run:
    """Everything a search found, verified and told: the record a run folder keeps.

    processes : how many share the work; None for one per core. The record does not depend on it
    numbers : of the points; None for 1, 2, ...
    detailed : see `front`
    """
    if found.front is None or found.choice is None:
        raise ValueError("a search without a front: see infeasible.explain")
    since = time.monotonic()
    selections = found.front.points
    chosen = chosen_sets(selections, found.choice, found.prices, found.markets)
    processes = processes or crew.available()
    numbers = numbers or range(1, len(selections) + 1)
    verified = verified_all(found.stages, chosen, processes=processes)
    points = _points(found, found.front, verified, numbers)
    seconds = dict(found.seconds) | {"verification": time.monotonic() - since}
    progress("verification", f"{len(points)} sets at their own state")

    def notes() -> tuple[Note, ...]:
        return (
            *run_notes(found, catalog, points),
            *kept_out_notes(found, chosen, points),
            *same_at_both(found.spec, catalog.tables, chosen),
        )

    if not detailed:
        noted = notes()
    else:
        points, noted = with_evidence(
            found.stages, points, chosen, most=detailed, processes=processes, meanwhile=notes
        )
        seconds["evidence"] = time.monotonic() - since - seconds["verification"]
        told = sum(point.evidence is not None for point in points)
        progress("evidence", f"{told} sets in detail")
    not_proved = _not_proved(found, found.front)
    return Run(
        name=name,
        title=found.spec.name,
        currency=found.spec.purchase.currency,
        objective=found.spec.choice.objective,
        points=points,
        complete=found.front.complete and not (found.open or found.skipped),
        engine=found.front.engine,
        not_proved=not_proved,
        state_difference=largest_difference(points),
        refused=tuple(found.refused),
        waterfalls=tuple(found.waterfalls),
        lanes_dropped=tuple(note for one in found.points.values() for note in one.dropped),
        notes=noted,
        echo=spec_echo.rows(found.spec),
        stages=seconds,
        counts=_counts(found, catalog, points),
        hashes=dict(catalog.hashes),
        versions={},
        shapes={name: shape_of(found.stages[name]) for name in {c.topology for c in chosen}},
    )


# --- points ---------------------------------------------------------------------------------------


def _points(
    found: Found, proved: Frontier, verified: Sequence[Verified], numbers: Sequence[int]
) -> tuple[FrontPoint, ...]:
    """The points of a front with what is proved, marked and tied; no marks where some may lack."""
    worst = found.spec.choice.objective == OBJECTIVE_WORST
    selections = proved.points
    marks = {} if _lacking(found) else _marks(selections, verified)
    points = [
        _point(numbers[k], one, checked, marks.get(k, ""), worst=worst)
        for k, (one, checked) in enumerate(zip(selections, verified, strict=True))
    ]
    ties = tie_groups([one.loss_model for one in points], largest_difference(points))
    return tuple(replace(one, tie=tie) for one, tie in zip(points, ties, strict=True))


def _lacking(found: Found) -> bool:
    """Whether points of the front may lack."""
    left = found.front.not_proved if found.front is not None else ()
    return bool(found.open or found.skipped) or any(text.startswith(LACKING) for text in left)


def _point(number: int, one: Selection, checked: Verified, mark: str, *, worst: bool) -> FrontPoint:
    model = one.loss * LOSS_UNIT
    own = checked.loss_worst if worst else checked.loss_mission
    bound = one.loss if one.proof and not math.isfinite(one.bound) else one.bound
    return FrontPoint(
        number=number,
        cost=round(one.cost * COST_UNIT, 4),
        loss_model=model,
        bound=bound * LOSS_UNIT,
        proof=one.proof,
        loss_difference=(own - model) / model,
        mark=mark,
        tie=-1,
        verified=checked,
    )


def _marks(points: tuple[Selection, ...], verified: Sequence[Verified]) -> dict[int, str]:
    """Both ends, the knee between them, and the cheapest that keeps every limit at its own state.

    The last one only where a cheaper point misses a limit there.
    """
    knee = frontier.knee(points)
    marks = {knee: "knee", len(points) - 1: "least loss", 0: "cheapest"}
    keeps = (k for k, one in enumerate(verified) if all(m.passes for m in one.margins))
    first = next(keeps, 0)
    return {first: "cheapest that keeps all", **marks}


def largest_difference(points: Sequence[FrontPoint]) -> float:
    """Largest difference between own and reference state, a share of the loss."""
    shares = [abs(one.loss_difference) for one in points if math.isfinite(one.loss_difference)]
    return max(shares, default=0.0)


def tie_groups(losses: Sequence[float], share: float) -> list[int]:
    """Group number of each loss, -1 where alone: all losses of a group lie within `share`.

    losses : falling

    >>> tie_groups([2.0, 1.999, 1.5, 1.0, 0.999, 0.998], 0.001)
    [1, 1, -1, 2, 2, -1]
    """
    found = [-1] * len(losses)
    number = start = 0
    while start < len(losses):
        end = start + 1
        while end < len(losses) and losses[start] - losses[end] <= share * losses[start] + 1e-12:
            end += 1
        if end - start > 1:
            number += 1
            found[start:end] = [number] * (end - start)
        start = end
    return found


# --- what is left open ----------------------------------------------------------------------------

_AMOUNT = re.compile(r"\b(cost|cost up to|loss|loss below|bound|gap) (-?\d+(?:\.\d+)?)\b")


def in_user_units(text: str, currency: str) -> str:
    """A sentence about a front with its cost and loss units as money and watts.

    >>> in_user_units("cost up to 81500, loss below 123000: best loss 125000", "EUR")
    'cost up to 8.15 EUR, loss below 1.230 W: best loss 1.250 W'
    """

    def amount(found: re.Match[str]) -> str:
        value = float(found[2])
        if found[1].startswith("cost"):
            return f"{found[1]} {value * COST_UNIT:.2f} {currency}"
        return f"{found[1]} {value * LOSS_UNIT:.3f} W"

    return _AMOUNT.sub(amount, text)


def _not_proved(found: Found, proved: Frontier) -> str:
    """What is open, in the user's units; empty where everything is proved."""
    currency = found.spec.purchase.currency
    texts = [in_user_units(text, currency) for text in proved.not_proved]
    open_still = sum(not point.proof for point in proved.points)
    if open_still and _cut_short(found):
        texts.insert(0, f"{open_still} of {len(proved.points)} points may still be beaten")
    return "; ".join([*_not_searched(found), *texts])


def _not_searched(found: Found) -> list[str]:
    """What the search did not come to."""
    texts = []
    if found.open:
        texts.append(
            f"{len(found.open)} of {found.counts.get('skeletons', 0)} combinations of topology, "
            "frequency and inductor were not searched"
        )
    if found.skipped:
        texts.append(f"not searched at all: {', '.join(found.skipped)}")
    return texts


def _counts(found: Found, catalog: Catalog, points: Sequence[FrontPoint]) -> dict[str, int]:
    read = {f"{kind} rows read": count for kind, count in catalog.rows.items()}
    lanes = {f"lanes, {name}": len(one.lanes) for name, one in found.points.items()}
    return read | lanes | found.counts | {"points": len(points)}
