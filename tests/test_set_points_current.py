"""The sense resistor of a regulated current: by hand, by plain loops, and what would do."""

from __future__ import annotations

import itertools
import math
import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.records import Note
from optimizer.set_point_rules_current import current_notes
from optimizer.set_points import preferred
from optimizer.set_points_current import best_shunt, shunts, worst_case
from optimizer.spec import parse_spec
from optimizer.spec_echo import rows
from optimizer.spec_records import CurrentLoop
from tests.use_specs import spec_of, text_of

LOOP = CurrentLoop(50e-3, 0.02, 1e-3, 0.05, 1)


def test_a_current_by_hand() -> None:
    """50 mV on 24 mohm: 2.083 A; (51 + 1) mV over 23.76 mohm and (49 - 1) mV over 24.24 mohm."""
    low, high = worst_case(LOOP, np.array([24e-3]), 0.01)
    assert float(high[0]) == pytest.approx(52e-3 / 23.76e-3)
    assert float(low[0]) == pytest.approx(48e-3 / 24.24e-3)
    found = best_shunt(LOOP, target=2.083, resistor_tolerance=0.01, series="E24")
    assert found.values == pytest.approx((24e-3,))
    assert found.i_nominal == pytest.approx(50e-3 / 24e-3)
    spread = found.i_nominal * math.sqrt(0.02**2 + 0.02**2 + 0.01**2)
    assert found.i_spread == pytest.approx(spread)
    assert found.i_nominal + found.i_spread < found.i_max


def corners(loop: CurrentLoop, parts: tuple[float, ...], error: float) -> list[float]:
    """The current at every corner of every error, each resistor with an error of its own."""
    found = []
    for signs in itertools.product((-1, 1), repeat=2 + len(parts)):
        ohms = 1.0 / sum(1.0 / (r * (1 + s * error)) for r, s in zip(parts, signs[2:], strict=True))
        volts = loop.v_sense * (1 + signs[0] * loop.v_sense_tolerance)
        found.append((volts + signs[1] * loop.v_offset) / ohms)
    return found


@settings(max_examples=100, deadline=None)
@given(
    target=st.floats(0.3, 20.0),
    spread=st.floats(0.0, 0.1),
    offset=st.floats(0.0, 5e-3),
    error=st.floats(0.0, 0.05),
    pieces=st.integers(1, 2),
)
def test_no_resistor_is_better_by_plain_loops(
    target: float, spread: float, offset: float, error: float, pieces: int
) -> None:
    loop = CurrentLoop(50e-3, spread, offset, 0.05, pieces)
    found = best_shunt(loop, target=target, resistor_tolerance=error, series="E12")
    values = [float(value) * 1e-6 for value in preferred("E12")]
    near = [v for v in values if v < 100.0 * 50e-3 / target]
    tried = [(v,) for v in values]
    if pieces > 1:
        tried += list(itertools.combinations_with_replacement(near, 2))

    def miss(parts: tuple[float, ...]) -> float:
        return max(abs(amps - target) for amps in corners(loop, parts, error))

    least = min(miss(parts) for parts in tried)
    assert miss(found.values) <= least * (1.0 + 1e-9) + 1e-9 * target
    every = corners(loop, found.values, error)
    assert (min(every), max(every)) == pytest.approx((found.i_min, found.i_max))


def test_pairs_hold_every_value_alone_and_each_pair_once() -> None:
    first, second = shunts("E12", 2)
    alone = np.isinf(second)
    count = int(alone.sum())
    assert count == len(preferred("E12"))
    assert len(first) == count + count * (count + 1) // 2
    assert (first <= second).all()


def notes(load: str = "led-string", /, *, points: dict[str, Any] | None = None, **loop: Any) -> Any:
    current = {"v_sense_mv": 50, "v_offset_mv": 0.5, **loop}
    changed = {**(points or {}), "current": current}
    return list(current_notes(spec_of(load, "range", set_points=changed)))


def of(found: list[Note], text: str) -> Note:
    return next(note for note in found if text in note.text)


def test_what_holds_is_told_with_its_worst_case_and_the_stage_it_asks_for() -> None:
    """2 A: 24.9 mohm of E96 at 50 mV; 51.5 mV over 24.9 mohm less 1.7 % is 2.1 A."""
    found = notes()
    told = of(found, "24.9 mohm (E96) at 50 mV: 2.01 A")
    assert told.kind == "assumed"
    assert told.text.endswith("asks 1.9 A to 2.1 A: holds") == (told.kind == "assumed")
    sized = of(found, "the stage is sized for 2 A")
    most = float(re.search(r"may reach ([\d.]+) A", sized.text)[1])  # type: ignore[index]
    error = 0.01 + 100e-6 * 45
    assert most == pytest.approx(51.5e-3 / (24.9e-3 * (1 - error)), rel=3e-3)


@pytest.mark.parametrize(
    ("asked", "cure"),
    [
        ({"accuracy_pct": 3}, "a threshold of"),
        ({"accuracy_pct": 6, "v_offset_mv": 2}, "an offset of"),
        ({"accuracy_pct": 4.3}, "resistors of 0.1 % and 25 ppm/K"),
        ({"accuracy_pct": 1.2, "v_sense_tolerance_pct": 0.5}, "a trim at final test"),
    ],
)
def test_each_cure_does_what_it_says(asked: dict[str, Any], cure: str) -> None:
    told = of(notes(**asked), "NOT reached")
    assert told.kind == "finding"
    assert cure in told.text
    assert "a one-sided target of" in told.text
    better: dict[str, Any] = {}
    if cure.startswith("a threshold"):
        share = float(re.search(r"a threshold of ([\d.]+) %", told.text)[1])  # type: ignore[index]
        better = {"v_sense_tolerance_pct": share}
    elif cure.startswith("an offset"):
        amount = float(re.search(r"an offset of ([\d.]+) mV", told.text)[1])  # type: ignore[index]
        better = {"v_offset_mv": amount}
    elif cure.startswith("resistors"):
        better = {
            "points": {"resistor_tolerance_pct": 0.1, "resistor_tempco_ppm_per_k": 25},
        }
    else:
        better = {
            "points": {"resistor_tolerance_pct": 0.0},
            "v_sense_tolerance_pct": 0.0,
            "v_offset_mv": 0.0,
        }
    assert not [n for n in notes(**{**asked, **better}) if "NOT reached" in n.text]


def test_a_charger_is_told_where_its_spec_counts_with_another_resistor() -> None:
    """5 A at 50 mV ask for 10 mohm; the spec counts with 20."""
    spec = spec_of(
        "lead-acid",
        "range",
        load={"resistance_sense_mohm": 20},
        set_points={"current": {"v_sense_mv": 50}},
    )
    assert (
        "10 mohm here, 20 mohm in load.resistance_sense"
        in of(list(current_notes(spec)), "counted with that").text
    )
    same = spec_of(
        "lead-acid",
        "range",
        load={"resistance_sense_mohm": 10},
        set_points={"current": {"v_sense_mv": 50}},
    )
    assert not [note for note in current_notes(same) if "counted with that" in note.text]
    assert ("set_points.current.v_sense", "50 mV", "0.05 V") in rows(same)


def test_a_regulated_current_without_a_loop_asks_and_a_rail_does_not() -> None:
    (asked,) = current_notes(spec_of("lithium", "range"))
    assert asked.text.startswith("not asked yet")
    assert not list(current_notes(spec_of("rail", "range")))


@pytest.mark.parametrize(
    ("load", "current", "told"),
    [
        ("rail", {"v_sense_mv": 50}, "a lamp or a charger, whose current is regulated"),
        ("lithium", {"v_sense_mv": 5, "v_offset_mv": 6}, "an offset below what is sensed"),
        ("lithium", {}, "v_sense"),
        ("lithium", {"v_sense_mv": 50, "resistors_pcs": 3}, "resistors_pcs"),
    ],
)
def test_loops_that_cannot_be_are_refused(load: str, current: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_spec(text_of(load, "range", set_points={"current": current}), path="use.toml")
    assert told in str(caught.value)
