"""Voltages and currents that a lamp or a battery on charge asks of the stage."""

from __future__ import annotations

import math

FLICKER_KNEE, FLICKER_END, FLICKER_END_NONE = 90.0, 1250.0, 3000.0
"""Ends of the lines of IEEE Std 1789-2015, clause 8 (from memory) [Hz]."""


def v_led_at(
    *,
    v_led: float,
    v_led_tempco: float,
    temp_junction: float,
    resistance_led: float,
    i_led: float,
    i_full: float,
) -> float:
    """Forward voltage of one LED at a temperature and a current.

    v_led : at full current and 25 degC [V], ()
    v_led_tempco : change with temperature [V/K], ()
    temp_junction : temperature of the junction [degC], ()
    resistance_led : dynamic resistance at full current [ohm], ()
    i_led, i_full : current and full current [A], ()
    Returns : voltage [V], ()

    Holds for: currents near the full one; far below it see `v_led_low`.
    Source: temperature: Khanna, Fundamentals of Solid-State Lighting, ch. 14, eq. 14.1-14.3;
    tangent of the curve in the current: definition of the dynamic resistance.

    >>> v_led_at(v_led=3.0, v_led_tempco=-3e-3, temp_junction=125.0, resistance_led=0.3,
    ...     i_led=0.3, i_full=0.3)
    2.7
    """
    return v_led + v_led_tempco * (temp_junction - 25.0) + resistance_led * (i_led - i_full)


def v_led_low(
    *,
    v_led: float,
    v_led_tempco: float,
    temp_junction: float,
    resistance_led: float,
    i_led: float,
    i_full: float,
) -> float:
    """A voltage one LED is sure to keep when it is dimmed.

    v_led : at full current and 25 degC [V], ()
    v_led_tempco : change with temperature [V/K], ()
    temp_junction : temperature of the junction [degC], ()
    resistance_led : dynamic resistance at full current [ohm], ()
    i_led, i_full : current and full current [A], ()
    Returns : voltage [V], ()

    Holds for: 0 < i_led <= i_full. All of the dynamic resistance is taken as that of an
    exponential junction; what is a series resistance in truth lets the voltage fall less.
    Source: derived in DEVELOPERS.md, dimmed led.

    >>> round(v_led_low(v_led=3.0, v_led_tempco=0.0, temp_junction=25.0, resistance_led=0.1,
    ...     i_led=0.1, i_full=1.0), 4)
    2.7697
    """
    fall = resistance_led * i_full * math.log(i_led / i_full)
    return v_led + v_led_tempco * (temp_junction - 25.0) + fall


def pwm_ratio_max(
    *, frequency: float, frequency_tolerance: float, pwm_frequency: float, cycles_min: float
) -> float:
    """Largest ratio of full to shortest pulse that still holds the cycles it must.

    frequency : switching frequency [Hz], ()
    frequency_tolerance : of the switching frequency [1], ()
    pwm_frequency : of the dimming [Hz], ()
    cycles_min : switching cycles in the shortest pulse [1], ()
    Returns : ratio [1], ()

    Holds for: pulses that start with a switching cycle.
    Source: definition; common practice asks for a few cycles, no source.

    >>> round(pwm_ratio_max(frequency=400e3, frequency_tolerance=0.1, pwm_frequency=1.25e3,
    ...     cycles_min=3), 6)
    96.0
    """
    return frequency * (1.0 - frequency_tolerance) / (pwm_frequency * cycles_min)


def flicker_low_risk(*, pwm_frequency: float) -> float:
    """Modulation up to which flicker is called low risk; inf where there is no limit.

    pwm_frequency : of the light [Hz], ()
    Returns : (largest - smallest)/(largest + smallest) of the light [1], ()

    Holds for: periodic modulation. A recommended practice, not a limit of safety.
    Source: IEEE Std 1789-2015, clause 8, recommended practice 1 (from memory).

    >>> flicker_low_risk(pwm_frequency=100.0), flicker_low_risk(pwm_frequency=60.0)
    (0.08, 0.015)
    """
    if pwm_frequency > FLICKER_END:
        return math.inf
    return (0.08 if pwm_frequency > FLICKER_KNEE else 0.025) * pwm_frequency / 100.0


def flicker_no_effect(*, pwm_frequency: float) -> float:
    """Modulation up to which no effect of flicker is expected; inf where there is no limit.

    pwm_frequency : of the light [Hz], ()
    Returns : (largest - smallest)/(largest + smallest) of the light [1], ()

    Holds for: periodic modulation.
    Source: IEEE Std 1789-2015, clause 8, recommended practice 2 (from memory).

    >>> round(flicker_no_effect(pwm_frequency=100.0), 4)
    0.0333
    """
    if pwm_frequency > FLICKER_END_NONE:
        return math.inf
    return (1.0 / 30.0 if pwm_frequency > FLICKER_KNEE else 0.01) * pwm_frequency / 100.0


def v_cell_at(
    *,
    v_cell: float,
    v_cell_tempco: float,
    temp_battery: float,
    temp_battery_cold: float,
    temp_battery_hot: float,
) -> float:
    """Set point of one lead-acid cell at the temperature of the battery.

    v_cell : set point at 25 degC [V], ()
    v_cell_tempco : change with temperature [V/K], ()
    temp_battery : temperature of the battery [degC], ()
    temp_battery_cold, temp_battery_hot : where compensation stops [degC], ()
    Returns : voltage [V], ()

    Holds for: valve-regulated and flooded cells; the maker's figures go before.
    Source: common practice, no source.

    >>> [round(v_cell_at(v_cell=2.25, v_cell_tempco=-3e-3, temp_battery=t, temp_battery_cold=5.0,
    ...     temp_battery_hot=40.0), 4) for t in (-10.0, 15.0, 35.0)]
    [2.31, 2.28, 2.22]
    """
    held = min(max(temp_battery, temp_battery_cold), temp_battery_hot)
    return v_cell + v_cell_tempco * (held - 25.0)


def i_end_error(*, v_sense_offset: float, resistance: float) -> float:
    """How far the end of charge may lie from its set point.

    v_sense_offset : of the current-sense amplifier [V], ()
    resistance : of the sense resistor in the charge path [ohm], ()
    Returns : current [A], ()

    Holds for: offset alone; gain and resistor errors are small beside it at a small current.
    Source: definition (Ohm).

    >>> i_end_error(v_sense_offset=1e-3, resistance=10e-3)
    0.1
    """
    return v_sense_offset / resistance
