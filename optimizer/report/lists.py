"""What to order to build a few boards of one point, or of any of the marked points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.report.summary import number
from optimizer.results import counted

Plain = Mapping[str, Any]


def sample_rows(run: Plain, points: Sequence[Plain] | None = None) -> list[dict[str, object]]:
    """Lines of a sample list: what builds any one of the points, each part once.

    A part that several points use is ordered for the one that needs most of it.

    points : detailed points; the marked ones when not given
    """
    chosen = marked_points(run) if points is None else points
    used: dict[str, list[tuple[Plain, Plain, Plain]]] = {}
    for point in (point for point in chosen if point.get("evidence")):
        lines = {line["part_number"]: line for line in point["verified"]["bill"]}
        for sample in point["evidence"]["samples"]:
            entry = (point, sample, lines[sample["part_number"]])
            used.setdefault(sample["part_number"], []).append(entry)
    return [_row(entries, run) for entries in used.values()]


def marked_points(run: Plain) -> list[Plain]:
    """Both ends and the knee; without marks the first and the last point."""
    points = run["points"]
    marked = [point for point in points if point["mark"]]
    return marked or [points[k] for k in dict.fromkeys((0, len(points) - 1)) if points]


def _row(entries: Sequence[tuple[Plain, Plain, Plain]], run: Plain) -> dict[str, object]:
    _, sample, line = max(entries, key=lambda entry: int(entry[1]["quantity"]))
    return {
        "part_number": sample["part_number"],
        "maker": line["maker"],
        "kind": line["kind"],
        "needed_pcs": sample["pieces"],
        "order_pcs": sample["quantity"],
        "unit_price": number(sample["unit_price"], digits=4),
        "line_price": number(sample["line_price"]),
        "currency": run["currency"],
        "stock_pcs": counted(line["stock"]),
        "lead_time_weeks": counted(line["lead_time_weeks"]),
        "status": line["status"],
        "for_points": " ".join(str(point["number"]) for point, _, _ in entries),
    }
