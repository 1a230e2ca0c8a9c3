"""Complete sets at their own state: power balance, fixed point, batches, and the right columns."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from optimizer import assembly, buying, evaluation, limits, verification
from optimizer.assembly import Physics, Sets
from optimizer.points import points
from optimizer.records import FloatArray, State
from optimizer.spec import parse_spec
from optimizer.stage import Stage, build_stage
from tests import benches
from tests.benches import Bench
from tests.oracles import brute_force, random_cases
from tests.oracles.random_cases import Case

SEEDS = (0, 1, 3, 4, 7, 20)
"""Random cases of all topologies, one of them with a source impedance."""

HALF = 0.5
BALANCE = 1e-3


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return benches.bench(tmp_path_factory.mktemp("bench"))


Drawn = list[tuple[Stage, Sets, Physics]]


def own_states(case: Case, *, ending: str = "", count: int = 8) -> Drawn:
    """Sets of a random case at their own states, one entry per topology with a name so ending."""
    found = []
    for name, stage in brute_force.stages(case.spec, case.catalog).items():
        if name.endswith(ending):
            sets = brute_force.all_sets(case.spec, stage)
            sets = sets.take(np.linspace(0, len(sets) - 1, count).astype(np.int64))
            found.append((stage, sets, assembly.own_physics(stage, sets)))
    return found


@functools.cache
def drawn(seed: int) -> Drawn:
    return own_states(random_cases.random_case(seed))


# --- power balance --------------------------------------------------------------------------------


def every_balance_holds(states: Drawn) -> None:
    for stage, _, result in states:
        rests = np.isfinite(result.total).all(axis=1)
        assert rests.mean() > 0.5, f"{stage.topology.NAME}: most sets find no rest"
        assert assembly.balance_error(result)[rests].max() <= BALANCE


@pytest.mark.parametrize("seed", SEEDS)
def test_power_in_is_power_out_and_losses(seed: int) -> None:
    every_balance_holds(drawn(seed))


def halved(result: Physics, part: str, mechanism: str) -> Physics:
    """The same physics with one loss reported at half of what it is."""
    losses = dict(result.losses)
    losses[part, mechanism] = HALF * losses[part, mechanism]
    total = np.sum(np.broadcast_arrays(*losses.values()), axis=0)
    return replace(result, losses=losses, total=total)


def every_half_shows(result: Physics) -> None:
    """The two sides are computed apart: whatever share a loss has of the input shows in full.

    Where it is more than twice the allowed error, that is far outside; the smaller ones show as
    exactly their half. The input side does not follow the halved loss.
    """
    entering = result.scene.operation.v_input * (
        result.scene.wave.i_input_mean + result.scene.state.i_input_extra
    )
    finite = np.isfinite(result.total)
    for (part, mechanism), loss in result.losses.items():
        error = assembly.balance_error(halved(result, part, mechanism))
        share = np.broadcast_to(HALF * loss / entering, error.shape)
        assert np.allclose(error[finite], share[finite], atol=1e-6), (part, mechanism)
        large = finite & (share > BALANCE)
        assert (error[large] > 0.99 * BALANCE).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_halving_any_loss_breaks_the_balance(seed: int) -> None:
    for _, _, result in drawn(seed):
        every_half_shows(result)


def rough(bench: Bench) -> Bench:
    """A stage in which every loss matters: slow gates, long dead times, a wide loop, lossy bank."""
    rough = bench.with_spec("controller", "r_gate_external_ohm", 15.0)
    for key, value in (("time_dead_on_ns", 40), ("time_dead_off_ns", 200), ("i_quiescent_ma", 20)):
        rough = rough.with_spec("controller", key, value)
    rough = rough.with_spec("controller", "frequencies_khz", [500])
    rough = rough.with_spec("board", "inductance_loop_nh", 60.0)
    rough = rough.with_spec("board", "resistance_mohm", 40.0)
    rough = rough.with_part("capacitor", esr_typ=0.3, esr_max=0.4)
    on = dict.fromkeys(("rds_on_10v_typ", "rds_on_4v5_typ"), 0.03)
    on |= dict.fromkeys(("rds_on_10v_max", "rds_on_4v5_max"), 0.04)
    rough = rough.with_part("mosfet", q_recovery_typ=3e-7, q_recovery_max=4e-7, **on)
    rough = rough.with_part("resistor", resistance_typ=0.02)
    return rough.with_part("inductor", inductance_typ=6e-6, resistance_ac_300khz_typ=0.4)


def test_halving_breaks_a_balance_of_one_per_mille(bench: Bench) -> None:
    """Each loss on its own, halved, is seen in some lane as more than the error allowed."""
    stage = rough(bench).stage()
    result = assembly.own_physics(stage, replace(benches.one_set(), frequency=np.array([5e5])))
    assert np.nanmax(assembly.balance_error(result)) <= BALANCE
    for part, mechanism in result.losses:
        error = np.nanmax(assembly.balance_error(halved(result, part, mechanism)))
        never = (part, mechanism) in NEVER
        assert (error <= BALANCE) == never, (part, mechanism, error)


NEVER = {
    ("input-low", "turn-on"),
    ("input-low", "output charge"),
    ("input-low", "recovery"),
    ("input-low", "turn-off"),
    ("input-low", "loop"),
    ("input-high", "dead time"),
}
"""What a synchronous transistor loses only while the current flows backwards, and a control one."""


# --- the state ------------------------------------------------------------------------------------


def distance(one: State, other: State) -> float:
    """Largest relative difference of two states."""
    pairs: list[tuple[FloatArray, FloatArray]] = [
        (one.i_input_extra, other.i_input_extra),
        (one.i_output_extra, other.i_output_extra),
        (one.resistance_series, other.resistance_series),
        (one.temp_board + 273.15, other.temp_board + 273.15),
        *((one.resistance[p], other.resistance[p]) for p in one.resistance),
    ]
    worst = 0.0
    for a, b in pairs:
        a, b = np.broadcast_arrays(a, b)
        fine = np.isfinite(a) & np.isfinite(b)
        scale = np.maximum(np.abs(a), np.nanmax(np.abs(a)) * 1e-3 + 1e-12)
        worst = max(worst, float((np.abs(a - b) / scale)[fine].max()))
    return worst


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_own_state_is_a_fixed_point(seed: int) -> None:
    """What the losses of the state make of the state is the state again."""
    for _, _, result in drawn(seed):
        assert distance(result.scene.state, assembly.next_state(result)) < 1e-7


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_own_state_does_not_depend_on_the_start(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    for stage, sets, result in drawn(seed):
        monkeypatch.setattr(assembly, "LOSS_FIRST", 0.08)
        other = assembly.own_physics(stage, sets)
        monkeypatch.undo()
        assert np.allclose(result.total, other.total, rtol=1e-7, equal_nan=True)


def every_set_is_a_batch_of_one(states: Drawn, step: int) -> None:
    for stage, sets, result in states:
        for row in range(0, len(sets), step):
            alone = assembly.own_physics(stage, sets.take(np.array([row])))
            assert np.allclose(alone.total[0], result.total[row], rtol=1e-8, equal_nan=True)
            for node, bank in alone.banks.items():
                many = result.banks[node].v_ripple[row]
                assert np.allclose(bank.v_ripple[0], many, rtol=1e-6, equal_nan=True)


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_one_set_is_a_batch_of_one(seed: int) -> None:
    every_set_is_a_batch_of_one(drawn(seed), 2)


def test_judge_of_one_is_judge_of_many() -> None:
    case = random_cases.random_case(7)
    for stage in brute_force.stages(case.spec, case.catalog).values():
        sets = brute_force.all_sets(case.spec, stage)
        sets = sets.take(np.linspace(0, len(sets) - 1, 24).astype(np.int64))
        scene, row = brute_force.any_scene(stage, sets)
        many = verification.judge(scene.take(row), sets)
        for k in range(len(sets)):
            at = np.array([k])
            one = verification.judge(scene.take(row[at]), sets.take(at))
            assert one.feasible[0] == many.feasible[k]
            assert one.loss_mission[0] == pytest.approx(many.loss_mission[k], rel=1e-9)
            assert one.loss_worst[0] == pytest.approx(many.loss_worst[k], rel=1e-9)


def test_set_at_the_reference_of_itself_is_at_its_own_state(bench: Bench) -> None:
    """Judged at its own reference, a set loses what its own state says."""
    stage, sets = bench.stage(), benches.one_set()
    own = verification.objectives(assembly.own_physics(stage, sets))[0]
    reference = verification.reference_of(stage, sets)
    judged = verification.judge(verification.given_scene(stage, reference), sets)
    assert judged.loss_mission[0] == pytest.approx(own[0], rel=1e-8)


def test_sizing_lanes_do_not_follow_the_reference(bench: Bench) -> None:
    stage, sets = bench.stage(), benches.one_set(count=2, pieces=3)
    held = stage.sizing
    reference = verification.reference_of(stage, benches.one_set())
    given = verification.given_scene(stage, reference)
    sized = evaluation.sizing_scene(stage, sets.frequency[:1], sets.coil[:1])
    assert np.allclose(given.wave.i_peak[:, held], sized.wave.i_peak[:, held], rtol=1e-12)
    assert not np.allclose(given.wave.i_mean[:, ~held], sized.wave.i_mean[:, ~held], rtol=1e-6)


def test_mission_loss_is_the_weighted_sum(bench: Bench) -> None:
    """Shares of time times watts, over the mission rows alone; 60 % of the load here."""
    stage, sets = bench.stage(), benches.one_set()
    result = assembly.own_physics(stage, sets)
    mission, worst = verification.objectives(result)
    lanes = stage.lanes
    rows = [k for k, share in enumerate(lanes.share) if share > 0.0]
    assert [lanes.i_output[k] for k in rows] == pytest.approx([0.6 * benches.I_OUTPUT])
    assert mission[0] == pytest.approx(sum(lanes.share[k] * result.total[0, k] for k in rows))
    hottest = [
        result.total[0, k]
        for k in range(len(lanes))
        if lanes.guaranteed[k]
        and not lanes.transient[k]
        and lanes.full_load[k]
        and lanes.temp_ambient[k] == benches.TEMP_HOT
        and lanes.bracket[k] == 1
    ]
    assert worst[0] == pytest.approx(max(hottest))


# --- expected passes, guaranteed fails ------------------------------------------------------------

COLUMNS: Mapping[str, tuple[str, Mapping[str, float], str]] = {
    "on-resistance": (
        "mosfet",
        {"rds_on_10v_max": 9.0, "rds_on_4v5_max": 9.0},
        "transistors: junction temperature",
    ),
    "winding": ("inductor", {"dcr_max": 9.0}, "inductor: part temperature"),
    "ESR": ("capacitor", {"esr_max": 30.0}, "output-bank: ripple voltage"),
    "tolerance": ("resistor", {"resistance_tolerance": 20.0}, "limit chain, low end"),
}
"""What only the limit column of a part holds -> the factor on it and the limit that falls."""


def close_to(bench: Bench) -> Bench:
    """The bench with the limits concerned a little above what it reaches."""
    sets = benches.one_set()
    result = benches.at_sizing(bench.stage(), sets)
    values = random_cases.measured(result, sets, bench.prices())
    for name in ("temp-mosfet", "temp-inductor", "ripple-output", "chain-low"):
        section, key, factor = random_cases.UPPER[name]
        reached = float(values[name][0]) * factor
        near = reached + 2.0 if name.startswith("temp") else reached * 1.15
        bench = bench.with_spec(section, key, near)
    return bench


def judged(bench: Bench) -> dict[str, bool]:
    sets = benches.one_set()
    result = benches.at_sizing(bench.stage(), sets)
    held = brute_force.held_limits(result, sets, ripple=True)
    return {name: bool(good.all()) for name, good in held.items()}


@pytest.mark.parametrize("name", sorted(COLUMNS))
def test_expected_passes_and_guaranteed_fails(bench: Bench, name: str) -> None:
    """A part with a good typical and a bad limit value: the limit falls, typical losses stay."""
    kind, factors, falls = COLUMNS[name]
    near = close_to(bench)
    assert judged(near)[falls]
    table = near.tables[kind]
    worse = {column: float(table.numbers[column][0]) * f for column, f in factors.items()}
    bad = near.with_part(kind, **worse)
    assert not judged(bad)[falls]
    sets = benches.one_set()
    good_loss, bad_loss = (
        verification.objectives(assembly.own_physics(b.stage(), sets))[0][0] for b in (near, bad)
    )
    assert bad_loss == pytest.approx(good_loss, rel=1e-9)


TYPICAL: Mapping[str, tuple[str, Mapping[str, float]]] = {
    "on-resistance": ("mosfet", {"rds_on_10v_typ": 0.5, "rds_on_4v5_typ": 0.5}),
    "winding": ("inductor", {"dcr_typ": 0.5}),
    "ESR": ("capacitor", {"esr_typ": 0.2}),
}


@pytest.mark.parametrize("name", sorted(TYPICAL))
def test_typical_value_does_not_reach_the_limits(bench: Bench, name: str) -> None:
    """A better typical value lowers the mission loss and leaves guaranteed losses alone."""
    kind, factors = TYPICAL[name]
    better = {c: float(bench.tables[kind].numbers[c][0]) * f for c, f in factors.items()}
    sets = benches.one_set()
    results = [benches.at_sizing(b.stage(), sets) for b in (bench, bench.with_part(kind, **better))]
    stage = results[0].scene.stage
    firm = stage.lanes.guaranteed
    before, after = (result.total[0] for result in results)
    assert (after[~firm] < before[~firm]).all()
    if name == "winding":  # the typical resistance also says how the rated current was found
        return
    assert np.allclose(after[firm], before[firm], rtol=1e-9)


# --- limits that bite -----------------------------------------------------------------------------


def test_more_ceramics_less_ripple(bench: Bench) -> None:
    """One piece more at the output brings a set back under a ripple limit it broke."""
    stage = bench.stage()
    steady = limits.steady(stage)
    ripple = [
        float(
            benches.at_sizing(stage, benches.one_set(pieces=n))
            .banks["output"]
            .v_ripple[0, steady]
            .max()
        )
        for n in (2, 3)
    ]
    assert ripple[1] < ripple[0]
    tight = bench.with_spec("limits", "v_ripple_output_mv", 500.0 * (ripple[0] + ripple[1]))
    kept = []
    for pieces in (2, 3):
        sets = benches.one_set(pieces=pieces)
        result = benches.at_sizing(tight.stage(), sets)
        held = brute_force.held_limits(result, sets, ripple=True)
        kept.append(bool(held["output-bank: ripple voltage"][0]))
    assert kept == [False, True]


def test_hotter_air_takes_a_set_out(bench: Bench) -> None:
    """The junction limit of a set that passes at 45 degC ambient falls at a higher one."""
    sets = benches.one_set()
    values = random_cases.measured(benches.at_sizing(bench.stage(), sets), sets, bench.prices())
    near = bench.with_spec("limits", "temp_mosfet_max_c", float(values["temp-mosfet"][0]) + 1.0)
    assert judged(near)["transistors: junction temperature"]
    hot = near.with_spec("ambient", "temp_hot_c", benches.TEMP_HOT + 5.0)
    assert not judged(hot)["transistors: junction temperature"]


def test_parallel_transistors_run_cooler(bench: Bench) -> None:
    stage = bench.stage()
    steady = limits.steady(stage)
    leg = stage.topology.LEGS[0].name
    hot = [
        float(
            benches.at_sizing(stage, benches.one_set(mosfet_pieces=(1, n)))
            .bridges[leg]
            .synchronous.temp_junction[0, steady]
            .max()
        )
        for n in (1, 2)
    ]
    assert hot[1] < hot[0]


# --- cost -----------------------------------------------------------------------------------------


def test_cost_by_hand(bench: Bench) -> None:
    """100 boards: every part number at the break its pooled need reaches, items and placement.

    Breaks 1:0.95 100:0.70 1000:0.52. Two transistors are one line of 200 pieces at 0.70, six
    capacitors one line of 600 at 0.70 = 420; buying up to 1000 would cost 520. Four part numbers
    at 10 a build are 0.40 a board, ten pieces at 0.01 are 0.10, the controller is 1.50.
    """
    by_hand = 2 * 0.70 + 6 * 0.70 + 0.70 + 0.70 + 0.40 + 10 * 0.01 + 1.50
    fixed = buying.controller_units(bench.stage().spec, "buck")
    cost = buying.set_costs(bench.prices(), benches.one_set(), fixed=fixed)
    assert cost[0] * 1e-4 == pytest.approx(by_hand, abs=1e-9)


def test_a_source_impedance_takes_ripple_from_the_bank(bench: Bench) -> None:
    """A resistive branch beside the input bank carries part of its ripple, the output none."""
    with_source = bench.with_spec("source", "resistance_mohm", 30.0)
    sets = benches.one_set()
    plain, eased = (benches.at_sizing(b.stage(), sets) for b in (bench, with_source))
    assert (eased.banks["input"].i_rms_first < plain.banks["input"].i_rms_first).all()
    same = eased.banks["output"].i_rms_first, plain.banks["output"].i_rms_first
    assert np.allclose(*same, rtol=1e-9)


def test_second_bank_type_is_judged(bench: Bench) -> None:
    """Two types at one node: the second one's own ripple current has its own limit."""
    table = bench.tables["capacitor"]
    both = table.take([0, 0])
    names = (table.part_number[0], "C-other")
    numbers = dict(both.numbers)
    numbers["self_heating"] = np.array([table.numbers["self_heating"][0], 300.0])
    numbers["i_ripple_rating"] = np.array([table.numbers["i_ripple_rating"][0], np.nan])
    two = replace(both, part_number=names, numbers=numbers)
    spec = parse_spec(random_cases.toml(bench.data))
    tables = dict(bench.tables) | {"capacitor": two}
    stage = build_stage(spec, "buck", lanes=points(spec, "buck").lanes, tables=tables)
    sets = benches.one_set(pieces=3)
    zero, one = np.array([0]), np.array([1])
    mixed = replace(sets, bank=dict(sets.bank) | {"input": (zero, 3 * one, one, one)})
    held = brute_force.held_limits(benches.at_sizing(stage, mixed), mixed, ripple=True)
    assert not held["input-bank: ripple current, second type"][0]
    assert held["input-bank: ripple current, first type"][0]
