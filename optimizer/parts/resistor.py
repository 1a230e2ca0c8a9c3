"""Current-sense resistor, one to three in parallel: limits of resistance, heat, limit chain."""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

SOLDER_ERROR = 0.3e-3
"""Resistance the joints add to a part with two terminals [ohm]."""


@formula("where(terminals <= 2, 0.3e-3, 0.0)", unit="ohm")
def solder_error(*, terminals: FloatArray) -> FloatArray:
    """Resistance that the solder joints may add; to be flagged wherever it is not zero.

    terminals : terminals of the part [1], (n_part, 1)
    Returns : resistance [ohm], (n_part, 1)

    Holds for: reflow joints of milliohm parts; four terminals sense inside the joints.
    Source: common practice, no source.

    >>> solder_error(terminals=np.array([2.0, 4.0]))
    array([0.0003, 0.    ])
    """
    return np.where(terminals <= 2.0, SOLDER_ERROR, 0.0)


@formula(
    "(resistance * (1 + resistance_tolerance + resistance_drift"
    " + resistance_tempco * abs(temp_part - 25)) + resistance_solder) / pieces",
    unit="ohm",
)
def resistance_high(
    *,
    resistance: FloatArray,
    resistance_tolerance: FloatArray,
    resistance_drift: FloatArray,
    resistance_tempco: FloatArray,
    temp_part: FloatArray,
    resistance_solder: FloatArray,
    pieces: FloatArray,
) -> FloatArray:
    """Largest resistance of the parallel group over tolerance, heat, age and soldering.

    resistance : nominal, of one piece [ohm], (n_part, n_lane)
    resistance_tolerance : share [1], (n_part, n_lane)
    resistance_drift : share over life [1], (n_part, n_lane)
    resistance_tempco : size of the temperature coefficient [1/K], (n_part, n_lane)
    temp_part : part temperature [degC], (n_part, n_lane)
    resistance_solder : what the joints of one piece add [ohm], (n_part, n_lane)
    pieces : in parallel [1], (n_part, n_lane)
    Returns : resistance [ohm], (n_part, n_lane)

    Holds for: worst case, all deviations at once.
    Source: common practice (worst-case stack).

    >>> resistance_high(resistance=np.array([5e-3]), resistance_tolerance=np.array([0.01]),
    ...     resistance_drift=np.array([0.01]), resistance_tempco=np.array([1e-4]),
    ...     temp_part=np.array([125.0]), resistance_solder=np.array([3e-4]), pieces=np.array([1.0]))
    array([0.00545])
    """
    spread = resistance_tolerance + resistance_drift + resistance_tempco * np.abs(temp_part - 25.0)
    return (resistance * (1.0 + spread) + resistance_solder) / pieces


@formula(
    "resistance * (1 - resistance_tolerance - resistance_drift"
    " - resistance_tempco * abs(temp_part - 25)) / pieces",
    unit="ohm",
)
def resistance_low(
    *,
    resistance: FloatArray,
    resistance_tolerance: FloatArray,
    resistance_drift: FloatArray,
    resistance_tempco: FloatArray,
    temp_part: FloatArray,
    pieces: FloatArray,
) -> FloatArray:
    """Smallest resistance of the parallel group; soldering can only add.

    resistance : nominal, of one piece [ohm], (n_part, n_lane)
    resistance_tolerance : share [1], (n_part, n_lane)
    resistance_drift : share over life [1], (n_part, n_lane)
    resistance_tempco : size of the temperature coefficient [1/K], (n_part, n_lane)
    temp_part : part temperature [degC], (n_part, n_lane)
    pieces : in parallel [1], (n_part, n_lane)
    Returns : resistance [ohm], (n_part, n_lane); NaN where nothing is left

    Holds for: worst case, all deviations at once.
    Source: common practice (worst-case stack).

    >>> resistance_low(resistance=np.array([5e-3]), resistance_tolerance=np.array([0.01]),
    ...     resistance_drift=np.array([0.01]), resistance_tempco=np.array([1e-4]),
    ...     temp_part=np.array([125.0]), pieces=np.array([1.0]))
    array([0.00485])
    """
    spread = resistance_tolerance + resistance_drift + resistance_tempco * np.abs(temp_part - 25.0)
    return np.where(spread < 1.0, resistance * (1.0 - spread) / pieces, np.nan)


@formula("i_rms**2 * resistance / pieces**2", unit="W")
def loss_piece(*, i_rms: FloatArray, resistance: FloatArray, pieces: FloatArray) -> FloatArray:
    """Loss of one of several equal pieces in parallel.

    i_rms : rms current of the group [A], (n_part, n_lane)
    resistance : of one piece [ohm], (n_part, n_lane)
    pieces : in parallel [1], (n_part, n_lane)
    Returns : loss of one piece [W], (n_part, n_lane); the group loses `pieces` times as much

    Holds for: equal sharing.
    Source: definition (Joule).

    >>> loss_piece(i_rms=np.array([10.0]), resistance=np.array([0.01]), pieces=np.array([2.0]))
    array([0.25])
    """
    return i_rms * i_rms * resistance / (pieces * pieces)


@formula(
    "power_rating * minimum(maximum((temp_part_rating - temp_board)"
    " / (temp_part_rating - temp_power_derating), 0), 1)",
    unit="W",
)
def power_at_board(
    *,
    power_rating: FloatArray,
    temp_board: FloatArray,
    temp_power_derating: FloatArray,
    temp_part_rating: FloatArray,
) -> FloatArray:
    """Rated power left at the board temperature; the derating policy takes its share of this.

    power_rating : full power [W], (n_part, 1)
    temp_board : board temperature [degC], (n_lane,)
    temp_power_derating : full power up to here [degC], (n_part, 1)
    temp_part_rating : no power from here [degC], (n_part, 1)
    Returns : power [W], (n_part, n_lane)

    Holds for: straight derating line between the two temperatures.
    Source: common practice (makers' derating line).

    >>> power_at_board(power_rating=np.array([2.0]), temp_board=np.array([120.0]),
    ...     temp_power_derating=np.array([70.0]), temp_part_rating=np.array([170.0]))
    array([1.])
    """
    width = temp_part_rating - temp_power_derating
    left = (temp_part_rating - temp_board) / width
    return np.where(width > 0.0, power_rating * np.clip(left, 0.0, 1.0), np.nan)


@formula("temp_board + loss * (temp_part_rating - temp_power_derating) / power_rating", unit="degC")
def temp_part(
    *,
    temp_board: FloatArray,
    loss: FloatArray,
    power_rating: FloatArray,
    temp_power_derating: FloatArray,
    temp_part_rating: FloatArray,
) -> FloatArray:
    """Temperature of one piece, from the slope of its derating line.

    temp_board : board temperature [degC], (n_lane,)
    loss : of one piece [W], (n_part, n_lane)
    power_rating : full power [W], (n_part, 1)
    temp_power_derating : full power up to here [degC], (n_part, 1)
    temp_part_rating : no power from here [degC], (n_part, 1)
    Returns : temperature [degC], (n_part, n_lane)

    Holds for: derating line that follows from one thermal resistance.
    Source: common practice.

    >>> temp_part(temp_board=np.array([80.0]), loss=np.array([0.5]), power_rating=np.array([2.0]),
    ...     temp_power_derating=np.array([70.0]), temp_part_rating=np.array([170.0]))
    array([105.])
    """
    return temp_board + loss * (temp_part_rating - temp_power_derating) / power_rating


@formula("esl / pieces * v_swing / inductance", unit="V")
def v_step_esl(
    *, esl: FloatArray, pieces: FloatArray, v_swing: FloatArray, inductance: FloatArray
) -> FloatArray:
    """Step the stray inductance adds to the sense voltage when the slope of the current turns.

    esl : stray inductance of one piece [H], (n_part, 1)
    pieces : in parallel [1], (n_part, 1)
    v_swing : change of the voltage across the inductor at the edge [V], (n_lane,)
    inductance : of the inductor [H], (n_part, n_lane)
    Returns : voltage [V], (n_part, n_lane)

    Holds for: sense resistor in series with the inductor, no filter at the sense pins.
    Source: definition of inductance.

    >>> v_step_esl(esl=np.array([5e-9]), pieces=np.array([1.0]), v_swing=np.array([48.0]),
    ...     inductance=np.array([1e-5]))
    array([0.024])
    """
    return esl / pieces * v_swing / inductance


@formula("v_sense / resistance", unit="A")
def i_limit_low(*, v_sense: FloatArray, resistance: FloatArray) -> FloatArray:
    """Peak current the limit is sure to let pass.

    v_sense : smallest threshold at the duty of the point [V], (n_lane,)
    resistance : largest resistance of the group [ohm], (n_part, n_lane)
    Returns : current [A], (n_part, n_lane)

    Holds for: threshold on the instantaneous inductor current.
    Source: definition (Ohm).

    >>> i_limit_low(v_sense=np.array([0.045]), resistance=np.array([0.005]))
    array([9.])
    """
    return v_sense / resistance


@formula("v_sense / resistance + v_inductor * time_delay / inductance", unit="A")
def i_limit_high(
    *,
    v_sense: FloatArray,
    resistance: FloatArray,
    v_inductor: FloatArray,
    time_delay: FloatArray,
    inductance: FloatArray,
) -> FloatArray:
    """Peak current the inductor must stand when the limit acts, its delay included.

    v_sense : largest threshold [V], (n_lane,)
    resistance : smallest resistance of the group [ohm], (n_part, n_lane)
    v_inductor : largest voltage across the inductor while the current rises [V], (n_lane,)
    time_delay : longest delay of the limit [s], ()
    inductance : smallest inductance [H], (n_part, n_lane)
    Returns : current [A], (n_part, n_lane)

    Holds for: threshold on the instantaneous inductor current.
    Source: definition of inductance.

    >>> i_limit_high(v_sense=np.array([0.06]), resistance=np.array([0.005]),
    ...     v_inductor=np.array([40.0]), time_delay=np.array([2e-7]), inductance=np.array([8e-6]))
    array([13.])
    """
    return v_sense / resistance + v_inductor * time_delay / inductance
