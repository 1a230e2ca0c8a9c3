"""Every limit on one bench: it passes with one per cent to spare and falls alone without it.

The quantities that are limited come from the physics, which has its own tests; ratings and what a
policy leaves of them are worked out here by hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer import limits, verification
from optimizer.limits import Check
from tests import benches
from tests.benches import RINGING, TEMP_COLD, TOLERANCE, V_MAX, V_OUTPUT, Bench
from tests.oracles import brute_force, random_cases

NEAR = 0.01
"""Room on either side of a limit."""

ASKED = {
    "ripple-input": "input-bank: ripple voltage",
    "ripple-output": "output-bank: ripple voltage",
    "ripple-ratio": "inductor: ripple ratio",
    "temp-mosfet": "transistors: junction temperature",
    "temp-inductor": "inductor: part temperature",
    "temp-resistor": "sense-resistor: part temperature",
    "rise": "rise over ambient",
    "height": "height",
    "area": "whole set: area",
    "drive-current": "controller: drive current",
    "drive-heat": "controller: drive current",
    "on-time": "controller: on-time",
    "off-time": "controller: off-time",
    "chain-low": "limit chain, low end",
    "chain-high": "limit chain, high end",
    "floor-full": "whole set: loss under the floor",
    "floor-half": "whole set: loss under the floor",
    "floor-firm": "whole set: loss under the floor",
}
"""Limits a spec states as the quantity itself -> what must fall."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return benches.bench(tmp_path_factory.mktemp("bench"))


def fallen(bench: Bench) -> set[str]:
    """Names of the limits the set of the bench breaks."""
    sets = benches.one_set()
    held = brute_force.held_limits(benches.at_sizing(bench.stage(), sets), sets, ripple=True)
    return {name for name, good in held.items() if not good.all()}


def values(bench: Bench) -> dict[str, float]:
    """What the set of the bench reaches at each limit of a spec."""
    sets = benches.one_set()
    result = benches.at_sizing(bench.stage(), sets)
    found = random_cases.measured(result, sets, bench.prices())
    return {name: float(value[0]) for name, value in found.items()}


def test_bench_keeps_every_limit(bench: Bench) -> None:
    assert fallen(bench) == set()


@pytest.mark.parametrize("name", sorted(ASKED))
def test_limit_of_the_spec(bench: Bench, name: str) -> None:
    lower = name in random_cases.LOWER
    section, key, factor = (random_cases.LOWER if lower else random_cases.UPPER)[name]
    reached = values(bench)[name] * factor
    inside, outside = (1.0 - NEAR, 1.0 + NEAR) if lower else (1.0 + NEAR, 1.0 - NEAR)
    assert fallen(bench.with_spec(section, key, reached * inside)) == set()
    assert fallen(bench.with_spec(section, key, reached * outside)) == {ASKED[name]}


def test_thermal_gain(bench: Bench) -> None:
    """The row reaches 1 at the gain itself; found by halving between 1 % and 60 %."""
    low, high = 1.0, 60.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        if fallen(bench.with_spec("limits", "thermal_gain_max_pct", middle)):
            low = middle
        else:
            high = middle
    below = fallen(bench.with_spec("limits", "thermal_gain_max_pct", low * (1.0 - NEAR)))
    assert below == {"whole set: thermal gain row"}
    assert fallen(bench.with_spec("limits", "thermal_gain_max_pct", high * (1.0 + NEAR))) == set()


def test_thermal_gain_is_an_eigenvalue(bench: Bench) -> None:
    """At the limit the loop gain of heat and loss, written out as a matrix, is the one asked."""
    sets = benches.one_set()
    stage = bench.stage()
    result = benches.at_sizing(stage, sets)
    lane = int(np.argmax(np.where(limits.steady(stage), result.gain[0], -np.inf)))
    board, asked = stage.spec.board.board_k_per_w, stage.spec.limits.thermal_gain_max
    bridge = result.bridges[stage.topology.LEGS[0].name]
    found = [
        (part.slope[0, lane], float(stage.mosfets.rth[0, lane]))
        for part in (bridge.control, bridge.synchronous)
    ]
    copper = 0.0039 * result.scene.wave.i_rms[0, lane, 0] ** 2 * stage.inductors.dcr_20[0, lane]
    found.append((copper, float(stage.inductors.rth[0, 0])))
    jacobian = np.diag([slope for slope, _ in found])
    jacobian[0, 1] = bridge.slope_cross[0, lane]
    heat = np.diag([rth for _, rth in found]) + board
    gain = float(np.abs(np.linalg.eigvals(heat @ jacobian)).max())
    assert (gain < asked) == (result.gain[0, lane] < 1.0)
    section = ("limits", "thermal_gain_max_pct")
    assert fallen(bench.with_spec(*section, 100.0 * gain * 1.02)) == set()
    assert fallen(bench.with_spec(*section, 100.0 * gain * 0.98)) == {"whole set: thermal gain row"}


def test_loss_ceiling(bench: Bench) -> None:
    """The ceiling moves the state it is checked at, so it is looked for by halving."""
    low, high = 0.5, 9.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        if fallen(bench.with_spec("limits", "loss_ceiling_pct", middle)):
            low = middle
        else:
            high = middle
    tight = bench.with_spec("limits", "loss_ceiling_pct", low * (1.0 - NEAR))
    assert fallen(tight) == {"whole set: loss under the ceiling"}
    assert fallen(bench.with_spec("limits", "loss_ceiling_pct", high * (1.0 + NEAR))) == set()


def test_saturation_drop(bench: Bench) -> None:
    """Less inductance may be lost: the current limit reaches saturation, nothing else changes."""
    tight = bench.with_spec("limits", "saturation_drop_max_pct", 5.0)
    assert fallen(tight) == {"limit chain, high end"}


# --- ratings, worked out by hand ------------------------------------------------------------------

V_TOP = V_OUTPUT * (1.0 + TOLERANCE)

RATINGS: dict[str, tuple[str, str, float, str]] = {
    "drain voltage": (
        "mosfet",
        "v_drain_source_rating",
        V_MAX * (1.0 + RINGING) / 0.8,
        "transistors: drain voltage",
    ),
    "gate voltage": ("mosfet", "v_gate_source_rating", 7.6 / 0.8, "transistors: gate voltage"),
    "winding voltage": ("inductor", "v_winding_rating", V_MAX, "inductor: winding voltage"),
    "input capacitor": ("capacitor", "v_rating", V_MAX / 0.8, "input-bank: voltage"),
}
"""Name -> kind, column, the rating that is just enough under the commercial policy, what falls."""


@pytest.mark.parametrize("name", sorted(RATINGS))
def test_rating(bench: Bench, name: str) -> None:
    kind, column, enough, falls = RATINGS[name]
    assert fallen(bench.with_part(kind, **{column: enough * (1.0 + NEAR)})) == set()
    assert fallen(bench.with_part(kind, **{column: enough * (1.0 - NEAR)})) == {falls}


@pytest.mark.parametrize("kind", ["mosfet", "inductor", "capacitor", "resistor"])
def test_coldest_temperature(bench: Bench, kind: str) -> None:
    assert fallen(bench.with_part(kind, temp_min=TEMP_COLD - 0.1)) == set()
    assert fallen(bench.with_part(kind, temp_min=TEMP_COLD + 0.1)) == {"coldest temperature"}


@pytest.mark.parametrize("kind", ["mosfet", "inductor", "capacitor", "resistor"])
def test_height_of_every_kind(bench: Bench, kind: str) -> None:
    assert fallen(bench.with_part(kind, height=9.9e-3)) == set()
    assert fallen(bench.with_part(kind, height=10.1e-3)) == {"height"}


def test_junction_temperature_of_the_part(bench: Bench) -> None:
    """The commercial policy keeps 25 K below the junction rating."""
    enough = values(bench)["temp-mosfet"] + 25.0
    assert fallen(bench.with_part("mosfet", temp_junction_rating=enough + 0.1)) == set()
    tight = bench.with_part("mosfet", temp_junction_rating=enough - 0.1)
    assert fallen(tight) == {"transistors: junction temperature"}


def test_inductor_temperature_of_the_part(bench: Bench) -> None:
    """The commercial policy keeps 15 K below the part rating."""
    enough = values(bench)["temp-inductor"] + 15.0
    assert fallen(bench.with_part("inductor", temp_part_rating=enough + 0.1)) == set()
    tight = bench.with_part("inductor", temp_part_rating=enough - 0.1)
    assert fallen(tight) == {"inductor: part temperature"}


def ripple_currents(bench: Bench) -> dict[str, float]:
    """Largest ripple current of one capacitor at each node in continuous guaranteed lanes [A]."""
    stage = bench.stage()
    result = benches.at_sizing(stage, benches.one_set())
    steady = limits.steady(stage)
    return {node: float(bank.i_rms_first[0, steady].max()) for node, bank in result.banks.items()}


def test_ripple_current_of_ceramics(bench: Bench) -> None:
    """20 K of own heating at the stated kelvin per square ampere."""
    current = ripple_currents(bench)["input"]
    enough = 20.0 / current**2
    assert fallen(bench.with_part("capacitor", self_heating=enough * (1.0 - NEAR))) == set()
    tight = bench.with_part("capacitor", self_heating=enough * (1.0 + NEAR))
    assert fallen(tight) == {"input-bank: ripple current, first type"}


def test_ripple_current_of_cans(bench: Bench) -> None:
    """Nine tenths of the stated ripple current."""
    polymer = bench.with_text("capacitor", "technology", "polymer")
    polymer = polymer.with_part("capacitor", i_ripple_rating=20.0)
    assert fallen(polymer) == set()
    enough = ripple_currents(polymer)["input"] / 0.9
    assert fallen(polymer.with_part("capacitor", i_ripple_rating=enough * (1.0 + NEAR))) == set()
    tight = polymer.with_part("capacitor", i_ripple_rating=enough * (1.0 - NEAR))
    assert fallen(tight) == {"input-bank: ripple current, first type"}


def test_core_temperature_limits_ripple_current(bench: Bench) -> None:
    """What is left between the board and the part's limit is the heating a ceramic may have."""
    reached = values(bench)["temp-capacitor"]
    assert fallen(bench.with_spec("limits", "temp_capacitor_max_c", reached + 0.1)) == set()
    tight = bench.with_spec("limits", "temp_capacitor_max_c", reached - 0.1)
    assert fallen(tight) == {"input-bank: ripple current, first type"}


def test_power_of_the_sense_resistor(bench: Bench) -> None:
    """55 % of the power rating while the board is below the start of the derating line."""
    stage = bench.stage()
    result = benches.at_sizing(stage, benches.one_set())
    steady = limits.steady(stage)
    assert result.scene.state.temp_board[0, steady].max() < 70.0
    enough = float(result.sense.loss_each[0, steady].max()) / 0.55
    assert fallen(bench.with_part("resistor", power_rating=enough * 1.02)) == set()
    tight = bench.with_part("resistor", power_rating=enough * 0.98)
    assert fallen(tight) == {"sense-resistor: power"}


# --- transients -----------------------------------------------------------------------------------


def with_transient(bench: Bench, v_transient: float, seconds: float) -> Bench:
    found = bench.with_spec("source", "v_transient_max_v", v_transient)
    return found.with_spec("source", "time_transient_s", seconds)


def test_transient_share_of_the_drain_voltage(bench: Bench) -> None:
    """Nine tenths of the rating for a second; eight tenths once it lasts longer than ten."""
    v_transient = 1.2 * V_MAX
    enough = v_transient * (1.0 + RINGING) / 0.9
    lasting = v_transient * (1.0 + RINGING) / 0.8
    short, long = with_transient(bench, v_transient, 1.0), with_transient(bench, v_transient, 30.0)
    assert fallen(short.with_part("mosfet", v_drain_source_rating=enough * 1.001)) == set()
    falls = {"transistors: drain voltage"}
    assert fallen(short.with_part("mosfet", v_drain_source_rating=enough * 0.999)) == falls
    assert fallen(long.with_part("mosfet", v_drain_source_rating=lasting * 1.001)) == set()
    assert fallen(long.with_part("mosfet", v_drain_source_rating=lasting * 0.999)) == falls


def test_transient_is_spared_ripple_and_heat(bench: Bench) -> None:
    """A second at a higher input counts for the limit chain, not for the ripple ratio."""
    short = with_transient(bench, 1.3 * V_MAX, 1.0)
    long = with_transient(bench, 1.3 * V_MAX, 30.0)
    for name in ("ripple-ratio", "ripple-output"):
        assert values(short)[name] == pytest.approx(values(bench)[name], rel=1e-9)
        assert values(long)[name] > values(bench)[name] * 1.02
    assert values(short)["chain-low"] > values(bench)["chain-low"] * 1.005
    reached = values(short)["chain-low"] * 1e3
    chain = ("controller", "v_sense_min_mv")
    assert fallen(short.with_spec(*chain, reached * 0.999)) == {"limit chain, low end"}
    assert fallen(bench.with_spec(*chain, reached * 0.999)) == set()


# --- what a check says ----------------------------------------------------------------------------


def checked(value: list[float], allowed: list[float], *, at_least: bool = False) -> Check:
    lanes = np.array([True, True, False])
    return Check("x", "y", np.array([value]), np.array(allowed), lanes, "V", at_least=at_least)


@pytest.mark.parametrize(
    ("value", "holds"),
    [
        ([1.0, 2.0, 99.0], True),
        ([1.0, 2.0000001, 0.0], False),
        ([1.0, np.nan, 0.0], False),
        ([1.0, 1.0, np.nan], True),
    ],
)
def test_check_holds_where_it_applies(value: list[float], holds: bool) -> None:
    assert checked(value, [2.0, 2.0, 2.0]).holds().tolist() == [holds]


def test_lower_check() -> None:
    assert checked([3.0, 2.0, 0.0], [2.0, 2.0, 2.0], at_least=True).holds().all()
    assert not checked([3.0, 1.9, 0.0], [2.0, 2.0, 2.0], at_least=True).holds().any()


def test_margins() -> None:
    """(allowed - worst)/allowed; for temperatures over the ambient; not applied is NaN."""
    got = checked([1.0, np.nan, 5.0], [2.0, 2.0, 2.0]).margins()[0]
    assert got[0] == 0.5
    assert got[1] == -np.inf
    assert np.isnan(got[2])
    lanes = np.array([True])
    hot = Check("x", "t", np.array([[100.0]]), np.array([120.0]), lanes, "degC", base=40.0)
    assert hot.margins()[0, 0] == pytest.approx(20.0 / 80.0)


def test_every_limit_of_the_verification_is_tried(bench: Bench) -> None:
    """The names tests above make fall are all names there are, second bank types aside."""
    sets = benches.one_set()
    held = brute_force.held_limits(benches.at_sizing(bench.stage(), sets), sets, ripple=True)
    tried = {*ASKED.values(), *(falls for *_, falls in RATINGS.values())}
    tried |= {"coldest temperature", "whole set: thermal gain row", "sense-resistor: power"}
    tried |= {"whole set: loss under the ceiling", "input-bank: ripple current, first type"}
    same_code = {"output-bank: ripple current, first type", "output-bank: voltage"}
    assert set(held) - tried - same_code == {"finite loss"}


def test_judge_says_the_same(bench: Bench) -> None:
    """The verdict of `judge` is that of all its limits together."""
    sets = benches.one_set()

    def verdict(one: Bench) -> bool:
        scene, _ = brute_force.any_scene(one.stage(), sets)
        return bool(verification.judge(scene, sets).feasible[0])

    hot = values(bench)["temp-mosfet"]
    assert verdict(bench)
    assert not verdict(bench.with_spec("limits", "temp_mosfet_max_c", hot - 0.5))
    assert not verdict(bench.with_spec("controller", "v_sense_min_mv", 15.0))


def test_missing_drive_rating_never_passes(tmp_path: Path) -> None:
    """A transistor without a rating at so low a drive voltage has no on-resistance there."""
    cells = {
        "mosfet": {
            "rds_on_4v5_typ_mohm": "",
            "rds_on_4v5_max_mohm": "",
            "q_gate_4v5_typ_nc": "",
            "q_gate_4v5_max_nc": "",
        }
    }
    assert "finite loss" in fallen(benches.bench(tmp_path, cells))


@pytest.mark.parametrize("allowed", [45.0, 70.0, 110.0])
def test_a_limit_below_the_ambient_is_missed(allowed: float) -> None:
    """No part is cooler than its surroundings: the margin is negative where the limit fails."""
    value, ambient = np.array([[75.0, 90.0]]), np.array([70.0, 70.0])
    applies = np.ones(2, dtype=bool)
    check = Check(
        "coil", "part temperature", value, np.array(allowed), applies, "degC", base=ambient
    )
    negative = (check.margins() < 0.0).any(axis=1)
    assert (negative == ~check.holds()).all()
