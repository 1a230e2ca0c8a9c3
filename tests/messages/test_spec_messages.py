"""What a malformed spec is told: the place, what came, what is needed, and the remedy.

Lines are found here by searching the damaged text for the damage itself, not by the reader.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from optimizer.errors import InputError, Problem
from optimizer.spec import parse_spec, read_spec

BASE = """\
name = "bench supply"
topologies = ["four-switch"]

[source]
v_min_v = 9
v_nominal_v = 24
v_max_v = 36
v_transient_max_v = 40
time_transient_ms = 400

[load]
kind = "rail"
v_output_v = 19
v_output_tolerance_pct = 2
i_output_a = 4

[ambient]
temp_cold_c = -20
temp_nominal_c = 25
temp_hot_c = 60

[board]
resistance_mohm = 1.5

[controllers.four-switch]
frequencies_khz = [200, 300]
frequency_tolerance_pct = 8
v_drive_min_v = 6.8
v_drive_typ_v = 7.2
v_drive_max_v = 7.6
r_driver_source_ohm = 2
r_driver_sink_ohm = 1
time_dead_on_ns = 30
time_dead_off_ns = 30
time_on_min_ns = 120
time_off_min_ns = 150
v_sense_min_mv = 45
v_sense_typ_mv = 50
v_sense_max_mv = 55
time_sense_delay_max_ns = 100
v_overvoltage_min_v = 20.5
v_overvoltage_typ_v = 21.5
v_overvoltage_max_v = 22.5
i_quiescent_ma = 2.5
i_drive_limit_ma = 90
loss_drive_limit_w = 1.2
cost_each = 3.1
v_input_abs_max_v = 62

[controllers.four-switch.window]
ratio_low_pct = 90
ratio_high_pct = 118
ratio_tolerance_pct = 2
law = "output duty"
duty_pct = 20
pulse = "start"
frequency_share_pct = 100

[limits]
v_ripple_output_mv = 150
height_max_mm = 12

[[limits.floors]]
name = "nominal"
v_input_v = 24
efficiency_pct = 94

[policy]
derating = "commercial"

[purchase]
boards_pcs = 1000
placement_each = 0.02
line_item_each = 60

[mission]
inputs = [
    { v_input_v = 12, share_pct = 30 },
    { v_input_v = 24, share_pct = 70 },
]
loads = [{ load_share_pct = 100, share_pct = 100 }]

[choice]
same_part = [["input-high", "output-high"]]
transistors_parallel_max_pcs = 2
"""


@dataclass(frozen=True)
class Damage:
    """`old` becomes `new`; the problem must stand at the line that holds `at`."""

    old: str
    new: str
    at: str
    name: str
    got: str
    need: str
    fix: str


DAMAGES = {
    "unknown section": Damage(
        "[board]",
        "[bord]",
        "[bord]",
        "bord",
        "an unknown key",
        "a key of the spec",
        "did you mean board?",
    ),
    "unknown key": Damage(
        "height_max_mm = 12",
        "heigth_max_mm = 12",
        "heigth",
        "limits.heigth_max_mm",
        "an unknown key",
        "a key of [limits]",
        "did you mean height_max_mm?",
    ),
    "misspelt required key, one problem only": Damage(
        "boards_pcs = 1000",
        "bords_pcs = 1000",
        "bords_pcs",
        "purchase.bords_pcs",
        "an unknown key",
        "a key of [purchase]",
        "did you mean boards_pcs?",
    ),
    "more life than can be asked": Damage(
        "[policy]",
        "[life]\nyears = 100\n[policy]",
        "years = 100",
        "life.years",
        "100",
        "0 to 60",
        "correct the value",
    ),
    "life in hours": Damage(
        "[policy]",
        "[life]\nlife_min_h = 50000\n[policy]",
        "life_min_h",
        "life.life_min_h",
        "an unknown key",
        "a key of [life]",
        "remove it",
    ),
    "foreign key": Damage(
        'kind = "rail"',
        'kind = "rail"\nzzz = 1',
        "zzz",
        "load.zzz",
        "an unknown key",
        "a key of [load]",
        "remove it",
    ),
    "key without its unit": Damage(
        "v_min_v = 9",
        "v_min = 9",
        "v_min = 9",
        "source.v_min",
        "a key without a unit",
        "the unit in the key: v_min_v or v_min_mv",
        "write v_min_v",
    ),
    "unit of another quantity": Damage(
        "i_output_a = 4",
        "i_output_w = 4",
        "i_output_w",
        "load.i_output_w",
        "the unit 'w'",
        "a unit of current: a or ma or ua",
        "write i_output_a",
    ),
    "key in two units": Damage(
        "v_min_v = 9",
        "v_min_v = 9\nv_min_mv = 9000",
        "v_min_mv",
        "source.v_min_mv",
        "v_min_mv beside v_min_v",
        "one of them",
        "remove one",
    ),
    "missing key": Damage(
        "i_output_a = 4\n",
        "",
        "[load]",
        "load.i_output_a",
        "nothing",
        "20 mA to 100 A",
        "add i_output_a to [load]",
    ),
    "missing section": Damage(
        "[purchase]\nboards_pcs = 1000\nplacement_each = 0.02\nline_item_each = 60\n",
        "",
        'name = "bench supply"',
        "purchase",
        "nothing",
        "a section [purchase]",
        "add it",
    ),
    "number in quotes": Damage(
        "v_max_v = 36",
        'v_max_v = "36 V"',
        "v_max_v",
        "source.v_max_v",
        "text '36 V'",
        "a number, 2 V to 150 V",
        "write it without quotes and unit",
    ),
    "truth for a number": Damage(
        "v_max_v = 36",
        "v_max_v = true",
        "v_max_v",
        "source.v_max_v",
        "true",
        "a number",
        "",
    ),
    "not a number": Damage(
        "v_max_v = 36",
        "v_max_v = nan",
        "v_max_v",
        "source.v_max_v",
        "nan",
        "a finite number",
        "write the number",
    ),
    "number for a text": Damage(
        'kind = "rail"',
        "kind = 3",
        "kind = 3",
        "load.kind",
        "the number 3",
        "one of rail",
        "write it in quotes",
    ),
    "section for a number": Damage(
        "cost_each = 3.1",
        "cost_each = { a = 1 }",
        "cost_each",
        "controllers.four-switch.cost_each",
        "a section",
        "a number, 0 each to 1000 each",
        "",
    ),
    "ohm for milliohm": Damage(
        "resistance_mohm = 1.5",
        "resistance_ohm = 1.5",
        "resistance_ohm",
        "board.resistance_ohm",
        "1.5 ohm",
        "0 ohm to 100 mohm",
        "did you mean 1.5 mohm? then write resistance_mohm = 1.5",
    ),
    "millivolt for volt": Damage(
        "v_output_v = 19",
        "v_output_mv = 19",
        "v_output_mv",
        "load.v_output_mv",
        "19 mV",
        "500 mV to 150 V",
        "did you mean 19 V? then write v_output_v = 19",
    ),
    "hertz for kilohertz": Damage(
        "[200, 300]",
        "[200000, 300]",
        "200000",
        "controllers.four-switch.frequencies_khz",
        "200000 kHz",
        "20 kHz to 3 MHz",
        "did you mean 200000 Hz? then write frequencies_hz = 200000",
    ),
    "share as a fraction": Damage(
        "efficiency_pct = 94",
        "efficiency_pct = 0.94",
        "efficiency_pct",
        "limits.floors[1].efficiency_pct",
        "0.94 %",
        "30 % to 100 %",
        "shares are written in percent: did you mean 94 %?",
    ),
    "negative price": Damage(
        "placement_each = 0.02",
        "placement_each = -0.02",
        "placement_each",
        "purchase.placement_each",
        "-0.02 each",
        "0 each to 10 each",
        "correct the value or its unit",
    ),
    "no boards": Damage(
        "boards_pcs = 1000",
        "boards_pcs = 0",
        "boards_pcs",
        "purchase.boards_pcs",
        "0 pieces",
        "1 pieces to",
        "correct the value or its unit",
    ),
    "half a board": Damage(
        "boards_pcs = 1000",
        "boards_pcs = 10.5",
        "boards_pcs",
        "purchase.boards_pcs",
        "10.5",
        "a whole number",
        "",
    ),
    "floor of all": Damage(
        "efficiency_pct = 94",
        "efficiency_pct = 100",
        "efficiency_pct",
        "limits.floors[1].efficiency_pct",
        "100 %",
        "less than 100 %",
        "no stage loses nothing: lower the floor",
    ),
    "floor above all": Damage(
        "efficiency_pct = 94",
        "efficiency_pct = 104",
        "efficiency_pct",
        "limits.floors[1].efficiency_pct",
        "104 %",
        "30 % to 100 %",
        "correct the value or its unit",
    ),
    "minimum above nominal": Damage(
        "v_min_v = 9",
        "v_min_v = 25",
        "v_min_v",
        "source.v_min_v",
        "25 V above v_nominal = 24 V",
        "v_min <= v_nominal",
        "correct one of the two",
    ),
    "transient inside continuous": Damage(
        "v_transient_max_v = 40",
        "v_transient_max_v = 30",
        "v_max_v = 36",
        "source.v_max_v",
        "36 V above v_transient_max = 30 V",
        "v_max <= v_transient_max",
        "correct one of the two",
    ),
    "cold above hot": Damage(
        "temp_hot_c = 60",
        "temp_hot_c = 20",
        "temp_nominal_c",
        "ambient.temp_nominal_c",
        "25 degC above temp_hot = 20 degC",
        "temp_nominal <= temp_hot",
        "correct one of the two",
    ),
    "threshold order": Damage(
        "v_sense_min_mv = 45",
        "v_sense_min_mv = 52",
        "v_sense_min_mv",
        "controllers.four-switch.v_sense_min_mv",
        "52 mV above v_sense_typ = 50 mV",
        "v_sense_min <= v_sense_typ",
        "correct one of the two",
    ),
    "over-voltage limit below the output": Damage(
        "v_overvoltage_min_v = 20.5",
        "v_overvoltage_min_v = 19.2",
        "v_overvoltage_min_v",
        "controllers.four-switch.v_overvoltage_min_v",
        "an over-voltage limit of 19.2 V",
        "more than the highest output 19.38 V",
        "raise the over-voltage limit",
    ),
    "controller dies at the input": Damage(
        "v_input_abs_max_v = 62",
        "v_input_abs_max_v = 38",
        "v_input_abs_max_v",
        "controllers.four-switch.v_input_abs_max_v",
        "38 V below the highest input 40 V",
        "a controller that stands every input",
        "take another controller",
    ),
    "times exceed the period": Damage(
        "[200, 300]\nfrequency_tolerance_pct = 8",
        "[200, 2900]\nfrequency_tolerance_pct = 30",
        "frequencies_khz",
        "controllers.four-switch.frequencies_khz",
        "2.9 MHz, at its tolerance a period of 265.2",
        "more than time_on_min + time_off_min = 270 ns",
        "remove this and the higher frequencies",
    ),
    "no frequency": Damage(
        "[200, 300]",
        "[]",
        "frequencies_khz",
        "controllers.four-switch.frequencies_khz",
        "an empty list",
        "at least one frequency",
        "write for example",
    ),
    "frequency twice": Damage(
        "[200, 300]",
        "[300, 300]",
        "frequencies_khz",
        "controllers.four-switch.frequencies_khz",
        "a frequency twice",
        "each once",
        "remove one",
    ),
    "one frequency without a list": Damage(
        "[200, 300]",
        "300",
        "frequencies_khz",
        "controllers.four-switch.frequencies_khz",
        "the number 300",
        "a list",
        "write [300]",
    ),
    "window edges crossed": Damage(
        "ratio_low_pct = 90",
        "ratio_low_pct = 120",
        "ratio_low_pct",
        "controllers.four-switch.window.ratio_low_pct",
        "120 %",
        "40 % to 100 %",
        "correct the value or its unit",
    ),
    "no duty left in the window": Damage(
        "duty_pct = 20",
        "duty_pct = 10",
        "ratio_low_pct",
        "controllers.four-switch.window.ratio_low_pct",
        "90 % with output duty at 10 %",
        "a ratio of more than 0.9",
        "move the edge or change duty_pct",
    ),
    "third of a frequency": Damage(
        "frequency_share_pct = 100",
        "frequency_share_pct = 70",
        "frequency_share_pct",
        "controllers.four-switch.window.frequency_share_pct",
        "70 %",
        "100 (each leg",
        "",
    ),
    "window law missing": Damage(
        BASE[BASE.index("[controllers.four-switch.window]") : BASE.index("[limits]")],
        "",
        "[controllers.four-switch]",
        "controllers.four-switch.window",
        "nothing",
        "the law of the region where both half bridges switch",
        "add [controllers.four-switch.window]",
    ),
    "unknown law": Damage(
        'law = "output duty"',
        'law = "output dty"',
        "law =",
        "controllers.four-switch.window.law",
        "'output dty'",
        "one of output duty, input duty",
        "did you mean 'output duty'?",
    ),
    "unknown topology": Damage(
        'topologies = ["four-switch"]',
        'topologies = ["four-swich"]',
        "topologies",
        "topologies",
        "'four-swich'",
        "any of four-switch, buck, boost",
        "did you mean 'four-switch'?",
    ),
    "topology without a record": Damage(
        'topologies = ["four-switch"]',
        'topologies = ["boost"]',
        "topologies",
        "topologies",
        "'boost' without a controller record",
        "a section [controllers.boost]",
        "add the record",
    ),
    "no topology": Damage(
        'topologies = ["four-switch"]',
        "topologies = []",
        "topologies",
        "topologies",
        "an empty list",
        "at least one topology",
        "remove the key",
    ),
    "record of an unknown topology": Damage(
        "[limits]\n",
        "[controllers.bost]\ncost_each = 1\n\n[limits]\n",
        "[controllers.bost]",
        "controllers.bost",
        "the topology 'bost'",
        "one of four-switch, buck, boost",
        "did you mean boost?",
    ),
    "unknown derating policy": Damage(
        'derating = "commercial"',
        'derating = "comercial"',
        "derating",
        "policy.derating",
        "'comercial'",
        "one of commercial, ecss-q-st-30-11c, ipc-9592, mil-std-975m",
        "did you mean commercial?",
    ),
    "catalogs that are not there": Damage(
        "topologies =",
        'catalogs = ["nowhere/parts.csv"]\ntopologies =',
        "catalogs",
        "catalogs",
        "'nowhere/parts.csv', which does not exist",
        "a CSV file or a folder",
        "paths are relative",
    ),
    "mission shares": Damage(
        "{ v_input_v = 24, share_pct = 70 }",
        "{ v_input_v = 24, share_pct = 60 }",
        "inputs = [",
        "mission.inputs",
        "time shares adding up to 90 %",
        "100 % within 0.1 %",
        "add 10 %",
    ),
    "mission input outside the source": Damage(
        "{ v_input_v = 24, share_pct = 70 }",
        "{ v_input_v = 48, share_pct = 70 }",
        "v_input_v = 48",
        "mission.inputs[2].v_input_v",
        "48 V",
        "an input of the source, 9 V to 40 V",
        "widen [source]",
    ),
    "mission in halves": Damage(
        "loads = [{ load_share_pct = 100, share_pct = 100 }]",
        "",
        "[mission]",
        "mission",
        "part of a product",
        "mission.loads beside the others",
        "add [[mission.loads]]",
    ),
    "rows beside products": Damage(
        "loads = [{",
        "rows = [{ v_input_v = 24, load_share_pct = 50, share_pct = 100 }]\nloads = [{",
        "inputs = [",
        "mission.inputs",
        "mission.inputs beside mission.rows",
        "rows or products, not both",
        "remove one",
    ),
    "floor outside the source": Damage(
        "v_input_v = 24\nefficiency",
        "v_input_v = 5\nefficiency",
        "v_input_v = 5",
        "limits.floors[1].v_input_v",
        "5 V",
        "an input of the source",
        "widen [source]",
    ),
    "floor names twice": Damage(
        "[policy]",
        '[[limits.floors]]\nname = "nominal"\nv_input_v = 12\nefficiency_pct = 90\n\n[policy]',
        "SECOND nominal",
        "limits.floors[2].name",
        "'nominal' twice",
        "names that differ",
        "rename one",
    ),
    "unknown position": Damage(
        '"output-high"]]',
        '"output-hi"]]',
        "same_part",
        "choice.same_part",
        "'output-hi'",
        "one of input-high, input-low, output-low, output-high",
        "did you mean output-high?",
    ),
    "group of one": Damage(
        '[["input-high", "output-high"]]',
        '[["input-high"]]',
        "same_part",
        "choice.same_part",
        "the group ['input-high']",
        "two or more different positions",
        "",
    ),
    "forced and forbidden": Damage(
        "same_part =",
        'forbid = ["X1"]\nforce = [{ part_number = "X1" }]\nsame_part =',
        "force =",
        "choice.force[1]",
        "'X1' forced and also forbidden or banned",
        "one of the two",
        "remove it",
    ),
    "approved and banned": Damage(
        "boards_pcs = 1000",
        'boards_pcs = 1000\napproved = ["M1"]\nbanned = ["M1"]',
        "banned =",
        "purchase.banned",
        "'M1' approved and banned",
        "one of the two",
        "remove one",
    ),
    "rate without a date": Damage(
        "[mission]",
        '[[purchase.exchange_rates]]\ncurrency = "USD"\nrate_each = 0.9\ndate = "May"\n\n[mission]',
        "date =",
        "purchase.exchange_rates[1].date",
        "'May'",
        "a date, YYYY-MM-DD",
        "",
    ),
    "decimal comma": Damage(
        "v_min_v = 9",
        "v_min_v = 9,5",
        "v_min_v = 9,5",
        "",
        "'v_min_v = 9,5'",
        "valid TOML",
        "write a decimal point instead of the comma",
    ),
    "unit in the value": Damage(
        "v_min_v = 9",
        "v_min_v = 9V",
        "v_min_v = 9V",
        "",
        "'v_min_v = 9V'",
        "valid TOML",
        "write the number alone; its unit is in the key",
    ),
    "key twice": Damage(
        "v_min_v = 9\n",
        "v_min_v = 9\nv_min_v = 9.5\n",
        "v_min_v = 9.5",
        "",
        "'v_min_v = 9.5'",
        "valid TOML (Cannot overwrite a value",
        "correct the line",
    ),
}


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        parse_spec(text, path="spec.toml")
    return caught.value.problems


def line_of(text: str, at: str) -> int:
    lines = text.splitlines()
    if at.startswith("SECOND "):
        wanted = at.removeprefix("SECOND ")
        return [n for n, line in enumerate(lines, 1) if wanted in line and "name" in line][1]
    return next(number for number, line in enumerate(lines, 1) if at in line)


@pytest.mark.parametrize("case", DAMAGES)
def test_one_damage_is_one_problem_with_its_place_and_remedy(case: str) -> None:
    damage = DAMAGES[case]
    assert BASE.count(damage.old) >= 1
    text = BASE.replace(damage.old, damage.new, 1)
    problems = problems_of(text)
    assert len(problems) == 1, "\n".join(map(str, problems))
    problem = problems[0]
    assert problem.place == f"spec.toml:{line_of(text, damage.at)}"
    assert problem.name == damage.name
    assert damage.got in problem.got
    assert damage.need in problem.need
    assert damage.fix in problem.fix


def test_the_base_itself_is_read() -> None:
    assert parse_spec(BASE).load.v_output == 19.0


def test_bounds_themselves_are_allowed() -> None:
    text = BASE.replace("temp_cold_c = -20", "temp_cold_c = -60")
    text = text.replace("temp_hot_c = 60", "temp_hot_c = 130")
    ambient = parse_spec(text).ambient
    assert (ambient.temp_cold, ambient.temp_hot) == (-60.0, 130.0)


def test_an_infinite_limit_may_be_left_out() -> None:
    text = BASE.replace(
        "v_ripple_output_mv = 150", "v_ripple_output_mv = 150\nrise_hottest_k = inf"
    )
    assert problems_of(text)[0].fix == "remove the key for no limit"


def test_all_problems_come_at_once_in_the_order_of_the_file() -> None:
    text = BASE.replace("v_min_v = 9", "v_min_v = 900").replace(
        "boards_pcs = 1000", "boards_pcs = 0"
    )
    text = text.replace("heig", "hieg").replace('law = "output duty"', "law = 1")
    problems = problems_of(text)
    assert [p.name for p in problems] == [
        "source.v_min_v",
        "controllers.four-switch.window.law",
        "limits.hieght_max_mm",
        "purchase.boards_pcs",
    ]


def test_the_whole_sentence() -> None:
    text = BASE.replace("resistance_mohm = 1.5", "resistance_ohm = 1.5")
    assert str(problems_of(text)[0]) == (
        "spec.toml:23 board.resistance_ohm: got 1.5 ohm, need 0 ohm to 100 mohm;"
        " did you mean 1.5 mohm? then write resistance_mohm = 1.5"
    )


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00name", b""])
def test_a_file_that_cannot_be_read(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "spec.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_spec(path)
    assert all(problem.place.startswith(str(path)) for problem in caught.value.problems)
    needs = {p.need for p in caught.value.problems}
    assert needs >= ({"a section [source]"} if content == b"" else {"a spec file in TOML"})
