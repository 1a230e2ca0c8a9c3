"""The resistor of a charger's current sense as a choice: one front for each, then one of all.

Each value has its exact front in cost and loss. The error of the end of charge falls as the
resistor grows, and within a value it is the same for every set, as is the loss in the resistor.
So a point is beaten exactly by a point of its own front (there is none) or by one whose end of
charge is as near, that is no dearer and, both losses of each together, loses no more.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer import loads
from optimizer.buying import charge_of
from optimizer.catalog import Catalog
from optimizer.charge_sense import SUBJECT, ChargePart
from optimizer.dominance import covered, staircase
from optimizer.errors import NoFeasibleDesign
from optimizer.found import Found
from optimizer.load_records import LeadAcid, Lithium
from optimizer.records import LOSS_UNIT, IntArray, Note, Selection
from optimizer.results import ChargeSense, FrontPoint, Run, shape_name
from optimizer.scouts import costs_and_losses
from optimizer.spec_edit import by_sense
from optimizer.spec_records import OBJECTIVE_WORST, Spec
from optimizer.spec_text import trade


@dataclass(frozen=True, slots=True)
class Unbeaten:
    """Of the front of one value the points that stay, and their numbers in the joint one."""

    found: Found
    sense: ChargeSense
    numbers: tuple[int, ...]


def sense_of(spec: Spec, charge: ChargePart | None = None) -> ChargeSense:
    """The resistor of a charger's spec with its loss and the end of charge it gives.

    charge : its part, whose spread then counts beside the offset
    """
    record, full = spec.load.record, spec.load.i_output
    if not isinstance(record, LeadAcid | Lithium):
        raise ValueError("no charger")
    resistance = record.resistance_sense
    squares = sum(row.share * (row.load_share * full) ** 2 for row in spec.mission)
    worst = spec.choice.objective == OBJECTIVE_WORST
    end = record.end_share * full
    error = loads.i_end_error(v_sense_offset=record.v_sense_offset, resistance=resistance)
    counted = charge is not None and charge.found
    return ChargeSense(
        resistance=resistance,
        loss=(full**2 if worst else squares) * resistance,
        i_end=end,
        i_end_min=charge.i_end_min if charge and counted else max(end - error, 0.0),
        i_end_max=charge.i_end_max if charge and counted else end + error,
        part=charge.name if charge and counted else "",
    )


def specs_of(
    spec: Spec, catalog: Catalog, *, told: bool = False
) -> list[tuple[Spec, ChargeSense | None]]:
    """A spec at each charge-current sense that it offers, the nearest end of charge first.

    told : whether a charger with one resistor tells it too, to be compared with one of several
    """
    choice = bool(spec.load.senses) or (told and is_charger(spec))
    every = by_sense(spec)
    if not choice:
        return [(one, None) for one in every]
    found = [(one, sense_of(one, charge_of(one, catalog.tables))) for one in every]
    return [*sorted(found, key=lambda one: one[1].error)]


def found_sense(found: Found) -> ChargeSense:
    """The resistor of a search."""
    return sense_of(found.spec, found.prices.charge)


def name_of(sense: ChargeSense) -> str:
    """A value as it is named in messages."""
    return trade(sense.resistance, "resistance")


def unbeaten(founds: Sequence[Found]) -> list[Unbeaten]:
    """What stays of each front, the nearest end of charge first; numbered by cost, then loss.

    founds : searches of the same spec, each resistor once; those without a front are left out
    """
    none: IntArray = np.zeros(0, dtype=np.int64)
    stair = (none, none)
    kept: list[tuple[Found, ChargeSense, list[Selection]]] = []
    for found in sorted(founds, key=lambda one: found_sense(one).error):
        if found.front is None:
            continue
        sense = found_sense(found)
        cost, loss = _units(found.front.points, sense)
        stays = np.flatnonzero(~covered(cost, loss, stair))
        cost, loss = np.append(stair[0], cost[stays]), np.append(stair[1], loss[stays])
        index = staircase(cost, loss)
        stair = cost[index], loss[index]
        kept.append((found, sense, [found.front.points[k] for k in stays]))
    order = sorted(
        (one.cost, one.loss + loss_units(sense), k, at)
        for k, (_, sense, points) in enumerate(kept)
        for at, one in enumerate(points)
    )
    number = {(k, at): place for place, (_, _, k, at) in enumerate(order, start=1)}
    answer = []
    for k, (found, sense, points) in enumerate(kept):
        if not points or found.front is None:
            continue
        mine = replace(found, front=replace(found.front, points=tuple(points)))
        answer.append(Unbeaten(mine, sense, tuple(number[k, at] for at in range(len(points)))))
    return answer


def is_charger(spec: Spec) -> bool:
    """Whether the load has a charge-current sense."""
    return isinstance(spec.load.record, LeadAcid | Lithium)


def loss_units(sense: ChargeSense) -> int:
    """Loss in a resistor in units of the decision."""
    return round(sense.loss / LOSS_UNIT)


def _units(points: Sequence[Selection], sense: ChargeSense) -> tuple[IntArray, IntArray]:
    cost, loss = costs_and_losses(points)
    return cost, loss + loss_units(sense)


def none_feasible(spec: Spec, apart: Sequence[NoFeasibleDesign]) -> NoFeasibleDesign:
    """The error of a spec that nothing passes at any of its resistors, from that of each alone."""
    names = [trade(value, "resistance") for value in spec.load.senses]
    lines = []
    for name, error in zip(names, apart, strict=True):
        lines += [f"{SUBJECT} {name}:", *(f"  {line}" for line in str(error).splitlines())]
    would_do = [(one.share, name, one) for name, one in zip(names, apart, strict=True)]
    _, name, first = min(would_do, key=lambda item: (not item[2].remedy, item[0]))
    if first.remedy:
        lines.append(f"smallest single relaxation over all: {first.remedy}, at {name}")
    return NoFeasibleDesign("\n".join(lines), share=first.share, remedy=first.remedy)


def joined(
    spec: Spec,
    founds: Sequence[Found],
    parts: Sequence[Unbeaten],
    runs: Sequence[Run],
    *,
    lacking: Callable[[Found], bool],
    echo: tuple[tuple[str, str, str], ...],
) -> Run:
    """The runs of several values as one.

    runs : of `parts`, their points numbered already
    lacking : whether points of a search's own front may lack
    """
    open_senses = [found_sense(one) for one in founds if lacking(one)]
    ended = [name_of(one) for one in open_senses]
    nearest = min((one.error for one in open_senses), default=math.inf)
    points: list[FrontPoint] = []
    ties = 0
    for part, run in zip(parts, runs, strict=True):
        later = part.sense.error > nearest
        points += [_with_sense(point, part.sense, ties, proved=not later) for point in run.points]
        ties = max([ties, *(one.tie for one in points)])
    names = [name_of(part.sense) for part in parts]
    left = [f"{n}: {run.not_proved}" for n, run in zip(names, runs, strict=True) if run.not_proved]
    if ended:
        left.append(
            f"not searched to the end: {', '.join(ended)}; what was not found there may beat points"
            " whose charging ends less near"
        )
    return replace(
        runs[0],
        points=tuple(sorted(points, key=lambda one: one.number)),
        complete=not ended and all(run.complete for run in runs),
        not_proved="; ".join(left),
        state_difference=max(run.state_difference for run in runs),
        refused=tuple(dict.fromkeys(one for run in runs for one in run.refused)),
        waterfalls=tuple(
            replace(one, position=f"{name}, {one.position}")
            for name, run in zip(names, runs, strict=True)
            for one in run.waterfalls
        ),
        lanes_dropped=_told([run.lanes_dropped for run in runs], names),
        notes=(*_notes(spec, founds, parts), *_told([run.notes for run in runs], names)),
        echo=echo,
        stages={
            stage: sum(run.stages.get(stage, 0.0) for run in runs)
            for stage in dict.fromkeys(stage for run in runs for stage in run.stages)
        },
        counts=_counts(runs, names) | {"points": len(points)},
        shapes={
            shape_name(topology, part.sense.resistance): shape
            for part, run in zip(parts, runs, strict=True)
            for topology, shape in run.shapes.items()
        },
    )


def _with_sense(point: FrontPoint, sense: ChargeSense, ties: int, *, proved: bool) -> FrontPoint:
    return replace(
        point,
        charge_sense=sense,
        tie=point.tie + ties if point.tie >= 0 else point.tie,
        proof=point.proof if proved else "",
    )


def _told(notes: Sequence[tuple[Note, ...]], names: Sequence[str]) -> tuple[Note, ...]:
    """Notes of all values once, what only some say under their names."""
    held: dict[Note, list[str]] = {}
    for name, mine in zip(names, notes, strict=True):
        for note in mine:
            held.setdefault(note, []).append(name)
    return tuple(
        note if len(sayers) == len(names) else _said_by(note, ", ".join(sayers))
        for note, sayers in held.items()
    )


def _said_by(note: Note, names: str) -> Note:
    """The note under the names of the values it is about; of a caution only the text is shown."""
    if note.kind == "caution":
        return replace(note, text=f"{note.text} ({names})")
    return replace(note, subject=f"{note.subject} ({names})")


def _counts(runs: Sequence[Run], names: Sequence[str]) -> dict[str, int]:
    """Counts that agree, and the others under the name of their value."""
    found: dict[str, int] = {}
    for name, run in zip(names, runs, strict=True):
        for key, count in run.counts.items():
            same = all(other.counts.get(key) == count for other in runs)
            found[key if same else f"{key}, {name}"] = count
    return found


def _notes(spec: Spec, founds: Sequence[Found], parts: Sequence[Unbeaten]) -> tuple[Note, ...]:
    """What the values offered give, and which of them have no point of the front."""
    notes = [note for note in spec.notes if note.kind == "excluded" and "sense" in note.subject]
    full = spec.load.i_output
    for found in founds:
        sense = found_sense(found)
        mine = [part for part in parts if part.sense == sense]
        fate = f"{len(mine[0].numbers)} points of the front"
        if not mine:
            beaten = found.front is not None and found.front.points
            fate = "no set passes"
            if beaten:
                fate = "every set is beaten by one whose charging ends as near"
        low, end, high = (
            trade(float(f"{x:.3g}"), "current")
            for x in (sense.i_end_min, sense.i_end, sense.i_end_max)
        )
        heat = trade(float(f"{full**2 * sense.resistance:.3g}"), "power")
        text = (
            f"{name_of(sense)}: charging ends at {end}, between {low} and {high};"
            f" {heat} in it at full current; {fate}"
        )
        notes.append(Note("finding" if not mine else "assumed", SUBJECT, text))
    text = "its loss is told beside that of the stage and both together are compared"
    notes.append(Note("assumed", SUBJECT, text))
    return tuple(notes)
