"""Runs of one invented set for every stage with a diode, an imitated diode or two coils."""

from __future__ import annotations

import copy
import json
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from optimizer.archive_result import kept, restored, result_text
from optimizer.catalog import read_catalog
from optimizer.conclude_detail import with_evidence
from optimizer.conclude_evidence import shape_of
from optimizer.conclude_faults import fault_lines
from optimizer.conclude_figures import verified_sets
from optimizer.conclude_sets import Chosen
from optimizer.points import points
from optimizer.results import FaultLine, FrontPoint, Run, as_plain
from optimizer.spec import parse_spec
from optimizer.spec_echo import rows as echo_rows
from optimizer.stage import Stage, build_stage
from tests import benches, catalog_samples
from tests.oracles import random_cases

SOME: dict[str, dict[str, str]] = {
    "mosfet": {"v_drain_source_rating_v": "80"},
    "diode": {"v_reverse_rating_v": "80"},
    "inductor": {"inductance_typ_uh": "33", "temp_part_rating_c": "155"},
    "resistor": {"resistance_typ_mohm": "6"},
}
"""Cells in which the sample parts are changed for all stages here."""

STEP_UP = {
    "source": {"v_min_v": 11.0, "v_nominal_v": 12.0, "v_max_v": 13.0},
    "load": {"kind": "rail", "v_output_v": 24.0, "i_output_a": 1.2},
}
BOTH_WAYS = {"load": {"kind": "rail", "v_output_v": 12.0, "i_output_a": 1.2}}
ONE_CORE = {"inductor": {"coupling_typ_pct": "90"}}

CASES: dict[str, tuple[str, dict[str, Any], dict[str, dict[str, str]]]] = {
    "diode-buck": ("diode-buck", {}, {}),
    "buck that imitates": ("buck", {"light_load": "diode emulation"}, {}),
    "diode-boost": ("diode-boost", STEP_UP, {}),
    "diode-sepic": ("diode-sepic", BOTH_WAYS, {}),
    "diode-sepic on one core": ("diode-sepic", BOTH_WAYS, ONE_CORE),
    "sepic": ("sepic", BOTH_WAYS, {}),
    "sepic that imitates": ("sepic", BOTH_WAYS | {"light_load": "diode emulation"}, ONE_CORE),
}
"""Name -> topology, changes of the bench's spec, changed cells of the sample parts."""

POSITIONS = {
    "diode-buck": ("input-high", "input-diode"),
    "buck": ("input-high", "input-low"),
    "diode-boost": ("output-low", "output-diode"),
    "diode-sepic": ("output-low", "output-diode"),
    "sepic": ("output-low", "output-high"),
}


def data_of(topology: str, **changes: Any) -> dict[str, Any]:
    """The bench's spec for a topology, with a point of light load."""
    found = copy.deepcopy(benches.DATA)
    record = found["controllers"].pop("buck") | {
        "v_sense_min_mv": 30.0, "v_sense_typ_mv": 33.0, "v_sense_max_mv": 36.0,
    }  # fmt: skip
    record |= {"light_load": changes.pop("light_load")} if "light_load" in changes else {}
    if topology.startswith("diode"):
        record = {key: v for key, v in record.items() if not key.startswith("time_dead")}
    found |= changes | {"topologies": [topology], "controllers": {topology: record}}
    scale = found["load"]["v_output_v"] / benches.V_OUTPUT
    for key in ("v_overvoltage_min_v", "v_overvoltage_typ_v", "v_overvoltage_max_v"):
        record[key] *= scale
    nominal = found["source"]["v_nominal_v"]
    found["limits"] |= {"loss_ceiling_pct": 18.0, "floors": []}
    found["limits"]["v_ripple_output_mv"] = 900.0
    found["mission"] = {
        "rows": [random_cases._row(nominal, 100.0, 50.0), random_cases._row(nominal, 6.0, 50.0)]
    }
    return found


def stage_of(name: str) -> Stage:
    """The stage of a case, with two makers of every part."""
    topology, changes, cells = CASES[name]
    spec = parse_spec(random_cases.toml(data_of(topology, **changes)))
    with TemporaryDirectory() as folder:
        for kind in ("mosfet", "diode", "inductor", "capacitor", "resistor"):
            made = catalog_samples.rows(kind, 2)
            made[1]["maker"] = "Another"
            changed = [row | SOME.get(kind, {}) | cells.get(kind, {}) for row in made]
            catalog_samples.write(Path(folder), kind, changed)
        tables = read_catalog([Path(folder)]).tables
    return build_stage(spec, topology, lanes=points(spec, topology).lanes, tables=tables)


def chosen_of(stage: Stage, pieces: int = 6) -> Chosen:
    """The first part of every kind at each place, and a coupling bank of two types."""
    name, coil = stage.topology.NAME, np.array([0])
    banks = dict.fromkeys(stage.nodes, ((0, pieces),))
    if "coupling" in banks:
        banks["coupling"] = ((0, 2 * pieces), (1, 2 * pieces))
    return Chosen(
        topology=name,
        frequency=300e3,
        coil=0,
        coil_pieces=int(stage.coil_pieces(coil)[0]),
        transistor=dict.fromkeys(POSITIONS[name], (0, 1)),
        bank=banks,
        sense=(0, 1),
    )


@cache
def faults_of(name: str) -> dict[str, FaultLine]:
    """Fault lines of a case by name."""
    stage = stage_of(name)
    return {line.fault: line for line in fault_lines(stage, chosen_of(stage))}


@cache
def _run(name: str) -> Any:
    stage = stage_of(name)
    chosen = [chosen_of(stage)]
    verified = verified_sets(stage, chosen)
    point = FrontPoint(
        number=1,
        cost=verified[0].cost,
        loss_model=verified[0].loss_mission,
        bound=verified[0].loss_mission,
        proof="merge",
        loss_difference=0.0,
        mark="cheapest",
        tie=-1,
        verified=verified[0],
    )
    stages = {stage.topology.NAME: stage}
    points, _ = with_evidence(stages, [point], chosen, meanwhile=tuple)
    run = Run(
        name="one", title=name, currency="EUR", objective="mission",
        points=points, complete=True, engine="merge",
        not_proved="", state_difference=0.0, refused=(), waterfalls=(), lanes_dropped=(), notes=(),
        echo=echo_rows(stage.spec), stages={}, counts={}, hashes={}, versions={},
        shapes={stage.topology.NAME: shape_of(stage)},
    )  # fmt: skip
    return json.loads(result_text(kept(as_plain(run))))


def stage_run(name: str) -> dict[str, Any]:
    """The run of a case as an archive gives it back, free to be changed."""
    return restored(copy.deepcopy(_run(name)))
