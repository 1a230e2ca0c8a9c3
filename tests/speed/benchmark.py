"""How long things take, in one run on one machine: ``python -m tests.speed.benchmark``.

- every shipped example: the whole command in a new process, with stages and peak memory;
- a case with every coupling row active, points proved by the solver;
- a small case beside a naive model of products and a general genetic search at equal time.

It prints figures and asserts none: a busy machine is no fault of the code.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

from tests.speed import commands

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "runs" / "examples"
EVERY_ROW = Path(__file__).with_name("every_row.toml")
PARTS = ("examples", "rows", "small")
LIBRARIES = ("numpy", "pyomo", "highspy", "pymoo", "moocore")
GENETIC_TIMES = (1.0, 10.0)
"""Seconds of the genetic search, in those of the whole search of the same case."""


def parser() -> argparse.ArgumentParser:
    """Arguments of the benchmark."""
    found = argparse.ArgumentParser(prog="python -m tests.speed.benchmark", description=__doc__)
    found.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}; all")
    found.add_argument("--spec", type=Path, nargs="*", help="specs in place of the examples")
    found.add_argument("--time-limit", type=float, default=600.0, help="of each command [s]")
    found.add_argument("--naive-limit", type=float, default=300.0, help="of the naive model [s]")
    found.add_argument("--scale", type=float, default=0.06, help="size of the small catalogs")
    found.add_argument("--seed", type=int, default=5, help="seed of the small catalogs")
    return found


def machine() -> str:
    """What the figures were measured on."""
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    return (
        f"{platform.machine()}, {os.cpu_count()} cores, load {load} before the start; "
        f"Python {platform.python_version()}, {libraries}"
    )


def say(lines: Iterable[str]) -> None:
    """Print at once, so that a long run can be watched."""
    for line in lines:
        print(line, flush=True)


def command(spec: Path, runs: Path, limit: float, *more: str) -> None:
    """One command and its figures."""
    ran = commands.front(spec, runs, *more, limit=limit)
    say(commands.lines(spec, ran))


def small(folder: Path, *, scale: float, seed: int, naive_limit: float) -> None:
    """The small case three ways."""
    from tests.speed import genetic, product_model, small_case

    spec, catalog = small_case.case(folder, scale=scale, seed=seed)
    one = small_case.solved(spec, catalog)
    say([f"small case: {small_case.size(one.choice)}"])
    rows = [small_case.figures("search, with proof", one.points, one.points, one.seconds)]
    naive = product_model.solve(one.choice, time_limit=naive_limit)
    name = f"naive model, {'complete' if naive.complete else 'ended by its limit'}"
    rows.append(small_case.figures(name, naive.points, one.points, naive.seconds))
    for times in GENETIC_TIMES:
        (market,) = one.found.markets.values()
        met = genetic.search(market, seconds=times * one.seconds)
        name = f"genetic search, {times:g} x the time, {met.judged} sets judged"
        rows.append(small_case.figures(name, met.points, one.points, met.seconds))
    say(table(rows))
    say([f"naive model: {naive.columns} columns, {naive.rows} rows, {naive.seconds_build:.1f} s"])
    say(["(the naive model is given the options that pass; listing them is not in its time)"])


def table(rows: Sequence[Mapping[str, str]]) -> Iterable[str]:
    """Rows as plain text, columns aligned."""
    heads = list(rows[0])
    lines = [heads, *(list(row.values()) for row in rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(heads))]
    for line in lines:
        cells = [cell.ljust(width) for cell, width in zip(line, widths, strict=True)]
        yield "  " + "  ".join(cells).rstrip()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the parts asked for."""
    asked = parser().parse_args(arguments)
    parts = asked.parts or PARTS
    if unknown := sorted(set(parts) - set(PARTS)):
        print(f"parts: got {', '.join(unknown)}, need {', '.join(PARTS)}", file=sys.stderr)
        return 2
    say([machine()])
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        if "examples" in parts:
            for spec in asked.spec or sorted(EXAMPLES.glob("*.toml")):
                command(spec.resolve(), folder, asked.time_limit)
        if "rows" in parts:
            say(["every coupling row active, every point proved by the solver:"])
            command(EVERY_ROW, folder, asked.time_limit, "--prove", "all")
        if "small" in parts:
            sizes = {"scale": asked.scale, "seed": asked.seed}
            small(folder, naive_limit=asked.naive_limit, **sizes)
    return 0


if __name__ == "__main__":
    sys.exit(main())
