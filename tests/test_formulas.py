"""Every registered formula text, evaluated on random inputs, equals its function."""

from __future__ import annotations

import inspect
import pkgutil
from importlib import import_module
from importlib.util import find_spec

import numpy as np
import pytest

import optimizer.parts
import optimizer.topologies
from optimizer.formulas import FORMULAS, NAMESPACE, Formula, formula

for package in (optimizer.parts, optimizer.topologies):
    for found in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
        import_module(found.name)
for physics in (
    "waveforms",
    "derating",
    "purchase",
    "loop",
    "life",
    "set_points",
    "set_points_dimming",
    "set_points_current",
):
    if find_spec(f"optimizer.{physics}"):
        import_module(f"optimizer.{physics}")

SAMPLES = 200

PLAUSIBLE = {
    "frequency": (5e4, 2e6),
    "i": (0.1, 20.0),
    "v": (1.0, 60.0),
    "q": (1e-9, 1e-7),
    "rds": (1e-3, 0.1),
    "r": (0.1, 20.0),
    "resistance": (1e-3, 1.0),
    "dcr": (1e-3, 0.1),
    "esr": (1e-3, 0.5),
    "esl": (1e-10, 1e-8),
    "inductance": (1e-7, 1e-4),
    "capacitance": (1e-7, 1e-3),
    "temp": (-40.0, 150.0),
    "rth": (0.5, 60.0),
    "time": (1e-9, 1e-7),
    "current": (1e7, 1e9),
    "loss": (1e-3, 5.0),
    "duty": (0.05, 0.95),
    "sharing": (1.0, 1.5),
    "pieces": (1.0, 4.0),
}
"""Range by the first word of an argument; anything else is a factor between 0.1 and 3."""


def sample(name: str, draw: np.random.Generator) -> np.ndarray:
    """Log-uniform where the range is positive, else uniform."""
    low, high = PLAUSIBLE.get(name.split("_")[0], (0.1, 3.0))
    if low > 0.0:
        return np.exp(draw.uniform(np.log(low), np.log(high), SAMPLES))
    return draw.uniform(low, high, SAMPLES)


def compare(entry: Formula) -> None:
    """Raise unless text and function agree, and are finite at a fair share of the inputs."""
    draw = np.random.default_rng(20)
    names = list(inspect.signature(entry.function).parameters)
    values = {name: sample(name, draw) for name in names}
    told = np.asarray(eval(entry.text, {"__builtins__": {}}, NAMESPACE | values))
    computed = np.asarray(entry.function(**values))
    valid = np.isfinite(computed)
    assert valid.mean() > 0.2, f"{entry.name}: hardly any plausible input is inside its validity"
    told = np.broadcast_to(told, computed.shape)
    np.testing.assert_allclose(told[valid], computed[valid], rtol=1e-9, atol=1e-300)


@pytest.mark.parametrize("name", sorted(FORMULAS))
def test_formula_text_equals_its_function(name: str) -> None:
    entry = FORMULAS[name]
    assert entry.unit, f"{name}: no unit"
    compare(entry)


def test_the_comparison_can_fail() -> None:
    def loss(*, i_rms: np.ndarray, rds_on: np.ndarray) -> np.ndarray:
        return i_rms**2 * rds_on

    right = Formula(name="x.loss", text="i_rms**2 * rds_on", unit="W", function=loss)
    wrong = Formula(name="x.loss", text="i_rms * rds_on", unit="W", function=loss)
    compare(right)
    with pytest.raises(AssertionError):
        compare(wrong)


def test_the_register_keeps_what_the_decorator_is_given() -> None:
    @formula("2 * loss_core", unit="W")
    def doubled(*, loss_core: float) -> float:
        return 2 * loss_core

    entry = FORMULAS.pop(f"{doubled.__module__.rsplit('.', 1)[-1]}.doubled")
    assert (entry.text, entry.unit) == ("2 * loss_core", "W")
