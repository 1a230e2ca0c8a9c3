"""MOSFET alone: the value at the actual drive voltage, conduction, temperature and gate.

What happens at the edges between two of them is in `switching`; `half_bridge` joins both.
"""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

RESISTANCE_FACTOR_MIN = 0.75
"""Smallest resistance relative to 25 degC: the linear law is not followed further into the cold."""

DRIVE_ABOVE_PLATEAU = 2.0
"""Drive voltage above the plateau that is needed where no 4.5 V rating speaks for the part [V]."""

DRIVE_ONLY_TEN = 8.0
"""Lowest drive voltage at which a value given at 10 V only is still used [V]."""


# --- the value at the actual drive voltage -------------------------------------------------------


@formula(
    "at_4v5 + (at_10v - at_4v5) * minimum(maximum((v_drive - 4.5) / 5.5, 0), 1)",
    unit="ohm",
)
def at_drive(
    *,
    v_drive: FloatArray,
    at_4v5: FloatArray,
    at_10v: FloatArray,
    v_plateau: FloatArray | float = np.nan,
) -> FloatArray:
    """On-resistance at the drive voltage, on the chord between the 4.5 V and the 10 V value.

    v_drive : drive voltage [V], (n_choice, n_lane)
    at_4v5 : resistance at 4.5 V, NaN where not given [ohm], (n_choice, n_lane)
    at_10v : resistance at 10 V, NaN where not given [ohm], (n_choice, n_lane)
    v_plateau : plateau voltage, NaN where not given [V], (n_choice, n_lane)
    Returns : resistance [ohm], (n_choice, n_lane); NaN below 4.5 V, NaN below 8 V for a part that
        gives 10 V only or where the drive is not 2 V above its plateau

    Holds for: silicon parts. The chord lies above the convex curve, so it errs to the high side;
        from 10 V up the 10 V value; a 4.5 V value alone serves as bound at any higher drive. A
        10 V value alone is taken unchanged down to 8 V, where the true one is a few percent higher.
    Source: common practice (never extrapolate to a logic level that is not rated).

    >>> at_drive(v_drive=np.array([4.0, 7.25, 12.0]), at_4v5=np.array(6e-3), at_10v=np.array(4e-3))
    array([  nan, 0.005, 0.004])
    """
    share = np.clip((np.asarray(v_drive) - 4.5) / 5.5, 0.0, 1.0)
    both = at_4v5 + (at_10v - at_4v5) * share
    value = np.where(np.isnan(both), at_4v5, both)
    poor = (v_drive < DRIVE_ONLY_TEN) | (v_drive < np.asarray(v_plateau) + DRIVE_ABOVE_PLATEAU)
    value = np.where(np.isnan(at_4v5) & ~poor, at_10v, value)
    return np.where(np.asarray(v_drive) < 4.5, np.nan, value)


@formula("at_4v5 + (at_10v - at_4v5) * maximum((v_drive - 4.5) / 5.5, 0)", unit="C")
def q_gate_at_drive(*, v_drive: FloatArray, at_4v5: FloatArray, at_10v: FloatArray) -> FloatArray:
    """Gate charge at the drive voltage, on the line through the 4.5 V and the 10 V value.

    v_drive : drive voltage [V], (n_choice, n_lane)
    at_4v5 : charge at 4.5 V, NaN where not given [C], (n_choice, n_lane)
    at_10v : charge at 10 V, NaN where not given [C], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane); NaN where neither is given

    Holds for: drive above the plateau, where charge rises linearly. Below 4.5 V the 4.5 V value
        and below 10 V the 10 V value alone are upper bounds; above a single value the charge is
        scaled with the voltage, which the plateau makes an upper bound too.
    Source: common practice.

    >>> q_gate_at_drive(v_drive=np.array([7.25]), at_4v5=np.array(2e-8), at_10v=np.array(4e-8))
    array([3.e-08])
    """
    line = at_4v5 + (at_10v - at_4v5) * np.maximum((np.asarray(v_drive) - 4.5) / 5.5, 0.0)
    only_ten = at_10v * np.maximum(np.asarray(v_drive) / 10.0, 1.0)
    only_low = at_4v5 * np.maximum(np.asarray(v_drive) / 4.5, 1.0)
    single = np.where(np.isnan(at_10v), only_low, only_ten)
    return np.where(np.isnan(line), single, line)


# --- conduction ----------------------------------------------------------------------------------


@formula("maximum(1 + rds_on_tempco * (temp_junction - 25), 0.75)", unit="1")
def resistance_factor(*, rds_on_tempco: FloatArray, temp_junction: FloatArray) -> FloatArray:
    """On-resistance relative to its value at 25 degC.

    rds_on_tempco : relative rise per kelvin [1/K], (n_choice, n_lane)
    temp_junction : junction temperature [degC], (n_choice, n_lane)
    Returns : factor [1], (n_choice, n_lane)

    Holds for: silicon, about -55 to 150 degC; held at 0.75 in the cold.
    Source: common practice (0.5 to 0.8 % per kelvin).

    >>> resistance_factor(rds_on_tempco=np.array([0.005]), temp_junction=np.array([125.0]))
    array([1.5])
    """
    rise = 1.0 + rds_on_tempco * (temp_junction - 25.0)
    return np.maximum(rise, RESISTANCE_FACTOR_MIN)


@formula("rds_on / pieces * factor", unit="ohm")
def resistance_hot(*, rds_on: FloatArray, pieces: FloatArray, factor: FloatArray) -> FloatArray:
    """Resistance of all pieces of a position at their temperature.

    rds_on : of one piece at 25 degC and the actual drive voltage [ohm], (n_choice, n_lane)
    pieces : transistors in parallel [1], (n_choice, n_lane)
    factor : resistance over its value at 25 degC [1], (n_choice, n_lane)
    Returns : resistance [ohm], (n_choice, n_lane)

    Holds for: equal pieces at one temperature.
    Source: definition.

    >>> resistance_hot(rds_on=np.array([0.01]), pieces=np.array([2.0]), factor=np.array([1.4]))
    array([0.007])
    """
    return rds_on / pieces * factor


@formula("rth_junction_case + rth_pad", unit="K/W")
def rth_board(*, rth_junction_case: FloatArray, rth_pad: FloatArray) -> FloatArray:
    """Thermal resistance from the junction to the board.

    rth_junction_case : junction to case [K/W], (n_choice, n_lane)
    rth_pad : case to board, by land pattern [K/W], (n_choice, 1)
    Returns : thermal resistance [K/W], (n_choice, n_lane)

    Holds for: heat that leaves through the pad.
    Source: common practice (JESD51 for the first term).

    >>> rth_board(rth_junction_case=np.array([1.5]), rth_pad=np.array([8.0]))
    array([9.5])
    """
    return rth_junction_case + rth_pad


@formula("i_rms**2 * resistance", unit="W")
def loss_conduction(*, i_rms: FloatArray, resistance: FloatArray) -> FloatArray:
    """Loss in the channel while it conducts.

    i_rms : rms current of the channel over the period [A], (n_choice, n_lane)
    resistance : on-resistance at the junction temperature used [ohm], (n_choice, n_lane)
    Returns : loss [W], (n_choice, n_lane)

    Holds for: resistance constant over the period.
    Source: definition (Joule).

    >>> loss_conduction(i_rms=np.array([5.0]), resistance=np.array([0.010]))
    array([0.25])
    """
    return i_rms * i_rms * resistance


def temp_junction(
    *,
    temp_board: FloatArray,
    rth: FloatArray,
    loss_conduction_25: FloatArray,
    loss_fixed: FloatArray,
    rds_on_tempco: FloatArray,
) -> FloatArray:
    """Junction temperature that satisfies its own loss, in closed form.

    temp_board : board temperature [degC], (n_choice, n_lane)
    rth : junction to board, pad included [K/W], (n_choice, n_lane)
    loss_conduction_25 : conduction loss of one device at 25 degC [W], (n_choice, n_lane)
    loss_fixed : loss of one device that does not follow its temperature [W], (n_choice, n_lane)
    rds_on_tempco : relative rise of the resistance per kelvin [1/K], (n_choice, n_lane)
    Returns : junction temperature [degC], (n_choice, n_lane); NaN where it runs away

    Holds for: steady state; resistance linear in temperature and held at 0.75 in the cold;
        rth * loss_conduction_25 * rds_on_tempco below 1.
    Source: derived in DEVELOPERS.md, thermal closed form; JESD51 for the thermal resistance.

    >>> one = temp_junction(temp_board=np.array([60.0]), rth=np.array([40.0]),
    ...     loss_conduction_25=np.array([1.2]), loss_fixed=np.array([0.0]),
    ...     rds_on_tempco=np.array([0.004]))
    >>> one.round(2)
    array([127.72])
    """
    head = 1.0 - rds_on_tempco * rth * loss_conduction_25
    cold = temp_board + rth * (RESISTANCE_FACTOR_MIN * loss_conduction_25 + loss_fixed)
    warm = temp_board + rth * (loss_conduction_25 * (1.0 - 25.0 * rds_on_tempco) + loss_fixed)
    with np.errstate(divide="ignore", invalid="ignore"):
        warm = np.where(head > 0.0, warm / head, np.nan)
        held = 1.0 + rds_on_tempco * (warm - 25.0) < RESISTANCE_FACTOR_MIN
    return np.where(held, cold, warm)


# --- gate ----------------------------------------------------------------------------------------


@formula("(v_drive - v_plateau) / resistance_gate", unit="A")
def i_gate_on(
    *, v_drive: FloatArray, v_plateau: FloatArray, resistance_gate: FloatArray
) -> FloatArray:
    """Current into the gate on the plateau while turning on.

    v_drive : drive voltage [V], (n_choice, n_lane)
    v_plateau : plateau voltage [V], (n_choice, n_lane)
    resistance_gate : driver source, external and internal gate resistance [ohm], (n_choice, n_lane)
    Returns : current [A], (n_choice, n_lane); NaN where the drive does not exceed the plateau

    Holds for: small common-source inductance; 100 kHz to 1 MHz.
    Source: L. Balogh, gate-drive fundamentals, SLUA618 (from memory); common practice.

    >>> i_gate_on(v_drive=np.array([7.0]), v_plateau=np.array([3.0]),
    ...     resistance_gate=np.array([4.0]))
    array([1.])
    """
    over = v_drive - v_plateau
    return np.where(over > 0.0, over / resistance_gate, np.nan)


@formula("v_plateau / resistance_gate", unit="A")
def i_gate_off(*, v_plateau: FloatArray, resistance_gate: FloatArray) -> FloatArray:
    """Current out of the gate on the plateau while turning off.

    v_plateau : plateau voltage [V], (n_choice, n_lane)
    resistance_gate : driver sink, external and internal gate resistance [ohm], (n_choice, n_lane)
    Returns : current [A], (n_choice, n_lane)

    Holds for: small common-source inductance; drive returns to the source potential.
    Source: L. Balogh, gate-drive fundamentals, SLUA618 (from memory); common practice.

    >>> i_gate_off(v_plateau=np.array([3.0]), resistance_gate=np.array([2.0]))
    array([1.5])
    """
    return v_plateau / resistance_gate


def q_to_plateau(
    *, q_gate_source: FloatArray, q_gate_threshold: FloatArray, q_gate_drain: FloatArray
) -> FloatArray:
    """Gate charge between threshold and plateau, during which the current changes hands.

    q_gate_source : charge up to the plateau, NaN where not given [C], (n_choice, n_lane)
    q_gate_threshold : charge up to the threshold, NaN where not given [C], (n_choice, n_lane)
    q_gate_drain : charge of the plateau [C], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane)

    Holds for: overlap time. Without a threshold charge all of `q_gate_source` counts; without both
        0.85 of `q_gate_drain`: both err to the long side.
    Source: common practice.

    >>> q_to_plateau(q_gate_source=np.array([9e-9, 9e-9, np.nan]),
    ...     q_gate_threshold=np.array([5e-9, np.nan, np.nan]), q_gate_drain=np.array([1e-8]))
    array([4.0e-09, 9.0e-09, 8.5e-09])
    """
    source = np.where(np.isnan(q_gate_source), 0.85 * q_gate_drain, q_gate_source)
    known = ~np.isnan(q_gate_source) & ~np.isnan(q_gate_threshold)
    return np.where(known, source - q_gate_threshold, source)


@formula("q_gate_drain * sqrt(v_node / v_gate_drain_test) + q_plateau", unit="C")
def q_switch(
    *,
    q_gate_drain: FloatArray,
    v_gate_drain_test: FloatArray,
    q_plateau: FloatArray,
    v_node: FloatArray,
) -> FloatArray:
    """Gate charge that passes while voltage and current overlap.

    q_gate_drain : charge of the plateau at the test voltage [C], (n_choice, n_lane)
    v_gate_drain_test : drain voltage of that test [V], (n_choice, n_lane)
    q_plateau : charge between threshold and plateau [C], (n_choice, n_lane)
    v_node : voltage switched [V], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane)

    Holds for: reverse-transfer capacitance falling with the root of the voltage.
    Source: common practice.

    >>> q_switch(q_gate_drain=np.array([6e-9]), v_gate_drain_test=np.array([25.0]),
    ...     q_plateau=np.array([2e-9]), v_node=np.array([100.0]))
    array([1.4e-08])
    """
    return q_gate_drain * np.sqrt(v_node / v_gate_drain_test) + q_plateau


@formula("pieces * q_gate * frequency_edges", unit="A")
def i_drive(*, pieces: FloatArray, q_gate: FloatArray, frequency_edges: FloatArray) -> FloatArray:
    """Mean current the drive supply delivers to the gates of one position.

    pieces : transistors in parallel [1], (n_choice, n_lane)
    q_gate : gate charge of one at the drive voltage [C], (n_choice, n_lane)
    frequency_edges : turn-ons per second [Hz], (n_choice, n_lane)
    Returns : current [A], (n_choice, n_lane)

    Holds for: hard drive from a supply; no energy returns.
    Source: definition (charge per period).

    >>> i_drive(pieces=np.array([2.0]), q_gate=np.array([3e-8]), frequency_edges=np.array([3e5]))
    array([0.018])
    """
    return pieces * q_gate * frequency_edges
