"""Commands that show an archived run again: its page, and the netlist of one point."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from optimizer.errors import InputError, Problem

PAGE_HELP = "make the evidence page of archived runs, without solver or physics"
NETLIST_HELP = "write the circuit of a point at an operating point, ready for ngspice"


def add_commands(
    add: Callable[..., argparse.ArgumentParser],
    common: argparse.ArgumentParser,
    point_number: Callable[[str], int],
) -> None:
    """Arguments of both commands; `add` makes a parser by name."""
    page = add("page", parents=[common], help=PAGE_HELP)
    page.add_argument("runs", nargs="+", type=Path, metavar="RUN", help="run folder")
    page.add_argument("--out", type=Path, help="file to write (one run only; else RUN/page.html)")
    page.set_defaults(action=page_command)
    netlist = add("netlist", parents=[common], help=NETLIST_HELP)
    netlist.add_argument("run", type=Path, metavar="RUN", help="run folder")
    netlist.add_argument("--point", type=point_number, required=True, help="number of the point")
    netlist.add_argument("--at", default="", help="operating point, by number or name")
    netlist.add_argument("--out", type=Path, help="file to write instead of the screen")
    netlist.set_defaults(action=netlist_command)


def page_command(args: argparse.Namespace) -> int:
    """Write the page of every run named and say where."""
    from optimizer.archive import write_page

    if args.out and len(args.runs) > 1:
        got, need = f"--out with {len(args.runs)} runs", "one run"
        raise InputError([Problem("--out", "", got, need, "name one run, or leave --out away")])
    for run in args.runs:
        place = write_page(run, args.out)
        print(json.dumps({"page": place.as_posix()}) if args.json else place)
    return 0


def netlist_command(args: argparse.Namespace) -> int:
    """Print or write the netlist of one point at one operating point."""
    from optimizer.archive import read_run
    from optimizer.report.netlist import netlist_text

    run = read_run(args.run)
    point = _detailed(run, args.point, str(args.run))
    text = netlist_text(run, point, _lane(point["verified"]["lanes"], args.at, str(args.run)))
    if args.out:
        with args.out.open("x", encoding="utf-8") as file:
            file.write(text)
    else:
        sys.stdout.write(text)
    return 0


def _detailed(run: Any, number: int, place: str) -> Any:
    """A point that keeps its circuit."""
    kept = [point for point in run["points"] if point["evidence"]]
    for point in kept:
        if point["number"] == number:
            return point
    known = {point["number"] for point in run["points"]}
    if not kept:
        need = "a run that keeps circuits"
        fix = "run `front` again with this version; stages with a diode or two coils keep none"
    elif number in known:
        numbers = ", ".join(str(point["number"]) for point in kept)
        need, fix = "a point kept in full", f"choose one of {numbers}"
    else:
        need, fix = f"a point from 1 to {len(known)}", "look the number up in front.csv"
    raise InputError([Problem(place, "--point", str(number), need, fix)])


def _lane(lanes: Any, asked: str, place: str) -> int:
    """An operating point by number or title; the mission point of most time when not asked."""
    from optimizer.report.names import lane_titles

    titles = lane_titles(lanes)
    if not asked:
        return max(range(len(titles)), key=lambda k: (lanes["share"][k] or 0.0, -k))
    if asked.isdigit() and int(asked) < len(titles):
        return int(asked)
    if asked in titles:
        return titles.index(asked)
    listed = "; ".join(f"{k} {title}" for k, title in enumerate(titles))
    need = "the number or name of an operating point"
    raise InputError([Problem(place, "--at", repr(asked), need, f"choose one of: {listed}")])
