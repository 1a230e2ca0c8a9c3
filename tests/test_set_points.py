"""Dividers: IEC 60063 values, the published error formula, brute force, and what would do."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import set_points
from optimizer.set_point_rules import Wish, keeps, set_point_notes, stack_of, wishes
from optimizer.set_points import Stack
from tests.use_specs import data_of, spec_of

STACK = Stack(0.8, 0.01, 0.012, 5e-8, "E96", 2e4, 5e5)


def test_preferred_values_are_those_of_the_standard() -> None:
    """IEC 60063: E96 is round(100 x 10^(k/96)); E24 differs from its formula at eight places."""
    e96 = set_points.preferred("E96")
    assert e96[:96].tolist() == [round(100 * 10 ** (k / 96)) for k in range(96)]
    e24 = set_points.preferred("E24")
    assert e24[:24].tolist() == [
        100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300,
        330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820, 910,
    ]  # fmt: skip
    assert len(set_points.preferred("E12")) == 12 * 5


def test_the_stack_against_the_usual_formula() -> None:
    """Worst case about reference + 2 tol (1 - Vref/V) + bias x top/V: common practice."""
    top, bottom = np.array(232e3), np.array(10.2e3)
    low, high = set_points.worst_case(STACK, top, bottom)
    volts = 0.8 * (1 + 232 / 10.2)
    usual = 0.01 + 2 * 0.012 * (1 - 0.8 / volts) + 5e-8 * 232e3 / volts
    assert float(high - low) / 2 / volts == pytest.approx(usual, rel=0.02)


@settings(max_examples=100, deadline=None)
@given(
    target=st.floats(1.5, 30),
    reference=st.floats(0.5, 1.25),
    tolerance=st.floats(0.0, 0.02),
    bias=st.floats(0, 1e-6),
)
def test_no_pair_is_better_by_plain_loops(
    target: float, reference: float, tolerance: float, bias: float
) -> None:
    """Every pair of E12 by two loops and by all corners of the errors."""
    stack = Stack(reference, 0.01, tolerance, bias, "E12", 2e4, 2e5)
    found = set_points.best_divider(stack, target=target)
    assert found is not None
    best = np.inf
    for top, bottom in itertools.product(set_points.preferred("E12"), repeat=2):
        if not 2e4 <= top + bottom <= 2e5:
            continue
        ends = [
            reference
            * (1 + a * 0.01)
            * (1 + top * (1 + b * tolerance) / bottom / (1 + c * tolerance))
            + d * bias * top * (1 + b * tolerance)
            for a, b, c, d in itertools.product((-1, 1), repeat=4)
        ]
        best = min(best, max(abs(max(ends) - target), abs(min(ends) - target)))
    miss = max(abs(found.v_max - target), abs(found.v_min - target))
    assert miss == pytest.approx(best, rel=1e-9, abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(target=st.floats(2, 40), tighter=st.floats(0.1, 1.0))
def test_a_tighter_reference_never_misses_by_more(target: float, tighter: float) -> None:
    def miss(stack: Stack) -> float:
        found = set_points.best_divider(stack, target=target)
        assert found is not None
        return max(abs(found.v_max - target), abs(found.v_min - target))

    better = replace(STACK, reference_tolerance=STACK.reference_tolerance * tighter)
    assert miss(better) <= miss(STACK) + 1e-8


def test_expected_lies_inside_the_worst_case() -> None:
    found = set_points.best_divider(STACK, target=24.0)
    assert found is not None
    assert found.v_spread < found.v_max - found.v_nominal


def test_lock_out_stays_below_and_as_high_as_it_can() -> None:
    found = set_points.highest_below(STACK, high=9.0)
    assert found is not None
    assert found.v_max <= 9.0
    top, bottom = set_points.dividers(STACK)
    low, high = set_points.worst_case(STACK, top, bottom)
    assert found.v_min == pytest.approx(low[high <= 9.0].max())


# --- of a spec ------------------------------------------------------------------------------------


def notes(load: str, **controller: float) -> dict[str, tuple[str, str]]:
    record = data_of(load, "range")["controllers"]["four-switch"] | controller
    spec = spec_of(load, "range", controllers={"four-switch": record})
    found = set_point_notes(spec, "four-switch")
    return {n.subject.removeprefix("set point: "): (n.kind, n.text) for n in found}


def test_each_load_has_its_set_points() -> None:
    with_reference = {"v_reference_v": 0.8}
    assert set(notes("rail", **with_reference)) == {
        "output voltage", "over-voltage limit", "under-voltage lock-out",
    }  # fmt: skip
    assert "open-string limit" in notes("led-string", **with_reference)
    assert {"charge voltage at 25 degC", "float voltage at 25 degC"} <= set(
        notes("lead-acid", **with_reference)
    )
    assert "constant voltage" in notes("lithium", **with_reference)
    assert set(notes("rail")) == {"under-voltage lock-out"}


def test_a_charge_voltage_that_one_per_cent_parts_cannot_hold() -> None:
    """1 % asked, 1.5 % of reference alone: a finding that says what would do."""
    kind, text = notes("lithium", v_reference_v=0.8)["constant voltage"]
    assert kind == "finding"
    assert "NOT reached" in text
    assert "a reference of" in text
    assert "a one-sided target of" in text
    assert "never above 29.09 V" in text
    spec = spec_of("lithium", "range")
    assert spec.load.v_output_tolerance == 0.01


def test_what_would_do_does() -> None:
    """The reference it proposes, with the resistors it proposes, holds the band."""
    record = data_of("lithium", "range")["controllers"]["four-switch"]
    fine = {"resistor_tolerance_pct": 0.1, "resistor_tempco_ppm_per_k": 25}
    reference = {"v_reference_v": 0.8, "v_reference_tolerance_pct": 0.5}
    spec = spec_of(
        "lithium", "range", controllers={"four-switch": record | reference}, set_points=fine
    )
    (first, *_) = set_point_notes(spec, "four-switch")
    assert (first.kind, first.text.endswith("holds")) == ("assumed", True)


def test_the_band_of_the_open_string_limit_lies_between_string_and_over_voltage() -> None:
    record = data_of("led-string", "range")["controllers"]["four-switch"]
    spec = spec_of(
        "led-string", "range", controllers={"four-switch": record | {"v_reference_v": 0.8}}
    )
    controller = spec.controllers["four-switch"]
    wish = next(wishes(spec, controller))
    assert (wish.low, wish.high) == (26.0, 60.0)
    stack = stack_of(spec, controller)
    assert stack is not None
    found = set_points.best_divider(stack, target=wish.target, low=wish.low, high=wish.high)
    assert found is not None
    assert keeps(found, wish)
    assert not keeps(found, Wish("narrow", wish.target, wish.target, wish.target))
