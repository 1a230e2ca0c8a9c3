"""The column table is complete, consistent and agrees with the header rule."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.cells import Style, curve
from optimizer.columns import (
    COMPLETE,
    FIGURES,
    KINDS,
    NO_UNIT,
    TABLE,
    TECHNOLOGIES,
    Column,
    column,
    columns_of,
    orders_of,
    vocabulary,
    when_missing,
)
from optimizer.fills import CERAMIC_2_CURVE
from optimizer.units import UNITS, split_suffix
from tests.catalog_samples import COMMON
from tests.catalog_samples import KINDS as SAMPLES


@pytest.mark.parametrize("kind", KINDS)
def test_headers_and_keys_are_unique(kind: str) -> None:
    columns = columns_of(kind)
    assert len({c.header for c in columns}) == len({c.key for c in columns}) == len(columns)


@pytest.mark.parametrize("kind", KINDS)
def test_the_agreed_headers(kind: str) -> None:
    assert [c.header for c in columns_of(kind)] == [*COMMON, *SAMPLES[kind]]


@pytest.mark.parametrize("item", TABLE, ids=lambda c: f"{c.kind}-{c.header}")
def test_row_of_the_table(item: Column) -> None:
    assert item.meaning
    if item.form == "number":
        assert item.low < item.high
        assert item.header in NO_UNIT or split_suffix(item.header)[1] in UNITS
        assert item.header.startswith(item.argument)
    if item.form == "choice":
        assert item.choices
        assert item.otherwise in ("", *item.choices)
    if item.fill:
        known = {c.key for c in columns_of(item.kind)}
        assert known.issuperset(item.fill.needs)
        assert item.fill.also is None or item.fill.also[0] in known


@pytest.mark.parametrize(
    ("kind", "header", "key", "argument", "condition", "limit"),
    [
        ("mosfet", "rds_on_4v5_max_mohm", "rds_on_4v5_max", "rds_on", "4v5", "max"),
        ("mosfet", "rth_junction_case_max_k_per_w", "rth_junction_case_max", "rth_junction_case",
         "", "max"),
        ("mosfet", "rds_on_tempco_typ_pct_per_k", "rds_on_tempco_typ", "rds_on_tempco", "", "typ"),
        ("capacitor", "esr_m40c_max_mohm", "esr_m40c_max", "esr", "m40c", "max"),
        ("capacitor", "capacitance_bias_pct_pct", "capacitance_bias", "capacitance_bias", "", ""),
        ("inductor", "inductance_bias_a_pct", "inductance_bias", "inductance_bias", "", ""),
        ("inductor", "resistance_ac_300khz_typ_mohm", "resistance_ac_300khz_typ",
         "resistance_ac", "300khz", "typ"),
        ("inductor", "temp_min_c", "temp_min", "temp_min", "", "min"),
        ("inductor", "price_breaks_each", "price_breaks", "price_breaks", "", ""),
    ],
)  # fmt: skip
def test_parts_of_a_header(
    kind: str, header: str, key: str, argument: str, condition: str, limit: str
) -> None:
    item = column(kind, header)
    assert (item.key, item.argument, item.condition, item.limit) == (
        key, argument, condition, limit,
    )  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_rules_name_columns(kind: str) -> None:
    keys = {c.key: c for c in columns_of(kind)}
    for order in orders_of(kind):
        assert keys[order.small].units == keys[order.large].units
    for figure in FIGURES[kind]:
        assert keys.keys() >= {key for key, _ in figure.powers} | {figure.class_of}
    assert keys.keys() >= {key for group in COMPLETE.get(kind, ()) for key in group}


def test_order_min_typ_max() -> None:
    pairs = {(order.small, order.large) for order in orders_of("mosfet")}
    assert {
        ("v_threshold_min", "v_threshold_typ"),
        ("v_threshold_typ", "v_threshold_max"),
        ("v_threshold_min", "v_threshold_max"),
        ("r_gate_typ", "r_gate_max"),
    } <= pairs


def _offered(kind: str, key: str, **known: float | str) -> float:
    """What the fill of a column gives in a row with the sample's values and `known`."""
    item = column(kind, key)
    assert item.fill
    numbers = {c.key: np.array([known.get(c.key, np.nan)], dtype=float) for c in columns_of(kind)
               if c.form == "number"}  # fmt: skip
    texts = {"technology": [str(known.get("technology", ""))]}
    return float(item.fill.rule(numbers, texts)[0])


# The written policy of the project brief, in the units of the headers.
POLICY = [
    ("mosfet", "rds_on_10v_max", {"rds_on_10v_typ": 10}, 13),
    ("mosfet", "rds_on_10v_typ", {"rds_on_10v_max": 12}, 12),
    ("mosfet", "rds_on_tempco_typ", {}, 100 / 125),  # twice the 25 degC value at 150 degC
    ("mosfet", "q_gate_10v_max", {"q_gate_10v_typ": 20}, 26),
    ("mosfet", "r_gate_typ", {}, 2),
    ("mosfet", "q_gate_source_typ", {"q_gate_drain_typ": 4}, 3.4),  # 1.85 x 4 less 4
    ("mosfet", "q_recovery_typ", {"v_drain_source_rating": 40}, 60),
    ("mosfet", "q_recovery_typ", {"v_drain_source_rating": 60}, 100),
    ("mosfet", "q_recovery_typ", {"v_drain_source_rating": 80}, 140),
    ("mosfet", "q_recovery_typ", {"v_drain_source_rating": 100}, 180),
    ("mosfet", "q_recovery_typ", {"v_drain_source_rating": 150}, 250),
    ("mosfet", "rth_junction_case_max", {"rth_junction_ambient_max": 40}, 20),
    ("mosfet", "rth_junction_case_max", {"rth_junction_case_typ": 1}, 1.3),
    ("inductor", "dcr_max", {"dcr_typ": 10}, 12),
    ("inductor", "saturation_drop", {}, 30),
    ("inductor", "temp_saturation", {}, 25),
    ("capacitor", "esr_m40c_max", {"technology": "aluminium", "esr_max": 50}, 750),
    ("capacitor", "esr_m40c_max", {"technology": "hybrid", "esr_max": 50}, 100),
    ("capacitor", "esr_m40c_max", {"technology": "film", "esr_max": 5}, 5),
    ("resistor", "resistance_tempco", {"resistance_typ": 5}, 400),
    ("resistor", "resistance_tempco", {"resistance_typ": 6}, 200),
    ("resistor", "esl_typ", {"length": 6.3, "width": 3.2}, 5),
    ("resistor", "esl_typ", {"length": 1.6, "width": 3.2}, 0.5),
]


@pytest.mark.parametrize(("kind", "key", "known", "expected"), POLICY)
def test_written_policy(
    kind: str, key: str, known: dict[str, float | str], expected: float
) -> None:
    assert _offered(kind, key, **known) == pytest.approx(expected, rel=1e-12)


def test_curve_policy() -> None:
    item = column("capacitor", "capacitance_bias")
    assert item.curve_fill
    assert curve("0:100 25:65 50:30 75:18 100:12", item, Style()) == CERAMIC_2_CURVE
    for technology in TECHNOLOGIES:
        points, assumed = item.curve_fill.rule({}, {"technology": [technology]}, 0)
        assert assumed == (technology == "ceramic-2")
        assert (points[-1][1] == 12.0) == assumed


@pytest.mark.parametrize("header", ["rds_on_4v5_typ_mohm", "q_gate_4v5_max_nc"])
def test_logic_level_is_never_made_up(header: str) -> None:
    item = column("mosfet", header)
    assert item.fill
    assert len(item.fill.needs) == 1
    assert "4v5" in item.fill.needs[0]
    assert not item.need


@pytest.mark.parametrize("kind", KINDS)
def test_vocabulary_lists_every_column(kind: str) -> None:
    lines = vocabulary(kind).splitlines()
    assert len(lines) == 2 + len(columns_of(kind))
    assert {line.count("|") for line in lines} == {7}
    for item, line in zip(columns_of(kind), lines[2:], strict=True):
        assert f"`{item.header}`" in line
        assert when_missing(item) in line
    short = vocabulary(kind, common=False).splitlines()
    assert len(short) == 2 + len(SAMPLES[kind])
