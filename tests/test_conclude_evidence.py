"""What detailed points keep: break points, curves, spread, and the words a mail gets."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.conclude_evidence import SAG, UNITS, break_points
from optimizer.points_sweep import INPUTS, curves, load_shares, sweep
from optimizer.report.cautions import STANDING
from optimizer.report.lists import sample_rows
from optimizer.report.mail import WIDTH, mail_text
from optimizer.report.names import lane_titles
from optimizer.results_evidence import spread
from optimizer.spec import read_spec
from tests.report.page_runs import EXAMPLES, example
from tests.sample_run import plain_run
from tests.use_specs import spec_of


@given(st.lists(st.floats(-10, 10), min_size=8, max_size=240))
def test_break_points_follow_the_samples(values: list[float]) -> None:
    """Straight lines between them stay within the sag and the rounding to units."""
    samples = np.array(values)
    ((unit, *pairs),) = break_points(samples[None, :])
    share, level = np.array(pairs[0::2]) / 1000, np.array(pairs[1::2]) * unit
    again = np.interp(np.arange(len(samples)) / len(samples), share, level)
    swing = float(np.ptp(samples))
    steepest = float(np.abs(np.diff(np.append(samples, samples[0]))).max()) * len(samples)
    slack = SAG * swing + unit + steepest * 0.0005 + 1e-9
    assert np.abs(again - samples).max() <= slack
    assert unit == pytest.approx((swing or 1.0) / UNITS, rel=1e-4)


def test_what_is_not_known_has_no_break_points() -> None:
    assert break_points(np.array([[1.0, np.nan]])) == [()]


@given(st.lists(st.floats(0, 100), min_size=1, max_size=200), st.integers(3, 60))
def test_spread_keeps_ends_and_no_more_than_asked(values: list[float], most: int) -> None:
    falling = sorted(values, reverse=True)
    chosen = spread(falling, [len(falling) // 2], most)
    assert chosen == sorted(set(chosen))
    assert {0, len(falling) - 1} <= set(chosen)
    assert len(chosen) <= max(most, 3)
    assert len(falling) > most or len(chosen) == len(falling)


def test_curves_hold_both_sides_of_every_region_boundary() -> None:
    spec = read_spec(EXAMPLES / "cabinet.toml")
    found = sweep(spec, "four-switch")
    full = np.array([curve.load == 1.0 for curve in found.curves])[found.curve]
    volts, region = found.lanes.v_input[full], found.lanes.region[full]
    assert volts.min() == spec.source.v_min
    assert volts.max() == spec.source.v_max
    assert (np.diff(volts) > 0).all()
    window = spec.controllers["four-switch"].window
    assert window is not None
    for ratio in (window.ratio_low, window.ratio_high):
        edge = ratio * spec.load.v_output
        near = np.isclose(volts, edge, rtol=1e-5)
        assert near.sum() == 2
        assert len(set(region[near].tolist())) == 2
    assert full.sum() >= INPUTS
    assert [curve.load for curve in found.curves] == load_shares(spec)
    assert not any(curve.name for curve in found.curves)
    assert not found.lanes.guaranteed.any()


def test_curves_of_a_charger_are_its_phases_by_name() -> None:
    """The mission's own phases; the usual ones where the mission is the sun's; lamps by current."""
    drone = {one.name: one for one in curves(read_spec(EXAMPLES / "survey_drone.toml"))}
    assert list(drone) == ["pre-charge", "constant current", "constant voltage"]
    assert drone["constant current"].v_output == 26.6
    assert drone["pre-charge"].load == pytest.approx(0.1)
    solar = read_spec(EXAMPLES / "frost_watch.toml")
    assert not any(row.phase for row in solar.mission)
    assert [one.name for one in curves(solar)] == ["bulk", "absorption", "float"]
    lamp = read_spec(EXAMPLES / "tunnel_lamp.toml")
    volts = [one.v_output for one in curves(lamp)]
    assert volts == sorted(volts, reverse=True)
    assert len(set(volts)) == len(volts) > 1


def test_every_phase_has_its_own_region_boundaries() -> None:
    spec = spec_of("lead-acid", "range")
    found = sweep(spec, "four-switch")
    for number, one in enumerate(found.curves):
        mine = found.curve == number
        assert set(found.lanes.v_output[mine].tolist()) == {one.v_output}
        volts, region = found.lanes.v_input[mine], found.lanes.region[mine]
        for at in np.flatnonzero(np.diff(region)):
            ratio = volts[at] / one.v_output
            assert min(abs(ratio - 0.9), abs(ratio - 1.18)) < 1e-4


def test_operating_points_have_names_of_their_own() -> None:
    lanes = example("cabinet")["points"][0]["verified"]["lanes"]
    titles = lane_titles(lanes)
    assert len(set(titles)) == len(titles)
    twice = [t for t in titles if t.startswith("minimum input 16.8 V, step-up (guaranteed, slow")]
    assert twice == [
        "minimum input 16.8 V, step-up (guaranteed, slow, 70 degC air)",
        "minimum input 16.8 V, step-up (guaranteed, slow, -25 degC air)",
    ]


def test_a_mail_says_the_verdict_what_fails_and_the_cautions() -> None:
    text = mail_text(plain_run())
    assert max(len(line) for line in text.splitlines()) <= WIDTH + 2
    assert "FAILS     inductor saturation" in text
    assert "a board may measure" in text
    flat = " ".join(text.split())
    assert all(caution in flat for caution in STANDING)
    assert "\n\n\n" not in text


def test_samples_of_several_points_are_ordered_once_for_the_largest_need() -> None:
    run = example("hut_link")
    points = [point for point in run["points"] if point["evidence"]]
    rows = {row["part_number"]: row for row in sample_rows(run, points[:4])}
    for point in points[:4]:
        for sample in point["evidence"]["samples"]:
            row = rows[sample["part_number"]]
            assert row["order_pcs"] >= sample["quantity"] >= sample["pieces"]
            assert str(point["number"]) in str(row["for_points"]).split()
    assert len(rows) < sum(len(point["evidence"]["samples"]) for point in points[:4])
