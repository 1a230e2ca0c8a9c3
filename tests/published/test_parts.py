"""Part functions and derating rules against published values; the data files name the sources."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import derating
from optimizer.formulas import NAMESPACE

HERE = Path(__file__).parent / "parts"
POLICIES = Path(derating.__file__).parent / "policies"
FILES = {path.stem: tomllib.loads(path.read_text("utf-8")) for path in sorted(HERE.glob("*.toml"))}
CHECKS = [(stem, name) for stem, data in FILES.items() for name in data if name != "given"]


def value(entry: Any, known: dict[str, Any]) -> Any:
    """A number, a list of numbers, or an expression in what is known."""
    if isinstance(entry, str):
        return eval(entry, {"__builtins__": {}}, NAMESPACE | known)
    return np.array(entry) if isinstance(entry, list) else entry


def compute(check: dict[str, Any], known: dict[str, Any]) -> float:
    """The result of one check: a sum, a rule of a policy, or a function of the package."""
    if "sum" in check:
        return float(sum(value(term, known) for term in check["sum"]))
    inputs = {name: np.asarray(value(x, known), float) for name, x in check["inputs"].items()}
    if "rule" in check:
        policy, kind, technology, quantity = check["rule"]
        text = (POLICIES / f"derating_{policy}.toml").read_text("utf-8")
        one = derating.rule(tomllib.loads(text), kind, quantity, technology=technology)
        return float(derating.allowed(one, **inputs))
    module, function = check["function"].split(".")
    result = getattr(import_module(f"optimizer.parts.{module}"), function)(**inputs)
    return float(np.squeeze(result) * value(check.get("times", 1.0), known))


@cache
def results(stem: str) -> dict[str, Any]:
    """All results of a file by name, together with its given inputs."""
    known: dict[str, Any] = {}
    for name, entry in FILES[stem]["given"].items():
        known[name] = value(entry, known)
    for name, check in FILES[stem].items():
        if name != "given":
            known[name] = compute(check, known)
    return known


@pytest.mark.parametrize(("stem", "name"), CHECKS)
def test_published_value(stem: str, name: str) -> None:
    check = FILES[stem][name]
    assert check["source"], "every expected value needs a source"
    expected = value(check["expected"], {})
    found = results(stem)[name]
    if np.isnan(expected):
        assert np.isnan(found)
    else:
        limits = {key: check[key] for key in ("rel", "abs") if key in check}
        assert limits, "every check needs a tolerance"
        assert found == pytest.approx(expected, **limits)


def test_a_wrong_value_is_found() -> None:
    check = FILES["mosfet"]["loop_energy"]
    wrong = check | {"inputs": check["inputs"] | {"i_edge": 11.0}}
    assert compute(wrong, {}) != pytest.approx(check["expected"], rel=check["rel"])
