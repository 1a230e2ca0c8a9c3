"""A search that forgets one limit or rule: what it would be given, and what would be patched."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer import buying, limits
from optimizer.buying import Prices
from optimizer.catalog import Catalog
from optimizer.records import BoolArray, FloatArray
from optimizer.spec_records import OBJECTIVE_MISSION, STATES, Spec
from optimizer.stage import Stage
from tests.oracles import brute_force

Given = tuple[Spec, Catalog]
Fault = Callable[[Spec, Catalog], Given]
FAR = 1e6


def no_limit(**values: Any) -> Fault:
    """Other values in the limits of the spec."""
    return lambda spec, catalog: (replace(spec, limits=replace(spec.limits, **values)), catalog)


def no_choice(**values: Any) -> Fault:
    """Other rules of choice."""
    return lambda spec, catalog: (replace(spec, choice=replace(spec.choice, **values)), catalog)


def no_purchase(**values: Any) -> Fault:
    """Other rules of purchase."""
    return lambda spec, catalog: (replace(spec, purchase=replace(spec.purchase, **values)), catalog)


def no_controller(**values: Any) -> Fault:
    """Other values in every controller record."""

    def fault(spec: Spec, catalog: Catalog) -> Given:
        records = {name: replace(one, **values) for name, one in spec.controllers.items()}
        return replace(spec, controllers=records), catalog

    return fault


def no_policy(kind: str, quantity: str, **values: float) -> Fault:
    """Other numbers in every rule of a quantity, and no temperature limit of the spec."""

    def fault(spec: Spec, catalog: Catalog) -> Given:
        policy = copy.deepcopy(dict(spec.derating_policy))
        tables = [policy[kind], *(t for t in policy[kind].values() if isinstance(t, dict))]
        for table in tables:
            if quantity in table:
                table[quantity] = dict(values) | {"source": "none"}
        warm = {k: t for k, t in spec.limits.temp_max.items() if k != kind}
        limits_left = replace(spec.limits, temp_max=warm)
        return replace(spec, derating_policy=policy, limits=limits_left), catalog

    return fault


def no_number(column: str, value: float) -> Fault:
    """Another value in a column of every part."""

    def fault(spec: Spec, catalog: Catalog) -> Given:
        tables = {
            kind: replace(table, numbers=dict(table.numbers) | {column: np.full(len(table), value)})
            for kind, table in catalog.tables.items()
        }
        return spec, replace(catalog, tables=tables)

    return fault


def no_text(column: str, text: str) -> Fault:
    """Another text in a column of every part."""

    def fault(spec: Spec, catalog: Catalog) -> Given:
        tables = {
            kind: replace(table, texts=dict(table.texts) | {column: (text,) * len(table)})
            for kind, table in catalog.tables.items()
        }
        return spec, replace(catalog, tables=tables)

    return fault


def both(one: Fault, other: Fault) -> Fault:
    """Two faults at once."""
    return lambda spec, catalog: other(*one(spec, catalog))


def no_floor(spec: Spec, catalog: Catalog) -> Given:
    """Floors that anything reaches, at the same points."""
    floors = tuple(replace(floor, efficiency=0.01) for floor in spec.limits.floors)
    return no_limit(floors=floors)(spec, catalog)


CAN = no_policy("capacitor", "ripple_current", continuous=FAR)
CERAMIC = no_policy("capacitor", "temp_rise", max_k=FAR)
CORE = no_policy("capacitor", "temp_part", margin_k=-FAR)
RIPPLE_CURRENT = both(both(CAN, CERAMIC), CORE)
CAPACITOR_VOLTAGE = no_policy("capacitor", "voltage", continuous=FAR)

GIVEN: dict[str, Fault] = {
    "input-bank: ripple voltage": no_limit(v_ripple_input=math.inf),
    "output-bank: ripple voltage": no_limit(v_ripple_output=math.inf),
    "inductor: ripple ratio": no_limit(ripple_ratio_max=math.inf),
    "transistors: junction temperature": no_policy("mosfet", "temp_junction", margin_k=-FAR),
    "inductor: part temperature": no_policy("inductor", "temp_part", margin_k=-FAR),
    "sense-resistor: part temperature": no_policy("resistor", "temp_part", margin_k=-FAR),
    "rise over ambient": no_limit(rise_hottest=math.inf),
    "height": no_limit(height_max=math.inf),
    "whole set: area": no_limit(area_max=math.inf),
    "whole set: thermal gain row": no_limit(thermal_gain_max=0.999),
    "whole set: loss under the floor": no_floor,
    "controller: drive current": no_controller(i_drive_limit=FAR, loss_drive_limit=FAR),
    "controller: on-time": no_controller(time_on_min=0.0),
    "controller: off-time": no_controller(time_off_min=0.0),
    "limit chain, low end": no_controller(v_sense_min=FAR),
    "limit chain, high end": no_controller(v_sense_max=1e-9, time_sense_delay_max=0.0),
    "transistors: drain voltage": no_policy("mosfet", "voltage", continuous=FAR),
    "transistors: gate voltage": no_policy("mosfet", "gate_voltage", continuous=FAR),
    "inductor: winding voltage": no_policy("inductor", "voltage", continuous=FAR),
    "input-bank: voltage": CAPACITOR_VOLTAGE,
    "output-bank: voltage": CAPACITOR_VOLTAGE,
    "input-bank: ripple current, first type": RIPPLE_CURRENT,
    "output-bank: ripple current, first type": RIPPLE_CURRENT,
    "sense-resistor: power": no_policy("resistor", "power", continuous=FAR),
    "coldest temperature": no_number("temp_min", -273.0),
    "same part": no_choice(same_part=()),
    "part numbers": no_choice(part_numbers_max=None),
    "forced part": no_choice(force=()),
    "forbidden": no_choice(forbid=()),
    "life cycle": no_purchase(states_allowed=STATES),
    "approved list": no_purchase(approved=()),
    "banned": no_purchase(banned=()),
    "technology": no_purchase(banned_technologies=()),
    "approval": no_text("approval", "yes"),
    "price": no_text("currency", "EUR"),
    "line items": no_purchase(line_item_each=0.0),
    "placement": no_purchase(placement_each=0.0),
    "order minimum": both(no_number("order_minimum", 1.0), no_number("order_multiple", 1.0)),
    "worst-point loss": no_choice(objective=OBJECTIVE_MISSION),
}
"""Name of a limit or rule -> what a search that forgets it works with."""

LEAKAGE = both(no_number("i_reverse_125c_max", 1e-9), no_number("i_reverse_max", 1e-10))

OF_STAGES: dict[str, Fault] = {
    "diodes: reverse voltage": no_policy("diode", "voltage", continuous=FAR),
    "diodes: average current": no_policy("diode", "current", continuous=FAR),
    "diodes: diode junction temperature": no_policy("diode", "temp_junction", margin_k=-FAR),
    "diodes: hot leakage": LEAKAGE,
    "coupling-bank: ripple voltage": no_limit(v_ripple_coupling=math.inf),
    "coupling-bank: voltage": CAPACITOR_VOLTAGE,
    "coupling-bank: ripple current, first type": RIPPLE_CURRENT,
}
"""The same for limits that only stages with a diode or two coils have."""

PATCHED = ("whole set: loss under the ceiling", "buy-up", "pooled prices")
"""Those that the state or the prices hang on: taken out of the search by patching it."""

NAMES = (*GIVEN, *PATCHED)

LIFE = "life of the banks"
"""Forgotten in pairs of its own, which are drawn so that banks wear out."""


def no_life(spec: Spec, catalog: Catalog) -> Given:
    """No years asked of the banks."""
    return replace(spec, life=replace(spec.life, years=0.0)), catalog


def forget(name: str, spec: Spec, catalog: Catalog, patch: pytest.MonkeyPatch) -> Given:
    """What the faulty search is given; `patch` must be undone before anything else is judged."""
    if name == LIFE:
        return no_life(spec, catalog)
    if name in GIVEN or name in OF_STAGES:
        return (GIVEN | OF_STAGES)[name](spec, catalog)
    if name == "whole set: loss under the ceiling":
        patch.setattr(limits, "loss_allowed", _floors_only(limits.loss_allowed))
        return spec, catalog
    prices = buying.prices

    def other(of: Spec, tables: Any) -> Prices:
        found = prices(of, tables)
        if name == "buy-up":
            return brute_force.without_buy_up(found, of, tables)
        alone = found.table[:, 1:2] * np.arange(found.table.shape[1])[None, :]
        return replace(found, table=alone)

    patch.setattr(buying, "prices", other)
    return spec, catalog


def _floors_only(allowed: Callable[[Stage], FloatArray]) -> Callable[[Stage], FloatArray]:
    """No ceiling on the loss, floors as ever."""

    def without(stage: Stage) -> FloatArray:
        floors: BoolArray = ~np.isnan(stage.lanes.efficiency_floor)
        return np.where(floors, allowed(stage), np.inf)

    return without
