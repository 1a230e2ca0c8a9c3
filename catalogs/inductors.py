"""Invented power inductors: the case sets stored energy, copper and heat, the core the knee."""

from __future__ import annotations

from functools import partial

from catalogs import common, market
from catalogs.common import Draw, Row, number, three
from catalogs.market import CoilSize, Core, Maker

BIAS_STEPS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5)
"""Points of the bias curve as shares of the saturation current."""


def inductors(count: int, seed: int) -> list[Row]:
    """`count` inductors of one winding."""
    return _made(count, Draw(seed, 2), "L")


def coupled(count: int, seed: int) -> list[Row]:
    """`count` inductors of two equal windings: more copper and a larger price for a core."""
    draw = Draw(seed, 6)
    rows = _made(count, draw, "LC")
    for row in rows:
        row["coupling_typ_pct"] = three(draw.uniform(70, 98))
        row["series"] = f"{row['series']}-2"
        for name in ("i_saturation_typ_a", "i_rated_typ_a"):
            row[name] = three(number(row, name) * 0.62)
        row["inductance_bias_a_pct"] = _squeezed(row["inductance_bias_a_pct"], 0.62)
    return rows


def _squeezed(cell: common.Cell, factor: float) -> common.Cell:
    """A bias curve at a multiple of its currents."""
    if cell is None:
        return None
    points = [point.split(":") for point in str(cell).split()]
    return " ".join(f"{common.digits(float(x) * factor)}:{y}" for x, y in points)


def _made(count: int, draw: Draw, letter: str) -> list[Row]:
    """`count` inductors, size by size, each as series over a ladder of inductances."""
    rows = common.in_classes(count, market.COIL_SIZES, partial(_series, draw))
    common.number_parts(
        rows, letter, lambda row: common.value_label(number(row, "inductance_typ_uh"), "u")
    )
    common.add_second_sources(draw, rows, letter, _alike)
    common.add_flaws(draw, rows, FLAWS)
    return rows


def _alike(row: Row) -> tuple[common.Cell, ...]:
    soft = row["core_class"] != "ferrite"
    return row["inductance_typ_uh"], soft


def _series(draw: Draw, size: CoilSize) -> list[Row]:
    """One series: maker and core fixed, five to ten inductances with the middle ones likelier."""
    maker = draw.balanced(size.land_pattern, market.INDUCTOR_MAKERS, [1.0] * 9)
    soft = "composite" if draw.chance(0.72) else "powder"
    core = market.CORES[soft if draw.chance(maker.leaning) else "ferrite"]
    ladder = [v for v in market.INDUCTANCES_UH if size.smallest_uh <= v <= size.largest_uh]
    wanted = [value for value in ladder if draw.chance(0.75 if 3.3 <= value <= 33 else 0.4)]
    exponents = (draw.uniform(*core.exponent_frequency), draw.uniform(*core.exponent_ripple))
    loss = core.loss_mw * maker.quality**2 * draw.noise(0.08)
    drop = draw.pick(core.drops_pct)
    hot = draw.chance(0.6)
    lean = draw.noise(0.06)
    common_cells: Row = {
        "maker": maker.name,
        "series": f"{size.land_pattern[5:]}-{core.name}",
        "core_class": core.name,
        "core_loss_exponent_frequency": three(exponents[0]),
        "core_loss_exponent_ripple": three(exponents[1]),
        "saturation_drop_pct": drop,
        "temp_saturation_c": 100 if hot else 25,
        "temp_dcr_c": draw.pick((20, 25, 25)),
    }
    return [
        {**common_cells, **_part(draw, size, core, maker, v, loss, common_cells, lean)}
        for v in wanted
    ]


def _part(
    draw: Draw,
    size: CoilSize,
    core: Core,
    maker: Maker,
    value: float,
    loss: float,
    series: Row,
    lean: float,
) -> Row:
    """One part; `lean` > 1 spends the winding window on saturation instead of copper."""
    volume = size.size_mm[0] * size.size_mm[1] * size.size_mm[2]
    exponent = number(series, "core_loss_exponent_ripple")
    i_saturation = size.i_saturation_a * (10 / value) ** 0.5 * core.i_saturation * lean
    i_saturation *= draw.noise(0.04) * (1.0 if series["saturation_drop_pct"] == 30 else 0.93)
    i_saturation *= 1.08 * (1.0 if series["temp_saturation_c"] == 25 else core.hot)
    dcr = size.dcr_mohm * core.dcr * (value / 10) * lean * maker.quality * draw.noise(0.04)
    dcr += 0.15
    loss *= (value / 10) ** (exponent / 2) * (volume / 1000) ** (1 - exponent / 2)
    price = size.price * core.price * maker.price * draw.noise(0.06)
    price *= 1 + 0.02 * (value > 22)
    row = common.purchase_columns(draw, price=price, reel=500 if volume < 1000 else 200)
    row |= common.size_columns(size.land_pattern, size.size_mm)
    row |= _winding(draw, size, core, value, dcr)
    row["i_saturation_typ_a"] = three(i_saturation)
    row["inductance_bias_a_pct"] = bias_curve(
        i_saturation=i_saturation, drop=number(series, "saturation_drop_pct") / 100, knee=core.knee
    )
    row["core_loss_reference_typ_mw"] = three(loss * draw.noise(0.05))
    return row


def bias_curve(*, i_saturation: float, drop: float, knee: float) -> str:
    """Cell of L(I)/L0 = 1/(1 + a (I/Isat)^knee), where a gives the stated drop at Isat."""
    depth = drop / (1 - drop)
    points = [(step * i_saturation, 100 / (1 + depth * step**knee)) for step in BIAS_STEPS]
    return common.curve(points)


def _winding(draw: Draw, size: CoilSize, core: Core, value: float, dcr: float) -> Row:
    """Copper, heat, insulation and resonance."""
    temp = draw.pick((125, 125, 155))
    rise = draw.pick((40, 40, 20))
    hot_copper = 1 + 0.0039 * (rise + 5)
    rth = size.rth_k_per_w * draw.noise(0.05)
    i_rated = (rise / (rth * dcr * 1e-3 * hot_copper)) ** 0.5
    ratio = draw.uniform(8, 14) * (size.size_mm[0] / 10) ** 0.8
    resonance = 150 / (value * size.size_mm[0]) ** 0.5 * draw.noise(0.08)
    return {
        "temp_min_c": -40,
        "temp_max_c": temp,
        "inductance_typ_uh": value,
        "inductance_tolerance_pct": draw.weighted((20, 30, 15), (0.8, 0.1, 0.1)),
        "dcr_typ_mohm": three(dcr),
        "dcr_max_mohm": three(dcr * draw.uniform(1.08, 1.19)),
        "i_rated_typ_a": three(i_rated),
        "temp_rise_rated_k": rise,
        "resistance_ac_300khz_typ_mohm": three(dcr * ratio),
        "v_winding_rating_v": draw.pick(core.volts),
        "temp_part_rating_c": temp,
        "frequency_resonance_min_mhz": three(resonance),
        "shielded": "yes" if draw.chance(0.93) else "no",
    }


def _rising_curve(row: Row) -> None:
    """Two neighbouring points of the bias curve changed places."""
    points = [point.split(":") for point in str(row["inductance_bias_a_pct"]).split()]
    points[3][1], points[4][1] = points[4][1], points[3][1]
    row["inductance_bias_a_pct"] = " ".join(":".join(point) for point in points)


FLAWS: tuple[common.Flaw, ...] = (
    common.without("dcr_max_mohm"),
    common.without("inductance_bias_a_pct"),
    common.without("temp_saturation_c"),
    common.without("saturation_drop_pct"),
    common.without(
        "core_loss_reference_typ_mw", "core_loss_exponent_frequency", "core_loss_exponent_ripple"
    ),
    common.without("v_winding_rating_v"),
    common.without("resistance_ac_300khz_typ_mohm"),
    common.without("price_date"),
    common.swapped("dcr_typ_mohm", "dcr_max_mohm"),
    _rising_curve,
)
