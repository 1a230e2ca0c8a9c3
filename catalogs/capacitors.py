"""Invented capacitors of seven technologies; ceramics by stress, cans by volume."""

from __future__ import annotations

import math
from collections.abc import Callable

from catalogs import common, market
from catalogs.common import Draw, Row, number, three
from catalogs.market import E6, Can, CeramicVoltage, Chip, Maker

Series = Callable[[Draw], list[Row]]
FLAT = "0:100 100:100"


def capacitors(count: int, seed: int) -> list[Row]:
    """`count` capacitors, technology by technology."""
    draw = Draw(seed, 3)
    rows: list[Row] = []
    shares = market.TECHNOLOGY_SHARE
    for technology, wanted in zip(shares, common.allot(count, list(shares.values())), strict=True):
        of_kind: list[Row] = []
        while len(of_kind) < wanted:
            of_kind += _series(draw, technology)
        rows += [{"technology": technology, **row} for row in of_kind[:wanted]]
    common.number_parts(
        rows, "C", lambda row: common.value_label(number(row, "capacitance_typ_uf"), "u")
    )
    common.add_second_sources(draw, rows, "C", _alike)
    common.add_flaws(draw, [row for row in rows if row["technology"] == "ceramic-2"], CHIP_FLAWS)
    common.add_flaws(draw, [row for row in rows if row["technology"] != "ceramic-2"], CAN_FLAWS)
    return rows


def _alike(row: Row) -> tuple[common.Cell, ...]:
    return row["technology"], row["capacitance_typ_uf"], row["v_rating_v"]


def _series(draw: Draw, technology: str) -> list[Row]:
    maker = draw.balanced(technology, market.CAPACITOR_MAKERS, [1.0] * 9)
    makers: dict[str, Callable[[Draw, Maker], list[Row]]] = {
        "ceramic-2": _ceramic_2,
        "ceramic-1": _ceramic_1,
        "film": _film,
        "tantalum": _tantalum,
    }
    if technology in makers:
        rows = makers[technology](draw, maker)
    else:
        can = next(can for can in market.CANS if can.technology == technology)
        rows = _can(draw, maker, can)
    return [{"maker": maker.name, **row} for row in rows]


def e6(value: float) -> float:
    """The E6 value at or next below `value` (within 4 %)."""
    decade = 10.0 ** math.floor(math.log10(value * 1.04))
    step = max(v for v in E6 if v * decade <= value * 1.04)
    return float(common.digits(step * decade))


def _ladder(draw: Draw, largest: float, steps: int) -> list[float]:
    """Some of the E6 values from `largest` down."""
    values = [e6(largest)]
    for _ in range(steps):
        values.append(e6(values[-1] * 0.72))
    return [value for value in values if draw.chance(0.7)]


def _body(draw: Draw, *, esr: float, spread: float, cold: float, esl: float) -> Row:
    """Series resistance and inductance."""
    return {
        "esr_typ_mohm": three(esr),
        "esr_max_mohm": three(esr * spread),
        "esr_m40c_max_mohm": three(esr * spread * cold),
        "esl_typ_nh": three(esl),
    }


def _heat(*, ripple: float, temp: float, rise: float, part: float, heating: float | None) -> Row:
    """Ripple rating at 100 kHz and what it rests on."""
    return {
        "i_ripple_rating_a": three(ripple),
        "temp_ripple_c": temp,
        "frequency_ripple_khz": 100,
        "temp_rise_ripple_k": rise,
        "self_heating_k_per_a2": None if heating is None else three(heating),
        "temp_min_c": -55 if part >= 125 else -40,
        "temp_max_c": part,
        "temp_part_rating_c": part,
    }


# --- ceramics -----------------------------------------------------------------------------------


def bias_curve(*, bend: float, hold: float) -> str:
    """Cell of C(V)/C0 = 1/(1 + (share/bend)^1.8), `hold` widening the bend."""
    shares = (0.0, 0.25, 0.5, 0.75, 1.0)
    return common.curve([(100 * s, 100 / (1 + (s / (bend * hold)) ** 1.8)) for s in shares])


def _ceramic_2(draw: Draw, maker: Maker) -> list[Row]:
    chip = draw.balanced("chip", market.CHIPS, [c.share for c in market.CHIPS])
    voltage = draw.balanced(
        chip.land_pattern, market.CERAMIC_VOLTAGES, [v.share for v in market.CERAMIC_VOLTAGES]
    )
    dielectric = draw.weighted(market.DIELECTRICS, [d[-1] for d in market.DIELECTRICS])
    densest = e6(chip.capacitance * voltage.capacitance_max_uf)
    name = f"{chip.land_pattern[5:]}-{voltage.volts:g}V-{dielectric[0]}"
    return [
        {
            "series": name,
            **_ceramic_2_part(draw, maker, chip, voltage, value, value / densest, dielectric),
        }
        for value in _ladder(draw, densest, 4)
    ]


def _ceramic_2_part(
    draw: Draw,
    maker: Maker,
    chip: Chip,
    voltage: CeramicVoltage,
    value: float,
    density: float,
    dielectric: tuple[str, int, float, float, float],
) -> Row:
    """A class-II chip; `density` is its capacitance relative to the densest in the case."""
    _, temp, drop, ageing, _ = dielectric
    price = chip.price * voltage.price * (0.35 + 0.65 * density**0.6) * (0.9 if temp == 85 else 1)
    row = common.purchase_columns(
        draw, price=price * maker.price * draw.noise(0.08), reel=2000 if chip.esl_nh < 1.1 else 500
    )
    row |= common.size_columns(chip.land_pattern, chip.size_mm)
    esr = 2.9 * (value / 10) ** -0.25 * maker.quality * draw.noise(0.07)
    heating = min(esr * 1e-3 * chip.rth_k_per_w * draw.noise(0.05), 1.95)
    row |= _body(
        draw, esr=esr, spread=draw.uniform(1.3, 1.5), cold=1.0, esl=chip.esl_nh * draw.noise(0.05)
    )
    row |= _heat(ripple=(20 / heating) ** 0.5, temp=temp - 20, rise=20, part=temp, heating=heating)
    hold = maker.leaning * density**-0.3 * draw.noise(0.02)
    return row | {
        "capacitance_typ_uf": value,
        "capacitance_tolerance_pct": draw.pick((10, 10, 20)),
        "v_rating_v": voltage.volts,
        "capacitance_bias_pct_pct": bias_curve(bend=voltage.bend, hold=hold),
        "capacitance_temp_drop_pct": drop,
        "capacitance_ageing_pct_per_decade": ageing,
        "i_leakage_max_ua": three(value * voltage.volts / 500),
    }


def _ceramic_1(draw: Draw, maker: Maker) -> list[Row]:
    """Class-I chips: small values, no bias loss."""
    chip = draw.pick(market.CHIPS[2:])
    volts = draw.pick((50, 100, 100, 150))
    largest = 0.22 * chip.capacitance * (50 / volts) ** 0.7
    return [
        {
            "series": f"{chip.land_pattern[5:]}-{volts}V-flat",
            **_ceramic_1_part(draw, maker, chip, volts, value, value / largest),
        }
        for value in _ladder(draw, largest, 3)
        if value >= 0.015
    ]


def _ceramic_1_part(
    draw: Draw, maker: Maker, chip: Chip, volts: float, value: float, density: float
) -> Row:
    price = chip.price * (0.5 + 0.7 * density) * maker.price * draw.noise(0.08)
    row = common.purchase_columns(draw, price=price, reel=2000)
    row |= common.size_columns(chip.land_pattern, chip.size_mm)
    esr = 4.0 * (value / 0.1) ** -0.15 * maker.quality * draw.noise(0.06)
    heating = min(esr * 1e-3 * chip.rth_k_per_w, 1.95)
    row |= _body(
        draw, esr=esr, spread=draw.uniform(1.3, 1.5), cold=1.0, esl=chip.esl_nh * draw.noise(0.05)
    )
    row |= _heat(ripple=(20 / heating) ** 0.5, temp=105, rise=20, part=125, heating=heating)
    return row | {
        "capacitance_typ_uf": value,
        "capacitance_tolerance_pct": 5,
        "v_rating_v": volts,
        "capacitance_bias_pct_pct": FLAT,
        "capacitance_temp_drop_pct": 0.5,
        "capacitance_ageing_pct_per_decade": 0,
        "i_leakage_max_ua": three(value * volts / 1000),
    }


# --- film and tantalum --------------------------------------------------------------------------


def _film(draw: Draw, maker: Maker) -> list[Row]:
    volts = draw.pick((*market.FILM_VOLTS, 100))
    sizes = [size for size in market.FILM_SIZES_MM if draw.chance(0.6)]
    return [{"series": f"film-{volts}V", **_film_part(draw, maker, volts, size)} for size in sizes]


def _film_part(draw: Draw, maker: Maker, volts: float, size: tuple[float, float, float]) -> Row:
    volume = size[0] * size[1] * size[2]
    value = e6(5.2 * volume / 2430 * (100 / volts) ** 1.2 * draw.noise(0.12))
    price = 0.98 * (volume / 2430) ** 0.7 * maker.price * draw.noise(0.07)
    row = common.purchase_columns(draw, price=price, reel=250)
    row |= common.size_columns(f"film-{size[0]}x{size[1]}", size)
    esr = 4.3 * (value / 4.7) ** -0.4 * maker.quality * draw.noise(0.06)
    rth = 42 * (volume / 2430) ** -0.5
    heating = min(esr * 1e-3 * rth * draw.noise(0.05), 1.95)
    row |= _body(
        draw,
        esr=esr,
        spread=draw.uniform(1.25, 1.5),
        cold=1.0,
        esl=draw.uniform(0.45, 0.6) * size[0],
    )
    row |= _heat(ripple=(10 / heating) ** 0.5, temp=85, rise=10, part=105, heating=heating)
    return row | {
        "capacitance_typ_uf": value,
        "capacitance_tolerance_pct": draw.pick((5, 10)),
        "v_rating_v": volts,
        "capacitance_bias_pct_pct": FLAT,
        "capacitance_temp_drop_pct": three(draw.uniform(2, 4)),
        "capacitance_ageing_pct_per_decade": 0,
        "i_leakage_max_ua": three(value * volts / 5000),
    }


def _tantalum(draw: Draw, maker: Maker) -> list[Row]:
    pattern, size, at_16v = draw.pick(market.TANTALUM_SIZES)
    volts = draw.pick(market.TANTALUM_VOLTS)
    largest = at_16v * (16 / volts) ** 1.5
    return [
        {
            "series": f"{pattern[14:]}-{volts}V",
            **_tantalum_part(draw, maker, pattern, size, volts, value),
        }
        for value in _ladder(draw, largest, 2)
    ]


def _tantalum_part(
    draw: Draw,
    maker: Maker,
    pattern: str,
    size: tuple[float, float, float],
    volts: float,
    value: float,
) -> Row:
    volume = size[0] * size[1] * size[2]
    price = 0.62 * (volume / 91) ** 0.6 * (value * volts / 1600) ** 0.2
    row = common.purchase_columns(draw, price=price * maker.price * draw.noise(0.07), reel=500)
    row |= common.size_columns(pattern, size)
    esr = 75 * (value / 47) ** -0.35 * (91 / volume) ** 0.3 * maker.quality * draw.noise(0.1)
    row |= _body(
        draw,
        esr=esr,
        spread=draw.uniform(1.3, 1.5),
        cold=draw.uniform(1.2, 1.6),
        esl=draw.uniform(1.6, 2.4),
    )
    ripple = (20 / (esr * 1e-3 * 125 * (91 / volume) ** 0.3)) ** 0.5
    row |= _heat(ripple=ripple, temp=85, rise=20, part=125, heating=None)
    return row | {
        "capacitance_typ_uf": value,
        "capacitance_tolerance_pct": draw.pick((10, 20)),
        "v_rating_v": volts,
        "capacitance_bias_pct_pct": FLAT,
        "capacitance_temp_drop_pct": three(draw.uniform(8, 12)),
        "capacitance_ageing_pct_per_decade": 0,
        "life_rating_h": draw.pick((1000, 2000)),
        "i_leakage_max_ua": three(max(0.01 * value * volts, 0.5)),
    }


# --- aluminium, hybrid, polymer -----------------------------------------------------------------


def _can(draw: Draw, maker: Maker, can: Can) -> list[Row]:
    """One series: maker, voltage, life and temperature fixed, several cans."""
    volts = draw.balanced(f"{can.technology} volts", can.volts, [1.0] * len(can.volts))
    life, temp = draw.pick(can.life_h), draw.pick(can.temps_c)
    sizes = [size for size in can.sizes_mm if draw.chance(0.6)]
    lean = draw.noise(0.08)
    return [
        {
            "series": f"{can.technology}-{volts:g}V-{temp}",
            **_can_part(draw, maker, can, size, volts, life, temp, lean),
        }
        for size in sizes
    ]


def _can_part(
    draw: Draw,
    maker: Maker,
    can: Can,
    size: tuple[float, float],
    volts: float,
    life: int,
    temp: int,
    lean: float,
) -> Row:
    """One can; `lean` > 1 spends the foil on capacitance instead of low resistance."""
    diameter, height = size
    volume = math.pi / 4 * diameter**2 * height
    scale = volume / can.volume_reference_mm3
    charge = can.charge_uc_per_mm3 * (can.volts_reference / volts) ** 0.15
    value = e6(charge * 1000 * volume / volts * lean * 1e-3 * draw.noise(0.1))
    price = can.price * scale**0.75 * (life / can.life_h[1]) ** 0.15 * (temp / 105) ** 0.4
    row = common.purchase_columns(draw, price=price * maker.price * draw.noise(0.07), reel=500)
    shape = "radial" if can.technology == "aluminium" else "can"
    row |= common.size_columns(f"{shape}-{diameter:g}", (diameter, diameter, height))
    esr = can.esr_mohm * scale**-0.7 * (volts / can.volts_reference) ** 0.3 * lean
    esr *= maker.quality * draw.noise(0.06)
    rth = can.rth_k_per_w * scale**-0.5
    ripple = (can.temp_rise_k / (esr * 1.2e-3 * rth)) ** 0.5
    row |= _body(
        draw,
        esr=esr,
        spread=draw.uniform(1.2, 1.45),
        cold=draw.uniform(*can.cold),
        esl=draw.uniform(*can.esl_nh),
    )
    row |= _heat(ripple=ripple, temp=temp, rise=can.temp_rise_k, part=temp, heating=None)
    return row | {
        "capacitance_typ_uf": value,
        "capacitance_tolerance_pct": 20,
        "v_rating_v": volts,
        "capacitance_bias_pct_pct": FLAT,
        "capacitance_temp_drop_pct": three(draw.uniform(*can.temp_drop_pct)),
        "capacitance_ageing_pct_per_decade": 0,
        "life_rating_h": life,
        "i_leakage_max_ua": three(max(can.leakage * value * volts, 3.0)),
    }


CHIP_FLAWS: tuple[common.Flaw, ...] = (
    common.without("capacitance_bias_pct_pct"),
    common.without("esr_max_mohm"),
    common.without("capacitance_ageing_pct_per_decade"),
    common.without("self_heating_k_per_a2"),
    common.without("price_date"),
    common.swapped("esr_typ_mohm", "esr_max_mohm"),
)
CAN_FLAWS: tuple[common.Flaw, ...] = (
    common.without("esr_max_mohm"),
    common.without("esr_m40c_max_mohm"),
    common.without("i_ripple_rating_a"),
    common.without("esl_typ_nh"),
    common.without("temp_rise_ripple_k"),
    common.without("price_date"),
    common.swapped("esr_typ_mohm", "esr_max_mohm"),
)
