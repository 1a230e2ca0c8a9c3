"""Every public function is documented; a physics function says units, validity and source."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1] / "optimizer"
PHYSICS = (
    "loads",
    "loop",
    "life",
    "faults",
    "sources",
    "topologies",
    "waveforms",
    "parts",
    "derating",
    "purchase",
)

REGIONS_OF = "names regions; every topology has the same arguments, told once in `Topology`"

ALLOWED: dict[str, str] = {
    "topologies.boost.regions_of": REGIONS_OF,
    "topologies.buck.regions_of": REGIONS_OF,
    "topologies.sepic.regions_of": REGIONS_OF,
}
"""Physics functions that need no unit list or example of their own, each with its reason."""

NUMERIC = re.compile(r"\b(FloatArray|ComplexArray|float)\b")
ENTRY = re.compile(r"^\s*(\w+(?:, \w+)*) ?:(?= |$)", re.MULTILINE)


def functions() -> dict[str, ast.FunctionDef]:
    """Public functions by room.module.function, methods of public classes included."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        tree = ast.parse(path.read_text("utf-8"))
        classes = [n for n in tree.body if isinstance(n, ast.ClassDef) and n.name[0] != "_"]
        for owner in (tree, *classes):
            prefix = f"{module}.{owner.name}" if isinstance(owner, ast.ClassDef) else module
            for node in owner.body:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    found[f"{prefix}.{node.name}"] = node
    return found


FUNCTIONS = functions()


def is_physics(name: str, node: ast.FunctionDef) -> bool:
    """Functions (not methods) of the physics rooms that take at least one bare quantity."""
    takes = any(NUMERIC.search(kind) for _, kind in arguments(node))
    return name.split(".")[0] in PHYSICS and name.rsplit(".", 2)[-2][0].islower() and takes


def arguments(node: ast.FunctionDef) -> list[tuple[str, str]]:
    """Name and annotation text of every argument."""
    args = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return [(a.arg, ast.unparse(a.annotation) if a.annotation else "") for a in args]


def entries(text: str) -> dict[str, str]:
    """What a docstring says of each argument: the text from ``name :`` to the next entry."""
    found: dict[str, str] = {}
    marks = list(ENTRY.finditer(text))
    ends = [mark.start() for mark in marks[1:]] + [len(text)]
    for mark, end in zip(marks, ends if marks else [], strict=True):
        body = text[mark.end() : end].split("\n\n")[0]
        found |= dict.fromkeys(mark.group(1).split(", "), body)
    return found


def lacks(node: ast.FunctionDef) -> list[str]:
    """What the docstring of a physics function still needs."""
    text = ast.get_docstring(node) or ""
    told = entries(text)
    missing = [
        f"unit of {name}"
        for name, kind in arguments(node)
        if NUMERIC.search(kind) and not re.search(r"\[[^\]]+\]", told.get(name, ""))
    ]
    returns = ast.unparse(node.returns) if node.returns else ""
    if NUMERIC.search(returns) and not re.search(r"\[[^\]]+\]", told.get("Returns", "")):
        missing.append("Returns with unit")
    return missing + [word for word in ("Holds for", "Source", ">>> ") if word not in text]


def test_every_public_function_has_a_docstring() -> None:
    assert [name for name, node in FUNCTIONS.items() if not ast.get_docstring(node)] == []


def test_physics_functions_say_units_validity_and_source() -> None:
    physics = {n: node for n, node in FUNCTIONS.items() if is_physics(n, node)}
    lacking = {n: lacks(node) for n, node in physics.items() if n not in ALLOWED and lacks(node)}
    assert lacking == {}


def test_the_list_of_exceptions_is_not_stale() -> None:
    stale = [n for n in ALLOWED if n not in FUNCTIONS or not lacks(FUNCTIONS[n])]
    assert stale == []


def test_the_check_can_fail() -> None:
    text = '''
def loss(*, i_rms: FloatArray, rds_on: FloatArray) -> FloatArray:
    """Loss.

    i_rms : current [A], (n_lane,)
    rds_on : resistance
    Returns : loss [W]

    Holds for: continuous conduction.
    """
'''
    node = ast.parse(text).body[0]
    assert isinstance(node, ast.FunctionDef)
    assert lacks(node) == ["unit of rds_on", "Source", ">>> "]
