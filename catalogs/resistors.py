"""Invented current-sense resistors of 1 to 20 mOhm."""

from __future__ import annotations

from functools import partial

from catalogs import common, market
from catalogs.common import Draw, Row, number, three
from catalogs.market import Maker, Shunt


def resistors(count: int, seed: int) -> list[Row]:
    """`count` shunts, construction by construction, each as ladders of standard values."""
    draw = Draw(seed, 4)
    rows = common.in_classes(count, market.SHUNTS, partial(_series, draw))
    common.number_parts(
        rows, "R", lambda row: common.value_label(number(row, "resistance_typ_mohm"), "m")
    )
    common.add_second_sources(draw, rows, "R", lambda row: (row["resistance_typ_mohm"],))
    common.add_flaws(draw, rows, FLAWS)
    return rows


def _series(draw: Draw, shunt: Shunt) -> list[Row]:
    maker = draw.balanced("maker", market.RESISTOR_MAKERS, [1.0] * 9)
    power, tempco = draw.pick(shunt.powers_w), draw.pick(shunt.tempco_ppm)
    tolerance = draw.weighted((0.5, 1.0, 2.0, 5.0), (0.12, 0.68, 0.12, 0.08))
    low, high = shunt.range_mohm
    values = [value for value in market.SHUNT_VALUES_MOHM if low <= value <= high]
    chosen = sorted(draw.shuffled(values)[: 3 + int(draw.uniform(0, 6))])
    name = f"{shunt.land_pattern[6:]}-{power:g}W"
    return [
        {
            "maker": maker.name,
            "series": name,
            **_part(draw, shunt, maker, value, power, tempco, tolerance),
        }
        for value in chosen
    ]


def _part(
    draw: Draw,
    shunt: Shunt,
    maker: Maker,
    value: float,
    power: float,
    tempco: int,
    tolerance: float,
) -> Row:
    price = shunt.price * (power / shunt.powers_w[0]) ** 0.35 * (5 / value) ** 0.06
    price *= (75 / tempco) ** 0.2 * (1 / tolerance) ** 0.15 * maker.price * draw.noise(0.06)
    row = common.purchase_columns(draw, price=common.clip(price, 0.05, 0.6), reel=4000)
    row |= common.size_columns(shunt.land_pattern, shunt.size_mm)
    temp = draw.pick((155, 170, 170))
    return row | {
        "temp_min_c": -55,
        "temp_max_c": temp,
        "resistance_typ_mohm": value,
        "resistance_tolerance_pct": tolerance,
        "resistance_tempco_ppm_per_k": tempco * (2 if value < 1.6 and shunt.terminals == 2 else 1),
        "power_rating_w": power,
        "temp_power_derating_c": 70,
        "temp_part_rating_c": temp,
        "esl_typ_nh": three(draw.uniform(*shunt.esl_nh)),
        "terminals_pcs": shunt.terminals,
        "resistance_drift_pct": three(draw.uniform(0.5, 1.2) * maker.quality),
    }


FLAWS: tuple[common.Flaw, ...] = (
    common.without("resistance_tempco_ppm_per_k"),
    common.without("esl_typ_nh"),
    common.without("resistance_drift_pct"),
    common.without("temp_power_derating_c"),
    common.without("price_date"),
)
