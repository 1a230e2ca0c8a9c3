"""The machine-readable result of a run: what of it is kept, as JSON text, and back.

``result.json`` (or, unpacked, ``result.json.xz``) is one object:

    schema    "partfront-run"
    version   whole number; a reader refuses a version it does not know
    written   date and time, UTC
    lanes     list of distinct lane tables (records.Lanes as plain lists)
    run       results.Run as plain data; ``verified.lanes`` of each point is an index into `lanes`

Numbers are SI, temperatures degrees Celsius, shares fractions, money in ``run.currency``; they
keep seven significant digits; what is not known or has no limit is null. Key pairs are joined
with " | " (``losses["inductor | core"]``). The field lists are those of `results` and
`results_evidence`.

Version 2: up to 60 points of a front (both ends, the knee, the others spread over the loss) have
``evidence`` and every figure at every operating point. The other points keep one line: their
arrays by operating point are empty, and of their margins only the hottest part, the tightest
stress and what fails remain. Version 1 kept every figure of every point and no evidence; it is
still read. ``charge_sense`` stands in the points of runs that offer several resistors for it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from optimizer.report.summary import failures, hottest, tightest
from optimizer.results import Run

Plain = Mapping[str, Any]

SCHEMA = "partfront-run"
VERSION = 2
READ = (1, 2)
"""Versions that can be read."""

BY_LANE = ("power_input", "power_output", "loss_total", "efficiency", "balance_error")
BY_NAME_AND_LANE = ("losses", "temps", "waves")


def rounded(value: Any) -> Any:
    """Plain data with seven significant digits; what JSON cannot say becomes None."""
    kind = type(value)  # asked first: most of a run are plain floats and texts
    if kind is str or kind is int:
        return value
    if kind is float or isinstance(value, float):
        return float(f"{value:.7g}") if math.isfinite(value) else None
    if kind is list or isinstance(value, list | tuple):
        return [item if type(item) is int or type(item) is str else rounded(item) for item in value]
    if kind is dict or isinstance(value, Mapping):
        return {str(key): rounded(item) for key, item in value.items()}
    return value


def kept(run: Plain) -> dict[str, Any]:
    """The run as the archive keeps it: detail for points with evidence or a mark, else a line.

    A front without any evidence keeps every figure.
    """
    points = run.get("points", ())
    if any(point.get("evidence") for point in points):
        points = [
            point if point.get("evidence") or point.get("mark") else _line(point)
            for point in points
        ]
    bare = [{**one, "verified": {**one["verified"], "lanes": None}} for one in points]
    found: dict[str, Any] = rounded({**run, "points": bare})
    tables: dict[int, Any] = {}  # many points share one table of operating points
    for point, whole in zip(found["points"], points, strict=True):
        lanes = whole["verified"]["lanes"]
        if id(lanes) not in tables:
            tables[id(lanes)] = rounded(lanes)
        point["verified"]["lanes"] = tables[id(lanes)]
    return found


def spared(run: Run) -> Run:
    """The run without most of what `kept` leaves out, to be made plain in half of the time."""
    if not any(point.evidence for point in run.points):
        return run
    none: dict[str, Any] = {name: np.zeros(0) for name in BY_LANE}
    none |= {name: {} for name in BY_NAME_AND_LANE}
    points = (
        point
        if point.evidence or point.mark
        else replace(point, verified=replace(point.verified, **none))
        for point in run.points
    )
    return replace(run, points=tuple(points))


def _line(point: Plain) -> Plain:
    """A point without its figures by operating point."""
    verified = point["verified"]
    shown = [hottest(verified), tightest(verified), *failures(verified)]
    margins = [m for k, m in enumerate(shown) if m is not None and m not in shown[:k]]
    none: dict[str, Any] = {name: {} for name in BY_NAME_AND_LANE}
    none |= {name: [] for name in BY_LANE}
    return {**point, "verified": {**verified, **none, "margins": margins}}


def _brief(point: Plain) -> Plain:
    """A point without what only runs that offer several charge-current senses have."""
    absent = point.get("charge_sense") is None
    return {key: item for key, item in point.items() if not (absent and key == "charge_sense")}


def _share_lanes(run: Plain) -> tuple[list[Any], dict[str, Any]]:
    """Lane tables once each, and the run with indices in their place."""
    tables: list[Any] = []
    points = []
    for point in run.get("points", ()):
        lanes = point["verified"]["lanes"]
        if lanes not in tables:
            tables.append(lanes)
        verified = {**point["verified"], "lanes": tables.index(lanes)}
        points.append(_brief({**point, "verified": verified}))
    return tables, {**run, "points": points}


def now() -> str:
    """Date and time in UTC, as a result says when it was written."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def result_text(run: Plain) -> str:
    """The text of ``result.json`` for what is `kept` of a run."""
    tables, shared = _share_lanes(run)
    written = shared.pop("written", None)
    whole = {
        "schema": SCHEMA,
        "version": VERSION,
        "written": written or now(),
        "lanes": tables,
        "run": shared,
    }
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n"


def is_known(whole: Any) -> bool:
    """Whether a result that was read is of a version this program understands."""
    return (
        isinstance(whole, Mapping)
        and whole.get("schema") == SCHEMA
        and whole.get("version") in READ
        and isinstance(whole.get("run"), Mapping)
        and isinstance(whole.get("lanes"), list)
    )


def restored(whole: Mapping[str, Any]) -> dict[str, Any]:
    """The run of a result that was read, of any version in `READ`."""
    run: dict[str, Any] = {"shapes": {}, **whole["run"], "written": whole.get("written", "")}
    for point in run["points"]:
        point["verified"]["lanes"] = whole["lanes"][point["verified"]["lanes"]]
        point.setdefault("evidence", None)
        point.setdefault("charge_sense", None)
    return run
