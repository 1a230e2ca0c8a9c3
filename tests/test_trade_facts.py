"""Facts of the trade that must come out of the physics: common practice, no source, all of them.

Where the invented catalogs differ from a fact the margin is explained beside the check. That a
four-switch stage loses clearly less than a SEPIC on the same wide-range job is in `test_uses`.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from optimizer import conclude, set_point_rules
from optimizer.archive import read_run
from optimizer.catalog import read_catalog
from optimizer.errors import InputError
from optimizer.records import REGION_WINDOW
from optimizer.results import FaultLine, Verified
from optimizer.spec import read_spec
from tests import test_use_runs, tiny
from tests.test_faults import GONE, HELD, STAIRS, judged
from tests.use_specs import data_of, spec_of

EXAMPLES = Path(__file__).parents[1] / "runs" / "examples"


@pytest.fixture(scope="module")
def cabinet() -> dict[str, Any]:
    """A four-switch stage of 124 W between 16.8 and 30 V, below and above its 19 V."""
    return read_run(EXAMPLES / "cabinet")


def detailed(run: dict[str, Any]) -> list[dict[str, Any]]:
    return [point for point in run["points"] if point["evidence"]]


def test_a_good_stage_passes_98_per_cent_at_its_best(cabinet: dict[str, Any]) -> None:
    """Every set of the front does somewhere; none is beyond belief."""
    best = [max(filter(None, p["evidence"]["sweep_efficiency"])) for p in detailed(cabinet)]
    assert 0.98 < min(best) < max(best) < 0.995


def test_at_about_half_power_the_hottest_part_is_some_20_kelvin_up(cabinet: dict[str, Any]) -> None:
    """The fact is 20 K at half power and mid input. The cheapest set is at 5 to 20 K at 60 % load:
    lower, since the expected set holds typical parts on a board of a few kelvin per watt, without
    the heat of a housing and of neighbours. Dearer sets lose half as much and are cooler.
    """
    rises = {}
    for point in detailed(cabinet):
        lanes, temps = point["verified"]["lanes"], point["verified"]["temps"]
        (half,) = [k for k, name in enumerate(lanes["name"]) if name == "24 V, 60 % load"]
        hottest = max(values[half] for values in temps.values() if values[half] is not None)
        rises[point["mark"] or point["number"]] = hottest - lanes["temp_ambient"][half]
    assert 5.0 < rises["cheapest"] < 20.0
    assert 2.0 < rises["least loss"] < rises["knee"] * 1.1 < rises["cheapest"]


def test_away_from_the_window_efficiency_is_higher(cabinet: dict[str, Any]) -> None:
    """Step-down, a window in which four switch, step-up: at both edges the window loses more."""
    shape = cabinet["shapes"]["four-switch"]
    volts, load, region = (shape[f"sweep_{name}"] for name in ("v_input", "load", "region"))
    regions = [r for v, at, r in sorted(zip(volts, load, region, strict=True)) if at == 1.0]
    assert regions == sorted(regions, reverse=True)
    assert len(set(regions)) == 3
    edges = [
        (k, k + 1)
        for k in range(len(volts) - 1)
        if load[k] == load[k + 1] == 1.0 and region[k] != region[k + 1]
    ]
    assert len(edges) == 2
    for point in detailed(cabinet):
        efficiency = point["evidence"]["sweep_efficiency"]
        for low, high in edges:
            inside = low if region[low] == REGION_WINDOW else high
            outside = low + high - inside
            assert efficiency[outside] > efficiency[inside] + 1e-3


# --- the current limited --------------------------------------------------------------------------

REGULATED = "output short at the regulated current"
USES = ("LED string", "lead-acid from a vehicle", "lithium from a solar module")


def verified_use(folder: Path, use: str, **faults: Any) -> Verified:
    """One set of the tiny job under a lamp or a battery."""
    sections = test_use_runs.USES[use] | ({"faults": faults} if faults else {})
    spec = read_spec(test_use_runs.written(folder, sections))
    one = tiny.board()
    return conclude.verify_board(spec, read_catalog(spec.catalogs), one)[0]


def line(verified: Verified, fault: str) -> FaultLine:
    (found,) = [one for one in verified.faults if one.fault == fault]
    return found


@pytest.mark.parametrize("use", USES)
def test_a_short_at_the_regulated_current_does_not_overheat(use: str, tmp_path: Path) -> None:
    """And with a pause or a folded frequency it stays in control at the shortest on-time too.

    When the short goes away it recovers: the limit covers full load, the coil's energy is stood.
    """
    plain = verified_use(tmp_path / "a", use)
    held = line(plain, REGULATED)
    assert held.verdict == "holds"
    assert held.text.startswith("2.5 A for ever")
    hot = re.search(r"(-?[\d.]+) degC of", held.text)
    beyond = re.search(r"(-?[\d.]+) degC of", line(plain, HELD).text)
    assert hot is not None
    assert beyond is None or float(hot[1]) < float(beyond[1])
    assert line(plain, STAIRS).verdict == "fails"
    for k, response in enumerate(("hiccup", "fold-back")):
        controlled = verified_use(tmp_path / str(k), use, short_response=response)
        assert line(controlled, STAIRS).verdict == "holds"
        gone = line(controlled, GONE)
        assert gone.verdict == "holds"
        assert gone.text.startswith("comes back by itself")


def test_the_current_limit_of_a_regulator_limits_its_short(tmp_path: Path) -> None:
    """55 mV over 4.7 mohm less 1 % of tolerance and of drift: the largest current it lets pass."""
    lines = judged(tmp_path)
    amps = float(re.search(r"largest limit ([\d.]+) A", lines[HELD].text)[1])  # type: ignore[index]
    assert amps == pytest.approx(55e-3 / 4.7e-3 / 0.98, rel=0.02)
    assert REGULATED not in lines


# --- lamps and batteries --------------------------------------------------------------------------


def test_the_divider_of_a_lamp_is_the_open_string_limit_and_of_a_rail_the_output() -> None:
    for kind, first in (("led-string", "open-string limit"), ("rail", "output voltage")):
        spec = spec_of(kind, "range")
        wishes = [one.name for one in set_point_rules.wishes(spec, spec.controllers["four-switch"])]
        assert wishes == [first, "over-voltage limit"]


def test_lead_acid_cells_charge_at_2_45_float_at_2_28_and_end_at_a_tenth() -> None:
    spec = spec_of("lead-acid", "range", ambient={"temp_nominal_c": 25})
    load = spec.load
    path = load.i_output * load.record.resistance_sense  # type: ignore[union-attr]
    assert load.v_output - path == pytest.approx(12 * 2.45)
    (floated,) = [one for one in load.demands if one.name == "float"]
    assert floated.v_output == pytest.approx(12 * 2.28)
    assert floated.i_output == pytest.approx(0.1 * load.i_output)
    (end,) = [note.text for note in spec.notes if note.subject == "end of charge"]
    assert "charging ends at 500 mA" in end
    asked = {note.subject: note.text for note in spec.not_asked}
    assert "a load in float brings charging back" in asked["load on the battery"]


@pytest.mark.parametrize(("cells", "close"), [(12, False), (24, True)])
def test_long_stacks_need_a_stage_of_the_60_volt_class(cells: int, close: bool) -> None:
    """24 cells of 2.45 V: 58.8 V, and more in the cold; 12 stay far below."""
    record = data_of("lead-acid", "range")["controllers"]["four-switch"]
    limit = {
        f"v_overvoltage_{end}_v": 2.9 * cells + k for k, end in enumerate(("min", "typ", "max"))
    }
    spec = spec_of(
        "lead-acid", "range", load={"cells_pcs": cells}, controllers={"four-switch": record | limit}
    )
    assert (spec.load.v_highest > 54.0) == close
    assert any(n.kind == "caution" and n.subject == "voltage" for n in spec.notes) == close


@pytest.mark.parametrize(("kilohertz", "holds"), [(400, True), (34, True), (33, False)])
def test_pulses_of_1_per_cent_at_100_hertz_hold_several_cycles(kilohertz: int, holds: bool) -> None:
    """100 us hold 40 cycles of 400 kHz; three, a tenth of tolerance included, to 33.3 kHz."""
    record = data_of("led-string", "range")["controllers"]["four-switch"]
    record |= {"frequencies_khz": [kilohertz], "frequency_tolerance_pct": 10}
    load = {"dimming": {"pwm_frequency_hz": 100, "pwm_ratio": 100}}
    changes = {"load": load, "controllers": {"four-switch": record}}
    if holds:
        assert spec_of("led-string", "range", **changes).load.i_output == 2.0
        return
    with pytest.raises(InputError, match="3 cycles"):
        spec_of("led-string", "range", **changes)
