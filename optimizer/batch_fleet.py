"""The question of changed parts, asked of one run folder after the other by any process."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from optimizer.archive import HASHES, board_of, file_hash, point_of, versions
from optimizer.archive_inputs import Reopened, reopen
from optimizer.batch import Answered, Task
from optimizer.catalog import Catalog, read_catalog
from optimizer.catalog_changes import Changes
from optimizer.errors import InputError, NoFeasibleDesign, NotProved, Problem
from optimizer.placed import unknown_part
from optimizer.results import PartSet, as_plain
from optimizer.sheets import find_files
from optimizer.studies import front_change, obsolete
from optimizer.studies.boards import places_of
from optimizer.studies.fleet import Design
from optimizer.studies.front_change import FrontChange
from optimizer.studies.fronts import sense_data, sense_of_point, spec_at

Plain = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of every run.

    catalogs : to read in place of those of each spec; front : whether to search a front that is
    not proved to stand anew, for at most time_limit seconds
    """

    changes: Changes
    catalogs: tuple[Path, ...] = ()
    front: bool = False
    time_limit: float | None = None

    def text(self) -> str:
        """The question as text, for keys."""
        cells = {name: dict(row) for name, row in self.changes.cells.items()}
        asked = [sorted(self.changes.gone), cells, self.front, self.time_limit]
        return json.dumps([*asked, [str(path) for path in self.catalogs]], sort_keys=True)

    def __call__(self, task: Task) -> Plain:
        """The answer of one folder as plain data."""
        since = time.monotonic()
        opened = reopen(Path(task.folder), self.catalogs)
        found = answer_of(opened, task.point, self)
        return {**found, "seconds": round(time.monotonic() - since, 3)}


def question_key(question: Question) -> str:
    """Short name of a question."""
    return hashlib.sha256(question.text().encode()).hexdigest()[:8]


def tasks_of(designs: Sequence[Design], question: Question) -> list[Task]:
    """One task per design, known by the contents of its folder, the question and the versions."""
    asked = question.text() + json.dumps(versions(), sort_keys=True)
    return [Task(_key(one, asked), str(Path(one.run).resolve()), one.point) for one in designs]


def _key(design: Design, asked: str) -> str:
    listed = Path(design.run) / HASHES
    contents = file_hash(listed) if listed.is_file() else "no run"
    whole = json.dumps([str(Path(design.run).resolve()), design.point, contents, asked])
    return hashlib.sha256(whole.encode()).hexdigest()[:24]


def fresh(one: Answered) -> bool:
    """Whether the catalogs an answer was found from still hold the same bytes."""
    if one.answer is None:
        return False
    read = one.answer["catalogs"].items()
    return all(Path(path).is_file() and _hash(path, *_stat(path)) == value for path, value in read)


@cache
def _hash(path: str, _size: int, _time: int) -> str:
    return file_hash(Path(path))


def _stat(path: str) -> tuple[int, int]:
    seen = Path(path).stat()
    return seen.st_size, seen.st_mtime_ns


# --- one folder -----------------------------------------------------------------------------------


def answer_of(opened: Reopened, number: int | None, question: Question) -> dict[str, Any]:
    """What becomes of one run: its board, its front and, where asked, the new front."""
    run, spec, changes = opened.run, opened.spec, question.changes
    before, after = catalogs_of(spec.catalogs, Changes()), catalogs_of(spec.catalogs, changes)
    same = opened.same_catalogs(before.hashes)
    point = point_of(run, number, place=str(opened.folder))
    board = board_of(point)
    held = obsolete.before_of(point, board, objective=run["objective"])
    found = obsolete.answer(spec_at(spec, point), after, changes, held, same_catalogs=same)
    boards = [board_of(one) for one in run["points"]]
    front = front_change.front_change(
        run, boards, spec, (before, after), changes, same_catalogs=same
    )
    lost_pieces: dict[str, int] = {}
    for place in places_of(board):
        if place.part in found.lost:
            lost_pieces[place.part] = lost_pieces.get(place.part, 0) + place.pieces
    if held.charge in changes.gone:
        lost_pieces[held.charge] = lost_pieces.get(held.charge, 0) + held.charge_pieces
    return {
        "run": opened.folder.name,
        "point": point["number"],
        **sense_data(sense_of_point(point)),
        "currency": run["currency"],
        "objective": run["objective"],
        "boards": spec.purchase.boards,
        "scrap": spec.purchase.scrap_share,
        "same_catalogs": same,
        "answer": as_plain(found),
        "lost_pieces": lost_pieces,
        "front": as_plain(front),
        "new_front": new_front(opened, after, front, question),
        "catalogs": dict(after.hashes),
        "known": sorted(changes.names & (_names(before) | _names(after) | _held(boards))),
    }


def _held(boards: Sequence[PartSet]) -> set[str]:
    """Parts of some boards, also those that have left the catalogs since."""
    return {place.part for board in boards for place in places_of(board)}


def _names(catalog: Catalog) -> set[str]:
    return {name for table in catalog.tables.values() for name in table.part_number}


def new_front(
    opened: Reopened, after: Catalog, front: FrontChange, question: Question
) -> dict[str, Any] | None:
    """The front searched anew where that was asked for and is needed."""
    if not question.front or front.status == front_change.STANDS:
        return None
    from optimizer import conclude

    spec = obsolete.without(opened.spec, question.changes.gone)
    try:
        limit = question.time_limit
        run = conclude.front(spec, after, time_limit=limit, processes=1, detailed=0)
    except (NoFeasibleDesign, NotProved) as error:
        return {"points": [], "complete": isinstance(error, NoFeasibleDesign), "why": str(error)}
    points: list[dict[str, Any]] = [
        {
            "number": one.number,
            "cost": one.cost,
            "loss": one.loss_model + (one.charge_sense.loss if one.charge_sense else 0.0),
            **sense_data(one.charge_sense),
            "proof": one.proof,
            "mark": one.mark,
            "part_set": as_plain(one.verified.part_set),
        }
        for one in run.points
    ]
    cost, loss = _ends([(p["cost"], p["loss"]) for p in points])
    before = _ends([(p["cost"], _loss(p)) for p in opened.run["points"]])
    return {
        "points": points,
        "complete": run.complete,
        "why": run.not_proved,
        "cheapest_change": cost - before[0],
        "least_loss_change": loss - before[1],
    }


def _ends(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Least cost and least loss."""
    return min(cost for cost, _ in points), min(loss for _, loss in points)


def _loss(point: Plain) -> float:
    """Loss at the reference state, with that in a charge-current sense [W]."""
    sense = sense_of_point(point)
    return float(point["loss_model"]) + (0.0 if sense is None else sense.loss)


def catalogs_of(paths: Sequence[Path], changes: Changes) -> Catalog:
    """Catalogs with changes applied, read once per process as long as the files stay the same."""
    files, problems = find_files(list(paths))
    if problems:
        raise InputError(problems)
    stamps = tuple((str(path), *_stat(str(path))) for path in files)
    cells = json.dumps({name: dict(row) for name, row in changes.cells.items()}, sort_keys=True)
    return _catalogs(stamps, cells)


@cache
def _catalogs(stamps: tuple[tuple[str, int, int], ...], cells: str) -> Catalog:
    changed = Changes(cells=json.loads(cells))
    return read_catalog([Path(path) for path, _, _ in stamps], changes=changed)


def unknown_parts(changes: Changes, answers: Sequence[Plain], catalog: Catalog) -> list[Problem]:
    """Changed parts that no catalog of any run holds: most likely slips of the pen.

    catalog : where names like theirs are looked for
    """
    known = {name for one in answers for name in one["known"]}
    names = sorted(changes.names - known)
    return [unknown_part("changes", name, name, catalog) for name in names]
