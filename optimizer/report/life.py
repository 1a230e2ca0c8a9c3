"""What becomes of finished runs, on the screen. Prints plain data and computes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from optimizer.report.grids import MISSING, clean, fixed, grid, percent

Plain = Mapping[str, Any]

SHOWN, REFUSED_SHOWN, LINES_SHOWN, ALTERNATES_SHOWN = 5, 6, 20, 6

VERDICTS = {
    "unaffected": "not affected",
    "passes": "still passes as it is",
    "drop-in": "passes with a drop-in replacement, nothing else touched",
    "touch": "no drop-in passes; passes with more places changed",
    "fails": "FAILS: nothing that was looked at can stand in",
}

FRONTS = {
    "stands": "the front stands",
    "points fall": "some points of the front fall",
    "open": "the front is not known without a new search (--front)",
}

NOT_MODELLED = (
    "Not judged here: drain ringing against the gate resistor, emissions, loop stability. "
    "A replacement is a proposal until its bench tests pass and its maker's data are checked."
)

OWN_STATE = "at its own state; it keeps every limit at the loss ceiling, where limits are judged"


def _point(found: Plain) -> str:
    """The point an answer is about, with its charge-current sense where there is a choice of it."""
    ohms = found.get("charge_sense_ohm")
    at = "" if ohms is None else f" at {1e3 * ohms:g} mohm"
    return f"{found['run']}, point {found['point']}{at}"


def print_obsolete(console: Console, found: Plain) -> None:
    """The answer for one run in one screen."""
    answer = found["answer"]
    head = f"{_point(found)}: {VERDICTS[answer['verdict']]}"
    console.print(clean(head), style="bold")
    console.print(clean(f"  because: {answer['proof']}"))
    for text in answer["reasons"]:
        console.print(clean(f"  {text}"))
    for table in _replacement_tables(answer, found):
        console.print(table)
    for number, one in enumerate(_shown(answer)[:SHOWN], 1):
        if one["misses"]:
            text = f"  {number} misses {'; '.join(one['misses'])}, {OWN_STATE}"
            console.print(clean(text), style="yellow")
    _print_refused(console, answer["drop_ins"])
    _print_tests(console, answer)
    _print_front(console, found)
    console.print(NOT_MODELLED, style="yellow")


def _shown(answer: Plain) -> Sequence[Plain]:
    """The replacements of the step that counts."""
    if answer["again"]:
        return [answer["again"]]
    step = answer["touched"] if answer["verdict"] == "touch" else answer["drop_ins"]
    return step["replacements"] if step else []


def _replacement_tables(answer: Plain, found: Plain) -> list[Table]:
    money = found["currency"]
    shown = _shown(answer)[:SHOWN]
    if not shown:
        return []
    rows = [
        [
            k,
            _swaps(one),
            _signed(one["cost_change"], 4),
            _signed(one["loss_change"], 3),
            _least(one),
        ]
        for k, one in enumerate(shown, 1)
    ]
    heads = [">#", "change", f">cost {money}", ">loss W", "least margins that moved"]
    count = len(_shown(answer))
    title = f"Boards that pass: {len(shown)} of {count}, against cost {answer['cost']:.4f} {money}"
    return [grid(title, heads, rows)]


def _swaps(one: Plain) -> str:
    texts = [
        f"{s['position']}: {s['pieces']} x {s['part']}"
        + ("" if s["land_pattern"] == s["land_pattern_before"] else f" ({s['land_pattern']})")
        for s in one["swaps"]
    ]
    return "; ".join(texts) or "the same parts"


def _least(one: Plain) -> str:
    texts = [
        f"{m['subject']} {m['quantity']} {percent(m['margin_before'], 0)} > "
        f"{percent(m['margin'], 0)} %"
        for m in one["margins"][:3]
    ]
    return "; ".join(texts) or MISSING


def _signed(value: float | None, digits: int) -> str:
    return MISSING if value is None else f"{value:+z.{digits}f}"


def _print_refused(console: Console, step: Plain | None) -> None:
    if not step:
        return
    refused = step["refused"]
    if not step["replacements"] and not refused:
        console.print("  no other part with the same land pattern is in the catalogs")
    order = ("name", "limit", "rule")
    shown = sorted(refused, key=lambda one: order.index(one["by"]))[:REFUSED_SHOWN]
    if shown:
        rows = [[one["part"], one["instead_of"], one["reason"]] for one in shown]
        title = f"On the same pads, refused: {len(shown)} of {len(refused)}"
        console.print(grid(title, ["part", "instead of", "because"], rows))
    if step["seen"] < step["boards"]:
        console.print(f"  looked at {step['seen']} of {step['boards']} boards: not proved beyond")


def _print_tests(console: Console, answer: Plain) -> None:
    shown = _shown(answer)
    if shown and shown[0]["tests"]:
        console.print("Repeat on the bench (for the first one):", style="bold")
        for test in shown[0]["tests"]:
            console.print(clean(f"  - {test}"))


def _print_front(console: Console, found: Plain) -> None:
    front = found["front"]
    console.print(clean(f"Front: {FRONTS[front['status']]}: {front['proof']}"))
    new = found["new_front"]
    if new is None:
        return
    if not new["points"]:
        console.print(clean(f"  new front: none; {new['why']}"))
        return
    first, last = new["points"][0], min(new["points"], key=lambda one: one["loss"])
    proved = "all proved" if new["complete"] else f"not all proved: {new['why']}"
    text = (
        f"  new front: {len(new['points'])} points from {first['cost']:.4f} at "
        f"{first['loss']:.3f} W to {last['cost']:.4f} at {last['loss']:.3f} W, {proved}"
    )
    console.print(clean(text))
    cost, loss = (_signed(new[k], n) for k, n in (("cheapest_change", 4), ("least_loss_change", 3)))
    text = f"  against the old one: cheapest {cost} {found['currency']}, least loss {loss} W"
    console.print(clean(text))


# --- fleet ----------------------------------------------------------------------------------------


def print_fleet(console: Console, found: Plain, *, journal: str) -> None:
    """The answers of a fleet in one screen."""
    total = len(found["lines"])
    counts = ", ".join(f"{count} {name}" for name, count in found["counts"].items())
    console.print(clean(f"{total} designs: {counts}"), style="bold")
    fronts = ", ".join(f"{count} {name}" for name, count in found["fronts"].items())
    console.print(clean(f"Fronts: {fronts or 'none'}"))
    console.print(_line_table(found))
    for table in (_alternate_table(found, total), _buy_table(found)):
        if table:
            console.print(table)
    for note in found["notes"]:
        console.print(clean(f"  {note}"))
    console.print(clean(f"Answers: {journal}"))
    console.print(NOT_MODELLED, style="yellow")


def _line_table(found: Plain) -> Table:
    touched = [one for one in found["lines"] if one["verdict"] != "unaffected"]
    rows = [
        [
            one["run"],
            one["verdict"],
            one["with_parts"] or MISSING,
            _signed(one["cost_change"], 4),
            _signed(one["loss_change"], 3),
            one["front"] or MISSING,
            one["why"],
        ]
        for one in touched[:LINES_SHOWN]
    ]
    title = f"Affected: {len(rows)} of {len(touched)}"
    heads = ["run", "verdict", "with", ">cost", ">loss W", "front", "why"]
    return grid(title, heads, rows)


def _alternate_table(found: Plain, total: int) -> Table | None:
    shown = found["alternates"][:ALTERNATES_SHOWN]
    if not shown:
        return None
    rows = [
        [one["instead_of"], one["part"], len(one["runs"]), ", ".join(one["runs"][:6])]
        for one in shown
    ]
    title = f"Drop-ins: {len(shown)} of {len(found['alternates'])}"
    return grid(title, ["lost", "instead", ">designs", "which"], rows)


def _buy_table(found: Plain) -> Table | None:
    if not found["last_buys"]:
        return None
    rows = [
        [
            one["part"],
            one["designs"],
            one["order_least"],
            one["order_most"],
            f"{fixed(one['price_least'])} to {fixed(one['price_most'])} {one['currency']}",
            fixed(one["stock"], 0),
        ]
        for one in found["last_buys"]
    ]
    title = (
        f"Last-time buy for {found['years']:g} years: least for designs without help, most for all"
    )
    return grid(title, ["part", ">designs", ">least pcs", ">most pcs", "price", ">stock"], rows)


# --- second sources -------------------------------------------------------------------------------


def print_alternates(console: Console, found: Plain) -> None:
    """Second sources of one board in one screen."""
    table, money = found["second_source"], found["currency"]
    head = f"{_point(found)}: {_robust_text(table)}"
    console.print(clean(head), style="bold")
    heads = [
        "place",
        "chosen",
        "maker",
        "alternate",
        ">cost of it",
        ">others that pass",
        ">refused",
    ]
    console.print(grid("Second sources", heads, [_source_row(one) for one in table["lines"]]))
    costs = f"{table['cost_least']:.4f} to {table['cost_most']:.4f} {money}"
    losses = f"{table['loss_least']:.3f} to {table['loss_most']:.3f} W"
    console.print(clean(f"Over {table['mixtures']} verified mixtures: cost {costs}, loss {losses}"))
    rows = [
        [
            m["subject"],
            m["quantity"],
            m["at"],
            percent(m["margin"]),
            ", ".join(m["with_alternates"]),
        ]
        for m in table["worst"]
    ]
    heads = ["limit of", "what", "at", ">margin %", "with"]
    console.print(grid("Least margins over all mixtures", heads, rows))
    if table["missing"]:
        few = f"{table['missing']} of {table['mixtures']} mixtures"
        text = f"{few}: each misses a limit {OWN_STATE}"
        console.print(clean(text), style="yellow")
    console.print(clean(_weak_text(table)))
    if found["cheapest_asked"]:
        console.print(clean(_price_text(found)))
    text = "Mixed pieces in parallel at one place are not looked at. Alternates need qualification."
    console.print(text, style="yellow")


def _robust_text(table: Plain) -> str:
    proof = "" if table["proved"] else " (not proved to be the most places at least price)"
    if table["robust"]:
        return f"every place has a second source and every mixture passes (strong form){proof}"
    single = ", ".join(table["single"])
    return f"no second source for {single}; every mixture of the others passes{proof}"


def _source_row(one: Plain) -> list[object]:
    chosen = next((c for c in one["candidates"] if c["part"] == one["alternate"]), None)
    passing = sum(c["passes"] for c in one["candidates"])
    return [
        " and ".join(one["positions"]),
        f"{one['pieces']} x {one['primary']}",
        one["maker"],
        f"{chosen['part']} ({chosen['maker']})" if chosen else MISSING,
        _signed(chosen["cost_change"] if chosen else None, 4),
        passing - (chosen is not None),
        len(one["candidates"]) - passing,
    ]


def _weak_text(table: Plain) -> str:
    if table["weak"] is None:
        proof = "proved" if table["weak_proved"] else "not proved: not all were looked at"
        return f"WEAK form (all primaries, all alternates, nothing between): none ({proof})"
    if table["robust"]:
        return "WEAK form (all primaries, all alternates, nothing between): holds too"
    parts = ", ".join(part for _, part in table["weak"])
    return f"WEAK form only (all primaries or all alternates, no mixture): {parts}"


def _price_text(found: Plain) -> str:
    if not found["second_source"]["robust"]:
        return "No point of the front has second sources at every place; the table is of the first."
    more = found["cost"] - found["cost_cheapest"]
    return (
        f"Price of robustness on the front: {more:.4f} {found['currency']} over its cheapest "
        "point. A set off the front may be robust for less: that is not proved."
    )
