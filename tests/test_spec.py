"""Reading a spec: units, defaults with their notes, the echo, and the shipped examples."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import spec_tables as tables
from optimizer.errors import InputError, Problem
from optimizer.spec import echo, parse_spec, read_pads, read_spec, summary
from optimizer.spec_dimming import CURRENT_LOOP, DIMMING_INPUT
from optimizer.spec_records import (
    Ambient,
    Board,
    ChoiceRules,
    Controller,
    CurrentLoop,
    DimmingInput,
    ExchangeRate,
    Faults,
    Floor,
    Life,
    Limits,
    Load,
    Loop,
    MissionRow,
    Purchase,
    SetPoints,
    Source,
    Spec,
)
from optimizer.spec_text import Lines, si, trade

ROOT = Path(__file__).parents[1]
EXAMPLES = sorted((ROOT / "runs" / "examples").glob("*.toml"))
CABINET = (ROOT / "runs" / "examples" / "cabinet.toml").read_text("utf-8")


HUT = (ROOT / "runs" / "examples" / "hut_link.toml").read_text("utf-8")


def cabinet(*changes: tuple[str, str]) -> Spec:
    text = CABINET
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return parse_spec(text)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_shipped_examples_are_read_without_cautions_about_their_values(path: Path) -> None:
    spec = read_spec(path)
    assert spec.topologies
    assert set(spec.topologies) <= set(spec.controllers)
    pulsed = "pulses" in " ".join(n.text for n in spec.notes if n.subject == "mission")
    total = sum(row.share for row in spec.mission)
    assert math.isclose(total, 1.0, abs_tol=1e-3) or (pulsed and 0.0 < total < 1.0)
    assert spec.text == path.read_text("utf-8")
    assert spec.derating_policy["name"] == "commercial"


def test_examples_step_down_up_and_both_ways() -> None:
    directions = set()
    for path in EXAMPLES:
        spec = read_spec(path)
        low, high = spec.source.v_min > spec.load.v_output, spec.source.v_max > spec.load.v_output
        directions.add((low, high))
    assert directions == {(True, True), (False, False), (False, True)}


def test_units_become_si_by_hand() -> None:
    spec = read_spec(ROOT / "runs" / "examples" / "cabinet.toml")
    record = spec.controllers["four-switch"]
    assert spec.source.v_transient_max == 33.6
    assert spec.load.v_output_tolerance == 0.02
    assert spec.board.resistance == 0.0015
    assert spec.board.inductance_loop == 5e-9
    assert record.frequencies == (200e3, 300e3, 400e3)
    assert record.time_on_min == pytest.approx(120e-9, rel=1e-15)
    assert record.v_sense_min == 0.045
    assert record.i_drive_limit == 0.09
    assert spec.limits.height_max == 0.014
    assert spec.limits.v_ripple_input == 0.6
    assert record.window is not None
    assert record.window.ratio_low == 0.9
    assert spec.power_output == pytest.approx(19.0 * 6.5)


@pytest.mark.parametrize(
    "line",
    ["v_min_mv = 16800", "v_min_v = 16.8", "v_min_v = 1.68e1"],
)
def test_a_quantity_may_carry_any_suffix_of_its_family(line: str) -> None:
    assert cabinet(("v_min_v = 16.8", line)).source.v_min == pytest.approx(16.8, rel=1e-15)


def test_mission_products_multiply_out() -> None:
    spec = read_spec(ROOT / "runs" / "examples" / "cabinet.toml")
    assert len(spec.mission) == 3 * 4
    row = next(r for r in spec.mission if (r.v_input, r.load_share) == (24.0, 0.6))
    assert row.share == pytest.approx(0.8 * 0.35)
    assert row.temp_ambient == 40.0


def test_without_a_mission_the_printed_default_stands_in() -> None:
    start, end = CABINET.index("# a computer's day"), CABINET.index("[choice]")
    spec = parse_spec(CABINET[:start] + CABINET[end:])
    shares = {(r.v_input, r.load_share): r.share for r in spec.mission}
    assert shares[(24.0, 0.6)] == pytest.approx(0.8 * 0.35)
    assert sum(shares.values()) == pytest.approx(1.0)
    assert any(n.subject == "mission" and "35 % at 60 %" in n.text for n in spec.notes)


DEFAULTS = {
    "source.resistance_mohm": ("source", "resistance", 0.0),
    "limits.thermal_gain_max_pct": ("limits", "thermal_gain_max", 0.4),
    "limits.saturation_drop_max_pct": ("limits", "saturation_drop_max", 0.3),
    "limits.area_max_mm2": ("limits", "area_max", math.inf),
    "choice.part_numbers_max_pcs": ("choice", "part_numbers_max", None),
}


@pytest.mark.parametrize("subject", DEFAULTS)
def test_every_default_that_stood_in_is_noted(subject: str) -> None:
    section, name, value = DEFAULTS[subject]
    spec = cabinet()
    assert getattr(getattr(spec, section), name) == value
    assert [n.kind for n in spec.notes if n.subject == subject] == ["assumed"]


def test_a_value_that_is_given_is_not_noted() -> None:
    spec = cabinet(("height_max_mm = 14", "height_max_mm = 14\narea_max_mm2 = 900"))
    assert spec.limits.area_max == pytest.approx(9e-4)
    assert not [n for n in spec.notes if n.subject == "limits.area_max_mm2"]


def test_ripple_limits_that_are_absent_follow_the_voltages() -> None:
    spec = cabinet(("v_ripple_input_mv = 600\n", ""), ("v_ripple_output_mv = 150\n", ""))
    assert spec.limits.v_ripple_input == pytest.approx(0.05 * 24)
    assert spec.limits.v_ripple_output == pytest.approx(0.01 * 19)
    noted = {n.subject for n in spec.notes}
    assert {"limits.v_ripple_input_mv", "limits.v_ripple_output_mv"} <= noted


def test_no_transient_range_means_the_continuous_one() -> None:
    spec = cabinet(
        ("v_transient_min_v = 14.4\n", ""),
        ("v_transient_max_v = 33.6\n", ""),
        ("time_transient_s = 1\n", ""),
    )
    source = spec.source
    assert (source.v_transient_min, source.v_transient_max) == (source.v_min, source.v_max)
    assert source.time_transient == 0.0
    assert summary(spec) == "16.8–30 V to 19 V, 6.5 A"


def test_topologies_without_a_record_are_named() -> None:
    start, end = CABINET.index("[controllers.buck]"), CABINET.index("[limits]")
    text = CABINET[:start] + CABINET[end:]
    text = text.replace('topologies = ["four-switch", "buck", "boost"]\n', "")
    spec = parse_spec(text)
    assert spec.topologies == ("four-switch",)
    said = [n.text for n in spec.notes if n.subject == "topologies"]
    assert said == [
        "buck is not considered: it has no controller record",
        "boost is not considered: it has no controller record",
        "sepic is not considered: it has no controller record",
        "diode-buck is not considered: it has no controller record",
        "diode-boost is not considered: it has no controller record",
        "diode-sepic is not considered: it has no controller record",
    ]


def test_questions_a_rail_raises_are_listed() -> None:
    asked = {note.subject for note in cabinet().not_asked}
    assert {"load step", "start-up", "short circuit", "hot plug", "back-feed"} <= asked


def test_voltages_near_and_above_60_v_are_cautioned() -> None:
    near = [n.text for n in read_spec(ROOT / "runs/examples/cargo_bike.toml").notes]
    assert any("close to the 60 V" in text for text in near)
    above = cabinet(("v_transient_max_v = 33.6", "v_transient_max_v = 61"))
    assert any("outside the 60 V" in note.text for note in above.notes)


def test_force_forbid_and_groups() -> None:
    lines = (
        'same_part = [["input-high", "output-high"]]\n'
        'force = [{ part_number = "X1", position = "inductor" }, { part_number = "X2" }]\n'
        'forbid = ["X3"]\npart_numbers_max_pcs = 9\n'
    )
    choice = cabinet(("[choice]\n", "[choice]\n" + lines)).choice
    assert choice.same_part == (("input-high", "output-high"),)
    assert [(f.part_number, f.position) for f in choice.force] == [("X1", "inductor"), ("X2", None)]
    assert [f.pieces for f in choice.force] == [None, None]
    assert (choice.forbid, choice.part_numbers_max) == (("X3",), 9)


def test_a_forced_number_of_pieces() -> None:
    forced = '[[choice.force]]\npart_number = "X1"\nposition = "output-bank"\npieces_pcs = 3\n'
    spec = parse_spec(f"{CABINET}\n{forced}")
    assert [f.pieces for f in spec.choice.force] == [3]
    told = {key: text for key, text, _ in echo(spec)}
    assert told["choice.force"] == "3 x X1 at output-bank"
    for text, need in (
        (forced.replace("= 3", "= 90"), "choice.force[1].pieces_pcs: got 90 pieces at output-bank"),
        (
            forced.replace('position = "output-bank"\n', ""),
            "got 3 pieces at any position, need a position; name the position",
        ),
    ):
        with pytest.raises(InputError) as error:
            parse_spec(f"{CABINET}\n{text}")
        assert need in str(error.value)


def test_catalog_paths_are_relative_to_the_spec(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("part_number\n", "utf-8")
    text = 'catalogs = ["own.csv"]\n' + CABINET
    (tmp_path / "spec.toml").write_text(text, "utf-8")
    assert read_spec(tmp_path / "spec.toml").catalogs == ((tmp_path / "own.csv").resolve(),)


def test_a_policy_may_be_a_file_of_the_user(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('name = "mine"\n', "utf-8")
    text = CABINET.replace('derating = "commercial"', 'derating = "mine.toml"')
    (tmp_path / "spec.toml").write_text(text, "utf-8")
    assert read_spec(tmp_path / "spec.toml").derating_policy == {"name": "mine"}


def test_byte_order_mark_and_windows_lines(tmp_path: Path) -> None:
    path = tmp_path / "spec.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CABINET.replace("\n", "\r\n").encode())
    assert read_spec(path).load.i_output == 6.5


def test_the_echo_shows_every_field_in_both_units() -> None:
    rows = {key: (shown, held) for key, shown, held in echo(cabinet())}
    assert rows["board.resistance"] == ("1.5 mohm", "0.0015 ohm")
    assert rows["load.v_output_tolerance"] == ("2 %", "0.02")
    assert rows["controllers.four-switch.v_sense_min"] == ("45 mV", "0.045 V")
    assert rows["limits.height_max"] == ("14 mm", "0.014 m")
    for record, section in ((Source, "source"), (Board, "board"), (ChoiceRules, "choice")):
        assert {f"{section}.{f.name}" for f in fields(record)} <= rows.keys()


RECORDS = (
    (
        Source,
        tables.SOURCE,
        {"v_idle_max", "v_survive_max", "v_cold_min", "transients", "record"},
    ),
    (Load, tables.LOAD, {"demands", "surges", "record", "senses", "i_end_error_max", "sense_part"}),
    (Ambient, tables.AMBIENT, set()),
    (Board, tables.BOARD, set()),
    (Controller, tables.CONTROLLER, {"topology", "window"}),
    (Floor, tables.FLOOR, set()),
    (Faults, tables.FAULTS, set()),
    (SetPoints, tables.SET_POINTS, {"dimming", "current"}),
    (DimmingInput, DIMMING_INPUT, set()),
    (CurrentLoop, CURRENT_LOOP, set()),
    (Loop, tables.LOOP, set()),
    (Life, tables.LIFE, set()),
    (Purchase, tables.PURCHASE, {"exchange_rates"}),
    (ExchangeRate, tables.EXCHANGE_RATE, set()),
    (MissionRow, tables.MISSION_ROW, set()),
    (ChoiceRules, tables.CHOICE, {"force", "same_part"}),
    (Limits, tables.LIMITS, {"temp_max", "floors"}),
)


@pytest.mark.parametrize(
    ("record", "keys", "inner"), RECORDS, ids=[record[0].__name__ for record in RECORDS]
)
def test_tables_and_records_hold_the_same_names(
    record: type, keys: tuple[tables.Key, ...], inner: set[str]
) -> None:
    named = {key.name for key in keys if not key.name.startswith("temp_") or record is not Limits}
    assert named | inner == {field.name for field in fields(record)}


@settings(max_examples=100, deadline=None)
@given(value=st.floats(14.4, 16.8), digits=st.integers(1, 6))
def test_a_written_voltage_is_read_as_written(value: float, digits: int) -> None:
    written = max(14.4, min(16.8, round(value, digits)))
    assert cabinet(("v_min_v = 16.8", f"v_min_v = {written}")).source.v_min == written


def outcome(text: str) -> tuple[Spec | None, tuple[Problem, ...]]:
    """The spec, or the problems; anything else that is raised fails the test."""
    try:
        return parse_spec(text, path="x.toml"), ()
    except InputError as error:
        return None, error.problems


@settings(max_examples=200, deadline=None)
@given(cut=st.integers(0, len(CABINET)), junk=st.text("=[]{}\"'#,.-\n 0aé", max_size=6))
def test_any_damage_is_an_input_error_or_a_spec(cut: int, junk: str) -> None:
    text = CABINET[:cut] + junk + CABINET[cut + len(junk) :]
    spec, problems = outcome(text)
    assert (spec is None) == bool(problems)
    last = text.count("\n") + 1
    assert all(1 <= int(p.place.rsplit(":", 1)[1]) <= last for p in problems)


JUNK = (
    "3",
    '"x"',
    "[]",
    "{}",
    "true",
    "1979-05-27",
    "[[1]]",
    "[{}]",
    "-inf",
    "1" + "0" * 400,
    '"\\u0000"',
)


@pytest.mark.parametrize("junk", JUNK, ids=range(len(JUNK)))
def test_every_value_may_be_junk(junk: str) -> None:
    lines = HUT.splitlines()
    for number, line in enumerate(lines):
        if " = " in line and not line.startswith("#"):
            damaged = [*lines[:number], f"{line.split(' = ')[0]} = {junk}", *lines[number + 1 :]]
            spec, problems = outcome("\n".join(damaged))
            assert (spec is None) == bool(problems)
            here = f"x.toml:{number + 1}"
            assert junk == "3" or len(problems) != 1 or problems[0].place == here


@pytest.mark.parametrize("junk", JUNK, ids=range(len(JUNK)))
def test_every_section_may_be_junk(junk: str) -> None:
    data = tomllib.loads(HUT)
    for name in tables.SECTIONS:
        kept = [part for part in re.split(r"\n(?=\[)", HUT) if not re.match(rf"\[+{name}\b", part)]
        assert name not in tomllib.loads("\n".join(kept)) or name not in data
        spec, problems = outcome(f"{name} = {junk}\n" + "\n".join(kept))
        assert (spec is None) == bool(problems)
        assert junk == "{}" or any(p.name.startswith(name) for p in problems)


def test_lines_of_nested_keys() -> None:
    text = "a = 1\n\n[b]\nc = [\n  { d = 1 }, { d = 2 },\n  { d = 3 },\n]\n"
    text += "[[e.f]]\ng = 1\n[[e.f]]\ng = 2\n"
    tomllib.loads(text)
    lines = Lines(text)
    assert [lines.line(("b", "c", item, "d")) for item in range(3)] == [5, 5, 6]
    assert lines.line(("e", "f", 1, "g")) == 11
    assert lines.line(("e", "f", 0, "absent")) == 8
    assert lines.line(("nowhere",)) == 1


@pytest.mark.parametrize(
    ("value", "family", "shown", "held"),
    [
        (0.0, "voltage", "0 V", "0 V"),
        (33.6, "voltage", "33.6 V", "33.6 V"),
        (1.2e-7, "time", "120 ns", "1.2e-07 s"),
        (math.inf, "area", "none", "none"),
        ((2e5, 3e5), "frequency", "200 kHz, 300 kHz", "200000 Hz, 300000 Hz"),
        (True, "flag", "yes", "yes"),
    ],
)
def test_values_as_shown_and_as_held(value: object, family: str, shown: str, held: str) -> None:
    assert (trade(value, family), si(value, family)) == (shown, held)


def test_pads_name_land_patterns_of_the_shipped_catalogs() -> None:
    pads = read_pads(ROOT / "optimizer" / "policies" / "pads.toml")
    text = (ROOT / "catalogs" / "mosfets.csv").read_text("utf-8")
    assert pads.rth
    assert all(f",{name}," in text for name in pads.rth)
    assert pads.rth_pad("power-3x3") == 15.0
    assert pads.rth_pad("something else") == pads.rth_default == 8.0
