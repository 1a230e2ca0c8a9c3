"""Half bridge against a slow twin, thermal gain against eigenvalues, limits and symmetries."""

from __future__ import annotations

from dataclasses import fields, replace
from math import cos, pi, sin, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from optimizer.parts import board
from optimizer.parts.half_bridge import (
    Drive,
    HalfBridge,
    LegStress,
    Mosfet,
    gain_pair,
    solve,
    v_peaks,
)

PART = {
    "rds_on": 5e-3,
    "rds_on_tempco": 0.006,
    "v_plateau": 3.0,
    "q_gate": 3e-8,
    "q_gate_source": 9e-9,
    "q_gate_threshold": 5e-9,
    "q_gate_drain": 6e-9,
    "v_gate_drain_test": 40.0,
    "r_gate": 1.0,
    "q_output": 4e-8,
    "v_output_test": 40.0,
    "q_recovery": 3e-8,
    "i_recovery_test": 20.0,
    "current_slope_test": 1e8,
    "v_body_diode": 0.9,
    "rth": 11.0,
    "pieces": 1.0,
}
DRIVE = {
    "v_drive": 7.0,
    "v_drive_most": 7.7,
    "r_driver_source": 2.0,
    "r_driver_sink": 1.0,
    "r_gate_external": 2.0,
    "time_dead_on": 3e-8,
    "time_dead_off": 4e-8,
    "inductance_loop": 5e-9,
    "sharing": 1.15,
}
STRESS = {
    "i_turn_on": 8.0,
    "i_turn_off": 12.0,
    "v_node": 48.0,
    "frequency_edges": 3e5,
    "i_rms_control": 5.0,
    "i_rms_synchronous": 8.7,
    "inductance": 1e-5,
    "temp_board": 80.0,
    "i_mean_synchronous": 7.5,
    "share_blocking": 0.25,
}


Q_NODE = 4e-8 * sqrt(48.0 / 40.0)
"""Output charge of one part at the node voltage of `STRESS`."""


def record(kind: type, values: dict[str, Any]) -> Any:
    return kind(**{name: np.asarray(value, dtype=float) for name, value in values.items()})


def run(
    control: dict[str, Any] | None = None,
    synchronous: dict[str, Any] | None = None,
    *,
    drive: dict[str, Any] | None = None,
    **stress: Any,
) -> HalfBridge:
    return solve(
        record(Mosfet, PART | (control or {})),
        record(Mosfet, PART | (synchronous or {})),
        stress=record(LegStress, STRESS | stress),
        drive=record(Drive, DRIVE | (drive or {})),
        board_k_per_w=np.array(6.0),
        thermal_gain_max=np.array(0.4),
    )


# --- slow twin: one lane, plain floats, temperatures by repeated substitution --------------------


def substitute(temp_board: float, rth: float, cool: float, fixed: float, tempco: float) -> float:
    temp = temp_board
    for _ in range(2000):
        temp = temp_board + rth * (cool * max(1 + tempco * (temp - 25), 0.75) + fixed)
    return temp


def heat(p: dict[str, float], square: float, charge: float, s: dict[str, float]) -> list[float]:
    """Hottest temperature, average temperature and loss of a position."""
    n, a = p["pieces"], p["rds_on_tempco"]
    cool = square * p["rds_on"] / n**2
    uneven = DRIVE["sharing"] ** 2 if n > 1 else 1.0
    hot, mean = (
        substitute(s["temp_board"], p["rth"], cool * k, charge / n, a) for k in (uneven, 1.0)
    )
    return [hot, mean, n * cool * max(1 + a * (mean - 25), 0.75) + charge]


def left(own: float, partner: float, v: float, moved: float) -> float:
    """Energy of the charge still to move, int u dq, with the voltage left u = v sin(x)^2."""
    still = own + partner - moved
    if still <= 0.0:
        return 0.0
    end = brentq(lambda x: own * sin(x) + partner * (1 - cos(x)) - still, 0.0, pi / 2)
    return quad(lambda x: v * sin(x) ** 2 * (own * cos(x) + partner * sin(x)), 0.0, end)[0]


def twin(c: dict[str, float], y: dict[str, float], s: dict[str, float]) -> dict[str, float]:
    """Losses and temperatures for a positive valley current."""
    d, f, v, valley, peak = (
        DRIVE,
        *(s[k] for k in ("frequency_edges", "v_node", "i_turn_on", "i_turn_off")),
    )
    gate_on = c["pieces"] * d["r_driver_source"] + d["r_gate_external"] + c["r_gate"]
    gate_off = c["pieces"] * d["r_driver_sink"] + d["r_gate_external"] + c["r_gate"]
    i_on, i_off = (d["v_drive"] - c["v_plateau"]) / gate_on, c["v_plateau"] / gate_off
    second = c["q_gate_source"] - c["q_gate_threshold"]
    q_switch = c["q_gate_drain"] * sqrt(v / c["v_gate_drain_test"]) + second
    q_c, q_y = (p["pieces"] * p["q_output"] * sqrt(v / p["v_output_test"]) for p in (c, y))
    turn_on = 0.5 * v * valley * q_switch / i_on
    turn_off = 0.5 * v * max(peak * q_switch / i_off - q_c - q_y, 0.0)
    output = v * q_y + v * q_c / 3 - v * q_y / 3
    dead = y["v_body_diode"] * (valley * d["time_dead_on"] + peak * d["time_dead_off"])
    square = s["i_rms_synchronous"] ** 2 - f * (
        valley**2 * d["time_dead_on"] + peak**2 * d["time_dead_off"]
    )
    swing = v * (q_c + (q_y - q_c) / 3)
    moved = min(peak * d["time_dead_off"], q_c + q_y)
    moved = min(
        moved, (q_c + q_y) * 0.5 * s["inductance"] * peak**2 / (v * (q_y + (q_c - q_y) / 3))
    )
    short = left(q_y, q_c, v, moved) if moved > 0.0 else swing
    hot_y, _, loss_y = heat(y, square, (dead + short) * f, s)
    i_fast = (d["v_drive_most"] - c["v_plateau"]) / gate_on
    slope = min(valley * i_fast / second, v / d["inductance_loop"])
    each = y["q_recovery"] * sqrt(slope / y["pieces"] / y["current_slope_test"])
    each *= sqrt(valley / y["pieces"] / y["i_recovery_test"])
    recovery = y["pieces"] * each * (1 + 0.8 * (hot_y - 25) / 100)
    recovery = min(recovery, valley * d["time_dead_on"])
    loop = 0.5 * d["inductance_loop"] * (peak**2 + 2 * recovery * slope)
    charge = f * (turn_on + turn_off + output + v * recovery + loop)
    hot_c, _, loss_c = heat(c, s["i_rms_control"] ** 2, charge, s)
    return {"hot_c": hot_c, "hot_y": hot_y, "loss_c": loss_c, "loss_y": loss_y}


@given(
    st.integers(1, 3),
    st.integers(1, 3),
    st.floats(0.5, 15.0),
    st.floats(1.0, 10.0),
    st.floats(8.0, 60.0),
    st.floats(-60.0, 90.0),
    st.floats(1e-9, 1e-7),
    st.floats(1e-9, 1e-7),
)
@settings(max_examples=100, deadline=None)
def test_half_bridge_equals_its_slow_twin(
    n_c: int,
    n_y: int,
    valley: float,
    ripple: float,
    v_node: float,
    temp: float,
    q_c: float,
    q_y: float,
) -> None:
    control = {"pieces": float(n_c), "q_output": q_c, "r_gate": 0.7, "rds_on": 7e-3}
    sync = {"pieces": float(n_y), "q_output": q_y, "q_recovery": q_y, "rth": 14.0}
    stress = {
        "i_turn_on": valley,
        "i_turn_off": valley + ripple,
        "v_node": v_node,
        "temp_board": temp,
    }
    found = run(control, sync, **stress)
    told = twin(PART | control, PART | sync, STRESS | stress)
    assert float(found.synchronous.temp_junction) == pytest.approx(told["hot_y"], rel=1e-9)
    assert float(found.control.temp_junction) == pytest.approx(told["hot_c"], rel=1e-9)
    assert float(found.synchronous.loss) == pytest.approx(told["loss_y"], rel=1e-9)
    assert float(found.control.loss) == pytest.approx(told["loss_c"], rel=1e-9)


# --- shapes and bookkeeping ----------------------------------------------------------------------


def test_arrays_equal_scalars() -> None:
    resistances, currents = [2e-3, 8e-3, 1.4e-2], [-4.0, -0.1, 0.0, 5.0]
    table = run({"rds_on": np.array(resistances)[:, None]}, i_turn_on=np.array(currents))
    assert table.loss.shape == (3, 4)
    for row, rds_on in enumerate(resistances):
        for column, valley in enumerate(currents):
            single = run({"rds_on": rds_on}, i_turn_on=valley)
            for name in ("loss", "gain", "slope_cross"):
                many = np.broadcast_to(getattr(table, name), (3, 4))
                assert many[row, column] == pytest.approx(float(getattr(single, name)), rel=1e-12)


def test_losses_add_up_by_mechanism() -> None:
    for position in (run().control, run().synchronous):
        names = [f.name for f in fields(position) if f.name.startswith("loss_")]
        parts = sum(float(getattr(position, name)) for name in names if name != "loss_charge")
        assert parts == pytest.approx(float(position.loss))


def test_resting_leg_only_conducts() -> None:
    zeros = dict.fromkeys(("i_turn_on", "i_turn_off", "v_node", "frequency_edges"), 0.0)
    found = run(**zeros, i_rms_synchronous=0.0)
    assert float(found.synchronous.loss) == 0.0
    assert float(found.control.loss_charge) == 0.0
    assert float(found.control.loss) == pytest.approx(25.0 * float(found.control.resistance))
    assert float(found.control.i_drive) == 0.0


def test_two_pieces_halve_the_resistance_and_share_the_heat() -> None:
    one, two = run(), run({"pieces": 2.0}, drive={"sharing": 1.0})
    assert float(two.control.loss_conduction) < 0.5 * float(one.control.loss_conduction)
    assert float(two.control.temp_junction) == pytest.approx(float(two.control.temp_average))
    assert float(two.control.i_drive) == pytest.approx(2 * float(one.control.i_drive))


def test_sharing_moves_the_hottest_piece_and_not_the_loss() -> None:
    even, uneven = (run({"pieces": 2.0}, drive={"sharing": s}) for s in (1.0, 1.2))
    assert float(uneven.control.loss) == float(even.control.loss)
    assert float(uneven.control.temp_junction) > float(even.control.temp_junction)


# --- currents below zero -------------------------------------------------------------------------


def test_negative_valley_turns_on_softly_and_moves_the_edge() -> None:
    found = run(i_turn_on=-4.0)
    assert float(found.control.loss_turn_on) == 0.0
    assert float(found.control.loss_output) == 0.0
    assert float(found.control.loss_recovery) == 0.0
    assert float(found.control.loss_dead_time) == pytest.approx(0.9 * 4.0 * 3e-8 * 3e5)
    assert float(found.synchronous.loss_loop) == pytest.approx(0.5 * 5e-9 * 16.0 * 3e5)


def test_small_negative_valley_swings_the_node_part_of_the_way() -> None:
    """Short of current, of time or of energy: what is left burns, the whole charge at zero."""
    hard = float(run(i_turn_on=0.0).control.loss_output)
    assert hard == pytest.approx(3e5 * left(Q_NODE, Q_NODE, 48.0, 0.0))
    for current, inductance, moved in (
        (-0.05, 1e-5, 2 * Q_NODE * 0.5 * 1e-5 * 0.05**2 / (48.0 * Q_NODE)),
        (-2.0, 1e-5, 2.0 * 3e-8),
        (-4.0, 1e-8, 2 * Q_NODE * 0.5 * 1e-8 * 4.0**2 / (48.0 * Q_NODE)),
    ):
        found = float(run(i_turn_on=current, inductance=inductance).control.loss_output)
        assert found == pytest.approx(3e5 * left(Q_NODE, Q_NODE, 48.0, moved), rel=1e-6)
        assert 0.0 < found < hard


def test_small_peak_leaves_the_synchronous_turn_on_hard() -> None:
    """Both edges without current burn what a capacitor takes and gives: V (Q + Q) a period."""
    found = run(i_turn_on=0.0, i_turn_off=0.0)
    burnt = float(found.control.loss_output + found.synchronous.loss_output)
    assert burnt == pytest.approx(48.0 * 2 * Q_NODE * 3e5)
    assert float(run().synchronous.loss_output) == 0.0


def test_loss_of_a_turn_on_does_not_jump() -> None:
    """It follows the current by at most twice the node voltage times the dead time: u dq/di."""
    for name, position, time in (
        ("i_turn_on", "control", DRIVE["time_dead_on"]),
        ("i_turn_off", "synchronous", DRIVE["time_dead_off"]),
    ):
        current = np.linspace(-4.0, 4.0, 20001)
        lost = getattr(run(**{name: current}), position).loss_output
        steepest = np.abs(np.diff(lost)).max() / (current[1] - current[0])
        assert 0.1 < steepest / (48.0 * time * 3e5) < 2.0 + 1e-3


def test_reversed_current_is_the_mirror_image() -> None:
    """Both edges negative: the synchronous transistor does what control does at positive ones."""
    dead = {"time_dead_off": 3e-8}
    mirror = run(i_turn_on=-12.0, i_turn_off=-8.0, drive=dead)
    plain = run(i_turn_on=8.0, i_turn_off=12.0, drive=dead)
    for name in ("loss_turn_on", "loss_turn_off", "loss_output"):
        found = float(getattr(mirror.synchronous, name))
        assert found == pytest.approx(float(getattr(plain.control, name)))
    found = float(mirror.control.loss_dead_time)
    assert found == pytest.approx(float(plain.synchronous.loss_dead_time))


# --- heat ----------------------------------------------------------------------------------------


def test_runaway_is_nan_and_flagged() -> None:
    found = run({"rth": 60.0, "rds_on": 0.1}, i_rms_control=8.0)
    assert bool(found.runaway)
    assert np.isnan(found.control.temp_junction)
    assert np.isnan(found.loss)
    assert float(found.gain) == np.inf
    assert not bool(run().runaway)


def test_missing_parameter_is_nan_and_not_called_runaway() -> None:
    found = run({"rds_on": np.nan})
    assert np.isnan(found.loss)
    assert not bool(found.runaway)


@pytest.mark.parametrize("pieces", [1.0, 2.0])
def test_slopes_equal_finite_differences(pieces: float) -> None:
    step = 1e-3
    part = {"pieces": pieces, "rth": 1e-9}
    cool, warm = (run(part, part, temp_board=t, drive={"sharing": 1.0}) for t in (90, 90 + step))
    slope = float(warm.synchronous.loss - cool.synchronous.loss) / pieces / step
    assert slope == pytest.approx(float(cool.synchronous.slope), rel=1e-5)
    cross = float(warm.control.loss_charge - cool.control.loss_charge) / pieces / step
    assert cross == pytest.approx(float(cool.slope_cross), rel=1e-5)
    own = float(warm.control.loss_conduction - cool.control.loss_conduction) / pieces / step
    assert own == pytest.approx(float(cool.control.slope), rel=1e-5)


def test_capped_recovery_has_no_cross_slope() -> None:
    found = run(synchronous={"q_recovery": 1e-5})
    assert float(found.slope_cross) == 0.0
    assert float(found.control.loss_recovery) == pytest.approx(48.0 * 8.0 * 3e-8 * 3e5)


def nodes(draw: np.random.Generator, bridges: int, singles: int) -> dict[str, np.ndarray]:
    """A random set of half bridges and single parts as nodes of one board."""
    count = 2 * bridges + singles
    slope = np.diag(draw.uniform(0.0, 0.02, count))
    for bridge in range(bridges):
        slope[2 * bridge, 2 * bridge + 1] = draw.uniform(0.0, 0.02)
    pieces = draw.integers(1, 4, count).astype(float)
    pieces[2 * bridges :] = 1.0
    return {"rth": draw.uniform(1.0, 20.0, count), "slope": slope, "pieces": pieces}


def row(set_: dict[str, np.ndarray], bridges: int, b: float, g: float) -> float:
    """Sum of the additive terms."""
    rth, slope, pieces = set_["rth"], set_["slope"], set_["pieces"]
    total = 0.0
    limits = {"board_k_per_w": np.array(b), "thermal_gain_max": np.array(g)}
    for c in range(0, 2 * bridges, 2):
        total += float(
            gain_pair(
                rth_control=rth[c],
                rth_synchronous=rth[c + 1],
                slope_control=slope[c, c],
                slope_synchronous=slope[c + 1, c + 1],
                slope_cross=slope[c, c + 1],
                pieces_control=pieces[c],
                pieces_synchronous=pieces[c + 1],
                **limits,
            )
        )
    for i in range(2 * bridges, len(rth)):
        total += float(board.gain_single(rth=rth[i], slope=slope[i, i], **limits))
    return total


def test_additive_row_agrees_with_the_eigenvalue() -> None:
    draw = np.random.default_rng(7)
    verdicts = []
    for _ in range(500):
        set_ = nodes(draw, int(draw.integers(0, 3)), 1)
        bridges = (len(set_["rth"]) - 1) // 2
        b, g = draw.uniform(0.5, 12.0), draw.uniform(0.2, 0.9)
        loop = set_["rth"][:, None] * set_["slope"] + b * (set_["pieces"] @ set_["slope"])[None, :]
        true = max(abs(np.linalg.eigvals(loop)))
        fits = row(set_, bridges, b, g) <= 1.0
        if abs(true - g) > 1e-9:
            assert fits == (true <= g)
        assert float(board.largest_gain(**set_, board_k_per_w=np.array(b))) == pytest.approx(true)
        verdicts.append(fits)
    assert 0.2 < np.mean(verdicts) < 0.8


def test_gain_predicts_how_a_disturbance_returns() -> None:
    """Power iteration of temperature -> loss -> temperature grows by the largest eigenvalue."""
    set_ = nodes(np.random.default_rng(3), 2, 1)
    b, temps = 6.0, np.ones(5)
    for _ in range(200):
        loss = set_["slope"] @ temps
        back = set_["rth"] * loss + b * float(set_["pieces"] @ loss)
        growth, temps = np.linalg.norm(back) / np.linalg.norm(temps), back
    found = float(board.largest_gain(**set_, board_k_per_w=np.array(b)))
    assert found == pytest.approx(growth)


def test_missing_gate_resistance_is_slow_for_overlap_and_fast_for_slope() -> None:
    missing, two, half = (run({"r_gate": r}) for r in (np.nan, 2.0, 0.5))
    assert float(missing.control.loss_turn_on) == float(two.control.loss_turn_on)
    assert float(missing.i_recovery) == pytest.approx(float(half.i_recovery), rel=1e-2)
    assert float(missing.i_recovery) > float(two.i_recovery)


@given(st.sampled_from(["rds_on", "q_gate_drain", "rth", "q_gate"]), st.floats(1.01, 3.0))
@settings(max_examples=100, deadline=None)
def test_worse_parameters_never_lower_loss(name: str, factor: float) -> None:
    plain, worse = run(), run({name: PART[name] * factor})
    assert float(worse.loss) >= float(plain.loss)
    assert float(worse.control.temp_junction) >= float(plain.control.temp_junction)


def test_peaks_rest_with_the_leg() -> None:
    part = record(Mosfet, PART)
    for frequency, moves in ((3e5, True), (0.0, False)):
        stress = record(LegStress, STRESS | {"frequency_edges": frequency})
        opened, snapped = v_peaks(
            part,
            replace(part, q_output=np.array(8e-8)),
            stress=stress,
            drive=record(Drive, DRIVE),
            i_recovery=np.array(5.0),
        )
        assert (float(opened) > 48.0, float(snapped) > 96.0) == (moves, moves)
