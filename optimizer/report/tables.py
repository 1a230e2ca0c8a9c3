"""Tables for the screen. They print records of a run (plain data) and compute nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from optimizer.report.cautions import STANDING, cautions, not_said, set_cautions
from optimizer.report.grids import (
    MISSING,
    clean,
    console_for,
    fixed,
    grid,
    limit_name,
    percent,
    quantity_text,
)
from optimizer.report.names import lane_title
from optimizer.report.notes import fault_rows, faulted, proof_text, waterfall_text
from optimizer.report.summary import (
    SCREEN_POINTS,
    failures,
    hottest,
    loss_with_sense,
    objective_loss,
    offers_sense,
    pieces_text,
    spread_points,
    tightest,
)

__all__ = [
    "console_for",
    "print_charge_sense",
    "print_lint",
    "print_run",
    "print_verified",
    "print_waterfalls",
]

Plain = Mapping[str, Any]

POINT_COLUMNS = 6
NOT_KNOWN = "not known"
"""Stands where a set has no steady state or a part no rating: that counts as failing."""

SENSE_HEADS = (">charge sense mohm", ">with its loss W", "charging ends A")

WIDE = 140
"""Columns of the screen from which what belongs together stands in one table."""


def print_cautions(console: Console, texts: Iterable[str]) -> None:
    """The cautions, above everything else."""
    console.print("CAUTIONS", style="bold")
    for text in texts:
        console.print(f"  ! {clean(text)}", style="yellow")
    console.print()


# --- front ---------------------------------------------------------------------------------------


def front_tables(run: Plain, shown: Sequence[Plain], *, width: int) -> list[Table]:
    """Figures of the shown points, one line each; limits apart where the screen is narrow."""
    names = list(dict.fromkeys(n for p in shown for n in p["verified"]["efficiency_named"]))
    loss = "worst loss W" if run["objective"] == "worst-point" else "loss W"
    heads = [
        ">#", "mark", f">cost {run['currency']}", f">{loss}",
        *(SENSE_HEADS if offers_sense(shown) else ()),
        *(f">eff. % {name}" for name in names),
    ]  # fmt: skip
    limits = ["hottest part", ">degC", ">margin %", "smallest stress margin", ">margin %"]
    title = f"Front: {len(shown)} of {len(run['points'])} points"
    figures = [_figure_cells(point, run, names) for point in shown]
    margins = [_limit_cells(point["verified"]) for point in shown]
    proofs = [_proof_cell(point) for point in shown]
    if width >= WIDE:
        rows = [[*f, *m, p] for f, m, p in zip(figures, margins, proofs, strict=True)]
        return [grid(title, [*heads, *limits, "proof"], rows)]
    first = [[*f, p] for f, p in zip(figures, proofs, strict=True)]
    second = [[point["number"], *m] for point, m in zip(shown, margins, strict=True)]
    return [
        grid(title, [*heads, "proof"], first),
        grid("Limits of these points", [">#", *limits], second),
    ]


def _figure_cells(point: Plain, run: Plain, names: Sequence[str]) -> list[object]:
    verified = point["verified"]
    tie = f"~{point['tie']}" if point["tie"] >= 0 else ""
    return [
        point["number"],
        " ".join(filter(None, [point["mark"], tie, "misses" if failures(verified) else ""])),
        fixed(point["cost"]),
        fixed(objective_loss(verified, run), 3),
        *_sense_cells(point, run),
        *(percent(verified["efficiency_named"].get(name)) for name in names),
    ]


def _sense_cells(point: Plain, run: Plain) -> list[object]:
    sense = point.get("charge_sense")
    if not sense:
        return []
    loss = loss_with_sense(point, run)
    return [
        f"{sense['resistance'] * 1e3:g}",
        MISSING if loss is None else fixed(loss, 3),
        f"{sense['i_end_min']:.3g} to {sense['i_end_max']:.3g}",
    ]


def _proof_cell(point: Plain) -> str:
    proof: str = point["proof"]
    return proof or f"not proved, loss >= {fixed(point['bound'], 3)} W"


def choice_table(shown: Sequence[Plain]) -> Table:
    """Parts of the shown points, one line each."""
    sets = [(point["number"], point["verified"]["part_set"]) for point in shown]
    places = list(dict.fromkeys(place for _, parts in sets for place in parts["transistors"]))
    two_coils = any(parts.get("bank_coupling") for _, parts in sets)
    banks = ["input bank", "output bank", *(["coupling bank"] if two_coils else [])]
    columns = [">#", "topology", ">kHz", "inductor", *places, *banks, "sense"]
    rows = [
        [
            number,
            parts["topology"],
            f"{parts['frequency'] / 1e3:g}",
            parts["inductor"],
            *(_bought(parts["transistors"].get(place)) for place in places),
            pieces_text(parts["bank_input"]),
            pieces_text(parts["bank_output"]),
            *([pieces_text(parts.get("bank_coupling", ())) or MISSING] if two_coils else []),
            _bought(parts["sense"]),
        ]
        for number, parts in sets
    ]
    return grid("Parts of these points", columns, rows)


def _bought(pair: Sequence[Any] | None) -> str:
    return pieces_text([pair]) if pair else MISSING


def _limit_cells(verified: Plain) -> list[object]:
    hot, tight = hottest(verified), tightest(verified)
    return [
        hot["subject"] if hot else None,
        fixed(hot["value"], 0) if hot else None,
        percent(hot["margin"]) if hot else None,
        f"{tight['subject']}: {tight['quantity']}" if tight else None,
        percent(tight["margin"]) if tight else None,
    ]


def print_run(console: Console, run: Plain) -> None:
    """Everything the screen says after a front run."""
    print_cautions(console, cautions(run))
    for item in run["refused"]:
        console.print(clean(f"{item['topology']} refused: {item['reason']}"))
    if run["points"]:
        shown = spread_points(run["points"], run)
        for table in front_tables(run, shown, width=console.width):
            console.print(table)
        console.print(choice_table(shown))
        _print_states(console, run)
    shown_fault = faulted(run)
    if shown_fault:
        for table in fault_tables(shown_fault["verified"]):
            console.print(f"Point {shown_fault['number']} under faults:")
            console.print(table)
    console.print(clean(proof_text(run)), style="green" if run["complete"] else "bold red")
    print_ledger(console, run["notes"])


def _print_states(console: Console, run: Plain) -> None:
    state = run["state_difference"]
    if state is not None:
        console.print(
            f"Own state against reference state: at most {percent(state, 2)} % of the loss. Points "
            "closer than that are ties (~ and the number of their group), not ranks."
        )
    if len(run["points"]) > SCREEN_POINTS:
        console.print("The other points are in front.csv.")


def print_ledger(console: Console, notes: Sequence[Plain], *, most: int = 12) -> None:
    """Notes by kind, cautions apart; the rest is in notes.md.

    A mission that was assumed comes first: it decides what loss means.
    """
    shown = [note for note in notes if note["kind"] != "caution"]
    shown.sort(key=lambda note: (note["kind"], note["subject"]) != ("assumed", "mission"))
    if not shown:
        return
    rows = [(n["kind"], n["subject"], n["text"], n["source"]) for n in shown[:most]]
    title = f"Assumptions and findings: {len(rows)} of {len(shown)}"
    console.print(grid(title, ("kind", "subject", "what", "source"), rows))


def print_waterfalls(console: Console, waterfalls: Sequence[Plain]) -> None:
    """How many parts fell where, per position."""
    for waterfall in waterfalls:
        console.print(clean(waterfall_text(waterfall)))


# --- verify --------------------------------------------------------------------------------------


def shown_lanes(verified: Plain) -> list[int]:
    """Lanes for the loss table: the first of each expected point, and the largest loss."""
    lanes, losses = verified["lanes"], verified["loss_total"]
    first: dict[str, int] = {}
    for index, name in enumerate(lanes["name"]):
        if not lanes["guaranteed"][index]:
            first.setdefault(name, index)
    known = [index for index, loss in enumerate(losses) if loss is not None]
    worst = max(known, key=lambda index: float(losses[index]), default=None)
    chosen = list(first.values())[: POINT_COLUMNS - 1]
    return chosen if worst is None or worst in chosen else [*chosen, worst]


def loss_table(verified: Plain) -> Table:
    """Losses by part and mechanism at the shown lanes, and their total."""
    shown = shown_lanes(verified)
    rows = [
        [*key.split(" | "), *(fixed(values[i], 3) for i in shown)]
        for key, values in verified["losses"].items()
        if any(values[i] for i in shown)
    ]
    totals = ["all", "total", *(fixed(verified["loss_total"][i], 3) for i in shown)]
    columns = ["part", "mechanism", *(f">{lane_title(verified['lanes'], i)}" for i in shown)]
    return grid("Losses [W]", columns, [*rows, totals])


POWERS = (
    ">Vin V", ">Iout A", ">air degC", ">Pin W", ">Pout W", ">loss W", ">eff. %", ">balance error",
)  # fmt: skip
RIPPLES = (
    ">coil ripple A", ">coil peak A", ">in ripple mV", ">out ripple mV", ">in ESL step mV",
    ">out ESL step mV",
)  # fmt: skip


def point_tables(verified: Plain, *, width: int) -> list[Table]:
    """Every operating point: power, loss, efficiency, balance; ripple apart on narrow screens."""
    lanes = verified["lanes"]
    names = [lane_title(lanes, i) for i in range(len(lanes["name"]))]
    powers = [_power_cells(verified, i) for i in range(len(names))]
    ripples = [_ripple_cells(verified["waves"], i) for i in range(len(names))]
    if width >= WIDE:
        rows = [[n, *p, *r] for n, p, r in zip(names, powers, ripples, strict=True)]
        return [grid("Operating points", ("point", *POWERS, *RIPPLES), rows)]
    return [
        grid("Operating points", ("point", *POWERS), _named(names, powers)),
        grid("Ripple at these points", ("point", *RIPPLES), _named(names, ripples)),
    ]


def _named(names: Sequence[str], cells: Sequence[Sequence[str]]) -> list[list[str]]:
    return [[name, *row] for name, row in zip(names, cells, strict=True)]


def _power_cells(verified: Plain, i: int) -> list[str]:
    lanes = verified["lanes"]
    return [
        fixed(lanes["v_input"][i]), fixed(lanes["i_output"][i]), fixed(lanes["temp_ambient"][i], 0),
        fixed(verified["power_input"][i]), fixed(verified["power_output"][i]),
        fixed(verified["loss_total"][i], 3), percent(verified["efficiency"][i], 2),
        _small(verified["balance_error"][i]),
    ]  # fmt: skip


def _ripple_cells(waves: Plain, i: int) -> list[str]:
    scales = {"i_ripple": 1.0, "i_peak": 1.0}
    scales |= dict.fromkeys(("v_ripple_input", "v_ripple_output"), 1e3)
    scales |= dict.fromkeys(("v_step_input", "v_step_output"), 1e3)
    values = [(waves[name][i] if name in waves else None, s) for name, s in scales.items()]
    return [MISSING if value is None else f"{value * s:z.2f}" for value, s in values]


def _small(value: float | None) -> str:
    return MISSING if value is None else f"{value:.1e}"


def temperature_table(verified: Plain) -> Table:
    """Hottest temperature of every part and where it occurs."""
    rows = []
    for subject, values in verified["temps"].items():
        known = [(value, i) for i, value in enumerate(values) if value is not None]
        if known:
            value, index = max(known)
            rows.append((subject, fixed(value, 1), lane_title(verified["lanes"], index)))
    rows.sort(key=lambda row: -float(row[1]))
    return grid("Temperatures", ("part", ">hottest degC", "at"), rows)


def margin_table(margins: Sequence[Plain], title: str) -> Table:
    """Limits with worst value and margin, smallest first."""
    order = sorted(margins, key=lambda m: -1e99 if m["margin"] is None else float(m["margin"]))
    rows = [
        (
            m["subject"],
            m["part_number"],
            limit_name(m["quantity"]) + (" (transient)" if m["transient"] else ""),
            f"{m['at']} ({m['parameter_set']})",
            NOT_KNOWN if m["value"] is None else quantity_text(m["value"], m["unit"]),
            (">= " if m["at_least"] else "<= ") + quantity_text(m["allowed"], m["unit"]),
            "fails" if m["margin"] is None else percent(m["margin"]),
        )
        for m in order
    ]
    columns = ("subject", "part", "quantity", "worst at", ">worst", ">allowed", ">margin %")
    return grid(title, columns, rows)


def fault_tables(verified: Plain) -> list[Table]:
    """What becomes of a set under faults; nothing where it was not asked."""
    rows = fault_rows(verified)
    title = "Faults, loop and life: holds, fails, or outside this tool (needs what the text says)"
    return [grid(title, ("fault", "verdict", "what"), rows)] if rows else []


def chain_text(chain: Plain) -> str:
    """The current-limit chain in one line."""
    steps = (
        ("needed peak", chain["i_peak_needed"]),
        ("smallest limit", chain["i_limit_min"]),
        ("largest limit", chain["i_limit_max"]),
        ("with delay", chain["i_limit_delayed"]),
        ("hot saturation", chain["i_saturation"]),
    )
    text = " <= ".join(f"{name} {fixed(value)} A" for name, value in steps)
    verdict = "closes" if chain["closes"] else "DOES NOT CLOSE"
    return f"Limit chain {verdict}: {text} (peak needed at {chain['i_peak_at']})"


def bill_table(verified: Plain, currency: str) -> Table:
    """The parts list at the build quantity."""
    rows = [
        (
            " ".join(line["positions"]), line["part_number"], line["maker"], line["pieces"],
            line["quantity"], fixed(line["unit_price"], 4), fixed(line["line_price"]),
            line["excess"], line["land_pattern"], line["status"],
        )
        for line in verified["bill"]
    ]  # fmt: skip
    columns = (
        "position", "part", "maker", ">a board", ">order", f">each {currency}",
        f">line {currency}", ">excess", "land pattern", "state",
    )  # fmt: skip
    return grid("Parts list", columns, rows)


def set_line(verified: Plain, currency: str) -> str:
    """Topology, frequency, cost and both losses in one line."""
    parts = verified["part_set"]
    line = (
        f"{parts['topology']}, {parts['frequency'] / 1e3:g} kHz: cost {fixed(verified['cost'])} "
        f"{currency} a board, "
    )
    if verified["loss_worst"] is None:
        return f"{line}losses not known: see what fails"
    return (
        f"{line}mission-weighted loss {fixed(verified['loss_mission'], 3)} W "
        f"(expected), worst loss {fixed(verified['loss_worst'], 3)} W "
        f"(guaranteed, {verified['loss_worst_at']})"
    )


def print_charge_sense(console: Console, sense: Plain, *, several: bool) -> None:
    """Heading of a board where the spec offers several charge-current senses."""
    ends = f"{sense['i_end_min']:.3g} to {sense['i_end_max']:.3g} A"
    text = f"WITH A CHARGE-CURRENT SENSE OF {sense['resistance'] * 1e3:g} mohm: charging ends at "
    more = "; charge_sense_mohm in the board file asks for one alone" if several else ""
    loss = f", {sense['loss']:.3g} W in it beside the losses below"
    console.print(clean(f"{text}{ends}{loss}{more}"), style="bold")


def print_verified(
    console: Console, verified: Plain, *, currency: str, notes: Sequence[Plain] = ()
) -> None:
    """Everything the screen says of one complete part set."""
    noted = [note["text"] for note in notes if note["kind"] == "caution"]
    own = set_cautions(verified)
    print_cautions(console, [*own, *not_said(noted, own), *STANDING])
    console.print(clean(set_line(verified, currency)))
    for table in (
        bill_table(verified, currency),
        loss_table(verified),
        *point_tables(verified, width=console.width),
        temperature_table(verified),
        margin_table(verified["margins"], "Margins, smallest first"),
        *fault_tables(verified),
    ):
        console.print(table)
    console.print(clean(chain_text(verified["chain"])))
    bad = failures(verified)
    if bad:
        console.print(margin_table(bad, f"FAILS, limits that do not hold: {len(bad)}"), style="red")
    elif not verified["chain"]["closes"]:
        console.print("FAILS: the limit chain does not close.", style="bold red")
    else:
        console.print("Every limit holds at every operating point.", style="green")
    print_ledger(console, notes, most=40)


# --- lint ----------------------------------------------------------------------------------------

STOPS = "stops"
SEVERITIES = {
    STOPS: "Wrong, and stops a run until it is corrected",
    "wrong": "Wrong: the row is not used as it stands",
    "refused": "Refused: rows that are not used",
    "filled": "Filled by policy",
    "suspicious": "Suspicious",
}


def finding_table(severity: str, items: Sequence[Plain]) -> Table:
    """Findings of one severity, row by row."""
    rows = [(i["place"], i["part_number"], i["column"], i["text"]) for i in items]
    title = f"{SEVERITIES.get(severity, severity)} ({len(rows)})"
    return grid(title, ("place", "part", "column", "what"), rows)


def print_lint(console: Console, found: Plain) -> None:
    """What lint found, worst first, then the counts."""
    stopping = {(problem["place"], problem["name"]) for problem in found["problems"]}
    graded = []
    for item in found["items"]:
        stops = item["severity"] == "wrong" and (item["place"], item["column"]) in stopping
        graded.append((STOPS if stops else item["severity"], item))
    for severity in SEVERITIES:
        items = [item for grade, item in graded if grade == severity]
        if items:
            console.print(finding_table(severity, items))
    for kind, count in found["rows"].items():
        console.print(f"{clean(kind)}: {count} rows, {found['used'].get(kind, 0)} can be used")
    counts = ", ".join(f"{count} {severity}" for severity, count in found["counts"].items())
    console.print(f"Findings: {clean(counts)}")
    if found["problems"]:
        text = f"What stops a run until it is corrected: {len(found['problems'])}"
        console.print(text, style="bold red")
