"""A fleet of generated runs over one tiny catalog, and every board of each judged one by one.

The answers are worked out a second time from `verification` and plain comparisons of rows: no
study, no search and no bound is used here (the runs themselves come from the search).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from optimizer import buying, conclude, search, verification
from optimizer.archive import write_run
from optimizer.assembly import Sets
from optimizer.catalog import Catalog, read_catalog
from optimizer.records import BoolArray, IntArray
from optimizer.results import PartSet, as_plain
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from optimizer.stage import Stage
from optimizer.verification import Reference
from tests import tiny
from tests.oracles import brute_force

Cells = Mapping[str, str]
Place = tuple[str, int]


def _mosfet(scale: float, price: float, **cells: str) -> Cells:
    """A transistor of `scale` times the resistance of 20 mohm."""
    ohms, charge = 20 * scale, 18 / scale
    return {
        "rds_on_10v_typ_mohm": f"{ohms:.3g}", "rds_on_10v_max_mohm": f"{1.2 * ohms:.3g}",
        "rds_on_4v5_typ_mohm": f"{1.25 * ohms:.3g}", "rds_on_4v5_max_mohm": f"{1.5 * ohms:.3g}",
        "q_gate_10v_typ_nc": f"{charge:.3g}", "q_gate_10v_max_nc": f"{1.25 * charge:.3g}",
        "q_gate_4v5_typ_nc": f"{0.5 * charge:.3g}", "q_gate_4v5_max_nc": f"{0.65 * charge:.3g}",
        "q_gate_source_typ_nc": f"{0.25 * charge:.3g}",
        "q_gate_threshold_typ_nc": f"{0.15 * charge:.3g}",
        "q_gate_drain_typ_nc": f"{0.16 * charge:.3g}",
        "q_output_typ_nc": f"{charge:.3g}", "q_output_max_nc": f"{1.3 * charge:.3g}",
        "q_recovery_typ_nc": f"{1.2 * charge:.3g}", "q_recovery_max_nc": f"{1.5 * charge:.3g}",
        "price_breaks_each": f"1:{1.5 * price:.3g} 100:{price:.3g}", **cells,
    }  # fmt: skip


PARTS: dict[str, dict[str, Cells]] = {
    "mosfet": {
        "M-A": _mosfet(2.4, 0.62, land_pattern="pad-3"),
        "M-B": _mosfet(1.0, 0.70, land_pattern="pad-3"),
        "M-C": _mosfet(1.05, 0.74, land_pattern="pad-3", maker="Other"),
        "M-D": _mosfet(
            1.0, 0.5, land_pattern="pad-3", rds_on_4v5_typ_mohm="", rds_on_4v5_max_mohm=""
        ),
        "M-E": _mosfet(0.4, 1.3, land_pattern="pad-5"),
    },
    "inductor": {
        "L-A": {"height_mm": "3", "price_breaks_each": "1:0.9 100:0.68", "land_pattern": "coil-6"},
        "L-B": {
            "inductance_typ_uh": "12", "dcr_typ_mohm": "15", "dcr_max_mohm": "17",
            "height_mm": "4", "price_breaks_each": "1:0.9 100:0.65", "land_pattern": "coil-6",
        },
        "L-C": {
            "length_mm": "10", "width_mm": "10", "height_mm": "5", "inductance_typ_uh": "15",
            "dcr_typ_mohm": "8", "dcr_max_mohm": "9.5", "i_saturation_typ_a": "16",
            "i_rated_typ_a": "13", "inductance_bias_a_pct": "0:100 8:95 16:80 24:60",
            "price_breaks_each": "1:2.1 100:1.6", "land_pattern": "coil-10",
        },
    },
    "capacitor": {
        "C-A": {"price_breaks_each": "1:0.2 100:0.12", "land_pattern": "chip-8"},
        "C-B": {
            "capacitance_typ_uf": "14", "price_breaks_each": "1:0.3 100:0.2",
            "land_pattern": "chip-8", "maker": "Other",
        },
        "C-C": {
            "capacitance_typ_uf": "22", "esr_typ_mohm": "2", "esr_max_mohm": "3",
            "esr_m40c_max_mohm": "3", "price_breaks_each": "1:0.5 100:0.34",
            "land_pattern": "chip-10",
        },
    },
    "resistor": {
        "R-A": {"price_breaks_each": "1:0.3 100:0.2", "land_pattern": "shunt"},
        "R-B": {
            "resistance_typ_mohm": "4.6", "price_breaks_each": "1:0.45 100:0.32",
            "land_pattern": "shunt",
        },
    },
}  # fmt: skip

GONE = ("M-B", "L-B")
"""What the fleet is told is gone."""

GONE_OF_MANY = (*GONE, "R-B")
"""The same for the large fleet: half of its designs hold one of them, and every front."""


@dataclass(frozen=True, slots=True)
class Made:
    """One generated run: its folder, spec, chosen point and the states of its search."""

    folder: Path
    spec: Spec
    point: int
    references: Mapping[str, Reference]
    front: brute_force.Points


def make_fleet(folder: Path, count: int, *, seed: int = 0) -> Iterator[Made]:
    """Run folders of random specs, written one by one; specs without a feasible set are redrawn."""
    random = np.random.default_rng([2028, seed])
    tiny.write_catalogs(folder / "parts", PARTS)
    catalog = read_catalog([folder / "parts"])
    made = 0
    while made < count:
        name = f"run-{made:03d}"
        path = tiny.write_spec(folder, _spec_data(random), name=name)
        spec = read_spec(path)
        found = search.solve(spec, catalog, engine="merge")
        if found.front is None or not found.front.points:
            continue
        run = conclude.run_of(found, catalog, name=spec.name, detailed=False)
        plain = as_plain(run)
        plain["hashes"] = dict(catalog.hashes)
        written = write_run(folder / "runs", name, plain, spec=spec.text.encode())
        points = found.front.points
        front = brute_force.Points(
            np.array([p.cost for p in points]) * 1e-4, np.array([p.loss for p in points]) * 1e-5
        )
        yield Made(
            written, spec, int(random.integers(len(points))) + 1, dict(found.references), front
        )
        made += 1


def _spec_data(random: np.random.Generator) -> dict[str, Any]:
    """A job near that of `tiny` with some limits drawn tight."""
    data = tiny.spec_data()
    data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
    source, load = data["source"], data["load"]
    source["v_nominal_v"] = float(random.uniform(20, 30))
    source["v_min_v"] = 0.92 * source["v_nominal_v"]
    source["v_max_v"] = 1.06 * source["v_nominal_v"]
    load["i_output_a"] = float(random.uniform(1.5, 3.3))
    for row in data["mission"]["rows"]:
        row["v_input_v"] = source["v_nominal_v"]
    for floor in data["limits"]["floors"]:
        floor["v_input_v"] = source["v_nominal_v"]
    data["limits"]["loss_ceiling_pct"] = float(random.choice([4.0, 4.5, 9.0]))
    data["limits"]["v_ripple_output_mv"] = float(random.choice([33.0, 40.0, 500.0]))
    data["limits"]["height_max_mm"] = float(random.choice([3.5, 4.5, *[10.0] * 6]))
    data["purchase"]["boards_pcs"] = int(random.choice([100, 400, 2000]))
    return data


# --- every board ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Told:
    """The answer by looking at every board: verdict, drop-ins and, without them, the touched."""

    verdict: str
    drop_ins: frozenset[tuple[Place, ...]]
    touched: frozenset[tuple[Place, ...]]
    cost: Mapping[tuple[Place, ...], float]
    loss: Mapping[tuple[Place, ...], float]


def board_key(board: PartSet) -> tuple[Place, ...]:
    """Part and pieces of every place; banks here hold one type."""
    return (
        *board.transistors.values(),
        (board.inductor, 1),
        *board.bank_input,
        *board.bank_output,
        board.sense,
    )


def _columns(sets: Sets) -> list[tuple[str, IntArray, IntArray]]:
    """Kind, rows and pieces of every place of the sets, in the order of `board_key`."""
    ones = np.ones_like(sets.coil)
    return [
        *(("mosfet", rows, n) for rows, n in sets.transistor.values()),
        ("inductor", sets.coil, ones),
        *(("capacitor", first, n) for first, n, _, _ in sets.bank.values()),
        ("resistor", *sets.sense),
    ]


def told(spec: Spec, catalog: Catalog, board: PartSet, gone: Sequence[str]) -> Told:
    """What becomes of a board when parts are gone, from every set of its topology."""
    held = board_key(board)
    if not {part for part, _ in held} & set(gone):
        return Told("unaffected", frozenset(), frozenset(), {}, {})
    stage = brute_force.stages(spec, catalog)[board.topology]
    sets = brute_force.all_sets(spec, stage)
    sets = sets.take(np.isclose(sets.frequency, board.frequency))
    steps = ((0, True), (0, False), (1, False))
    kept = [_changed_like(sets, stage, held, gone, at_most=n, alike=a) for n, a in steps]
    some = np.logical_or.reduce(kept)
    passing = _passing(spec, catalog, stage, sets.take(some))
    for mask, (_, alike) in zip(kept, steps, strict=True):
        found = {key: passing[key] for key in _keys(stage, sets.take(mask)) if key in passing}
        if found and alike:
            return Told("drop-in", frozenset(found), frozenset(), *_figures(found))
        if found:
            return Told("touch", frozenset(), frozenset(found), *_figures(found))
    return Told("fails", frozenset(), frozenset(), {}, {})


def _figures(
    found: Mapping[tuple[Place, ...], tuple[float, float]],
) -> tuple[dict[tuple[Place, ...], float], dict[tuple[Place, ...], float]]:
    return {k: v[0] for k, v in found.items()}, {k: v[1] for k, v in found.items()}


def _changed_like(
    sets: Sets,
    stage: Stage,
    held: Sequence[Place],
    gone: Sequence[str],
    *,
    at_most: int,
    alike: bool,
) -> BoolArray:
    """Sets that differ from the board where parts are gone, and in `at_most` places besides."""
    kept = np.ones(len(sets), dtype=bool)
    besides = np.zeros(len(sets), dtype=np.int64)
    instead: dict[str, IntArray] = {}
    for (kind, rows, pieces), (part, count) in zip(_columns(sets), held, strict=True):
        table = stage.tables[kind]
        own = table.part_number.index(part)
        same = (rows == own) & (pieces == count)
        kept &= ~np.isin(np.array(table.part_number)[rows], gone)
        if part not in gone:
            besides += ~same
            continue
        if alike:
            pads = np.array(table.texts["land_pattern"])
            kept &= (pads[rows] == pads[own]) & (pieces == count)
            kept &= rows == instead.setdefault(part, rows)
    return np.asarray(kept & (besides <= at_most) & ((besides == at_most) | (at_most == 0)))


def _passing(
    spec: Spec, catalog: Catalog, stage: Stage, sets: Sets
) -> dict[tuple[Place, ...], tuple[float, float]]:
    """Boards that keep every limit and rule, each at its own state: cost and mission loss."""
    if not len(sets):
        return {}
    scene = verification.given_scene(stage, verification.reference_of(stage, sets))
    prices = buying.prices(spec, catalog.tables)
    judged = brute_force.judge_all(scene, np.arange(len(sets)), sets, prices)
    keys = _keys(stage, sets)
    return {
        keys[row]: (float(judged.cost[row]) * 1e-4, float(judged.loss_mission[row]))
        for row in np.flatnonzero(judged.feasible())
    }


def _keys(stage: Stage, sets: Sets) -> list[tuple[Place, ...]]:
    """Part and pieces of every place of each set."""
    columns = _columns(sets)
    names = [stage.tables[kind].part_number for kind, _, _ in columns]
    return [
        tuple(
            (name[int(rows[row])], int(pieces[row]))
            for name, (_, rows, pieces) in zip(names, columns, strict=True)
        )
        for row in range(len(sets))
    ]
