"""Stages with a diode as complete sets: power balance, limits, columns, and the whole command."""

from __future__ import annotations

import copy
import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import assembly, conclude, evaluation, limits, search, verification
from optimizer.assembly import Physics, Sets
from optimizer.catalog import read_catalog
from optimizer.errors import InputError
from optimizer.points import dense_lanes, points
from optimizer.records import INPUT_DIODE
from optimizer.results import PartSet
from optimizer.spec import parse_spec, read_spec
from optimizer.stage import Stage, build_stage, lanes_where
from tests import benches, catalog_samples, tiny
from tests.oracles import brute_force, random_cases
from tests.test_verification import (
    BALANCE,
    Drawn,
    every_balance_holds,
    every_half_shows,
    every_set_is_a_batch_of_one,
    own_states,
)

SEEDS = (0, 2, 3, 4, 10)
RESTING_LEAST = 30
"""Lanes of all seeds in which the current rests, at least."""


@functools.cache
def drawn(seed: int) -> Drawn:
    return own_states(random_cases.rectified_case(seed))


# --- power balance --------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_power_in_is_power_out_and_losses(seed: int) -> None:
    every_balance_holds(drawn(seed))


def test_the_balance_was_told_of_resting_currents() -> None:
    resting = [result.scene.wave.discontinuous.sum() for s in SEEDS for _, _, result in drawn(s)]
    assert sum(resting) > RESTING_LEAST


@pytest.mark.parametrize("seed", SEEDS)
def test_halving_any_loss_breaks_the_balance(seed: int) -> None:
    for _, _, result in drawn(seed):
        every_half_shows(result)


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_one_set_is_a_batch_of_one(seed: int) -> None:
    every_set_is_a_batch_of_one(drawn(seed), 3)


# --- one bench ------------------------------------------------------------------------------------


def data(**sections: dict[str, Any]) -> dict[str, Any]:
    """The bench as a stage with a diode."""
    found = copy.deepcopy(benches.DATA)
    record = found["controllers"].pop("buck")
    found["topologies"] = ["diode-buck"]
    record = {key: value for key, value in record.items() if not key.startswith("time_dead")}
    found["controllers"] = {"diode-buck": record}
    for section, values in sections.items():
        where = found["controllers"]["diode-buck"] if section == "controller" else found[section]
        where |= values
    return found


def stage_of(folder: Path, given: dict[str, Any], **diode: str) -> Stage:
    """The stage of a spec with one part of each kind; `diode` changes cells of the diode."""
    for kind in ("mosfet", "diode", "inductor", "capacitor", "resistor"):
        row = catalog_samples.rows(kind, 1)[0] | (diode if kind == "diode" else {})
        catalog_samples.write(folder, kind, [row])
    spec = parse_spec(random_cases.toml(given))
    lanes = points(spec, "diode-buck").lanes
    return build_stage(spec, "diode-buck", lanes=lanes, tables=read_catalog(folder).tables)


def one_set() -> Sets:
    sets = benches.one_set()
    held = dict(zip(("input-high", INPUT_DIODE), sets.transistor.values(), strict=True))
    return replace(sets, transistor=held)


def fallen(stage: Stage) -> set[str]:
    """Names of the limits the set breaks."""
    scene = evaluation.sizing_scene(stage, one_set().frequency, one_set().coil)
    result = assembly.evaluate(scene, one_set())
    held = brute_force.held_limits(result, one_set(), ripple=True)
    return {name for name, good in held.items() if not good.all()}


def diode_temp(stage: Stage) -> float:
    scene = evaluation.sizing_scene(stage, one_set().frequency, one_set().coil)
    found = assembly.evaluate(scene, one_set()).bridges["input leg"].synchronous.temp_junction
    return float(found[0, limits.steady(stage)].max())


def test_the_set_keeps_every_limit(tmp_path: Path) -> None:
    assert fallen(stage_of(tmp_path, data())) == set()


def test_limits_of_a_diode_fall_alone(tmp_path: Path) -> None:
    stage = stage_of(tmp_path, data())
    hot = diode_temp(stage)
    for room, wanted in ((1.0, set()), (-1.0, {"diodes: diode junction temperature"})):
        near = stage_of(tmp_path, data(limits={"temp_diode_max_c": hot + room}))
        assert fallen(near) == wanted
    volts = benches.V_MAX * (1 + benches.RINGING) / 0.8
    for factor, wanted in ((1.01, set()), (0.99, {"diodes: reverse voltage"})):
        assert fallen(stage_of(tmp_path, data(), v_reverse_rating_v=str(factor * volts))) == wanted
    share = 1.0 - benches.V_OUTPUT * 1.02 / benches.V_MAX
    mean = benches.I_OUTPUT * share / 0.75
    for factor, wanted in ((1.06, set()), (0.9, {"diodes: average current"})):
        near = stage_of(
            tmp_path, data(), i_forward_rating_a=str(factor * mean), i_forward_test_a="8"
        )
        assert fallen(near) == wanted


WORSE = {
    "forward": {"v_forward_max_v": "0.9"},
    "reverse": {"i_reverse_max_ma": "20", "i_reverse_125c_max_ma": "400"},
}


@pytest.mark.parametrize("name", sorted(WORSE))
def test_expected_passes_and_guaranteed_fails(tmp_path: Path, name: str) -> None:
    """A diode with a bad limit value: its temperature falls, typical losses stay."""
    good = stage_of(tmp_path, data())
    near = data(limits={"temp_diode_max_c": diode_temp(good) + 2.0})
    bad = stage_of(tmp_path, near, **WORSE[name])
    assert "diodes: diode junction temperature" in fallen(bad)
    told = [
        verification.objectives(assembly.own_physics(stage, one_set()))[0][0]
        for stage in (stage_of(tmp_path, near), bad)
    ]
    assert told[0] == pytest.approx(told[1], rel=1e-9)


def test_a_leaky_diode_runs_away_and_fails(tmp_path: Path) -> None:
    leaky = stage_of(tmp_path, data(), i_reverse_max_ma="90", i_reverse_125c_max_ma="60000")
    assert "finite loss" in fallen(leaky)


def test_on_time_at_light_load_is_judged_by_name(tmp_path: Path) -> None:
    light = data(mission={"rows": [random_cases._row(24.0, 1.0, 100.0)]})
    kept = stage_of(tmp_path, light | {"limits": light["limits"]})
    state = assembly.own_physics(kept, one_set())
    named = kept.lanes.bracket == 0
    on = float(state.scene.wave.time_on_min[0, named].min())
    assert state.scene.wave.discontinuous[0, named].any()
    for factor, wanted in ((0.9, True), (1.1, False)):
        record = {"time_on_min_ns": factor * on * 1e9}
        stage = stage_of(tmp_path, data(mission=light["mission"], controller=record))
        result = assembly.own_physics(stage, one_set())
        held = brute_force.held_limits(result, one_set(), ripple=True)
        assert held["controller: on-time at light load"].all() == wanted


def test_dense_sweep_finds_nothing_worse_at_partial_load(tmp_path: Path) -> None:
    """Peak current, bank currents and the diode's temperature are worst at the points kept."""
    stage = stage_of(tmp_path, data())
    swept = replace_lanes(stage, 9)
    for name in ("i_peak", "i_input_rms_ac", "i_output_rms_ac"):
        most, found = (
            float(np.nanmax(getattr(at_sizing(s).scene.wave, name)[0, limits.firm(s)]))
            for s in (stage, swept)
        )
        assert found <= most * (1 + 1e-6), name
    assert diode_temp(swept) <= diode_temp(stage) + 1e-6


def at_sizing(stage: Stage) -> Physics:
    scene = evaluation.sizing_scene(stage, one_set().frequency, one_set().coil)
    return assembly.evaluate(scene, one_set())


def replace_lanes(stage: Stage, count: int) -> Stage:
    """The stage in a dense sweep of inputs and loads that leave something to deliver."""
    lanes = dense_lanes(stage.spec, "diode-buck", count)
    loaded = lanes_where(lanes, lanes.i_output > 0)
    return build_stage(stage.spec, "diode-buck", lanes=loaded, tables=stage.tables)


# --- the spec -------------------------------------------------------------------------------------


def test_no_load_refuses_a_diode_by_name() -> None:
    given = data(mission={"rows": [random_cases._row(24.0, 0.0, 100.0)]})
    reason = search.refusal(parse_spec(random_cases.toml(given)), "diode-buck")
    assert reason is not None
    assert "pulses would be skipped" in reason


def test_pulse_skipping_is_refused_by_name() -> None:
    given = copy.deepcopy(benches.DATA)
    given["controllers"]["buck"]["light_load"] = "pulse skip"
    with pytest.raises(InputError, match="a mode without a model here"):
        parse_spec(random_cases.toml(given))


def test_a_record_beside_a_diode_has_no_dead_time() -> None:
    given = data(controller={"time_dead_on_ns": 30})
    with pytest.raises(InputError, match="time_dead_on_ns"):
        parse_spec(random_cases.toml(given))


def test_points_name_what_is_excluded() -> None:
    spec = parse_spec(random_cases.toml(data()))
    said = [note.text for note in points(spec, "diode-buck").dropped]
    assert any(text.startswith("pulse skipping") for text in said)


# --- the whole command ----------------------------------------------------------------------------


def job(folder: Path) -> Path:
    """The tiny job, to be done by transistors or with one of two diodes."""
    tiny.write_catalogs(folder / "parts")
    rows = [
        catalog_samples.rows("diode", 1)[0] | {"part_number": name, "price_breaks_each": price}
        for name, price in (("D-FINE", "1:0.9 100:0.35"), ("D-CHEAP", "1:0.4 100:0.22"))
    ]
    rows[1] |= {"v_forward_typ_v": "0.68", "v_forward_max_v": "0.75"}
    catalog_samples.write(folder / "parts", "diode", rows)
    given = tiny.spec_data()
    record = given["controllers"]["buck"]
    plain = {key: value for key, value in record.items() if not key.startswith("time_dead")}
    given["controllers"]["diode-buck"] = plain | {"cost_each": 1.2}
    given["topologies"] = ["buck", "diode-buck"]
    return tiny.write_spec(folder, given)


def test_both_compete_on_one_front_and_every_point_verifies(tmp_path: Path) -> None:
    spec = read_spec(job(tmp_path))
    catalog = read_catalog(spec.catalogs)
    run = conclude.front(spec, catalog)
    held = {point.verified.part_set.topology for point in run.points}
    assert held == {"buck", "diode-buck"}
    for point in run.points:
        assert not point.verified.failures
        assert float(np.nanmax(point.verified.balance_error)) < BALANCE
        again, _ = conclude.verify_board(spec, catalog, point.verified.part_set)
        assert again.loss_mission == pytest.approx(point.verified.loss_mission, rel=1e-9)
        bought = {line.part_number for line in again.bill}
        assert bool(bought & {"D-FINE", "D-CHEAP"}) == (again.part_set.topology == "diode-buck")


def test_a_transistor_is_no_diode(tmp_path: Path) -> None:
    spec = read_spec(job(tmp_path))
    catalog = read_catalog(spec.catalogs)
    point = next(
        p
        for p in conclude.front(spec, catalog).points
        if p.verified.part_set.topology == "diode-buck"
    )
    wrong: PartSet = replace(
        point.verified.part_set,
        transistors=dict(point.verified.part_set.transistors) | {INPUT_DIODE: ("M-FINE", 1)},
    )
    with pytest.raises(InputError, match="a mosfet"):
        conclude.verify_board(spec, catalog, wrong)
