"""Two runs: what changed in their inputs, what moved on the front, and why."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any

import numpy as np

from optimizer import conclude_senses as senses
from optimizer.catalog import Catalog
from optimizer.conclude_board import looked_up
from optimizer.conclude_margins import failing
from optimizer.conclude_senses import specs_of
from optimizer.errors import InputError
from optimizer.purchase import PRICE_NONE
from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.results import ChargeSense, PartSet, as_plain, part_set_of_plain
from optimizer.spec_records import Spec
from optimizer.studies.answer import SCREEN_ROWS, Answer, Grid, listed, money, watts
from optimizer.studies.boards import places_of
from optimizer.studies.fronts import at_sense, error_of, judged, sense_of_point, variants
from optimizer.studies.revisions import Cell, Revision, revision, revision_data, summary

Run = Mapping[str, Any]

MOVED_SHOWN = 8
"""Points that moved shown of each front."""

FIXED_KEYS = ("name", "catalogs")
"""Rows of the echo that say where inputs came from, not what they are."""


@dataclass(frozen=True, slots=True)
class Side:
    """One run, with its spec and catalogs where they are at hand as they were.

    lacks : why they are not; folder : where the run stands
    """

    run: Run
    spec: Spec | None = None
    catalog: Catalog | None = None
    lacks: str = ""
    folder: str = ""

    @property
    def name(self) -> str:
        """Name of the run, with its folder where that is known."""
        return repr(self.run["name"]) + (f" ({self.folder})" if self.folder else "")


@dataclass(frozen=True, slots=True)
class Moved:
    """A point that only one of two runs has, and why the other one has not.

    at : its charge-current sense in words, empty where it names none
    """

    number: int
    at: str
    cost: float
    loss: float
    reason: str
    detail: str


def difference(old: Side, new: Side) -> Answer:
    """What changed between two runs.

    A set that only one front holds is judged with the inputs of the other run: it is gone from
    the catalogs, breaks a rule or a limit there, or passes and is beaten.
    """
    began = time.monotonic()
    if _offers(old.run) or _offers(new.run):
        old, new = _with_senses(old), _with_senses(new)
    inputs = changed_inputs(old.run, new.run)
    rows = None
    if old.catalog is not None and new.catalog is not None:
        rows = revision(old.catalog, new.catalog)
    before, after = keys_of(old.run), keys_of(new.run)
    touched = {} if rows is None else rows.touched()
    gone = list(_moved(old, new, [k for k in before if k not in after], touched))
    come = list(_moved(new, old, [k for k in after if k not in before], touched))
    same = [key for key in before if key in after]
    answer = _answer(old, new, inputs, rows, gone, come, same)
    return replace(answer, seconds=time.monotonic() - began)


# --- inputs ---------------------------------------------------------------------------------------


def changed_inputs(old: Run, new: Run) -> list[tuple[str, str, str]]:
    """Keys of the spec, catalog files and versions that changed: name, before, after."""
    before, after = ({k: text for k, text, _ in run["echo"]} for run in (old, new))
    found = [
        (key, before.get(key, "-"), after.get(key, "-"))
        for key in dict.fromkeys([*before, *after])
        if before.get(key) != after.get(key) and key not in FIXED_KEYS
    ]
    one, two = (_files(run) for run in (old, new))
    for name in dict.fromkeys([*one, *two]):
        if one.get(name) != two.get(name):
            found.append((name, one.get(name, "-")[:12], two.get(name, "-")[:12]))
    versions = dict.fromkeys([*old["versions"], *new["versions"]])
    for name in versions:
        texts = [run["versions"].get(name, "-") for run in (old, new)]
        if texts[0] != texts[1]:
            found.append((f"version of {name}", texts[0], texts[1]))
    return found


def _files(run: Run) -> dict[str, str]:
    """Catalog files of a run by their bare name, with their hash."""
    return {
        PurePath(path).name: value
        for path, value in run["hashes"].items()
        if not path.endswith(".toml")
    }


# --- points ---------------------------------------------------------------------------------------


def keys_of(run: Run) -> dict[str, int]:
    """Part set of each point as one text -> its place in the run."""
    return {_key(point): k for k, point in enumerate(run["points"])}


def _offers(run: Run) -> bool:
    """Whether the points of a run go with one of several charge-current senses."""
    return any(sense_of_point(point) is not None for point in run["points"])


def _with_senses(side: Side) -> Side:
    """A run whose points all name their charge-current sense, also where it offers only one."""
    points = side.run["points"]
    if _offers(side.run) or side.spec is None or side.catalog is None:
        return side
    ((_, sense),) = specs_of(side.spec, side.catalog, told=True)
    if sense is None:
        return side
    sense = as_plain(sense)
    return replace(side, run={**side.run, "points": [p | {"charge_sense": sense} for p in points]})


def _loss(point: Mapping[str, Any]) -> float:
    """Loss at the reference state with that in the charge-current sense, if it is named [W]."""
    sense = sense_of_point(point)
    return float(point["loss_model"]) + (0.0 if sense is None else sense.loss)


def _key(point: Mapping[str, Any]) -> str:
    one, sense = part_set_of_plain(point["verified"]["part_set"]), sense_of_point(point)
    banks = [sorted(bank) for bank in (one.bank_input, one.bank_output, one.bank_coupling)]
    stage = (one.topology, round(one.frequency), one.inductor)
    held = repr((*stage, sorted(one.transistors.items()), banks, one.sense))
    return held if sense is None else held + senses.name_of(sense)


def _moved(
    here: Side, there: Side, keys: Sequence[str], touched: Mapping[str, Sequence[Cell]]
) -> Iterator[Moved]:
    """Points that only `here` holds, and what becomes of them `there`.

    touched : cells that changed in the catalogs, by part
    """
    places = keys_of(here.run)
    points = [here.run["points"][places[key]] for key in keys]
    sets = [part_set_of_plain(point["verified"]["part_set"]) for point in points]
    reasons = _reasons(there, sets, [sense_of_point(point) for point in points])
    for point, one, (reason, detail) in zip(points, sets, reasons, strict=True):
        name = point["number"], at_sense(sense_of_point(point))
        held = dict.fromkeys(place.part for place in places_of(one))
        cells = [f"{cell.part} {cell.column}" for part in held for cell in touched.get(part, ())]
        changed = f"; changed: {listed(cells, 2)}" if cells else ""
        yield Moved(*name, point["cost"], _loss(point), reason, detail + changed)


def _reasons(
    there: Side, sets: Sequence[PartSet], at: Sequence[ChargeSense | None]
) -> list[tuple[str, str]]:
    """Why a run does not hold some sets: judged with its own inputs."""
    if there.spec is None or there.catalog is None:
        return [("not judged", there.lacks or "its inputs are not at hand")] * len(sets)
    found: list[tuple[str, str]] = [("", "")] * len(sets)
    chosen, index = [], []
    for k, one in enumerate(sets):
        if one.topology not in there.spec.topologies:
            found[k] = ("topology", f"{one.topology} is not considered")
            continue
        try:
            chosen.append(looked_up(there.catalog, one))
            index.append(k)
        except InputError as error:
            parts = sorted({problem.got for problem in error.problems})
            found[k] = ("part not in the catalogs", "; ".join(parts[:2]))
    if chosen:
        told = any(sense is not None for sense in at)
        offered = variants(there.spec, there.catalog, told=told)
        verdicts = judged(offered, chosen, [at[k] for k in index])
        for place, k in enumerate(index):
            if verdicts.rules[place]:
                found[k] = ("breaks a rule", "; ".join(verdicts.rules[place][:2]))
            elif verdicts.broken[place]:
                found[k] = ("breaks a limit", failing(verdicts.broken[place][0]))
            elif not verdicts.known[place]:
                found[k] = ("breaks a limit", "no set of its frequency passes")
            else:
                cost, loss = int(verdicts.cost[place]), int(verdicts.loss[place])
                found[k] = _beaten(there.run, cost, loss, error_of(at[k]))
    return found


def _beaten(run: Run, cost: int, loss: int, error: float) -> tuple[str, str]:
    """The point of a run that is no dearer, loses no more and ends its charge as near as a set
    that passes there."""
    if cost >= PRICE_NONE:
        return "no price", "no price in the currency of the run"
    figures = f"{cost * COST_UNIT:.4f}, {loss * LOSS_UNIT:.4f} W there"
    costs = np.array([round(point["cost"] / COST_UNIT) for point in run["points"]])
    losses = np.array([round(_loss(point) / LOSS_UNIT) for point in run["points"]])
    near = np.array([error_of(sense_of_point(p)) <= error * (1.0 + 1e-6) for p in run["points"]])
    better = np.flatnonzero(near & (costs <= cost) & (losses <= loss + 20))
    if not len(better):
        return "passes", f"passes ({figures}) but the run does not hold it: run it again"
    best = int(better[np.argmin(losses[better])])
    number = run["points"][best]["number"]
    return "beaten", f"{figures}: point {number} is no dearer and loses no more"


# --- the answer -----------------------------------------------------------------------------------


def _ends(run: Run) -> list[tuple[str, Mapping[str, Any]]]:
    """Cheapest point, knee and point of least loss, of every charge-current sense."""
    families: dict[str, list[Mapping[str, Any]]] = {}
    for point in run["points"]:
        families.setdefault(at_sense(sense_of_point(point)), []).append(point)
    found = []
    for at, points in families.items():
        knees = [(f"knee{at}", point) for point in points if point["mark"] == "knee"]
        found += [(f"cheapest{at}", points[0]), *knees, (f"least loss{at}", points[-1])]
    return found


def _answer(
    old: Side,
    new: Side,
    inputs: Sequence[tuple[str, str, str]],
    rows: Revision | None,
    gone: Sequence[Moved],
    come: Sequence[Moved],
    same: Sequence[str],
) -> Answer:
    currency = new.run["currency"]
    before, after = dict(_ends(old.run)), dict(_ends(new.run))
    moves = [
        (
            name,
            _figures(before.get(name), currency),
            _figures(after.get(name), currency),
            _move(before, after, name, currency),
        )
        for name in dict.fromkeys([*before, *after])
    ]
    told = [f"{name} {move}" for name, _, _, move in moves if move]
    text = f"{len(same)} sets stay on the front, {len(gone)} go, {len(come)} come"
    text += f"; {'; '.join(told)}" if told else "; the ends and the knee stay where they were"
    open_runs = [side.run["name"] for side in (old, new) if not side.run["complete"]]
    lacks = [side.lacks for side in (old, new) if side.lacks]
    heads = (f">cost {currency}", ">loss W", "why", "in figures")
    grids = [
        Grid("Inputs that changed", ("input", "before", "after"), tuple(inputs[:SCREEN_ROWS])),
        Grid("Ends and knee: cost, loss", ("point", "before", "after", "moved by"), tuple(moves)),
        _moved_grid("Only in the old front", gone, heads),
        _moved_grid("Only in the new front", come, heads),
    ]
    notes = [f"catalogs: {summary(rows) or 'the same parts'}"] if rows is not None else []
    for word, moved in (("go", gone), ("come", come)):
        counted = Counter(one.reason for one in moved)
        if counted:
            each = ", ".join(f"{reason} {count}" for reason, count in counted.most_common())
            notes.append(f"why sets {word} (judged with the other run's inputs): {each}")
    notes += lacks
    proof = "every set that moved was judged again with the inputs of the other run"
    if lacks or open_runs:
        proof = "not all judged: " + "; ".join([*lacks, *(f"{n} is not proved" for n in open_runs)])
    return Answer(
        question=f"What changed between {old.name} and {new.name}?",
        answer=text if inputs or gone or come else f"nothing: {text}",
        proof=proof,
        proved=not lacks and not open_runs,
        grids=tuple(grid for grid in grids if grid.rows),
        notes=tuple(notes),
        data={
            "inputs": [list(row) for row in inputs],
            "catalogs": None if rows is None else revision_data(rows),
            "kept": len(same),
            "gone": [_data(one) for one in gone],
            "come": [_data(one) for one in come],
            "ends": [list(row) for row in moves],
        },
    )


def _moved_grid(title: str, moved: Sequence[Moved], heads: Sequence[str]) -> Grid:
    """A few of the points that moved, spread over the front."""
    steps = np.linspace(0, len(moved) - 1, min(MOVED_SHOWN, len(moved)))
    picks = np.unique(steps.astype(np.int64))
    if len(picks) < len(moved):
        title = f"{title}: {len(picks)} of {len(moved)}"
    return Grid(title, (">point", *heads), tuple(_row(moved[int(k)]) for k in picks))


def _figures(point: Mapping[str, Any] | None, currency: str) -> str:
    return "-" if point is None else f"{money(point['cost'], currency)}, {watts(_loss(point))}"


def _move(before: Mapping[str, Any], after: Mapping[str, Any], name: str, currency: str) -> str:
    if name not in before or name not in after:
        return ""
    cost = after[name]["cost"] - before[name]["cost"]
    loss = _loss(after[name]) - _loss(before[name])
    if round(cost, 2) == 0.0 and round(loss, 3) == 0.0:
        return ""
    return f"{money(cost, currency, signed=True)}, {watts(loss, signed=True)}"


def _row(one: Moved) -> tuple[str, ...]:
    return f"{one.number}{one.at}", f"{one.cost:.2f}", f"{one.loss:.3f}", one.reason, one.detail


def _data(one: Moved) -> dict[str, object]:
    return {
        "point": one.number,
        "cost": one.cost,
        "loss_w": one.loss,
        "reason": one.reason,
        "detail": one.detail,
    }
