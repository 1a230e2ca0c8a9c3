"""Invented Schottky diodes: barrier against reverse current, die area against price."""

from __future__ import annotations

import math
from functools import partial

from catalogs import common, market
from catalogs.common import Draw, Row, number, three
from catalogs.market import Barrier, DiodeClass, DiodePackage, Maker

CURRENT_PER_MM2 = 2.1
"""Rated average current of a die [A/mm2]."""

DECADE_V = 0.068
"""Rise of the forward voltage per decade of current, of the junction alone [V]."""


def diodes(count: int, seed: int) -> list[Row]:
    """`count` diodes, class by class, each class as series of several die sizes."""
    draw = Draw(seed, 5)
    rows = common.in_classes(count, market.DIODE_CLASSES, partial(_series, draw))
    common.number_parts(rows, "D", lambda row: str(row["v_reverse_rating_v"]))
    common.add_second_sources(draw, rows, "D", _alike)
    common.add_flaws(draw, rows, FLAWS)
    return rows


def _alike(row: Row) -> tuple[common.Cell, ...]:
    return row["v_reverse_rating_v"], round(4 * math.log10(number(row, "i_forward_rating_a")))


def _series(draw: Draw, voltage: DiodeClass) -> list[Row]:
    """One series: maker, barrier and package fixed, two to five dice."""
    deck = str(voltage.volts)
    maker = draw.balanced(f"{deck} maker", market.DIODE_MAKERS, [1.0] * len(market.DIODE_MAKERS))
    low = maker.leaning
    barrier = draw.balanced(f"{deck} barrier", market.BARRIERS, (low, 0.6, 1.0 - low))
    package = draw.balanced(
        f"{deck} package", market.DIODE_PACKAGES, [p.share for p in market.DIODE_PACKAGES]
    )
    dice = 2 + int(draw.uniform(0, 4))
    steps = [(i + draw.uniform(0.1, 0.9)) / dice for i in range(dice)]
    least, most = package.area_min_mm2, package.area_max_mm2
    name = f"{voltage.volts}-{barrier.name}{package.land_pattern[6:]}"
    return [
        {
            "maker": maker.name,
            "series": name,
            **_part(draw, voltage, barrier, package, maker, least * (most / least) ** step),
        }
        for step in steps
    ]


def _part(
    draw: Draw,
    voltage: DiodeClass,
    barrier: Barrier,
    package: DiodePackage,
    maker: Maker,
    area: float,
) -> Row:
    price = package.price + area * voltage.price_per_mm2
    row = common.purchase_columns(draw, price=price * maker.price * draw.noise(0.07), reel=3000)
    row |= common.size_columns(package.land_pattern, package.size_mm)
    current = max(round(CURRENT_PER_MM2 * area), 2)
    row |= _forward(draw, voltage, barrier, maker, current, area)
    row |= _reverse(draw, barrier, maker, area)
    capacitance = 62.0 * area * (60 / voltage.volts) ** 0.5 * draw.noise(0.05)
    rth_case = package.rth_case * (0.6 + 1.2 / area) * draw.noise(0.06)
    temp = draw.pick((125, 150, 150, 175))
    return row | {
        "temp_min_c": -55,
        "temp_max_c": temp,
        "v_reverse_rating_v": voltage.volts,
        "i_forward_rating_a": current,
        "i_forward_test_a": current,
        "capacitance_junction_typ_pf": three(capacitance),
        "v_junction_test_v": 10,
        "rth_junction_case_typ_k_per_w": three(rth_case),
        "rth_junction_case_max_k_per_w": three(rth_case * draw.uniform(1.15, 1.3)),
        "rth_junction_ambient_max_k_per_w": three(package.rth_ambient * draw.noise(0.08)),
        "temp_junction_rating_c": temp,
    }


def _forward(
    draw: Draw, voltage: DiodeClass, barrier: Barrier, maker: Maker, current: int, area: float
) -> Row:
    """Forward voltages at the rated current and a tenth of it."""
    ohms = (voltage.resistance_area_mohm_mm2 * maker.quality / area + 2.0) / 1e3
    knee = voltage.v_knee + barrier.v_knee
    tenth = knee * draw.noise(0.012) + ohms * current / 10
    full = tenth + DECADE_V + 0.9 * ohms * current
    fall = draw.uniform(0.75e-3, 1.05e-3) * 100
    return {
        "v_forward_typ_v": three(full),
        "v_forward_max_v": three(full * draw.uniform(1.08, 1.16)),
        "v_forward_tenth_typ_v": three(tenth),
        "v_forward_125c_typ_v": three(full - fall),
    }


def _reverse(draw: Draw, barrier: Barrier, maker: Maker, area: float) -> Row:
    """Reverse currents, doubling every ten to twelve kelvin."""
    hot = barrier.i_reverse_125c_ma_per_mm2 * area * maker.quality * draw.noise(0.15)
    cold = hot / 2 ** (100 / draw.uniform(10, 12))
    spread = draw.uniform(2.2, 3.5)
    return {
        "i_reverse_typ_ma": three(cold),
        "i_reverse_max_ma": three(cold * spread),
        "i_reverse_125c_typ_ma": three(hot),
        "i_reverse_125c_max_ma": three(hot * spread),
    }


def _reverse_falls(row: Row) -> None:
    """Hot reverse current below the cold one."""
    row["i_reverse_125c_typ_ma"] = three(0.5 * number(row, "i_reverse_typ_ma"))


FLAWS: tuple[common.Flaw, ...] = (
    common.without("i_reverse_125c_typ_ma", "i_reverse_125c_max_ma"),
    common.without("v_forward_max_v"),
    common.without("v_forward_125c_typ_v"),
    common.without("rth_junction_case_typ_k_per_w", "rth_junction_case_max_k_per_w"),
    common.without("v_forward_tenth_typ_v"),
    common.without("price_date"),
    common.swapped("v_forward_typ_v", "v_forward_max_v"),
    _reverse_falls,
)
