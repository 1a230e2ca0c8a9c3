"""Picks from a run of plain data what tables, CSV files and notes show. Computes no physics.

A *point* is one entry of ``run["points"]``, a *verified* its ``"verified"`` (see `results`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.results import counted, shape_name
from optimizer.results_evidence import spread

Plain = Mapping[str, Any]

SCREEN_POINTS = 20

NO_STRESS = ("degC", "K", "m", "m2", "years")
"""Units of margins that are no electrical stress: temperatures, height, area, life."""


def number(value: float | None, *, digits: int = 2, scale: float = 1.0) -> float | None:
    """A scaled and rounded number, None where it is not known.

    >>> number(0.93456, digits=2, scale=100.0)
    93.46
    """
    return None if value is None else round(value * scale, digits) + 0.0


def objective_loss(verified: Plain, run: Plain) -> float | None:
    """The loss that the front trades against cost [W]."""
    key = "loss_worst" if run["objective"] == "worst-point" else "loss_mission"
    loss: float | None = verified[key]
    return loss


def hottest(verified: Plain) -> Plain | None:
    """The temperature margin of the hottest part."""
    found = [m for m in verified["margins"] if m["unit"] == "degC" and m["value"] is not None]
    return max(found, key=lambda m: float(m["value"]), default=None)


def tightest(verified: Plain) -> Plain | None:
    """The smallest margin that is neither a temperature nor a matter of room."""
    found = [
        m for m in verified["margins"] if m["unit"] not in NO_STRESS and m["margin"] is not None
    ]
    return min(found, key=lambda m: float(m["margin"]), default=None)


def failures(verified: Plain) -> list[Plain]:
    """The limits that do not hold, worst first; a margin that could not be computed fails."""
    bad = [m for m in verified["margins"] if m["margin"] is None or m["margin"] < -1e-9]
    return sorted(bad, key=lambda m: -1e99 if m["margin"] is None else float(m["margin"]))


def pieces_text(bought: Sequence[Any]) -> str:
    """Part numbers with their pieces, for example ``2 x ABC + 1 x DEF``."""
    return " + ".join(f"{pieces} x {part}" for part, pieces in bought)


def spread_points(points: Sequence[Plain], run: Plain, most: int = SCREEN_POINTS) -> list[Plain]:
    """At most so many points: the marked ones, then those that split the widest gaps.

    Where several charge-current senses are offered each has its share, one after the other.
    """
    families: dict[float, list[Plain]] = {}
    for point in points:
        families.setdefault(resistance_sense(point) or 0.0, []).append(point)
    shown: list[Plain] = []
    for _, mine in sorted(families.items()):
        marked = [i for i, point in enumerate(mine) if point["mark"]]
        losses = [objective_loss(point["verified"], run) or 0.0 for point in mine]
        shown += [mine[i] for i in spread(losses, marked, most // len(families))]
    return shown


def resistance_sense(point: Plain) -> float | None:
    """The charge-current sense of a point [ohm], None where there is no choice of it."""
    sense = point.get("charge_sense")
    return float(sense["resistance"]) if sense else None


def loss_with_sense(point: Plain, run: Plain) -> float | None:
    """Loss of the objective and of the charge-current sense of a point that has one [W]."""
    loss = objective_loss(point["verified"], run)
    return None if loss is None else float(loss + point["charge_sense"]["loss"])


def offers_sense(points: Sequence[Plain]) -> bool:
    """Whether points go with one of several charge-current senses."""
    return any(point.get("charge_sense") for point in points)


def shape_of(point: Plain, run: Plain) -> Plain:
    """Intervals and curves of a point of a run."""
    topology = point["verified"]["part_set"]["topology"]
    shape: Plain = run["shapes"][shape_name(topology, resistance_sense(point))]
    return shape


def front_row(point: Plain, run: Plain) -> dict[str, object]:
    """One line of ``front.csv``."""
    verified = point["verified"]
    parts, hot, tight = verified["part_set"], hottest(verified), tightest(verified)
    row: dict[str, object] = {
        "point": point["number"],
        "mark": point["mark"],
        "cost_each": number(point["cost"]),
        "currency": run["currency"],
        "loss_w": number(objective_loss(verified, run), digits=3),
        "loss_at_reference_state_w": number(point["loss_model"], digits=3),
        "loss_bound_w": number(point["bound"], digits=3),
        "proof": point["proof"] or "not proved",
        "tie_group": point["tie"] if point["tie"] >= 0 else None,
        "loss_worst_w": number(verified["loss_worst"], digits=3),
        "loss_worst_at": verified["loss_worst_at"],
    }
    for name, efficiency in verified["efficiency_named"].items():
        words = re.sub(r"\W+", "_", name).strip("_")
        row[f"efficiency_{words}_pct"] = number(efficiency, scale=100.0)
    row |= _sense_cells(point, run)
    return row | _limit_cells(hot, tight) | _service_cells(verified) | _part_cells(parts, verified)


def _sense_cells(point: Plain, run: Plain) -> dict[str, object]:
    """The charge-current sense where several are offered: its loss, and where charging ends."""
    sense = point.get("charge_sense")
    if not sense:
        return {}
    return {
        "charge_sense_mohm": number(sense["resistance"], digits=4, scale=1e3),
        "charge_sense_loss_w": number(sense["loss"], digits=3),
        "loss_with_charge_sense_w": number(loss_with_sense(point, run), digits=3),
        "end_of_charge_a": number(sense["i_end"], digits=4),
        "end_of_charge_min_a": number(sense["i_end_min"], digits=4),
        "end_of_charge_max_a": number(sense["i_end_max"], digits=4),
    }


NO_WEAR = "no wear-out part"
"""Stands for the life of a set of which no part has a law of wear-out."""


def _service_cells(verified: Plain) -> dict[str, object]:
    """Life and failure rate; nothing for a run that was archived before they were kept."""
    if "life_of" not in verified:
        return {}
    return {
        "life_years": number(verified["life_years"]),
        "life_of": verified["life_of"] or NO_WEAR,
        "failure_rate_per_mh": number(verified["failure_rate"], digits=3),
    }


def _limit_cells(hot: Plain | None, tight: Plain | None) -> dict[str, object]:
    return {
        "hottest_part": hot["subject"] if hot else None,
        "temp_hottest_c": number(hot["value"], digits=1) if hot else None,
        "margin_hottest_pct": number(hot["margin"], digits=1, scale=100.0) if hot else None,
        "smallest_margin": f"{tight['subject']} {tight['quantity']}" if tight else None,
        "smallest_margin_pct": number(tight["margin"], digits=1, scale=100.0) if tight else None,
    }


def _part_cells(parts: Plain, verified: Plain) -> dict[str, object]:
    return {
        "topology": parts["topology"],
        "frequency_khz": number(parts["frequency"], digits=3, scale=1e-3),
        "inductor": parts["inductor"],
        **{place: pieces_text([bought]) for place, bought in parts["transistors"].items()},
        "input-bank": pieces_text(parts["bank_input"]),
        "output-bank": pieces_text(parts["bank_output"]),
        **(
            {"coupling-bank": pieces_text(parts["bank_coupling"])}
            if parts.get("bank_coupling")
            else {}
        ),
        "sense-resistor": pieces_text([parts["sense"]]),
        "area_mm2": number(verified["area"], digits=1, scale=1e6),
        "height_mm": number(verified["height"], digits=2, scale=1e3),
    }


def front_rows(run: Plain) -> list[dict[str, object]]:
    """All lines of ``front.csv``; every line has the columns of all."""
    rows = [front_row(point, run) for point in run["points"]]
    columns = dict.fromkeys(column for row in rows for column in row)
    return [{column: row.get(column) for column in columns} for row in rows]


def bill_rows(point: Plain, run: Plain) -> list[dict[str, object]]:
    """All lines of one parts list."""
    return [
        {
            "position": " ".join(line["positions"]),
            "part_number": line["part_number"],
            "maker": line["maker"],
            "pieces_per_board": line["pieces"],
            "quantity_pcs": line["quantity"],
            "unit_price": line["unit_price"],
            "line_price": line["line_price"],
            "currency": run["currency"],
            "excess_pcs": line["excess"],
            "land_pattern": line["land_pattern"],
            "status": line["status"],
            "stock_pcs": counted(line["stock"]),
            "lead_time_weeks": counted(line["lead_time_weeks"]),
            "filled_columns": " ".join(line["filled"]),
        }
        for line in point["verified"]["bill"]
    ]
