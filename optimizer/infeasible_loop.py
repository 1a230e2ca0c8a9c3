"""Relaxations of what the control loop asks (dip, crossover, ripple, slope), and of life."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from optimizer.infeasible_rules import Kind, as_is, lower, upper
from optimizer.results import Margin
from optimizer.spec_records import Spec
from optimizer.spec_text import trade

AMPLE = 1000.0

STEP = "capacitance for the load step"


def loop_kinds(spec: Spec) -> Iterator[Kind]:
    """One kind per wish of the loop that the spec has."""
    loop = spec.loop
    if loop.i_step > 0.0:
        yield _kind("dip at a load step", "v_step", loop.v_step, "voltage", STEP, _more_dip)
    if loop.frequency_cross_min > 0.0:
        now = loop.frequency_cross_min
        yield _kind("least crossover", "frequency_cross_min", now, "frequency", "crossover", lower)
    if loop.v_sense_ripple_min > 0.0:
        now = loop.v_sense_ripple_min
        yield _kind(
            "ripple at the sense pins", "v_sense_ripple_min", now, "voltage", "ripple", lower
        )
    if math.isfinite(loop.slope_compensation):
        now = loop.slope_compensation
        yield _kind("slope compensation", "slope_compensation", now, "ramp", "slope", upper)


def life_kinds(spec: Spec) -> Iterator[Kind]:
    """The years the banks must last, if any."""
    now = spec.life.years
    if now <= 0.0:
        return

    def at(spec: Spec, by: float) -> Spec:
        return replace(spec, life=replace(spec.life, years=now * max(1.0 - by, 0.0)))

    yield Kind(
        name="life of the banks",
        at=at,
        told=lambda spec, by: f"{now:g} to {at(spec, by).life.years:.4g} years",
        covers=lambda m: m.quantity.startswith("life, "),
        amount=lower,
        share=as_is,
        most=1.0,
        reasons=("life, ", "life over"),
    )


def _more_dip(margin: Margin) -> float:
    return margin.allowed / margin.value - 1.0 if margin.value > 0.0 else AMPLE


def _kind(
    name: str,
    key: str,
    now: float,
    family: str,
    quantity: str,
    amount: Callable[[Margin], float],
) -> Kind:
    falls = amount is lower

    def moved(by: float) -> float:
        return now * (max(1.0 - by, 0.0) if falls else 1.0 + by)

    def at(spec: Spec, by: float) -> Spec:
        value: dict[str, Any] = {key: moved(by)}
        return replace(spec, loop=replace(spec.loop, **value))

    def told(spec: Spec, by: float) -> str:
        return f"{trade(now, family)} to {trade(float(f'{moved(by):.4g}'), family)}"

    return Kind(
        name=name,
        at=at,
        told=told,
        covers=lambda m: m.quantity == quantity,
        amount=amount,
        share=as_is,
        most=1.0 if falls else AMPLE,
        reasons=(quantity, "limit chain") if quantity in ("ripple", "slope") else (quantity,),
    )
