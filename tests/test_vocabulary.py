"""One vocabulary: columns, physics signatures and the list in DEVELOPERS.md agree.

``python -m tests.test_vocabulary`` prints the list to paste under "Vocabulary".
"""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

import pytest

from optimizer.columns import CONDITIONS, KINDS, columns_of
from tests.test_docstrings import ALLOWED, FUNCTIONS, NUMERIC, arguments, entries, is_physics

ROOT = Path(__file__).parents[1]
DEVELOPERS = ROOT / "DEVELOPERS.md"

GENERIC = {
    "at_10v": "a value at one drive voltage, of resistance or charge",
    "at_4v5": "a value at one drive voltage, of resistance or charge",
    "factor": "a scale whose meaning is its function's",
    "slope": "a slope whose meaning is its function's",
    "rating": "a rating of any kind, in its own SI unit",
}
"""Names that stand for more than one quantity, each with its reason."""

NO_MODEL = "kept and checked by lint; no model of this version uses it"

LINT_ONLY = {
    "frequency_resonance": NO_MODEL,
    "frequency_ripple": NO_MODEL,
    "i_drain_pulse_rating": NO_MODEL,
    "i_leakage": NO_MODEL,
    "v_threshold": NO_MODEL,
    "lead_time": "shown in the parts list",
}
"""Columns that no formula takes, each with its reason."""


def physics() -> dict[str, dict[str, set[str]]]:
    """Argument -> unit in its docstring -> functions that say so."""
    found: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for name, node in FUNCTIONS.items():
        if is_physics(name, node) and name not in ALLOWED:
            told = entries(ast.get_docstring(node) or "")
            for argument, kind in arguments(node):
                if NUMERIC.search(kind):
                    unit = re.search(r"\[([^\]]+)\]", told.get(argument, ""))
                    found[argument][unit.group(1) if unit else ""].add(name)
    return found


def column_units() -> dict[str, set[str]]:
    """Argument of every numeric column -> its SI symbols."""
    found: dict[str, set[str]] = defaultdict(set)
    for kind in KINDS:
        for column in columns_of(kind):
            if column.form == "number":
                found[column.argument] |= {unit.symbol for unit in column.units}
    return found


PHYSICS = physics()
COLUMNS = column_units()


def bare(argument: str) -> str:
    """An argument without a test condition in its name."""
    return "_".join(word for word in argument.split("_") if word not in CONDITIONS)


def ambiguous(found: Mapping[str, Mapping[str, set[str]]]) -> dict[str, dict[str, set[str]]]:
    """Arguments that have more than one unit."""
    return {name: dict(units) for name, units in found.items() if len(units) > 1}


def words_used() -> set[str]:
    """Every word of the package outside the table of columns and its fills."""
    files = [p for p in (ROOT / "optimizer").rglob("*.py") if p.stem not in ("columns", "fills")]
    return {word for p in files for word in re.findall(r"\w+", p.read_text("utf-8"))}


def same_unit(one: str, other: str) -> bool:
    """Whether two unit texts mean the same."""
    plain = {"": "1", "pieces": "1", "1/decade": "1", "K/A2": "K/A^2"}
    return plain.get(one, one) == plain.get(other, other)


def test_a_name_has_one_unit_everywhere() -> None:
    unclear = ambiguous(PHYSICS)
    assert {name: units for name, units in unclear.items() if name not in GENERIC} == {}


def test_columns_and_formulas_mean_the_same_by_one_name() -> None:
    different = {
        name: (COLUMNS[bare(name)], set(units))
        for name, units in PHYSICS.items()
        if bare(name) in COLUMNS
        and not any(same_unit(a, b) for a in COLUMNS[bare(name)] for b in units)
    }
    assert different == {}


def test_every_column_is_used() -> None:
    words = words_used()
    named = {column.key for kind in KINDS for column in columns_of(kind) if column.key in words}
    used = {name for name in COLUMNS if name in words or any(bare(k) == name for k in named)}
    assert sorted(COLUMNS.keys() - used - LINT_ONLY.keys()) == []


def test_exceptions_are_not_stale() -> None:
    assert sorted(GENERIC.keys() - PHYSICS.keys()) == []
    assert sorted(LINT_ONLY.keys() - COLUMNS.keys()) == []
    words = words_used()
    unused = [name for name, reason in LINT_ONLY.items() if reason == NO_MODEL]
    assert [name for name in unused if name in words] == []


def vocabulary() -> dict[str, str]:
    """Every name of the vocabulary and its unit."""
    units = {name: "/".join(sorted(u)) for name, u in PHYSICS.items()}
    for name, symbols in COLUMNS.items():
        units.setdefault(name, "/".join(sorted(symbols)) or "1")
    return {name: "any" if name in GENERIC else unit or "1" for name, unit in units.items()}


def listed(text: str) -> set[str]:
    """Names in the first cells of the table under the heading "Vocabulary"."""
    section = re.split(r"^## ", text, flags=re.MULTILINE)
    chosen = [part for part in section if re.match(r"(\d+\.? )?(The )?[Vv]ocabulary", part)]
    return set(re.findall(r"^\| `(\w+)` ", "".join(chosen), re.MULTILINE))


@pytest.mark.skipif(not DEVELOPERS.exists(), reason="DEVELOPERS.md is not written yet")
def test_the_list_of_developers_holds_exactly_these_names() -> None:
    names = listed(DEVELOPERS.read_text("utf-8"))
    missing, stale = sorted(vocabulary().keys() - names), sorted(names - vocabulary().keys())
    assert (missing, stale) == ([], [])


def test_the_checks_can_fail() -> None:
    clash = {"i_rms": {"A": {"a"}, "mA": {"b"}}}
    assert ambiguous(clash) == clash
    assert not same_unit("A", "V")
    assert listed("## Vocabulary\n\n| `i_rms` | A |\n## Other\n| `v_in` | V |\n") == {"i_rms"}
    assert len(PHYSICS) > 50


if __name__ == "__main__":
    print("| name | unit |\n| --- | --- |")
    for name, unit in sorted(vocabulary().items()):
        print(f"| `{name}` | {unit} |")
