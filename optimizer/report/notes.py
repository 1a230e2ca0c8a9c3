"""The notes and assumptions ledger of a run, as Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from optimizer.report.cautions import cautions
from optimizer.report.summary import offers_sense

Plain = Mapping[str, Any]

KINDS = {
    "assumed": "Assumed",
    "filled": "Filled by policy",
    "excluded": "Excluded",
    "finding": "Findings",
}


def cell(value: object) -> str:
    """A value as one Markdown table cell.

    >>> cell("a|b")
    'a\\\\|b'
    """
    text = "" if value is None else str(value)
    return " ".join(text.replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;").split())


def table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """Lines of a Markdown table; nothing when there are no rows."""
    lines = ["| " + " | ".join(cell(value) for value in row) + " |" for row in rows]
    head = [f"| {' | '.join(header)} |", "|" + " --- |" * len(header)]
    return [*head, *lines, ""] if lines else []


def proof_text(run: Plain) -> str:
    """Whether the front is proved, in one sentence that never claims more than that."""
    count = len(run["points"])
    if run["complete"] and count:
        than = "both no dearer and no lossier"
        if offers_sense(run["points"]):
            than = "no dearer, no lossier with its charge-current sense, and as near at the end of"
            than += " charge"
        return (
            f"{count} points, all proved: no other choice within the catalogs and limits as read "
            f"is {than} at the reference state (engine: {run['engine']})."
        )
    return f"{count} points; NOT proved: {run['not_proved'] or 'the search did not finish'}."


def waterfall_text(waterfall: Plain) -> str:
    """One line of a waterfall, for example ``output-low: 812 parts, 410 fell on …, 0 left``."""
    falls = ", ".join(f"{fall['fell']} fell on {fall['reason']}" for fall in waterfall["falls"])
    middle = f"{falls}, " if falls else ""
    return (
        f"{waterfall['position']}: {waterfall['offered']} parts, {middle}{waterfall['left']} left"
    )


def _notes_of(run: Plain, kind: str) -> list[str]:
    rows = [(n["subject"], n["text"], n["source"]) for n in run["notes"] if n["kind"] == kind]
    lines = table(("subject", "what", "source"), rows)
    return [f"## {KINDS[kind]}", "", *lines] if lines else []


def _section(title: str, lines: Sequence[str]) -> list[str]:
    return [f"## {title}", "", *lines, ""] if lines else []


def fault_rows(verified: Plain) -> list[tuple[str, str, str]]:
    """(fault, verdict, text) of a set; older runs have none."""
    return [(one["fault"], one["verdict"], one["text"]) for one in verified.get("faults") or ()]


def faulted(run: Plain) -> Plain | None:
    """The point whose faults stand for the run: the knee, else the first that has them."""
    known = [point for point in run["points"] if fault_rows(point["verified"])]
    return next((p for p in known if p["mark"] == "knee"), known[0] if known else None)


def _faults(run: Plain) -> list[str]:
    point = faulted(run)
    if point is None:
        return []
    rows = table(("fault", "verdict", "what"), fault_rows(point["verified"]))
    return _section(f"Faults, loop and life of point {point['number']}", rows)


def notes_text(run: Plain) -> str:
    """The whole ledger of a run."""
    state = run["state_difference"]
    lines = [f"# {run['title'] or run['name']}", "", proof_text(run)]
    if state is not None and run["points"]:
        lines.append(
            f"Largest difference between a point's own state and the reference state: "
            f"{100 * state:.2f} % of its loss; points closer than that are ties, not ranks."
        )
    lines += ["", *_section("Cautions", [f"- {text}" for text in cautions(run)])]
    lines += _faults(run)
    refused = [f"- {item['topology']}: {item['reason']}" for item in run["refused"]]
    lines += _section("Topologies refused", refused)
    for kind in KINDS:
        lines += _notes_of(run, kind)
    dropped = [(n["subject"], n["text"]) for n in run["lanes_dropped"]]
    lines += _section("Operating points left out", table(("point", "why"), dropped))
    lines += _section("What fell", [f"- {waterfall_text(w)}" for w in run["waterfalls"]])
    lines += _section("The spec as understood", table(("key", "value", "inside"), run["echo"]))
    lines += _facts(run)
    return "\n".join(lines).rstrip() + "\n"


def _facts(run: Plain) -> list[str]:
    stages = [(name, f"{seconds:.2f} s") for name, seconds in run["stages"].items()]
    return [
        *_section("Counts", table(("what", "number"), run["counts"].items())),
        *_section("Time", table(("stage", "time"), stages)),
        *_section("Inputs", table(("file", "SHA-256"), run["hashes"].items())),
        *_section("Versions", table(("what", "version"), run["versions"].items())),
    ]
