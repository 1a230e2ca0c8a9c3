"""Runs for the tests of the page: the shipped ones, one with hostile texts, one that is large."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path
from typing import Any

from optimizer.archive import read_run

EXAMPLES = Path(__file__).parents[2] / "runs" / "examples"
NAMES = ("cabinet", "cargo_bike", "hut_link")

Run = dict[str, Any]


@cache
def _read(name: str) -> Run:
    return read_run(EXAMPLES / name)


def example(name: str) -> Run:
    """A shipped run, free to be changed."""
    return copy.deepcopy(_read(name))


def detailed(run: Run) -> list[Run]:
    """The points kept in full."""
    return [point for point in run["points"] if point["evidence"]]


# --- life, failure rate, phases ---

LATER = ("life_years", "life_of", "failure_rate")
"""What a point keeps since, and a run that was archived before lacks."""


def _few(name: str) -> Run:
    """A run with few of its points, some in full and some as a line."""
    run = example(name)
    lines = [point for point in run["points"] if not point["evidence"]][:20]
    kept = [point["number"] for point in (*detailed(run)[:6], *lines)]
    run["points"] = [point for point in run["points"] if point["number"] in kept]
    return run


def older(name: str) -> Run:
    """A run as an earlier version archived it: no life, no failure rate, no names of curves."""
    run = _few(name)
    for point in run["points"]:
        point["verified"] = {k: v for k, v in point["verified"].items() if k not in LATER}
    for shape in run["shapes"].values():
        shape.pop("sweep_curve", None)
        shape.pop("curves", None)
    return run


def with_life(name: str, *, every: int = 3) -> Run:
    """A run with made-up lives: of every so many points one has no part that wears out."""
    run = _few(name)
    for k, point in enumerate(run["points"]):
        years, part = 4.0 + 0.3 * k, "output-bank WET-1"
        if k % every == 0:
            years, part = None, ""
        if k == 1:
            years = None
        point["verified"] |= dict(zip(LATER, (years, part, 20.0 + 0.1 * k), strict=True))
    return run


PHASES = [["bulk", 5.0, 26.2], ["absorption", 2.0, 29.4], ["float", 0.5, 27.4]]


def with_phases(name: str) -> Run:
    """A run whose curves are phases of charging, each with its own output."""
    run = with_life(name)
    for shape in run["shapes"].values():
        loads = list(dict.fromkeys(shape["sweep_load"]))[: len(PHASES)]
        kept = [k for k, load in enumerate(shape["sweep_load"]) if load in loads]
        shape["sweep_curve"] = [loads.index(shape["sweep_load"][k]) for k in kept]
        shape["curves"] = copy.deepcopy(PHASES)
        for key in ("sweep_v_input", "sweep_load", "sweep_region"):
            shape[key] = [shape[key][k] for k in kept]
        for point in detailed(run):
            for key in ("sweep_efficiency", "sweep_loss"):
                point["evidence"][key] = [point["evidence"][key][k] for k in kept]
    return run


# --- hostile texts --------------------------------------------------------------------------------

ATTACK = (
    "\"'><img src=x onerror=window.hacked=1><script>window.hacked=1</script>"
    "<svg onload=window.hacked=1></svg>{{7*7}}</script></textarea><!-- <v_input>"
)
TEXTS = {
    *("title", "name", "text", "subject", "source", "reason", "part_number", "maker", "status"),
    *("land_pattern", "place", "at", "loss_worst_at", "i_peak_at", "engine", "proof", "quantity"),
    *("parameter_set", "inductor", "written", "not_proved", "origin", "currency", "life_of"),
}
LISTS = {"filled", "echo", "name", "waterfalls"}
KEYED = {"alternates", "hashes", "versions", "counts", "stages", "efficiency_named"}


def hostile() -> Run:
    """A small run in which every free text tries to act."""
    run = with_phases("hut_link")
    run["points"] = [p for p in run["points"] if p["evidence"]][:6]
    run["waterfalls"] = [{"position": "x", "offered": 1, "falls": [], "left": 1}]
    spoilt: Run = _spoilt(run, "")
    for point in spoilt["points"]:
        parts = point["verified"]["part_set"]
        parts["transistors"] = {k: [v[0] + ATTACK, v[1]] for k, v in parts["transistors"].items()}
        parts["sense"][0] += ATTACK
        for bank in ("bank_input", "bank_output"):
            parts[bank] = [[part + ATTACK, pieces] for part, pieces in parts[bank]]
    for shape in spoilt["shapes"].values():
        shape["curves"] = [[name + ATTACK, *rest] for name, *rest in shape["curves"]]
    return spoilt


def _spoilt(value: Any, key: str) -> Any:
    if isinstance(value, dict):
        return {
            (name + ATTACK if key in KEYED else name): _spoilt(item, name)
            for name, item in value.items()
        }
    if isinstance(value, list):
        return [_spoilt(item, key) for item in value]
    if isinstance(value, str) and (key in TEXTS or key in LISTS):
        return value + ATTACK
    return value


# --- a large front --------------------------------------------------------------------------------


def large(points: int = 300, lanes: int = 60) -> Run:
    """A front of that many points and operating points, made of a shipped run by repetition."""
    run = example("cabinet")
    spare = len(run["points"]) - points
    thin = [point for point in run["points"] if not point["evidence"]][:spare]
    run["points"] = [point for point in run["points"] if point not in thin]
    own = run["points"][0]["verified"]["lanes"]
    index = [k % len(own["name"]) for k in range(lanes)]
    wide = _repeated(own, index)
    for point in run["points"]:
        verified, evidence = point["verified"], point["evidence"]
        verified["lanes"] = wide
        for name in ("losses", "temps", "waves"):
            verified[name] = _repeated(verified[name], index)
        for name in ("power_input", "power_output", "loss_total", "efficiency", "balance_error"):
            verified[name] = _repeated(verified[name], index)
        if evidence:
            for name in ("traces", "circuit"):
                evidence[name] = _repeated(evidence[name], index)
    for shape in run["shapes"].values():
        wide_names = [name for name in shape if not name.startswith(("sweep", "legs", "curves"))]
        shape |= {name: _repeated(shape[name], index) for name in wide_names}
    return run


def _repeated(value: Any, index: list[int]) -> Any:
    """Every list by operating point, longer; dictionaries and lists of branches inside."""
    if isinstance(value, dict):
        return {name: _repeated(item, index) for name, item in value.items()}
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [_repeated(item, index) for item in value]
    return [value[k] for k in index] if isinstance(value, list) and value else value
