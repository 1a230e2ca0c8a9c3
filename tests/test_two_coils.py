"""Stages with two coils as complete sets: power balance, the coils, limits, the whole command."""

from __future__ import annotations

import copy
import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import assembly, buying, conclude, evaluation, limits, verification
from optimizer.archive import part_set_of, read_run
from optimizer.assembly import Physics, Sets
from optimizer.catalog import read_catalog
from optimizer.cli import main
from optimizer.points import points
from optimizer.records import OUTPUT_DIODE, OUTPUT_LOW, WINDINGS, FloatArray
from optimizer.spec import parse_spec, read_spec
from optimizer.spec_board import read_board
from optimizer.stage import Stage, build_stage
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

SEEDS = (0, 1, 6, 8)


@functools.cache
def drawn(seed: int) -> Drawn:
    return own_states(random_cases.two_coil_case(seed), ending="sepic")


# --- power balance --------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_power_in_is_power_out_and_losses(seed: int) -> None:
    every_balance_holds(drawn(seed))


def test_the_balance_was_told_of_both_kinds() -> None:
    results = [(stage, sets, result) for s in SEEDS for stage, sets, result in drawn(s)]
    pieces = np.concatenate([sets.coil_pieces for _, sets, _ in results])
    assert {1, 2} == set(pieces.tolist())
    assert any(result.scene.wave.discontinuous.any() for *_, result in results)


@pytest.mark.parametrize("seed", SEEDS)
def test_halving_any_loss_breaks_the_balance(seed: int) -> None:
    for _, _, result in drawn(seed):
        every_half_shows(result)


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_one_set_is_a_batch_of_one(seed: int) -> None:
    every_set_is_a_batch_of_one(drawn(seed), 3)


# --- one bench ------------------------------------------------------------------------------------

V_OVER = 13.5


def data(**sections: dict[str, Any]) -> dict[str, Any]:
    """The bench as a stage with two coils and a diode."""
    found = copy.deepcopy(benches.DATA)
    record = found["controllers"].pop("buck")
    found["topologies"] = ["diode-sepic"]
    record = {key: value for key, value in record.items() if not key.startswith("time_dead")}
    record |= {"v_sense_min_mv": 30.0, "v_sense_typ_mv": 33.0, "v_sense_max_mv": 36.0}
    found["controllers"] = {"diode-sepic": record}
    found["load"]["i_output_a"] = 1.2
    found["limits"]["loss_ceiling_pct"] = 18.0
    found["limits"]["floors"] = found["limits"]["floors"][:1]
    for section, values in sections.items():
        where = found["controllers"]["diode-sepic"] if section == "controller" else found[section]
        where |= values
    return found


def stage_of(folder: Path, given: dict[str, Any], **cells: dict[str, str]) -> Stage:
    """The stage of a spec with one part of each kind; `cells` changes those of a kind."""
    for kind in ("mosfet", "diode", "inductor", "capacitor", "resistor"):
        row = catalog_samples.rows(kind, 1)[0] | ROOM.get(kind, {}) | cells.get(kind, {})
        catalog_samples.write(folder, kind, [row])
    spec = parse_spec(random_cases.toml(given))
    lanes = points(spec, "diode-sepic").lanes
    return build_stage(spec, "diode-sepic", lanes=lanes, tables=read_catalog(folder).tables)


ROOM: dict[str, dict[str, str]] = {
    "mosfet": {"v_drain_source_rating_v": "80"},
    "diode": {"v_reverse_rating_v": "80"},
    "inductor": {"inductance_typ_uh": "68", "temp_part_rating_c": "155"},
    "resistor": {"resistance_typ_mohm": "6"},
}


def one_set(stage: Stage, pieces: int = 8) -> Sets:
    plain = benches.one_set(pieces=pieces)
    held = dict(zip((OUTPUT_LOW, OUTPUT_DIODE), plain.transistor.values(), strict=True))
    bank = dict(plain.bank) | {"coupling": plain.bank["input"]}
    return replace(plain, transistor=held, bank=bank, coil_pieces=stage.coil_pieces(plain.coil))


def at_sizing(stage: Stage) -> Physics:
    sets = one_set(stage)
    scene = evaluation.sizing_scene(stage, sets.frequency, sets.coil)
    return assembly.evaluate(scene, sets)


def fallen(stage: Stage) -> set[str]:
    held = brute_force.held_limits(at_sizing(stage), one_set(stage), ripple=True)
    return {name for name, good in held.items() if not good.all()}


def test_the_set_keeps_every_limit(tmp_path: Path) -> None:
    assert fallen(stage_of(tmp_path, data())) == set()


def test_two_pieces_or_two_windings(tmp_path: Path) -> None:
    """Two pieces cost and take room twice; windings on one core see a larger inductance."""
    apart = stage_of(tmp_path, data())
    joined = stage_of(tmp_path, data(), inductor={"coupling_typ_pct": "80"})
    assert apart.coil_pieces(np.array([0])).tolist() == [2]
    assert joined.coil_pieces(np.array([0])).tolist() == [1]
    areas = [verification.areas(stage, one_set(stage))[0] for stage in (apart, joined)]
    assert areas[0] - areas[1] == pytest.approx(limits.body_area(apart, "inductor")[0])
    one, two = (at_sizing(stage).scene.operation.inductance for stage in (apart, joined))
    assert two == pytest.approx(1.8 * one, rel=0.05)
    prices = buying.prices(apart.spec, apart.tables)
    _, pieces = buying.slots(prices, one_set(apart))
    assert pieces[0, 0] == 2


def test_coil_losses_by_hand(tmp_path: Path) -> None:
    """Each winding with its own rms current and temperature."""
    found = at_sizing(stage_of(tmp_path, data()))
    wave, coil = found.scene.wave, found.coil
    rms = wave.winding_rms[0]
    one = coil.loss_copper[0] + coil.loss_ac[0]
    low = found.scene.stage.inductors.dcr_20[0] * (rms**2).sum(axis=-1)
    warm = coil.temp[0] > 20.0
    assert (coil.loss_copper[0] >= low)[warm].all()
    assert np.allclose(coil.loss[0], one + coil.loss_core[0])
    mean = wave.winding_mean[0]
    carried = sum(coil.drops[name][0] * mean[:, k] for k, name in enumerate(WINDINGS))
    assert np.allclose(carried + coil.loss_fed[0], coil.loss[0])


def test_switches_see_both_voltages_and_half_the_ripple(tmp_path: Path) -> None:
    """26 V and 12.24 V, a diode of a volt, half of 5 % ripple, 20 % ringing, 80 % derating."""
    volts = (26.0 + 12.0 * 1.02 + 1.0 + 0.5 * 0.05 * 26.0) * 1.2 / 0.8
    for factor, wanted in ((1.01, set()), (0.99, {"transistors: drain voltage"})):
        rating = {"v_drain_source_rating_v": str(factor * volts)}
        assert fallen(stage_of(tmp_path, data(), mosfet=rating)) == wanted
    for factor, wanted in ((1.01, set()), (0.99, {"diodes: reverse voltage"})):
        rating = {"v_reverse_rating_v": str(factor * volts)}
        assert fallen(stage_of(tmp_path, data(), diode=rating)) == wanted


def ripple(stage: Stage) -> FloatArray:
    return at_sizing(stage).banks["coupling"].v_ripple[0, limits.steady(stage)]


def test_ripple_of_the_coupling_bank(tmp_path: Path) -> None:
    """The spec's own limit, and what coupled windings make of it."""
    most = float(ripple(stage_of(tmp_path, data())).max())
    for factor, wanted in ((1.01, set()), (0.99, {"coupling-bank: ripple voltage"})):
        near = data(limits={"v_ripple_coupling_mv": 1e3 * factor * most})
        assert fallen(stage_of(tmp_path, near)) == wanted
    tight = stage_of(tmp_path, data(), inductor={"coupling_typ_pct": "99"})
    assert "coupling-bank: ripple voltage" in fallen(tight)


def test_sense_resistor_carries_the_switch(tmp_path: Path) -> None:
    found = at_sizing(stage_of(tmp_path, data()))
    wanted = found.scene.wave.position_rms[OUTPUT_LOW]
    assert np.array_equal(evaluation.i_sensed(found.scene), wanted)
    peak = found.scene.wave.i_peak[..., 0]
    assert verification.limit_chain(found).needed[0] == pytest.approx(peak.max(), rel=0.2)


def test_saturation_is_of_the_larger_winding(tmp_path: Path) -> None:
    """At the limit one of two coils carries the larger of duty and its rest."""
    apart = at_sizing(stage_of(tmp_path, data()))
    duty = apart.scene.wave.duty_output
    joined = at_sizing(stage_of(tmp_path, data(), inductor={"coupling_typ_pct": "80"}))
    one = apart.coil.i_saturation * np.maximum(duty, 1 - duty)
    two = joined.coil.i_saturation * 0.5
    assert np.allclose(one, two, rtol=0.05)


# --- the whole command ----------------------------------------------------------------------------


def job(folder: Path) -> Path:
    """A job a step-down stage cannot do: the input falls through the output."""
    tiny.write_catalogs(folder / "parts", v_drain_source_rating_v="80", inductance_typ_uh="68")
    catalog_samples.write(
        folder / "parts",
        "diode",
        [catalog_samples.rows("diode", 1)[0] | {"v_reverse_rating_v": "80"}],
    )
    given = tiny.spec_data()
    record = given["controllers"]["buck"]
    plain = {key: value for key, value in record.items() if not key.startswith("time_dead")}
    plain |= {"v_sense_min_mv": 30.0, "v_sense_typ_mv": 33.0, "v_sense_max_mv": 36.0}
    given["controllers"] = {"buck": record, "diode-sepic": plain}
    given["topologies"] = ["buck", "diode-sepic"]
    given["source"] |= {"v_min_v": 11.0, "v_nominal_v": 13.0, "v_max_v": 15.0}
    given["load"]["i_output_a"] = 0.8
    given["mission"] = {"rows": [random_cases._row(13.0, 60.0, 100.0)]}
    given["limits"] |= {"loss_ceiling_pct": 20.0, "thermal_gain_max_pct": 80.0}
    given["limits"]["floors"] = []
    return tiny.write_spec(folder, given)


def test_command_finds_verifies_and_keeps_a_stage_with_two_coils(tmp_path: Path) -> None:
    spec = job(tmp_path)
    assert main(["front", str(spec), "--runs", str(tmp_path / "runs")]) == 0
    run = read_run(tmp_path / "runs" / "tiny")
    assert [one["topology"] for one in run["refused"]] == ["buck"]
    assert all(point["proof"] for point in run["points"])
    part_set = part_set_of(run, run["points"][0]["number"], place="tiny")
    assert part_set.topology == "diode-sepic"
    assert part_set.bank_coupling
    read = read_spec(spec)
    verified, _ = conclude.verify_board(read, read_catalog(read.catalogs), part_set)
    assert not verified.failures
    assert float(np.nanmax(verified.balance_error)) < BALANCE
    coil = next(line for line in verified.bill if "inductor" in line.positions)
    assert coil.pieces == 2
    assert verified.cost == pytest.approx(run["points"][0]["cost"], abs=1e-4)
    header = (tmp_path / "runs" / "tiny" / "front.csv").read_text().splitlines()[0]
    assert "coupling-bank" in header


def test_a_board_file_with_two_coils(tmp_path: Path) -> None:
    text = """
topology = "diode-sepic"
frequency_khz = 300
[positions]
output-low = { part_number = "A" }
output-diode = { part_number = "B" }
inductor = { part_number = "C" }
sense-resistor = { part_number = "D" }
input-bank = [{ part_number = "E", pieces = 4 }]
output-bank = [{ part_number = "E", pieces = 3 }]
coupling-bank = [{ part_number = "E", pieces = 2 }]
"""
    path = tmp_path / "board.toml"
    path.write_text(text)
    assert read_board(path).part_set.bank_coupling == (("E", 2),)
