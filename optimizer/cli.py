"""The command: arguments, exit codes, glue. Heavy imports wait inside the commands.

Exit codes: 0 done, 1 fault of the program, 2 wrong input, 3 no feasible design (of `verify`: the
set breaks a limit), 4 not proved or interrupted.
"""

from __future__ import annotations

import argparse
import atexit
import ctypes
import gc
import json
import os
import re
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from importlib import import_module
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from optimizer import cli_life, cli_page
from optimizer.cli_ask import RUN_HELP, Door, add_commands
from optimizer.cli_beside import beside
from optimizer.errors import InputError, NoFeasibleDesign, NotProved, OptimizerError, Problem

if TYPE_CHECKING:
    from optimizer.results import PartSet

DONE, FAULT, WRONG_INPUT, INFEASIBLE, INTERRUPTED = 0, 1, 2, 3, 4

ENGINES = ("auto", "merge", "solver")
PROOFS = ("ends", "all")

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
"""Parameters of `mallopt` of the GNU C library, by their numbers in malloc.h."""


# --- arguments -----------------------------------------------------------------------------------


def seconds(text: str) -> float:
    """A positive number of seconds from the command line."""
    value = float(text)
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text!r}, need seconds > 0")
    return value


def count(text: str) -> int:
    """A number of processes from the command line."""
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"got {text!r}, need a whole number from 1 up")
    return value


def point_number(text: str) -> int:
    """The number of a front point from the command line."""
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"got {text!r}, need a point number from 1 up")
    return value


def _common() -> argparse.ArgumentParser:
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--json", action="store_true", help="print the result as JSON")
    common.add_argument("--debug", action="store_true", help="show the traceback of an error")
    return common


def parser() -> argparse.ArgumentParser:
    """The command line."""
    whole = argparse.ArgumentParser(
        prog="partfront",
        description="Picks the power-stage parts of a DC-DC converter and proves the choice.",
    )
    commands = whole.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _front_arguments(commands.add_parser("front", parents=[_common()], help=FRONT_HELP))
    _verify_arguments(commands.add_parser("verify", parents=[_common()], help=VERIFY_HELP))
    check = commands.add_parser("lint", parents=[_common()], help=LINT_HELP)
    check.add_argument("paths", nargs="+", type=Path, help="CSV files, folders of them, or a spec")
    check.set_defaults(action=lint_command)
    cli_page.add_commands(commands.add_parser, _common(), point_number)
    door = Door(seconds, run_folder, Progress, stop_on_interrupt, read_inputs, print_json)
    add_commands(partial(commands.add_parser, parents=[_common()]), door)
    cli_life.add_commands(commands, cli_life.Door(_common, print_json, DONE, INFEASIBLE))
    return whole


FRONT_HELP = "find the exact front of cost against loss for a spec"
VERIFY_HELP = "evaluate one complete part set at every operating point"
LINT_HELP = "check catalogs and say row by row what is wrong, filled or suspicious"


def _front_arguments(front: argparse.ArgumentParser) -> None:
    front.add_argument("spec", type=Path, help="spec file (TOML)")
    front.add_argument("--runs", type=Path, default=Path("runs"), help="folder of run folders")
    front.add_argument("--name", help="name of the run folder (default: name of the spec file)")
    front.add_argument("--replace", action="store_true", help="replace an older run of this name")
    front.add_argument("--time-limit", type=seconds, metavar="SECONDS", help="stop after this")
    front.add_argument("--engine", choices=ENGINES, default="auto", help="who searches")
    front.add_argument("--prove", choices=PROOFS, default="ends", help=PROVE_HELP)
    front.add_argument("--processes", type=count, metavar="N", help=PROCESSES_HELP)
    front.set_defaults(action=front_command)


PROCESSES_HELP = "how many processes share the search (default: two where there are two cores)"

PROVE_HELP = "what the solver proves again after the merge: ends, knee and a sample, or all points"


def _verify_arguments(verify: argparse.ArgumentParser) -> None:
    verify.add_argument("spec", type=Path, help="spec file (TOML)")
    chosen = verify.add_mutually_exclusive_group(required=True)
    chosen.add_argument("--board", type=Path, help="board file (TOML) of an existing board")
    chosen.add_argument("--point", type=point_number, help="number of a front point of a run")
    verify.add_argument("--run", type=Path, help=RUN_HELP)
    verify.set_defaults(action=verify_command)


# --- what the user sees while it works -----------------------------------------------------------


class Progress:
    """Progress lines on the error stream: time since the start, stage, what is known."""

    def __init__(self) -> None:
        from optimizer.report.tables import console_for

        self._console = console_for(stderr=True)
        self._start = time.monotonic()

    def __call__(self, stage: str, detail: str = "") -> None:
        """Print one line."""
        text = f"{stage}: {detail}" if detail else stage
        printable = "".join(c for c in text if c.isprintable())
        self._console.print(f"[{time.monotonic() - self._start:7.2f} s] {printable}")


@contextmanager
def stop_on_interrupt(say: Callable[[str], None]) -> Iterator[Callable[[], bool]]:
    """A question "shall we stop?" that the first Ctrl-C answers with yes; the second one aborts."""
    asked: list[bool] = []

    def handle(_signal: int, _frame: FrameType | None) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(True)
        say("stopping: keeping what is proved so far (Ctrl-C again gives up at once)")

    before = signal.signal(signal.SIGINT, handle)
    try:
        yield lambda: bool(asked)
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def no_collection() -> Iterator[None]:
    """No search for garbage while much is read or made that holds no cycles."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()


def peak_memory() -> str:
    """Peak memory of this process and, at most, of those it started; nothing where not told."""
    try:
        import resource
    except ImportError:
        return ""
    unit = 2**20 if sys.platform == "darwin" else 2**10
    own, each = (
        resource.getrusage(who).ru_maxrss / unit
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    shared = f", {each:.0f} MB in the largest process beside it" if each else ""
    return f"peak memory {own:.0f} MB{shared}"


# --- commands ------------------------------------------------------------------------------------


def run_name(path: Path) -> str:
    """A run name from the name of the spec file."""
    return re.sub(r"[^\w.-]+", "-", path.stem).strip("-._") or "run"


def run_folder(spec: Path) -> Path:
    """The run of a spec: in `runs`, where `front` writes it, else beside the spec."""
    usual, beside = Path("runs") / run_name(spec), spec.parent / run_name(spec)
    return beside if beside.is_dir() and not usual.is_dir() else usual


def front_command(args: argparse.Namespace) -> int:
    """Read, search, write the run folder, print the front."""
    progress = Progress()
    from optimizer.archive import check_name, check_place, check_replaceable
    from optimizer.archive_result import result_text
    from optimizer.report.tables import console_for, print_run

    name = args.name or run_name(args.spec)
    check_name(name)
    check_place(args.runs)
    if args.replace and (args.runs / name).exists():
        check_replaceable(args.runs / name)
    with no_collection():
        load = partial(import_module, "optimizer.conclude") if _two(args) else None
        spec, catalog = read_inputs(args.spec, progress, meanwhile=load)
        from optimizer import conclude

        gc.freeze()  # what is loaded stays to the end: no search for garbage goes through it
    with stop_on_interrupt(progress) as stop:
        run = conclude.front(
            spec,
            catalog,
            engine=args.engine,
            time_limit=args.time_limit,
            prove_all=args.prove == "all",
            processes=args.processes,
            progress=progress,
            stop=stop,
        )
    plain, folder = _written(args, name, run, spec, catalog, progress)
    if args.json:
        sys.stdout.write(result_text(plain))
    else:
        console = console_for()
        print_run(console, plain)
        console.print(f"Run folder: {folder}")
    return DONE if run.complete else INTERRUPTED


def _two(args: argparse.Namespace) -> bool:
    """Whether two processes may work."""
    from optimizer.crew import available

    return (args.processes or available()) > 1


def _written(
    args: argparse.Namespace, name: str, run: Any, spec: Any, catalog: Any, progress: Progress
) -> tuple[dict[str, Any], Path]:
    """What is kept of a run, and the folder it was written to, with its page."""
    from optimizer.archive import write_kept, write_page
    from optimizer.archive_result import kept, now, spared
    from optimizer.report.page import packed_data
    from optimizer.results import as_plain

    with no_collection():
        plain = kept(_with_provenance(as_plain(spared(run)), spec, catalog)) | {"written": now()}
        with beside(partial(packed_data, plain), two=_two(args)) as data:
            text = spec.text.encode()
            folder = write_kept(args.runs, name, plain, spec=text, replace=args.replace)
            progress("written", f"{folder}; {peak_memory()}")
            try:
                progress("page", str(write_page(folder, run=plain, data=data())))
            except KeyboardInterrupt:
                progress("page", f"left out: partfront page {folder} makes it")
    return plain, folder


def read_inputs(
    path: Path,
    progress: Progress,
    extra: Sequence[Path] = (),
    *,
    meanwhile: Callable[[], object] | None = None,
) -> tuple[Any, Any]:
    """Spec and catalogs of a command, `extra` catalogs beside those of the spec.

    meanwhile : done here while a fork of this process reads the catalogs
    """
    from optimizer.catalog import read_catalog
    from optimizer.spec import read_spec, summary

    spec = read_spec(path)
    progress("spec", summary(spec))
    read_all = partial(read_catalog, [*spec.catalogs, *extra])
    with beside(read_all, two=meanwhile is not None) as read:
        if meanwhile is not None:
            meanwhile()
        catalog = read()
    counts = ", ".join(f"{count} {kind}" for kind, count in catalog.rows.items())
    progress("catalogs", f"{counts}; {len(catalog.refused)} rows refused")
    return spec, catalog


def _with_provenance(plain: dict[str, Any], spec: Any, catalog: Any) -> dict[str, Any]:
    from optimizer.archive import versions
    from optimizer.archive_inputs import input_hashes

    hashes = input_hashes(spec, catalog)
    return {**plain, "hashes": hashes | plain["hashes"], "versions": versions() | plain["versions"]}


def verify_command(args: argparse.Namespace) -> int:
    """Evaluate one part set and print it; code 3 when a limit does not hold."""
    progress = Progress()
    from optimizer.report.summary import failures
    from optimizer.report.tables import console_for, print_charge_sense, print_verified
    from optimizer.results import as_plain

    part_set, extra, sense, made = _part_set(args)
    spec, catalog = read_inputs(args.spec, progress, extra)
    from optimizer import conclude
    from optimizer.archive_inputs import changed_inputs, input_hashes

    moved = as_plain(changed_inputs(made, input_hashes(spec, catalog)))
    told: list[dict[str, Any]] = []
    for held, verified, notes in conclude.verify_each(spec, catalog, part_set, sense):
        label = {} if held is None else {"charge_sense": as_plain(held)}
        told.append(label | {"verified": as_plain(verified), "notes": moved + as_plain(notes)})
    if args.json:
        print_json(told[0] if len(told) == 1 else {"each_charge_sense": told})
    else:
        console = console_for()
        for plain in told:
            if "charge_sense" in plain:
                print_charge_sense(console, plain["charge_sense"], several=len(told) > 1)
            currency = spec.purchase.currency
            print_verified(console, plain["verified"], currency=currency, notes=plain["notes"])
    every = [plain["verified"] for plain in told]
    good = all(not failures(one) and one["chain"]["closes"] for one in every)
    return DONE if good else INFEASIBLE


def _part_set(
    args: argparse.Namespace,
) -> tuple[PartSet, Sequence[Path], float | None, Mapping[str, str]]:
    """The parts, the catalogs beside those of the spec, the charge-current sense of a point, and
    the hashes of what its run was made from.
    """
    if args.board:
        from optimizer.spec_board import read_board

        board = read_board(args.board)
        return board.part_set, board.catalogs, board.resistance_sense, {}
    from optimizer.archive import board_of, point_of, read_run
    from optimizer.report.summary import resistance_sense

    folder = args.run or run_folder(args.spec)
    run = read_run(folder)
    point = point_of(run, args.point, place=str(folder))
    return board_of(point), (), resistance_sense(point), run["hashes"]


def lint_command(args: argparse.Namespace) -> int:
    """Check catalogs; code 2 when something in them would stop a run."""
    from optimizer.catalog import lint
    from optimizer.report.tables import console_for, print_lint
    from optimizer.results import as_plain

    found = as_plain(lint(_catalog_paths(args.paths)))
    if args.json:
        print_json(found)
    else:
        print_lint(console_for(), found)
    return WRONG_INPUT if found["problems"] else DONE


def _catalog_paths(paths: Sequence[Path]) -> list[Path]:
    from optimizer.spec import read_spec

    found: list[Path] = []
    for path in paths:
        found += [Path(p) for p in read_spec(path).catalogs] if path.suffix == ".toml" else [path]
    return found


# --- the door ------------------------------------------------------------------------------------


def print_json(data: object) -> None:
    """Print plain data as one line of JSON."""
    sys.stdout.write(json.dumps(data, ensure_ascii=False, allow_nan=False) + "\n")


def _problems(error: OptimizerError) -> list[str]:
    if isinstance(error, InputError):
        return [str(problem) for problem in error.problems]
    return str(error).splitlines() or [""]


HEADS = {
    InputError: "The input cannot be used",
    NoFeasibleDesign: "No feasible design",
    NotProved: "Not proved",
}


def report_error(error: OptimizerError, *, as_json: bool) -> int:
    """Say what is wrong, on the error stream, and give the exit code."""
    head, lines = HEADS.get(type(error), "Error"), _problems(error)
    if as_json:
        print_json({"error": head, "exit_code": error.exit_code, "problems": lines})
    many = isinstance(error, InputError) and len(lines) > 1
    count = f" ({len(lines)} problems)" if many else ""
    text = "\n".join([f"{head}{count}:", *(f"  {line}" for line in lines)])
    print("".join(c for c in text if c.isprintable() or c == "\n"), file=sys.stderr)
    return error.exit_code


def _file_problem(error: OSError) -> InputError:
    place = str(error.filename or "file system")
    got = error.strerror or str(error)
    fix = "check the path, the rights and the free space"
    return InputError([Problem(place, "", got, "a file that can be read or written", fix)])


def _guarded(args: argparse.Namespace) -> int:
    try:
        return int(args.action(args))
    except OptimizerError as error:
        if args.debug:
            raise
        return report_error(error, as_json=args.json)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        if args.debug:
            raise
        return report_error(_file_problem(error), as_json=args.json)
    except KeyboardInterrupt:
        print("Interrupted. Older results are untouched.", file=sys.stderr)
        return INTERRUPTED
    except Exception as error:
        if args.debug:
            raise
        text = f"Fault of the program: {type(error).__name__}: {error}"
        print(f"{text}\nOlder results are untouched; --debug shows where.", file=sys.stderr)
        return FAULT


def _hold_memory() -> None:
    """Keep memory that was used once, where the C library can be told to.

    Arrays of some hundred kilobytes come and go by the ten thousand: giving each back to the
    system took a twentieth of the time.
    """
    try:
        tell = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    tell(M_MMAP_THRESHOLD, 32 << 20)
    tell(M_TRIM_THRESHOLD, 1 << 30)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code.

    Many small matrix products go slower on several threads, much slower on a busy machine: the
    linear algebra is told to take one, which works as long as it is not loaded yet. At the end of
    the process nothing is worth a search for garbage.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    _hold_memory()
    atexit.register(gc.freeze)
    return _guarded(parser().parse_args(arguments))


if __name__ == "__main__":
    sys.exit(main())
