"""One self-contained HTML page of an archived run: no network, no solver, no physics.

The ledgers are written by a template that escapes everything; what depends on the chosen sets is
drawn by a script from data in the same file. A content policy in the page allows no other script
and no request, so that a text of a catalog cannot act even if it got through.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import PurePath
from typing import Any

from jinja2 import Environment, FunctionLoader
from markupsafe import Markup

from optimizer.report.cautions import cautions
from optimizer.report.names import one_line
from optimizer.report.notes import KINDS, proof_text, waterfall_text
from optimizer.report.page_data import page_data
from optimizer.report.summary import failures, offers_sense

Plain = Mapping[str, Any]

LIBRARIES = ("d3", "plot")
"""Drawing libraries kept beside the templates, with their licences."""

SCRIPTS = ("tools", "tables", "charts", "currents", "sheets", "panels", "choose")
"""Our own scripts, in the order they need each other."""


def page_text(
    run: Plain, *, folder: str = "", result_hash: str = "", data: str | None = None
) -> str:
    """The page of a run that was read from its archive.

    folder : name of the run folder, for the commands the page quotes
    result_hash : SHA-256 of the archived result, shown at the foot
    data : the `packed_data` of the run, where it is known already
    """
    scripts = [_library(name) for name in LIBRARIES]
    own = "\n".join(_text(f"page/{name}.js") for name in SCRIPTS)
    scripts.append(Markup(f'"use strict";\n(async () => {{\n{own}\n}})();\n'))
    return _environment().get_template("page.html.j2").render(
        run=run,
        folder=one_line(folder),
        result_hash=result_hash,
        title=one_line(run["title"] or run["name"]),
        verdict=proof_text(run),
        broken=_broken(run),
        offers_sense=offers_sense(run["points"]),
        cautions=cautions(run),
        notes=_notes(run),
        not_asked=[n for n in run["notes"] if n["kind"] == "assumed" and not n["source"]],
        waterfalls=[waterfall_text(one) for one in run["waterfalls"]],
        hashes=[(short_path(path), value) for path, value in run["hashes"].items()],
        echo=[(key, short_paths(text)) for key, text, _ in run["echo"]],
        style=Markup(_text("page/page.css")),
        scripts=scripts,
        policy=_policy(scripts),
        data=data or packed_data(run),
    )  # fmt: skip


def packed_data(run: Plain) -> str:
    """What the script of the page draws: most of the work of a page."""
    return packed(page_data(run))


def packed(data: object) -> str:
    """Plain data as packed JSON in base64: letters that cannot end the element they stand in.

    >>> unpacked(packed({"a": "</script>"}))
    {'a': '</script>'}
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return base64.b64encode(gzip.compress(text.encode("utf-8"), 6, mtime=0)).decode("ascii")


def unpacked(text: str) -> Any:
    """The data of a page again, from the text of its element."""
    return json.loads(gzip.decompress(base64.b64decode(text)))


def short_path(path: str) -> str:
    """The last two parts of a path: what tells files apart without telling whose machine it was.

    >>> short_path("/home/one/catalogs/mosfets.csv")
    'catalogs/mosfets.csv'
    """
    return "/".join(PurePath(path.replace("\\", "/")).parts[-2:])


def short_paths(text: str) -> str:
    """A text of the spec with absolute paths cut to their last two parts."""
    return ", ".join(short_path(w) if w.startswith("/") else w for w in text.split(", "))


def _notes(run: Plain) -> dict[str, list[Plain]]:
    """Notes by heading."""
    return {
        word: [note for note in run["notes"] if note["kind"] == kind]
        for kind, word in KINDS.items()
    }


LINES_MOST = 3
"""Points that break a limit and get a line each; of more, one line tells all."""


def _broken(run: Plain) -> list[str]:
    """Points that break a limit at their own state: a line each, or one for many."""
    found: dict[int, list[str]] = {}
    worst = 0.0
    for point in run["points"]:
        missed = failures(point["verified"])
        names = [f"{m['subject']} {m['quantity']}" for m in missed]
        if not point["verified"]["chain"]["closes"]:
            names.append("limit chain")
        if names:
            found[point["number"]] = names
            worst = max([worst, *(-m["margin"] for m in missed if m["margin"] is not None)])
    if len(found) <= LINES_MOST:
        return [f"Point {k} breaks a limit: {', '.join(names)}" for k, names in found.items()]
    counts = Counter(name for names in found.values() for name in names)
    told = ", ".join(f"{name} ({count} points)" for name, count in counts.most_common())
    return [
        f"{len(found)} of {len(run['points'])} points break a limit at their own state, by up to "
        f"{100.0 * worst:.2g} %: {told}. Points {', '.join(map(str, found))}"
    ]


# --- files of the package -------------------------------------------------------------------------


def _text(name: str) -> str:
    return files("optimizer.report").joinpath(name).read_text("utf-8")


@cache
def _library(name: str) -> Markup:
    """A drawing library with its licence in front."""
    licence = _text(f"vendor/{name}.LICENSE")
    return Markup(f"/*\n{licence}*/\n{_text(f'vendor/{name}.min.js')}")


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FunctionLoader(lambda name: _text(f"page/{name}")),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["last_parts"] = short_paths
    return made


def _policy(scripts: list[Markup]) -> str:
    """Content policy: these scripts by hash, styles of the page, nothing else."""
    sums = (
        base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode() for text in scripts
    )
    allowed = " ".join(f"'sha256-{value}'" for value in sums)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
