"""Charges that were filled: never milder than any true value, in either mechanism they feed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer import evaluation
from optimizer.parts.bridge_records import HalfBridge
from optimizer.stage import Stage
from tests import benches


def bridge(stage: Stage) -> HalfBridge:
    """The only half bridge of the bench at the sizing state, hard edges."""
    sets = benches.one_set()
    scene = evaluation.sizing_scene(stage, sets.frequency, sets.coil)
    (leg,) = stage.topology.LEGS
    return evaluation.half_bridges(scene, leg, stage.mosfets, stage.mosfets)


def with_charges(folder: Path, source: str, threshold: str, *, slow: float = 1.0) -> Stage:
    """The bench with these cells and, to let the charge set the slope, a weak driver."""
    charges = {"q_gate_source_typ_nc": source, "q_gate_threshold_typ_nc": threshold}
    charges |= {"q_recovery_typ_nc": "80", "q_recovery_max_nc": "100"}
    cells = dict(benches.CELLS) | {"mosfet": benches.CELLS["mosfet"] | charges}
    folder.mkdir()
    found = benches.bench(folder, cells)
    return found.with_spec("controller", "r_driver_source_ohm", 10.0 * slow).stage()


@pytest.mark.parametrize("slow", [1.0, 4.0])
def test_a_missing_threshold_is_no_milder_than_any(tmp_path: Path, slow: float) -> None:
    """Recovery as fast as the loop lets it, overlap as long as the whole source charge takes."""
    filled = bridge(with_charges(tmp_path / "none", "8", "", slow=slow))
    worse = []
    for number, true in enumerate(["0.1", "2", "5", "7.9"]):
        known = bridge(with_charges(tmp_path / str(number), "8", true, slow=slow))
        for name in ("loss_turn_on", "loss_turn_off", "loss_recovery"):
            most, own = (getattr(one.control, name) for one in (filled, known))
            assert (own <= most * (1 + 1e-9)).all(), (name, true)
        assert (known.loss <= filled.loss * (1 + 1e-9)).all()
        worse.append(bool((known.control.loss_recovery < 0.9 * filled.control.loss_recovery).any()))
    assert any(worse)


def test_a_missing_source_charge_makes_the_slope_unknown(tmp_path: Path) -> None:
    """0.85 of the plateau charge is long for the overlap; the slope is then the loop's."""
    filled = with_charges(tmp_path / "none", "", "2")
    assert np.isnan(filled.mosfets.q_gate_source).all()
    same = with_charges(tmp_path / "same", "6.25", "2")
    assert bridge(filled).control.loss_turn_on == pytest.approx(bridge(same).control.loss_turn_on)
    assert (bridge(filled).control.loss_recovery >= bridge(same).control.loss_recovery).all()


def test_what_was_given_is_used_as_it_is(tmp_path: Path) -> None:
    stage = with_charges(tmp_path / "all", "8", "5")
    table = stage.tables["mosfet"]
    assert not table.filled["q_gate_threshold_typ"].any()
    typical = ~stage.lanes.guaranteed
    assert stage.mosfets.q_gate_threshold[0, typical] == pytest.approx(5e-9)
