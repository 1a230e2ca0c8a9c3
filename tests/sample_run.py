"""A small invented run, built from the real records, for tests of keeping and showing."""

from __future__ import annotations

from typing import Any

import numpy as np

from optimizer.records import Fall, Lanes, Note, Waterfall
from optimizer.results import (
    BillLine,
    FrontPoint,
    LimitChain,
    Margin,
    PartSet,
    Refused,
    Run,
    Verified,
    as_plain,
)


def lanes() -> Lanes:
    """Two lanes: a mission point and its guaranteed slow corner."""
    one = np.ones(2)
    return Lanes(
        name=("day", "day"),
        v_input=24.0 * one,
        v_output=12.0 * one,
        i_output=5.0 * one,
        temp_ambient=np.array([25.0, 60.0]),
        region=np.zeros(2, dtype=np.int64),
        guaranteed=np.array([False, True]),
        corner=np.array([0, -1]),
        bracket=np.zeros(2, dtype=np.int64),
        transient=np.array([False, False]),
        full_load=np.array([True, True]),
        share=np.array([1.0, 0.0]),
        loss_ceiling=np.array([np.nan, 5.0]),
        efficiency_floor=np.array([np.nan, np.nan]),
    )


def bill(part: str = "QX-1") -> tuple[BillLine, ...]:
    """One bought line, with a part number of the caller's choice."""
    return (
        BillLine(
            positions=("input-high", "input-low"),
            kind="mosfet",
            part_number=part,
            maker="MK1",
            pieces=2,
            quantity=2000,
            unit_price=0.4,
            line_price=800.0,
            excess=0,
            land_pattern="5x6",
            status="active",
            stock=float("nan"),
            lead_time_weeks=6.0,
            filled=("rds_on_10v_max_mohm",),
            place="catalogs/mosfets.csv:7",
        ),
    )


def margins() -> tuple[Margin, ...]:
    """One temperature and one voltage that hold, and one current that does not."""
    return (
        Margin("input-high", "QX-1", "junction temperature", "day", "guaranteed", 96.0, 125.0,
               "degC", 0.446),
        Margin("input-high", "QX-1", "drain voltage", "day", "guaranteed", 29.0, 48.0, "V", 0.396),
        Margin("inductor", "LX-1", "saturation", "day", "guaranteed", 9.0, 8.0, "A", -0.125),
    )  # fmt: skip


def verified(*, loss: float = 3.0, part: str = "QX-1") -> Verified:
    """A verified buck set whose figures add up: 60 W out."""
    total = np.array([loss, 1.5 * loss])
    return Verified(
        part_set=PartSet(
            topology="buck",
            frequency=400e3,
            inductor="LX-1",
            transistors={"input-high": (part, 1), "input-low": (part, 1)},
            bank_input=(("CX-1", 3), ("CX-2", 1)),
            bank_output=(("CX-3", 2),),
            sense=("RX-1", 1),
        ),
        bill=bill(part),
        cost=4.2,
        cost_items={"parts": 3.0, "placement": 0.2, "controller": 1.0},
        lanes=lanes(),
        losses={("input-high", "conduction"): 0.6 * total, ("inductor", "copper"): 0.4 * total},
        temps={"input-high": np.array([60.0, 96.0]), "inductor": np.array([50.0, 80.0])},
        waves={"i_ripple": np.array([1.6, 2.1]), "v_ripple_output": np.array([0.02, 0.03])},
        power_input=60.0 + total,
        power_output=np.array([60.0, 60.0]),
        loss_total=total,
        efficiency=60.0 / (60.0 + total),
        balance_error=np.array([1e-6, 1e-6]),
        loss_mission=loss,
        loss_worst=1.5 * loss,
        loss_worst_at="day",
        efficiency_named={"day": 60.0 / (60.0 + loss)},
        margins=margins(),
        chain=LimitChain(7.0, "day", 7.5, 8.5, 8.8, 9.5, True),
        area=4e-4,
        height=5e-3,
        life_years=8.25,
        life_of="output-bank CX-3",
        failure_rate=12.5,
    )


def front_point(number: int, count: int, *, part: str = "QX-1") -> FrontPoint:
    """Point `number` of `count`: dearer and less lossy with every number."""
    marks = {1: "cheapest", count: "least loss", (count + 1) // 2: "knee"}
    loss = 3.0 - number / count
    return FrontPoint(
        number=number,
        cost=4.0 + 0.1 * number,
        loss_model=loss,
        bound=loss,
        proof="merge",
        loss_difference=0.001,
        mark=marks.get(number, ""),
        tie=-1,
        verified=verified(loss=loss, part=part),
    )


def sample_run(*, count: int = 3, part: str = "QX-1", complete: bool = True) -> Run:
    """A run with `count` points."""
    return Run(
        name="lamp",
        title="Lamp rail",
        currency="EUR",
        objective="mission",
        points=tuple(front_point(n, count, part=part) for n in range(1, count + 1)),
        complete=complete,
        engine="merge",
        not_proved="" if complete else "4 of 9 skeletons not searched",
        state_difference=0.002,
        refused=(Refused("boost", "input 33.6 V reaches the output 19 V"),),
        waterfalls=(Waterfall("output-low", 812, (Fall("output-low", "voltage", 812, 410),), 402),),
        lanes_dropped=(Note("excluded", "cold start", "bounded by cold full load"),),
        notes=(
            Note("assumed", "board", "6 K/W", "common practice"),
            Note("filled", "QX-1", "rds_on max = 1.3 x typ"),
            Note("caution", "output", "battery back-feed | check"),
        ),
        echo=(("source.v_max_v", "28", "highest continuous input"),),
        stages={"read": 0.5, "tables": 1.25},
        counts={"points": count},
        hashes={"catalogs/mosfets.csv": "ab" * 32},
        versions={"partfront": "0.1.0"},
    )


def plain_run(**options: Any) -> dict[str, Any]:
    """The same as plain data."""
    plain: dict[str, Any] = as_plain(sample_run(**options))
    return plain
