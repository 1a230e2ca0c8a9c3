"""The tables show what the records hold: no more points than fit, nothing executed, no claim."""

from __future__ import annotations

import io
from itertools import pairwise
from typing import Any

import pytest
from rich.console import Console

from optimizer.report import tables
from optimizer.report.cautions import cautions, voltage_caution
from optimizer.report.notes import notes_text, proof_text
from optimizer.report.summary import failures, front_rows, spread_points
from tests.sample_run import plain_run


def shown(print_it: Any, *args: Any, **options: Any) -> str:
    out = io.StringIO()
    console = Console(file=out, width=200, markup=False, highlight=False, emoji=False)
    print_it(console, *args, **options)
    return out.getvalue()


def test_the_screen_shows_at_most_twenty_points_with_ends_and_knee() -> None:
    run = plain_run(count=57)
    points = spread_points(run["points"], run)
    assert len(points) == 20
    numbers = [point["number"] for point in points]
    assert numbers == sorted(set(numbers))
    assert {"cheapest", "knee", "least loss"} <= {point["mark"] for point in points}
    assert max(b - a for a, b in pairwise(numbers)) <= 4


@pytest.mark.parametrize("count", [1, 2, 20])
def test_small_fronts_are_shown_whole(count: int) -> None:
    run = plain_run(count=count)
    assert spread_points(run["points"], run) == run["points"]


def test_a_front_prints_its_figures() -> None:
    text = shown(tables.print_run, plain_run())
    for piece in ("cheapest", "knee", "least loss", "4.10", "2.667", "95.7", "44.6",
                  "input-high      96",
                  "inductor: saturation", "-12.5", "400", "LX-1", "1 x QX-1", "3 x CX-1 + 1 x CX-2",
                  "boost refused: input 33.6 V reaches the output 19 V"):  # fmt: skip
        assert piece in text, piece
    assert text.index("CAUTIONS") < text.index("Front:")


def test_an_unproved_front_claims_nothing() -> None:
    run = plain_run(complete=False)
    text = shown(tables.print_run, run)
    assert "NOT proved: 4 of 9 skeletons not searched" in text
    assert "all proved" not in text
    assert "all proved" not in notes_text(run)


def test_no_point_is_never_called_proved() -> None:
    assert "NOT proved" in proof_text(plain_run(count=0))


def test_verification_prints_losses_margins_chain_and_what_fails() -> None:
    verified = plain_run()["points"][0]["verified"]
    text = shown(tables.print_verified, verified, currency="EUR")
    for piece in ("conduction", "copper", "total", "2.667", "Temperatures", "Limit chain closes",
                  "hot saturation 9.50 A", "FAILS, limits that do not hold: 1"):  # fmt: skip
        assert piece in text, piece
    margins = text[text.index("Margins") :]
    assert margins.index("-12.5") < margins.index("39.6") < margins.index("44.6")


def test_a_margin_that_could_not_be_computed_fails() -> None:
    verified = plain_run()["points"][0]["verified"]
    verified["margins"][1]["margin"] = None
    assert [m["margin"] for m in failures(verified)] == [None, -0.125]
    verified["margins"] = [m for m in verified["margins"] if m["margin"] and m["margin"] > 0]
    verified["chain"]["closes"] = False
    assert "chain does not close" in shown(tables.print_verified, verified, currency="EUR")
    verified["chain"]["closes"] = True
    assert "Every limit holds" in shown(tables.print_verified, verified, currency="EUR")


def test_data_cannot_steer_the_terminal_or_the_markup() -> None:
    text = shown(tables.print_run, plain_run(part="[red]A\x1b[2J\x07"))
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "[red]A[2J" in text


def test_columns_of_all_points_meet_in_front_csv() -> None:
    run = plain_run(count=2)
    run["points"][1]["verified"]["part_set"]["transistors"] = {"output-low": ["QX-2", 2]}
    rows = front_rows(run)
    assert list(rows[0]) == list(rows[1])
    assert (rows[0]["output-low"], rows[1]["output-low"]) == (None, "2 x QX-2")


@pytest.mark.parametrize(
    ("v_highest", "word"), [(53.9, ""), (54.0, "close to"), (60.0, "close to"), (60.1, "above 60")]
)
def test_voltage_caution(v_highest: float, word: str) -> None:
    text = voltage_caution(v_highest)
    assert (word in text) if word else text == ""


def test_cautions_name_heat_notes_and_the_rules_that_prevail() -> None:
    texts = cautions(plain_run())
    assert any("input-high reaches 96 degC" in text for text in texts)
    assert "battery back-feed | check" in texts
    assert any("Local codes" in text for text in texts)


def test_notes_hold_every_assumption_and_survive_table_marks() -> None:
    run = plain_run()
    run["notes"].append({"kind": "finding", "subject": "a|b", "text": "<script>x\ny", "source": ""})
    text = notes_text(run)
    for piece in ("6 K/W", "common practice", "rds_on max = 1.3 x typ", "bounded by cold full",
                  "output-low: 812 parts, 410 fell on voltage, 402 left", "source.v_max_v",
                  "a\\|b", "&lt;script>x y", "abab"):  # fmt: skip
        assert piece in text, piece


def test_an_assumed_mission_is_the_first_of_the_assumptions() -> None:
    notes = [
        {"kind": "filled", "subject": f"part {k}", "text": "", "source": ""} for k in range(20)
    ]
    mission = {"kind": "assumed", "subject": "mission", "text": "not given", "source": "spec"}
    text = shown(tables.print_ledger, [*notes, mission])
    assert text.index("not given") < text.index("part 0")
    assert "part 19" not in text
