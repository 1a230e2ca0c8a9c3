"""Margins of complete sets: every limit at its worst lane, smallest first."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from optimizer import verification
from optimizer.assembly import Physics, Sets
from optimizer.limits import DURATIONS, MISSION, Chain, Check
from optimizer.records import FloatArray, IntArray, Lanes
from optimizer.results import LimitChain, Margin, PartSet
from optimizer.spec_text import trade

CORNERS = {-1: "slow", 0: "nominal", 1: "fast"}


def margins(result: Physics, sets: Sets, names: list[PartSet]) -> list[list[Margin]]:
    """Margins of each set, smallest first; `names` : its part numbers."""
    found: list[list[Margin]] = [[] for _ in names]
    seen: dict[tuple[str, str], int] = {}
    for check in verification.checks(result, sets):
        key = (check.subject, check.quantity)
        turn = seen.get(key, 0)
        seen[key] = turn + 1
        for number, margin in _of_check(check, result.scene.stage.lanes, names, turn):
            found[number].append(margin)
    for number, margin in _of_chain(verification.limit_chain(result), result, len(names)):
        found[number].append(margin)
    return [sorted(one, key=lambda margin: margin.margin) for one in found]


def _of_check(
    check: Check, lanes: Lanes, names: list[PartSet], turn: int
) -> Iterator[tuple[int, Margin]]:
    """The worst lane of one limit for each set it applies to; NaN fails by more than any number.

    turn : which type of the bank a limit that comes twice speaks of
    """
    count = len(names)
    width = len(check.applies)
    share, value, allowed = (
        np.broadcast_to(np.asarray(x, dtype=np.float64), (count, width))
        for x in (check.margins(), check.value, check.allowed)
    )
    unknown = check.applies & (np.isnan(value) | np.isnan(allowed))
    share = np.where(unknown, -np.inf, share)
    worst = np.argmin(np.where(np.isnan(share), np.inf, share), axis=1)
    rows = np.arange(count)
    figures = (x[rows, worst].tolist() for x in (share, value, allowed))
    for number, (lane, margin, figure, limit) in enumerate(
        zip(worst.tolist(), *figures, strict=True)
    ):
        part = _part(names[number], check, turn)
        if math.isnan(margin) or margin == math.inf or part is None:
            continue
        case = check.cases[lane] if check.cases else ""
        case = "always" if check.cases == DURATIONS[:1] else case
        yield (
            number,
            Margin(
                subject=check.subject,
                part_number=part,
                quantity=check.quantity,
                at=case or lanes.name[lane],
                parameter_set=_told_case(case) if case else told(lanes, lane),
                value=figure,
                allowed=limit,
                unit=check.unit,
                margin=margin,
                transient=case == "transient" or (not case and bool(lanes.transient[lane])),
                at_least=check.at_least,
            ),
        )


def _told_case(case: str) -> str:
    return "expected" if case in MISSION else "guaranteed"


def told(lanes: Lanes, lane: int) -> str:
    """Parameter set and corner of a lane in words."""
    if not lanes.guaranteed[lane]:
        return "expected"
    return f"guaranteed, {CORNERS[int(lanes.corner[lane])]}"


def _part(one: PartSet, check: Check, turn: int) -> str | None:
    """Part number a limit speaks of, "" where it is of no single part, None where it is absent."""
    subject = check.subject
    if subject in one.transistors:
        return one.transistors[subject][0]
    if subject == "inductor":
        return one.inductor
    if subject == "sense-resistor":
        return one.sense[0]
    if not subject.endswith("-bank"):
        return ""
    bank = one.bank(subject.removesuffix("-bank"))
    if check.quantity in ("ripple voltage", "capacitance for the load step", "finite loss"):
        return " + ".join(part for part, _ in bank)
    place = 1 if "second" in check.quantity else turn
    return bank[place][0] if place < len(bank) else None


def _of_chain(chain: Chain, result: Physics, count: int) -> Iterator[tuple[int, Margin]]:
    """Both ends of the limit chain as margins."""
    lanes = result.scene.stage.lanes
    ends = (
        ("needed peak", chain.needed, chain.low),
        ("saturation", chain.delayed, chain.saturation),
    )
    for number in range(count):
        for quantity, value, allowed in ends:
            one, most = float(value[number]), float(allowed[number])
            known = np.isfinite(one) and np.isfinite(most) and most > 0.0
            yield (
                number,
                Margin(
                    subject="limit chain",
                    part_number="",
                    quantity=quantity,
                    at=lanes.name[int(chain.needed_lane[number])]
                    if value is chain.needed
                    else "all points",
                    parameter_set="guaranteed",
                    value=one,
                    allowed=most,
                    unit="A",
                    margin=(most - one) / most if known else -np.inf,
                ),
            )


def chain_record(chain: Chain, lanes: Lanes, number: int) -> LimitChain:
    """The limit chain of one set."""
    values: dict[str, FloatArray | IntArray] = {
        "i_peak_needed": chain.needed,
        "i_limit_min": chain.low,
        "i_limit_max": chain.high,
        "i_limit_delayed": chain.delayed,
        "i_saturation": chain.saturation,
    }
    figures = {name: float(value[number]) for name, value in values.items()}
    at = lanes.name[int(chain.needed_lane[number])]
    return LimitChain(**figures, i_peak_at=at, closes=bool(chain.holds()[number]))


FAMILIES = {
    "V": "voltage",
    "A": "current",
    "W": "power",
    "s": "time",
    "m": "length",
    "m2": "area",
    "degC": "temperature",
    "K": "difference",
    "1": "share",
    "ohm": "resistance",
    "H": "inductance",
    "F": "capacitance",
    "J": "energy",
    "Hz": "frequency",
    "V/s": "ramp",
}


def quantity(value: float, unit: str) -> str:
    """A figure in the unit an engineer reads, four digits.

    >>> quantity(0.0051912, "V"), quantity(0.4962, "1")
    ('5.191 mV', '49.62 %')
    """
    if not np.isfinite(value):
        return "unknown"
    rounded = float(f"{value:.4g}")
    return f"{rounded:g} years" if unit == "years" else trade(rounded, FAMILIES[unit])


def percent(share: float) -> str:
    """A share in percent with two digits, without an exponent.

    >>> percent(1.596), percent(0.0123)
    ('160 %', '1.2 %')
    """
    value = float(f"{100.0 * share:.2g}")
    return f"{value:.0f} %" if abs(value) >= 10.0 else f"{value:g} %"


def failing(margin: Margin) -> str:
    """What a broken limit says: by how much it is missed, and where."""
    subject = f"{margin.subject} {margin.quantity}".removeprefix("whole set ")
    if not np.isfinite(margin.margin):
        return f"{subject}: not known at {margin.at} (no steady state, or no rating)"
    unit = "K" if margin.unit == "degC" else margin.unit
    miss = quantity(abs(margin.value - margin.allowed), unit)
    value, allowed = (quantity(x, margin.unit) for x in (margin.value, margin.allowed))
    bound = "at least" if margin.at_least else "at most"
    where = f"{value}, {bound} {allowed}; {percent(-margin.margin)}"
    at = "" if margin.at == "always" else f" at {margin.at}"
    return f"{subject} by {miss} ({where}){at}"
