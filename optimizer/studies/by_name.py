"""Parts that equal another by name (volts and milliohms) and not where they are used."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.studies.boards import Boards

VOLTS_ALIKE, OHMS_ALIKE = 0.01, 0.1
"""Relative differences up to which two transistors read alike in a parts list."""

MOST_TOLD = 2
"""Broken limits told of one part."""


def alike(boards: Boards, lost: str, other: str) -> bool:
    """Whether two transistors have the same volts and nearly the same milliohms at 10 V."""
    rows, numbers = boards.row["mosfet"], boards.tables["mosfet"].numbers
    if lost not in rows or other not in rows:
        return False
    volts, ohms = numbers["v_drain_source_rating"], numbers["rds_on_10v_max"]
    one, two = rows[lost], rows[other]
    near = abs(volts[two] - volts[one]) <= VOLTS_ALIKE * volts[one]
    return bool(near and abs(ohms[two] - ohms[one]) <= OHMS_ALIKE * ohms[one])


def told(boards: Boards, lost: str, other: str, reasons: Sequence[str]) -> str:
    """Why a part is refused; of transistors alike by name, with both at the drive voltage used."""
    row = boards.row["mosfet"].get(other)
    reason = "; ".join(reasons[:MOST_TOLD])
    unrated = "" if row is None else _unrated(boards, row)
    if row is None or not alike(boards, lost, other):
        return unrated or reason
    numbers = boards.tables["mosfet"].numbers
    volts, ohms = numbers["v_drain_source_rating"][row], 1e3 * numbers["rds_on_10v_max"][row]
    name = f"equals {lost} by name ({volts:g} V, {ohms:.3g} mohm at 10 V)"
    if unrated:
        return f"{name}, but {unrated}"
    drive = boards.stage.controller.v_drive_min
    one, two = (1e3 * at_lowest_drive(boards, k) for k in (row, boards.row["mosfet"][lost]))
    return f"{name}, but has {one:.3g} against {two:.3g} mohm at the drive of {drive:g} V: {reason}"


def _unrated(boards: Boards, row: int) -> str:
    """What a transistor lacks at the drive voltage of the board, "" where nothing."""
    if np.isfinite(at_lowest_drive(boards, row)):
        return ""
    drive = boards.stage.controller.v_drive_min
    only = np.isnan(boards.tables["mosfet"].numbers["rds_on_4v5_max"][row])
    why = "only at 10 V" if only else "its plateau is too near"
    return f"its on-resistance is not rated at the drive of {drive:g} V ({why})"


def at_lowest_drive(boards: Boards, row: int) -> float:
    """Largest on-resistance at 25 degC at the lowest gate drive [ohm]; NaN where not rated."""
    lanes = boards.stage.lanes.guaranteed
    values = np.broadcast_to(boards.stage.mosfets.rds_on[row], len(boards.stage.lanes))
    return float(np.max(values[lanes]))
