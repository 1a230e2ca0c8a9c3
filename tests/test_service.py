"""Loop and life: published values, averaged models, cycle-by-cycle steps, a set through verify."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer import conclude, conclude_detail, conclude_service, life, loop, search, service
from optimizer.archive import part_set_of, read_run
from optimizer.catalog import read_catalog
from optimizer.conclude_evidence import evidence_of
from optimizer.conclude_sets import chosen_sets
from optimizer.errors import InputError
from optimizer.formulas import NAMESPACE
from optimizer.found import Found
from optimizer.results import FaultLine, PartSet, Verified
from optimizer.spec import parse_spec, read_spec
from optimizer.spec_edit import edited
from tests import catalog_samples, tiny
from tests.use_specs import text_of

# --- loop -----------------------------------------------------------------------------------------


def test_zero_and_step_of_the_rail_side_cabinet() -> None:
    """A hand-worked story: 19 V, 6.5 A, 9.03 A in 12 uH: 20.1 kHz, so 5.0 kHz, so 250 uF."""
    zero = loop.frequency_zero(v_output=19.0, i_output=6.5, i_mean=9.03, inductance=12e-6)
    assert float(zero) == pytest.approx(20.1e3, rel=3e-3)
    cross = loop.frequency_cross(
        frequency_zero=zero, share_zero=0.25, frequency=250e3, share_switching=0.125
    )
    assert float(cross) == pytest.approx(5.0e3, rel=6e-3)
    held = loop.capacitance_step(i_step=3.0, frequency_cross=cross, v_step=0.38)
    assert float(held) == pytest.approx(250e-6, rel=6e-3)


@pytest.mark.parametrize(("inductance", "zero"), [(6.8e-6, 6.8e3), (1.2 * 6.8e-6, 5.7e3)])
def test_zero_of_the_clinic_at_start(inductance: float, zero: float) -> None:
    """24 V, 10 A from 9 V: 28.7 A in the coil."""
    found = loop.frequency_zero(v_output=24.0, i_output=10.0, i_mean=28.7, inductance=inductance)
    assert float(found) == pytest.approx(zero, rel=0.01)


@settings(max_examples=100, deadline=None)
@given(
    v=st.floats(5, 30),
    ratio=st.floats(1.1, 4),
    load=st.floats(1, 50),
    coil=st.floats(2e-6, 5e-5),
    c=st.floats(2e-5, 1e-3),
)
def test_zero_against_the_averaged_stage(
    v: float, ratio: float, load: float, coil: float, c: float
) -> None:
    """L di/dt = Vi - (1-d) v, C dv/dt = (1-d) i - v/R, linearised: the zero of duty to output."""
    volts, off = v * ratio, 1.0 / ratio
    current = volts / load / off
    a = np.array([[0.0, -off / coil], [off / c, -1.0 / (load * c)]])
    b = np.array([volts / coil, -current / c])
    # zeros of C (sI - A)^-1 B with C = [0 1]: numerator b1 (s - a00) + a10 b0
    numerator = [b[1], a[1, 0] * b[0] - a[0, 0] * b[1]]
    zero = float(np.roots(numerator)[0])
    found = loop.frequency_zero(
        v_output=volts, i_output=volts / load, i_mean=current, inductance=coil
    )
    assert zero > 0
    assert float(found) == pytest.approx(zero / (2 * math.pi), rel=1e-9)


@settings(max_examples=100, deadline=None)
@given(up=st.floats(1e5, 5e6), down=st.floats(1e5, 5e6), more=st.floats(0.8, 1.2))
def test_slope_against_cycle_by_cycle_steps(up: float, down: float, more: float) -> None:
    """A disturbance of the valley returns times -(down - added)/(up + added) each cycle."""
    needed = float(loop.slope_needed(slope_up=up, slope_down=down, resistance=1.0))
    if needed == 0.0 or abs(more - 1.0) < 0.01:
        return
    added = needed * more
    factor = abs((down - added) / (up + added))
    assert (factor < 1.0) == (more > 1.0)


# --- life -----------------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.floats(10, 1e6), st.floats(0.01, 1)), min_size=1, max_size=6))
def test_mission_life_lies_between_its_points(points: list[tuple[float, float]]) -> None:
    lives, shares = (np.array(x) for x in zip(*points, strict=True))
    found = float(life.life_mission(life=lives, share=shares))
    assert lives.min() * (1 - 1e-9) <= found <= lives.max() * (1 + 1e-9)


# --- a whole set ----------------------------------------------------------------------------------

WET = {
    "technology": "aluminium",
    "capacitance_typ_uf": "100",
    "v_rating_v": "50",
    "esr_typ_mohm": "30",
    "esr_max_mohm": "40",
    "esr_m40c_max_mohm": "300",
    "i_ripple_rating_a": "1.5",
    "temp_ripple_c": "105",
    "temp_rise_ripple_k": "5",
    "life_rating_h": "5000",
    "temp_part_rating_c": "110",
}


def judged(folder: Path, **sections: dict[str, object]) -> dict[str, FaultLine]:
    """Lines of a set with a wet output bank."""
    parts = {kind: dict(rows) for kind, rows in tiny.PARTS.items()}
    sample = catalog_samples.rows("capacitor", 1)[0]
    parts["capacitor"]["C-WET"] = {k: v for k, v in WET.items() if k in sample}
    tiny.write_catalogs(folder / "parts", parts)
    data = tiny.spec_data()
    for section, values in sections.items():
        data[section] = {**data.get(section, {}), **values}
    spec = read_spec(tiny.write_spec(folder, data))
    one = PartSet(
        "buck", 300e3, "L-LARGE", {"input-high": ("M-FINE", 1), "input-low": ("M-FINE", 1)},
        (("C-TEN", 4),), (("C-TWENTY", 2), ("C-WET", 1)), ("R-FOUR", 1),
    )  # fmt: skip
    verified, _ = conclude.verify_board(spec, read_catalog(spec.catalogs), one)
    return {line.fault: line for line in verified.faults}


def test_life_of_a_wet_capacitor_by_hand(tmp_path: Path) -> None:
    """5,000 h at 110 degC of the core, times two for each 10 K below, a quarter of the time on."""
    import re

    line = judged(tmp_path, life={"years": 10, "service_share_pct": 25, "years_seal": 60})[
        "life: output-bank C-WET"
    ]
    core = float(re.search(r"core up to ([\d.]+) degC", line.text)[1])
    years = float(re.match(r"([\d.]+) years", line.text)[1])
    wanted = 5000 * 2 ** ((110 - core) / 10) / 8766 / 0.25
    assert years == pytest.approx(min(wanted, 60), rel=0.01)
    assert line.verdict == ("holds" if years >= 10 else "fails")


def test_the_seal_ends_a_cool_life_and_a_wish_can_fail(tmp_path: Path) -> None:
    capped = judged(tmp_path / "a", life={"years": 20})["life: output-bank C-WET"]
    assert capped.verdict == "fails"
    assert "the seal ends it first" in capped.text
    free = judged(tmp_path / "b")["life: output-bank C-WET"]
    assert free.verdict == "figure"


def wet_front(folder: Path, **asked: object) -> tuple[list[Verified], Found]:
    """The front of the tiny job with the wet capacitor on offer and a life asked."""
    parts = {kind: dict(rows) for kind, rows in tiny.PARTS.items()}
    sample = catalog_samples.rows("capacitor", 1)[0]
    wet = {k: v for k, v in WET.items() if k in sample}
    parts["capacitor"]["C-WET"] = wet | {"price_breaks_each": "1:0.01", "life_rating_h": "1000"}
    tiny.write_catalogs(folder / "parts", parts)
    data = tiny.spec_data()
    data["life"] = asked
    data["choice"] |= {"bank_types_max_pcs": 1, "bank_pieces_max_pcs": 3}
    spec = read_spec(tiny.write_spec(folder, data))
    found = search.solve(spec, read_catalog(spec.catalogs), engine="merge")
    assert found.front is not None
    assert found.choice is not None
    chosen = chosen_sets(found.front.points, found.choice, found.prices, found.markets)
    return conclude_detail.verified_all(found.stages, chosen), found


def wet_lives(points: list[Verified]) -> list[float]:
    """Lives of the points that hold the wet capacitor."""
    return [point.life_years for point in points if "C-WET" in point.life_of]


def test_a_life_that_is_asked_is_a_limit_with_a_margin_and_counted_reasons(tmp_path: Path) -> None:
    """The cheapest bank is wet; asking more than it lasts takes it off the front."""
    free, _ = wet_front(tmp_path / "a", years_seal=60)
    lives = wet_lives(free)
    assert lives
    years = 1.02 * max(lives)
    assert years < 60
    tight, _ = wet_front(tmp_path / "b", years=years, years_seal=60)
    assert [point.life_of for point in tight] == [""] * len(tight) != []
    assert tight[0].cost > free[0].cost
    loose, _ = wet_front(tmp_path / "c", years=0.9 * min(lives), years_seal=60)
    margins = [m for m in loose[0].margins if m.quantity.startswith("life, ")]
    assert [m.part_number for m in margins] == ["C-WET"] * len(margins) != []
    for margin in margins:
        assert margin.at == "the mission"
        assert margin.unit == "years"
        assert margin.margin == pytest.approx(margin.value / margin.allowed - 1.0)
    _, sealed = wet_front(tmp_path / "d", years=20)
    fell = {fall.reason: fall.fell for one in sealed.waterfalls for fall in one.falls}
    assert fell["life over the mission, even without heat of its own"] == 1
    assert any("years a seal is trusted" in note.text for note in sealed.spec.notes)


def test_the_derivation_of_a_life_gives_it_again_and_bounds_that_of_the_mission(
    tmp_path: Path,
) -> None:
    points, found = wet_front(tmp_path, years_seal=60)
    assert found.front is not None
    assert found.choice is not None
    k = next(k for k, point in enumerate(points) if point.life_of == "output-bank C-WET")
    chosen = chosen_sets(found.front.points, found.choice, found.prices, found.markets)
    stage = found.stages[chosen[k].topology]
    (evidence,) = evidence_of(stage, [chosen[k]], [points[k]])
    one = next(
        d
        for d in evidence.derivations
        if d.subject == points[k].life_of and d.quantity.startswith("life")
    )
    given = {each.name: each.value for each in one.inputs}
    assert eval(one.formula, dict(NAMESPACE), given) == pytest.approx(one.value)
    assert given["life_rating"] == 1000 * 3600
    assert next(i for i in one.inputs if i.name == "life_rating").source.endswith("life_rating_h")
    assert one.value <= points[k].life_years * service.YEAR * (1 + 1e-9)


def test_a_life_no_bank_can_have_is_named(tmp_path: Path) -> None:
    from optimizer.errors import NoFeasibleDesign

    parts = {kind: dict(rows) for kind, rows in tiny.PARTS.items()}
    sample = catalog_samples.rows("capacitor", 1)[0]
    wet = {k: v for k, v in WET.items() if k in sample} | {"life_rating_h": "1000"}
    parts["capacitor"] = {"C-WET": wet}
    tiny.write_catalogs(tmp_path / "parts", parts)
    data = tiny.spec_data()
    data["life"] = {"years": 58, "years_seal": 60, "service_share_pct": 100}
    data["limits"]["v_ripple_output_mv"] = 2000
    data["limits"]["v_ripple_input_mv"] = 2000
    spec = read_spec(tiny.write_spec(tmp_path, data))
    with pytest.raises(NoFeasibleDesign) as caught:
        conclude.front(spec, read_catalog(spec.catalogs))
    told = str(caught.value)
    assert "1 fell on life over the mission, even without heat of its own, 0 left" in told
    assert "smallest single relaxation: life of the banks: 58 to" in told


def test_schottky_rate_by_hand() -> None:
    """0.003 piT piS piQ piE, piT = exp(3091 (1/298 - 1/373)) at 100 degC (from memory)."""
    found = life.rate_diode(
        temp_junction=np.array(100.0), share_voltage=np.array([0.2, 0.5]), factor_environment=1.0
    )
    heat = math.exp(3091 * (1 / 298 - 1 / 373))
    assert found == pytest.approx([0.003 * heat * 0.054 * 8, 0.003 * heat * 0.5**2.43 * 8])


def test_failure_rate_grows_with_the_environment(tmp_path: Path) -> None:
    rates = []
    for name in ("benign", "fixed", "mobile"):
        line = judged(tmp_path / name, life={"environment": name})["failure rate"]
        rates.append(float(line.text.split()[0]))
    assert rates == sorted(rates)
    assert rates[0] < 0.3 * rates[1]


def test_load_step_counts_the_resistance_of_the_bank(tmp_path: Path) -> None:
    line = judged(tmp_path / "a", loop={"i_step_a": 1.5, "v_step_mv": 500})["loop: load step"]
    assert line.verdict in ("holds", "fails")
    found = re.search(
        r"of at least ([\d.]+) uF before resistance, crossover ([\d.]+) kHz", line.text
    )
    assert found is not None
    least, cross = (float(one) for one in found.groups())
    assert least * 1e-6 == pytest.approx(1.5 / (2 * math.pi * cross * 1e3 * 0.5), rel=0.01)
    tight = judged(tmp_path / "b", loop={"i_step_a": 1.5, "v_step_mv": 5})["loop: load step"]
    assert tight.verdict == "fails"
    assert "by the resistance of the bank" in tight.text


def test_loop_bounds_of_a_stage_that_only_steps_down(tmp_path: Path) -> None:
    found = judged(tmp_path)
    assert "eighth" in found["loop: crossover"].text
    assert found["loop: right-half-plane zero"].text.startswith("none")


ENDS = (("least", "inductor", "ripple ratio"), ("most", "sense-resistor", "ripple"))


@pytest.mark.parametrize(("end", "subject", "row"), ENDS)
def test_the_inductance_told_is_where_its_row_begins_to_fail(
    tmp_path: Path, end: str, subject: str, row: str
) -> None:
    """Coils of 2 % beside each bound, else the same: one keeps the row, the other breaks it."""
    asked = {"v_sense_ripple_min_mv": 5}

    def board(microhenry: float) -> Verified:
        large = {**tiny.PARTS["inductor"]["L-LARGE"], "inductance_typ_uh": f"{microhenry:.4f}"}
        folder = tmp_path / f"{microhenry:.3f}"
        tiny.write_catalogs(folder / "parts", {**tiny.PARTS, "inductor": {"L-LARGE": large}})
        spec = read_spec(tiny.write_spec(folder, tiny.spec_data() | {"loop": asked}))
        one = tiny.board(inductor="L-LARGE")
        return conclude.verify_board(spec, read_catalog(spec.catalogs), one)[0]

    def passes(microhenry: float) -> bool:
        seen = board(microhenry)
        return all(m.passes for m in seen.margins if (m.subject, m.quantity) == (subject, row))

    (text,) = [one.text for one in board(15.0).faults if one.fault == "loop: inductance"]
    told = float(re.search(rf"at {end} about ([\d.]+) uH", text)[1])  # type: ignore[index]
    inside, beyond = (1.02, 0.98) if end == "least" else (0.98, 1.02)
    assert passes(inside * told)
    assert not passes(beyond * told)
    assert "binds first" in text


def test_the_zero_bounds_the_inductance_of_the_cabinet_from_above() -> None:
    """It falls as 1/L: at most L zero/4 over the crossover asked, or i/(2 pi C dv) of a step."""
    place = Path(__file__).parents[1] / "runs" / "examples"
    spec, run = read_spec(place / "cabinet.toml"), read_run(place / "cabinet")
    catalog = read_catalog(spec.catalogs)
    knee = next(point["number"] for point in run["points"] if point["mark"] == "knee")
    one = part_set_of(run, knee, place="cabinet")
    row = catalog.tables["inductor"].part_number.index(one.inductor)
    chosen = float(catalog.tables["inductor"].numbers["inductance_typ"][row])
    wishes = (["loop.frequency_cross_min_khz = 4"], ["loop.i_step_a = 1", "loop.v_step_mv = 950"])
    for asked in wishes:
        seen, _ = conclude.verify_board(edited(spec, asked), catalog, one)
        lines = {line.fault: line.text for line in seen.faults}
        zero = 1e3 * float(re.search(r"zero at ([\d.]+) kHz", lines["loop: crossover"])[1])  # type: ignore[index]
        cross = 4e3
        if len(asked) > 1:
            held = float(re.search(r"([\d.]+) uF effective", lines["loop: load step"])[1])  # type: ignore[index]
            cross = 1.0 / (2.0 * math.pi * 0.95 * held * 1e-6)
        told = float(re.search(r"at most about ([\d.]+) uH", lines["loop: inductance"])[1])  # type: ignore[index]
        assert told * 1e-6 == pytest.approx(chosen * zero / 4.0 / cross, rel=0.01)
        assert "below the right-half-plane zero" in lines["loop: inductance"]


@pytest.mark.parametrize(
    ("least", "most", "binds"), [(10.0, 40.0, "ripple ratio"), (4.0, 16.0, "crossover")]
)
def test_the_nearer_bound_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, least: float, most: float, binds: str
) -> None:
    shares = ({"ripple ratio": least / 15.0}, {"crossover": most / 15.0})
    monkeypatch.setattr(conclude_service, "_too_small", lambda _: shares[0])
    monkeypatch.setattr(conclude_service, "_too_large", lambda *_: shares[1])
    text = judged(tmp_path)["loop: inductance"].text
    assert text.startswith("15 uH, all else as it is at least about")
    assert text.endswith(f"the {binds} binds first")


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"i_step_a": 2}, "v_step_mv beside it; add v_step_mv or remove the step"),
        ({"v_step_mv": 200}, "i_step_a beside it; add i_step_a or remove the dip"),
    ],
)
def test_a_step_without_a_dip_is_refused(values: dict[str, float], told: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_spec(text_of("rail", "range", loop=values), path="use.toml")
    assert told in str(caught.value.problems[0])


def test_a_wish_that_nothing_can_keep_is_named(tmp_path: Path) -> None:
    """No bank of four small ceramics holds a step within a millivolt: said, with what would do."""
    from optimizer.errors import NoFeasibleDesign

    tiny.write_catalogs(tmp_path / "parts")
    data = tiny.spec_data()
    data["loop"] = {"i_step_a": 2, "v_step_mv": 2}
    spec = read_spec(tiny.write_spec(tmp_path, data))
    with pytest.raises(NoFeasibleDesign) as caught:
        conclude.front(spec, read_catalog(spec.catalogs))
    assert "dip at a load step: 2 mV to" in str(caught.value)
    wide = replace(spec, loop=replace(spec.loop, v_step=1.0))
    assert conclude.front(wide, read_catalog(spec.catalogs)).points
