"""The layer table of the package, held against the imports that the files really have."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "optimizer"

GROUND, PHYSICS, READING, EVALUATION, DECISION, QUESTIONS, KEEPING, DOOR = range(8)

LAYER = {
    "errors": GROUND,
    "units": GROUND,
    "columns": GROUND,
    "fills": GROUND,
    "formulas": GROUND,
    "records": GROUND,
    "dominance": GROUND,
    "tally": GROUND,
    "results": GROUND,
    "spec_records": GROUND,
    "load_records": GROUND,
    "topologies": PHYSICS,
    "loads": PHYSICS,
    "faults": PHYSICS,
    "loop": PHYSICS,
    "life": PHYSICS,
    "set_points": PHYSICS,
    "set_points_dimming": PHYSICS,
    "set_points_current": PHYSICS,
    "reverse_paths": PHYSICS,
    "sources": PHYSICS,
    "balance": PHYSICS,
    "waveforms": PHYSICS,
    "parts": PHYSICS,
    "derating": PHYSICS,
    "purchase": PHYSICS,
    "spectra": PHYSICS,
    "cells": READING,
    "intake": READING,
    "sheets": READING,
    "tables": READING,
    "spec": READING,
    "catalog": READING,
    "mapping": READING,
    "points": EVALUATION,
    "set_point_rules": EVALUATION,
    "set_point_rules_dimming": EVALUATION,
    "set_point_rules_current": EVALUATION,
    "service": EVALUATION,
    "parameters": EVALUATION,
    "stage": EVALUATION,
    "assembly": EVALUATION,
    "limits": EVALUATION,
    "floors": EVALUATION,
    "buying": EVALUATION,
    "charge_sense": EVALUATION,
    "screen": EVALUATION,
    "reference_sets": EVALUATION,
    "bank_reach": EVALUATION,
    "row_floors": EVALUATION,
    "mixtures": EVALUATION,
    "second_sources": EVALUATION,
    "second_sources_beside": EVALUATION,
    "pool": EVALUATION,
    "evaluation": EVALUATION,
    "options": EVALUATION,
    "verification": EVALUATION,
    "merge": DECISION,
    "selection": DECISION,
    "frontier": DECISION,
    "formulation": DECISION,
    "restrict": DECISION,
    "scouts": DECISION,
    "fitting": DECISION,
    "selfcheck": DECISION,
    "narrow": QUESTIONS,
    "stopped": QUESTIONS,
    "placed": QUESTIONS,
    "worst_lane": QUESTIONS,
    "market": EVALUATION,
    "open_losses": EVALUATION,
    "floors_banks": EVALUATION,
    "floors_legs": EVALUATION,
    "workbench": EVALUATION,
    "option_legs": EVALUATION,
    "option_banks": EVALUATION,
    "option_shared": EVALUATION,
    "shared_room": EVALUATION,
    "search": QUESTIONS,
    "expansion": QUESTIONS,
    "families": QUESTIONS,
    "row_choice": QUESTIONS,
    "found": QUESTIONS,
    "crew": QUESTIONS,
    "rivals": GROUND,
    "conclude": QUESTIONS,
    "infeasible": QUESTIONS,
    "studies": QUESTIONS,
    "bench": QUESTIONS,
    "archive": KEEPING,
    "report": KEEPING,
    "batch": DOOR,
    "cli": DOOR,
}

MAY_IMPORT = {
    GROUND: {GROUND},
    PHYSICS: {GROUND, PHYSICS},
    READING: {GROUND, PHYSICS, READING},
    EVALUATION: {GROUND, PHYSICS, READING, EVALUATION},
    DECISION: {GROUND, DECISION},
    QUESTIONS: {GROUND, PHYSICS, READING, EVALUATION, DECISION, QUESTIONS},
    KEEPING: {GROUND, READING, KEEPING},
    DOOR: set(range(8)),
}

STRANGERS = {
    ("options", "verification"),
    ("pool", "verification"),
    *(("verification", room) for room in ("options", "pool", "screen", "merge", "selection")),
}
"""Verification must be able to catch a fault of the options, so it may share only the physics."""

COMPOSITES = {"bank", "half_bridge", "board", "stage"}
"""Part modules that join several kinds and may therefore import them."""

READERS = {"spec", "catalog", "sheets", "mapping", "bench", "archive", "report", "batch", "cli"}

FORBIDDEN_OUTSIDE = {
    "pyomo": {"selection"},
    "pandas": {r for r, layer in LAYER.items() if layer not in (GROUND, PHYSICS, DECISION)},
    "logging": {r for r, layer in LAYER.items() if layer != PHYSICS},
    "rich": {"report", "cli"},
    "jinja2": {"report"},
}

FILE_CALLS = {"read_text", "read_bytes", "write_text", "write_bytes", "read_csv", "read_table"}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room(module: str) -> str:
    """The room a module lies in; ``spec_text`` belongs to ``spec`` unless LAYER names it."""
    first = module.split(".")[1] if "." in module else ""
    return first if first in LAYER else first.split("_")[0]


def kind(module: str) -> str:
    """The part kind a module of `parts` belongs to."""
    last = module.split(".")[-1]
    return {"switching": "mosfet", "half_bridge": "half_bridge"}.get(last, last.split("_")[0])


TREES = {module_name(p): ast.parse(p.read_text("utf-8")) for p in sorted(ROOT.rglob("*.py"))}
MODULES = [name for name in TREES if name != "optimizer"]


def is_type_checking(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def walk_runtime(tree: ast.AST) -> Iterator[ast.AST]:
    """All nodes, without those that only a type checker sees."""
    stack = [tree]
    while stack:
        node = stack.pop()
        yield node
        if not is_type_checking(node):
            stack.extend(ast.iter_child_nodes(node))


def imported(name: str, tree: ast.AST, *, runtime: bool = False) -> set[str]:
    """Full names of the modules a file imports; names of this package as far as they are files."""
    found: set[str] = set()
    for node in walk_runtime(tree) if runtime else ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: relative import; write the full name"
            module = node.module or ""
            inner = {f"{module}.{alias.name}" for alias in node.names}
            found |= (inner & TREES.keys()) or {module}
    return found


IMPORTS = {name: imported(name, tree) for name, tree in TREES.items()}


def problems_of_layers(imports: dict[str, set[str]]) -> list[str]:
    """Every import that goes upward, joins strangers, or crosses between part kinds."""
    found = []
    for name, targets in imports.items():
        for target in sorted(t for t in targets - {name} if t.startswith("optimizer.")):
            here, there = room(name), room(target)
            known = here in LAYER and there in LAYER  # another test names unknown rooms
            allowed = not known or LAYER[there] in MAY_IMPORT[LAYER[here]]
            allowed = allowed and (here, there) not in STRANGERS
            if not allowed:
                found.append(f"{name} imports {target}")
            foreign = here == there == "parts" and kind(name) != kind(target)
            if foreign and kind(name) not in COMPOSITES:
                found.append(f"{name} imports {target}: part kinds do not import each other")
    return found


def find_cycle(imports: dict[str, set[str]]) -> list[str]:
    """One cycle of imports, or an empty list."""
    done: set[str] = set()

    def visit(name: str, trail: list[str]) -> list[str]:
        if name in trail:
            return [*trail[trail.index(name) :], name]
        if name in done or name not in imports:
            return []
        for target in sorted(imports[name] - {name}):
            if cycle := visit(target, [*trail, name]):
                return cycle
        done.add(name)
        return []

    return next((cycle for name in imports if (cycle := visit(name, []))), [])


def file_calls(tree: ast.AST) -> list[str]:
    """Calls in a file that open, read or write files."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            last = called.rsplit(".", 1)[-1]
            if last in FILE_CALLS or last == "open" or called.startswith("tomllib."):
                found.append(f"{called} in line {node.lineno}")
    return found


def test_every_room_has_a_layer() -> None:
    unknown = sorted({room(name) for name in MODULES} - LAYER.keys())
    assert not unknown, f"give these rooms a layer in LAYER: {unknown}"


def test_no_import_goes_upward() -> None:
    inside = {name: IMPORTS[name] for name in MODULES}
    assert problems_of_layers(inside) == []


def test_no_cycle() -> None:
    runtime = {name: imported(name, TREES[name], runtime=True) for name in MODULES}
    assert find_cycle(runtime) == []


def test_nothing_imports_the_package_door() -> None:
    assert [name for name in MODULES if "optimizer" in IMPORTS[name]] == []


@pytest.mark.parametrize("library", sorted(FORBIDDEN_OUTSIDE))
def test_libraries_stay_in_their_rooms(library: str) -> None:
    users = {name for name in MODULES if any(t.split(".")[0] == library for t in IMPORTS[name])}
    assert {n for n in users if room(n) not in FORBIDDEN_OUTSIDE[library]} == set()


def test_files_are_touched_only_by_readers_and_keepers() -> None:
    touching = {n: calls for n in MODULES if (calls := file_calls(TREES[n]))}
    assert {n: calls for n, calls in touching.items() if room(n) not in READERS} == {}


def test_modules_and_functions_stay_short() -> None:
    long_modules = [n for n in MODULES if len(ast.unparse(TREES[n]).splitlines()) > 500]
    long_functions = [
        f"{n}.{node.name}"
        for n in MODULES
        for node in ast.walk(TREES[n])
        if isinstance(node, ast.FunctionDef) and body_lines(node) > 50
    ]
    assert (long_modules, long_functions) == ([], [])


def body_lines(node: ast.FunctionDef) -> int:
    """Lines of a function without its head and its docstring."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    return (node.end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_the_checks_can_fail() -> None:
    upward = {"optimizer.merge": {"optimizer.waveforms"}}
    strangers = {"optimizer.options": {"optimizer.verification"}}
    kinds = {"optimizer.parts.mosfet": {"optimizer.parts.inductor"}}
    assert all(problems_of_layers(case) for case in (upward, strangers, kinds))
    loop = {"optimizer.spec": {"optimizer.catalog"}, "optimizer.catalog": {"optimizer.spec"}}
    assert find_cycle(loop) == ["optimizer.spec", "optimizer.catalog", "optimizer.spec"]
    assert file_calls(ast.parse("Path('x').open(); pd.read_csv('y'); tomllib.loads('')"))
