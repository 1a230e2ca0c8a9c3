"""A family of runs bought together, on the screen. Prints plain data and computes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from optimizer.report.grids import clean, grid

Plain = Mapping[str, Any]


def print_family(console: Console, found: Plain) -> None:
    """The answer in one screen."""
    family, money = found["family"], found["currency"]
    own, pooled = family["alone"], family["pooled"]
    saved = own["cost"] - pooled["cost"]
    head = f"{len(own['sets'])} runs, a year: {own['cost']:.2f} {money} each by itself"
    console.print(clean(f"{head}, {saved:.2f} less when bought together"), style="bold")
    console.print(_table("Least cost for so many part numbers", family["cheapest"], money))
    title = f"The same with no more loss than the runs' own choices ({own['loss']:.1f} W)"
    console.print(_table(title, family["no_lossier"], money))
    best = family["cheapest"][-1]
    shared = ", ".join(f"{p} ({len(m)})" for p, m in best["shared"].items()) or "none"
    console.print(clean(f"Shared by the cheapest: {shared}"))
    for text in (*_common(family, money), *_proof(found), *family["notes"]):
        console.print(clean(text))


def _table(title: str, steps: Sequence[Plain], money: str) -> Table:
    rows = [
        [
            one["part_numbers"],
            f"{one['cost']:.2f}",
            f"{one['loss']:.1f}",
            "exact" if one["proved"] else f"not below {one['bound']:.2f}",
            "; ".join(f"{name}: {text}" for name, text in one["sets"].items()),
        ]
        for one in steps
    ]
    heads = [">part numbers", f">cost {money}", ">loss of all W", "proof", "sets"]
    return grid(title, heads, rows)


def _common(family: Plain, money: str) -> list[str]:
    kind = family["common_kind"]
    if not kind:
        return []
    if family["common"] is None:
        return [f"No {kind} fits all runs among those on some front"]
    price = f"{family['common_price']:+.2f} {money} a year, loss {family['common']['loss']:.1f} W"
    return [f"One common {kind}, {family['common_part']}: {price} (of those on some front)"]


def _proof(found: Plain) -> list[str]:
    told = "Exact over the points of the fronts (and the sets with a common part that were added)"
    if found["gap"] is None:
        return [f"{told}; that no other set does better is not proved: ask with --bound"]
    bound = found["family"]["bound"]
    gap = f"{100.0 * found['gap']:.1f} % below the cheapest"
    return [f"{told}; no choice of any sets costs less than {bound:.2f}, {gap}"]
