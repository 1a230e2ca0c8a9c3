"""Output charge, turn-off and recovery against numerical integration of their circuits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from optimizer.parts import switching

V = 48.0


def capacitance(v: float, q_test: float, v_test: float = 50.0) -> float:
    """Output capacitance that falls with the root of the voltage and holds `q_test` at `v_test`."""
    return 0.5 * q_test / np.sqrt(v_test * max(v, 1e-12))


def charge(q_test: float, v: float = V) -> float:
    return float(
        switching.q_output_at(
            q_output=np.array(q_test), v_output_test=np.array(50.0), v_node=np.array(v)
        )
    )


def test_charge_and_energy_equal_the_integrals_of_the_capacitance() -> None:
    # with v = u^2, because the capacitance has no end at zero
    integral, _ = quad(lambda u: 2 * u * capacitance(u * u, 5e-8), 0.0, np.sqrt(V))
    energy, _ = quad(lambda u: 2 * u**3 * capacitance(u * u, 5e-8), 0.0, np.sqrt(V))
    assert charge(5e-8) == pytest.approx(integral, rel=1e-6)
    stored = switching.energy_output(v_node=np.array(V), q_output=np.array(charge(5e-8)))
    assert float(stored) == pytest.approx(energy, rel=1e-6)


@pytest.mark.parametrize(("own", "partner"), [(5e-8, 5e-8), (2e-8, 9e-8), (9e-8, 2e-8)])
def test_hard_turn_on_burns_what_the_circuit_burns(own: float, partner: float) -> None:
    """The control transistor as a resistor that pulls the node from zero to the input."""

    def slope(_: float, state: np.ndarray) -> list[float]:
        v_node, _energy = state
        current = (V - v_node) / 0.5
        total = capacitance(V - v_node, own) + capacitance(v_node, partner)
        return [current / total, (V - v_node) * current]

    run = solve_ivp(slope, (0.0, 5e-8), [1e-7, 0.0], method="LSODA", rtol=1e-8, atol=1e-14)
    found = switching.energy_output_pair(
        v_node=np.array(V),
        q_output=np.array(charge(own)),
        q_output_partner=np.array(charge(partner)),
    )
    assert float(found) == pytest.approx(run.y[1, -1], rel=5e-3)


def swing(own: float, partner: float, i_swing: float, time: float) -> tuple[float, float]:
    """Voltage left across the position that then turns on, and what it burns: the circuit.

    The node voltage rises by the constant current, then through the transistor as a resistor.
    """

    def rise(_: float, state: np.ndarray) -> list[float]:
        total = capacitance(V - state[0], own) + capacitance(state[0], partner)
        return [i_swing / total]

    def pull(_: float, state: np.ndarray) -> list[float]:
        left = max(V - state[0], 0.0)
        total = capacitance(left, own) + capacitance(state[0], partner)
        return [left / 0.5 / total, left * left / 0.5]

    close = {"method": "LSODA", "rtol": 1e-8, "atol": 1e-14}
    swung = solve_ivp(rise, (0.0, time), [1e-9], **close).y[0, -1]
    burnt = solve_ivp(pull, (0.0, 5e-8), [swung, 0.0], **close).y[1, -1]
    return V - swung, burnt


@pytest.mark.parametrize(("own", "partner"), [(5e-8, 5e-8), (2e-8, 9e-8), (9e-8, 2e-8)])
@pytest.mark.parametrize("part", [0.2, 0.5, 0.8, 0.95])
def test_turn_on_after_a_short_swing_burns_what_the_circuit_burns(
    own: float, partner: float, part: float
) -> None:
    pair = {"q_output": np.array(charge(own)), "q_output_partner": np.array(charge(partner))}
    swapped = {"q_output": pair["q_output_partner"], "q_output_partner": pair["q_output"]}
    both = charge(own) + charge(partner)
    left = switching.share_left(q_swung=part * both, **pair)
    moved = switching.share_left(q_swung=(1.0 - part) * both, **swapped)
    v_left, burnt = swing(own, partner, part * both / 3e-8, 3e-8)
    assert float(left) == pytest.approx(v_left / V, rel=2e-3, abs=1e-5)
    assert float(left + moved) == pytest.approx(1.0, rel=1e-12)
    found = switching.energy_output_left(
        v_node=np.array(V), share_left=left, share_moved=moved, **pair
    )
    assert float(found) == pytest.approx(burnt, rel=5e-3, abs=1e-4 * V * both)


def test_current_and_its_energy_bound_the_swing() -> None:
    shared = {
        "time_dead": np.array(3e-8),
        "energy_swing": np.array(1e-6),
        "q_output": np.array(3e-8),
        "q_output_partner": np.array(5e-8),
    }
    current = np.array([-1.0, 0.0, 1.0, 3.0])
    slow = switching.q_swung(i_swing=current, inductance=np.array(1e-5), **shared)
    assert slow == pytest.approx([0.0, 0.0, 3e-8, 8e-8])
    small = switching.q_swung(i_swing=current, inductance=np.array(1e-7), **shared)
    assert small == pytest.approx([0.0, 0.0, 8e-8 * 0.05, 8e-8 * 0.45])


def test_turn_off_of_like_parts_loses_what_the_channel_carries() -> None:
    """Node falls linearly; the channel carries the load less the charging current."""
    i_load, time_edge, q_test = 10.0, 3e-8, 4e-8

    def power(time: float) -> float:
        v_own = V * time / time_edge
        both = capacitance(v_own, q_test) + capacitance(V - v_own, q_test)
        return v_own * (i_load - both * V / time_edge)

    energy, _ = quad(power, 0.0, time_edge, limit=400)
    found = switching.energy_turn_off(
        v_node=np.array(V),
        i_edge=np.array(i_load),
        time_edge=np.array(time_edge),
        q_output_pair=np.array(2 * charge(q_test)),
    )
    assert float(found) == pytest.approx(energy, rel=1e-4)


def test_edges_cost_nothing_at_or_below_zero_current() -> None:
    current = np.array([-3.0, 0.0])
    overlap = switching.energy_overlap(v_node=np.array(V), i_edge=current, time_edge=np.array(1e-8))
    off = switching.energy_turn_off(
        v_node=np.array(V),
        i_edge=current,
        time_edge=np.array(1e-8),
        q_output_pair=np.array(0.0),
    )
    assert overlap.tolist() == [0.0, 0.0]
    assert off.tolist() == [0.0, 0.0]


def test_current_slope_is_bounded_by_the_loop() -> None:
    found = switching.current_slope(
        i_turn_on=np.array(10.0),
        i_gate=np.array(1.0),
        q_plateau=np.array([5e-9, 1e-12, np.nan]),
        v_node=np.array(V),
        inductance_loop=np.array(5e-9),
    )
    assert found == pytest.approx([2e9, V / 5e-9, V / 5e-9])


def test_recovery_at_its_own_test_conditions_is_the_catalog_charge() -> None:
    found = switching.q_recovery_25(
        q_recovery=np.array(5e-8),
        slope=np.array(1e8),
        current_slope_test=np.array(1e8),
        i_turn_on=np.array([20.0, 0.0, -5.0]),
        i_recovery_test=np.array(20.0),
    )
    assert found == pytest.approx([5e-8, 0.0, 0.0])


def test_recovery_never_exceeds_what_the_dead_time_supplies() -> None:
    hot = switching.q_recovery_hot(
        q_recovery=np.array(5e-8),
        temp_junction=np.array([25.0, 125.0]),
        i_turn_on=np.array(2.0),
        time_dead_on=np.array(3e-8),
    )
    assert hot == pytest.approx([5e-8, 6e-8])


def test_snap_of_a_triangle_returns_its_charge() -> None:
    peak = float(switching.i_recovery(q_recovery=np.array(6e-8), slope=np.array(5e8)))
    assert 0.5 * peak * peak / 5e8 == pytest.approx(6e-8)


def test_ringing_bound_equals_an_undamped_circuit() -> None:
    """Loop inductance carrying the load current into a constant capacitance."""
    i_load, loop, output = 8.0, 5e-9, 6e-8
    farad = output / V

    def slope(_: float, state: np.ndarray) -> list[float]:
        return [(V - state[1]) / loop, state[0] / farad]

    run = solve_ivp(slope, (0.0, 1e-7), [i_load, V], rtol=1e-9, atol=1e-9, max_step=1e-10)
    found = switching.v_peak_turn_off(
        v_node=np.array(V),
        i_edge=np.array(i_load),
        inductance_loop=np.array(loop),
        q_output=np.array(output),
    )
    assert float(found) == pytest.approx(run.y[1].max(), rel=1e-3)


def test_recovery_ringing_without_reverse_current_doubles_the_voltage() -> None:
    found = switching.v_peak_turn_on(
        v_node=np.array(V),
        i_recovery=np.array(0.0),
        inductance_loop=np.array(5e-9),
        q_output=np.array(6e-8),
    )
    assert float(found) == pytest.approx(2 * V)
