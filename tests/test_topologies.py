"""Every topology passes the common battery and refuses with the reason."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.records import (
    INPUT_HIGH,
    OUTPUT_HIGH,
    REGION_DOWN,
    REGION_UP,
    REGION_WINDOW,
    Window,
)
from optimizer.topologies import TOPOLOGIES
from optimizer.topologies.intervals import lane_table
from tests.contracts import WINDOWS, check_topology

FOUR = TOPOLOGIES["four-switch"]
BAND = {"v_input_min": 14.4, "v_input_max": 33.6, "v_output_min": 19.0, "v_output_max": 19.0}


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_battery(name: str) -> None:
    assert name == TOPOLOGIES[name].NAME
    check_topology(TOPOLOGIES[name])


def test_refusals_name_the_voltages() -> None:
    assert TOPOLOGIES["boost"].refusal(**BAND) == "input 33.6 V reaches the output 19 V"
    assert TOPOLOGIES["buck"].refusal(**BAND) == "input 14.4 V falls to the output 19 V"
    assert FOUR.refusal(**BAND) is None


def test_no_refusal_where_the_bands_are_apart() -> None:
    assert TOPOLOGIES["boost"].refusal(**(BAND | {"v_input_max": 18.9})) is None
    assert TOPOLOGIES["buck"].refusal(**(BAND | {"v_input_min": 19.1})) is None


@pytest.mark.parametrize("name", ["buck", "boost"])
def test_equal_voltages_are_refused(name: str) -> None:
    same = dict.fromkeys(BAND, 19.0)
    assert TOPOLOGIES[name].refusal(**same) is not None


def test_output_high_conducts_always_stepping_down_and_input_high_stepping_up() -> None:
    for region, position in ((REGION_DOWN, OUTPUT_HIGH), (REGION_UP, INPUT_HIGH)):
        pattern = FOUR.pattern(region, None)
        used = (pattern.base != 0) | (pattern.slope != 0)
        assert np.all(pattern.conducts[position][used] == 1)


@pytest.mark.parametrize("window", WINDOWS, ids=str)
def test_window_law_is_the_volt_second_balance_of_its_pattern(window: Window) -> None:
    """Every cycle: Vin Da = Vout (1 - Dc); alternating: Vin (1 + Da) = Vout (2 - Dc)."""
    pattern = FOUR.pattern(REGION_WINDOW, window)
    for duty in (0.3, 0.7):
        share = pattern.base + pattern.slope * duty
        d_input, d_output = (
            law[0] + law[1] * duty for law in (pattern.duty_input, pattern.duty_output)
        )
        on_input = (share @ pattern.winding_input)[0]
        on_output = -(share @ pattern.winding_output)[0]
        extra = pattern.cycles - 1
        assert on_input * pattern.cycles == pytest.approx(extra + d_input)
        assert on_output * pattern.cycles == pytest.approx(pattern.cycles - d_output)


def test_the_held_duty_is_the_one_the_law_names() -> None:
    for window in WINDOWS:
        pattern = FOUR.pattern(REGION_WINDOW, window)
        held = pattern.duty_output if window.law == "output duty" else pattern.duty_input
        assert held == (window.duty, 0.0)


def test_centre_splits_the_both_high_interval_in_two_equal_halves() -> None:
    window = Window(0.9, 1.15, 0.02, "output duty", 0.2, "centre", 1.0)
    share = FOUR.pattern(REGION_WINDOW, window)
    length = share.base + 0.8 * share.slope
    assert np.allclose(length, [0.3, 0.2, 0.3, 0.2])


def test_edges_belong_to_both_regions_within_their_tolerance() -> None:
    window = Window(0.9, 1.15, 0.02, "output duty", 0.2, "start", 1.0)
    found = [
        FOUR.regions_of(v_input=ratio * 24, v_output=24.0, window=window)
        for ratio in (0.5, 0.89, 0.91, 1.0, 1.14, 1.16, 2.0)
    ]
    both_low, both_high = (REGION_WINDOW, REGION_UP), (REGION_DOWN, REGION_WINDOW)
    assert found == [
        (REGION_UP,),
        both_low,
        both_low,
        (REGION_WINDOW,),
        both_high,
        both_high,
        (REGION_DOWN,),
    ]


def test_regions_without_a_window_law_are_two() -> None:
    assert FOUR.regions_of(v_input=25.0, v_output=24.0, window=None) == (REGION_DOWN,)
    assert FOUR.regions_of(v_input=23.0, v_output=24.0, window=None) == (REGION_UP,)


@pytest.mark.parametrize("name", ["buck", "boost"])
def test_a_region_a_stage_lacks_is_not_offered(name: str) -> None:
    table = lane_table(TOPOLOGIES[name], np.array([0, 1, 2]), WINDOWS[0])
    assert table.offered.tolist() == [r in TOPOLOGIES[name].REGIONS for r in (0, 1, 2)]
    with pytest.raises(ValueError, match="need step"):
        TOPOLOGIES[name].pattern(REGION_WINDOW, WINDOWS[0])


def test_the_window_needs_its_law() -> None:
    with pytest.raises(ValueError, match="need one for the window region"):
        FOUR.pattern(REGION_WINDOW, None)
