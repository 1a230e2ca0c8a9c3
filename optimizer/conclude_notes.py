"""What a run assumed and found: the notes that travel into the report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from optimizer import buying, charge_sense
from optimizer.catalog import Catalog
from optimizer.columns import column, when_missing
from optimizer.conclude_figures import ceilings
from optimizer.conclude_margins import failing
from optimizer.derating import entries
from optimizer.found import Found
from optimizer.load_records import LeadAcid, Lithium
from optimizer.parameters import TIME_SERVICE
from optimizer.placed import unknown_names
from optimizer.records import Note
from optimizer.results import BillLine, FrontPoint, Verified
from optimizer.set_point_rules import set_point_notes
from optimizer.set_point_rules_current import current_notes
from optimizer.set_point_rules_dimming import dimming_notes
from optimizer.spec_records import Spec
from optimizer.spec_text import trade
from optimizer.stage import Stage
from optimizer.tables import PartTable

LEAD_TIME_LONG = 26.0
"""Lead times from here on are worth a finding [weeks]: common practice, no source."""

YEAR = 365.25 * 86400.0
BROKEN_SHOWN = 20


def run_notes(found: Found, catalog: Catalog, points: Sequence[FrontPoint]) -> tuple[Note, ...]:
    """Everything assumed, filled, excluded and found, each once."""
    spec = found.spec
    lines = _lines(point.verified for point in points)
    notes: list[Note] = [
        *(Note("finding", key, text, "spec") for key, text in unknown_names(spec, catalog)),
        *own_state_findings(points),
        *charge_notes(spec, catalog.tables),
        *part_notes(spec, catalog, lines),
        *_states(found),
        *derating_notes(spec),
        *_presets(spec),
        *_set_points(found),
        *dimming_notes(spec),
        *current_notes(spec),
        *spec.notes,
        *spec.not_asked,
        *_prices(spec, catalog),
        *_refused_rows(catalog),
        *catalog.notes,
    ]
    return tuple(dict.fromkeys(notes))


def derating_notes(spec: Spec) -> Iterator[Note]:
    """What of a derating policy that is named after a standard the standard does not hold."""
    policy = spec.derating_policy
    rules = list(entries(policy))
    other = [name for name, rule in rules if not rule.get("in_standard", True)]
    if other:
        names = ", ".join(name.replace("_", " ").replace(".", " ") for name in other)
        text = (
            f"{len(other)} of its {len(rules)} rules are not in the standard and come from the "
            f"commercial policy: {names}"
        )
        yield Note("finding", f"derating {spec.derating}", text, str(policy.get("source", "")))


def charge_notes(spec: Spec, tables: Mapping[str, PartTable]) -> Iterator[Note]:
    """What stands for the charge-current sense of a charger in the list of parts."""
    charge = buying.charge_of(spec, tables)
    if charge is None:
        return
    if charge.found:
        yield Note("assumed", charge_sense.SUBJECT, charge.text)
    else:
        text = (
            f"{charge.text}; so its price is not counted, nor its spread in the end of charge, and"
            " beside resistors whose price is counted its sets look too cheap"
        )
        yield Note("finding", charge_sense.SUBJECT, text)


def _lines(verified: Iterable[Verified]) -> list[BillLine]:
    """Every part number of the front once, at its largest need."""
    found: dict[str, BillLine] = {}
    for line in (line for one in verified for line in one.bill):
        known = found.get(line.part_number)
        if known is None or known.quantity < line.quantity:
            found[line.part_number] = line
    return list(found.values())


# --- parts that were chosen -----------------------------------------------------------------------


def part_notes(spec: Spec, catalog: Catalog, lines: Sequence[BillLine]) -> Iterator[Note]:
    """Life-cycle, stock, lead time, price date, approval and fills of chosen parts."""
    for line in lines:
        table = catalog.tables[line.kind]
        row = table.part_number.index(line.part_number)
        approval = table.texts["approval"][row]
        yield from _supply(spec, line, table.texts["price_date"][row], approval)
        for header in line.filled:
            text = f"{header} was missing: {_stands_in(line.kind, header)}"
            yield Note("filled", line.part_number, text, line.place)


def _stands_in(kind: str, header: str) -> str:
    """What stands in for a missing cell."""
    if header.startswith("core_loss"):
        return "core loss taken as a share of the hot copper loss, by ripple and frequency"
    return when_missing(column(kind, header)).removesuffix("; else row refused")


def _supply(spec: Spec, line: BillLine, price_date: str, approval: str) -> Iterator[Note]:
    part, place = line.part_number, line.place
    if line.status != "active":
        allowed = line.status in spec.purchase.states_allowed
        word = "allowed by the spec" if allowed else "NOT among the states the spec allows"
        yield Note("finding", part, f"life-cycle state {line.status}, {word}", place)
    if approval == "conditional" or approval == "no":
        yield Note("finding", part, f"approval: {approval}", place)
    if np.isfinite(line.stock) and line.stock < line.quantity:
        text = f"stock {line.stock:.0f} does not cover an order of {line.quantity}"
        yield Note("finding", part, text, place)
    if np.isfinite(line.lead_time_weeks) and line.lead_time_weeks >= LEAD_TIME_LONG:
        yield Note("finding", part, f"lead time {line.lead_time_weeks:.0f} weeks", place)
    if not price_date:
        yield Note("finding", part, "its price has no date: take it as stale", place)


def own_state_findings(points: Sequence[FrontPoint]) -> Iterator[Note]:
    """Front sets that break a limit at their own state, which the sizing state passed."""
    broken = [(point.number, margin) for point in points for margin in point.verified.failures]
    for number, margin in broken[:BROKEN_SHOWN]:
        text = f"misses a limit at its own state: {failing(margin)}"
        yield Note("finding", f"point {number}", text, "verification")
    if len(broken) > BROKEN_SHOWN:
        text = f"{len(broken) - BROKEN_SHOWN} more limits are broken at own states, see result.json"
        yield Note("finding", "front", text, "verification")


# --- states and presets ---------------------------------------------------------------------------


def _states(found: Found) -> Iterator[Note]:
    """The two states the front is exact at."""
    for topology, stage in found.stages.items():
        yield Note("assumed", f"sizing state, {topology}", _ceiling_text(stage), "definition")
    if found.markets:
        text = (
            "the objective is taken at the converged state of one reference set per topology, "
            "frequency and inductor: at each position the cheapest part that passes"
        )
        yield Note("assumed", "reference state", text, "definition")
    asked = found.spec.purchase.second_source
    if asked and found.markets:
        text = (
            f"each set has alternates of other makers on the same pads at {', '.join(asked)}, and "
            "every mixture with them keeps every limit; `partfront alternates` names some"
        )
        if isinstance(found.spec.load.record, LeadAcid | Lithium) and found.prices.charge is None:
            text += f"; the {charge_sense.SUBJECT} has none, as no part of it is asked for"
        yield Note("assumed", "second sources", text, "spec")


def _ceiling_text(stage: Stage) -> str:
    """Loss ceilings in watts, and their share of the output power."""
    power = stage.spec.power_output
    by_value: dict[str, list[str]] = {}
    for name, watts in ceilings(stage).items():
        by_value.setdefault(f"{watts:.3g} W ({100 * watts / power:.2g} %)", []).append(name)
    parts = []
    for value, names in by_value.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        parts.append(f"{value} at {names[0]}{more}")
    return f"every limit holds up to a total loss of {'; '.join(parts)}; the limit is a row itself"


def _set_points(found: Found) -> Iterator[Note]:
    """Dividers of every topology considered; equal ones are told once."""
    for topology in found.stages:
        yield from set_point_notes(found.spec, topology)


def _presets(spec: Spec) -> Iterator[Note]:
    """Numbers of the models that no catalog gives."""
    board, pads = spec.board, spec.pads
    shown: Mapping[str, str] = {
        "board": f"{board.board_k_per_w:g} K over ambient per watt of total loss",
        "ringing": f"switch nodes ring {100 * board.ringing_share:g} % over their voltage",
        "loop": f"{trade(board.inductance_loop, 'inductance')} in the hot loop of each half bridge",
        "pads": f"case to board {pads.rth_default:g} K/W for land patterns not listed",
        "ageing": f"class II ceramics age over {TIME_SERVICE / YEAR:.0f} years in the guaranteed "
        "set",
    }
    for subject, text in shown.items():
        yield Note("assumed", subject, text, "preset or spec")


# --- prices and rows ------------------------------------------------------------------------------


def _prices(spec: Spec, catalog: Catalog) -> Iterator[Note]:
    """Dates of the prices and rates used."""
    dates = sorted({d for table in catalog.tables.values() for d in table.texts["price_date"] if d})
    if dates:
        text = f"prices dated {dates[0]} to {dates[-1]}, at {spec.purchase.boards} boards"
        yield Note("assumed", "prices", text, "catalogs")
    for rate in spec.purchase.exchange_rates:
        text = f"1 {rate.currency} = {rate.rate:g} {spec.purchase.currency} on {rate.date}"
        yield Note("assumed", "exchange rate", text, "spec")
    known = set(buying.exchange(spec))
    for kind, table in catalog.tables.items():
        strange = sorted(set(table.texts["currency"]) - known)
        if strange:
            text = f"parts priced in {', '.join(strange)} are left out: no dated rate in the spec"
            yield Note("excluded", f"{kind} prices", text, "spec")


def _refused_rows(catalog: Catalog) -> Iterator[Note]:
    if catalog.refused:
        text = f"{len(catalog.refused)} rows are not used; lint says why, row by row"
        yield Note("excluded", "catalogs", text, "catalogs")
