"""Parts gone or changed on one run: verdicts, refusals with reasons, and what is proved."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from optimizer.archive_inputs import reopen
from optimizer.batch_fleet import Question, answer_of
from optimizer.catalog_changes import Changes, read_changes
from optimizer.cli import DONE, INFEASIBLE, WRONG_INPUT, main
from optimizer.errors import InputError
from optimizer.studies import obsolete
from tests import tiny
from tests.oracles.fleet_cases import PARTS

Plain = dict[str, Any]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose cheap points hold M-B; its spec allows every state the samples have."""
    folder = tmp_path_factory.mktemp("obsolete")
    tiny.write_catalogs(folder / "parts", PARTS)
    data = tiny.spec_data()
    data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
    data["choice"]["force"] = [{"part_number": "M-B"}]
    path = tiny.write_spec(folder, data)
    assert main(["front", str(path), "--runs", str(folder / "runs")]) == DONE
    return folder


def ask(folder: Path, changes: Changes, *, point: int | None = 1, **more: Any) -> Plain:
    question = Question(changes, **more)
    return answer_of(reopen(folder / "runs" / "tiny", question.catalogs), point, question)


def cells(**rows: Mapping[str, str]) -> Changes:
    return Changes(cells={name.replace("_", "-"): row for name, row in rows.items()})


def with_parts(found: Plain) -> list[str]:
    """Other parts of the drop-ins that were found."""
    step = found["answer"]["drop_ins"]
    return [one["swaps"][0]["part"] for one in step["replacements"]]


@pytest.fixture(scope="module")
def loose(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same job with nothing forced, so that a replacement may be anything."""
    folder = tmp_path_factory.mktemp("loose")
    tiny.write_catalogs(folder / "parts", PARTS)
    data = tiny.spec_data()
    data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
    data["limits"]["loss_ceiling_pct"] = 4.5
    path = tiny.write_spec(folder, data)
    assert main(["front", str(path), "--runs", str(folder / "runs")]) == DONE
    return folder


def holding(folder: Path, part: str) -> int:
    """The first point of the run that holds a part."""
    run = reopen(folder / "runs" / "tiny").run
    for point in run["points"]:
        if any(line["part_number"] == part for line in point["verified"]["bill"]):
            return int(point["number"])
    raise AssertionError(f"no point holds {part}")


def test_a_part_that_equals_by_name_only_is_refused_with_both_figures(loose: Path) -> None:
    point = holding(loose, "M-B")
    found = ask(loose, Changes(("M-B",)), point=point)
    refused = {one["part"]: one for one in found["answer"]["drop_ins"]["refused"]}
    assert refused["M-D"]["by"] == "name"
    assert refused["M-D"]["reason"] == (
        "equals M-B by name (60 V, 24 mohm at 10 V), but its on-resistance is not rated at the "
        "drive of 6.8 V (only at 10 V)"
    )
    assert found["answer"]["verdict"] == "drop-in"
    assert "M-C" in with_parts(found)
    assert "M-E" not in with_parts(found), "M-E has another land pattern"


def test_replacements_come_with_what_moves_and_what_to_test(loose: Path) -> None:
    found = ask(loose, Changes(("M-B",)), point=holding(loose, "M-B"))
    best = found["answer"]["drop_ins"]["replacements"][0]
    assert best["cost_change"] == pytest.approx(best["cost"] - found["answer"]["cost"])
    assert best["loss_change"] == pytest.approx(best["loss"] - found["answer"]["loss"])
    assert any("gate waveform" in test for test in best["tests"])
    assert any("efficiency" in test for test in best["tests"])
    assert best["margins"]
    assert all(abs(m["margin"] - m["margin_before"]) > obsolete.MOVED for m in best["margins"])


def test_the_spec_keeps_what_it_forces(folder: Path) -> None:
    """A forced part that is gone leaves no board: the spec must change first."""
    found = ask(folder, Changes(("M-B",)), point=1)
    assert found["answer"]["verdict"] == "fails"
    assert "M-B is forced at" in json.dumps(found["answer"]["drop_ins"]["refused"])


def test_a_board_without_the_part_is_untouched(loose: Path) -> None:
    found = ask(loose, Changes(("M-E",)), point=1)
    assert found["answer"]["verdict"] == "unaffected"
    assert found["front"]["status"] in ("stands", "points fall")


def test_stock_alone_changes_nothing(loose: Path) -> None:
    found = ask(loose, cells(L_A={"stock_pcs": "3", "lead_time_weeks": "40"}))
    assert found["front"] == {
        "status": "stands",
        "proof": "no limit, loss or cost of a part that may be chosen changes",
        "fallen": [],
    }


def test_a_dearer_part_costs_more_and_stays(loose: Path) -> None:
    part = "R-A"
    point = holding(loose, part)
    found = ask(loose, cells(R_A={"price_breaks_each": "1:0.3 100:0.25"}), point=point)
    again = found["answer"]["again"]
    assert found["answer"]["verdict"] == "passes"
    assert again["cost_change"] == pytest.approx(0.05)
    assert again["loss_change"] == pytest.approx(0.0, abs=1e-6)
    assert found["front"]["status"] == "points fall"
    assert point in found["front"]["fallen"]


def test_a_cheaper_part_leaves_the_front_open(loose: Path) -> None:
    found = ask(loose, cells(M_E={"price_breaks_each": "1:0.1"}))
    assert found["front"]["status"] == "open"
    assert "M-E may have become better" in found["front"]["proof"]


def test_a_state_that_the_spec_does_not_allow_is_a_loss(loose: Path) -> None:
    point = holding(loose, "M-B")
    found = ask(loose, cells(M_B={"status": "obsolete"}), point=point)
    assert found["answer"]["lost"] == ["M-B"]
    assert found["answer"]["reasons"] == ["M-B: life-cycle state: obsolete"]
    same = ask(loose, Changes(("M-B",)), point=point)
    assert with_parts(found) == with_parts(same)


def test_a_worse_value_is_verified_again(loose: Path) -> None:
    """A rating below what the board needs makes the part a lost one, with the broken limit."""
    point = holding(loose, "M-B")
    found = ask(loose, cells(M_B={"v_drain_source_rating_v": "35"}), point=point)
    assert found["answer"]["lost"] == ["M-B"]
    assert "drain voltage" in found["answer"]["reasons"][0]
    assert found["front"]["status"] == "open"


def test_a_changed_row_that_is_refused_is_a_loss(loose: Path) -> None:
    point = holding(loose, "M-B")
    found = ask(loose, cells(M_B={"rds_on_10v_max_mohm": "1"}), point=point)
    assert found["answer"]["reasons"] == ["M-B: not in the catalogs, or its row is refused"]
    assert found["answer"]["verdict"] != "unaffected"


def test_catalogs_that_moved_on_prove_nothing(loose: Path, tmp_path: Path) -> None:
    """Other bytes than those of the run: the board is verified again, the front is open."""
    tiny.write_catalogs(tmp_path / "parts", PARTS, data_revision="r2")
    found = ask(loose, Changes(("M-E",)), catalogs=(tmp_path / "parts",))
    assert found["answer"]["verdict"] == "passes"
    assert found["front"]["status"] == "open"


def test_what_was_not_looked_at_is_said(loose: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(obsolete, "BOARDS_MOST", 1)
    found = ask(loose, Changes(("R-A", "R-B")), point=1)["answer"]
    assert found["verdict"] == "fails"
    monkeypatch.setattr(obsolete, "TOUCH_MOST", 2)
    point = holding(loose, "M-B")
    changes = Changes(("M-B",))
    found = ask(loose, changes, point=point)["answer"]
    step = found["drop_ins"]
    assert step["seen"] == 1 < step["boards"]


# --- the command ----------------------------------------------------------------------------------


def test_the_command_tells_it_in_one_screen(
    loose: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    point = str(holding(loose, "M-B"))
    run = str(loose / "runs" / "tiny")
    assert main(["obsolete", run, "--gone", "M-B", "--point", point, "--front"]) == DONE
    text = capsys.readouterr().out
    assert "passes with a drop-in replacement" in text
    assert "equals M-B by name" in text
    assert "Repeat on the bench" in text
    assert "new front:" in text
    assert "against the old one: cheapest +" in text
    assert len(text.splitlines()) < 60


def test_a_limit_missed_at_the_own_state_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """In a shipped example the cheapest stand-in just keeps a ripple limit at the loss ceiling."""
    run = Path(__file__).parents[2] / "runs" / "examples" / "frost_watch"
    part = "GWELP-C10u-0057"
    found = answer_of(reopen(run), None, Question(Changes((part,))))
    for one in found["answer"]["drop_ins"]["replacements"]:
        least = min(move["margin"] for move in one["margins"]) if one["margins"] else 0.0
        assert one["misses"] or least >= 0.0
    told = [one["misses"] for one in found["answer"]["drop_ins"]["replacements"]]
    assert any(told)
    assert not all(told)
    assert main(["obsolete", str(run), "--gone", part]) == DONE
    assert "misses output-bank ripple voltage" in capsys.readouterr().out


def test_the_command_says_by_its_code_that_nothing_fits(
    loose: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = str(loose / "runs" / "tiny")
    code = main(["obsolete", run, "--gone", "R-A", "--gone", "R-B", "--point", "1", "--json"])
    assert code == INFEASIBLE
    assert json.loads(capsys.readouterr().out)["answer"]["verdict"] == "fails"


def test_parts_that_nobody_knows_are_wrong_input(
    loose: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = str(loose / "runs" / "tiny")
    assert main(["obsolete", run, "--gone", "M-BB"]) == WRONG_INPUT
    assert "changes M-BB: got 'M-BB', need a part number of the catalogs; did you mean 'M-B'?" in (
        capsys.readouterr().err
    )
    for words in ([], ["--gone", ""]):
        assert main(["obsolete", run, *words]) == WRONG_INPUT
        assert "no change" in capsys.readouterr().err


def test_a_part_that_left_the_catalogs_is_replaced_on_its_pads(
    loose: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Named as gone or not, its land pattern is what the run says."""
    point, run = str(holding(loose, "M-B")), str(loose / "runs" / "tiny")
    rest = {kind: {k: v for k, v in rows.items() if k != "M-B"} for kind, rows in PARTS.items()}
    tiny.write_catalogs(tmp_path / "later", rest)
    asked = ["obsolete", run, "--point", point, "--json", "--catalogs", str(tmp_path / "later")]
    told = []
    for words in (["--gone", "M-B"], []):
        assert main([*asked, *words]) == DONE
        told.append(json.loads(capsys.readouterr().out)["answer"])
        assert told[-1]["verdict"] == "drop-in"
        assert told[-1]["drop_ins"]["replacements"][0]["swaps"][0]["land_pattern"] == "pad-3"
    assert told[0]["drop_ins"] == told[1]["drop_ins"]


def test_a_new_revision_of_the_catalogs_is_a_question_of_its_own(
    loose: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No part is named: every part of the board is looked up anew."""
    run = str(loose / "runs" / "tiny")
    tiny.write_catalogs(tmp_path / "later", PARTS, price_breaks_each="1:0.5")
    assert main(["obsolete", run, "--catalogs", str(tmp_path / "later"), "--json"]) == DONE
    found = json.loads(capsys.readouterr().out)
    assert found["answer"]["verdict"] == "passes"
    assert found["answer"]["again"]["cost_change"] != 0.0
    assert found["front"]["status"] == "open"
    same = ["--catalogs", str(loose / "parts"), "--json"]
    assert main(["obsolete", run, *same]) == DONE
    found = json.loads(capsys.readouterr().out)
    assert (found["answer"]["verdict"], found["front"]["status"]) == ("unaffected", "stands")


# --- the file of changes --------------------------------------------------------------------------


def changes_of(folder: Path, text: str) -> Changes:
    path = folder / "changes.toml"
    path.write_text(text, encoding="utf-8")
    return read_changes(path, gone=["Z"])


def test_a_file_of_changes_is_read_with_what_the_command_adds(tmp_path: Path) -> None:
    found = changes_of(tmp_path, 'gone = ["A"]\n[parts."B"]\nstock_pcs = 5\nstatus = "active"\n')
    assert found.gone == ("A", "Z")
    assert found.cells == {"B": {"stock_pcs": "5", "status": "active"}}
    assert found.names == {"A", "B", "Z"}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("gone = 3", "gone: got 3, need a list of part numbers"),
        ("lost = []", "lost: got an unknown key, need one of gone, parts"),
        ("[parts]\nB = 4", "parts.B: got 4, need cells by their headers"),
        ("[parts.B]\nstok_pcs = 4", "did you mean 'stock_pcs'?"),
        ("[parts.B", "text that is no TOML"),
    ],
)
def test_a_wrong_file_of_changes_says_where(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(InputError) as error:
        changes_of(tmp_path, text)
    assert told in str(error.value)


def test_a_column_of_another_kind_is_refused(loose: Path) -> None:
    with pytest.raises(InputError, match="unknown column"):
        ask(loose, cells(L_A={"rds_on_10v_max_mohm": "4"}))


def test_an_impossible_cell_is_refused_with_its_place(loose: Path) -> None:
    with pytest.raises(InputError, match=r"mosfets\.csv:3 rds_on_10v_max_mohm"):
        ask(loose, cells(M_B={"rds_on_10v_max_mohm": "many"}))
