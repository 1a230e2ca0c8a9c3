"""What faults do to currents and voltages: shorts, open loads, live plugging, stored energy."""

from __future__ import annotations

import math
from collections.abc import Callable

Capacitance = Callable[[float], float]
"""Capacitance [F] of a voltage [V]."""

STEPS_PERIOD, PERIODS = 400, 3


def i_short_staircase(
    *, v_input: float, time_on_min: float, frequency: float, resistance: float, v_short: float
) -> float:
    """Mean coil current at which a shorted output comes to rest at the shortest on-time.

    v_input : highest input [V], ()
    time_on_min : longest shortest on-time the controller may need [s], ()
    frequency : highest switching frequency [Hz], ()
    resistance : of the whole path of the coil current, cold [ohm], ()
    v_short : voltage that is left at the short, without its resistance [V], ()
    Returns : current; 0 where the short takes all [A], ()

    Holds for: a synchronous input leg that switches every cycle with that on-time. Above the
    limit the current climbs like a staircase although the limit acts in every cycle.
    Source: volt-second balance, derived in DEVELOPERS.md, short circuit.

    >>> round(i_short_staircase(v_input=30.0, time_on_min=100e-9, frequency=300e3,
    ...     resistance=0.05, v_short=0.2), 6)
    14.0
    """
    return max(v_input * time_on_min * frequency - v_short, 0.0) / resistance


def v_open_cut(
    *, v_output: float, inductance: float, i_peak: float, capacitance: float, time_response: float
) -> float:
    """Highest output after the load opens, the coil cut off from the source at the threshold.

    v_output : largest over-voltage threshold [V], ()
    inductance : largest inductance [H], ()
    i_peak : largest coil current [A], ()
    capacitance : smallest of the output bank at that voltage [F], ()
    time_response : threshold crossed to transistors off [s], ()
    Returns : voltage [V], ()

    Holds for: step-down and four-switch stages that open input-high; no load left.
    Source: energy of the coil into the bank, and charge during the response; derived in
    DEVELOPERS.md, open load.

    >>> round(v_open_cut(v_output=30.0, inductance=10e-6, i_peak=10.0, capacitance=10e-6,
    ...     time_response=0.0), 4)
    31.6228
    """
    start = v_output + i_peak * time_response / capacitance
    return math.sqrt(start**2 + inductance * i_peak**2 / capacitance)


def v_open_fed(
    *,
    v_output: float,
    v_input: float,
    inductance: float,
    i_peak: float,
    capacitance: float,
    time_response: float,
) -> float:
    """Highest output after the load opens while the source still feeds the coil.

    v_output : largest over-voltage threshold [V], ()
    v_input : highest input [V], ()
    inductance : largest inductance [H], ()
    i_peak : largest coil current [A], ()
    capacitance : smallest of the output bank at that voltage [F], ()
    time_response : threshold crossed to transistors off [s], ()
    Returns : voltage [V], ()

    Holds for: step-up stages, whose coil stays joined to source and output; output above input.
    Source: series circuit with the source in it, derived in DEVELOPERS.md, open load.

    >>> round(v_open_fed(v_output=40.0, v_input=20.0, inductance=10e-6, i_peak=10.0,
    ...     capacitance=10e-6, time_response=0.0), 4)
    42.3607
    """
    start = v_output + i_peak * time_response / capacitance
    return v_input + math.sqrt((start - v_input) ** 2 + inductance * i_peak**2 / capacitance)


def i_replug(*, v_output: float, v_load: float, resistance: float) -> float:
    """Pulse into a lamp that is plugged onto a charged output bank.

    v_output : voltage of the bank [V], ()
    v_load : lowest voltage of the string [V], ()
    resistance : dynamic, of the whole string [ohm], ()
    Returns : current [A], ()

    Holds for: a bank much larger than the charge of the pulse; no cable.
    Source: definition of the dynamic resistance.

    >>> i_replug(v_output=32.0, v_load=21.0, resistance=1.1)
    10.0
    """
    return max(v_output - v_load, 0.0) / resistance


def energy_bank(*, capacitance: float, v_node: float) -> float:
    """Energy in a bank.

    capacitance : largest of the bank [F], ()
    v_node : voltage across it [V], ()
    Returns : energy [J], ()

    Holds for: capacitance that does not fall with the voltage (an upper bound where it does).
    Source: definition.

    >>> energy_bank(capacitance=1e-3, v_node=40.0)
    0.8
    """
    return 0.5 * capacitance * v_node**2


def time_bleed(
    *, capacitance: float, resistance: float, v_node: float, v_safe: float, energy_safe: float
) -> float:
    """Time until a bank has fallen to a safe voltage or a safe energy, whichever comes last.

    capacitance : largest of the bank [F], ()
    resistance : that discharges it [ohm], ()
    v_node : voltage at switch-off [V], ()
    v_safe : [V], ()
    energy_safe : [J], ()
    Returns : time [s], ()

    Holds for: discharge through a resistor alone.
    Source: exponential discharge.

    >>> round(time_bleed(capacitance=1e-3, resistance=1e3, v_node=50.0, v_safe=5.0,
    ...     energy_safe=2.0), 4)
    2.3026
    """
    level = min(v_safe, math.sqrt(2.0 * energy_safe / capacitance))
    return resistance * capacitance * max(math.log(v_node / level), 0.0) if v_node > 0.0 else 0.0


def v_plug_peak(
    *,
    v_input: float,
    inductance: float,
    resistance: float,
    first: Capacitance,
    esr_first: float,
    second: Capacitance | None = None,
    esr_second: float = 1.0,
) -> float:
    """Highest voltage at the terminals of an empty input bank that is plugged into a live cable.

    v_input : source voltage [V], ()
    inductance : of the cable, both ways [H], ()
    resistance : of cable and source [ohm], ()
    first, second : capacitance of one and the other type of the bank, of their voltage [F]
    esr_first, esr_second : of all pieces of a type together [ohm], ()
    Returns : voltage [V], ()

    Holds for: no load, no inrush limiter, no clamp; a contact that closes once.
    Source: the circuit integrated step by step (Runge and Kutta); without losses and with a
    constant capacitance it is twice the source voltage.

    >>> round(v_plug_peak(v_input=24.0, inductance=2e-6, resistance=1e-6,
    ...     first=lambda v: 10e-6, esr_first=1e-6), 2)
    48.0
    """
    start = first(0.0) + (second(0.0) if second else 0.0)
    period = 2.0 * math.pi * math.sqrt(inductance * start)
    step = period / STEPS_PERIOD
    if second is not None:
        series = 1.0 / (1.0 / first(v_input) + 1.0 / second(v_input))
        step = min(step, 0.5 * (esr_first + esr_second) * series)

    def split(i: float, one: float, two: float) -> tuple[float, float, float]:
        """Current into the second type, and the voltages of the node and of its driver."""
        if second is None:
            return 0.0, one + esr_first * i, i
        other = (one - two + esr_first * i) / (esr_first + esr_second)
        return other, two + esr_second * other, i - other

    def slopes(i: float, one: float, two: float) -> tuple[float, float, float]:
        other, node, own = split(i, one, two)
        rise = other / second(two) if second is not None else 0.0
        return (v_input - resistance * i - node) / inductance, own / first(one), rise

    state, peak, count = (0.0, 0.0, 0.0), 0.0, int(PERIODS * period / step)
    for _ in range(min(count, 60_000)):
        a = slopes(*state)
        b = slopes(*(x + 0.5 * step * k for x, k in zip(state, a, strict=True)))
        c = slopes(*(x + 0.5 * step * k for x, k in zip(state, b, strict=True)))
        d = slopes(*(x + step * k for x, k in zip(state, c, strict=True)))
        i, one, two = (
            x + step / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
            for x, k1, k2, k3, k4 in zip(state, a, b, c, d, strict=True)
        )
        state = (i, one, two)
        peak = max(peak, split(i, one, two)[1])
        if i < 0.0:
            break
    return peak


def damping(*, inductance: float, capacitance: float) -> tuple[float, float]:
    """Capacitance and resistance of a branch that damps an all-ceramic input.

    inductance : of the cable [H], ()
    capacitance : of the ceramics at their voltage [F], ()
    Returns : capacitance [F] and resistance [ohm] of the branch

    Holds for: plugging of a live cable; the branch in parallel with the ceramics.
    Source: common practice, no source (four times the capacitance, the characteristic impedance).

    >>> damping(inductance=1e-6, capacitance=4e-6)
    (1.6e-05, 0.5)
    """
    return 4.0 * capacitance, math.sqrt(inductance / capacitance)
