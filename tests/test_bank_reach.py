"""Banks beside many inductors against every bank, solved one by one in the time domain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer import bank_reach, buying, evaluation, limits, pool, screen
from optimizer.bank_reach import Reach
from optimizer.errors import Halted
from optimizer.evaluation import Scene
from optimizer.parts import bank
from optimizer.parts.bank_choice import NOT_OFFERED
from optimizer.points import points
from optimizer.records import FloatArray, IntArray
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from optimizer.stage import Stage, build_stage
from tests.oracles import brute_force, random_cases
from tests.test_layers import ROOT

PIECES, TYPES, COILS = 3, 8, 4

Banks = list[tuple[int, int, int, int]]


def spec_of(name: str, *, types_max: int = 2, source: bool = False) -> Spec:
    spec = read_spec(ROOT.parent / "runs" / "examples" / f"{name}.toml")
    choice = replace(spec.choice, bank_pieces_max=PIECES, bank_types_max=types_max)
    if source:
        spec = replace(spec, source=replace(spec.source, resistance=0.02, inductance=0.3e-6))
    return replace(spec, choice=choice)


def stage_of(spec: Spec, topology: str, **values: float) -> Stage:
    spec = replace(spec, limits=replace(spec.limits, **values))  # type: ignore[arg-type]
    lanes = points(spec, topology).lanes
    return build_stage(spec, topology, lanes=lanes, tables=random_cases.shipped().tables)


def scene_of(stage: Stage, rng: np.random.Generator) -> tuple[Scene, IntArray]:
    """A few inductors near each other, and a few capacitors."""
    offered = pool.pool(stage, buying.prices(stage.spec, stage.tables))
    passing = screen.screen(stage, offered)
    values, counts = np.unique(passing.frequency, return_counts=True)
    most = values[np.argmax(counts)]
    able = passing.coil[passing.frequency == most]
    order = able[np.argsort(stage.inductors.inductance[able, 0], kind="stable")]
    start = rng.integers(0, len(order) - COILS + 1)
    coil, frequency = order[start : start + COILS], np.full(COILS, most)
    rows = rng.choice(offered.bank["output"], TYPES, replace=False)
    return evaluation.sizing_scene(stage, frequency, coil), rows


def every_bank(stage: Stage) -> Banks:
    rules = stage.spec.choice
    return brute_force.banks(list(range(TYPES)), rules.bank_pieces_max, rules.bank_types_max)


def solved(scene: Scene, node: str, rows: IntArray, banks: Banks, coil: int) -> bank.Bank:
    one = scene.take(np.array([coil]))
    index = np.arange(len(scene.stage.lanes))
    duty = screen.bank_duty(one, node, rows, index)
    first, n, second, m = (np.array(column) for column in zip(*banks, strict=True))
    return bank.solve(
        harmonics=duty.harmonics,
        frequency=duty.frequency,
        i_rms_ac=duty.i_rms_ac,
        branches=duty.branches,
        source=duty.source,
        first=first,
        first_pieces=n,
        second=second,
        second_pieces=m,
    )


def least_price(scene: Scene, node: str, rows: IntArray, cost: IntArray, coil: int) -> int | None:
    """Price of the cheapest bank that keeps ripple and current, by listing."""
    banks = every_bank(scene.stage)
    found = solved(scene, node, rows, banks, coil)
    lanes = limits.steady(scene.stage)
    one = scene.take(np.array([coil]))
    allowed = screen.bank_limits(one, node, rows, np.arange(len(lanes)))
    with np.errstate(invalid="ignore"):
        keeps = (found.v_ripple <= allowed.v_ripple)[:, lanes].all(axis=1)
        for k, (first, _, second, _) in enumerate(banks):
            keeps[k] &= bool((found.i_rms_first[k] <= allowed.i_ripple[first])[lanes].all())
            if second >= 0:
                keeps[k] &= bool((found.i_rms_second[k] <= allowed.i_ripple[second])[lanes].all())
    prices = [price(cost, one_bank) for one_bank in banks]
    passing = [p for p, ok in zip(prices, keeps, strict=True) if ok]
    return min(passing, default=None)


def price(cost: IntArray, one: tuple[int, int, int, int]) -> int:
    first, n, second, m = one
    return int(cost[first, n] + (cost[second, m] if second >= 0 else 0))


def ripple_range(scene: Scene, node: str, rows: IntArray) -> FloatArray:
    """Worst ripple of every bank beside the middle inductor, the known ones rising."""
    found = solved(scene, node, rows, every_bank(scene.stage), COILS // 2)
    worst = np.where(limits.steady(scene.stage), found.v_ripple, 0.0).max(axis=1)
    return np.sort(worst[np.isfinite(worst)])


@pytest.mark.parametrize("few", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_the_cheapest_bank_beside_each_inductor(
    seed: int, few: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Listed where few, by the general search where many; the limit from hopeless to easy."""
    if not few:
        monkeypatch.setattr(bank_reach, "PAIRS_FEW", -1)
    rng = np.random.default_rng(seed)
    name, topology = [("cabinet", "four-switch"), ("cargo_bike", "buck")][seed % 2]
    spec = spec_of(name, types_max=1 + (seed % 3 > 0))
    node = ("output", "input")[seed // 2 % 2]
    scene, rows = scene_of(stage_of(spec, topology), rng)
    known = ripple_range(scene, node, rows)
    cost = rng.integers(20, 400, (TYPES, 1)) * np.arange(PIECES + 1)
    answers = []
    for limit in (0.97 * known[0], *np.quantile(known, [0.01, 0.1, 0.5])):
        stage = stage_of(spec, topology, **{f"v_ripple_{node}": float(limit)})
        same = evaluation.sizing_scene(stage, nominal(scene), scene.coil)
        reach = Reach(same, node, rows)
        for coil in range(COILS):
            found = reach.cheapest(coil, cost)
            got = None if found is None else price(cost, found)
            assert got == least_price(same, node, rows, cost, coil)
            answers.append(got is None)
    assert 0 < sum(answers) < len(answers)


def nominal(scene: Scene) -> FloatArray:
    """Frequency of the scene without its tolerance."""
    tolerance = scene.stage.controller.frequency_tolerance
    job = scene.operation.frequency[:, 0]
    return np.asarray(np.round(job / (1.0 + scene.stage.lanes.corner[0] * tolerance)))


def test_a_source_impedance_refuses_nothing() -> None:
    spec = spec_of("cargo_bike", source=True)
    scene, rows = scene_of(stage_of(spec, "buck", v_ripple_input=0.05), np.random.default_rng(3))
    cost = 10 * np.ones((TYPES, 1), dtype=np.int64) * np.arange(PIECES + 1)
    reach = Reach(scene, "input", rows)
    found = reach.cheapest(0, cost)
    got = None if found is None else price(cost, found)
    assert got == least_price(scene, "input", rows, cost, 0)


def test_pieces_that_cannot_be_bought_are_not_taken() -> None:
    spec = spec_of("cabinet")
    scene, rows = scene_of(stage_of(spec, "four-switch"), np.random.default_rng(1))
    known = ripple_range(scene, "output", rows)
    stage = stage_of(spec, "four-switch", v_ripple_output=float(np.quantile(known, 0.2)))
    same = evaluation.sizing_scene(stage, nominal(scene), scene.coil)
    cost = np.full((TYPES, PIECES + 1), NOT_OFFERED)
    cost[:, 0] = 0
    assert Reach(same, "output", rows).cheapest(0, cost) is None


def test_the_watch_ends_the_search() -> None:
    def watch() -> None:
        raise Halted

    spec = spec_of("cabinet")
    scene, rows = scene_of(stage_of(spec, "four-switch"), np.random.default_rng(1))
    cost = 10 * np.ones((TYPES, 1), dtype=np.int64) * np.arange(PIECES + 1)
    with pytest.raises(Halted):
        Reach(scene, "output", rows).cheapest(0, cost, watch=watch)
