"""Commands that ask questions of a finished run; arguments and glue, as in `cli`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError, Problem

if TYPE_CHECKING:
    from optimizer.studies.answer import Answer
    from optimizer.studies.archived import Archived

Add = Callable[..., argparse.ArgumentParser]
DONE, WRONG_INPUT, OPEN = 0, 2, 4
SPEC = "spec.toml"


@dataclass(frozen=True, slots=True)
class Door:
    """What these commands share with the others: given by `cli`, which knows this module."""

    seconds: Callable[[str], float]
    run_folder: Callable[[Path], Path]
    progress: Callable[[], Any]
    stop: Callable[[Any], AbstractContextManager[Callable[[], bool]]]
    read: Callable[..., tuple[Any, Any]]
    print_json: Callable[[object], None]


def add_commands(add: Add, door: Door) -> None:
    """The commands, each with its help; `add` makes a parser as `add_parser` does."""

    def of_run(name: str, text: str, action: Action) -> argparse.ArgumentParser:
        one = add(name, help=text)
        one.add_argument("spec", type=Path, help="spec file (TOML) of the run")
        one.add_argument("--run", type=Path, help=RUN_HELP)
        return timed(one, action)

    def timed(one: argparse.ArgumentParser, action: Action) -> argparse.ArgumentParser:
        one.add_argument("--time-limit", type=door.seconds, metavar="SECONDS", help=TIME_HELP)
        one.set_defaults(action=partial(action, door))
        return one

    _why_not(of_run("why-not", WHY_HELP, why_not_command))
    _what_if(of_run("what-if", WHAT_HELP, what_if_command))
    _concessions(of_run("concessions", CONCESSIONS_HELP, concessions_command), door.seconds)
    fills = of_run("fills", FILLS_HELP, fills_command)
    fills.add_argument("--each", action="store_true", help="a search for every cell by itself")
    _shortlist(of_run("shortlist", SHORTLIST_HELP, shortlist_command))
    conflict = timed(add("conflict", help=CONFLICT_HELP), conflict_command)
    conflict.add_argument("spec", type=Path, help="spec file (TOML)")
    _difference(timed(add("difference", help=DIFFERENCE_HELP), difference_command))
    _import(timed(add("import", help=IMPORT_HELP), import_command))


Action = Callable[[Door, argparse.Namespace], int]

RUN_HELP = "run folder (default: runs/<spec>, else beside the spec)"
TIME_HELP = "stop after this"
WHY_HELP = "why a part, count, frequency or topology is not chosen"
WHAT_HELP = "what a changed limit or other key of the spec costs or saves"
CONCESSIONS_HELP = "which single limit saves most if it gives way"
FILLS_HELP = "which cells filled by policy the front depends on"
SHORTLIST_HELP = "a few sets worth building, and what to order for them"
CONFLICT_HELP = "the smallest set of limits that conflict, where nothing passes"
DIFFERENCE_HELP = "what changed between two runs or two catalogs, and why"
IMPORT_HELP = "turn any CSV export into catalog rows by a mapping file"


def _why_not(one: argparse.ArgumentParser) -> None:
    one.add_argument("--part", help="part number that the set must hold")
    one.add_argument("--at", metavar="POSITION", help="where it must stand (default: anywhere)")
    one.add_argument("--pieces", type=_count, help="how many of it")
    one.add_argument("--frequency-khz", type=float, metavar="KHZ", help="switching frequency")
    one.add_argument("--topology", help="topology")


def _what_if(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--set",
        dest="changes",
        action="append",
        required=True,
        metavar="KEY=VALUE",
        help="a key of the spec and its new value, for example limits.height_max_mm=8; "
        "'none' takes it out; may be given again",
    )


def _concessions(one: argparse.ArgumentParser, seconds: Callable[[str], float]) -> None:
    one.add_argument("--by", type=_share, default=0.1, metavar="PERCENT", help="how far (10)")
    one.add_argument("--save", choices=("money", "watts"), default="money", help="what to save")
    one.add_argument("--point", type=_count, help="point to save at (default: an end)")
    one.add_argument("--each", action="store_true", help="what each saves, not only the best")
    one.add_argument(
        "--question-limit", type=seconds, default=60.0, metavar="SECONDS", help="for each (60)"
    )


def _shortlist(one: argparse.ArgumentParser) -> None:
    one.add_argument("--sets", type=_count, default=5, help="how many sets (5)")
    one.add_argument("--differ", type=_count, default=3, help="positions two sets differ in (3)")
    one.add_argument("--band", type=_share, default=0.2, metavar="PERCENT", help="loss band (20)")
    one.add_argument("--boards-each", type=_count, default=2, help="boards of each set (2)")
    one.add_argument("--spare", type=_share, default=0.2, metavar="PERCENT", help="spares (20)")
    one.add_argument("--csv", type=Path, help="write the sample order there")


def _difference(one: argparse.ArgumentParser) -> None:
    one.add_argument("old", type=Path, help="run folder, or catalog file or folder")
    one.add_argument("new", type=Path, help="the same, later")
    one.add_argument("--spec", type=Path, help="spec of the runs, to judge points under both")
    one.add_argument("--catalogs-old", type=Path, action="append", help="catalogs of the old run")
    one.add_argument("--catalogs-new", type=Path, action="append", help="catalogs of the new run")


def _import(one: argparse.ArgumentParser) -> None:
    one.add_argument("csv", type=Path, help="CSV file to turn into catalog rows")
    one.add_argument("--map", type=Path, required=True, help="mapping file (TOML)")
    one.add_argument("--out", type=Path, help="catalog file to write (never over an older one)")


def _count(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"got {text!r}, need a whole number from 1 up")
    return value


def _share(text: str) -> float:
    value = float(text)
    if not 0.0 < value <= 100.0:
        raise argparse.ArgumentTypeError(f"got {text!r}, need percent from above 0 to 100")
    return value / 100.0


# --- a run with its spec --------------------------------------------------------------------------


def _taken_up(door: Door, args: argparse.Namespace, progress: Any) -> Archived:
    from optimizer.archive import read_run
    from optimizer.studies.archived import take_up

    if not args.spec.is_file():
        fix = "name the spec file of the run"
        raise InputError([Problem(str(args.spec), "", "no such file", "a spec file (TOML)", fix)])
    folder = args.run or door.run_folder(args.spec)
    run = read_run(folder)
    if (folder / SPEC).read_bytes() != args.spec.read_bytes():
        got = f"another spec than that of the run {folder}"
        fix = f"run `front {args.spec}` again, or ask with the spec of the run"
        raise InputError([Problem(str(args.spec), "", got, "the spec of the run", fix)])
    spec, catalog = door.read(args.spec, progress)
    return take_up(spec, catalog, run, progress=progress)


def _asked(door: Door, args: argparse.Namespace, ask: Callable[..., Answer]) -> int:
    """Take the run up, ask, print."""
    progress = door.progress()
    case = _taken_up(door, args, progress)
    with door.stop(progress) as stop:
        answer = ask(case, time_limit=args.time_limit, progress=progress, stop=stop)
    return print_answer(door, answer, as_json=args.json)


def print_answer(door: Door, answer: Answer, *, as_json: bool) -> int:
    """Print an answer and give the exit code: 4 where it is not proved."""
    from optimizer.report.answers import show_answer
    from optimizer.report.tables import console_for
    from optimizer.results import as_plain

    plain = as_plain(answer)
    if as_json:
        door.print_json(plain)
    else:
        show_answer(console_for(), plain)
    return DONE if answer.proved else OPEN


# --- commands -------------------------------------------------------------------------------------


def why_not_command(door: Door, args: argparse.Namespace) -> int:
    """The price of a wish, or what stands in its way."""
    from optimizer.studies.why_not import why_not
    from optimizer.studies.wish import Wish

    frequency = None if args.frequency_khz is None else 1e3 * args.frequency_khz
    wish = Wish(args.part, args.at, args.pieces, frequency, args.topology)
    return _asked(door, args, lambda case, **rest: why_not(case, wish, **rest))


def what_if_command(door: Door, args: argparse.Namespace) -> int:
    """The front of a changed spec against that of the run."""
    from optimizer.spec_edit import edited
    from optimizer.studies.what_if import what_if

    def ask(case: Archived, **rest: Any) -> Answer:
        return what_if(case, edited(case.spec, args.changes), **rest)

    return _asked(door, args, ask)


def concessions_command(door: Door, args: argparse.Namespace) -> int:
    """The single limit that saves most."""
    from optimizer.studies.concessions import concessions

    def ask(case: Archived, **rest: Any) -> Answer:
        how = {"each": args.each, "question_limit": args.question_limit}
        return concessions(case, share=args.by, point=args.point, save=args.save, **how, **rest)

    return _asked(door, args, ask)


def fills_command(door: Door, args: argparse.Namespace) -> int:
    """The filled cells that decide."""
    from optimizer.studies.decisive import decisive_fills

    def ask(case: Archived, **rest: Any) -> Answer:
        return decisive_fills(case, each=args.each, **rest)

    return _asked(door, args, ask)


def conflict_command(door: Door, args: argparse.Namespace) -> int:
    """The smallest set of limits in conflict."""
    from optimizer.studies.conflict import conflict

    progress = door.progress()
    spec, catalog = door.read(args.spec, progress)
    with door.stop(progress) as stop:
        answer = conflict(spec, catalog, time_limit=args.time_limit, progress=progress, stop=stop)
    return print_answer(door, answer, as_json=args.json)


def shortlist_command(door: Door, args: argparse.Namespace) -> int:
    """Sets worth building, and the sample order for them."""
    from optimizer.report.cells import csv_text
    from optimizer.studies.samples import order_rows
    from optimizer.studies.shortlist import shortlist

    def ask(case: Archived, **rest: Any) -> Answer:
        return shortlist(
            case,
            sets=args.sets,
            differ=args.differ,
            band=args.band,
            boards_each=args.boards_each,
            spare=args.spare,
            **rest,
        )

    def written(case: Archived, **rest: Any) -> Answer:
        answer = ask(case, **rest)
        if args.csv is not None:
            write_new(args.csv, csv_text(order_rows(answer)))
        return answer

    return _asked(door, args, written)


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet."""
    try:
        with path.open("x", encoding="utf-8", newline="") as handle:
            handle.write(text)
    except FileExistsError:
        fix = "choose another name or move the old file"
        problem = Problem(str(path), "", "a file that is there already", "a new name", fix)
        raise InputError([problem]) from None


def difference_command(door: Door, args: argparse.Namespace) -> int:
    """What changed between two runs or two catalogs."""
    from optimizer.cli_difference import difference_of

    return print_answer(door, difference_of(args), as_json=args.json)


def import_command(door: Door, args: argparse.Namespace) -> int:
    """Turn a CSV export into catalog rows; code 2 where cells were left out."""
    from optimizer.mapping import convert, read_mapping
    from optimizer.report.answers import show_import
    from optimizer.report.tables import console_for
    from optimizer.results import as_plain

    found = convert(args.csv, read_mapping(args.map))
    if args.out is not None:
        write_new(args.out, found.text)
    plain = as_plain(found)
    if args.json:
        door.print_json(plain)
    elif args.out is None:
        sys.stdout.write(found.text)
        show_import(console_for(stderr=True), plain)
    else:
        show_import(console_for(), plain)
    return WRONG_INPUT if found.problems else DONE
