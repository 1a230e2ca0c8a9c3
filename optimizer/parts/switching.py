"""The edges of a half bridge: overlap, output charge, recovery, dead time, loop and ringing.

Nothing here knows which transistor heats; `half_bridge` puts the mechanisms together. Switching
loss is a factor-of-two model and is kept simple on purpose.
"""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

RECOVERY_PER_K = 0.008
"""Growth of the recovery charge with the junction temperature of the recovering diode [1/K]."""


# --- edges ---------------------------------------------------------------------------------------


@formula("0.5 * v_node * maximum(i_edge, 0) * time_edge", unit="J")
def energy_overlap(*, v_node: FloatArray, i_edge: FloatArray, time_edge: FloatArray) -> FloatArray:
    """Energy of a hard edge: voltage and current overlap in a triangle.

    v_node : voltage switched [V], (n_choice, n_lane)
    i_edge : current switched, nothing is lost at or below zero [A], (n_choice, n_lane)
    time_edge : overlap time, switch charge over gate current [s], (n_choice, n_lane)
    Returns : energy of one edge [J], (n_choice, n_lane)

    Holds for: clamped inductive edge; within a factor of two, usually high.
    Source: application note 64AN035E, efficiency of a buck converter (second-hand): 1/2 V I t.

    >>> energy_overlap(v_node=np.array([12.0]), i_edge=np.array([3.0]), time_edge=np.array([1e-8]))
    array([1.8e-07])
    """
    return 0.5 * v_node * np.maximum(i_edge, 0.0) * time_edge


@formula("0.5 * v_node * maximum(maximum(i_edge, 0) * time_edge - q_output_pair, 0)", unit="J")
def energy_turn_off(
    *, v_node: FloatArray, i_edge: FloatArray, time_edge: FloatArray, q_output_pair: FloatArray
) -> FloatArray:
    """Energy of a turn-off edge, with the current that charges the output capacitances taken off.

    v_node : voltage switched [V], (n_choice, n_lane)
    i_edge : current switched off, nothing is lost at or below zero [A], (n_choice, n_lane)
    time_edge : overlap time, switch charge over gate current [s], (n_choice, n_lane)
    q_output_pair : output charge of both positions at `v_node` [C], (n_choice, n_lane)
    Returns : energy of one edge [J], (n_choice, n_lane)

    Holds for: as `energy_overlap`; the mean of the charging current over the edge bypasses the
        channel. Never to be judged alone: only the sum of the edges and the charges is meaningful.
    Source: derived in DEVELOPERS.md, turn-off.

    >>> energy_turn_off(v_node=np.array([40.0]), i_edge=np.array([10.0]),
    ...     time_edge=np.array([1e-8]), q_output_pair=np.array([4e-8]))
    array([1.2e-06])
    """
    charge = np.maximum(i_edge, 0.0) * time_edge - q_output_pair
    return 0.5 * v_node * np.maximum(charge, 0.0)


# --- output charge -------------------------------------------------------------------------------


@formula("q_output * sqrt(v_node / v_output_test)", unit="C")
def q_output_at(
    *, q_output: FloatArray, v_output_test: FloatArray, v_node: FloatArray
) -> FloatArray:
    """Output charge at the actual voltage.

    q_output : output charge at the test voltage [C], (n_choice, n_lane)
    v_output_test : that voltage [V], (n_choice, n_lane)
    v_node : voltage switched [V], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane)

    Holds for: output capacitance falling with the root of the voltage.
    Source: derived in DEVELOPERS.md, output charge.

    >>> q_output_at(q_output=np.array([5e-8]), v_output_test=np.array([50.0]),
    ...     v_node=np.array([12.5]))
    array([2.5e-08])
    """
    return q_output * np.sqrt(v_node / v_output_test)


@formula("2 * capacitance_output * sqrt(v_output_test * v_node)", unit="C")
def q_output_from_capacitance(
    *, capacitance_output: FloatArray, v_output_test: FloatArray, v_node: FloatArray
) -> FloatArray:
    """Output charge where only the capacitance at one voltage is known.

    capacitance_output : small-signal output capacitance at the test voltage [F], (n_choice, n_lane)
    v_output_test : that voltage [V], (n_choice, n_lane)
    v_node : voltage of the charge wanted [V], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane)

    Holds for: output capacitance falling with the root of the voltage.
    Source: L. Balogh, gate-drive fundamentals, SLUA618, section on capacitances (from memory).

    >>> q_output_from_capacitance(capacitance_output=np.array([1e-9]),
    ...     v_output_test=np.array([25.0]), v_node=np.array([25.0]))
    array([5.e-08])
    """
    return 2.0 * capacitance_output * np.sqrt(v_output_test * v_node)


@formula("v_node * q_output / 3", unit="J")
def energy_output(*, v_node: FloatArray, q_output: FloatArray) -> FloatArray:
    """Energy stored in the output capacitance.

    v_node : voltage across it [V], (n_choice, n_lane)
    q_output : its charge at that voltage [C], (n_choice, n_lane)
    Returns : energy [J], (n_choice, n_lane)

    Holds for: output capacitance falling with the root of the voltage.
    Source: derived in DEVELOPERS.md, output charge.

    >>> energy_output(v_node=np.array([30.0]), q_output=np.array([5e-8]))
    array([5.e-07])
    """
    return v_node * q_output / 3.0


@formula("v_node * (q_output_partner + (q_output - q_output_partner) / 3)", unit="J")
def energy_output_pair(
    *, v_node: FloatArray, q_output: FloatArray, q_output_partner: FloatArray
) -> FloatArray:
    """Energy a hard turn-on burns in the transistor that turns on, for the charge of both.

    v_node : voltage switched [V], (n_choice, n_lane)
    q_output : charge of the transistors that turn on, at `v_node` [C], (n_choice, n_lane)
    q_output_partner : charge of their partner at `v_node` [C], (n_choice, n_lane)
    Returns : energy of one edge [J], (n_choice, n_lane)

    Holds for: hard edge over the whole voltage: partner charge from the node less the energy it
        then holds, plus the own stored energy.
    Source: derived in DEVELOPERS.md, output charge.

    >>> energy_output_pair(v_node=np.array([30.0]), q_output=np.array([4e-8]),
    ...     q_output_partner=np.array([4e-8]))
    array([1.2e-06])
    """
    return v_node * (q_output_partner + (q_output - q_output_partner) / 3.0)


@formula(
    "minimum(maximum(i_swing, 0) * time_dead, (q_output + q_output_partner)"
    " * minimum(0.5 * inductance * maximum(i_swing, 0)**2 / energy_swing, 1))",
    unit="C",
)
def q_swung(
    *,
    i_swing: FloatArray,
    time_dead: FloatArray,
    inductance: FloatArray,
    energy_swing: FloatArray,
    q_output: FloatArray,
    q_output_partner: FloatArray,
) -> FloatArray:
    """Charge the inductor has moved from one position to the other when the dead time ends.

    i_swing : current that swings the node, nothing moves at or below zero [A], (n_choice, n_lane)
    time_dead : dead time [s], (n_choice, n_lane)
    inductance : what carries that current [H], (n_choice, n_lane)
    energy_swing : energy the whole swing takes from it [J], (n_choice, n_lane)
    q_output, q_output_partner : charges at the node voltage [C], (n_choice, n_lane)
    Returns : charge, at most that of both [C], (n_choice, n_lane)

    Holds for: current constant over the dead time; where its energy falls short, its share of the
        charge at most.
    Source: derived in DEVELOPERS.md, partial swing.

    >>> q_swung(i_swing=np.array([1.0]), time_dead=np.array([3e-8]), inductance=np.array([1e-5]),
    ...     energy_swing=np.array([1e-6]), q_output=np.array([2e-8]),
    ...     q_output_partner=np.array([4e-8]))
    array([3.e-08])
    """
    current = np.maximum(i_swing, 0.0)
    whole = q_output + q_output_partner
    share = np.minimum(0.5 * inductance * current * current / energy_swing, 1.0)
    return np.minimum(np.minimum(current * time_dead, whole), whole * share)


@formula(
    "(maximum(q_output_partner * sqrt(maximum(q_output**2 + q_output_partner**2"
    " - (q_swung - q_output)**2, 0)) - q_output * (q_swung - q_output), 0)"
    " / (q_output**2 + q_output_partner**2))**2",
    unit="1",
)
def share_left(
    *, q_output: FloatArray, q_output_partner: FloatArray, q_swung: FloatArray
) -> FloatArray:
    """Share of the node voltage that is left across a position after a swing.

    q_output : its charge at the node voltage [C], (n_choice, n_lane)
    q_output_partner : that of its partner [C], (n_choice, n_lane)
    q_swung : charge moved, at most both [C], (n_choice, n_lane)
    Returns : 1 before the swing, 0 after it [1], (n_choice, n_lane)

    Holds for: output capacitance falling with the root of the voltage. With the roles swapped and
        the charge still to move it gives the share across the partner.
    Source: derived in DEVELOPERS.md, partial swing.

    >>> share_left(q_output=np.array([3e-8]), q_output_partner=np.array([3e-8]),
    ...     q_swung=np.array([3e-8])).round(6)
    array([0.5])
    """
    past = q_swung - q_output
    square = q_output * q_output + q_output_partner * q_output_partner
    root = q_output_partner * np.sqrt(np.maximum(square - past * past, 0.0)) - q_output * past
    return np.asarray((np.maximum(root, 0.0) / square) ** 2)


@formula(
    "v_node * (q_output * sqrt(share_left)**3"
    " + q_output_partner * (2 - 3 * sqrt(share_moved) + sqrt(share_moved)**3)) / 3",
    unit="J",
)
def energy_output_left(
    *,
    v_node: FloatArray,
    q_output: FloatArray,
    q_output_partner: FloatArray,
    share_left: FloatArray,
    share_moved: FloatArray,
) -> FloatArray:
    """Energy a turn-on burns in the transistor that turns on after a swing that fell short.

    v_node : voltage switched [V], (n_choice, n_lane)
    q_output : charge of the transistors that turn on, at `v_node` [C], (n_choice, n_lane)
    q_output_partner : charge of their partner at `v_node` [C], (n_choice, n_lane)
    share_left : share of that voltage left across them [1], (n_choice, n_lane)
    share_moved : share across the partner, the rest of it [1], (n_choice, n_lane)
    Returns : energy of one edge [J], (n_choice, n_lane)

    Holds for: as `energy_output_pair`, which it is without a swing; nothing after a whole one.
    Source: derived in DEVELOPERS.md, partial swing.

    >>> energy_output_left(v_node=np.array([30.0]), q_output=np.array([4e-8]),
    ...     q_output_partner=np.array([4e-8]), share_left=np.array([1.0]),
    ...     share_moved=np.array([0.0]))
    array([1.2e-06])
    """
    left, moved = np.sqrt(share_left), np.sqrt(share_moved)
    partner = q_output_partner * (2.0 - 3.0 * moved + moved**3)
    return np.asarray(v_node * (q_output * left**3 + partner) / 3.0)


# --- recovery, dead time, loop -------------------------------------------------------------------


@formula("minimum(i_turn_on * i_gate / q_plateau, v_node / inductance_loop)", unit="A/s")
def current_slope(
    *,
    i_turn_on: FloatArray,
    i_gate: FloatArray,
    q_plateau: FloatArray,
    v_node: FloatArray,
    inductance_loop: FloatArray,
) -> FloatArray:
    """Slope at which the current changes hands when the control transistor turns on.

    i_turn_on : current taken over, zero below zero [A], (n_choice, n_lane)
    i_gate : gate current of the control transistor [A], (n_choice, n_lane)
    q_plateau : its charge between threshold and plateau [C], (n_choice, n_lane)
    v_node : voltage switched [V], (n_choice, n_lane)
    inductance_loop : inductance of the commutation loop [H], (n_choice, n_lane)
    Returns : slope [A/s], (n_choice, n_lane); the loop bound where `q_plateau` is NaN

    Holds for: linear transconductance between threshold and plateau.
    Source: common practice.

    >>> current_slope(i_turn_on=np.array([10.0]), i_gate=np.array([0.5]),
    ...     q_plateau=np.array([5e-9]), v_node=np.array([48.0]), inductance_loop=np.array([5e-9]))
    array([1.e+09])
    """
    return np.fmin(np.maximum(i_turn_on, 0.0) * i_gate / q_plateau, v_node / inductance_loop)


@formula(
    "q_recovery * sqrt(slope / current_slope_test) * sqrt(maximum(i_turn_on, 0) / i_recovery_test)",
    unit="C",
)
def q_recovery_25(
    *,
    q_recovery: FloatArray,
    slope: FloatArray,
    current_slope_test: FloatArray,
    i_turn_on: FloatArray,
    i_recovery_test: FloatArray,
) -> FloatArray:
    """Recovery charge of one diode at 25 degC, scaled from its test to the actual edge.

    q_recovery : charge of the test without output charge [C], (n_choice, n_lane)
    slope : actual current slope [A/s], (n_choice, n_lane)
    current_slope_test : that of the test [A/s], (n_choice, n_lane)
    i_turn_on : current the diode carried, none at or below zero [A], (n_choice, n_lane)
    i_recovery_test : that of the test [A], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane)

    Holds for: dead time of at least 30 ns; within a factor of two.
    Source: common practice, no source.

    >>> q_recovery_25(q_recovery=np.array([5e-8]), slope=np.array([4e8]),
    ...     current_slope_test=np.array([1e8]), i_turn_on=np.array([5.0]),
    ...     i_recovery_test=np.array([20.0]))
    array([5.e-08])
    """
    current = np.maximum(i_turn_on, 0.0) / i_recovery_test
    return q_recovery * np.sqrt(slope / current_slope_test * current)


@formula(
    "minimum(q_recovery * (1 + 0.008 * (temp_junction - 25)),"
    " maximum(i_turn_on, 0) * time_dead_on)",
    unit="C",
)
def q_recovery_hot(
    *,
    q_recovery: FloatArray,
    temp_junction: FloatArray,
    i_turn_on: FloatArray,
    time_dead_on: FloatArray,
) -> FloatArray:
    """Recovery charge at temperature, never more than the dead time can supply.

    q_recovery : charge of the actual edge at 25 degC [C], (n_choice, n_lane)
    temp_junction : junction temperature of the recovering transistor [degC], (n_choice, n_lane)
    i_turn_on : current its diode carried [A], (n_choice, n_lane)
    time_dead_on : dead time before the control transistor turns on [s], (n_choice, n_lane)
    Returns : charge [C], (n_choice, n_lane)

    Holds for: -55 to 175 degC (zero charge below -100 degC).
    Source: common practice, no source.

    >>> q_recovery_hot(q_recovery=np.array([5e-8]), temp_junction=np.array([125.0]),
    ...     i_turn_on=np.array([5.0]), time_dead_on=np.array([3e-8]))
    array([9.e-08])
    """
    growth = np.maximum(1.0 + RECOVERY_PER_K * (temp_junction - 25.0), 0.0)
    return np.minimum(q_recovery * growth, np.maximum(i_turn_on, 0.0) * time_dead_on)


@formula("sqrt(2 * q_recovery * slope)", unit="A")
def i_recovery(*, q_recovery: FloatArray, slope: FloatArray) -> FloatArray:
    """Reverse peak of a diode that snaps off, an upper bound.

    q_recovery : recovery charge of the edge [C], (n_choice, n_lane)
    slope : current slope [A/s], (n_choice, n_lane)
    Returns : current [A], (n_choice, n_lane)

    Holds for: triangle without a soft tail.
    Source: derived in DEVELOPERS.md, recovery (area of a triangle).

    >>> i_recovery(q_recovery=np.array([5e-8]), slope=np.array([1e9]))
    array([10.])
    """
    return np.sqrt(2.0 * q_recovery * slope)


@formula("v_node * q_recovery * frequency_edges", unit="W")
def loss_recovery(
    *, v_node: FloatArray, q_recovery: FloatArray, frequency_edges: FloatArray
) -> FloatArray:
    """Loss of the recovery charge; it heats the transistor that turns on.

    v_node : voltage switched [V], (n_choice, n_lane)
    q_recovery : recovery charge of one edge [C], (n_choice, n_lane)
    frequency_edges : edges per second [Hz], (n_choice, n_lane)
    Returns : loss [W], (n_choice, n_lane)

    Holds for: the whole charge passes at the full voltage; within a factor of two.
    Source: application note 64AN035E (second-hand): V * (Irr * trr / 2) * f.

    >>> loss_recovery(v_node=np.array([12.0]), q_recovery=np.array([3.75e-9]),
    ...     frequency_edges=np.array([1e6])).round(6)
    array([0.045])
    """
    return v_node * q_recovery * frequency_edges


@formula("v_body_diode * abs(i_edge) * time_dead", unit="J")
def energy_dead_time(
    *, v_body_diode: FloatArray, i_edge: FloatArray, time_dead: FloatArray
) -> FloatArray:
    """Energy in a body diode during one dead time.

    v_body_diode : forward voltage of the body diode [V], (n_choice, n_lane)
    i_edge : current at the edge [A], (n_choice, n_lane)
    time_dead : dead time [s], (n_choice, n_lane)
    Returns : energy of one dead time [J], (n_choice, n_lane)

    Holds for: swing of the node short against the dead time; forward voltage constant.
    Source: application note 64AN035E (second-hand): Vf * I * t.

    >>> energy_dead_time(v_body_diode=np.array([0.5]), i_edge=np.array([3.0]),
    ...     time_dead=np.array([3e-8]))
    array([4.5e-08])
    """
    return v_body_diode * np.abs(i_edge) * time_dead


@formula("0.5 * inductance_loop * i_edge**2", unit="J")
def energy_loop(*, inductance_loop: FloatArray, i_edge: FloatArray) -> FloatArray:
    """Energy of the commutation loop, burnt in the transistor that opens it.

    inductance_loop : inductance of the loop [H], (n_choice, n_lane)
    i_edge : current interrupted [A], (n_choice, n_lane)
    Returns : energy of one edge [J], (n_choice, n_lane)

    Holds for: ringing that dies within the period; within a factor of two.
    Source: definition (energy of an inductance).

    >>> energy_loop(inductance_loop=np.array([5e-9]), i_edge=np.array([10.0]))
    array([2.5e-07])
    """
    return 0.5 * inductance_loop * i_edge * i_edge


# --- ringing -------------------------------------------------------------------------------------


@formula("v_node * (1 + share_ringing)", unit="V")
def v_peak(*, v_node: FloatArray, share_ringing: FloatArray) -> FloatArray:
    """Peak voltage a transistor is judged by: the node voltage and a preset overshoot.

    v_node : voltage switched [V], (n_choice, n_lane)
    share_ringing : overshoot as a share of it, 0.2 to 0.25 as preset [1], ()
    Returns : voltage [V], (n_choice, n_lane)

    Holds for: compact layout; measure it, the overshoot is uncertain by half.
    Source: common practice, no source.

    >>> v_peak(v_node=np.array([40.0]), share_ringing=np.array(0.2))
    array([48.])
    """
    return v_node * (1.0 + share_ringing)


@formula(
    "v_node + maximum(i_edge, 0) * sqrt(inductance_loop * v_node / q_output)",
    unit="V",
)
def v_peak_turn_off(
    *, v_node: FloatArray, i_edge: FloatArray, inductance_loop: FloatArray, q_output: FloatArray
) -> FloatArray:
    """Bound of the peak across the control transistors when they turn off.

    v_node : voltage switched [V], (n_choice, n_lane)
    i_edge : current switched off [A], (n_choice, n_lane)
    inductance_loop : inductance of the commutation loop [H], (n_choice, n_lane)
    q_output : output charge of the position at `v_node` [C], (n_choice, n_lane)
    Returns : voltage [V], (n_choice, n_lane)

    Holds for: instant turn-off, no damping: an upper bound shown beside the preset.
    Source: derived in DEVELOPERS.md, ringing (charge over voltage as capacitance).

    >>> v_peak_turn_off(v_node=np.array([50.0]), i_edge=np.array([5.0]),
    ...     inductance_loop=np.array([4e-9]), q_output=np.array([5e-8]))
    array([60.])
    """
    overshoot: FloatArray = np.maximum(i_edge, 0.0) * np.sqrt(inductance_loop * v_node / q_output)
    return v_node + overshoot


@formula(
    "v_node + sqrt(v_node**2 + i_recovery**2 * inductance_loop * v_node / q_output)",
    unit="V",
)
def v_peak_turn_on(
    *, v_node: FloatArray, i_recovery: FloatArray, inductance_loop: FloatArray, q_output: FloatArray
) -> FloatArray:
    """Bound of the peak across the synchronous transistors when their partner turns on hard.

    v_node : voltage switched [V], (n_choice, n_lane)
    i_recovery : reverse peak of their diode [A], (n_choice, n_lane)
    inductance_loop : inductance of the commutation loop [H], (n_choice, n_lane)
    q_output : output charge of the position at `v_node` [C], (n_choice, n_lane)
    Returns : voltage [V], (n_choice, n_lane)

    Holds for: instant turn-on, no damping: an upper bound shown beside the preset.
    Source: derived in DEVELOPERS.md, ringing (charge over voltage as capacitance).

    >>> v_peak_turn_on(v_node=np.array([30.0]), i_recovery=np.array([4.0]),
    ...     inductance_loop=np.array([5e-9]), q_output=np.array([1.5e-9]))
    array([80.])
    """
    swing = i_recovery * i_recovery * inductance_loop * v_node / q_output
    return v_node + np.sqrt(v_node * v_node + swing)
