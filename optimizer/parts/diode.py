"""Schottky diode alone: its forward line, its reverse current, its temperature.

A Schottky diode has no recovery; its junction charge heats the transistor that turns it off, as
the output charge of a transistor would (`half_bridge`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.formulas import formula
from optimizer.records import BoolArray, FloatArray

STEPS_MAX = 60
TEMP_STEP_SMALL = 1e-9
"""Newton step of the junction temperature at which it rests [K]."""

TEMP_END = 1000.0
"""No diode has a steady temperature above this [degC]."""


@dataclass(frozen=True, slots=True)
class Diode:
    """Parameters of the diode at one position, each broadcasting to (n_choice, n_lane).

    v_forward : of the straight forward line at no current, 25 degC [V]
    v_forward_slope : fall of the forward voltage per kelvin [V/K]
    temp_hold : the forward voltage is not taken to fall further above this [degC]
    resistance : slope of the forward line [ohm]
    i_reverse_125c : at the rated voltage, 125 degC [A]; growth : its relative rise per kelvin [1/K]
    q_output : junction charge [C] at v_output_test [V]
    rth : junction to board, pad included [K/W]; pieces : always one
    """

    v_forward: FloatArray
    v_forward_slope: FloatArray
    temp_hold: FloatArray
    resistance: FloatArray
    i_reverse_125c: FloatArray
    growth: FloatArray
    q_output: FloatArray
    v_output_test: FloatArray
    rth: FloatArray
    pieces: FloatArray


@formula("(v_forward - v_forward_tenth) / (0.9 * i_forward_test)", unit="ohm")
def resistance_forward(
    *, v_forward: FloatArray, v_forward_tenth: FloatArray, i_forward_test: FloatArray
) -> FloatArray:
    """Slope of the forward line through the test current and a tenth of it.

    v_forward : forward voltage at the test current [V], (n_part, 1)
    v_forward_tenth : forward voltage at a tenth of it [V], (n_part, 1)
    i_forward_test : test current [A], (n_part, 1)
    Returns : resistance [ohm], (n_part, 1)

    Holds for: currents between the two. The true curve is bent, so the line lies below it between
        them by up to some 20 mV and above it elsewhere.
    Source: common practice (straight forward characteristic of rectifier data sheets).

    >>> resistance_forward(v_forward=np.array([0.55]), v_forward_tenth=np.array([0.415]),
    ...     i_forward_test=np.array([5.0])).round(6)
    array([0.03])
    """
    return (v_forward - v_forward_tenth) / (0.9 * i_forward_test)


@formula("v_forward - v_forward_slope * (minimum(temp_junction, temp_hold) - 25)", unit="V")
def v_forward_hot(
    *,
    v_forward: FloatArray,
    v_forward_slope: FloatArray,
    temp_junction: FloatArray,
    temp_hold: FloatArray,
) -> FloatArray:
    """Forward voltage of the line at no current, at temperature.

    v_forward : at 25 degC [V], (n_choice, n_lane)
    v_forward_slope : fall per kelvin [V/K], (n_choice, n_lane)
    temp_junction : junction temperature [degC], (n_choice, n_lane)
    temp_hold : it is not taken to fall further above this [degC], (n_choice, n_lane)
    Returns : voltage [V], (n_choice, n_lane)

    Holds for: -55 to 175 degC.
    Source: common practice (straight between the 25 and 125 degC values of the data sheet).

    >>> v_forward_hot(v_forward=np.array([0.4]), v_forward_slope=np.array([1e-3]),
    ...     temp_junction=np.array([125.0]), temp_hold=np.array([np.inf])).round(6)
    array([0.3])
    """
    return v_forward - v_forward_slope * (np.minimum(temp_junction, temp_hold) - 25.0)


@formula("i_reverse_125c * exp(growth * (temp_junction - 125))", unit="A")
def i_reverse(
    *, i_reverse_125c: FloatArray, growth: FloatArray, temp_junction: FloatArray
) -> FloatArray:
    """Reverse current at temperature.

    i_reverse_125c : at the rated voltage, 125 degC [A], (n_choice, n_lane)
    growth : relative rise per kelvin [1/K], (n_choice, n_lane)
    temp_junction : junction temperature [degC], (n_choice, n_lane)
    Returns : current [A], (n_choice, n_lane)

    Holds for: any reverse voltage up to the rated one, of which the current of the rated one is
        the most.
    Source: common practice (exponential through the 25 and 125 degC values; it doubles every 10
        to 12 K).

    >>> i_reverse(i_reverse_125c=np.array([8e-3]), growth=np.array([np.log(2) / 10]),
    ...     temp_junction=np.array([95.0])).round(6)
    array([0.001])
    """
    return i_reverse_125c * np.exp(growth * (temp_junction - 125.0))


@formula("v_forward * i_mean + resistance * i_rms**2", unit="W")
def loss_forward(
    *, v_forward: FloatArray, i_mean: FloatArray, resistance: FloatArray, i_rms: FloatArray
) -> FloatArray:
    """Loss of a diode that conducts.

    v_forward : of its line at no current, at temperature [V], (n_choice, n_lane)
    i_mean : mean current over the period [A], (n_choice, n_lane)
    resistance : slope of the line [ohm], (n_choice, n_lane)
    i_rms : rms current over the period [A], (n_choice, n_lane)
    Returns : loss [W], (n_choice, n_lane)

    Holds for: a straight forward line.
    Source: definition (voltage times current, averaged over the line).

    >>> loss_forward(v_forward=np.array([0.4]), i_mean=np.array([3.0]),
    ...     resistance=np.array([0.02]), i_rms=np.array([4.0])).round(6)
    array([1.52])
    """
    return v_forward * i_mean + resistance * i_rms * i_rms


@formula("v_node * i_reverse * share_blocking", unit="W")
def loss_reverse(
    *, v_node: FloatArray, i_reverse: FloatArray, share_blocking: FloatArray
) -> FloatArray:
    """Loss of the reverse current while the diode blocks.

    v_node : voltage it blocks [V], (n_choice, n_lane)
    i_reverse : reverse current [A], (n_choice, n_lane)
    share_blocking : share of the period in which it blocks [1], (n_choice, n_lane)
    Returns : loss [W], (n_choice, n_lane)

    Holds for: any duty; while the coil current rests the voltage is less, so this is the most.
    Source: definition (voltage times current).

    >>> loss_reverse(v_node=np.array([24.0]), i_reverse=np.array([5e-3]),
    ...     share_blocking=np.array([0.5])).round(6)
    array([0.06])
    """
    return v_node * i_reverse * share_blocking


def temp_junction(
    device: Diode,
    *,
    i_mean: FloatArray,
    i_rms: FloatArray,
    v_node: FloatArray,
    share_blocking: FloatArray,
    temp_board: FloatArray,
) -> FloatArray:
    """Temperature at which heat made and heat carried away are equal, the stable one of two.

    Loss over temperature is convex (the reverse current grows exponentially), so Newton's method
    from the board temperature climbs to the lower crossing and never past it; where there is no
    crossing the diode runs away.

    device : in the units of `Diode`, (n_choice, n_lane)
    i_mean, i_rms : current through it over the period [A], (n_choice, n_lane)
    v_node : voltage it blocks [V], (n_choice, n_lane)
    share_blocking : share of the period in which it blocks [1], (n_choice, n_lane)
    temp_board : board temperature [degC], (n_choice, n_lane)
    Returns : temperature [degC], (n_choice, n_lane); NaN where the diode runs away

    Holds for: steady state, one diode on its own path to the board.
    Source: derived in DEVELOPERS.md, diode.

    >>> from dataclasses import fields
    >>> plain = Diode(*[np.array(0.0)] * len(fields(Diode)))
    >>> part = Diode(**{f.name: getattr(plain, f.name) for f in fields(Diode)} |
    ...     {"v_forward": np.array(0.5), "rth": np.array(10.0), "temp_hold": np.array(25.0)})
    >>> temp_junction(part, i_mean=np.array([4.0]), i_rms=np.array([4.0]),
    ...     v_node=np.array([12.0]), share_blocking=np.array([0.5]),
    ...     temp_board=np.array([60.0])).round(9)
    array([80.])
    """
    duty = {"i_mean": i_mean, "i_rms": i_rms, "v_node": v_node, "share_blocking": share_blocking}
    temp = np.asarray(temp_board + 0.0 * losses(device, temp_board, **duty)[0])
    done: BoolArray = np.zeros(temp.shape, dtype=np.bool_)
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(STEPS_MAX):
            loss, slope = losses(device, temp, **duty)
            excess = temp_board + device.rth * loss - temp
            room = 1.0 - device.rth * slope
            step = excess / np.where(room > 0.0, room, np.nan)
            done = np.abs(step) <= TEMP_STEP_SMALL * (1.0 + np.abs(temp))
            temp = np.where(temp + step < TEMP_END, temp + step, np.nan)
            if np.all(done | np.isnan(temp)):
                break
    return np.where(done, temp, np.nan)


def losses(
    device: Diode,
    temp: FloatArray,
    *,
    i_mean: FloatArray,
    i_rms: FloatArray,
    v_node: FloatArray,
    share_blocking: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Loss at a junction temperature and its rise per kelvin.

    device : in the units of `Diode`, (n_choice, n_lane)
    temp : junction temperature [degC], (n_choice, n_lane)
    i_mean, i_rms : current through it over the period [A], (n_choice, n_lane)
    v_node : voltage it blocks [V], (n_choice, n_lane)
    share_blocking : share of the period in which it blocks [1], (n_choice, n_lane)
    Returns : loss [W] and its rise [W/K], (n_choice, n_lane)

    Holds for: as `loss_forward` and `loss_reverse`.
    Source: derivative of the two.

    >>> from dataclasses import fields
    >>> one = Diode(*[np.array(1.0)] * len(fields(Diode)))
    >>> [float(v) for v in losses(one, np.array(125.0), i_mean=np.array(1.0), i_rms=np.array(1.0),
    ...     v_node=np.array(1.0), share_blocking=np.array(1.0))]
    [27.0, 1.0]
    """
    forward = v_forward_hot(
        v_forward=device.v_forward,
        v_forward_slope=device.v_forward_slope,
        temp_junction=temp,
        temp_hold=device.temp_hold,
    )
    reverse = i_reverse(
        i_reverse_125c=device.i_reverse_125c, growth=device.growth, temp_junction=temp
    )
    lost = loss_reverse(v_node=v_node, i_reverse=reverse, share_blocking=share_blocking)
    loss = lost + loss_forward(
        v_forward=forward, i_mean=i_mean, resistance=device.resistance, i_rms=i_rms
    )
    falls = np.where(temp < device.temp_hold, device.v_forward_slope * i_mean, 0.0)
    return loss, device.growth * lost - falls
