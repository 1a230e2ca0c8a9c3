"""Why nothing is feasible: reasons, nearest miss and relaxations against every set there is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer import assembly, buying, infeasible, pool, search, verification
from optimizer.assembly import Sets
from optimizer.catalog import Catalog, read_catalog
from optimizer.errors import NoFeasibleDesign
from optimizer.found import Found
from optimizer.infeasible_kinds import HOT, every_kind, freed, kinds, up
from optimizer.infeasible_probe import near_sets
from optimizer.records import FloatArray
from optimizer.spec import parse_spec, read_spec
from optimizer.spec_echo import rows as echo_rows
from optimizer.spec_records import Spec
from optimizer.stage import Stage
from tests import tiny
from tests.oracles import brute_force, random_cases

GRAIN = 0.02
"""Share of a limit to which its least relaxation is looked for."""


def small(folder: Path) -> tuple[Spec, Catalog]:
    """The tiny job with one type and two pieces a bank: few enough sets to look at all."""
    path = tiny.job(folder, choice={"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1})
    spec = read_spec(path)
    return spec, read_catalog(spec.catalogs)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Catalog]:
    return small(tmp_path_factory.mktemp("job"))


def every_set(spec: Spec, catalog: Catalog) -> tuple[Stage, Sets]:
    (stage,) = brute_force.stages(spec, catalog).values()
    return stage, brute_force.all_sets(spec, stage)


def worst_values(stage: Stage, sets: Sets) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Per limit: its largest value, and the largest share by which it is missed, of each set."""
    scene = verification.given_scene(stage, verification.reference_of(stage, sets))
    result = assembly.evaluate(scene, sets)
    value: dict[str, FloatArray] = {}
    miss: dict[str, FloatArray] = {}
    for check in verification.checks(result, sets):
        name = f"{check.subject} {check.quantity}"
        shape = (len(sets), len(check.applies))
        here = np.where(check.applies, np.broadcast_to(check.value, shape), -np.inf).max(axis=1)
        over = np.nan_to_num(-np.broadcast_to(check.margins(), shape), nan=-np.inf).max(axis=1)
        value[name] = np.maximum(value.get(name, -np.inf), here)
        miss[name] = np.maximum(miss.get(name, -np.inf), over)
    chain = verification.limit_chain(result)
    over = np.maximum(chain.needed / chain.low, chain.delayed / chain.saturation) - 1.0
    miss["limit chain"] = over
    return value, miss


def explained(spec: Spec, catalog: Catalog, *, time_limit: float = 30.0) -> str:
    found = search.solve(spec, catalog)
    assert found.front is None or not found.front.points
    error = infeasible.explain(spec, catalog, found, time_limit=time_limit)
    assert isinstance(error, NoFeasibleDesign)
    return str(error)


def limited(spec: Spec, **values: float) -> Spec:
    return replace(spec, limits=replace(spec.limits, **values))  # type: ignore[arg-type]


# --- against every set ----------------------------------------------------------------------------

LIMITED = {
    "output ripple": ("v_ripple_output", 0.001, "output-bank ripple voltage", 1e3),
    "input ripple": ("v_ripple_input", 0.02, "input-bank ripple voltage", 1e3),
    "area": ("area_max", 80e-6, "whole set area", 1e6),
    "inductor ripple ratio": ("ripple_ratio_max", 0.15, "inductor ripple ratio", 1e2),
}
"""Name of the relaxation -> key, a limit nothing keeps, name of the check, unit of the text."""


@pytest.mark.parametrize("name", LIMITED)
def test_the_relaxation_is_the_least_any_set_needs(job: tuple[Spec, Catalog], name: str) -> None:
    key, limit, checked, scale = LIMITED[name]
    spec, catalog = job
    stage, sets = every_set(limited(spec, **{key: limit}), catalog)
    value, miss = worst_values(stage, sets)
    others = [over for other, over in miss.items() if other != checked]
    passes = (np.array(others) <= 1e-9).all(axis=0)
    need = float(value[checked][passes].min())
    assert need > limit
    text = explained(limited(spec, **{key: limit}), catalog)
    found = re.search(rf"  {name}: ([\d.]+) \S+ to ([\d.]+) \S+ \(", text)
    assert found is not None, text
    assert float(found[1]) == pytest.approx(limit * scale)
    told = float(found[2]) / scale
    assert need * (1 - 1e-3) <= told <= need * (1 + GRAIN * 1.01) + GRAIN * limit
    assert "perhaps less" not in text
    listed = [line for line in text.splitlines() if line.startswith("  ")]
    assert text.splitlines()[-2] == f"smallest single relaxation: {listed[0].strip()}"
    shares = [float(s) for line in listed for s in re.findall(r"\(([\d.]+) %\)", line)]
    assert shares == sorted(shares)


@pytest.mark.parametrize("name", LIMITED)
def test_the_nearest_miss_is_the_least_of_all_sets(job: tuple[Spec, Catalog], name: str) -> None:
    key, limit, _, _ = LIMITED[name]
    spec, catalog = job
    stage, sets = every_set(limited(spec, **{key: limit}), catalog)
    _, miss = worst_values(stage, sets)
    least = float(np.max(list(miss.values()), axis=0).min())
    near, _ = near_sets(stage, buying.prices(spec, catalog.tables))
    assert min(one.miss for one in near) == pytest.approx(least, rel=1e-6)


def test_a_set_that_a_re_solve_meets_counts_as_a_near_one(
    job: tuple[Spec, Catalog], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The look for near sets may meet none that is as near; that of the re-solves is told too."""
    spec, catalog = job
    monkeypatch.setattr(infeasible, "near_sets", lambda *given: ([], []))
    text = explained(limited(spec, v_ripple_output=0.001), catalog)
    told = re.search(r"nearest miss of \d+ sets looked at: .* ripple voltage by ([\d.]+) mV", text)
    assert told is not None, text
    loosened = re.search(r"output ripple: 1 mV to ([\d.]+) mV", text)
    assert loosened is not None
    assert 1.0 + float(told[1]) == pytest.approx(float(loosened[1]), rel=2 * GRAIN)


def test_two_limits_at_once_have_no_single_relaxation(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    text = explained(limited(spec, v_ripple_output=0.001, v_ripple_input=0.02), catalog)
    assert "no limit alone would do: input ripple and output ripple must both be loosened" in text
    assert "one of these alone would do" not in text
    assert "output-bank ripple voltage by" in text
    assert "input-bank ripple voltage by" in text


def test_a_relaxation_that_is_told_does(job: tuple[Spec, Catalog]) -> None:
    """Write the number that was printed into the spec: then there is a front."""
    spec, catalog = job
    text = explained(limited(spec, v_ripple_output=0.001), catalog)
    found = re.search(r"output ripple: 1 mV to ([\d.]+) mV", text)
    assert found is not None
    again = search.solve(limited(spec, v_ripple_output=float(found[1]) / 1e3), catalog)
    assert again.front is not None
    assert again.front.points


# --- stories --------------------------------------------------------------------------------------


def with_parts(catalog: Catalog, kind: str, **columns: float) -> Catalog:
    table = catalog.tables[kind]
    numbers = dict(table.numbers) | {k: np.full(len(table), v) for k, v in columns.items()}
    return replace(catalog, tables=dict(catalog.tables) | {kind: replace(table, numbers=numbers)})


def test_no_transistor_is_rated_at_the_drive(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    keys = [key for key in catalog.tables["mosfet"].numbers if "_4v5_" in key]
    bare = with_parts(catalog, "mosfet", **dict.fromkeys(keys, float("nan")))
    text = explained(spec, bare)
    assert "buck input-high: 3 parts, 3 fell on no rating at the drive voltage, 0 left" in text
    assert "  gate drive: from 6.8 V to at least 10 V" in text


def test_the_ringing_preset_is_what_stands_in_the_way(job: tuple[Spec, Catalog]) -> None:
    """26 V with 20 % ringing is 31.2 V; 80 % of 36 V is 28.8 V: 10.8 % overshoot would do."""
    spec, catalog = job
    text = explained(spec, with_parts(catalog, "mosfet", v_drain_source_rating=36.0))
    assert "buck input-low: 3 parts, 3 fell on drain voltage, 0 left" in text
    found = re.search(r"  ringing preset: 20 % to ([\d.]+) % overshoot", text)
    assert found is not None
    assert float(found[1]) == pytest.approx(100 * (28.8 / 26.0 - 1.0), abs=1.1)
    assert re.search(r"  mosfet drain voltage derating: 8.334 % more", text)


def test_a_rating_itself_is_never_given_up(job: tuple[Spec, Catalog]) -> None:
    """31.2 V with ringing on parts of 30 V: not even the whole rating would do, only both."""
    spec, catalog = job
    text = explained(spec, with_parts(catalog, "mosfet", v_drain_source_rating=30.0))
    assert "  mosfet drain voltage derating:" not in text
    both = "mosfet drain voltage derating and ringing preset must both be loosened"
    assert f"no limit alone would do: {both}" in text
    for kind in kinds(spec):
        if kind.name.endswith("derating"):
            policy = kind.at(spec, kind.most).derating_policy
            assert max(_shares(policy)) <= 1.0 + 1e-9
        if kind.name.endswith("temperature"):
            policy = kind.at(spec, min(kind.most, HOT - 1.0)).derating_policy
            assert min(_margins(policy)) >= 0.0


def _shares(table: Mapping[str, object]) -> list[float]:
    found: list[float] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            found += _shares(value)
        elif key in ("continuous", "transient"):
            found.append(float(str(value)))
    return found


def _margins(table: Mapping[str, object]) -> list[float]:
    found: list[float] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            found += _margins(value)
        elif key == "margin_k":
            found.append(float(str(value)))
    return found or [0.0]


def test_a_rule_of_purchase_is_told_as_such(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    strict = replace(spec, purchase=replace(spec.purchase, states_allowed=("obsolete",)))
    text = explained(strict, catalog)
    assert "3 fell on life-cycle state, 0 left" in text
    assert "smallest single relaxation: life-cycle: allow every state" in text


def test_rules_of_choice_that_no_set_keeps(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    strict = replace(spec, choice=replace(spec.choice, part_numbers_max=2))
    text = explained(strict, catalog)
    assert "nearest miss: a set keeps every limit, but not the rules" in text
    assert "  part numbers: more than 2" in text


def test_every_topology_refused(job: tuple[Spec, Catalog]) -> None:
    data = tiny.spec_data()
    del data["catalogs"]
    data["source"] |= {"v_min_v": 11.0}
    text = explained(parse_spec(random_cases.toml(data)), job[1])
    assert text.startswith("buck refused: input 11 V falls to the output 12")


def test_no_time_is_told_and_kept(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    text = explained(limited(spec, v_ripple_output=0.001), catalog, time_limit=0.0)
    assert "0 re-solves; not proved for lack of time" in text
    assert "output ripple: 1 mV to" in text
    assert "perhaps less" in text
    assert "questions not answered" in text


def test_a_stop_ends_the_explanation(job: tuple[Spec, Catalog]) -> None:
    """Reasons and the nearest miss of what was looked at stay; no question is asked any more."""
    spec, catalog = job
    tight = limited(spec, v_ripple_output=0.001)
    found = search.solve(tight, catalog)
    error = infeasible.explain(tight, catalog, found, stop=lambda: True)
    assert "fell on output-bank: none passes, 0 left" in str(error)
    assert "nearest miss of" in str(error)
    assert "0 re-solves; not proved for lack of time" in str(error)


@pytest.mark.parametrize("asked", range(1, 40, 6))
def test_a_stop_anywhere_claims_nothing_that_does_not_hold(
    job: tuple[Spec, Catalog], asked: int
) -> None:
    """Stopped at any question, a relaxation that is told to be least is the least."""
    left = [asked]

    def stop() -> bool:
        left[0] -= 1
        return left[0] < 0

    spec, catalog = job
    tight = limited(spec, v_ripple_output=0.001)
    found = search.solve(tight, catalog)
    text = str(infeasible.explain(tight, catalog, found, stop=stop))
    told = re.search(r"  output ripple: 1 mV to ([\d.]+) mV \([\d.]+ %\)(, perhaps less)?", text)
    whole = re.search(r"  output ripple: 1 mV to ([\d.]+) mV", explained(tight, catalog))
    assert whole is not None
    if told is not None:
        assert float(told[1]) >= float(whole[1]) * (1 - GRAIN) or told[2]
    assert "must both" not in text


def test_a_floor_out_of_reach_is_told_with_what_would_do(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    floors = (replace(spec.limits.floors[0], efficiency=0.999), *spec.limits.floors[1:])
    strict = replace(spec, limits=replace(spec.limits, floors=floors))
    text = explained(strict, catalog)
    name = floors[0].name
    assert f"fell on floor on the loss at {name}, 0 left" in text
    assert re.search(rf"  efficiency floor '{name}': 99.9 % to 9[\d.]+ %", text)


# --- kinds ----------------------------------------------------------------------------------------


def test_each_kind_changes_its_own_keys_only(job: tuple[Spec, Catalog]) -> None:
    spec, _ = job
    before = {key: value for key, value, _ in echo_rows(spec)}
    for kind in kinds(spec):
        loose = kind.at(spec, min(kind.most, 0.01))
        after = {key: value for key, value, _ in echo_rows(loose)}
        changed = {key.split(".")[0] for key in before if before[key] != after[key]}
        assert len(changed) <= 1, kind.name
        policy = loose.derating_policy != spec.derating_policy
        assert bool(changed) + policy == 1 or kind.name == "mosfet temperature", kind.name


def test_free_of_all_limits_every_part_stays(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    tight = limited(spec, height_max=1e-4)
    (stage,) = brute_force.stages(tight, catalog).values()
    prices = buying.prices(spec, catalog.tables)
    assert not all(one.left for one in pool.pool(stage, prices).waterfalls)
    free = replace(stage, spec=freed(tight))
    assert all(one.left == one.offered for one in pool.pool(free, prices).waterfalls)
    assert len({kind.name for kind in every_kind(spec)}) == len(every_kind(spec))


def test_numbers_told_are_rounded_up() -> None:
    assert up(12.00001) == 12.01
    assert up(0.25) == 0.25
    assert up(0.0) == 0.0


def test_waterfalls_add_up(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    found: Found = search.solve(limited(spec, height_max=1.5e-3), catalog)
    for one in found.waterfalls:
        assert one.offered - sum(fall.fell for fall in one.falls) == one.left
        text = infeasible.waterfall_text(one)
        assert text.startswith(f"{one.position}: {one.offered} ")
        assert text.endswith(f", {one.left} left")
