"""What a source offers: the current-voltage curve of a solar module and its weights."""

from __future__ import annotations

import math

WEIGHTS_EURO = ((0.05, 0.03), (0.10, 0.06), (0.20, 0.13), (0.30, 0.10), (0.50, 0.48), (1.0, 0.20))
"""(share of rated power, weight): EN 50530, second-hand."""

STEPS = 200
"""Halvings of an interval: far below rounding."""


def v_module_at(*, v_module: float, tempco_module: float, temp_cell: float) -> float:
    """A voltage of a solar module at a cell temperature.

    v_module : at 25 degC [V], ()
    tempco_module : relative change with temperature [1/K], ()
    temp_cell : temperature of the cells [degC], ()
    Returns : voltage [V], ()

    Holds for: crystalline modules at full sun.
    Source: definition of the data-sheet coefficient.

    >>> round(v_module_at(v_module=38.4, tempco_module=-3.1e-3, temp_cell=-25.0), 2)
    44.35
    """
    return v_module * (1.0 + tempco_module * (temp_cell - 25.0))


def i_module(
    *,
    v_input: float,
    share_sun: float,
    v_open: float,
    v_power: float,
    i_short: float,
    i_power: float,
) -> float:
    """Current of a solar module at a voltage, from the four figures of its data sheet.

    v_input : voltage [V], ()
    share_sun : irradiance over full sun [1], ()
    v_open, v_power : open-circuit and power-point voltage at full sun [V], ()
    i_short, i_power : short-circuit and power-point current at full sun [A], ()
    Returns : current, negative beyond the open circuit [A], ()

    Holds for: evenly lit modules; shade gives a second peak.
    Source: two-parameter exponential fit, H. S. Rauschenbach, Solar Cell Array Design Handbook,
    1980 (from memory); it passes the given points within a part in a thousand.

    >>> curve = {"v_open": 38.0, "v_power": 31.0, "i_short": 9.0, "i_power": 8.4}
    >>> round(i_module(v_input=31.0, share_sun=1.0, **curve), 3)
    8.4
    """
    c_two = (v_power / v_open - 1.0) / math.log(1.0 - i_power / i_short)
    c_one = (1.0 - i_power / i_short) * math.exp(-v_power / (c_two * v_open))
    return i_short * (share_sun - c_one * (math.exp(v_input / (c_two * v_open)) - 1.0))


def v_power_at(
    *,
    share_power: float,
    v_open: float,
    v_power: float,
    i_short: float,
    i_power: float,
) -> float:
    """Voltage of the power point at the irradiance that gives a share of the rated power.

    share_power : of the power at full sun [1], ()
    v_open, v_power : open-circuit and power-point voltage at full sun [V], ()
    i_short, i_power : short-circuit and power-point current at full sun [A], ()
    Returns : voltage [V], ()

    Holds for: 0 < share_power <= 1; cells at one temperature, tracking at the power point.
    Source: maximum of the curve of `i_module`, found by halving.

    >>> curve = {"v_open": 38.0, "v_power": 31.0, "i_short": 9.0, "i_power": 8.4}
    >>> round(v_power_at(share_power=0.1, **curve), 2) < 31.0
    True
    """
    c_two = (v_power / v_open - 1.0) / math.log(1.0 - i_power / i_short)
    c_one = (1.0 - i_power / i_short) * math.exp(-v_power / (c_two * v_open))

    def top(share_sun: float) -> float:
        """Voltage where the power is largest: its slope there is zero."""
        low, high = 0.0, c_two * v_open * math.log(1.0 + share_sun / c_one)
        for _ in range(STEPS):
            middle = 0.5 * (low + high)
            x = middle / (c_two * v_open)
            slope = share_sun + c_one - c_one * math.exp(x) * (1.0 + x)
            low, high = (middle, high) if slope > 0.0 else (low, middle)
        return 0.5 * (low + high)

    def power(share_sun: float) -> float:
        return top(share_sun) * (
            share_sun - c_one * (math.exp(top(share_sun) / (c_two * v_open)) - 1.0)
        )

    low, high, wanted = 0.0, 1.0, share_power * power(1.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if power(middle) < wanted else (low, middle)
    return top(high)
