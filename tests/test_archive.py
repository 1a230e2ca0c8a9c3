"""A run folder is written whole or not at all, never over an older one, and checked on reading."""

from __future__ import annotations

import csv
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer import archive, archive_result
from optimizer.archive import read_run, write_page, write_run
from optimizer.archive_inputs import changed_inputs
from optimizer.archive_result import kept, now, spared
from optimizer.errors import InputError
from optimizer.report.cells import csv_text, neutral, original
from optimizer.report.page import packed_data
from optimizer.results import as_plain
from tests.report.page_runs import EXAMPLES
from tests.sample_run import plain_run, sample_run

SPEC = b'title = "Lamp"\r\n'
ROOT = Path(__file__).parents[1]


def without_date(run: dict[str, Any]) -> dict[str, Any]:
    assert datetime.fromisoformat(run.pop("written")).tzinfo is not None
    return run


def test_a_run_comes_back_as_it_went_in(tmp_path: Path) -> None:
    run = plain_run()
    folder = write_run(tmp_path / "runs", "lamp", run, spec=SPEC)
    assert folder == tmp_path / "runs" / "lamp"
    assert without_date(read_run(folder)) == kept(run)
    assert (folder / "spec.toml").read_bytes() == SPEC


def test_a_folder_holds_what_it_promises(tmp_path: Path) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    files = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    parts = {f"parts/point_{n:03d}.csv" for n in (1, 2, 3)}
    assert files == parts | {
        "spec.toml", "front.csv", "result.json", "notes.md", "summary.txt", "hashes.sha256",
    }  # fmt: skip
    rows = list(csv.DictReader((folder / "parts/point_001.csv").open(newline="")))
    assert (rows[0]["position"], rows[0]["quantity_pcs"]) == ("input-high input-low", "2000")
    front = list(csv.DictReader((folder / "front.csv").open(newline="")))
    assert [row["mark"] for row in front] == ["cheapest", "knee", "least loss"]
    assert front[0]["input-bank"] == "3 x CX-1 + 1 x CX-2"
    assert list(tmp_path.iterdir()) == [folder]


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="checks the hash file by coreutils")
def test_hashes_are_what_sha256sum_says(tmp_path: Path) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    call = ["sha256sum", "--check", "--strict", archive.HASHES]
    assert subprocess.run(call, cwd=folder, capture_output=True).returncode == 0


def test_the_result_is_strict_json_without_nan(tmp_path: Path) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)

    def refuse(word: str) -> None:
        raise AssertionError(word)

    whole = json.loads((folder / "result.json").read_text("utf-8"), parse_constant=refuse)
    assert (whole["schema"], whole["version"], len(whole["lanes"])) == ("partfront-run", 2, 1)
    assert whole["run"]["points"][0]["verified"]["lanes"] == 0


def test_a_large_result_is_packed_and_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive, "PACK_ABOVE_BYTES", 1000)
    run = plain_run(count=30)
    folder = write_run(tmp_path, "lamp", run, spec=SPEC)
    assert not (folder / "result.json").exists()
    assert without_date(read_run(folder)) == kept(run)
    again = write_run(tmp_path, "lamp", plain_run(count=2), spec=SPEC, replace=True)
    assert len(read_run(again)["points"]) == 2


def test_a_second_run_gets_a_number_and_the_first_stays(tmp_path: Path) -> None:
    first = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    before = {p: p.read_bytes() for p in first.rglob("*") if p.is_file()}
    names = [write_run(tmp_path, "lamp", plain_run(), spec=SPEC).name for _ in range(2)]
    assert names == ["lamp-2", "lamp-3"]
    assert {p: p.read_bytes() for p in first.rglob("*") if p.is_file()} == before


def test_replace_swaps_and_leaves_nothing_else(tmp_path: Path) -> None:
    write_run(tmp_path, "lamp", plain_run(count=5), spec=SPEC)
    folder = write_run(tmp_path, "lamp", plain_run(count=2), spec=SPEC, replace=True)
    assert len(read_run(folder)["points"]) == 2
    assert len(list((folder / "parts").iterdir())) == 2
    assert list(tmp_path.iterdir()) == [folder]


def test_replace_works_without_the_one_step_swap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive.ctypes, "CDLL", lambda *a, **k: object())
    test_replace_swaps_and_leaves_nothing_else(tmp_path)


def test_replace_refuses_a_folder_that_is_no_run(tmp_path: Path) -> None:
    (tmp_path / "catalogs").mkdir()
    (tmp_path / "catalogs" / "mine.csv").write_text("x")
    with pytest.raises(InputError, match="no run"):
        write_run(tmp_path, "catalogs", plain_run(), spec=SPEC, replace=True)
    assert (tmp_path / "catalogs" / "mine.csv").read_text() == "x"


def test_replace_refuses_to_delete_a_file_the_user_added(tmp_path: Path) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    (folder / "measured.csv").write_text("x")
    with pytest.raises(InputError, match=r"measured\.csv"):
        write_run(tmp_path, "lamp", plain_run(), spec=SPEC, replace=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lamp"]


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "../x", ".hidden", "-x", "a\\b", "x" * 99])
def test_names_that_leave_the_folder_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="--name"):
        write_run(tmp_path, name, plain_run(), spec=SPEC)
    assert list(tmp_path.iterdir()) == []


def test_a_failure_while_writing_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(archive, "_sync_folder", full)
    with pytest.raises(OSError, match="No space"):
        write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    assert list(tmp_path.iterdir()) == []


def test_old_leftovers_are_cleared_and_young_ones_stay(tmp_path: Path) -> None:
    old, young = tmp_path / ".lamp-a.part", tmp_path / ".lamp-b.part"
    old.mkdir()
    young.mkdir()
    os.utime(old, (0, 0))
    write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    assert (old.exists(), young.exists()) == (False, True)


@pytest.mark.parametrize("name", ["result.json", "front.csv", "parts/point_002.csv", "spec.toml"])
def test_a_changed_or_missing_file_is_named(tmp_path: Path, name: str) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    with (folder / name).open("a") as file:
        file.write(" ")
    with pytest.raises(InputError, match=f"{name}: got changed contents"):
        read_run(folder)
    (folder / name).unlink()
    with pytest.raises(InputError, match=f"{name}: got no file"):
        read_run(folder)


def test_an_unknown_version_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    monkeypatch.setattr(archive_result, "READ", (3,))
    with pytest.raises(InputError, match="version 2, need 'partfront-run', version 3"):
        read_run(folder)


def test_version_1_is_still_read_and_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_result, "VERSION", 1)
    run = plain_run()
    for point in run["points"]:
        del point["evidence"]
    del run["shapes"]
    folder = write_run(tmp_path, "lamp", run, spec=SPEC)
    again = read_run(folder)
    assert (again["shapes"], [p["evidence"] for p in again["points"]]) == ({}, [None] * 3)
    assert again["points"][1]["verified"]["losses"]
    assert "Lamp rail" in write_page(folder).read_text("utf-8")


def test_points_without_evidence_keep_one_line(tmp_path: Path) -> None:
    run = plain_run(count=5)
    for number in (0, 4):
        run["points"][number]["evidence"] = {"samples": []}
    assert [bool(point["mark"]) for point in run["points"][1:3]] == [False, True]
    line = kept(run)["points"][1]["verified"]
    assert (line["losses"], line["loss_total"]) == ({}, [])
    assert [m["quantity"] for m in line["margins"]] == ["junction temperature", "saturation"]
    assert line["bill"] == archive_result.rounded(run["points"][1]["verified"]["bill"])
    assert kept(run)["points"][0]["verified"]["losses"]
    assert kept(run)["points"][2]["verified"]["losses"]


def test_what_is_spared_is_not_kept() -> None:
    run = sample_run(count=5)
    told = {"samples": []}  # stands in for evidence
    points = [replace(p, evidence=told if p.number in (1, 5) else None) for p in run.points]  # type: ignore[arg-type]
    run = replace(run, points=tuple(points))
    assert [bool(p.verified.losses) for p in spared(run).points].count(False) == 2
    assert kept(as_plain(spared(run))) == kept(as_plain(run))
    assert spared(sample_run()).points[1].verified.losses


def test_a_result_keeps_the_date_it_is_given(tmp_path: Path) -> None:
    run = plain_run() | {"written": "2026-01-02T03:04:05+00:00"}
    assert read_run(write_run(tmp_path, "lamp", run, spec=SPEC))["written"] == run["written"]


def test_the_page_of_a_run_at_hand_is_that_of_its_folder(tmp_path: Path) -> None:
    run = kept(plain_run()) | {"written": now()}
    folder = write_run(tmp_path, "lamp", run, spec=SPEC)
    page = write_page(folder, tmp_path / "page.html", run=run, data=packed_data(run))
    assert page.read_bytes() == write_page(folder).read_bytes()


def test_a_run_written_again_says_the_same(tmp_path: Path) -> None:
    """What the archive keeps of a shipped run is enough for every file of its folder."""
    folder = EXAMPLES / "cargo_bike"
    run = without_date(read_run(folder))
    again = write_run(tmp_path, "again", run, spec=(folder / "spec.toml").read_bytes())
    files = [
        p.relative_to(folder) for p in folder.rglob("*") if p.suffix in (".csv", ".txt", ".md")
    ]
    assert len(files) > 200
    different = [f for f in files if (folder / f).read_bytes() != (again / f).read_bytes()]
    assert [str(f) for f in different] == []


def test_the_page_lies_beside_the_hashes_and_is_replaced_whole(tmp_path: Path) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(), spec=SPEC)
    first = write_page(folder).read_bytes()
    (folder / "page.html").write_text("spoilt")
    assert write_page(folder) == folder / "page.html"
    assert (folder / "page.html").read_bytes() == first
    elsewhere = write_page(folder, tmp_path / "other.html")
    assert elsewhere.read_bytes() == first
    assert not [p for p in folder.iterdir() if p.name.startswith(".")]
    assert read_run(write_run(tmp_path, "lamp", plain_run(), spec=SPEC, replace=True))


def test_a_folder_without_a_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no run"):
        read_run(tmp_path / "nowhere")


# --- cells ---------------------------------------------------------------------------------------

DANGEROUS = ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1", " =1", "＝1", "=cmd|' /C x'!A0"]


@pytest.mark.parametrize("text", DANGEROUS)
def test_no_cell_of_any_table_starts_a_formula(tmp_path: Path, text: str) -> None:
    folder = write_run(tmp_path, "lamp", plain_run(part=text), spec=SPEC)
    cells = [
        cell
        for file in folder.rglob("*.csv")
        for row in csv.reader(io.StringIO(file.read_bytes().decode(), newline=""))
        for cell in row
    ]
    assert any(original(cell) == text for cell in cells)
    texts = [c for c in cells if not re.fullmatch(r"-\d+\.\d+", c)]  # numbers of our own
    assert [c for c in texts if c.lstrip(" ")[:1] in tuple("=+-@\t\r\n＝＋－＠")] == []


@given(st.text())
def test_neutral_text_comes_back(text: str) -> None:
    assert original(str(neutral(text))) == text


def test_text_is_quoted_and_numbers_are_not() -> None:
    assert csv_text([{"a": "x;=1", "b": -2.5, "c": None}]) == '"a","b","c"\n"x;=1",-2.5,""\n'


# --- killed while writing ------------------------------------------------------------------------

WRITER = """
import sys
from pathlib import Path
from optimizer.archive import write_run
from tests.sample_run import plain_run, sample_run
runs = [plain_run(count=n) for n in (20, 30)]
print("ready", flush=True)
for k in range(10**6):
    write_run(Path(sys.argv[1]), "lamp", runs[k % 2], spec=b"x = 1", replace=True)
"""


def test_a_kill_at_any_moment_leaves_a_whole_result(tmp_path: Path) -> None:
    write_run(tmp_path, "lamp", plain_run(count=20), spec=SPEC)
    draw = random.Random(7)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    halves = 0
    for _ in range(12):
        call = [sys.executable, "-c", WRITER, str(tmp_path)]
        with subprocess.Popen(call, stdout=subprocess.PIPE, env=environment) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            time.sleep(draw.uniform(0.0, 0.15))
            process.send_signal(signal.SIGKILL)
        run = read_run(tmp_path / "lamp")
        assert len(run["points"]) in (20, 30)
        visible = [p.name for p in tmp_path.iterdir() if not p.name.startswith(".")]
        assert visible == ["lamp"]
        halves += len(list(tmp_path.glob(".*.part")))
    assert halves > 0, "no kill fell into a write: the test proved nothing"


def test_inputs_that_changed_since_a_run_are_named() -> None:
    made = {"a/job.toml": "11", "a/mosfets.csv": "22"}
    assert changed_inputs(made, {"b/job.toml": "11", "b/mosfets.csv": "22"}) == []
    (note,) = changed_inputs(made, {"b/job.toml": "11", "b/mosfets.csv": "23"})
    assert "mosfets.csv" in note.text
    assert "job.toml" not in note.text
    assert changed_inputs({}, {"b/mosfets.csv": "23"}) == []
