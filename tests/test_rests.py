"""Own states: one rest wherever they start from; a loss that does not rest is not known."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer import assembly
from optimizer.assembly import Sets
from optimizer.conclude_figures import own_stage, verified_sets
from optimizer.conclude_sets import Chosen
from optimizer.points import points
from optimizer.spec import parse_spec
from optimizer.stage import Stage, build_stage
from tests import benches
from tests.oracles import random_cases

V_OUTPUT, TIME_DEAD = 24.0, 30e-9
AT_TEST = (30.0 / V_OUTPUT) ** 0.5
"""Charge at the voltage of the catalog over that at the output."""

CHOSEN = Chosen(
    topology="boost",
    frequency=300e3,
    coil=0,
    coil_pieces=1,
    transistor={"output-low": (0, 1), "output-high": (0, 1)},
    bank={"input": ((0, 3),), "output": ((0, 3),)},
    sense=(0, 1),
)


def one_set() -> Sets:
    place = (np.zeros(1, dtype=np.int64), np.ones(1, dtype=np.int64))
    return replace(benches.one_set(), transistor=dict.fromkeys(CHOSEN.transistor, place))


def step_up(folder: Path, *, q_output: float) -> Stage:
    """A step-up stage that spends its life at a tenth of the load, where its coil current turns."""
    tiny = benches.bench(folder)
    data = copy.deepcopy(tiny.data)
    limit = {"v_overvoltage_min_v": 26.0, "v_overvoltage_typ_v": 27.0, "v_overvoltage_max_v": 28.0}
    data["topologies"] = ["boost"]
    data["controllers"] = {"boost": data["controllers"]["buck"] | limit}
    data["load"] |= {"v_output_v": V_OUTPUT, "i_output_a": 2.0}
    data["source"] |= {"v_min_v": 10.0, "v_nominal_v": 12.0, "v_max_v": 14.0}
    data["limits"]["floors"] = []
    data["mission"] = {"rows": [{"v_input_v": 12.0, "load_share_pct": 10.0, "share_pct": 100.0}]}
    parts = tiny.with_part("inductor", inductance_typ=4e-6)
    parts = parts.with_part("mosfet", q_output_typ=q_output, q_output_max=q_output)
    spec = parse_spec(random_cases.toml(data))
    return build_stage(spec, "boost", lanes=points(spec, "boost").lanes, tables=parts.tables)


def at_border(folder: Path, share: float) -> Stage:
    """The stage whose coil moves 1/share of the output charges within the dead time."""
    stage = own_stage(step_up(folder, q_output=30e-9))
    result = assembly.own_physics(stage, one_set())
    valley = float(result.scene.wave.legs["output leg"].i_turn_on[0, stage.lanes.share > 0.0][0])
    assert valley < 0.0
    return own_stage(step_up(folder, q_output=-0.5 * valley * TIME_DEAD * AT_TEST * share))


@pytest.mark.parametrize("share", [0.97, 0.99, 1.0, 1.01])
def test_a_turn_on_that_just_swings_rests_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, share: float
) -> None:
    """From no loss, from a little and from much, to the same loss; all or nothing rested twice."""
    stage = at_border(tmp_path, share)
    rests = []
    for first in (0.0, 0.03, 0.3):
        monkeypatch.setattr(assembly, "LOSS_FIRST", first)
        rests.append(assembly.own_physics(stage, one_set(), ripple=False).total)
    assert np.isfinite(rests).all()
    for other in rests[1:]:
        np.testing.assert_allclose(other, rests[0], rtol=1e-8)


def test_a_loss_that_does_not_rest_is_not_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It fails every limit that hangs on it, and is not printed as if it rested."""
    stage = step_up(tmp_path, q_output=20e-9)
    monkeypatch.setattr(assembly, "ITERATIONS_MAX", 2)
    (verified,) = verified_sets(stage, [CHOSEN])
    assert np.isnan(verified.loss_total).all()
    hot = [m for m in verified.failures if m.quantity == "junction temperature"]
    assert {m.subject for m in hot} == set(CHOSEN.transistor)
    assert all(np.isnan(m.value) for m in hot)
