"""A run, or one point of it, in plain text for a mail."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from optimizer.report.cautions import cautions, hottest_by_part
from optimizer.report.lists import marked_points
from optimizer.report.names import one_line
from optimizer.report.notes import proof_text
from optimizer.report.summary import failures, objective_loss, tightest

Plain = Mapping[str, Any]

WIDTH = 76
LOSS_BAND = (-0.05, 0.20)
"""How far a measured loss may lie from the uncalibrated model: common practice, no source."""


def mail_text(
    run: Plain, points: Sequence[Plain] | None = None, said: Sequence[str] | None = None
) -> str:
    """Verdict, the points asked for (the marked ones when not given), and the cautions.

    said : the `cautions` of the run, where they are known already
    """
    said = cautions(run) if said is None else said
    lines = [one_line(run["title"] or run["name"]), "", *_wrapped(proof_text(run)), ""]
    for point in marked_points(run) if points is None else points:
        lines += [*point_lines(point, run), ""]
    lines += ["Cautions", *(line for text in said for line in _wrapped(f"- {text}", "  "))]
    files = ", ".join(f"{name} {value[:12]}" for name, value in run["hashes"].items())
    lines += ["", *_wrapped(f"Inputs (start of SHA-256): {files}")]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def point_lines(point: Plain, run: Plain) -> Iterator[str]:
    """One point: what it costs and loses, what is closest to its limit, what to buy."""
    verified = point["verified"]
    parts, mark = verified["part_set"], f" ({point['mark']})" if point["mark"] else ""
    yield f"Point {point['number']}{mark}: {parts['topology']}, {parts['frequency'] / 1e3:g} kHz"
    yield f"  cost      {verified['cost']:.2f} {run['currency']} a board"
    loss = objective_loss(verified, run)
    if loss is not None:
        low, high = (loss * (1.0 + share) for share in LOSS_BAND)
        kind = "worst point" if run["objective"] == "worst-point" else "mission"
        yield f"  loss      {loss:.3f} W, {kind}; a board may measure {low:.2f} to {high:.2f} W"
    hot = hottest_by_part(verified)
    if hot:
        subject = max(hot, key=lambda name: hot[name])
        yield f"  hottest   {subject}, {hot[subject]:.0f} degC"
    tight = tightest(verified)
    if tight:
        share = 100.0 * float(tight["margin"])
        yield f"  tightest  {tight['subject']} {tight['quantity']}, margin {share:.1f} %"
    if verified.get("life_of"):
        years = verified["life_years"]
        told = "not known" if years is None else f"{years:.3g} years"
        yield f"  life      {told}, {one_line(verified['life_of'])}"
    for bad in failures(verified):
        yield f"  FAILS     {bad['subject']} {bad['quantity']}"
    if not verified["chain"]["closes"]:
        yield "  FAILS     the limit chain does not close"
    for line in verified["bill"]:
        where = ", ".join(line["positions"])
        yield f"  {line['pieces']:>3} x {one_line(line['part_number'])}  ({where})"


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(one_line(text), WIDTH, subsequent_indent=indent)
