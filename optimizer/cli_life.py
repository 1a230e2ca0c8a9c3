"""Commands of a design's later life: obsolete parts and fleets of runs."""

from __future__ import annotations

import argparse
import csv
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError, Problem

if TYPE_CHECKING:
    from optimizer.batch import Answered
    from optimizer.batch_fleet import Question
    from optimizer.catalog_changes import Changes
    from optimizer.studies.fleet import Design

OBSOLETE_HELP = "say what becomes of a finished run when parts are gone or changed"
FLEET_HELP = "ask the same of every run of a folder"
ALTERNATES_HELP = "find second sources of which every mixture with the chosen parts passes"
CHEAPEST_HELP = "go up the front to the first point with second sources at every place"
FAMILY_HELP = "buy several runs together: fewest part numbers against total cost and loss"
COMMON_HELP = "ask what one common part costs"
BOUND_HELP = "search each run anew for a cost that no choice goes below"
CATALOGS_HELP = "in place of the spec's"

COLUMNS = ("run", "point", "boards_per_year_pcs")


@dataclass(frozen=True, slots=True)
class Door:
    """What every command shares: common arguments, JSON printer and exit codes."""

    common: Callable[[], argparse.ArgumentParser]
    print_json: Callable[[object], None]
    done: int
    infeasible: int


def add_commands(commands: Any, door: Door) -> None:
    """Add the commands of later life."""
    one = commands.add_parser("obsolete", parents=[door.common()], help=OBSOLETE_HELP)
    one.add_argument("run", type=Path, help="run folder")
    one.add_argument("--point", type=count, metavar="N", help="point that is built (default: knee)")
    _question_arguments(one)
    one.set_defaults(action=lambda args: obsolete_command(args, door))
    second = commands.add_parser("alternates", parents=[door.common()], help=ALTERNATES_HELP)
    second.add_argument("run", type=Path, help="run folder")
    second.add_argument("--point", type=count, metavar="N", help="point to look at (default: knee)")
    second.add_argument("--catalogs", type=Path, nargs="+", default=[], help=CATALOGS_HELP)
    second.add_argument("--cheapest", action="store_true", help=CHEAPEST_HELP)
    second.set_defaults(action=lambda args: alternates_command(args, door))
    kin = commands.add_parser("family", parents=[door.common()], help=FAMILY_HELP)
    kin.add_argument("runs", type=Path, nargs="+", help="run folders")
    kin.add_argument("--boards", type=count, nargs="+", metavar="N", help="a year, for each run")
    kin.add_argument("--catalogs", type=Path, nargs="+", default=[], help=CATALOGS_HELP)
    kin.add_argument("--common", choices=("inductor",), default="", help=COMMON_HELP)
    kin.add_argument("--bound", action="store_true", help=BOUND_HELP)
    kin.add_argument("--time-limit", type=amount, default=60.0, help="of each question [s]")
    kin.set_defaults(action=lambda args: family_command(args, door))
    many = commands.add_parser("fleet", parents=[door.common()], help=FLEET_HELP)
    many.add_argument("runs", type=Path, help="folder of run folders")
    many.add_argument("--designs", type=Path, help=f"CSV with the columns {', '.join(COLUMNS)}")
    many.add_argument("--years", type=amount, default=3.0, help="of last-time buys (default: 3)")
    many.add_argument("--jobs", type=count, default=os.cpu_count() or 1, help="processes here")
    many.add_argument("--hosts", default="", metavar="ADDRESS", help="dask scheduler to use")
    many.add_argument("--journal", type=Path, help="file of answers (default: beside the runs)")
    many.add_argument("--csv", type=Path, help="write one line per design")
    _question_arguments(many)
    many.set_defaults(action=lambda args: fleet_command(args, door))


def count(text: str) -> int:
    """A whole number from the command line."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"got {text!r}, need a whole number from 1 up")
    return int(text)


def amount(text: str) -> float:
    """A positive number from the command line."""
    value = float(text)
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text!r}, need a number > 0")
    return value


def _question_arguments(one: argparse.ArgumentParser) -> None:
    one.add_argument("--gone", action="append", default=[], metavar="PART", help="may be repeated")
    one.add_argument("--changes", type=Path, help="file of changes (TOML)")
    one.add_argument("--catalogs", type=Path, nargs="+", default=[], help=CATALOGS_HELP)
    one.add_argument("--front", action="store_true", help="search the front anew where it may move")
    one.add_argument("--time-limit", type=amount, metavar="SECONDS", help="of each search")


def _changes(args: argparse.Namespace) -> Changes:
    from optimizer.catalog_changes import Changes, read_changes

    gone = tuple(dict.fromkeys(args.gone))
    found = read_changes(args.changes, gone=gone) if args.changes else Changes(gone)
    if "" in found.names or not (found or args.catalogs):
        fix = "name parts with --gone PART or a file with --changes, or other --catalogs"
        raise InputError([Problem("command", "--gone", "no change", "at least one part", fix)])
    return found


def _question(args: argparse.Namespace) -> Question:
    from optimizer.batch_fleet import Question

    catalogs = tuple(path.resolve() for path in args.catalogs)
    return Question(_changes(args), catalogs, args.front, args.time_limit)


def obsolete_command(args: argparse.Namespace, door: Door) -> int:
    """One run; the exit code of no feasible design where nothing can stand in."""
    from optimizer.archive_inputs import reopen
    from optimizer.batch_fleet import answer_of, catalogs_of, unknown_parts
    from optimizer.catalog_changes import Changes
    from optimizer.report.life import print_obsolete
    from optimizer.report.tables import console_for
    from optimizer.studies.obsolete import FAILS

    question = _question(args)
    found = answer_of(reopen(args.run, question.catalogs), args.point, question)
    catalog = catalogs_of([Path(path) for path in found["catalogs"]], Changes())
    unknown = unknown_parts(question.changes, [found], catalog)
    if unknown:
        raise InputError(unknown)
    if args.json:
        door.print_json(found)
    else:
        print_obsolete(console_for(), found)
    return door.infeasible if found["answer"]["verdict"] == FAILS else door.done


def alternates_command(args: argparse.Namespace, door: Door) -> int:
    """Second sources of one point; the exit code of no feasible design where a place has none."""
    from optimizer.archive import board_of, point_of
    from optimizer.archive_inputs import reopen
    from optimizer.catalog import read_catalog
    from optimizer.report.life import print_alternates
    from optimizer.report.tables import console_for
    from optimizer.results import as_plain
    from optimizer.studies import second_source
    from optimizer.studies.fronts import sense_data, sense_of_point, spec_at

    opened = reopen(args.run, tuple(args.catalogs))
    spec, catalog = opened.spec, read_catalog(opened.spec.catalogs)
    points = opened.run["points"]
    if args.cheapest:
        boards = [(spec_at(spec, one), board_of(one)) for one in points]
        number, found = second_source.cheapest_robust(boards, catalog)
        point = points[number or 0]
    else:
        point = point_of(opened.run, args.point, place=str(args.run))
        found = None
    if found is None:
        found = second_source.second_source(spec_at(spec, point), catalog, board_of(point))
    plain = {
        "run": opened.folder.name,
        "point": point["number"],
        **sense_data(sense_of_point(point)),
        "currency": opened.run["currency"],
        "cost": point["cost"],
        "cost_cheapest": points[0]["cost"],
        "cheapest_asked": args.cheapest,
        "second_source": as_plain(found),
    }
    if args.json:
        door.print_json(plain)
    else:
        print_alternates(console_for(), plain)
    return door.done if plain["second_source"]["robust"] else door.infeasible


def family_command(args: argparse.Namespace, door: Door) -> int:
    """Several runs bought together."""
    from optimizer.archive_inputs import reopen
    from optimizer.batch_family import family_of, gap
    from optimizer.report.life_family import print_family
    from optimizer.report.tables import console_for
    from optimizer.results import as_plain

    boards = args.boards or [None] * len(args.runs)
    if len(boards) != len(args.runs):
        got, need = f"{len(boards)} numbers", f"one for each of the {len(args.runs)} runs"
        raise InputError([Problem("command", "--boards", got, need, "give one per run, in order")])
    opened = [reopen(folder, tuple(args.catalogs)) for folder in args.runs]
    found = family_of(
        opened,
        boards,
        common=args.common,
        with_bound=args.bound,
        time_limit=args.time_limit,
    )
    plain = {"currency": opened[0].run["currency"], "family": as_plain(found), "gap": gap(found)}
    if args.json:
        door.print_json(plain)
    else:
        print_family(console_for(), plain)
    return door.done


def fleet_command(args: argparse.Namespace, door: Door) -> int:
    """Every run; the exit code of no feasible design where some design fails or is not answered."""
    from optimizer.batch import Journal, ask
    from optimizer.batch_fleet import fresh, question_key, tasks_of
    from optimizer.report.cells import csv_text
    from optimizer.report.life import print_fleet
    from optimizer.report.tables import console_for
    from optimizer.results import as_plain
    from optimizer.studies.fleet import NOT_ANSWERED
    from optimizer.studies.obsolete import FAILS

    question = _question(args)
    if args.csv:
        _ours(args.csv)
    designs = read_designs(args.designs, args.runs) if args.designs else listed(args.runs)
    tasks = tasks_of(designs, question)
    name = f"fleet-{question_key(question)}.jsonl"
    journal = Journal(args.journal or args.runs / name, fresh=fresh)
    with _bar(tasks, journal) as told:
        ask(tasks, question, journal, jobs=args.jobs, hosts=args.hosts, told=told)
    found = _together(args, designs, [journal.kept[task.key] for task in tasks])
    plain = as_plain(found)
    if args.csv:
        rows = [dict(line) | {"affected": ", ".join(line["affected"])} for line in plain["lines"]]
        args.csv.write_text(csv_text(rows), encoding="utf-8")
    if args.json:
        door.print_json(plain)
    else:
        print_fleet(console_for(), plain, journal=str(journal.path))
    bad = {FAILS, NOT_ANSWERED} & set(plain["counts"])
    return door.infeasible if bad else door.done


def _ours(path: Path) -> None:
    """Refuse to write the table where there is no folder, or over a file that holds another."""
    from optimizer.studies.fleet import Line

    got = "" if path.parent.is_dir() else "a place in no folder"
    if path.exists():
        text = path.read_text(encoding="utf-8", errors="replace")
        head = next(csv.reader(text.splitlines()[:1]), [])
        got = "" if head == [one.name for one in fields(Line)] else "another file"
    if got:
        fix = "choose another name"
        raise InputError([Problem(str(path), "--csv", got, "a new file or an older table", fix)])


def _together(args: argparse.Namespace, designs: Sequence[Design], kept: Sequence[Answered]) -> Any:
    from optimizer.batch_fleet import catalogs_of, unknown_parts
    from optimizer.catalog_changes import Changes
    from optimizer.studies.fleet import gathered

    answers = [one.answer for one in kept]
    given = [one for one in answers if one is not None]
    errors = [one.error for one in kept]
    if not given:
        return gathered(designs, answers, errors, catalog=None, years=args.years)
    catalog = catalogs_of([Path(path) for path in given[0]["catalogs"]], Changes())
    unknown = unknown_parts(_changes(args), given, catalog)
    if unknown and len(given) == len(answers):
        raise InputError(unknown)
    found = gathered(designs, answers, errors, catalog=catalog, years=args.years)
    return replace(found, notes=(*(str(problem) for problem in unknown), *found.notes))


# --- designs --------------------------------------------------------------------------------------


def listed(runs: Path) -> list[Design]:
    """Every folder of a folder, each at its knee."""
    from optimizer.studies.fleet import Design

    if not runs.is_dir():
        fix = "name a folder that holds run folders"
        raise InputError([Problem(str(runs), "", "no folder", "a folder of runs", fix)])
    found = [one for one in sorted(runs.iterdir()) if one.is_dir() and one.name[0] != "."]
    if not found:
        fix = "run `partfront front` first or name another folder"
        raise InputError([Problem(str(runs), "", "no run in it", "run folders", fix)])
    return [Design(str(one)) for one in found]


def read_designs(path: Path, runs: Path) -> list[Design]:
    """The designs of a CSV file, or every problem in it."""
    try:
        rows = list(csv.DictReader(path.read_text("utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        problem = Problem(str(path), "", f"no readable file ({error})", "a CSV file", "correct it")
        raise InputError([problem]) from None
    problems: list[Problem] = []
    head = set(rows[0]) if rows else set()
    for name in (head - set(COLUMNS)) | ({"run"} - head):
        need = f"the columns {', '.join(COLUMNS)} (all but run may be left out)"
        got = "an unknown column" if name in head else "no such column"
        problems.append(Problem(f"{path}:1", str(name), got, need, "correct the header"))
    if problems:
        raise InputError(sorted(problems))
    found = [_design(f"{path}:{k}", row, runs, problems) for k, row in enumerate(rows, 2)]
    problems += _repeated(path, found)
    if problems:
        raise InputError(problems)
    return found


def _design(place: str, row: dict[str, str], runs: Path, problems: list[Problem]) -> Design:
    from optimizer.studies.fleet import Design

    def whole(name: str, least: int) -> int | None:
        text = (row.get(name) or "").strip()
        if not text:
            return None
        if text.isdecimal() and int(text) >= least:
            return int(text)
        need = f"a whole number from {least}"
        problems.append(Problem(place, name, repr(text), need, "correct the cell"))
        return None

    run = (row["run"] or "").strip()
    if not run:
        problems.append(Problem(place, "run", "nothing", "a run folder", "fill the cell"))
    return Design(str(runs / run), whole("point", 1), whole("boards_per_year_pcs", 0))


def _repeated(path: Path, found: Sequence[Design]) -> Iterator[Problem]:
    seen: set[tuple[str, int | None]] = set()
    for number, one in enumerate(found, 2):
        if (one.run, one.point) in seen:
            fix = "add up the boards of one design in one line"
            yield Problem(f"{path}:{number}", "run", f"{one.run} again", "each point once", fix)
        seen.add((one.run, one.point))


# --- what the user sees while it works ------------------------------------------------------------


@contextmanager
def _bar(tasks: Sequence[Any], journal: Any) -> Iterator[Callable[[Any], None]]:
    """A progress bar on the error stream."""
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    from optimizer.report.tables import console_for

    kept = sum(journal.answered(task.key) for task in tasks)
    columns = (TextColumn("fleet"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(
        *columns, TextColumn("{task.description}"), console=console_for(stderr=True)
    ) as bar:
        line = bar.add_task("", total=len(tasks), completed=kept)

        def told(one: Any) -> None:
            text = Path(one.folder).name
            bar.update(line, advance=1, description="".join(c for c in text if c.isprintable()))

        yield told
