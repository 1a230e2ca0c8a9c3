"""Whole conversations: a cargo bike's rail asked for four switches at 1.5 MHz, a fridge's start.

Check values by hand (common practice, no source): a step-down stage from 58 V to 12 V is on for
12/58 of a period, 138 ns at 1.5 MHz; a controller that may need 150 ns then skips pulses. With the
frequency 10 % up it keeps 150 ns to 1.25 MHz.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer import conclude
from optimizer.archive import part_set_of, read_run
from optimizer.catalog import Catalog, read_catalog
from optimizer.records import COST_UNIT
from optimizer.results import PartSet
from optimizer.spec import read_spec
from optimizer.spec_edit import edited
from optimizer.studies.archived import Archived, take_up
from optimizer.studies.what_if import what_if
from optimizer.studies.why_not import why_not
from optimizer.studies.wish import Wish

EXAMPLES = Path(__file__).parents[2] / "runs" / "examples"
ON_TIME, TOLERANCE = 150e-9, 0.10


def names(one: PartSet) -> set[str]:
    banks = [part for part, _ in (*one.bank_input, *one.bank_output)]
    switches = [part for part, _ in one.transistors.values()]
    return {one.inductor, one.sense[0], *banks, *switches}


def few_parts(catalog: Catalog) -> Catalog:
    """The parts of the cheapest set, the knee and the set of least loss of the shipped run."""
    run = read_run(EXAMPLES / "cargo_bike")
    marked = [point["number"] for point in run["points"] if point["mark"]]
    return only(catalog, set().union(*(names(part_set_of(run, n, place="")) for n in marked)))


def only(catalog: Catalog, kept: set[str]) -> Catalog:
    """The catalog with some of its parts."""
    tables = {
        kind: table.take([k for k, name in enumerate(table.part_number) if name in kept])
        for kind, table in catalog.tables.items()
    }
    return replace(catalog, tables=tables)


@pytest.fixture(scope="module")
def bike() -> Archived:
    """The example with a slower controller and few parts."""
    spec = read_spec(EXAMPLES / "cargo_bike.toml")
    changes = [
        f"controllers.{name}.{key}"
        for name in ("buck", "four-switch")
        for key in (
            f"time_on_min_ns = {ON_TIME * 1e9:g}",
            f"frequency_tolerance_pct = {TOLERANCE * 100:g}",
            "frequencies_khz = [300, 400, 500]",
        )
    ]
    spec = edited(spec, [*changes, "choice.bank_types_max_pcs = 1"])
    catalog = few_parts(read_catalog(spec.catalogs))
    return take_up(spec, catalog, conclude.front(spec, catalog))


def test_four_switches_at_megahertz_skip_pulses(bike: Archived) -> None:
    answer = why_not(bike, Wish(topology="four-switch", frequency=1.5e6))
    assert answer.proved
    assert answer.data["verdict"] == "impossible"
    (short,) = [m for m in answer.data["broken"] if m["quantity"] == "on-time"]
    assert short["allowed"] == pytest.approx(ON_TIME)
    assert short["value"] == pytest.approx(12.0 / 58.0 / (1.5e6 * 1.1), rel=0.03)
    assert "58 V" in short["at"]


@pytest.mark.parametrize(("megahertz", "skips"), [(1.2, False), (1.28, True)])
def test_the_on_time_decides_at_a_quarter_above_one_megahertz(
    bike: Archived, megahertz: float, skips: bool
) -> None:
    highest = 12.0 / 58.0 / ON_TIME / (1.0 + TOLERANCE)
    assert (1e6 * megahertz > highest) == skips
    answer = why_not(bike, Wish(topology="buck", frequency=1e6 * megahertz))
    broken = {m["quantity"] for m in answer.data.get("broken", [])}
    assert ("on-time" in broken) == skips


def test_a_step_down_stage_does_it_and_saves_two_transistors(bike: Archived) -> None:
    plain = why_not(bike, Wish(topology="buck"))
    assert plain.answer.endswith("it costs nothing")
    four = why_not(bike, Wish(topology="four-switch"))
    assert four.proved
    if four.data["verdict"] == "possible":
        assert four.data["prices"][0]["cost_more"] > 0.0
        sets = four.data["cheapest_set"], plain.data["cheapest_set"]
        assert len(sets[0]["transistors"]) == len(sets[1]["transistors"]) + 2
    assert {one.frequency for one in bike.front.chosen} & {400e3, 500e3}
    assert any(note.subject == "back-feed" for note in bike.spec.not_asked)


# --- the clinic's fridge: is the start needed at 9 V? ---------------------------------------------

START = "load.surges[1].v_input_min_v"


@pytest.fixture(scope="module")
def clinic() -> Archived:
    """The example with the parts of its marked points, six large coils and low resistors."""
    spec = edited(
        read_spec(EXAMPLES / "clinic_fridge.toml"),
        ["choice.bank_types_max_pcs = 1", "choice.bank_pieces_max_pcs = 4"],
    )
    catalog = read_catalog(spec.catalogs)
    run = read_run(EXAMPLES / "clinic_fridge")
    marked = [point["number"] for point in run["points"] if point["mark"]]
    kept = set().union(*(names(part_set_of(run, n, place="")) for n in marked))
    coils, ohms = (catalog.tables[kind].numbers for kind in ("inductor", "resistor"))
    large = np.flatnonzero(
        (coils["i_saturation_typ"] > 35.0)
        & (coils["inductance_typ"] > 6e-6)
        & (coils["inductance_typ"] < 13e-6)
    )
    low = np.flatnonzero((ohms["resistance_typ"] >= 1e-3) & (ohms["resistance_typ"] <= 1.6e-3))
    kept |= {catalog.tables["inductor"].part_number[k] for k in large[:6]}
    kept |= {catalog.tables["resistor"].part_number[k] for k in low[:8]}
    small = only(catalog, kept)
    return take_up(spec, small, conclude.front(spec, small, engine="merge", detailed=0))


def test_a_start_at_the_lowest_input_has_a_price(clinic: Archived) -> None:
    """10 A at 24 V from 9 V at 93 % are 28.7 A in the coil: larger coil, lower resistor."""
    spec, catalog = clinic.spec, clinic.catalog
    lower = edited(spec, [f"{START} = 9"])
    answer = what_if(clinic, lower)
    assert answer.proved
    assert "from 9 V" in answer.question
    again = conclude.front(lower, catalog, engine="merge", detailed=0)
    more = again.points[0].cost - float(clinic.front.cost[0]) * COST_UNIT
    assert more > 1.0
    assert answer.answer.startswith(f"cheapest: +{more:.2f} EUR")
    parts = {kind: catalog.tables[kind] for kind in ("inductor", "resistor")}
    threshold = spec.controllers["four-switch"].v_sense_min

    def least_limit(name: str, pieces: int) -> float:
        row = parts["resistor"].part_number.index(name)
        return threshold / float(parts["resistor"].numbers["resistance_typ"][row]) * pieces

    old = part_set_of(clinic.run, 1, place="")
    new = again.points[0].verified.part_set
    assert least_limit(*old.sense) < 28.7 < least_limit(*new.sense)
    coil = parts["inductor"].part_number.index(new.inductor)
    assert parts["inductor"].numbers["i_saturation_typ"][coil] > 28.7
