"""The netlist of a run against the run, by a circuit simulator that knows only the netlist.

ngspice (Debian package ngspice) runs the text as it is. Coil, switches, banks and ripple voltages
must agree with what the page shows within 1 %: both come from the same archived records, but the
simulator integrates the switched circuit and knows no harmonics, no admittances and no balance.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.report.netlist import filled, gate, netlist_text, netlist_values, tag
from tests.report.page_runs import detailed, example

needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice not installed")
TOLERANCE = 0.01

CASES = {
    "cabinet": (
        ("window", "guaranteed"), ("step-up", "guaranteed"), ("step-down", "guaranteed"),
        ("24 V, 10 % load", "expected"), ("18 V, 30 % load", "expected"),
    ),
    "cargo_bike": (("minimum input", "guaranteed"), ("transient maximum", "guaranteed")),
    "hut_link": (("minimum input", "guaranteed"), ("listening, day", "expected")),
}  # fmt: skip
"""Operating points by a part of their name and their parameter set."""


def lane_of(point: dict[str, Any], name: str, kind: str) -> int:
    lanes = point["verified"]["lanes"]
    wanted = kind == "guaranteed"
    return next(
        k for k, own in enumerate(lanes["name"]) if name in own and lanes["guaranteed"][k] == wanted
    )


def simulated(text: str, folder: Path) -> dict[str, float]:
    """Every figure ngspice prints, by name."""
    deck = folder / "point.cir"
    deck.write_text(text, "utf-8")
    call = ["ngspice", "-b", str(deck)]
    done = subprocess.run(call, capture_output=True, text=True, timeout=120, check=False)
    found = re.findall(r"^(\w+)\s*=\s*([-+.\deE]+)", done.stdout, re.MULTILINE)
    assert found, done.stdout + done.stderr
    return {name: float(value) for name, value in found}


def told(point: dict[str, Any], lane: int) -> dict[str, float]:
    """The same figures in the archived run."""
    waves = point["verified"]["waves"]
    names = ("i_ripple", "i_rms", "i_mean", "i_bank_input", "i_bank_output")
    found = {name: waves[name][lane] for name in (*names, "v_ripple_input", "v_ripple_output")}
    for position in point["verified"]["part_set"]["transistors"]:
        found[f"i_rms_{tag(position)}"] = waves[f"i_rms {position}"][lane]
    for node, branches in point["evidence"]["circuit"]["banks"].items():
        for k, branch in enumerate(branches, start=1):
            found[f"i_rms_{node}{k}"] = branch["i_rms"][lane]
    return found


@needs_ngspice
@pytest.mark.parametrize("name", CASES)
def test_simulator_agrees_within_one_per_cent(name: str, tmp_path: Path) -> None:
    run = example(name)
    points = detailed(run)
    chosen = (points[0], points[len(points) // 2], points[-1])
    for turn, (place, kind) in enumerate(CASES[name]):
        point = chosen[turn % 3]
        lane = lane_of(point, place, kind)
        seen = simulated(netlist_text(run, point, lane), tmp_path)
        for figure, value in told(point, lane).items():
            slack = 2e-3 * point["verified"]["waves"]["i_rms"][lane] if figure[0] == "i" else 0.0
            where = f"{name}, point {point['number']}, {place}: {figure}"
            assert seen[figure] == pytest.approx(value, rel=TOLERANCE, abs=slack), where


@needs_ngspice
def test_the_comparison_can_fail(tmp_path: Path) -> None:
    run = example("hut_link")
    point = detailed(run)[0]
    text = netlist_text(run, point, 0)
    esr = netlist_values(run, point, 0)["esr_output1"]
    wrong = text.replace(f"c_output1 {esr}", f"c_output1 {3 * float(esr):.6g}")
    assert wrong != text
    seen = simulated(wrong, tmp_path)["v_ripple_output"]
    assert seen != pytest.approx(told(point, 0)["v_ripple_output"], rel=TOLERANCE)


@pytest.mark.parametrize(
    ("share", "on", "expected"),
    [
        ([0.25, 0.75], [True, False], "PULSE(5 0"),
        ([0.25, 0.75], [False, True], "PULSE(0 5"),
        ([0.2, 0.3, 0.5], [False, True, False], "PULSE(0 5"),
        ([0.2, 0.3, 0.5], [True, False, True], "PULSE(5 0"),
        ([0.4, 0.6, 0.0], [True, True, False], "5"),
        ([0.4, 0.6, 0.0], [False, False, True], "0"),
    ],
)
def test_a_gate_follows_its_intervals(share: list[float], on: list[bool], expected: str) -> None:
    """The level in the middle of every interval that lasts is the one asked for."""
    period = 5e-6
    text = gate(np.array(share), np.array(on), period)
    assert text.startswith(expected)
    middles = (np.cumsum(share) - np.array(share) / 2) * period
    for middle, wanted, lasts in zip(middles, on, np.array(share) > 0, strict=True):
        if lasts:
            assert (level(text, float(middle), period) > 2.5) == wanted


def level(text: str, time: float, period: float) -> float:
    """What a simulator makes of a gate source (ngspice manual, PULSE), away from its edges."""
    if not text.startswith("PULSE"):
        return float(text)
    low, high, delay, rise, _, width, again = (float(w) for w in text[6:-1].split())
    assert again == pytest.approx(period)
    inside = (time - delay) % period if time >= delay else -1.0
    return high if rise <= inside <= rise + width else low


def test_texts_of_a_catalog_start_no_line_of_their_own() -> None:
    run = example("hut_link")
    point = detailed(run)[0]
    run["title"] = "x\n.control\nshell rm\n.endc <v_input>"
    point["evidence"]["circuit"]["banks"]["input"][0]["part_number"] = (
        "C\nRleak 1 0 1\r.include <a>"
    )
    lines = netlist_text(run, point, 0).splitlines()
    assert not [line for line in lines if line.startswith(("Rleak", ".include", "shell"))]
    assert sum(line.startswith(".control") for line in lines) == 1
    assert filled("<a> <b>", {"a": "1"}) == "1 <b>"
