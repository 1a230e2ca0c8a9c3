"""Supplies, batteries, lamps and failure rates against published values; `supplies.toml` names the
sources, most of them second-hand or from memory."""

from __future__ import annotations

import tomllib
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer import set_points, sources, spec
from optimizer.conclude_faults import V_TOUCH
from optimizer.report.cautions import V_EXTRA_LOW

DATA = tomllib.loads((Path(__file__).parent / "supplies.toml").read_text("utf-8"))
BUSES = tomllib.loads((spec.POLICIES / "buses.toml").read_text("utf-8"))


def named(check: dict[str, Any]) -> str:
    return str(check["name"])


@pytest.mark.parametrize("check", DATA["value"], ids=named)
def test_published_value(check: dict[str, Any]) -> None:
    assert check["source"], "every expected value needs a source"
    module, function = check["function"].split(".")
    inputs = {k: x if isinstance(x, str) else float(x) for k, x in check["inputs"].items()}
    found = getattr(import_module(f"optimizer.{module}"), function)(**inputs)
    assert float(np.squeeze(found)) == pytest.approx(check["expected"], rel=check["tolerance"])


@pytest.mark.parametrize("check", DATA["bus"], ids=named)
def test_preset_of_a_vehicle(check: dict[str, Any]) -> None:
    """The value, and that the preset says itself how well its source is known."""
    bus = BUSES[check["system"]]
    if "code" in check:
        assert bus["codes_v"][check["code"]] == check["expected"]
        assert bus["codes_origin"].endswith(check["known"])
        return
    (event,) = [one for one in bus["transients"] if one["name"] == check["event"]]
    assert event["v_input_v"] == check["expected"]
    assert check.get("time_s", event["time_s"]) == event["time_s"]
    assert event["origin"].endswith(check["known"])


@pytest.mark.parametrize("check", DATA["series"], ids=named)
def test_preferred_values(check: dict[str, Any]) -> None:
    values = set_points.preferred(check["series"])
    decade = values[(values >= 1e3) & (values < 1e4)]
    scale = 1e2 if check["series"] in ("E12", "E24") else 1e1
    assert (decade / scale).round().astype(int).tolist() == check["expected"]


def test_weights_of_the_european_efficiency() -> None:
    given = DATA["weights"]
    assert [list(pair) for pair in sources.WEIGHTS_EURO] == given["expected"]
    found = sum(w * e for (_, w), e in zip(sources.WEIGHTS_EURO, given["efficiency"], strict=True))
    assert found == pytest.approx(given["weighted"], abs=5e-5)


def test_touch_limit_of_direct_voltage() -> None:
    assert V_TOUCH == V_EXTRA_LOW == DATA["touch"]["expected"]
