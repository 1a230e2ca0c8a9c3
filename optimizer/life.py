"""Life of capacitors over a mission, and failure rates of parts."""

from __future__ import annotations

import numpy as np

from optimizer.formulas import formula
from optimizer.records import FloatArray

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


def rate_fet(*, temp_junction: float, power_rating: float, factor_environment: float) -> float:
    """Failure rate of a power transistor in plastic.

    temp_junction : junction temperature [degC], ()
    power_rating : rated power [W], ()
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], ()

    Holds for: comparison between designs, not for promises.
    Source: MIL-HDBK-217F N2, section 6.4: 0.012 piT piA piQ piE, plastic piQ 8 (second-hand).

    >>> round(rate_fet(temp_junction=100.0, power_rating=20.0, factor_environment=6.0), 3)
    8.445
    """
    steps = ((2.0, 1.5), (5.0, 2.0), (50.0, 4.0), (250.0, 8.0))
    application = next((factor for limit, factor in steps if power_rating < limit), 10.0)
    heat = float(factor_temp_fet(temp_junction=np.array(temp_junction)))
    return 0.012 * heat * application * 8.0 * factor_environment


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
    capacitance: float,
    share_voltage: float,
    temp_part: float,
    factor_environment: float,
) -> float:
    """Failure rate of one capacitor of commercial quality.

    technology : of the catalog
    capacitance : nominal [F], ()
    share_voltage : voltage over rated voltage [1], ()
    temp_part : temperature [degC], ()
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], ()

    Holds for: comparison between designs; polymer and hybrid are taken as aluminium.
    Source: MIL-HDBK-217F N2, section 10.1 (second-hand, through public code); film base rate from
    memory.

    >>> round(rate_capacitor(technology="ceramic-2", capacitance=10e-6, share_voltage=0.5,
    ...     temp_part=70.0, factor_environment=10.0), 3)
    2.322
    """
    base, energy, by_size, by_stress = CAPACITORS[technology]
    heat = np.exp(-energy / BOLTZMANN * (1.0 / (temp_part + 273.0) - 1.0 / 298.0))
    size = (capacitance * 1e6) ** by_size
    stress = (share_voltage / 0.6) ** by_stress + 1.0
    return float(base * heat * size * stress * FACTOR_QUALITY_COMMERCIAL * factor_environment)


def rate_coil(*, temp_ambient: float, temp_rise: float, factor_environment: float) -> float:
    """Failure rate of an inductor.

    temp_ambient : air around it [degC], ()
    temp_rise : over it [K], ()
    factor_environment : of the environment [1], ()
    Returns : failures in 1e6 hours [1/Mh], ()

    Holds for: comparison between designs.
    Source: MIL-HDBK-217F N2, sections 11.2 and 11.3, hot spot = ambient + 1.1 rise, piQ 3
    (second-hand, through public code).

    >>> round(rate_coil(temp_ambient=85.0, temp_rise=0.0, factor_environment=6.0), 6)
    0.001107
    """
    hot = temp_ambient + 1.1 * temp_rise
    heat = np.exp(-0.11 / BOLTZMANN * (1.0 / (hot + 273.0) - 1.0 / 298.0))
    return float(0.000030 * heat * 3.0 * factor_environment)
