"""CSV text for spreadsheets, with no cell that a spreadsheet would execute."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

EXECUTED_FIRST = "=+-@\t\r\n'＝＋－＠"


def neutral(cell: object) -> object:
    """A text cell that a spreadsheet would execute, behind an apostrophe; numbers unchanged.

    >>> neutral("=1+1"), neutral(-0.5), neutral("100 V")
    ("'=1+1", -0.5, '100 V')
    """
    if isinstance(cell, str) and cell.lstrip(" ")[:1] and cell.lstrip(" ")[0] in EXECUTED_FIRST:
        return f"'{cell}"
    return cell


def original(cell: str) -> str:
    """Undo `neutral` on a cell read back.

    >>> original(neutral("=1+1"))
    '=1+1'
    """
    return cell[1:] if cell.startswith("'") else cell


def csv_text(rows: Sequence[Mapping[str, object]]) -> str:
    """Rows as CSV with a header; text quoted and neutralised, missing values empty."""
    if not rows:
        return ""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
    writer.writerow(list(rows[0]))
    for row in rows:
        writer.writerow(["" if cell is None else neutral(cell) for cell in row.values()])
    return out.getvalue()
