"""The cautions that stand above every result. They defer to local codes and licensed practice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

Plain = Mapping[str, Any]

V_WARN, V_EXTRA_LOW = 54.0, 60.0
"""Common practice: warn below the 60 V d.c. that extra-low-voltage rules usually allow [V]."""

TEMP_TOUCH = 60.0
"""Common practice: a surface above this needs a touch caution [degC]."""

STANDING = (
    "Paper design only: no certificate, and no substitute for a competent engineer, a bench test "
    "or an approval body. Nothing here authorises energising, installing or selling.",
    "Charged banks and the inductor hold energy after switch-off: discharge and measure before "
    "touching. A d.c. arc does not extinguish itself; fuses and switches must be rated for d.c. "
    "An electronic limit is not a fuse.",
    "One shorted transistor can put the source on the load: provide a fuse with a clamp, or a "
    "series disconnect, and check it on the bench.",
    "Local codes, licensed electricians and the current editions of standards prevail. Functional "
    "safety, approvals (rail, road, marine, medical) and emissions are outside this tool.",
)


def voltage_caution(v_highest: float) -> str:
    """What the highest voltage of the operating points asks for; empty below 54 V.

    >>> voltage_caution(24.0)
    ''
    """
    if v_highest > V_EXTRA_LOW:
        return (
            f"Highest voltage {v_highest:.1f} V before ringing: above 60 V d.c., outside "
            "extra-low voltage; insulation, clearance and access rules change. Lower limits may "
            "apply in wet, marine or medical places."
        )
    if v_highest >= V_WARN:
        return (
            f"Highest voltage {v_highest:.1f} V before ringing: close to the 60 V d.c. limit of "
            "extra-low voltage; ringing, over-voltage and hot plugging can pass it."
        )
    return ""


def set_cautions(verified: Plain) -> list[str]:
    """Cautions that follow from the figures of one part set."""
    lanes = verified["lanes"]
    highest = max([v for v in (*lanes["v_input"], *lanes["v_output"]) if v is not None], default=0)
    temps = hottest_by_part(verified)
    found = [text for text in [voltage_caution(highest)] if text]
    if temps and max(temps.values()) > TEMP_TOUCH:
        hot = max(temps, key=lambda subject: temps[subject])
        found.append(f"Hot surfaces: {hot} reaches {temps[hot]:.0f} degC; do not touch in use.")
    return found


def cautions(run: Plain) -> list[str]:
    """All cautions of a run: those of its points, those it noted, then the standing ones."""
    found: dict[str, None] = {}
    points = run["points"]
    if points:
        hottest = max(points, key=lambda p: _hottest(p["verified"]))
        found |= dict.fromkeys(set_cautions(hottest["verified"]))
    noted = [note["text"] for note in run["notes"] if note["kind"] == "caution"]
    return [*found, *fault_cautions(run), *not_said(noted, found), *STANDING]


def fault_cautions(run: Plain) -> list[str]:
    """The faults that a marked point does not pass, in one sentence."""
    failed: dict[str, None] = {}
    for point in run["points"]:
        lines = point["verified"].get("faults") or ()
        failed |= dict.fromkeys(one["fault"] for one in lines if one["verdict"] == "fails")
    if not failed:
        return []
    return [f"Faults that a marked point does not pass (see the notes): {', '.join(failed)}."]


def not_said(noted: Sequence[str], found: Iterable[str]) -> list[str]:
    """Noted cautions that neither the figures nor the standing ones say already."""
    voltage = any("before ringing" in text for text in found)
    said = ("not a certificate", "up to ") if voltage else ("not a certificate",)
    return [text for text in dict.fromkeys(noted) if not text.startswith(said)]


def hottest_by_part(verified: Plain) -> dict[str, float]:
    """Hottest temperature of each part that lasts; of points that keep one line, the hottest's."""
    short = verified["lanes"]["transient"]
    lasting = {
        subject: [t for t, brief in zip(values, short, strict=True) if t is not None and not brief]
        for subject, values in verified["temps"].items()
    }
    known = {subject: max(values) for subject, values in lasting.items() if values}
    if known:
        return known
    limits = [m for m in verified["margins"] if m["unit"] == "degC" and not m["at_least"]]
    return {m["subject"]: m["value"] for m in limits if m["value"] is not None}


def _hottest(verified: Plain) -> float:
    return max(hottest_by_part(verified).values(), default=0.0)
