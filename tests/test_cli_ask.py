"""Questions through the command, on files: a run, its answers, and what is refused."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from optimizer import cli
from tests import tiny

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tiny job with its finished run in runs/tiny."""
    folder = tmp_path_factory.mktemp("job")
    path = tiny.job(folder, choice={"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1})
    assert cli.main(["front", str(path), "--runs", str(folder / "runs")]) == 0
    return folder


def ask(job: Path, capsys: Capture, *words: str, code: int = 0) -> dict[str, Any]:
    """The answer to a question as data."""
    run = ["--run", str(job / "runs" / "tiny")]
    assert cli.main([words[0], str(job / "tiny.toml"), *run, *words[1:], "--json"]) == code
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def screen(job: Path, capsys: Capture, *words: str) -> str:
    run = ["--run", str(job / "runs" / "tiny")]
    assert cli.main([words[0], str(job / "tiny.toml"), *run, *words[1:]]) == 0
    return capsys.readouterr().out


def test_why_not(job: Path, capsys: Capture) -> None:
    found = ask(job, capsys, "why-not", "--part", "M-CHEAP", "--at", "input-high")
    assert found["data"]["verdict"] == "possible"
    assert found["proved"]
    text = screen(job, capsys, "why-not", "--frequency-khz", "1500")
    assert text.startswith("Why not 1500 kHz?\n")
    assert "no controller of the spec offers 1500 kHz" in text
    assert len(text.splitlines()) <= 40


def test_what_if(job: Path, capsys: Capture) -> None:
    found = ask(job, capsys, "what-if", "--set", "limits.height_max_mm=4")
    assert found["data"]["changes"] == [["limits.height_max", "10 mm", "4 mm"]]
    assert found["question"] == "What if limits.height_max 4 mm (was 10 mm)?"
    text = screen(job, capsys, "what-if", "--set", "limits.height_max_mm=4")
    assert "W at no more cost" in text


def test_concessions(job: Path, capsys: Capture) -> None:
    found = ask(job, capsys, "concessions", "--by", "20")
    assert found["proved"]
    assert found["question"].endswith("if each gives way by 20 %?")


def test_shortlist_and_order(job: Path, capsys: Capture, tmp_path: Path) -> None:
    out = tmp_path / "order.csv"
    found = ask(job, capsys, "shortlist", "--sets", "4", "--differ", "1", "--csv", str(out))
    assert found["data"]["sets"][0]["point"] == 1
    with out.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert {row["part_number"] for row in rows} == {
        line["part_number"] for line in found["data"]["order"]
    }
    assert all(row["stock"].isdecimal() and row["lead_time_weeks"].isdecimal() for row in rows)
    assert all(len(row["line_price"].partition(".")[2]) <= 4 for row in rows)
    ask(job, capsys, "shortlist", "--csv", str(out), code=2)
    found = ask(job, capsys, "shortlist", "--sets", "12", "--differ", "5")
    assert len(found["data"]["sets"]) < 12
    assert f"{len(found['data']['sets'])} sets, not 12" in found["notes"][0]


def test_the_run_beside_the_spec_is_taken(
    job: Path, capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where `runs` has none of its name."""
    beside = tmp_path / "own"
    shutil.copytree(job / "parts", beside / "parts")
    shutil.copy(job / "tiny.toml", beside)
    monkeypatch.chdir(tmp_path)
    words = ["shortlist", str(beside / "tiny.toml"), "--json"]
    assert cli.main(words) == 2
    assert "runs/tiny: got no run" in capsys.readouterr().err
    shutil.copytree(job / "runs" / "tiny", beside / "tiny")
    assert cli.main(words) == 0


def test_conflict(job: Path, capsys: Capture) -> None:
    assert cli.main(["conflict", str(job / "tiny.toml"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["data"]["feasible"]


def test_difference_of_runs_and_catalogs(job: Path, capsys: Capture) -> None:
    other = tiny.spec_data()
    other["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
    other["limits"]["height_max_mm"] = 4
    tiny.write_spec(job, other, name="low")
    runs = job / "runs"
    assert cli.main(["front", str(job / "low.toml"), "--runs", str(runs)]) == 0
    capsys.readouterr()
    words = ["difference", str(runs / "tiny"), str(runs / "low"), "--json"]
    assert cli.main(words) == 0
    found = json.loads(capsys.readouterr().out)
    assert ["limits.height_max", "10 mm", "4 mm"] in found["data"]["inputs"]
    gone = found["data"]["gone"]
    assert gone
    assert {one["reason"] for one in gone} <= {"breaks a limit", "beaten"}
    assert any(
        one["detail"].startswith("inductor height by 1 mm (5 mm, at most 4 mm") for one in gone
    )
    assert all(one["reason"] == "beaten" for one in found["data"]["come"])
    assert cli.main(words[:-1]) == 0
    assert len(capsys.readouterr().out.splitlines()) < 60

    tiny.write_catalogs(job / "later", price_breaks_each="1:9.0")
    assert cli.main(["difference", str(job / "parts"), str(job / "later"), "--json"]) == 0
    cells = json.loads(capsys.readouterr().out)["data"]["cells"]
    assert {cell["column"] for cell in cells} == {"price_breaks_each"}
    assert len(cells) == 9


def test_difference_tells_what_a_price_did(job: Path, capsys: Capture) -> None:
    """A part that becomes dear leaves the front: beaten, in the figures of the new run."""
    folder = job / "dear"
    path = tiny.job(folder, choice={"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1})
    parts = {kind: dict(rows) for kind, rows in tiny.PARTS.items()}
    parts["mosfet"]["M-CHEAP"] = dict(parts["mosfet"]["M-CHEAP"]) | {"price_breaks_each": "1:9.0"}
    tiny.write_catalogs(folder / "parts", parts)
    assert cli.main(["front", str(path), "--runs", str(folder / "runs")]) == 0
    capsys.readouterr()
    words = ["difference", str(job / "runs" / "tiny"), str(folder / "runs" / "tiny"), "--json"]
    assert cli.main(words) == 0
    found = json.loads(capsys.readouterr().out)
    (cell,) = found["data"]["catalogs"]["cells"]
    assert (cell["part_number"], cell["after"]) == ("M-CHEAP", "1:9")
    assert found["data"]["gone"]
    assert {one["reason"] for one in found["data"]["gone"]} == {"beaten"}
    assert all("M-CHEAP price_breaks_each" in one["detail"] for one in found["data"]["gone"])


def test_import(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "stock.csv").write_text("Code,R\nA,4R7\nB,?\n", encoding="utf-8")
    (tmp_path / "map.toml").write_text(
        'kind = "resistor"\n[columns]\npart_number = { from = "Code" }\n'
        'resistance_typ_mohm = { from = "R" }\n',
        encoding="utf-8",
    )
    out = tmp_path / "resistors-stock.csv"
    words = ["import", str(tmp_path / "stock.csv"), "--map", str(tmp_path / "map.toml")]
    assert cli.main([*words, "--out", str(out)]) == 2
    told = capsys.readouterr().out
    assert "2 rows read, 2 resistor rows written, 1 cells not read, 0 rows left out" in told
    assert "stock.csv:3" in told
    assert out.read_text("utf-8") == "part_number,resistance_typ_mohm\nA,4700\nB,\n"
    assert cli.main([*words, "--out", str(out)]) == 2
    assert "a file that is there already" in capsys.readouterr().err


def test_a_run_of_another_spec_is_refused(job: Path, capsys: Capture) -> None:
    text = (job / "tiny.toml").read_text("utf-8")
    (job / "other.toml").write_text(text + "\n# another\n", encoding="utf-8")
    words = ["why-not", str(job / "other.toml"), "--run", str(job / "runs" / "tiny")]
    assert cli.main([*words, "--part", "L-SMALL"]) == 2
    assert "need the spec of the run; run `front" in capsys.readouterr().err


def test_a_run_of_other_catalogs_is_refused(tmp_path: Path, capsys: Capture) -> None:
    path = tiny.job(tmp_path, choice={"bank_pieces_max_pcs": 1, "bank_types_max_pcs": 1})
    assert cli.main(["front", str(path), "--runs", str(tmp_path / "runs")]) == 0
    tiny.write_catalogs(tmp_path / "parts", lead_time_weeks="3")
    run = ["--run", str(tmp_path / "runs" / "tiny")]
    assert cli.main(["why-not", str(path), *run, "--part", "L-SMALL"]) == 2
    assert "got a catalog that the run was not found from" in capsys.readouterr().err


def test_words_of_the_command_line(capsys: Capture) -> None:
    for words in (["why-not", "x", "--pieces", "0"], ["concessions", "x", "--by", "0"]):
        with pytest.raises(SystemExit) as ended:
            cli.main(words)
        assert ended.value.code == 2
    assert "need percent from above 0 to 100" in capsys.readouterr().err
