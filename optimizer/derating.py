"""Derating policy: the allowed value of a rating, by part kind, technology and duration.

A policy is a plain mapping, as a policy file in TOML gives it: kind, then quantity, or kind, then
technology, then quantity, then one rule. A rule holds

continuous, transient : share of the rating (transient defaults to continuous)
margin_k : kelvin below a temperature rating, instead of shares
max_k : largest rise in kelvin whatever the rating, instead of shares
falls_c : [temperature, share] pairs; the share falls straight between them and is held before
temp_max_c : no use at all above this ambient temperature
source : where the value comes from; in_standard = false marks what a standard does not hold

Above `temp_max_c`, and above the last pair of `falls_c`, nothing is allowed: NaN.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeGuard

import numpy as np

from optimizer.formulas import formula
from optimizer.records import BoolArray, FloatArray

KINDS = ("mosfet", "diode", "inductor", "capacitor", "resistor")
KEYS = {
    "continuous",
    "transient",
    "margin_k",
    "max_k",
    "falls_c",
    "temp_max_c",
    "source",
    "in_standard",
}
FORMS = {"continuous", "margin_k", "max_k", "falls_c"}
NUMBERS = ("margin_k", "max_k", "temp_max_c")
TECHNOLOGIES = ("ceramic-2", "ceramic-1", "film", "aluminium", "polymer", "hybrid", "tantalum")
QUANTITIES = (
    ("mosfet", "voltage"),
    ("mosfet", "gate_voltage"),
    ("mosfet", "temp_junction"),
    ("diode", "voltage"),
    ("diode", "current"),
    ("diode", "temp_junction"),
    ("inductor", "temp_part"),
    ("inductor", "temp_rise"),
    ("inductor", "voltage"),
    ("inductor", "saturation_drop"),
    ("capacitor", "voltage"),
    ("capacitor", "ripple_current"),
    ("capacitor", "temp_rise"),
    ("capacitor", "temp_part"),
    ("resistor", "power"),
    ("resistor", "temp_part"),
)
"""What a policy must answer, capacitors for every technology."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of a policy; NaN or empty where it does not use a form."""

    continuous: float
    transient: float
    margin: float
    rise_max: float
    falls: tuple[tuple[float, float], ...]
    temp_max: float
    source: str
    in_standard: bool


def rule(policy: Mapping[str, Any], kind: str, quantity: str, *, technology: str = "") -> Rule:
    """The rule of a technology where it has its own, else that of its kind.

    Raises `KeyError` with the missing name: a policy must answer what it is asked, see `problems`.
    """
    table = policy[kind]
    own = table.get(technology, {})
    entry = own[quantity] if quantity in own else table.get(quantity)
    if entry is None:
        raise KeyError(".".join(part for part in (kind, technology, quantity) if part))
    return Rule(
        continuous=float(entry.get("continuous", np.nan)),
        transient=float(entry.get("transient", entry.get("continuous", np.nan))),
        margin=float(entry.get("margin_k", np.nan)),
        rise_max=float(entry.get("max_k", np.nan)),
        falls=tuple((float(t), float(s)) for t, s in entry.get("falls_c", ())),
        temp_max=float(entry.get("temp_max_c", np.inf)),
        source=str(entry.get("source", "")),
        in_standard=bool(entry.get("in_standard", True)),
    )


def allowed(
    one: Rule,
    *,
    rating: FloatArray,
    transient: BoolArray | bool = False,
    temp_ambient: FloatArray | float = 25.0,
) -> FloatArray:
    """Largest value of a stress that a rule allows for a rating.

    rating : rating of the part [SI or degC], (n_part, 1)
    transient : where the transient share applies, (n_lane,)
    temp_ambient : temperature around the part [degC], (n_lane,)
    Returns : allowed value [unit of the rating], (n_part, n_lane); NaN where nothing is allowed

    Holds for: the rule's own conditions.
    Source: the `source` of the rule.

    >>> policy = {"mosfet": {"voltage": {"continuous": 0.8, "transient": 0.9, "source": "x"}}}
    >>> allowed(rule(policy, "mosfet", "voltage"), rating=np.array([100.0]),
    ...     transient=np.array([False, True]))
    array([80., 90.])
    """
    temp = np.asarray(temp_ambient, dtype=np.float64)
    if not np.isnan(one.margin):
        value = np.asarray(rating - one.margin)
    elif not np.isnan(one.rise_max):
        value = np.fmin(rating, one.rise_max)
    else:
        value = at_share(rating=rating, share_allowed=_share(one, transient, temp))
    return np.where(temp <= one.temp_max, value, np.nan)


@formula("rating * share_allowed", unit="unit of the rating")
def at_share(*, rating: FloatArray, share_allowed: FloatArray) -> FloatArray:
    """What a share of a rating allows.

    rating : rating of the part [SI or degC], (n_part, 1)
    share_allowed : share the policy allows [1], (n_lane,)
    Returns : allowed value [unit of the rating], (n_part, n_lane)

    Holds for: rules that give a share.
    Source: definition of derating.

    >>> float(at_share(rating=np.array(60.0), share_allowed=np.array(0.8)))
    48.0
    """
    return np.asarray(rating * share_allowed)


def _share(one: Rule, transient: BoolArray | bool, temp: FloatArray) -> FloatArray:
    """Share of the rating at a temperature."""
    if not one.falls:
        return np.where(transient, one.transient, one.continuous)
    temps, shares = (np.array(column) for column in zip(*one.falls, strict=True))
    found: FloatArray = np.interp(temp, temps, shares, right=np.nan)
    return np.where(temp == temps[-1], shares[-1], found)


def entries(policy: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Every rule of a policy with its dotted name, in order."""
    for kind in (name for name in KINDS if isinstance(policy.get(name), Mapping)):
        yield from _walk(kind, policy[kind])


def _walk(name: str, table: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Rules below a table: a table that holds tables is a branch, anything else a rule."""
    for key, value in table.items():
        if not isinstance(value, Mapping):
            continue
        if any(isinstance(inner, Mapping) for inner in value.values()):
            yield from _walk(f"{name}.{key}", value)
        else:
            yield f"{name}.{key}", value


def problems(policy: Mapping[str, Any]) -> list[str]:
    """What is wrong with a policy, one line each with its place and remedy; empty if nothing."""
    found = [f"{name}: got no rule, need one" for name in _unanswered(policy)]
    for name, entry in entries(policy):
        found += [f"{name}.{key}: unknown key, use {sorted(KEYS)}" for key in entry.keys() - KEYS]
        if len(FORMS & entry.keys()) != 1:
            found.append(f"{name}: need exactly one of {sorted(FORMS)}")
        for key in ("continuous", "transient"):
            if key in entry and not _is_share(entry[key]):
                found.append(f"{name}.{key}: got {entry[key]!r}, need a share above 0 and up to 1")
        for key in NUMBERS:
            if key in entry and not _is_number(entry[key]):
                found.append(f"{name}.{key}: got {entry[key]!r}, need a number")
        if not entry.get("source"):
            found.append(f"{name}: got no source, need one; write where the value comes from")
        found += _problems_of_falls(name, entry.get("falls_c", ()))
    return found


def _unanswered(policy: Mapping[str, Any]) -> list[str]:
    """Dotted names of `QUANTITIES` for which a policy holds no rule."""
    names = {name for name, _ in entries(policy)}
    missing = []
    for kind, quantity in QUANTITIES:
        own = TECHNOLOGIES if kind == "capacitor" else ("",)
        for technology in own:
            specific = f"{kind}.{technology}.{quantity}"
            if f"{kind}.{quantity}" not in names and specific not in names:
                missing.append(specific.replace("..", "."))
    return missing


def _is_number(value: object) -> TypeGuard[float]:
    """A plain number, not a truth value."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_share(value: object) -> bool:
    """A number above 0 and up to 1."""
    return _is_number(value) and 0.0 < value <= 1.0


def _is_pair(value: object) -> bool:
    """A temperature and a share."""
    return (
        isinstance(value, list | tuple)
        and len(value) == 2
        and _is_number(value[0])
        and _is_share(value[1])
    )


def _problems_of_falls(name: str, falls: Any) -> list[str]:
    """Pairs must be [temperature, share] with rising temperatures and shares up to 1."""
    if not falls:
        return []
    pairs = [p for p in falls if _is_pair(p)]
    rising = all(a[0] < b[0] for a, b in pairwise(pairs))
    if len(pairs) == len(falls) and rising:
        return []
    return [f"{name}.falls_c: need [temperature, share] pairs, temperature rising, share up to 1"]
