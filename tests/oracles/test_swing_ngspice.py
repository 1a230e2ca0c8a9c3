"""A turn-on after a partial swing against ngspice: half bridge with coil, charges and dead time.

The charges are those of two junctions whose capacitance falls with the root of the voltage; the
node is held at zero with the coil current flowing, let go for the dead time, then pulled up through
the transistor as a resistor.
"""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from optimizer.parts import switching

HELD, PULLED, OHMS = 10e-9, 20e-9, 0.5
V_JUNCTION = 0.02
"""Voltage below which a junction's capacitance stops rising [V]."""


@dataclass(frozen=True)
class Case:
    """A control transistor that takes over from a coil current below zero, in SI units."""

    v_node: float
    v_other: float
    inductance: float
    i_swing: float
    q_output: float
    q_output_partner: float
    time_dead: float = 30e-9


CASES = {
    "no current": Case(24.0, 12.0, 12e-6, 1e-4, 8e-9, 22e-9),
    "half of the current": Case(24.0, 12.0, 12e-6, 0.5, 8e-9, 22e-9),
    "just short": Case(24.0, 12.0, 12e-6, 0.9, 8e-9, 22e-9),
    "large control": Case(48.0, 12.0, 10e-6, 1.0, 50e-9, 14e-9),
    "past it": Case(24.0, 12.0, 12e-6, 1.05, 8e-9, 22e-9),
}


def netlist(case: Case) -> list[str]:
    def junction(name: str, charge: float) -> str:
        least = charge / (2 * V_JUNCTION * (sqrt(1 + case.v_node / V_JUNCTION) - 1))
        return f".model {name} d(is=1e-9 cjo={least} vj={V_JUNCTION} m=0.5)"

    on = HELD + case.time_dead
    return [
        f"Vin in 0 {case.v_node}",
        "Vs in drain 0",
        "Dc n in control",
        "Ds 0 n partner",
        junction("control", case.q_output),
        junction("partner", case.q_output_partner),
        "S1 drain n c 0 pull",
        "S2 n 0 h 0 hold",
        f".model pull sw(vt=0.5 vh=0.01 ron={OHMS} roff=100meg)",
        ".model hold sw(vt=0.5 vh=0.01 ron=1m roff=100meg)",
        f"Vh h 0 pwl(0 1 {HELD} 1 {HELD + 1e-11} 0)",
        f"Vc c 0 pwl(0 0 {on} 0 {on + 1e-11} 1)",
        f"L1 n out {case.inductance} ic={-case.i_swing}",
        f"Vo out 0 {case.v_other}",
        "Bp power 0 V='v(in,n)*(i(Vs)-i(L1))'",
        f".tran 10p {on + PULLED + 5e-9} 0 10p uic",
        f".meas tran burnt integ v(power) from={on} to={on + PULLED}",
        f".meas tran swung find v(n) at={on}",
    ]


def simulated(case: Case, folder: Path) -> tuple[float, float]:
    """Share of the voltage left across the control transistor, and what it burns of the charges."""
    deck = folder / "swing.cir"
    deck.write_text("\n".join(["* swing", *netlist(case), ".end", ""]), "utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False
    )
    found = dict(re.findall(r"^(burnt|swung)\s*=\s*([-+.\deE]+)", done.stdout, re.MULTILINE))
    return 1.0 - float(found["swung"]) / case.v_node, float(found["burnt"])


def predicted(case: Case) -> tuple[float, float]:
    pair = {
        "q_output": np.array(case.q_output),
        "q_output_partner": np.array(case.q_output_partner),
    }
    swapped = {"q_output": pair["q_output_partner"], "q_output_partner": pair["q_output"]}
    volts = np.array(case.v_node)
    moved = switching.q_swung(
        i_swing=np.array(case.i_swing),
        time_dead=np.array(case.time_dead),
        inductance=np.array(case.inductance),
        energy_swing=switching.energy_output_pair(v_node=volts, **swapped),
        **pair,
    )
    still = case.q_output + case.q_output_partner - moved
    left = switching.share_left(q_swung=moved, **pair)
    burnt = switching.energy_output_left(
        v_node=volts,
        share_left=left,
        share_moved=switching.share_left(q_swung=still, **swapped),
        **pair,
    )
    return float(left), float(burnt)


def hard(case: Case) -> float:
    """What the whole charge burns."""
    found = switching.energy_output_pair(
        v_node=np.array(case.v_node),
        q_output=np.array(case.q_output),
        q_output_partner=np.array(case.q_output_partner),
    )
    return float(found)


@pytest.mark.parametrize("name", CASES)
def test_the_circuit_burns_what_is_left(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    (left, burnt), told = simulated(case, tmp_path), predicted(case)
    assert told[0] == pytest.approx(left, abs=0.05)
    assert told[1] == pytest.approx(burnt, abs=0.06 * hard(case))


def test_all_or_nothing_is_not_what_the_circuit_burns(tmp_path: Path) -> None:
    case = CASES["half of the current"]
    _, burnt = simulated(case, tmp_path)
    assert 0.1 < burnt / hard(case) < 0.5
