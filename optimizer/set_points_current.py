"""The sense resistor of a regulated current from preferred values: every one, every pair tried."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray
from optimizer.set_points import preferred
from optimizer.spec_records import CurrentLoop

SHUNT = 1e-6
"""From the values of `preferred` to those of sense resistors: 0.1 mohm to below 10 ohm."""


@formula("(v_sense + v_sense_offset) / resistance", unit="A")
def i_regulated(
    *, v_sense: FloatArray, v_sense_offset: FloatArray, resistance: FloatArray
) -> FloatArray:
    """Current that a loop regulates by the voltage over a sense resistor.

    v_sense : that the loop holds [V], any shape
    v_sense_offset : of its amplifier [V], any shape
    resistance : of the sense resistor [ohm], any shape
    Returns : current [A], broadcast shape

    Holds for: a loop with enough gain.
    Source: Ohm's law.

    >>> round(float(i_regulated(v_sense=50e-3, v_sense_offset=1e-3, resistance=10e-3)), 6)
    5.1
    """
    return (v_sense + v_sense_offset) / resistance


@dataclass(frozen=True, slots=True)
class Shunt:
    """One resistor or two in parallel [ohm] and the current they give: nominal, worst case and
    expected (root-sum-square) [A].
    """

    values: tuple[float, ...]
    resistance: float
    i_nominal: float
    i_min: float
    i_max: float
    i_spread: float


def shunts(series: str, pieces: int) -> tuple[FloatArray, FloatArray]:
    """Every value, and every pair of them if two pieces may be: (first, second) [ohm].

    A single resistor has inf as second; of a pair the first is not larger.
    """
    values = preferred(series) * SHUNT
    first, second = values, np.full(len(values), np.inf)
    if pieces > 1:
        one, two = np.triu_indices(len(values))
        first, second = np.append(first, values[one]), np.append(second, values[two])
    return first, second


def worst_case(
    loop: CurrentLoop, resistance: FloatArray, resistor_tolerance: float
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest current with every error at its worst at once [A].

    resistor_tolerance : temperature included [1]
    """
    ends = []
    for sign in (-1.0, 1.0):
        ends.append(
            i_regulated(
                v_sense=np.array(loop.v_sense * (1.0 + sign * loop.v_sense_tolerance)),
                v_sense_offset=np.array(sign * loop.v_offset),
                resistance=resistance * (1.0 - sign * resistor_tolerance),
            )
        )
    return ends[0], ends[1]


def best_shunt(
    loop: CurrentLoop,
    *,
    target: float,
    resistor_tolerance: float,
    series: str,
) -> Shunt:
    """The value or pair with the smallest worst-case distance from a current [A].

    Every value and pair is tried, so none of the series is better; of equal ones the one of fewer
    pieces and then the largest first resistor.
    """
    first, second = shunts(series, loop.resistors)
    resistance = 1.0 / (1.0 / first + 1.0 / second)
    least, most = worst_case(loop, resistance, resistor_tolerance)
    miss = np.maximum(np.abs(least - target), np.abs(most - target))
    single = np.isinf(second)
    best = np.lexsort((-first, ~single, np.round(miss / target, 9)))[0]
    nominal = loop.v_sense / float(resistance[best])
    # Each of two pieces carries its share of the error of both.
    shares = resistance[best] / np.array([first[best], second[best]])
    errors = [loop.v_sense_tolerance, loop.v_offset / loop.v_sense]
    errors += [float(share) * resistor_tolerance for share in shares]
    values = (first[best],) if single[best] else (first[best], second[best])
    return Shunt(
        values=tuple(float(one) for one in values),
        resistance=float(resistance[best]),
        i_nominal=nominal,
        i_min=float(least[best]),
        i_max=float(most[best]),
        i_spread=nominal * float(np.sqrt(np.sum(np.square(errors)))),
    )
