"""A fleet on the shipped catalogs: ``python -m tests.speed.fleet`` (about two minutes).

Twenty designs (points of the shipped runs) with parts withdrawn: time per design, speed-up of two
processes, and every drop-in compared with a look at each part on the same pads, one by one.
"""

from __future__ import annotations

import csv
import tempfile
import time
from pathlib import Path

import numpy as np

from optimizer import buying, verification
from optimizer.archive import board_of, point_of, read_run
from optimizer.archive_inputs import reopen
from optimizer.batch import Journal, ask
from optimizer.batch_fleet import Question, tasks_of
from optimizer.catalog import Catalog, read_catalog
from optimizer.catalog_changes import Changes
from optimizer.conclude_board import looked_up
from optimizer.conclude_sets import stacked
from optimizer.results import PartSet
from optimizer.spec_records import Spec
from optimizer.studies.boards import Place, places_of, with_places
from optimizer.studies.fleet import Design
from tests.oracles import brute_force

EXAMPLES = Path(__file__).resolve().parents[2] / "runs" / "examples"
DESIGNS = 20
SHARE = (0.05, 0.98)


def designs() -> list[Design]:
    """Points spread over the shipped fronts."""
    folders = sorted(one for one in EXAMPLES.iterdir() if one.is_dir())
    found = []
    for k, folder in enumerate(folders):
        count = DESIGNS // len(folders) + (k < DESIGNS % len(folders))
        with (folder / "front.csv").open(encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        for share in np.linspace(*SHARE, count):
            found.append(Design(str(folder), int(share * (len(rows) - 1)) + 1))
    return found


def withdrawn() -> tuple[str, ...]:
    """The first transistor on the knee of each shipped run."""
    gone = []
    for folder in sorted({one.run for one in designs()}):
        board = board_of(point_of(read_run(Path(folder)), None, place=folder))
        gone.append(next(iter(board.transistors.values()))[0])
    return tuple(dict.fromkeys(gone))


def timed(gone: tuple[str, ...], jobs: int, path: Path) -> tuple[float, Journal]:
    """Seconds of the whole fleet in so many processes, started before."""
    question, journal = Question(Changes(gone)), Journal(path)
    tasks = tasks_of(designs(), question)
    ask(tasks[:jobs], question, Journal(path.with_suffix(".warm")), jobs=jobs)
    since = time.monotonic()
    ask(tasks, question, journal, jobs=jobs)
    return time.monotonic() - since, journal


def one_by_one(spec: Spec, catalog: Catalog, board: PartSet, gone: tuple[str, ...]) -> set[str]:
    """Boards that pass with a drop-in, where a single part of the board is gone."""
    lost = [place for place in places_of(board) if place.part in gone]
    table = catalog.tables[lost[0].kind]
    pads = table.texts["land_pattern"]
    own = pads[table.part_number.index(lost[0].part)]
    stage = brute_force.stages(spec, catalog)[board.topology]
    names = [
        name
        for row, name in enumerate(table.part_number)
        if pads[row] == own and name not in gone
        if all(brute_force.part_rules(spec, table, row).values())
    ]
    kept, boards = [], []
    for name in names:
        changed = with_places(board, [Place(p.position, p.slot, name, p.pieces) for p in lost])
        if all(len(dict(bank)) == len(bank) for bank in (changed.bank_input, changed.bank_output)):
            kept.append(name)
            boards.append(looked_up(catalog, changed))
    sets = stacked(boards)
    scene = verification.given_scene(stage, verification.reference_of(stage, sets))
    prices = buying.prices(spec, catalog.tables)
    judged = brute_force.judge_all(scene, np.arange(len(sets)), sets, prices)
    return {kept[int(k)] for k in np.flatnonzero(judged.feasible())}


def compared(journal: Journal, gone: tuple[str, ...]) -> tuple[int, int]:
    """Designs with one part lost whose drop-ins were compared, and how many differ."""
    looked = different = 0
    for one in journal.kept.values():
        if one.answer is None or len(one.answer["answer"]["lost"]) != 1:
            continue
        opened = reopen(Path(one.folder))
        catalog = read_catalog(opened.spec.catalogs)
        board = board_of(point_of(opened.run, one.answer["point"], place=one.folder))
        step = one.answer["answer"]["drop_ins"]
        told = {x["swaps"][0]["part"] for x in step["replacements"]}
        looked += 1
        different += told != one_by_one(opened.spec, catalog, board, gone)
    return looked, different


def main() -> None:
    """Print the figures."""
    gone = withdrawn()
    with tempfile.TemporaryDirectory() as folder:
        alone, journal = timed(gone, 1, Path(folder) / "one.jsonl")
        both, _ = timed(gone, 2, Path(folder) / "two.jsonl")
    answers = [one.answer for one in journal.kept.values() if one.answer is not None]
    verdicts = [one["answer"]["verdict"] for one in answers]
    print(f"withdrawn: {', '.join(gone)}")
    print(f"{len(answers)} designs: {', '.join(f'{verdicts.count(v)} {v}' for v in set(verdicts))}")
    print(f"{alone / len(answers):.2f} s per design alone, two processes {alone / both:.2f} x")
    looked, different = compared(journal, gone)
    print(
        f"drop-ins of {looked} designs with one lost part looked at one by one: {different} differ"
    )


if __name__ == "__main__":
    main()
