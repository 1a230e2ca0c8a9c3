"""Derating rules, the two shipped policies, and every way a policy can be wrong."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import derating

HERE = Path(derating.__file__).parent / "policies"


def policy(name: str) -> dict[str, Any]:
    return tomllib.loads((HERE / f"derating_{name}.toml").read_text("utf-8"))


COMMERCIAL, STANDARD = policy("commercial"), policy("mil_std_975m")


def test_shipped_policies_answer_everything_and_name_their_sources() -> None:
    assert derating.problems(COMMERCIAL) == []
    assert derating.problems(STANDARD) == []


def test_what_the_standard_lacks_is_the_commercial_value_and_marked() -> None:
    commercial = dict(derating.entries(COMMERCIAL))
    borrowed = {n: e for n, e in derating.entries(STANDARD) if not e.get("in_standard", True)}
    assert borrowed
    for name, entry in borrowed.items():
        assert "not in the standard" in entry["source"]
        values = {k: v for k, v in entry.items() if k not in ("source", "in_standard")}
        assert values == {k: v for k, v in commercial[name].items() if k != "source"}


def test_the_standard_marks_its_values_as_second_hand() -> None:
    own = [e for _, e in derating.entries(STANDARD) if e.get("in_standard", True)]
    assert own
    assert all("second-hand" in entry["source"] for entry in own)


def test_transient_share_applies_by_lane() -> None:
    one = derating.rule(COMMERCIAL, "mosfet", "voltage")
    found = derating.allowed(
        one, rating=np.array([[60.0], [100.0]]), transient=np.array([False, True])
    )
    assert found == pytest.approx(np.array([[48.0, 54.0], [80.0, 90.0]]))


def test_a_transient_share_defaults_to_the_continuous_one() -> None:
    one = derating.rule(COMMERCIAL, "capacitor", "voltage", technology="ceramic-2")
    found = derating.allowed(one, rating=np.array(50.0), transient=np.array([False, True]))
    assert found.tolist() == [40.0, 40.0]


def test_share_one_gives_the_rating_back() -> None:
    loose = copy.deepcopy(COMMERCIAL)
    loose["mosfet"]["voltage"] |= {"continuous": 1.0, "transient": 1.0}
    one = derating.rule(loose, "mosfet", "voltage")
    assert float(derating.allowed(one, rating=np.array(60.0))) == 60.0


@pytest.mark.parametrize("path", sorted(HERE.glob("derating_*.toml")), ids=lambda p: p.stem)
def test_every_shipped_policy_is_whole_and_says_its_sources(path: Path) -> None:
    found = policy(path.stem.removeprefix("derating_"))
    assert derating.problems(found) == []
    text = path.read_text("utf-8")
    assert text.count("source =") >= text.count("[") - text.count("[[") - text.count("falls_c")


def test_margins_and_rises() -> None:
    junction = derating.rule(COMMERCIAL, "mosfet", "temp_junction")
    assert float(derating.allowed(junction, rating=np.array(150.0))) == 125.0
    rise = derating.rule(COMMERCIAL, "inductor", "temp_rise")
    assert derating.allowed(rise, rating=np.array([20.0, 60.0])).tolist() == [20.0, 40.0]


def test_technology_falls_back_to_its_kind() -> None:
    own = derating.rule(COMMERCIAL, "capacitor", "ripple_current", technology="polymer")
    assert own == derating.rule(COMMERCIAL, "capacitor", "ripple_current")
    with pytest.raises(KeyError, match=r"capacitor\.paper\.voltage"):
        derating.rule(COMMERCIAL, "capacitor", "voltage", technology="paper")


def test_missing_rating_stays_missing() -> None:
    one = derating.rule(COMMERCIAL, "mosfet", "voltage")
    assert np.isnan(derating.allowed(one, rating=np.array(np.nan)))


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("mosfet", None, "mosfet.voltage: got no rule"),
        ("capacitor.tantalum", None, "capacitor.tantalum.voltage: got no rule"),
        ("mosfet.voltage.continuous", 80, "need a share above 0 and up to 1"),
        ("mosfet.voltage.continuous", "0.8", "need a share above 0 and up to 1"),
        ("mosfet.voltage.share", 0.8, "unknown key"),
        ("mosfet.voltage.margin_k", 5.0, "need exactly one of"),
        ("mosfet.temp_junction.margin_k", "25", "need a number"),
        ("resistor.power.source", None, "got no source"),
    ],
)
def test_damaged_policy_is_named(path: str, value: Any, told: str) -> None:
    broken = copy.deepcopy(COMMERCIAL)
    *parents, last = path.split(".")
    table = broken
    for name in parents:
        table = table[name]
    if value is None:
        del table[last]
    else:
        table[last] = value
    assert any(told in line for line in derating.problems(broken))


@pytest.mark.parametrize(
    "falls", [[[110.0, 0.3], [70.0, 0.5]], [[70.0, 50.0]], [[70.0]], [70.0, 0.5]]
)
def test_damaged_falling_share_is_named(falls: Any) -> None:
    broken = copy.deepcopy(STANDARD)
    broken["capacitor"]["tantalum"]["voltage"]["falls_c"] = falls
    assert any("falls_c" in line for line in derating.problems(broken))
