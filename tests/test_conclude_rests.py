"""Points that rest at two losses: found, and told; a loss that does not rest is not known."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer import assembly
from optimizer.assembly import Sets
from optimizer.conclude_figures import own_stage, verified_sets
from optimizer.conclude_rests import other_rests, rest_notes
from optimizer.conclude_sets import Chosen
from optimizer.points import points
from optimizer.spec import parse_spec
from optimizer.stage import Stage, build_stage
from tests import benches
from tests.oracles import random_cases

V_OUTPUT, TIME_DEAD = 24.0, 30e-9
WITHIN = 4e-3
"""How far inside the border of the soft turn-on its charge is put, as a share of it."""

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


def at_border(folder: Path) -> Stage:
    """The stage whose charge the coil just moves within the dead time, if it is soft."""
    stage = own_stage(step_up(folder, q_output=30e-9))
    soft = assembly.own_physics(stage, one_set(), loss_first=0.0)
    valley = float(soft.scene.wave.legs["output leg"].i_turn_on[0, stage.lanes.share > 0.0][0])
    assert soft.losses["output-low", "output charge"][0, stage.lanes.share > 0.0] == 0.0
    at_test = 0.5 * -valley * TIME_DEAD * np.sqrt(30.0 / V_OUTPUT)
    return step_up(folder, q_output=at_test * (1.0 - WITHIN))


def test_a_turn_on_that_just_swings_rests_twice(tmp_path: Path) -> None:
    """Both rests repeat themselves, and differ by the output charge V (Q + (Q - Q)/3) f."""
    stage = own_stage(at_border(tmp_path))
    lane = stage.lanes.share > 0.0
    soft, hard = (assembly.own_physics(stage, one_set(), loss_first=first) for first in (0.0, 0.3))
    charge = [one.losses["output-low", "output charge"][0, lane][0] for one in (soft, hard)]
    pair = -hard.scene.wave.legs["output leg"].i_turn_on[0, lane][0] * TIME_DEAD
    assert charge == [0.0, pytest.approx(V_OUTPUT * pair / 2.0 * 300e3, rel=0.01)]
    for one in (soft, hard):
        state = assembly.next_state(one)
        again = assembly.evaluate(replace(one.scene, state=state), one_set())
        assert again.total[0, lane] == pytest.approx(one.total[0, lane], rel=1e-6)
    for told, other in ((soft, hard), (hard, soft)):
        found = other_rests(stage, one_set(), told.total)
        assert found[0, lane] == pytest.approx(other.total[0, lane], rel=1e-8)
        assert np.isnan(found[0, ~lane]).all()


def test_two_rests_are_told(tmp_path: Path) -> None:
    stage = at_border(tmp_path)
    (verified,) = verified_sets(stage, [CHOSEN])
    (note,) = rest_notes({"boost": stage}, [CHOSEN], {"point 7": verified})
    assert note.subject == "two rests at 12 V, 10 % load"
    lane = verified.lanes.share > 0.0
    (other,) = other_rests(own_stage(stage), one_set(), verified.loss_total[None, :])[0, lane]
    told = verified.loss_total[lane][0]
    assert note.text.startswith(
        f"point 7 loses {told:.3f} W as printed or {other:.3f} W (mission {other - told:+.3f} W): "
    )


def test_one_rest_is_not_told(tmp_path: Path) -> None:
    for charge in (20e-9, 60e-9):
        stage = step_up(tmp_path, q_output=charge)
        (verified,) = verified_sets(stage, [CHOSEN])
        assert verified.waves["i_valley"].min() < 0.0
        assert not list(rest_notes({"boost": stage}, [CHOSEN], {"point 7": verified}, [0]))


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
