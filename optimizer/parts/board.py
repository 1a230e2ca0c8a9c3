"""What all parts share: copper, drive supply, board temperature, and the thermal-gain row."""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

AMBIENT_SHARE = 0.5
"""Share of junction to ambient taken as junction to board where junction to case is missing."""


@formula("i_rms**2 * resistance_board", unit="W")
def loss_copper(*, i_rms: FloatArray, resistance_board: FloatArray) -> FloatArray:
    """Loss of board copper and connectors.

    i_rms : rms current through them [A], (n_set, n_lane)
    resistance_board : their resistance [ohm], ()
    Returns : loss [W], (n_set, n_lane)

    Holds for: resistance taken at the board's working temperature.
    Source: definition (Joule).

    >>> loss_copper(i_rms=np.array([10.0]), resistance_board=np.array(1.5e-3))
    array([0.15])
    """
    return i_rms * i_rms * resistance_board


@formula("v_input * (i_drive + i_quiescent)", unit="W")
def loss_drive(*, v_input: FloatArray, i_drive: FloatArray, i_quiescent: FloatArray) -> FloatArray:
    """All that the gates and the controller take from the input.

    v_input : what feeds the drive regulator [V], (n_lane,)
    i_drive : gate current of all transistors that switch [A], (n_set, n_lane)
    i_quiescent : of the controller [A], ()
    Returns : loss [W], (n_set, n_lane)

    Holds for: linear drive regulator.
    Source: application note 64AN035E (second-hand) for both terms.

    >>> loss_drive(v_input=np.array([12.0]), i_drive=np.array([0.0]), i_quiescent=np.array(1e-3))
    array([0.012])
    """
    return v_input * (i_drive + i_quiescent)


@formula("(v_input - v_drive) * (i_drive + i_quiescent)", unit="W")
def loss_drive_regulator(
    *, v_input: FloatArray, v_drive: FloatArray, i_drive: FloatArray, i_quiescent: FloatArray
) -> FloatArray:
    """Part of the drive loss that heats the regulator inside the controller.

    v_input : what feeds the drive regulator [V], (n_lane,)
    v_drive : drive voltage [V], ()
    i_drive : gate current of all transistors that switch [A], (n_set, n_lane)
    i_quiescent : of the controller [A], ()
    Returns : loss [W], (n_set, n_lane); NaN where the input cannot supply the drive voltage

    Holds for: linear drive regulator.
    Source: definition (voltage drop times current).

    >>> loss_drive_regulator(v_input=np.array([57.0]), v_drive=np.array(7.0),
    ...     i_drive=np.array([0.036]), i_quiescent=np.array(0.0))
    array([1.8])
    """
    drop = v_input - v_drive
    return np.where(drop >= 0.0, drop * (i_drive + i_quiescent), np.nan)


@formula("temp_ambient + board_k_per_w * loss_total", unit="degC")
def temp_board(
    *, temp_ambient: FloatArray, board_k_per_w: FloatArray, loss_total: FloatArray
) -> FloatArray:
    """Temperature of the board all parts sit on.

    temp_ambient : ambient [degC], (n_lane,)
    board_k_per_w : board over ambient per watt [K/W], ()
    loss_total : loss of the whole set [W], (n_set, n_lane)
    Returns : temperature [degC], (n_set, n_lane)

    Holds for: one well spread board, steady state.
    Source: common practice.

    >>> temp_board(temp_ambient=np.array([60.0]), board_k_per_w=np.array(6.0),
    ...     loss_total=np.array([5.0]))
    array([90.])
    """
    return temp_ambient + board_k_per_w * loss_total


@formula("power_output / (power_output + loss_total)", unit="1")
def efficiency(*, power_output: FloatArray, loss_total: FloatArray) -> FloatArray:
    """Share of the input power that reaches the output.

    power_output : output power [W], (n_set, n_lane)
    loss_total : loss of the whole set [W], (n_set, n_lane)
    Returns : efficiency [1], (n_set, n_lane)

    Holds for: steady state.
    Source: definition.

    >>> efficiency(power_output=np.array([95.0]), loss_total=np.array([5.0]))
    array([0.95])
    """
    return power_output / (power_output + loss_total)


@formula("temp_reference + rth * loss", unit="degC")
def temp_over(*, temp_reference: FloatArray, rth: FloatArray, loss: FloatArray) -> FloatArray:
    """Temperature of a part over the point its thermal resistance refers to.

    temp_reference : ambient, board or case [degC], (n_set, n_lane)
    rth : resistance to that point [K/W], (n_set, 1)
    loss : of the part [W], (n_set, n_lane)
    Returns : temperature [degC], (n_set, n_lane)

    Holds for: steady state; never a resistance to ambient together with a board temperature.
    Source: JESD51-8 and JESD51-12, as quoted by a vendor page (second-hand).

    >>> temp_over(temp_reference=np.array([60.0]), rth=np.array([50.0]), loss=np.array([0.5]))
    array([85.])
    """
    return temp_reference + rth * loss


def rth_junction_board(
    *, rth_junction_case: FloatArray, rth_pad: FloatArray, rth_junction_ambient: FloatArray
) -> FloatArray:
    """Junction to board: case and pad, or half of junction to ambient where case is missing.

    rth_junction_case : NaN where not given [K/W], (n_choice, 1)
    rth_pad : of the land pattern [K/W], (n_choice, 1)
    rth_junction_ambient : on the maker's test board, NaN where not given [K/W], (n_choice, 1)
    Returns : thermal resistance [K/W], (n_choice, 1); NaN where neither is given

    Holds for: parts cooled through their pad. The second form is to be tagged as assumed.
    Source: common practice; JESD51-2 says junction to ambient does not predict a board.

    >>> rth_junction_board(rth_junction_case=np.array([1.5, np.nan]), rth_pad=np.array([8.0, 8.0]),
    ...     rth_junction_ambient=np.array([40.0, 40.0]))
    array([ 9.5, 20. ])
    """
    direct = rth_junction_case + rth_pad
    return np.where(np.isnan(direct), AMBIENT_SHARE * rth_junction_ambient, direct)


@formula("board_k_per_w * slope / (thermal_gain_max - rth * slope)", unit="1")
def gain_single(
    *,
    rth: FloatArray,
    slope: FloatArray,
    board_k_per_w: FloatArray,
    thermal_gain_max: FloatArray,
) -> FloatArray:
    """What one part without partners adds to the thermal-gain row, whose sum must not exceed 1.

    rth : part to board [K/W], (n_choice, n_lane)
    slope : rise of its loss per kelvin of its own [W/K], (n_choice, n_lane)
    board_k_per_w : board over ambient per watt of all loss [K/W], ()
    thermal_gain_max : gain demanded, below 1 [1], ()
    Returns : term of the row [1], (n_choice, n_lane); inf where the part alone reaches the gain

    Holds for: steady state, one board temperature, losses rising with temperature.
    Source: derived in DEVELOPERS.md, thermal gain.

    >>> gain_single(rth=np.array([10.0]), slope=np.array([0.01]), board_k_per_w=np.array(6.0),
    ...     thermal_gain_max=np.array(0.4)).round(6)
    array([0.2])
    """
    left = thermal_gain_max - rth * slope
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(left <= 0.0, np.inf, board_k_per_w * slope / left)


def largest_gain(
    *,
    rth: FloatArray,
    slope: FloatArray,
    pieces: FloatArray,
    board_k_per_w: FloatArray,
) -> FloatArray:
    """Thermal gain of a whole set: what a temperature disturbance comes back multiplied by.

    rth : one piece of each node to board [K/W], (n_set, n_lane, n_node)
    slope : loss of a piece of node i per kelvin of node j [W/K], (n_set, n_lane, n_node, n_node)
    pieces : in parallel at each node [1], (n_set, n_lane, n_node)
    board_k_per_w : board over ambient per watt of all loss [K/W], ()
    Returns : largest eigenvalue [1], (n_set, n_lane); runaway at 1; NaN where an input is NaN

    Holds for: steady state, one board temperature, pieces of a node alike.
    Source: derived in DEVELOPERS.md, thermal gain.

    >>> largest_gain(rth=np.array([[8.0]]), slope=np.array([[[0.02]]]), pieces=np.array([[1.0]]),
    ...     board_k_per_w=np.array(12.0)).round(6)
    array([0.4])
    """
    board = np.asarray(board_k_per_w) * np.sum(pieces[..., :, None] * slope, axis=-2)
    loop = rth[..., :, None] * slope + board[..., None, :]
    known = np.isfinite(loop).all(axis=(-2, -1))
    safe = np.where(known[..., None, None], loop, 0.0)
    found = np.linalg.eigvals(safe).real.max(axis=-1)
    return np.where(known, found, np.nan)
