"""Faults: closed forms against time steps, a circuit simulator, energy, and listed consequences."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from optimizer import conclude, faults, reverse_paths
from optimizer.catalog import read_catalog
from optimizer.records import (
    INPUT_DIODE,
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_DIODE,
    OUTPUT_HIGH,
    OUTPUT_LOW,
)
from optimizer.results import FaultLine, PartSet
from optimizer.reverse_paths import COUPLING
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from tests import tiny

BUCK = (INPUT_HIGH, INPUT_LOW)
BOOST = (OUTPUT_LOW, OUTPUT_HIGH)
FOUR = (*BUCK, *BOOST)

needs_ngspice = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice not installed")


# --- closed forms ---------------------------------------------------------------------------------


def test_the_staircase_against_cycle_by_cycle_steps() -> None:
    """Every cycle the coil gains V ton/L and loses R I T/L until both are equal."""
    v_input, on, frequency, path, coil = 33.6, 120e-9, 300e3, 0.05, 10e-6
    current = 0.0
    for _ in range(20_000):
        current += (v_input * on - path * current / frequency) / coil
    found = faults.i_short_staircase(
        v_input=v_input, time_on_min=on, frequency=frequency, resistance=path, v_short=0.0
    )
    assert found == pytest.approx(current, rel=1e-6)


@settings(max_examples=100, deadline=None)
@given(
    v=st.floats(5, 60),
    coil=st.floats(1e-6, 1e-4),
    i=st.floats(0.1, 30),
    c=st.floats(1e-6, 1e-3),
    time=st.floats(0, 1e-5),
)
def test_overshoot_keeps_the_energy(v: float, coil: float, i: float, c: float, time: float) -> None:
    """Half L I squared goes into the bank; the fed stage ends higher and tends to the cut one."""
    rest = {"v_output": v, "inductance": coil, "i_peak": i, "capacitance": c, "time_response": time}
    top = faults.v_open_cut(**rest)
    start = v + i * time / c
    assert 0.5 * c * (top**2 - start**2) == pytest.approx(0.5 * coil * i**2, rel=1e-6)
    fed = faults.v_open_fed(v_input=0.5 * v, **rest)
    assert fed >= top - 1e-9 * top
    assert faults.v_open_fed(v_input=0.0, **rest) == pytest.approx(top)


def test_bleed_time_by_hand() -> None:
    """100 uF at 48 V on 10 kohm: to 5 V in 1 s x ln(9.6); 10 mF also has to lose energy to 2 J."""
    rest = {"resistance": 1e4, "v_node": 48.0, "v_safe": 5.0, "energy_safe": 2.0}
    assert faults.time_bleed(capacitance=1e-4, **rest) == pytest.approx(math.log(9.6))
    slow = faults.time_bleed(capacitance=0.4, **rest)
    assert slow == pytest.approx(4e3 * math.log(48 / math.sqrt(10)))


# --- live plugging --------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(c=st.floats(1e-6, 1e-4), coil=st.floats(2e-7, 1e-5), damp=st.floats(0.02, 0.9))
def test_a_series_circuit_has_its_textbook_overshoot(c: float, coil: float, damp: float) -> None:
    """Peak = V (1 + exp(-pi z/sqrt(1 - z^2))) of the second-order step response (closed form)."""
    resistance = 2.0 * damp * math.sqrt(coil / c)
    found = faults.v_plug_peak(
        v_input=24.0, inductance=coil, resistance=resistance, first=lambda v: c, esr_first=1e-9
    )
    wanted = 24.0 * (1.0 + math.exp(-math.pi * damp / math.sqrt(1.0 - damp**2)))
    assert found == pytest.approx(wanted, rel=1e-3)


def test_a_capacitance_that_falls_rings_higher_by_its_energy() -> None:
    """Without losses the source gives V q, the bank holds the integral of v dq: a root search."""
    from scipy.integrate import quad
    from scipy.optimize import brentq

    def held(v: float) -> float:
        return 20e-6 / (1.0 + (v / 20.0) ** 2)

    def surplus(top: float) -> float:
        charge = quad(held, 0.0, top)[0]
        energy = quad(lambda v: v * held(v), 0.0, top)[0]
        return 24.0 * charge - energy

    wanted = brentq(surplus, 30.0, 200.0)
    found = faults.v_plug_peak(
        v_input=24.0, inductance=2e-6, resistance=1e-9, first=held, esr_first=1e-9
    )
    assert found == pytest.approx(wanted, rel=5e-3)
    assert found > 2.2 * 24.0


SPICE = """* live plugging
V1 in 0 PULSE(0 {v} 0 1n 1n 1 2)
R1 in a {r}
L1 a node {l}
C1 node x {c1}
R2 x 0 {r1}
{second}
.options reltol=1e-5
.tran 5n {stop} 0 5n uic
.control
run
meas tran top MAX v(node)
.endc
.end
"""

PLUGS = {
    "ceramics alone": (24.0, 2e-6, 0.05, 10e-6, 2e-3, None),
    "long cable": (48.0, 8e-6, 0.1, 5e-6, 3e-3, None),
    "with a damper": (24.0, 2e-6, 0.05, 10e-6, 2e-3, (47e-6, 0.35)),
    "with a bulk of low resistance": (36.0, 3e-6, 0.03, 8e-6, 2e-3, (100e-6, 0.025)),
}


@needs_ngspice
@pytest.mark.parametrize("name", PLUGS)
def test_live_plugging_against_the_simulator(name: str, tmp_path: Path) -> None:
    v, coil, r, c, esr, second = PLUGS[name]
    more = "" if second is None else f"C2 node y {second[0]}\nR3 y 0 {second[1]}"
    stop = 6 * math.pi * math.sqrt(coil * (c + (second[0] if second else 0.0)))
    netlist = SPICE.format(v=v, r=r, l=coil, c1=c, r1=esr, second=more, stop=stop)
    (tmp_path / "plug.cir").write_text(netlist)
    done = subprocess.run(
        ["ngspice", "-b", "plug.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=120
    )
    top = re.search(r"top\s+=\s+([\d.e+-]+)", done.stdout)
    assert top, done.stdout + done.stderr
    found = faults.v_plug_peak(
        v_input=v,
        inductance=coil,
        resistance=r,
        first=lambda _: c,
        esr_first=esr,
        second=(lambda _: second[0]) if second else None,
        esr_second=second[1] if second else 1.0,
    )
    assert found == pytest.approx(float(top[1]), rel=0.01)


def test_the_damping_rule_damps() -> None:
    """Four times the ceramics with the characteristic impedance: less than 1.6 times the source."""
    coil, c = 2e-6, 10e-6
    more, ohms = faults.damping(inductance=coil, capacitance=c)
    rest = {"v_input": 24.0, "inductance": coil, "resistance": 0.01, "esr_first": 2e-3}
    alone = faults.v_plug_peak(first=lambda _: c, **rest)
    damped = faults.v_plug_peak(first=lambda _: c, second=lambda _: more, esr_second=ohms, **rest)
    assert alone > 1.9 * 24
    assert damped < 1.6 * 24


# --- paths ----------------------------------------------------------------------------------------

OFF = {
    "buck": (BUCK, {"load back to source"}),
    "boost": (BOOST, {"source to load"}),
    "four-switch": (FOUR, set()),
    "diode-buck": ((INPUT_HIGH, INPUT_DIODE), {"load back to source"}),
    "diode-boost": ((OUTPUT_LOW, OUTPUT_DIODE), {"source to load"}),
    "sepic": ((OUTPUT_LOW, OUTPUT_HIGH, COUPLING), set()),
    "diode-sepic": ((OUTPUT_LOW, OUTPUT_DIODE, COUPLING), set()),
}
"""By hand: a step-down stage feeds back through input-high, a step-up stage never parts, the bank
between two coils holds back a steady current."""

SHORTS = {
    ("buck", INPUT_HIGH): {"source to load", "load back to source"},
    ("buck", INPUT_LOW): {"load back to source", "load shorted"},
    ("boost", OUTPUT_LOW): {"source to load", "source shorted"},
    ("boost", OUTPUT_HIGH): {"source to load", "load back to source"},
    ("four-switch", INPUT_HIGH): {"source to load"},
    ("four-switch", INPUT_LOW): set(),
    ("four-switch", OUTPUT_LOW): set(),
    ("four-switch", OUTPUT_HIGH): {"load back to source"},
    ("diode-buck", INPUT_HIGH): {"source to load", "load back to source"},
    ("diode-buck", INPUT_DIODE): {"load back to source", "load shorted"},
    ("diode-boost", OUTPUT_LOW): {"source to load", "source shorted"},
    ("diode-boost", OUTPUT_DIODE): {"source to load", "load back to source"},
    ("sepic", OUTPUT_LOW): {"source shorted"},
    ("sepic", OUTPUT_HIGH): {"load shorted"},
    ("sepic", COUPLING): {"source to load", "source shorted"},
    ("diode-sepic", OUTPUT_LOW): {"source shorted"},
    ("diode-sepic", OUTPUT_DIODE): {"load shorted"},
    ("diode-sepic", COUPLING): {"source to load", "source shorted"},
}
"""What conducts with everything commanded off and one transistor shorted, by hand."""


@pytest.mark.parametrize("name", OFF)
def test_paths_with_everything_off(name: str) -> None:
    positions, wanted = OFF[name]
    assert set(reverse_paths.off_paths(positions)) == wanted
    assert reverse_paths.reversed_input(positions)


@pytest.mark.parametrize(("name", "position"), SHORTS)
def test_paths_with_one_shorted(name: str, position: str) -> None:
    found = reverse_paths.off_paths(OFF[name][0], short=position)
    assert set(found) == SHORTS[name, position]


@pytest.mark.parametrize("name", OFF)
def test_every_short_and_open_is_listed(name: str) -> None:
    positions = OFF[name][0]
    rows = dict(reverse_paths.consequences(positions))
    assert len(rows) == 2 * len(positions)
    assert all(rows.values())
    for position in positions:
        if position == INPUT_HIGH:
            assert "over-voltage shut-down cannot stop it" in rows[f"{position} shorted"]
        if position == OUTPUT_LOW:
            coil = "across the source" if name == "four-switch" else "shorted through the"
            assert coil in rows[f"{position} shorted"]
        if position.endswith("diode") or position == COUPLING:
            assert "has no path" in rows[f"{position} open"]
        if position == COUPLING:
            assert "through both coils" in rows[f"{position} shorted"]


DISCHARGES = {
    ("boost", OUTPUT_LOW): {(OUTPUT_HIGH, False)},
    ("boost", OUTPUT_HIGH): {(OUTPUT_LOW, False)},
    ("four-switch", INPUT_LOW): {(OUTPUT_HIGH, True)},
    ("four-switch", OUTPUT_LOW): {(OUTPUT_HIGH, False)},
    ("four-switch", OUTPUT_HIGH): {(INPUT_LOW, True), (OUTPUT_LOW, False)},
    ("diode-boost", OUTPUT_DIODE): {(OUTPUT_LOW, False)},
}
"""By hand: what runs a battery at the output into ground once it turns on, beside one short, and
whether through a coil. Elsewhere the short alone does, or a healthy stage would too."""


@pytest.mark.parametrize(("name", "position"), SHORTS)
def test_what_discharges_a_battery_beside_a_short(name: str, position: str) -> None:
    positions = OFF[name][0]
    found = set(reverse_paths.discharges(positions, position))
    assert found == DISCHARGES.get((name, position), set())
    text = dict(reverse_paths.consequences(positions, battery=True))[f"{position} shorted"]
    plain = dict(reverse_paths.consequences(positions))[f"{position} shorted"]
    assert text.startswith(plain.split("; ")[0])
    for one, coil in found:
        way = f"through {one}{', the coil' if coil else ''} and {position} while {one} is on"
        assert way in text
    assert ("back-feed" in text) == bool(found)
    held = SHORTS[name, position]
    if found or "load shorted" in held:
        assert "needs a fuse" in text
    if position in (INPUT_HIGH, COUPLING):
        assert "the battery is overcharged" in text
        assert "battery" not in plain


def test_a_position_nobody_knows_lies_outside() -> None:
    rows = dict(reverse_paths.consequences((*BUCK, "clamp-diode")))
    assert "outside this tool" in rows["clamp-diode shorted or open"]


# --- a whole set ----------------------------------------------------------------------------------


def judged(
    folder: Path, part_set: dict[str, object] | None = None, **sections: object
) -> dict[str, FaultLine]:
    """Fault lines of one set of the tiny job by name."""
    spec, catalog = job(folder, **sections)
    one = tiny.board(**(part_set or {}))
    verified, _ = conclude.verify_board(spec, catalog, one)
    return {line.fault: line for line in verified.faults}


def job(folder: Path, **sections: object) -> tuple[Spec, object]:
    spec = read_spec(_job(folder, sections))
    return spec, read_catalog(spec.catalogs)


def _job(folder: Path, sections: dict[str, object]) -> Path:
    tiny.write_catalogs(folder / "parts")
    data = tiny.spec_data()
    for section, values in sections.items():
        if section == "controller":
            data["controllers"]["buck"] |= values
        else:
            data[section] = {**data.get(section, {}), **values}
    return tiny.write_spec(folder, data)


STAIRS = "output short at the highest input, shortest on-time"
OVERLOAD = "sustained overload just below the limit"
HELD = "output short held by the limit"
OPEN = "load open at full current"
GONE = "output short goes away"
PLUG = "input plugged in live"
HIGHEST = "highest voltage anywhere"


def test_staircase_by_hand_and_its_remedies(tmp_path: Path) -> None:
    """26 V x 100 ns x 324 kHz = 0.842 V less 0.1 V at the short, over the cold path."""
    plain = judged(tmp_path / "a")[STAIRS]
    assert plain.verdict == "fails"
    amps = float(re.search(r"at ([\d.]+) A over ([\d.]+) mohm", plain.text)[1])
    ohms = float(re.search(r"over ([\d.]+) mohm", plain.text)[1]) * 1e-3
    assert amps * ohms == pytest.approx(26 * 100e-9 * 324e3 - 0.1, rel=2e-3)
    folded = judged(tmp_path / "b", faults={"short_response": "fold-back"})[STAIRS]
    assert folded.verdict == "holds"
    assert "below the smallest limit" in folded.text
    paused = judged(tmp_path / "c", faults={"short_response": "hiccup"})[STAIRS]
    assert (paused.verdict, "pauses" in paused.text) == ("holds", True)


def test_overload_heats_more_than_rated_load(tmp_path: Path) -> None:
    """A limit at ten times the load lets a part burn; one closer to the load holds."""
    far = judged(
        tmp_path / "a",
        controller={"v_sense_min_mv": 110.0, "v_sense_typ_mv": 115.0, "v_sense_max_mv": 120.0},
    )[OVERLOAD]
    near = judged(
        tmp_path / "b",
        controller={"v_sense_min_mv": 18.0, "v_sense_typ_mv": 19.0, "v_sense_max_mv": 20.0},
    )[OVERLOAD]
    assert far.verdict == "fails"
    assert near.verdict == "holds"
    assert float(re.search(r"limit ([\d.]+) A", near.text)[1]) < 6.0
    held = judged(
        tmp_path / "c",
        controller={"v_sense_min_mv": 18.0, "v_sense_typ_mv": 19.0, "v_sense_max_mv": 20.0},
    )[HELD]
    assert held.verdict == "holds"


def test_open_load_against_energy_by_hand(tmp_path: Path) -> None:
    found = judged(tmp_path)[OPEN]
    start, amps, top = (float(x) for x in re.findall(r"([\d.]+) (?:V of|A in|V;)", found.text))
    assert start == 13.5
    assert found.verdict == "holds"
    assert top > start
    small = judged(tmp_path / "b", {"bank_output": (("C-TEN", 1),)})[OPEN]
    more = float(re.search(r"end at ([\d.]+) V", small.text)[1])
    assert more > top
    assert amps > 3.0


def test_a_short_that_goes_away_by_hand(tmp_path: Path) -> None:
    """All energy of the coil goes into 4 x 22 uF at bias, after 2 us at the current told.

    L-LARGE is 15 uH + 20 %. What the open load says of the same bank gives its capacitance: with
    V the limit raised in the response, C = (L I^2 + 2 V t I)/(V2^2 - V^2) to the order of t/C.
    """

    def told(line: FaultLine) -> tuple[float, float]:
        amps, top = re.search(r"and ([\d.]+) A in the coil end at ([\d.]+) V", line.text).groups()  # type: ignore[union-attr]
        return float(amps), float(top)

    def bank(amps: float, top: float) -> float:
        def left(held: float) -> float:
            return math.hypot(13.5 + amps * 2e-6 / held, amps * math.sqrt(18e-6 / held)) - top

        return float(optimize.brentq(left, 1e-6, 1e-3))

    found = judged(tmp_path / "a")
    amps, top = told(found[GONE])
    assert amps == pytest.approx(float(re.search(r"rest at ([\d.]+) A", found[STAIRS].text)[1]))  # type: ignore[index]
    assert bank(amps, top) == pytest.approx(bank(*told(found[OPEN])), rel=0.01)
    assert found[GONE].text.startswith("comes back by itself")
    folded = judged(tmp_path / "b", faults={"short_response": "fold-back"})
    limit = float(re.search(r"largest limit ([\d.]+) A", folded[HELD].text)[1])  # type: ignore[index]
    assert told(folded[GONE])[0] == pytest.approx(limit)
    assert told(folded[GONE])[1] < top
    weak = {"v_sense_min_mv": 18.0, "v_sense_typ_mv": 19.0, "v_sense_max_mv": 20.0}
    never = judged(tmp_path / "c", load={"i_output_a": 4.5}, controller=weak)[GONE]
    assert never.verdict == "fails"
    assert never.text.startswith("may not come back under full load")


def test_live_plugging_and_the_touch_limit(tmp_path: Path) -> None:
    plain = judged(tmp_path / "a")
    assert plain[PLUG].verdict == "fails"
    assert "damp with about" in plain[PLUG].text
    calm = judged(tmp_path / "b", faults={"resistance_cable_ohm": 2.0})
    assert calm[PLUG].verdict == "holds"
    assert calm[HIGHEST].verdict == "holds"
    never = judged(tmp_path / "c", faults={"hot_plug": False})
    assert never[PLUG].verdict == "outside"
    top = float(re.search(r"to ([\d.]+) V", plain[PLUG].text)[1])
    assert (plain[HIGHEST].verdict == "fails") == (top > 60.0)


def test_transients_name_the_rule_that_was_used(tmp_path: Path) -> None:
    dump = {"name": "dump", "v_input_v": 34, "time_ms": 400}
    lasting = {"name": "jump", "v_input_v": 33, "time_s": 60}
    found = judged(tmp_path, source={"transients": [dump, lasting]})
    assert "transient share" in found["input transient: dump"].text
    assert "continuous share" in found["input transient: jump"].text
    crank = {"name": "crank", "v_input_v": 8, "time_ms": 20, "regulates": False}
    dip = judged(tmp_path, source={"transients": [crank]})["input transient: crank"]
    assert dip.verdict == "holds"
    assert dip.text.endswith("the output need not hold there and may fall")


def test_back_feed_of_a_battery_needs_a_blocking_part(tmp_path: Path) -> None:
    load = {"kind": "lead-acid", "cells_pcs": 5, "i_output_a": 2}
    wide = {"v_overvoltage_min_v": 15, "v_overvoltage_typ_v": 15.5, "v_overvoltage_max_v": 16}
    spec, catalog = _charger(tmp_path, load, wide)
    one = PartSet(
        "buck", 300e3, "L-LARGE", {"input-high": ("M-FINE", 1), "input-low": ("M-FINE", 1)},
        (("C-TEN", 4),), (("C-TWENTY", 4),), ("R-FOUR", 1),
    )  # fmt: skip
    verified, _ = conclude.verify_board(spec, catalog, one)
    lines = {line.fault: line for line in verified.faults}
    assert "blocking transistor" in lines["back-feed with the input off"].text
    assert lines["battery removed at full current"].verdict == "holds"
    absent = lines["battery absent"]
    assert absent.verdict == "holds"
    assert "over-voltage limit 16 V for ever: output-bank sees 16 V of" in absent.text
    # 16 V onto five cells deep discharged (1.5 V), 25 mohm of sense for 50 mV at 2 A
    pulse = (16.0 - 5 * 1.5 - 25e-3 * 0.2) / 25e-3
    told = re.search(r"draws up to ([\d.]+) A", absent.text)
    assert told is not None
    assert float(told[1]) == pytest.approx(pulse, rel=2e-3)
    assert "battery with swapped poles" in lines


def _charger(
    folder: Path, load: dict[str, object], controller: dict[str, object]
) -> tuple[Spec, object]:
    tiny.write_catalogs(folder / "parts")
    data = tiny.spec_data()
    data["load"] = load
    data["controllers"]["buck"] |= controller
    del data["mission"], data["limits"]["floors"]
    spec = read_spec(tiny.write_spec(folder, data))
    return spec, read_catalog(spec.catalogs)


def test_stored_energy_by_hand(tmp_path: Path) -> None:
    """4 x 22 uF, their tolerance up, at 13.5 V."""
    found = judged(tmp_path)["stored energy, output bank"].text
    joules = float(re.search(r"([\d.]+) mJ", found)[1]) * 1e-3
    assert 0.5 * 88e-6 * 13.5**2 <= joules <= 0.5 * 88e-6 * 1.25 * 13.5**2
    assert "wait" in found
    assert np.isfinite(joules)


def test_a_surge_does_not_heat_the_board_more_than_what_lasts(tmp_path: Path) -> None:
    """A surge loses more than anything that lasts, on a board no warmer; its heat is told."""
    surges = [{"name": "start", "i_output_a": 4.5, "time_ms": 300}]
    spec, catalog = job(tmp_path, load={"surges": surges})
    one = PartSet(
        "buck", 300e3, "L-LARGE", {"input-high": ("M-FINE", 1), "input-low": ("M-FINE", 1)},
        (("C-TEN", 4),), (("C-TWENTY", 4),), ("R-FOUR", 1),
    )  # fmt: skip
    verified, _ = conclude.verify_board(spec, catalog, one)
    lanes, board = verified.lanes, verified.temps["board"]
    brief, lasting = lanes.transient, lanes.guaranteed & ~lanes.transient
    surge = np.array(["start" in name for name in lanes.name])
    assert verified.loss_total[surge].max() > 1.2 * verified.loss_total[lasting].max()
    assert board[brief].max() == pytest.approx(board[lasting].max())
    lines = {line.fault: line for line in verified.faults}
    assert "if they lasted" in lines["short events, heat"].text
