"""Life of capacitors over a mission, and failure rates of parts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.formulas import formula
from optimizer.parts import capacitor
from optimizer.records import FloatArray, IntArray

LAWS = {
    "aluminium": (2.0, 10.0),
    "hybrid": (2.0, 10.0),
    "polymer": (10.0, 20.0),
}
"""Technology -> life grows by this factor for so many kelvin. Others have no law of wear-out."""

BOLTZMANN = 8.617e-5
"""[eV/K]"""

FACTOR_QUALITY_COMMERCIAL = 10.0
ENVIRONMENT = {"benign": (1.0, 1.0, 1.0), "fixed": (6.0, 10.0, 6.0), "mobile": (9.0, 20.0, 12.0)}
"""Environment -> factor of transistors, capacitors and coils: MIL-HDBK-217F N2; ground benign,
fixed and mobile. Fixed is second-hand, the others partly from memory."""


@formula("life_rating * factor ** ((temp_reference - temp_core) / temp_step)", unit="s")
def life_at(
    *,
    life_rating: FloatArray,
    temp_reference: FloatArray,
    temp_core: FloatArray,
    factor: FloatArray,
    temp_step: FloatArray,
) -> FloatArray:
    """Life of a capacitor whose core is at one temperature.

    life_rating : at the reference [s], any shape
    temp_reference : core temperature of the rating, own heat included [degC], any shape
    temp_core : core temperature in use [degC], any shape
    factor : by which life grows for each step of temperature [1], any shape
    temp_step : that step [K], any shape
    Returns : life [s], broadcast shape

    Holds for: about 40 to 105 degC; the maker's own law goes before.
    Source: common practice, no source: twice for every 10 K (liquid, hybrid), ten times for every
    20 K (solid polymer). Good to a factor of two.

    >>> [float(life_at(life_rating=1000.0, temp_reference=105.0, temp_core=t, factor=2.0,
    ...     temp_step=10.0)) for t in (45.0, 55.0, 65.0)]
    [64000.0, 32000.0, 16000.0]
    """
    return life_rating * factor ** ((temp_reference - temp_core) / temp_step)


def life_mission(*, life: FloatArray, share: FloatArray) -> FloatArray:
    """Life over a mission, each point using up its part of it.

    life : at each point [s], (..., n_lane)
    share : of the time [1], (n_lane,)
    Returns : life [s], (...)

    Holds for: damage that adds up whatever the order.
    Source: Miner's rule; common practice, no source.

    >>> float(life_mission(life=np.array([1e4, 1e6]), share=np.array([0.5, 0.5])))
    19801.980198019803
    """
    return np.asarray(share.sum() / (share / life).sum(axis=-1))


@dataclass(frozen=True, slots=True)
class Wear:
    """What wears capacitors out, (n_type, 1) each.

    factor : of the law, NaN where the technology does not wear out; temp_step : its step [K]
    life_rating : at the reference [s], NaN where the maker states none
    temp_reference : core temperature of the rating [degC]
    heating : rise of the core per square of the current [K/A^2]
    """

    factor: FloatArray
    temp_step: FloatArray
    life_rating: FloatArray
    temp_reference: FloatArray
    heating: FloatArray

    def take(self, rows: IntArray) -> Wear:
        """The rows of some types."""
        columns = (self.factor, self.temp_step, self.life_rating, self.temp_reference, self.heating)
        return Wear(*(column[rows] for column in columns))


def life_type(
    *, wear: Wear, i_rms: FloatArray, temp_board: FloatArray, share: FloatArray
) -> FloatArray:
    """Life of capacitors over a mission, in operation.

    wear : what wears each of them out
    i_rms : ripple current of one capacitor [A], (n_type, n_lane)
    temp_board : around it [degC], (n_type or 1, n_lane)
    share : of the time [1], (n_lane,)
    Returns : life [s], (n_type,); inf where the technology does not wear out, NaN where the maker
        states no life or the current has no value

    Holds for: as `life_at`; other wear (seal, humidity) is apart.
    Source: `life_at`, Miner's rule.

    >>> one = Wear(*(np.array([[x]]) for x in (2.0, 10.0, 3.6e6, 110.0, 0.0)))
    >>> life_type(wear=one, i_rms=np.zeros((1, 1)), temp_board=np.array([[50.0]]),
    ...     share=np.array([1.0]))
    array([2.304e+08])
    """
    core = capacitor.temp_core(temp_board=temp_board, coefficient_heating=wear.heating, i_rms=i_rms)
    each = life_at(
        life_rating=wear.life_rating,
        temp_reference=wear.temp_reference,
        temp_core=core,
        factor=wear.factor,
        temp_step=wear.temp_step,
    )
    return np.where(np.isnan(wear.factor[:, 0]), np.inf, life_mission(life=each, share=share))


@formula("2.718281828459045 ** (-1925 * (1 / (temp_junction + 273) - 1 / 298))", unit="1")
def factor_temp_fet(*, temp_junction: FloatArray) -> FloatArray:
    """Temperature factor of the failure rate of a field-effect transistor.

    temp_junction : junction temperature [degC], any shape
    Returns : factor [1], same shape

    Holds for: silicon.
    Source: MIL-HDBK-217F N2, section 6.4 (second-hand, through public code).

    >>> [round(float(factor_temp_fet(temp_junction=np.array(t))), 3) for t in (25.0, 100.0)]
    [1.0, 3.665]
    """
    return np.exp(-1925.0 * (1.0 / (temp_junction + 273.0) - 1.0 / 298.0))


def rate_fet(
    *, temp_junction: FloatArray, power_rating: FloatArray, factor_environment: float
) -> FloatArray:
    """Failure rate of a power transistor in plastic.

    temp_junction : junction temperature [degC], any shape
    power_rating : rated power [W], any shape
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], broadcast shape

    Holds for: comparison between designs, not for promises.
    Source: MIL-HDBK-217F N2, section 6.4: 0.012 piT piA piQ piE, plastic piQ 8 (second-hand).

    >>> round(float(rate_fet(temp_junction=100.0, power_rating=20.0, factor_environment=6.0)), 3)
    8.445
    """
    steps = [power_rating < limit for limit in (2.0, 5.0, 50.0, 250.0)]
    application = np.select(steps, [1.5, 2.0, 4.0, 8.0], 10.0)
    heat = factor_temp_fet(temp_junction=temp_junction)
    return np.asarray(0.012 * heat * application * 8.0 * factor_environment)


def rate_diode(
    *, temp_junction: FloatArray, share_voltage: FloatArray, factor_environment: float
) -> FloatArray:
    """Failure rate of a Schottky power diode in plastic.

    temp_junction : junction temperature [degC], any shape
    share_voltage : reverse voltage over rated voltage [1], any shape
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], broadcast shape

    Holds for: comparison between designs.
    Source: MIL-HDBK-217F N2, section 6.1: 0.003 piT piS piQ piE, plastic piQ 8 (from memory).

    >>> round(float(rate_diode(temp_junction=25.0, share_voltage=1.0, factor_environment=6.0)), 3)
    0.144
    """
    heat = np.exp(-3091.0 * (1.0 / (temp_junction + 273.0) - 1.0 / 298.0))
    stress = np.where(np.asarray(share_voltage) <= 0.3, 0.054, share_voltage**2.43)
    return np.asarray(0.003 * heat * stress * 8.0 * factor_environment)


CAPACITORS = {
    "ceramic-1": (0.0020, 0.35, 0.09, 3.0),
    "ceramic-2": (0.0020, 0.35, 0.09, 3.0),
    "film": (0.00051, 0.15, 0.09, 5.0),
    "aluminium": (0.00012, 0.35, 0.23, 5.0),
    "hybrid": (0.00012, 0.35, 0.23, 5.0),
    "polymer": (0.00012, 0.35, 0.23, 5.0),
    "tantalum": (0.00005, 0.15, 0.23, 17.0),
}
"""Technology -> base rate, activation energy [eV], exponents of capacitance and of stress."""


def rate_capacitor(
    *,
    technology: str,
    capacitance: FloatArray,
    share_voltage: FloatArray,
    temp_part: FloatArray,
    factor_environment: float,
) -> FloatArray:
    """Failure rate of one capacitor of commercial quality.

    technology : of the catalog
    capacitance : nominal [F], any shape
    share_voltage : voltage over rated voltage [1], any shape
    temp_part : temperature [degC], any shape
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], broadcast shape

    Holds for: comparison between designs; polymer and hybrid are taken as aluminium.
    Source: MIL-HDBK-217F N2, section 10.1 (second-hand, through public code); film base rate from
    memory.

    >>> round(float(rate_capacitor(technology="ceramic-2", capacitance=10e-6, share_voltage=0.5,
    ...     temp_part=70.0, factor_environment=10.0)), 3)
    2.322
    """
    base, energy, by_size, by_stress = CAPACITORS[technology]
    heat = np.exp(-energy / BOLTZMANN * (1.0 / (temp_part + 273.0) - 1.0 / 298.0))
    size = (capacitance * 1e6) ** by_size
    stress = (share_voltage / 0.6) ** by_stress + 1.0
    rate = base * heat * size * stress * FACTOR_QUALITY_COMMERCIAL * factor_environment
    return np.asarray(rate)


def rate_coil(
    *, temp_ambient: FloatArray, temp_rise: FloatArray, factor_environment: float
) -> FloatArray:
    """Failure rate of an inductor.

    temp_ambient : air around it [degC], any shape
    temp_rise : over it [K], any shape
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], broadcast shape

    Holds for: comparison between designs.
    Source: MIL-HDBK-217F N2, sections 11.2 and 11.3, hot spot = ambient + 1.1 rise, piQ 3
    (second-hand, through public code).

    >>> round(float(rate_coil(temp_ambient=85.0, temp_rise=0.0, factor_environment=6.0)), 6)
    0.001107
    """
    hot = temp_ambient + 1.1 * temp_rise
    heat = np.exp(-0.11 / BOLTZMANN * (1.0 / (hot + 273.0) - 1.0 / 298.0))
    return np.asarray(0.000030 * heat * 3.0 * factor_environment)
