"""Numbers, units and grids that every table on the screen is made of."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console
from rich.table import Table

MISSING = "-"
UNITS_SHOWN = {
    "s": (1e9, "ns"),
    "m": (1e3, "mm"),
    "m2": (1e6, "mm2"),
    "H": (1e6, "uH"),
    "1": (1e2, "%"),
}
SMALL = ("V", "A", "W")
"""Units told in thousandths below one."""

MIN_WIDTH = 4
HEAD_WIDTH = 10
"""Heads of number columns are stacked to about this width, so that text columns keep room."""


def clean(value: object) -> str:
    """Text without control characters: a catalog cell must not steer the terminal.

    >>> clean("a\\x1b[31mb")
    'a[31mb'
    """
    text = MISSING if value is None else str(value)
    return "".join(c for c in text if c.isprintable() or c == "\n")


def fixed(value: float | None, digits: int = 2) -> str:
    """A number with fixed decimals, a dash where it is not known.

    >>> fixed(-0.0004, 3), fixed(-0.004)
    ('0.000', '0.00')
    """
    return MISSING if value is None else f"{value:z.{digits}f}"


def percent(value: float | None, digits: int = 1) -> str:
    """A share as percent."""
    return MISSING if value is None else f"{100.0 * value:z.{digits}f}"


def console_for(*, stderr: bool = False) -> Console:
    """A console that reads no markup from data and cuts no table when piped into a file."""
    console = Console(stderr=stderr, markup=False, highlight=False, emoji=False)
    if not console.is_terminal:
        console = Console(stderr=stderr, markup=False, highlight=False, emoji=False, width=200)
    return console


def grid(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Table:
    """A table; columns that start with ``>`` are numbers, set to the right."""
    table = Table(
        title=clean(title),
        title_justify="left",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        collapse_padding=True,
    )
    for column in columns:
        if column.startswith(">"):
            table.add_column(stacked(clean(column[1:])), justify="right", no_wrap=True)
        else:
            table.add_column(clean(column), overflow="fold", min_width=MIN_WIDTH)
    for row in rows:
        table.add_row(*(clean(cell) for cell in row))
    return table


def stacked(head: str) -> str:
    """A head broken into short lines.

    >>> stacked("eff. % nominal, full load")
    'eff. %\\nnominal,\\nfull load'
    """
    return "\n".join(textwrap.wrap(head, HEAD_WIDTH, break_long_words=False))


def limit_name(quantity: str) -> str:
    """What is limited, in words a reader knows.

    >>> limit_name("thermal gain row"), limit_name("height")
    ('thermal gain, 100 % at its limit', 'height')
    """
    return "thermal gain, 100 % at its limit" if quantity == "thermal gain row" else quantity


def quantity_text(value: float | None, unit: str) -> str:
    """A value with the unit engineers read.

    >>> quantity_text(150e-9, "s"), quantity_text(0.0994, "V")
    ('150 ns', '99.4 mV')
    """
    if value is None:
        return MISSING
    scale, shown = UNITS_SHOWN.get(unit, (1.0, unit))
    if unit in SMALL and 0.0 < abs(value) < 1.0:
        scale, shown = 1e3, f"m{unit}"
    return f"{value * scale:z.4g} {shown}".rstrip()
