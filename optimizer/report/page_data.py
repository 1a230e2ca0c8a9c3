"""The data of a page: what its script draws, picked and rounded from an archived run.

Everything a panel shows is here as numbers in SI; the script scales, sorts and draws. Texts that
repeat stand once in ``words`` and are referred to by number inside the derivations.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.report.cautions import cautions
from optimizer.report.cells import csv_text
from optimizer.report.grids import SMALL, UNITS_SHOWN
from optimizer.report.lists import sample_rows
from optimizer.report.mail import LOSS_BAND, mail_text
from optimizer.report.names import lane_titles
from optimizer.report.netlist import netlist_form, netlist_values
from optimizer.report.summary import (
    bill_rows,
    hottest,
    loss_with_sense,
    objective_loss,
    pieces_text,
    resistance_sense,
    spread_points,
    tightest,
)
from optimizer.results import shape_name

Plain = Mapping[str, Any]

DIGITS, DIGITS_TRACE = 4, 6
"""Digits of figures, and of break points: ripple is a difference of those."""

DETAILED = (
    *("part_set", "bill", "cost", "cost_items", "losses", "temps", "waves", "power_input"),
    *("power_output", "loss_total", "efficiency", "margins", "chain", "area", "height"),
    *("loss_mission", "loss_worst", "loss_worst_at", "efficiency_named"),
)
LANE_FIELDS = (
    *("v_input", "v_output", "i_output", "temp_ambient", "region", "guaranteed", "transient"),
    *("share", "full_load"),
)


def page_data(run: Plain) -> dict[str, Any]:
    """Everything the script of a page needs, as plain data."""
    words = _Words()
    tables = _Lanes()
    points = [_point(point, run) for point in run["points"]]
    full = [point for point in run["points"] if point["verified"]["losses"]]
    shown = {point["number"] for point in spread_points(full, run)}
    for point in points:
        point["shown"] = point["number"] in shown
    said = cautions(run)
    details = {
        str(point["number"]): _detail(point, run, said, words, tables)
        for point in run["points"]
        if point["verified"]["losses"]
    }
    return {
        "currency": run["currency"],
        "objective": run["objective"],
        "band": LOSS_BAND,
        "state_difference": run["state_difference"],
        "points": points,
        "details": details,
        "lanes": tables.found,
        "shapes": {name: _shape(shape) for name, shape in run["shapes"].items()},
        "words": words.found,
        "units": {unit: list(shown) for unit, shown in UNITS_SHOWN.items()},
        "small": list(SMALL),
    }


class _Words:
    """Texts once each, by number."""

    def __init__(self) -> None:
        self.found: list[str] = []
        self._known: dict[str, int] = {}

    def __call__(self, text: str) -> int:
        if text not in self._known:
            self._known[text] = len(self.found)
            self.found.append(text)
        return self._known[text]


class _Lanes:
    """Tables of operating points once each, by number."""

    def __init__(self) -> None:
        self.found: list[dict[str, Any]] = []
        self._sources: list[Plain] = []

    def __call__(self, lanes: Plain) -> int:
        if lanes not in self._sources:
            self._sources.append(lanes)
            table = {name: lanes[name] for name in LANE_FIELDS}
            self.found.append({"title": lane_titles(lanes), **short(table)})
        return self._sources.index(lanes)


def short(value: Any, digits: int = DIGITS) -> Any:
    """Numbers to so many digits, whole ones without a point."""
    kind = type(value)  # asked first: most of a run are plain floats, texts and lists of them
    if kind is float:
        return _digits(value, digits)
    if kind is str or kind is int or value is None:
        return value
    if kind is list or isinstance(value, list | tuple):
        return [
            _digits(item, digits) if type(item) is float else short(item, digits) for item in value
        ]
    if isinstance(value, Mapping):
        return {key: short(item, digits) for key, item in value.items()}
    if isinstance(value, float):
        return _digits(value, digits)
    return value


def _digits(value: float, digits: int) -> float | int:
    found = float(f"{value:.{digits}g}")
    return int(found) if found.is_integer() and abs(found) < 1e6 else found


def _point(point: Plain, run: Plain) -> dict[str, Any]:
    """One line of the front."""
    verified = point["verified"]
    hot, tight, parts = hottest(verified), tightest(verified), verified["part_set"]
    return {
        "number": point["number"],
        "cost": point["cost"],
        "loss": objective_loss(verified, run),
        "worst": verified["loss_worst"],
        "area": verified["area"],
        "height": verified["height"],
        "life": verified.get("life_years"),
        "life_of": verified.get("life_of"),
        "rate": verified.get("failure_rate"),
        "hot": hot["value"] if hot else None,
        "hot_part": hot["subject"] if hot else "",
        "tight": tight["margin"] if tight else None,
        "tight_what": f"{tight['subject']}: {tight['quantity']}" if tight else "",
        "efficiency": verified["efficiency_named"],
        "mark": point["mark"],
        "tie": point["tie"],
        "proof": point["proof"] or "not proved",
        "bound": point["bound"],
        "topology": parts["topology"],
        "frequency": parts["frequency"],
        "inductor": parts["inductor"],
        "banks": " / ".join(
            pieces_text(parts[bank])
            for bank in ("bank_input", "bank_output", "bank_coupling")
            if parts.get(bank)
        ),
        "detail": bool(verified["losses"]),
        **_sense(point, run),
    }


def _sense(point: Plain, run: Plain) -> dict[str, Any]:
    """The charge-current sense of a point where several are offered."""
    sense = point.get("charge_sense")
    if not sense:
        return {}
    ends = {key: sense[key] for key in ("resistance", "i_end", "i_end_min", "i_end_max")}
    return {"sense": {**ends, "loss_with": loss_with_sense(point, run)}}


def _detail(
    point: Plain, run: Plain, said: Sequence[str], words: _Words, tables: _Lanes
) -> dict[str, Any]:
    """Everything of one point."""
    verified, evidence = point["verified"], point["evidence"]
    found: dict[str, Any] = short({name: verified[name] for name in DETAILED})
    found["cost"] = verified["cost"]
    found["bill"] = [
        {**line, "place": "/".join(line["place"].replace("\\", "/").split("/")[-1:])}
        for line in verified["bill"]
    ]
    found["lanes"] = tables(verified["lanes"])
    found["shape"] = shape_name(verified["part_set"]["topology"], resistance_sense(point))
    found["files"] = {"summary": mail_text(run, [point], said)}
    found["files"]["parts"] = csv_text(bill_rows(point, run))
    if evidence:
        found |= _evidence(point, run, words, tables.found[found["lanes"]]["title"])
        found["files"]["samples"] = csv_text(sample_rows(run, [point]))
    return found


def _evidence(point: Plain, run: Plain, words: _Words, titles: Sequence[str]) -> dict[str, Any]:
    evidence = point["evidence"]
    circuit = evidence["circuit"]
    blanks = [netlist_values(run, point, lane, titles) for lane in range(len(titles))]
    names = [name for name in blanks[0] if name != "title"] if blanks else []
    found: dict[str, Any] = {
        "derivations": [_derivation(one, words) for one in evidence["derivations"]],
        "traces": short(evidence["traces"], DIGITS_TRACE),
        "branches": short(
            {
                node: [{k: b[k] for k in ("part_number", "pieces", "i_rms")} for b in branches]
                for node, branches in circuit["banks"].items()
            }
        ),
        "sweep": short(
            {name: evidence[f"sweep_{name}"] for name in ("efficiency", "loss")}
        ),
        "alternates": short(evidence["alternates"]),
        "netlist": {
            "form": netlist_form(run, point),
            "names": names,
            "values": [[values[name] for name in names] for values in blanks],
        },
    }  # fmt: skip
    return found


def _derivation(one: Plain, words: _Words) -> list[Any]:
    """Subject, quantity, lane, value, unit, formula; inputs: name, value, unit, origin, source."""
    inputs = [
        [words(i["name"]), i["value"], words(i["unit"]), words(i["origin"]), words(i["source"])]
        for i in one["inputs"]
    ]
    head = [words(one["subject"]), words(one["quantity"]), one["lane"], one["value"]]
    return [*head, words(one["unit"]), words(one["formula"]), inputs]


def _shape(shape: Plain) -> dict[str, Any]:
    found: dict[str, Any] = short(shape)
    return found
