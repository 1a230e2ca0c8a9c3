"""The page as a file: whole in itself, made from the archive alone, and its numbers rederived."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.archive import read_run, write_page
from optimizer.cli import DONE, WRONG_INPUT, main
from optimizer.formulas import NAMESPACE
from optimizer.report.page import page_text, unpacked
from optimizer.results_evidence import FILLED, LIMIT, STATED, TYPICAL
from optimizer.units import factor, split_suffix
from tests import tiny
from tests.report.page_runs import ATTACK, EXAMPLES, NAMES, detailed, example, hostile, large

ROOT = Path(__file__).parents[2]
SIZE_MAX = 6e6
GOVERNING = (
    *("efficiency", "temperature", "junction temperature", "conduction loss", "copper loss"),
    *("core loss", "inductance", "hot saturation current", "smallest current limit"),
    *("largest current limit with delay", "capacitance of one", "core temperature"),
    *("drain voltage with ringing, continuous", "gate current", "energy of a turn-on"),
)
"""Numbers that decide a verdict: each must be among those a reader can rederive."""


def data_of(page: str) -> dict[str, Any]:
    """The data a page holds."""
    found = re.search(r'<script type="application/octet-stream" id="data">([^<]*)</script>', page)
    assert found is not None
    data: dict[str, Any] = unpacked(found[1])
    return data


@pytest.fixture(scope="module", params=NAMES)
def shipped(request: pytest.FixtureRequest) -> tuple[str, dict[str, Any]]:
    """Name and page data of a shipped run."""
    return request.param, data_of(page_text(example(request.param)))


# --- one file, from the archive alone -------------------------------------------------------------


def test_the_page_is_made_after_a_run_and_again_from_its_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tiny.job(tmp_path)
    runs = tmp_path / "runs"
    assert main(["front", str(tmp_path / "tiny.toml"), "--runs", str(runs)]) == DONE
    made = (runs / "tiny" / "page.html").read_bytes()
    (runs / "tiny" / "page.html").unlink()
    capsys.readouterr()
    assert main(["page", str(runs / "tiny")]) == DONE
    assert capsys.readouterr().out.strip() == str(runs / "tiny" / "page.html")
    assert (runs / "tiny" / "page.html").read_bytes() == made
    assert {p["number"] for p in detailed(read_run(runs / "tiny"))} == {
        p["number"] for p in read_run(runs / "tiny")["points"]
    }


def test_neither_solver_nor_physics_is_loaded(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from optimizer.archive import write_page\n"
        f"write_page(Path({str(EXAMPLES / 'hut_link')!r}), Path({str(tmp_path / 'p.html')!r}))\n"
        "bad = ('pyomo', 'highspy', 'optimizer.parts', 'optimizer.waveforms', 'optimizer.search',\n"
        "       'optimizer.assembly', 'optimizer.selection', 'optimizer.verification')\n"
        "print([name for name in bad if name in sys.modules])"
    )
    call = [sys.executable, "-c", code]
    done = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("run", [*NAMES, "large"])
def test_the_page_is_one_small_file_without_a_request(run: str) -> None:
    page = page_text(large() if run == "large" else example(run), folder=run)
    assert len(page.encode()) < SIZE_MAX
    body = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    targets = re.findall(r"""\b(?:src|href)\s*=\s*["']?([^"'>\s]*)""", body)
    assert [target for target in targets if not target.startswith("#")] == []
    assert "url(" not in body
    assert "@import" not in body
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', body)
    assert policy is not None
    assert "default-src 'none'" in policy[1].replace("&#39;", "'")


def test_the_same_run_gives_the_same_page() -> None:
    assert page_text(example("hut_link")) == page_text(example("hut_link"))


def test_hashes_and_versions_stand_at_the_foot(tmp_path: Path) -> None:
    page = write_page(EXAMPLES / "cabinet", tmp_path / "p.html").read_text("utf-8")
    foot = page[page.index("<footer>") : page.index("</footer>")]
    run = example("cabinet")
    assert all(value in foot for value in run["hashes"].values())
    assert all(f"{name} {value}" in foot for name, value in run["versions"].items())


def test_cautions_stand_above_everything_else() -> None:
    page = page_text(example("cargo_bike"))
    assert page.index("close to the 60 V d.c. limit") < page.index('id="sets"')
    assert page.index("Paper design only") < page.index('class="chooser"')


# --- where a number comes from --------------------------------------------------------------------


def rederived(row: list[Any], words: list[str]) -> float:
    """A number of the page from its own formula and inputs, as a calculator gives it."""
    inputs = {words[one[0]]: one[1] for one in row[6]}
    return float(eval(words[row[5]], {"__builtins__": {}}, NAMESPACE | inputs))


def test_every_number_follows_from_its_formula(shipped: tuple[str, dict[str, Any]]) -> None:
    name, data = shipped
    words, formulas, quantities = data["words"], set(), set()
    for detail in data["details"].values():
        for row in detail["derivations"]:
            where = f"{name}: {words[row[0]]} {words[row[1]]}"
            near = (
                1e-5 if words[row[4]] == "degC" else 1e-15
            )  # a temperature may come out near zero
            assert rederived(row, words) == pytest.approx(row[3], rel=1e-4, abs=near), where
            formulas.add(words[row[5]])
            quantities.add(words[row[1]])
    assert len(formulas) >= 20
    assert set(GOVERNING) - quantities <= {"energy of a turn-on"}


def test_a_wrong_input_would_be_noticed(shipped: tuple[str, dict[str, Any]]) -> None:
    _, data = shipped
    row = next(iter(data["details"].values()))["derivations"][1]
    row[6][1][1] *= 1.01
    assert rederived(row, data["words"]) != pytest.approx(row[3], rel=1e-4)
    row[6][1][1] /= 1.01


def test_inputs_from_a_catalog_are_its_cells(shipped: tuple[str, dict[str, Any]]) -> None:
    """File, line and header of every catalog input lead to a cell with that value."""
    _, data = shipped
    words, checked, filled = data["words"], 0, 0
    sheets = {
        p.name: list(csv.reader(p.open(newline=""))) for p in (ROOT / "catalogs").glob("*.csv")
    }
    for detail in data["details"].values():
        for _, value, _, origin, source in (i for row in detail["derivations"] for i in row[6]):
            place = re.fullmatch(r"([\w.-]+\.csv):(\d+) (\w+)", words[source])
            if not place or words[origin] not in (TYPICAL, LIMIT, STATED, FILLED):
                continue
            sheet = sheets[place[1]]
            cell = sheet[int(place[2]) - 1][sheet[0].index(place[3])]
            if words[origin] == FILLED:
                assert cell in ("", "-", "n/a")
                filled += 1
                continue
            suffix = split_suffix(place[3])[1]
            told = float(cell) * (factor(suffix) if suffix else 1.0)
            assert value == pytest.approx(told, rel=1e-6), words[source]
            checked += 1
    assert checked > 500


def test_governing_numbers_are_those_of_the_tables(shipped: tuple[str, dict[str, Any]]) -> None:
    """A derivation and the table of its quantity show the same number."""
    _, data = shipped
    words = data["words"]
    for detail in data["details"].values():
        for row in detail["derivations"]:
            subject, quantity, lane = words[row[0]], words[row[1]], row[2]
            if quantity == "junction temperature":
                assert detail["temps"][subject][lane] == pytest.approx(row[3], rel=1e-3)
            if quantity == "conduction loss":
                told = detail["losses"][f"{subject} | conduction"][lane]
                assert told == pytest.approx(row[3], rel=1e-3)
            if quantity == "largest current limit with delay":
                assert detail["chain"]["i_limit_delayed"] == pytest.approx(row[3], rel=1e-3)
            if subject == "whole set":
                assert detail["efficiency"][lane] == pytest.approx(row[3], rel=1e-3)


# --- the figures of the panels --------------------------------------------------------------------


def test_waveforms_have_the_figures_of_the_table(shipped: tuple[str, dict[str, Any]]) -> None:
    """Ripple, peak and rms of the break points are those of the records, by integration here."""
    _, data = shipped
    for detail in data["details"].values():
        traces, waves = detail["traces"], detail["waves"]
        for lane in range(len(traces["duration"])):
            share, coil = np.array(traces["duration"][lane]), np.array(traces["i_coil"][lane])
            first, last = coil[:-1], coil[1:]
            square = np.sum(share * (first**2 + first * last + last**2) / 3)
            ripple = np.ptp(coil)
            assert ripple == pytest.approx(waves["i_ripple"][lane], rel=1e-3, abs=1e-4)
            assert np.sqrt(square) == pytest.approx(waves["i_rms"][lane], rel=2e-3)
            for node in ("input", "output"):
                if waves[f"v_ripple_{node}"][lane] is None:
                    assert traces["ripple"][node][lane] == []
                    continue
                unit, *pairs = traces["ripple"][node][lane]
                swing = np.ptp(pairs[1::2]) * unit
                assert swing == pytest.approx(waves[f"v_ripple_{node}"][lane], rel=0.02)


def test_efficiency_curves_meet_the_named_points(shipped: tuple[str, dict[str, Any]]) -> None:
    """At a load and input of the mission in nominal air a curve passes through its efficiency."""
    name, data = shipped
    run = example(name)
    nominal = next(float(t.split()[0]) for k, t, _ in run["echo"] if k == "ambient.temp_nominal")
    met = 0
    for detail in data["details"].values():
        lanes = data["lanes"][detail["lanes"]]
        shape = data["shapes"][detail["part_set"]["topology"]]
        volts, load = np.array(shape["sweep_v_input"]), np.array(shape["sweep_load"])
        full = max(lanes["i_output"])
        for k, air in enumerate(lanes["temp_ambient"]):
            if lanes["guaranteed"][k] or air != nominal or not lanes["i_output"][k]:
                continue
            near = np.isclose(load, lanes["i_output"][k] / full, rtol=1e-3)
            if near.any() and volts.min() <= lanes["v_input"][k] <= volts.max():
                curve = np.interp(
                    lanes["v_input"][k], volts[near], np.array(detail["sweep"]["efficiency"])[near]
                )
                assert curve == pytest.approx(detail["efficiency"][k], abs=3e-3)
                met += 1
    assert met or name == "none"


def test_points_are_kept_in_full_up_to_sixty(shipped: tuple[str, dict[str, Any]]) -> None:
    _, data = shipped
    kept = [point for point in data["points"] if point["detail"]]
    assert len(kept) == 60 < len(data["points"])
    assert {"cheapest", "knee", "least loss"} <= {point["mark"] for point in kept}
    losses = [point["loss"] for point in kept]
    gap = max(a - b for a, b in pairwise(losses))
    assert gap < 0.4 * (losses[0] - losses[-1])


def test_lists_in_the_page_are_those_of_the_folder(shipped: tuple[str, dict[str, Any]]) -> None:
    name, data = shipped
    for number, detail in data["details"].items():
        file = EXAMPLES / name / "parts" / f"point_{int(number):03d}.csv"
        told = list(csv.DictReader(detail["files"]["parts"].splitlines()))
        assert [r["part_number"] for r in told] == [
            r["part_number"] for r in csv.DictReader(file.open(newline=""))
        ]
        samples = list(csv.DictReader(detail["files"]["samples"].splitlines()))
        assert {r["part_number"] for r in samples} == {r["part_number"] for r in told}
        assert all(int(r["order_pcs"]) >= int(r["needed_pcs"]) > 0 for r in samples)
        assert f"Point {number}" in detail["files"]["summary"]


def test_an_alternate_that_passes_is_of_another_maker_on_the_same_pads() -> None:
    run = example("cabinet")
    seen = 0
    for point in detailed(run):
        bought = {line["part_number"]: line for line in point["verified"]["bill"]}
        for part, others in point["evidence"]["alternates"].items():
            for other in others:
                assert other["maker"] != bought[part]["maker"]
                assert not other["passes"] or other["margin"] >= -1e-9
                seen += other["passes"]
    assert seen > 50


# --- texts that would act -------------------------------------------------------------------------


def test_hostile_texts_stay_texts() -> None:
    """Outside the packed data no markup of theirs is left; the browser test watches them act."""
    page = page_text(hostile(), folder="<b>x</b>")
    body = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert ATTACK not in body
    assert "<img" not in body
    assert "onerror=window.hacked=1>" not in body
    assert "&lt;img src=x onerror=" in body
    assert "<b>x</b>" not in body
    assert page.count("<script") == 4, "data, two libraries, our own"


# --- the commands ---------------------------------------------------------------------------------


def test_netlist_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, place = str(EXAMPLES / "hut_link"), tmp_path / "one.cir"
    assert main(["netlist", folder, "--point", "1", "--at", "3", "--out", str(place)]) == DONE
    assert main(["netlist", folder, "--point", "1", "--at", "3"]) == DONE
    assert capsys.readouterr().out == place.read_text("utf-8")
    assert (
        main(["netlist", folder, "--point", "1", "--at", "3", "--out", str(place)]) == WRONG_INPUT
    )
    assert "File exists" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["netlist", "hut_link", "--point", "9999"], "--point: got 9999, need a point from 1 to"),
        (["netlist", "hut_link", "--point", "11"], "--point: got 11, need a point kept in full"),
        (["netlist", "hut_link", "--point", "1", "--at", "noon"], "--at: got 'noon', need the num"),
        (["page", "hut_link", "cabinet", "--out", "x.html"], "--out: got --out with 2 runs"),
        (["page", "nowhere"], "got no run"),
    ],
)
def test_wrong_arguments_are_told(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [str(EXAMPLES / w) if w in (*NAMES, "nowhere") else w for w in arguments]
    kept = {p["number"] for p in detailed(example("hut_link"))}
    words = [str(min(set(range(2, 300)) - kept)) if w == "11" else w for w in words]
    assert main(words) == WRONG_INPUT
    assert message.replace("11,", f"{words[-1]},") in capsys.readouterr().err


def missing(number: int, margin: float) -> dict[str, Any]:
    """A point that misses one limit by a share."""
    one = {"subject": "output-bank", "quantity": "ripple voltage", "margin": margin}
    return {"number": number, "verified": {"margins": [one], "chain": {"closes": True}}}


def test_many_points_that_break_a_limit_are_told_in_one_line() -> None:
    from optimizer.report.page import _broken

    few = [missing(k, -0.004 if k < 3 else 0.2) for k in range(1, 9)]
    assert _broken({"points": few}) == [
        f"Point {k} breaks a limit: output-bank ripple voltage" for k in (1, 2)
    ]
    many = [missing(k, -0.002 * k if k < 6 else 0.2) for k in range(1, 9)]
    assert _broken({"points": many}) == [
        "5 of 8 points break a limit at their own state, by up to 1 %: "
        "output-bank ripple voltage (5 points). Points 1, 2, 3, 4, 5"
    ]
