"""Dimming levels from resistors: a hand calculation, every ladder by loops, and what would do."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.records import FloatArray, Note
from optimizer.set_point_rules_dimming import dimming_notes
from optimizer.set_points import Stack, preferred
from optimizer.set_points_dimming import best_ladder, worst_levels
from optimizer.spec import parse_spec, read_spec
from optimizer.spec_echo import rows
from optimizer.spec_records import DimmingInput
from tests.use_specs import spec_of, text_of

PIN = DimmingInput((0.1,), 0.1, 2.5, 0.01, 1.2, 0.2, 5e-3, 0.02, 1e-7)
STACK = Stack(2.5, 0.01, 0.01, 1e-7, "E96", 2e4, 5e5)


def test_a_level_by_hand() -> None:
    """73.2 kohm over 10 kohm from 2.5 V is 0.3005 V: (0.3005 - 0.2)/(1.2 - 0.2) = 10.05 %.

    High: 2.525 V, 72.468 and 10.1 kohm: 308.86 mV, and 0.1 uA through both in parallel
    (8.8646 kohm) 0.886 mV; with 5 mV of offset 114.75 mV above zero, 2 % steeper 11.704 %.
    Low: 2.475 V, 73.932 and 9.9 kohm: 292.28 mV - 0.873 mV - 5 mV: 86.41 mV, 2 % flatter 8.468 %.
    """
    low, high = worst_levels(PIN, STACK, np.array(73.2e3), np.array(10e3))
    assert float(high) == pytest.approx(0.11704, abs=1e-5)
    assert float(low) == pytest.approx(0.08468, abs=1e-5)
    found = best_ladder(PIN, STACK, (0.1,))
    assert found is not None
    (level,) = found.levels
    assert level.nominal == pytest.approx((level.v_tap - 0.2) / 1.0)
    assert 0.0 < level.spread < min(level.high - level.nominal, level.nominal - level.low)
    ratio = 10e3 / 83.2e3
    parts = [
        2.5 * ratio * 0.01,
        *[2.5 * ratio * (1 - ratio) * 0.01] * 2,
        1e-7 * 73.2e3 * ratio,
        5e-3,
    ]
    by_hand = np.sqrt(sum(x * x for x in parts) + (0.02 * (2.5 * ratio - 0.2)) ** 2)
    assert level.spread == pytest.approx(by_hand, rel=0.02)


CORNERS = np.array(list(itertools.product((-1, 1), repeat=6)), dtype=float).T[..., None]
"""Signs of every error at every corner, (6, 64, 1)."""


def ends_of(
    pin: DimmingInput, stack: Stack, top: float, bottom: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest share over all corners of all errors, for bottoms (n,)."""
    a, b, c, d, e, f = CORNERS
    upper = top * (1 + b * stack.resistor_tolerance)
    lower = bottom * (1 + c * stack.resistor_tolerance)
    current = stack.v_reference * (1 + a * stack.reference_tolerance) / upper + d * stack.i_bias
    above = current / (1 / upper + 1 / lower) + e * pin.v_offset - pin.v_zero
    shares = np.clip(above * (1 + f * pin.slope_tolerance) / (pin.v_full - pin.v_zero), 0, 1)
    return shares.min(axis=0), shares.max(axis=0)


@settings(max_examples=100, deadline=None)
@given(
    levels=st.lists(st.floats(0.05, 0.9), min_size=1, max_size=3, unique=True),
    reference=st.floats(1.3, 5.0),
    zero=st.floats(0.0, 0.4),
    offset=st.floats(0.0, 0.02),
    tolerance=st.floats(0.0, 0.02),
    bias=st.floats(0.0, 1e-6),
)
def test_no_ladder_is_better_by_plain_loops(
    levels: list[float], reference: float, zero: float, offset: float, tolerance: float, bias: float
) -> None:
    """Every top with every choice of bottoms of E12 from 10 to 100 kohm."""
    pin = DimmingInput((), 0.1, reference, 0.01, 1.2, zero, offset, 0.02, bias)
    stack = Stack(reference, 0.01, tolerance, bias, "E12", 2e4, 1.2e5)
    found = best_ladder(pin, stack, levels)
    assert found is not None
    values = preferred("E12")[preferred("E12") < 1.2e5]
    best = np.inf
    for top in values.tolist():
        bottom = values[(values >= 2e4 - top) & (values <= 1.2e5 - top)]
        if not len(bottom):
            continue
        low, high = ends_of(pin, stack, top, bottom)
        away = [np.maximum(abs(low - x), abs(high - x)).min() / x for x in levels]
        best = min(best, max(away))
    assert max(one.miss for one in found.levels) == pytest.approx(best, rel=1e-6, abs=2e-9)
    for one in found.levels:
        low, high = ends_of(pin, stack, found.r_top, np.array([one.r_bottom]))
        assert (one.low, one.high) == pytest.approx((low[0], high[0]), rel=1e-9, abs=1e-12)


def test_all_bottoms_together_are_no_better_than_each_for_itself() -> None:
    """Two levels over one top: every triple of a short series, chosen together."""
    stack = Stack(2.5, 0.01, 0.01, 1e-7, "E12", 2e4, 6e4)
    found = best_ladder(PIN, stack, (0.1, 0.5))
    assert found is not None
    values = [x for x in preferred("E12") if 1e3 <= x <= 6e4]
    best = np.inf
    for top, first, second in itertools.product(values, repeat=3):
        if not (2e4 <= top + first <= 6e4 and 2e4 <= top + second <= 6e4):
            continue
        misses = []
        for level, bottom in ((0.1, first), (0.5, second)):
            low, high = (
                float(x) for x in worst_levels(PIN, stack, np.array(top), np.array(bottom))
            )
            misses.append(max(abs(low - level), abs(high - level)) / level)
        best = min(best, max(misses))
    assert max(one.miss for one in found.levels) == pytest.approx(best, rel=1e-6)


# --- of a spec ------------------------------------------------------------------------------------

INPUT = {"levels_pct": [10, 50], "v_reference_v": 2.5, "v_full_v": 1.2, "v_zero_v": 0.2}


def notes(analogue: float = 10, *, rules: dict[str, Any] | None = None, **pin: Any) -> list[Note]:
    points = {**(rules or {}), "dimming": {**INPUT, **pin}}
    load = {"dimming": {"analogue_share_pct": analogue}}
    return list(dimming_notes(spec_of("led-string", "range", load=load, set_points=points)))


def test_levels_that_hold_and_what_the_stage_is_sized_for() -> None:
    ten, fifty, below = notes(accuracy_pct=25)
    assert ten.subject == "set point: dimming to 10 %"
    assert (ten.kind, fifty.kind) == ("assumed", "assumed")
    assert ten.text.endswith("asks 7.5 % to 12.5 %: holds")
    assert "from 2.5 V" in ten.text
    assert "root-sum-square" in ten.text
    assert below.kind == "finding"
    assert "sized down to 10 %" in below.text
    assert len(notes(5, accuracy_pct=25)) == 2


CURES = {
    r"a reference of ([\d.]+) %": ("v_reference_tolerance_pct", 1.5),
    r"an input of ([\d.]+) mV offset": ("v_offset_mv", 5.0),
    r"an input of ([\d.]+) % slope tolerance": ("slope_tolerance_pct", 2.0),
}
"""What is told -> the key it means, and what stands there."""


@pytest.mark.parametrize("told", CURES)
def test_each_cure_alone_does_what_it_says(told: str) -> None:
    """And a step short of it does not."""
    key, now = CURES[told]
    asked = {"levels_pct": [30], "accuracy_pct": 9.2}
    (missed,) = notes(10, **asked)
    assert missed.kind == "finding"
    found = re.search(told, missed.text)
    assert found is not None, missed.text
    value = float(found[1])
    assert notes(10, **asked, **{key: value})[0].kind == "assumed"
    assert notes(10, **asked, **{key: value + 0.05 * now})[0].kind == "finding"


def test_better_resistors_are_told_where_they_do() -> None:
    asked = {"levels_pct": [30], "accuracy_pct": 9.2}
    assert "resistors of 0.1 % and 25 ppm/K" in notes(10, **asked)[0].text
    fine = {"resistor_tolerance_pct": 0.1, "resistor_tempco_ppm_per_k": 25}
    assert notes(10, rules=fine, **asked)[0].kind == "assumed"


def test_a_level_that_no_part_reaches_is_told_with_a_higher_one_that_does() -> None:
    (missed, _) = notes(levels_pct=[10], accuracy_pct=10)
    assert "NOT reached; would do: a trim at final test, or " in missed.text
    lowest = float(missed.text.split(" % as lowest level")[0].split(" ")[-1])
    (held,) = notes(levels_pct=[lowest], accuracy_pct=10)
    assert held.kind == "assumed"
    (hopeless, _) = notes(levels_pct=[10], accuracy_pct=0.5)
    assert "a wider accuracy" in hopeless.text


def test_a_dimmed_lamp_without_an_input_asks() -> None:
    load = {"dimming": {"analogue_share_pct": 10}}
    (note,) = dimming_notes(spec_of("led-string", "range", load=load))
    assert "not asked yet: what sets 10 % of the current" in note.text
    assert not list(dimming_notes(spec_of("led-string", "range")))
    assert not list(dimming_notes(spec_of("rail", "range")))


def test_the_tunnel_lamp_has_its_two_levels() -> None:
    spec = read_spec(Path(__file__).parents[1] / "runs" / "examples" / "tunnel_lamp.toml")
    found = {note.subject: note for note in dimming_notes(spec)}
    assert {"set point: dimming to 10 %", "set point: dimming to 50 %"} <= set(found)
    assert found["set point: dimming to 50 %"].text.endswith("holds")
    assert ("set_points.dimming.levels", "10 %, 50 %", "0.1, 0.5") in rows(spec)


@pytest.mark.parametrize(
    ("kind", "pin", "told"),
    [
        ("rail", {}, "need a lamp: kind = 'led-string'"),
        ("led-string", {"v_zero_v": 1.3}, "need v_zero < v_full"),
        ("led-string", {"v_reference_v": 0.6}, "need more than the 700 mV of a level"),
        ("led-string", {"levels_pct": []}, "got an empty list, need at least one level"),
        ("led-string", {"levels_pct": 10}, "got the number 10, need a list"),
        ("led-string", {"v_full_v": "x"}, "got text 'x', need a number"),
        ("led-string", {"v_ful_v": 1}, "did you mean v_full_v"),
    ],
)
def test_inputs_that_cannot_be_are_refused(kind: str, pin: dict[str, Any], told: str) -> None:
    load = {"dimming": {"analogue_share_pct": 10}} if kind == "led-string" else {}
    with pytest.raises(InputError) as caught:
        parse_spec(text_of(kind, "range", load=load, set_points={"dimming": {**INPUT, **pin}}))
    assert told in str(caught.value)
