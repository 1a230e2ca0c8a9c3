"""Answers to questions on the screen: the sentence first, then its proof, tables and notes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console

from optimizer.report.grids import clean, grid

Plain = Mapping[str, Any]
SHOWN = 20
"""Lines of a list on the screen; the rest is counted."""


def show_answer(console: Console, answer: Plain) -> None:
    """Print an answer on one screen."""
    console.print(clean(answer["question"]), style="bold")
    console.print(f"  {clean(answer['answer'])}")
    console.print(f"  {clean(answer['proof'])}", style=None if answer["proved"] else "yellow")
    for one in answer["grids"]:
        rows = one["rows"][:SHOWN]
        left = len(one["rows"]) - len(rows)
        console.print()
        console.print(grid(one["title"], one["heads"], rows))
        if left:
            console.print(f"  ... and {left} more")
    for note in answer["notes"]:
        console.print(f"  - {clean(note)}")


def show_import(console: Console, found: Plain) -> None:
    """Print what became of the rows of a foreign CSV file."""
    console.print(
        f"{found['rows_read']} rows read, {found['rows_written']} {found['kind']} rows written, "
        f"{len(found['problems'])} cells not read, {found['rows_left_out']} rows left out"
    )
    rows = [
        (one["place"], one["name"], one["got"], one["need"], one["fix"])
        for one in found["problems"][:SHOWN]
    ]
    if rows:
        console.print(grid("Not read", ("row", "column", "got", "need", "remedy"), rows))
    left = len(found["problems"]) - len(rows)
    if left:
        console.print(f"  ... and {left} more")
    for note in found["notes"]:
        console.print(f"  - {clean(note)}")
