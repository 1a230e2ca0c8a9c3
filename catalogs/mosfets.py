"""Invented MOSFETs: die area sets resistance, charge, heat and price of a technology."""

from __future__ import annotations

import math
from functools import partial

from catalogs import common, market
from catalogs.common import Draw, Row, number, three
from catalogs.market import Generation, Maker, Package, VoltageClass


def mosfets(count: int, seed: int) -> list[Row]:
    """`count` MOSFETs, class by class, each class as series of several die sizes."""
    draw = Draw(seed, 1)
    rows = common.in_classes(count, market.VOLTAGE_CLASSES, partial(_series, draw))
    common.number_parts(rows, "F", lambda row: str(row["v_drain_source_rating_v"]))
    common.add_second_sources(draw, rows, "F", _alike)
    common.add_flaws(draw, rows, FLAWS)
    return rows


def _alike(row: Row) -> tuple[common.Cell, ...]:
    logic = row["rds_on_4v5_typ_mohm"] is not None
    step = round(5 * math.log10(number(row, "rds_on_10v_typ_mohm")))
    return row["v_drain_source_rating_v"], logic, step


def _series(draw: Draw, voltage: VoltageClass) -> list[Row]:
    """One series: maker, generation, package and gate kind fixed, three to eight dice."""
    deck = str(voltage.volts)
    maker = draw.balanced(f"{deck} maker", market.MOSFET_MAKERS, [1.0] * 9)
    generation = draw.balanced(
        f"{deck} generation", market.GENERATIONS, [g.share for g in market.GENERATIONS]
    )
    package = draw.balanced(f"{deck} package", market.PACKAGES, [p.share for p in market.PACKAGES])
    logic = draw.balanced(f"{deck} logic", (True, False), (voltage.logic, 1 - voltage.logic))
    dice = 3 + int(draw.uniform(0, 5))
    low, high = voltage.area_min_mm2 * package.area, voltage.area_max_mm2 * package.area
    steps = [(i + draw.uniform(0.1, 0.9)) / dice for i in range(dice)]
    areas = [low * (high / low) ** step for step in steps]
    leaning = maker.leaning * draw.noise(0.06)
    name = f"{voltage.volts}-{generation.name}{'L' if logic else 'S'}{package.land_pattern[6:]}"
    return [
        {
            "maker": maker.name,
            "series": name,
            **_part(draw, voltage, generation, package, maker, logic, area, leaning),
        }
        for area in areas
    ]


def _part(
    draw: Draw,
    voltage: VoltageClass,
    generation: Generation,
    package: Package,
    maker: Maker,
    logic: bool,
    area: float,
    leaning: float,
) -> Row:
    die = voltage.resistance_area_mohm_mm2 * generation.resistance_area * maker.quality / area
    die *= draw.noise(0.03)
    rds = die + package.resistance_mohm
    product = voltage.product_gate_mohm_nc * generation.product_gate * maker.quality
    q_gate = product / die * draw.noise(0.04) * (market.LOGIC_CHARGE if logic else 1.0)
    product = voltage.product_output_mohm_nc * generation.product_output / leaning**0.5
    q_output = product / die * draw.noise(0.04)
    price = package.price + area * voltage.price_per_mm2 * generation.price_per_mm2
    old = {"A": 2.2, "B": 1.1, "C": 0.7, "D": 0.3}[generation.name]
    row = common.purchase_columns(
        draw, price=price * maker.price * draw.noise(0.07), reel=3000, old=old
    )
    row |= common.size_columns(package.land_pattern, package.size_mm)
    row |= _resistance(draw, voltage, rds, logic)
    row |= _gate(draw, voltage, row, q_gate, logic, leaning)
    row |= _charges(draw, voltage, q_output)
    return row | _heat(draw, package, area)


def _resistance(draw: Draw, voltage: VoltageClass, rds: float, logic: bool) -> Row:
    """On-resistance at both drive voltages, and the thresholds that decide their ratio."""
    v_threshold = draw.uniform(1.5, 1.95) if logic else draw.uniform(2.6, 3.3)
    spread = draw.uniform(1.13, 1.28)
    row: Row = {
        "v_drain_source_rating_v": voltage.volts,
        "v_gate_source_rating_v": draw.pick((16, 20, 20)) if logic else 20,
        "rds_on_10v_typ_mohm": three(rds),
        "rds_on_10v_max_mohm": three(rds * spread),
        "rds_on_4v5_typ_mohm": None,
        "rds_on_4v5_max_mohm": None,
        "rds_on_tempco_typ_pct_per_k": three(voltage.tempco_pct_per_k * draw.noise(0.03)),
        "v_threshold_min_v": three(v_threshold * draw.uniform(0.66, 0.74)),
        "v_threshold_typ_v": three(v_threshold),
        "v_threshold_max_v": three(v_threshold * draw.uniform(1.22, 1.32)),
        "v_plateau_typ_v": three(v_threshold + draw.uniform(1.0, 1.45)),
    }
    if logic:
        rise = voltage.channel * ((10 - v_threshold) / (4.5 - v_threshold) - 1)
        row["rds_on_4v5_typ_mohm"] = three(rds * (1 + rise))
        row["rds_on_4v5_max_mohm"] = three(rds * (1 + 1.04 * rise) * spread)
    return row


def _gate(
    draw: Draw, voltage: VoltageClass, row: Row, q_gate: float, logic: bool, leaning: float
) -> Row:
    """Charges on a gate that is one capacitance below and one above the plateau."""
    q_drain = q_gate * common.clip(0.175 * leaning * draw.noise(0.06), 0.122, 0.248)
    v_plateau, v_threshold = number(row, "v_plateau_typ_v"), number(row, "v_threshold_typ_v")
    capacitance = (q_gate - q_drain) / (v_plateau + 1.1 * (10 - v_plateau))
    q_4v5 = capacitance * (v_plateau + 1.1 * (4.5 - v_plateau)) + q_drain
    spread = draw.uniform(1.15, 1.3)
    r_gate = draw.uniform(0.6, 2.0)
    return {
        "q_gate_10v_typ_nc": three(q_gate),
        "q_gate_10v_max_nc": three(q_gate * spread),
        "q_gate_4v5_typ_nc": three(q_4v5) if logic else None,
        "q_gate_4v5_max_nc": three(q_4v5 * spread) if logic else None,
        "q_gate_source_typ_nc": three(capacitance * v_plateau),
        "q_gate_threshold_typ_nc": three(capacitance * v_threshold),
        "q_gate_drain_typ_nc": three(q_drain),
        "v_gate_drain_test_v": voltage.volts / 2,
        "r_gate_typ_ohm": three(r_gate),
        "r_gate_max_ohm": three(r_gate * draw.uniform(1.3, 1.5)),
    }


def _charges(draw: Draw, voltage: VoltageClass, q_output: float) -> Row:
    """Output charge and recovery of the body diode with their test conditions."""
    q_recovery = 11.0 * q_output**0.5 * (voltage.volts / 80) ** 0.7 * draw.noise(0.10)
    q_recovery = common.clip(q_recovery, 20 * draw.uniform(1, 1.2), 150 / draw.uniform(1, 1.2))
    v_diode = draw.uniform(0.78, 0.88)
    return {
        "q_output_typ_nc": three(q_output),
        "q_output_max_nc": three(q_output * draw.uniform(1.15, 1.3)),
        "v_output_test_v": voltage.volts / 2,
        "q_recovery_typ_nc": three(q_recovery),
        "q_recovery_max_nc": three(q_recovery * draw.uniform(1.15, 1.3)),
        "i_recovery_test_a": draw.pick((10, 20, 20, 25, 30, 40)),
        "current_slope_test_a_per_us": draw.pick((100, 100, 100, 200, 300)),
        "v_body_diode_typ_v": three(v_diode),
        "v_body_diode_max_v": three(v_diode * draw.uniform(1.1, 1.2)),
    }


def _heat(draw: Draw, package: Package, area: float) -> Row:
    """Thermal path and temperature ratings: a bigger die spreads heat better."""
    rth_case = common.clip((package.rth_case_base + 2.6 / area) * draw.noise(0.07), 0.55, 2.35)
    temp = draw.pick((150, 150, 175))
    return {
        "temp_min_c": -55,
        "temp_max_c": temp,
        "rth_junction_case_typ_k_per_w": three(rth_case),
        "rth_junction_case_max_k_per_w": three(rth_case * draw.uniform(1.15, 1.3)),
        "rth_junction_ambient_max_k_per_w": three(package.rth_ambient * draw.noise(0.08)),
        "temp_junction_rating_c": temp,
        "i_drain_pulse_rating_a": three(50 * area**0.9 * draw.noise(0.08)),
    }


def _drain_above_gate(row: Row) -> None:
    row["q_gate_drain_typ_nc"] = three(1.3 * number(row, "q_gate_10v_typ_nc"))


def _logic_below_full(row: Row) -> None:
    """At 4.5 V a lower resistance than at 10 V; on a 10 V part: typical only."""
    if row["rds_on_4v5_typ_mohm"] is None:
        row["rds_on_10v_max_mohm"] = None
    else:
        row["rds_on_4v5_typ_mohm"] = three(0.85 * number(row, "rds_on_10v_typ_mohm"))


FLAWS: tuple[common.Flaw, ...] = (
    common.without("rds_on_10v_max_mohm"),
    common.without("q_gate_10v_max_nc"),
    common.without("rth_junction_case_typ_k_per_w", "rth_junction_case_max_k_per_w"),
    common.without("q_gate_threshold_typ_nc"),
    common.without("q_recovery_typ_nc", "q_recovery_max_nc"),
    common.without("r_gate_typ_ohm", "r_gate_max_ohm"),
    common.without("q_output_max_nc"),
    common.without("v_threshold_min_v"),
    common.without("price_date"),
    common.swapped("rds_on_10v_typ_mohm", "rds_on_10v_max_mohm"),
    common.swapped("q_gate_10v_typ_nc", "q_gate_10v_max_nc"),
    _drain_above_gate,
    _logic_below_full,
)
