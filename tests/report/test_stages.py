"""Evidence of stages with a diode, an imitated diode or two coils.

The netlist runs in ngspice (Debian package ngspice) and gives ripple and rms of the records within
1 %; every derived number follows from its formula; the waveforms integrate to the figures.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.report.netlist import netlist_text, netlist_values
from optimizer.report.netlist_stage import tag
from optimizer.report.page import page_text
from optimizer.report.page_data import page_data
from tests.report.stage_runs import CASES, stage_run
from tests.report.test_netlist import TOLERANCE, simulated, told
from tests.report.test_page import rederived

needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice not installed")
TWO_COILS = [name for name in CASES if "sepic" in name]
WINDINGS = ("input-winding", "output-winding")


def point_of(name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    run = stage_run(name)
    return run, run["points"][0]


def lanes_of(point: dict[str, Any]) -> list[int]:
    """Full load at the slow corner and the lowest input; the lightest load."""
    lanes = point["verified"]["lanes"]
    firm = [k for k, held in enumerate(lanes["guaranteed"]) if held]
    lowest = min(firm, key=lambda k: (lanes["v_input"][k], -lanes["i_output"][k]))
    return [lowest, min(range(len(lanes["name"])), key=lambda k: lanes["i_output"][k])]


# --- the simulator --------------------------------------------------------------------------------


@needs_ngspice
@pytest.mark.parametrize("name", CASES)
def test_simulator_agrees_within_one_per_cent(name: str, tmp_path: Path) -> None:
    run, point = point_of(name)
    rests = 0
    for lane in lanes_of(point):
        seen, wanted = simulated(netlist_text(run, point, lane), tmp_path), told(point, lane)
        rests += point["evidence"]["traces"]["duration"][lane][2] > 0.0
        if name in TWO_COILS:
            for winding in WINDINGS:
                wanted[f"i_rms_{tag(winding)}"] = _winding_rms(run, point, winding, lane)
        # a mean near zero is the small difference of large halves
        slack = 1e-3 * point["verified"]["waves"]["i_ripple"][lane]
        for figure, value in wanted.items():
            where = f"{name}, lane {lane}: {figure}"
            off = slack if figure[0] == "i" else 0.0
            assert seen[figure] == pytest.approx(value, rel=TOLERANCE, abs=off), where
    assert bool(rests) == (name != "sepic"), "a current that may rest does at the light load"


def _winding_rms(run: dict[str, Any], point: dict[str, Any], winding: str, lane: int) -> float:
    """Rms of a winding's current, integrated from the kept break points."""
    traces = point["evidence"]["traces"]
    shape = run["shapes"][point["verified"]["part_set"]["topology"]]
    share, coil = np.array(traces["duration"][lane]), np.array(traces["i_coil"][lane])
    ends = coil / 2.0 + shape["apart"][winding][lane][0] * traces["i_apart"][lane]
    one, two = ends[:-1], ends[1:]
    return float(np.sqrt(np.sum(share * (one**2 + one * two + two**2) / 3)))


@needs_ngspice
def test_the_comparison_can_fail(tmp_path: Path) -> None:
    """A forward voltage left out, and a wrong difference of the coils, are noticed."""
    for name, blank in (("diode-buck", "drop_input_diode"), ("diode-sepic", "i_second")):
        run, point = point_of(name)
        lane = lanes_of(point)[0]
        value = netlist_values(run, point, lane)[blank]
        text = netlist_text(run, point, lane)
        wrong = text.replace(f" {value}\n", " 1.5\n") if blank[0] == "d" else ""
        wrong = wrong or text.replace(f"IC={value}", f"IC={1.3 * float(value):.6g}")
        assert wrong != text
        seen, wanted = simulated(wrong, tmp_path), told(point, lane)
        figures = ("i_mean", "i_rms", "i_ripple")
        assert any(seen[f] != pytest.approx(wanted[f], rel=TOLERANCE) for f in figures), name


# --- numbers --------------------------------------------------------------------------------------

DIODE = (
    *("slope of the forward line", "conduction loss", "loss of the reverse current"),
    *("junction temperature", "average current allowed", "reverse voltage with ringing, transient"),
)
COILS = (
    *("input winding: copper loss", "output winding: copper loss", "temperature"),
    *(
        "inductance that the sum of both currents sees",
        "hot saturation, as a current of the switch",
    ),
)


@pytest.mark.parametrize("name", CASES)
def test_every_number_follows_from_its_formula(name: str) -> None:
    run, point = point_of(name)
    data = page_data(run)
    words, detail = data["words"], data["details"]["1"]
    seen = set()
    for row in detail["derivations"]:
        where = f"{name}: {words[row[0]]} {words[row[1]]}"
        assert rederived(row, words) == pytest.approx(row[3], rel=1e-4, abs=1e-15), where
        seen.add((words[row[0]], words[row[1]]))
        lane = row[2]
        if words[row[1]] == "junction temperature":
            assert detail["temps"][words[row[0]]][lane] == pytest.approx(row[3], rel=1e-3), where
        if words[row[1]] == "conduction loss":
            kept = detail["losses"][f"{words[row[0]]} | conduction"][lane]
            assert kept == pytest.approx(row[3], rel=1e-3), where
        if words[row[1]] == "loss of the reverse current":
            kept = detail["losses"][f"{words[row[0]]} | reverse current"][lane]
            assert kept == pytest.approx(row[3], rel=1e-3), where
        if words[row[1]] == "temperature" and words[row[0]] == "inductor":
            assert detail["temps"]["inductor"][lane] == pytest.approx(row[3], rel=1e-3), where
    diode = next((p for p in point["verified"]["part_set"]["transistors"] if "diode" in p), None)
    assert diode is None or {(diode, quantity) for quantity in DIODE} <= seen
    assert name not in TWO_COILS or {("inductor", quantity) for quantity in COILS} <= seen


@pytest.mark.parametrize("name", TWO_COILS)
def test_the_losses_of_both_windings_are_those_of_the_table(name: str) -> None:
    run, _ = point_of(name)
    data = page_data(run)
    words, detail = data["words"], data["details"]["1"]
    for mechanism, word in (("copper", "copper loss"), ("ripple copper", "ripple copper loss")):
        rows = [r for r in detail["derivations"] if words[r[1]].endswith(f"winding: {word}")]
        assert len(rows) == 2
        kept = detail["losses"][f"inductor | {mechanism}"][rows[0][2]]
        assert kept == pytest.approx(sum(row[3] for row in rows), rel=1e-3)


def test_a_wrong_input_would_be_noticed() -> None:
    data = page_data(stage_run("diode-sepic"))
    words = data["words"]
    rows = data["details"]["1"]["derivations"]
    row = next(r for r in rows if words[r[1]] == "loss of the reverse current")
    row[6][0][1] *= 1.01
    assert rederived(row, words) != pytest.approx(row[3], rel=1e-4)


# --- waveforms ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_waveforms_have_the_figures_of_the_table(name: str) -> None:
    """Ripple, rms and bank currents of the break points, by integration here."""
    run, point = point_of(name)
    traces, waves = point["evidence"]["traces"], point["verified"]["waves"]
    shape = run["shapes"][point["verified"]["part_set"]["topology"]]
    nodes = ("input", "output", "coupling") if name in TWO_COILS else ("input", "output")
    for lane in range(len(traces["duration"])):
        share, coil = np.array(traces["duration"][lane]), np.array(traces["i_coil"][lane])
        assert np.ptp(coil) == pytest.approx(waves["i_ripple"][lane], rel=1e-3, abs=1e-4)
        for node in nodes:
            part = np.array(shape[f"{node}_current"][lane])
            more = np.zeros(len(part))
            if name in TWO_COILS:
                more = np.array(shape["apart"][node][lane]) * traces["i_apart"][lane]
            one, two = part * coil[:-1] + more, part * coil[1:] + more
            mean = np.sum(share * (one + two)) / 2
            square = np.sum(share * (one**2 + one * two + two**2)) / 3
            alternating = np.sqrt(max(square - mean**2, 0.0))
            assert alternating == pytest.approx(waves[f"i_bank_{node}"][lane], rel=2e-3), node
            if node == "coupling":
                assert abs(mean) < 1e-4 * waves["i_rms"][lane], "its charge must balance"
            unit, *pairs = traces["ripple"][node][lane]
            swing = np.ptp(pairs[1::2]) * unit
            assert swing == pytest.approx(waves[f"v_ripple_{node}"][lane], rel=0.02)


# --- second sources and the page ------------------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_every_part_has_its_second_source(name: str) -> None:
    """The second maker's equal parts pass with the same loss."""
    _, point = point_of(name)
    bought = {line["part_number"] for line in point["verified"]["bill"]}
    for part, others in point["evidence"]["alternates"].items():
        assert part in bought
        assert others, part
        assert all(one["passes"] for one in others), part
        loss = point["verified"]["loss_mission"]
        assert others[0]["loss_mission"] == pytest.approx(loss, rel=1e-6)


@pytest.mark.parametrize("name", ["diode-buck", "diode-sepic"])
def test_the_page_holds_its_panels(name: str) -> None:
    run, _ = point_of(name)
    data = page_data(run)
    detail = data["details"]["1"]
    assert {"traces", "netlist", "derivations", "sweep", "alternates"} <= set(detail)
    assert re.search(r"<title>[^<]*diode", page_text(run))
