"""Keeps formula text, unit and validity of a physics function beside it.

The text is a Python expression in the function's own argument names and the numpy functions
``sqrt, minimum, maximum, where, abs, exp, pi``; a test evaluates it against the function, and the
report quotes it, so that a reader can rederive a number with a calculator.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Formula:
    """Formula text of one physics function: `name`, `text` and SI `unit`."""

    name: str
    text: str
    unit: str
    function: Callable[..., Any]


FORMULAS: dict[str, Formula] = {}

NAMESPACE: dict[str, Any] = {
    "sqrt": np.sqrt,
    "minimum": np.minimum,
    "maximum": np.maximum,
    "where": np.where,
    "abs": np.abs,
    "exp": np.exp,
    "pi": np.pi,
}


def formula(text: str, *, unit: str) -> Callable[[Function], Function]:
    """Register `text` as the formula of the decorated function (last part of module + name)."""

    def register(function: Function) -> Function:
        name = f"{function.__module__.rsplit('.', 1)[-1]}.{function.__name__}"
        FORMULAS[name] = Formula(name=name, text=text, unit=unit, function=function)
        return function

    return register
