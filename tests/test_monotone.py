"""What only helps never makes the front worse: looser limits, more parts, better values.

A front holds at the state of a reference set, which may be another one after the change. Points
are therefore compared at their own states, and given as much room as own and reference loss
differ by in the two fronts, the figure a run prints. The loss ceiling is left out: it sets the
state that all limits are checked at, so that a higher one is a harder test. Nothing here leaks
exponentially with temperature.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from optimizer import assembly, search, verification
from optimizer.assembly import Sets
from optimizer.buying import Prices
from optimizer.catalog import Catalog, read_catalog
from optimizer.records import COST_UNIT, LOSS_UNIT, IntArray, Skeleton
from optimizer.spec import parse_spec
from optimizer.spec_records import Spec
from tests import benches, catalog_samples
from tests.oracles import random_cases
from tests.oracles.random_cases import Case

EXAMPLES = 100
BASES = 12


@dataclass(frozen=True, slots=True)
class Front:
    """(cost, loss at its own state) of every point, and how far own and reference loss differ."""

    points: tuple[tuple[float, float], ...]
    difference: float


TIGHT = (
    "ripple-output",
    "temp-mosfet",
    "height",
    "area",
    "drive-current",
    "chain-low",
    "rise",
    "ripple-ratio",
    "temp-inductor",
    "ripple-input",
    "chain-high",
    "temp-resistor",
    "off-time",
    "thermal-gain",
)
"""Limits that are turned; each base has three of them."""


def front(spec: Spec, catalog: Catalog) -> Front:
    """The front of a search."""
    found = search.solve(spec, catalog, engine="merge")
    if found.front is None or found.choice is None:
        return Front((), 0.0)
    points, apart = [], 0.0
    for one in found.front.points:
        body = found.choice.skeletons[one.skeleton]
        topology, kilohertz, _ = body.name.split(", ")
        sets = set_of(found.prices, body, one.option, float(kilohertz.split()[0]) * 1e3)
        own = assembly.own_physics(found.stages[topology], sets, ripple=False)
        loss = float(verification.objectives(own)[0][0])
        apart = max(apart, abs(loss / (one.loss * LOSS_UNIT) - 1.0))
        points.append((one.cost * COST_UNIT, loss))
    return Front(tuple(points), apart)


def set_of(prices: Prices, body: Skeleton, option: Sequence[int], frequency: float) -> Sets:
    """The complete set of one option in every group."""
    held: dict[str, list[tuple[int, int]]] = {}
    for group, k in zip(body.groups, option, strict=True):
        for slot, part, pieces in zip(
            group.slot_position, group.part[k], group.pieces[k], strict=True
        ):
            held.setdefault(slot, []).append((int(part), int(pieces)))

    def rows(kind: str, slot: str) -> list[IntArray]:
        found: list[IntArray] = []
        for part, pieces in held[slot]:
            row = -1 if part < 0 else part - prices.offset[kind]
            found += [np.array([row]), np.array([pieces])]
        return found

    banks = {}
    for node in ("input", "output"):
        columns = [*rows("capacitor", f"{node}-bank"), np.array([-1]), np.array([0])]
        banks[node] = (columns[0], columns[1], columns[2], columns[3])
    sense, coil = rows("resistor", "sense-resistor"), rows("inductor", "inductor")
    places = [slot for slot in held if slot.endswith(("-high", "-low"))]
    switches = {slot: rows("mosfet", slot) for slot in places}
    return Sets(
        frequency=np.array([frequency]),
        coil=coil[0],
        coil_pieces=coil[1],
        transistor={slot: (row, pieces) for slot, (row, pieces) in switches.items()},
        bank=banks,
        sense=(sense[0], sense[1]),
    )


def worse(before: Front, after: Front) -> list[str]:
    """Points of the front before that nothing reaches after."""
    room = 1.0 + before.difference + after.difference + 1e-4
    return [
        f"{cost:.4f} at {loss:.6f} W"
        for cost, loss in before.points
        if not any(c <= cost + 1e-9 and w <= loss * room + 1e-3 for c, w in after.points)
    ]


@functools.cache
def base(seed: int) -> Case:
    return random_cases.small_case(seed, [TIGHT[(seed * 3 + k) % len(TIGHT)] for k in range(3)])


@functools.cache
def base_front(seed: int) -> Front:
    return front(base(seed).spec, base(seed).catalog)


once = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)


def test_bases_have_fronts() -> None:
    """The properties would hold of nothing; most bases have a front of several points."""
    assert np.mean([len(base_front(seed).points) >= 2 for seed in range(BASES)]) > 0.7


# --- looser limits --------------------------------------------------------------------------------


def limit(name: str) -> Callable[[Spec, float], Spec]:
    """A limit of the spec times a factor."""
    return lambda spec, factor: replace(
        spec, limits=replace(spec.limits, **{name: getattr(spec.limits, name) * factor})
    )


def controller(name: str, sign: float) -> Callable[[Spec, float], Spec]:
    """A controller value times or over a factor."""

    def loosen(spec: Spec, factor: float) -> Spec:
        records = {
            key: replace(one, **{name: getattr(one, name) * factor**sign})
            for key, one in spec.controllers.items()
        }
        return replace(spec, controllers=records)

    return loosen


def temps(spec: Spec, factor: float) -> Spec:
    """Every temperature limit raised by up to fifty kelvin."""
    warmer = {kind: temp + 50.0 * (factor - 1.0) for kind, temp in spec.limits.temp_max.items()}
    return replace(spec, limits=replace(spec.limits, temp_max=warmer))


def floors(spec: Spec, factor: float) -> Spec:
    """Every floor lowered."""
    lower = tuple(replace(one, efficiency=one.efficiency / factor) for one in spec.limits.floors)
    return replace(spec, limits=replace(spec.limits, floors=lower))


def policy(spec: Spec, factor: float) -> Spec:
    """Voltage shares of every kind raised."""
    rules = dict(spec.derating_policy)
    for kind in ("mosfet", "inductor"):
        voltage = dict(rules[kind]["voltage"])
        voltage["continuous"] = voltage["continuous"] * factor
        if "transient" in voltage:
            voltage["transient"] = voltage["transient"] * factor
        rules[kind] = dict(rules[kind]) | {"voltage": voltage}
    return replace(spec, derating_policy=rules)


LOOSER: Mapping[str, Callable[[Spec, float], Spec]] = {
    **{
        name: limit(name)
        for name in (
            "v_ripple_input",
            "v_ripple_output",
            "ripple_ratio_max",
            "rise_hottest",
            "height_max",
            "area_max",
        )
    },
    "thermal_gain_max": lambda spec, factor: replace(
        spec,
        limits=replace(
            spec.limits, thermal_gain_max=min(spec.limits.thermal_gain_max * factor, 0.95)
        ),
    ),
    "saturation_drop_max": lambda spec, factor: replace(
        spec,
        limits=replace(
            spec.limits, saturation_drop_max=min(spec.limits.saturation_drop_max * factor, 0.7)
        ),
    ),
    "temp_max": temps,
    "floors": floors,
    "voltage shares": policy,
    **{
        name: controller(name, 1.0) for name in ("v_sense_min", "i_drive_limit", "loss_drive_limit")
    },
    **{name: controller(name, -1.0) for name in ("v_sense_max", "time_on_min", "time_off_min")},
}


@once
@given(
    seed=st.integers(0, BASES - 1),
    name=st.sampled_from(sorted(LOOSER)),
    factor=st.floats(1.001, 3.0),
)
def test_a_looser_limit_never_worsens_the_front(seed: int, name: str, factor: float) -> None:
    case = base(seed)
    looser = LOOSER[name](case.spec, factor)
    assert worse(base_front(seed), front(looser, case.catalog)) == []


def test_a_tighter_limit_does_worsen_some_front() -> None:
    """The comparison can fail: what was loosened above, tightened, loses points."""
    lost = 0
    for seed in range(4):
        case = base(seed)
        tight = LOOSER["v_ripple_output"](case.spec, 0.02)
        lost += len(worse(base_front(seed), front(tight, case.catalog)))
    assert lost > 0


# --- more parts -----------------------------------------------------------------------------------


def without_part(catalog: Catalog, kind: str, row: int) -> Catalog:
    """The catalog less one part, if another one of its kind is left."""
    table = catalog.tables[kind]
    keep = [k for k in range(len(table)) if k != row % len(table)] or [0]
    return replace(catalog, tables=dict(catalog.tables) | {kind: table.take(keep)})


@once
@given(
    seed=st.integers(0, BASES - 1),
    kind=st.sampled_from(["mosfet", "inductor", "capacitor", "resistor"]),
    row=st.integers(0, 5),
)
def test_one_part_more_never_worsens_the_front(seed: int, kind: str, row: int) -> None:
    case = base(seed)
    fewer = without_part(case.catalog, kind, row)
    assert worse(front(case.spec, fewer), base_front(seed)) == []


# --- true values ----------------------------------------------------------------------------------

BETTER: Mapping[str, tuple[str, ...]] = {
    "mosfet": (
        "rds_on_10v_max_mohm",
        "rds_on_4v5_max_mohm",
        "q_gate_10v_max_nc",
        "q_gate_4v5_max_nc",
        "q_recovery_typ_nc",
        "q_recovery_max_nc",
        "r_gate_typ_ohm",
        "r_gate_max_ohm",
        "v_body_diode_max_v",
        "rth_junction_case_max_k_per_w",
    ),
    "inductor": ("dcr_max_mohm", "resistance_ac_300khz_typ_mohm"),
    "capacitor": (
        "esr_max_mohm",
        "esr_m40c_max_mohm",
        "capacitance_temp_drop_pct",
        "capacitance_ageing_pct_per_decade",
        "self_heating_k_per_a2",
    ),
    "resistor": ("resistance_tempco_ppm_per_k", "resistance_drift_pct"),
}
"""Columns a fill stands in for, where less is better."""

SPREAD = {
    "mosfet": ("rds_on_10v_typ_mohm", "rds_on_10v_max_mohm", "price_breaks_each"),
    "inductor": ("dcr_typ_mohm", "dcr_max_mohm", "price_breaks_each"),
    "capacitor": ("esr_typ_mohm", "esr_max_mohm", "price_breaks_each"),
    "resistor": ("resistance_typ_mohm", "", "price_breaks_each"),
}
COUNT = {"mosfet": 3, "inductor": 2, "capacitor": 2, "resistor": 2}


def rows_of(kind: str) -> list[catalog_samples.Row]:
    """Parts that differ: the better ones cost more."""
    rows = catalog_samples.rows(kind, COUNT[kind])
    typical, maximum, price = SPREAD[kind]
    for step, row in enumerate(rows):
        row.update(benches.CELLS[kind])
        for header in (typical, maximum):
            if header:
                row[header] = f"{float(row[header]) * 0.8**step:.6g}"
        row[price] = f"1:{0.9 * 1.4**step:.4f} 100:{0.7 * 1.4**step:.4f}"
    return rows


def read(folder: Path, rows: Mapping[str, list[catalog_samples.Row]]) -> Catalog:
    for kind, made in rows.items():
        catalog_samples.write(folder, kind, made)
    return read_catalog([folder])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("filled")


@functools.cache
def bench_spec() -> Spec:
    """The bench with limits near what its parts reach."""
    data = dict(benches.DATA) | {
        "choice": {
            "objective": "mission",
            "transistors_parallel_max_pcs": 1,
            "bank_pieces_max_pcs": 4,
            "bank_types_max_pcs": 1,
            "resistors_parallel_max_pcs": 1,
        }
    }
    data["limits"] = dict(benches.DATA["limits"]) | {
        "v_ripple_output_mv": 80.0,
        "v_ripple_input_mv": 220.0,
        "temp_mosfet_max_c": 63.5,
    }
    return parse_spec(random_cases.toml(data))


@once
@given(
    column=st.sampled_from([(kind, header) for kind, many in BETTER.items() for header in many]),
    row=st.integers(0, 2),
    share=st.floats(0.6, 1.0),
)
def test_a_true_value_no_worse_than_its_fill_never_worsens_the_front(
    folder: Path, column: tuple[str, str], row: int, share: float
) -> None:
    """The cell blank, then with a share of what the fill put there."""
    kind, header = column
    rows = {name: rows_of(name) for name in COUNT}
    cell = rows[kind][row % COUNT[kind]]
    cell[header] = ""
    blank = read(folder, rows)
    table = blank.tables[kind]
    place = table.part_number.index(cell["part_number"])
    key = next(k for k in table.filled if header.startswith(f"{k}_") and table.filled[k][place])
    filled = float(table.numbers[key][place])
    assert math.isfinite(filled)
    cell[header] = f"{filled * share / scale(header):.12g}"
    given_value = read(folder, rows)
    assume(cell["part_number"] in given_value.tables[kind].part_number)  # else below its typical
    place = given_value.tables[kind].part_number.index(cell["part_number"])
    assert float(given_value.tables[kind].numbers[key][place]) <= filled * (1.0 + 1e-9)
    assert (
        worse(
            blank_front(folder, kind, header, row % COUNT[kind]), front(bench_spec(), given_value)
        )
        == []
    )


def scale(header: str) -> float:
    """What a header's unit is in SI, as far as the columns above need it."""
    ends = {"_mohm": 1e-3, "_nc": 1e-9, "_pct": 1e-2, "_ppm_per_k": 1e-6}
    ends["_pct_per_decade"] = 1e-2
    return next((value for end, value in ends.items() if header.endswith(end)), 1.0)


@functools.cache
def blank_front(folder: Path, kind: str, header: str, row: int) -> Front:
    """The front with one cell left blank."""
    rows = {name: rows_of(name) for name in COUNT}
    rows[kind][row][header] = ""
    return front(bench_spec(), read(folder, rows))


def test_the_bench_has_a_front(folder: Path) -> None:
    rows = {name: rows_of(name) for name in COUNT}
    assert len(front(bench_spec(), read(folder, rows)).points) >= 3
