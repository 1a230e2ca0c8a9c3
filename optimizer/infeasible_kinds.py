"""Kinds of limit, one relaxation each: how a spec is loosened in that kind only, and in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from optimizer.infeasible_loop import life_kinds, loop_kinds
from optimizer.infeasible_rules import Kind, as_is, kelvin, lower, never, rules, switch, upper
from optimizer.points_lanes import LOSS_CEILING
from optimizer.results import Margin
from optimizer.spec_records import Controller, Spec
from optimizer.spec_text import trade

DRIVE_FULL = 10.0
"""Gate drive every power transistor is rated at [V]."""

AMPLE = 1000.0
"""Share by which a numeric limit is loosened to ask whether it matters at all."""

HOT = 500.0
"""Kelvin that stand for no limit of temperature."""


def up(value: float) -> float:
    """A value rounded up to four digits, so that what is printed does.

    >>> up(13.0021), up(0.00519107)
    (13.01, 0.005192)
    """
    if value <= 0.0:
        return value
    unit = 10.0 ** (math.floor(math.log10(value)) - 3)
    return float(f"{math.ceil(value / unit - 1e-5) * unit:.4g}")


def share_up(amount: float) -> str:
    """An amount in percent, rounded up.

    >>> share_up(0.083333)
    '8.334 %'
    """
    return f"{100.0 * up(amount):.4g} %"


def freed(spec: Spec) -> Spec:
    """The spec with every limit that has a scale out of the way."""
    for kind in every_kind(spec):
        spec = spec if kind.step else kind.at(spec, max(kind.most, kind.ample))
    return spec


def kinds(spec: Spec) -> list[Kind]:
    """Every kind of limit of this spec that there is room to loosen in."""
    return [kind for kind in every_kind(spec) if kind.most > 0.0]


def every_kind(spec: Spec) -> list[Kind]:
    """Every kind of limit this spec has."""
    return [
        *_plain_limits(spec),
        *_floors(spec),
        _ceiling(spec),
        *_temperatures(spec),
        *_ratings(spec),
        *_controllers(spec),
        *loop_kinds(spec),
        *life_kinds(spec),
        *rules(spec),
    ]


# --- limits of the spec ---------------------------------------------------------------------------

PLAIN = (
    ("input ripple", "v_ripple_input", "voltage", "ripple voltage", "input-bank"),
    ("output ripple", "v_ripple_output", "voltage", "ripple voltage", "output-bank"),
    ("inductor ripple ratio", "ripple_ratio_max", "share", "ripple ratio", "inductor"),
    ("rise of the hottest part", "rise_hottest", "difference", "rise over ambient", ""),
    ("height", "height_max", "length", "height", ""),
    ("area", "area_max", "area", "area", "whole set"),
    ("thermal gain", "thermal_gain_max", "share", "thermal gain row", "whole set"),
    ("saturation drop", "saturation_drop_max", "share", "no such quantity", "limit chain"),
)
"""Name, key of the limits, family of its unit, quantity of the check, subject or empty."""


def _plain_limits(spec: Spec) -> Iterator[Kind]:
    for name, key, family, quantity, subject in PLAIN:
        now = float(getattr(spec.limits, key))
        if now < float("inf"):
            yield _plain(name, key, family, quantity, subject, now)


def _plain(name: str, key: str, family: str, quantity: str, subject: str, now: float) -> Kind:
    def at(spec: Spec, amount: float) -> Spec:
        value: dict[str, Any] = {key: now * (1.0 + amount)}
        return replace(spec, limits=replace(spec.limits, **value))

    def told(spec: Spec, amount: float) -> str:
        return f"{trade(now, family)} to {trade(up(now * (1.0 + amount)), family)}"

    most = AMPLE if key not in ("saturation_drop_max", "thermal_gain_max") else 0.95 / now - 1.0
    return Kind(
        name=name,
        at=at,
        told=told,
        covers=lambda m: m.quantity == quantity and subject in ("", m.subject),
        amount=upper,
        share=as_is,
        most=most,
        reasons=(quantity, "limit chain") if subject == "limit chain" else (quantity,),
    )


def _floors(spec: Spec) -> Iterator[Kind]:
    for index, floor in enumerate(spec.limits.floors):
        yield _floor(index, floor.name, floor.efficiency)


def _floor(index: int, name: str, now: float) -> Kind:
    """An efficiency floor; its amount is efficiency given up."""

    def at(spec: Spec, amount: float) -> Spec:
        floors = list(spec.limits.floors)
        floors[index] = replace(floors[index], efficiency=now - amount)
        return replace(spec, limits=replace(spec.limits, floors=tuple(floors)))

    def amount(margin: Margin) -> float:
        power = margin.allowed / (1.0 / now - 1.0)
        return now - power / (power + margin.value)

    return Kind(
        name=f"efficiency floor {name!r}",
        at=at,
        told=lambda spec, a: f"{100 * now:.4g} % to {100 * (1.0 - up(1.0 - now + a)):.4g} %",
        covers=lambda m: m.quantity == "loss under the floor" and m.at == name,
        amount=amount,
        share=lambda a: a / now,
        most=0.95 * now,
        grain=0.02 * (1.0 - now),
        reasons=("floor",),
    )


def _ceiling(spec: Spec) -> Kind:
    """The loss all limits must hold up to; its amount is a share of itself."""
    now = spec.limits.loss_ceiling or LOSS_CEILING

    def at(spec: Spec, amount: float) -> Spec:
        ceiling = now * (1.0 + amount)
        return replace(spec, limits=replace(spec.limits, loss_ceiling=ceiling))

    def told(spec: Spec, amount: float) -> str:
        return f"{100 * now:.4g} % to {100 * up(now * (1.0 + amount)):.4g} % of the output power"

    return Kind(
        name="loss ceiling",
        at=at,
        told=told,
        covers=lambda m: m.quantity == "loss under the ceiling",
        amount=upper,
        share=as_is,
        most=min(AMPLE, 0.5 / now - 1.0),
        reasons=("ceiling",),
        turns=True,
    )


# --- derating -------------------------------------------------------------------------------------

TEMPERATURES = (
    ("mosfet", "temp_junction", "junction temperature", ""),
    ("diode", "temp_junction", "diode junction temperature", ""),
    ("inductor", "temp_part", "part temperature", "inductor"),
    ("resistor", "temp_part", "part temperature", "sense-resistor"),
    ("capacitor", "temp_part", "ripple current", ""),
)

SHARES = (
    ("mosfet", "voltage", "drain voltage", ""),
    ("mosfet", "gate_voltage", "gate voltage", ""),
    ("diode", "voltage", "reverse voltage", ""),
    ("diode", "current", "average current", ""),
    ("inductor", "voltage", "winding voltage", ""),
    ("capacitor", "voltage", "voltage", ""),
    ("capacitor", "ripple_current", "ripple current", ""),
    ("resistor", "power", "power", "sense-resistor"),
)
"""Kind of part, quantity of the policy, start of the quantity of the check, subject or empty."""


def _edited(spec: Spec, kind: str, quantity: str, edit: Callable[[dict[str, Any]], None]) -> Spec:
    """The spec with every rule of a quantity of a kind edited in its derating policy."""

    def copied(table: Mapping[str, Any]) -> dict[str, Any]:
        found = {}
        for key, value in table.items():
            found[key] = copied(value) if isinstance(value, Mapping) else value
            if key == quantity:
                edit(found[key])
        return found

    policy = {k: copied(v) if k == kind else v for k, v in spec.derating_policy.items()}
    return replace(spec, derating_policy=policy)


def _rules_of(spec: Spec, kind: str, quantity: str) -> list[dict[str, Any]]:
    """Every rule of a quantity of a kind, those of its technologies included."""
    found: list[dict[str, Any]] = []
    _edited(spec, kind, quantity, found.append)
    return found


def _temperatures(spec: Spec) -> Iterator[Kind]:
    for kind, quantity, told, subject in TEMPERATURES:
        margins = [float(rule.get("margin_k", 0.0)) for rule in _rules_of(spec, kind, quantity)]
        room = HOT / 5.0 if kind in spec.limits.temp_max else max(margins, default=0.0)
        yield _temperature(kind, quantity, told, subject, room)


def _temperature(kind: str, quantity: str, checked: str, subject: str, room: float) -> Kind:
    """Temperature of a kind of part: its derating and the spec's own limit together.

    The rating itself is never passed: the derating gives up its margin and no more.
    room : most that can be given up [K]
    """

    def at(spec: Spec, amount: float) -> Spec:
        def edit(rule: dict[str, Any]) -> None:
            rule["margin_k"] = max(
                float(rule.get("margin_k", 0.0)) - amount, min(0.0, room - amount)
            )

        spec = _edited(spec, kind, quantity, edit)
        limits = {k: t + amount if k == kind else t for k, t in spec.limits.temp_max.items()}
        return replace(spec, limits=replace(spec.limits, temp_max=limits))

    def told(spec: Spec, amount: float) -> str:
        limit = spec.limits.temp_max.get(kind)
        own = "" if limit is None else f", the limit to {up(limit + amount):.4g} degC"
        return f"{up(amount):.4g} K more than policy and limit allow{own}"

    return Kind(
        name=f"{kind} temperature",
        at=at,
        told=told,
        covers=lambda m: (
            m.quantity == checked and subject in ("", m.subject) and kind != "capacitor"
        ),
        amount=kelvin,
        share=lambda a: a / 100.0,
        most=room,
        grain=1.0,
        ample=HOT,
        reasons=(checked,),
    )


def _ratings(spec: Spec) -> Iterator[Kind]:
    for kind, quantity, checked, subject in SHARES:
        yield _rating(spec, kind, quantity, checked, subject)
    yield _ringing(spec)


def _rating(spec: Spec, kind: str, quantity: str, checked: str, subject: str) -> Kind:
    """Share of a rating that may be used; its amount is a share of that share.

    The rating itself is never passed: the largest share may grow to one and no further.
    """
    shares = [
        float(rule.get(key, 0.0))
        for rule in _rules_of(spec, kind, quantity)
        for key in ("continuous", "transient")
    ]

    def at(spec: Spec, amount: float) -> Spec:
        def edit(rule: dict[str, Any]) -> None:
            for key in ("continuous", "transient"):
                if key in rule:
                    rule[key] = rule[key] * (1.0 + amount)
            if "falls_c" in rule:
                rule["falls_c"] = [(t, share * (1.0 + amount)) for t, share in rule["falls_c"]]
            if "max_k" in rule:
                rule["max_k"] = rule["max_k"] * (1.0 + amount) ** 2

        spec = _edited(spec, kind, quantity, edit)
        ripple = quantity == "ripple_current"
        return _edited(spec, kind, "temp_rise", edit) if ripple else spec

    def told(spec: Spec, amount: float) -> str:
        return f"{share_up(amount)} more of the rating than policy {spec.derating!r} allows"

    def covers(margin: Margin) -> bool:
        words = margin.quantity.split(",")[0]
        bank = kind != "capacitor" or margin.subject.endswith("-bank")
        return words == checked and subject in ("", margin.subject) and bank

    return Kind(
        name=f"{kind} {checked} derating".replace(f"{kind} {kind}", kind),
        at=at,
        told=told,
        covers=covers,
        amount=upper,
        share=as_is,
        most=1.0 / max(shares, default=1.0) - 1.0 if max(shares, default=0.0) > 0.0 else 0.0,
        reasons=(checked,),
        ample=AMPLE,
        in_share=True,
    )


def _ringing(spec: Spec) -> Kind:
    """Overshoot assumed on the switch nodes; its amount is overshoot given up."""
    now = spec.board.ringing_share

    def at(spec: Spec, amount: float) -> Spec:
        share = max(now - amount, 0.0)
        return replace(spec, board=replace(spec.board, ringing_share=share))

    return Kind(
        name="ringing preset",
        at=at,
        told=lambda spec, a: (
            f"{100 * now:.3g} % to {100 * max(now - a, 0.0):.3g} % overshoot, "
            "an assumption: measure it before"
        ),
        covers=lambda m: m.quantity == "drain voltage",
        amount=lambda m: (1.0 + now) * (1.0 - m.allowed / m.value),
        share=lambda a: a / now if now else 0.0,
        most=now,
        grain=0.01,
        reasons=("drain voltage",),
    )


# --- the controller -------------------------------------------------------------------------------


def _controllers(spec: Spec) -> Iterator[Kind]:
    yield _controller("drive regulator", _more_drive, ("drive current",), upper)
    yield _controller("shortest on-time", _less("time_on_min"), ("on-time",), lower)
    yield _controller("shortest off-time", _less("time_off_min"), ("off-time",), lower)
    yield _controller("sense-threshold spread", _narrower, ("limit chain",), None)
    if any(record.v_drive_min < DRIVE_FULL for record in spec.controllers.values()):
        yield _full_drive()


def _more_drive(record: Controller, amount: float) -> Controller:
    more = 1.0 + amount
    limit, heat = record.i_drive_limit * more, record.loss_drive_limit * more
    return replace(record, i_drive_limit=limit, loss_drive_limit=heat)


def _less(key: str) -> Callable[[Controller, float], Controller]:
    def edit(record: Controller, amount: float) -> Controller:
        value: dict[str, Any] = {key: getattr(record, key) * max(1.0 - amount, 0.0)}
        return replace(record, **value)

    return edit


def _narrower(record: Controller, amount: float) -> Controller:
    left, typical = max(1.0 - amount, 0.0), record.v_sense_typ
    return replace(
        record,
        v_sense_min=typical + left * (record.v_sense_min - typical),
        v_sense_max=typical + left * (record.v_sense_max - typical),
    )


def _every(edit: Callable[[Controller, float], Controller]) -> Callable[[Spec, float], Spec]:
    """A spec with all its controller records edited."""

    def at(spec: Spec, amount: float) -> Spec:
        records = {name: edit(record, amount) for name, record in spec.controllers.items()}
        return replace(spec, controllers=records)

    return at


def _controller(
    name: str,
    edit: Callable[[Controller, float], Controller],
    quantities: tuple[str, ...],
    amount: Callable[[Margin], float] | None,
) -> Kind:
    more = amount is upper
    return Kind(
        name=name,
        at=_every(edit),
        told=lambda spec, a: f"{share_up(a)} {'more' if more else 'less'}",
        covers=(lambda m: m.quantity in quantities) if amount else never,
        amount=amount or upper,
        share=as_is,
        most=AMPLE if more else 1.0,
        reasons=quantities,
        in_share=True,
    )


def _full_drive() -> Kind:
    def edit(record: Controller, _: float) -> Controller:
        scale = max(1.0, DRIVE_FULL / record.v_drive_min)
        return replace(
            record,
            v_drive_min=record.v_drive_min * scale,
            v_drive_typ=record.v_drive_typ * scale,
            v_drive_max=record.v_drive_max * scale,
        )

    def told(spec: Spec, _: float) -> str:
        lowest = min(record.v_drive_min for record in spec.controllers.values())
        return f"from {lowest:.3g} V to at least {DRIVE_FULL:g} V"

    reasons = ("no rating at the drive voltage", "drain voltage", "junction temperature")
    return switch("gate drive", _every(edit), told, reasons, turns=True)
