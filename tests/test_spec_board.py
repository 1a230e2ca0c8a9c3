"""A board file is read, or every problem in it is told at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.spec_board import read_board

BOARD = """
topology = "buck"
frequency_khz = 400
catalogs = ["own.csv"]
[positions]
input-high = { part_number = "A", pieces = 2 }
input-low = { part_number = "B" }
inductor = { part_number = "C" }
sense-resistor = { part_number = "D", pieces = 3 }
input-bank = [{ part_number = "E", pieces = 4 }, { part_number = "F" }]
output-bank = { part_number = "G", pieces = 3 }
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "board.toml"
    path.write_bytes(text.encode())
    return path


def test_a_board_is_read(tmp_path: Path) -> None:
    board = read_board(write(tmp_path, BOARD))
    parts = board.part_set
    assert (parts.topology, parts.frequency, parts.inductor) == ("buck", 400e3, "C")
    assert parts.transistors == {"input-high": ("A", 2), "input-low": ("B", 1)}
    assert parts.bank_input == (("E", 4), ("F", 1))
    assert parts.bank_output == (("G", 3),)
    assert parts.sense == ("D", 3)
    assert board.catalogs == (tmp_path / "own.csv",)


DAMAGE = [
    ('"buck"', '"bucks"', "topology: got 'bucks', need one of buck, boost, four-switch"),
    ("= 400", '= "400k"', "frequency_khz: got '400k', need a number"),
    ("= 400", "= true", "frequency_khz: got True"),
    ("= 400", "= 400000", "frequency_khz: got 400000, need a number from 10 to 10000, in kHz"),
    ("frequency_khz", "frequency_kz", "did you mean 'frequency_khz'?"),
    ("input-low", "input-lo", "positions.input-lo: got an unknown key"),
    ("input-low", "input-lo", "positions.input-low: got nothing, need a part number"),
    ("pieces = 2", "pieces = 0", "positions.input-high.pieces: got 0"),
    ("pieces = 2", "pieces = 1.5", "positions.input-high.pieces: got 1.5"),
    ("pieces = 2", "piece = 2", "did you mean 'pieces'?"),
    ('{ part_number = "C" }', '"C"', "positions.inductor: got C, need a part"),
    ('{ part_number = "C" }', '{ part_number = "C", pieces = 2 }', "number from 1 to 1"),
    ('[{ part_number = "E", pieces = 4 }, { part_number = "F" }]', "[]", "input-bank: got 0 types"),
    ('["own.csv"]', "3", "catalogs: got 3, need a list of file names"),
    ("[positions]", "[position]", "positions: got nothing, need a table of positions"),
    ("[positions]", "[positions", "need TOML"),
]


@pytest.mark.parametrize(("old", "new", "message"), DAMAGE)
def test_damage_is_named_with_place_and_need(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    assert old in BOARD
    path = write(tmp_path, BOARD.replace(old, new, 1))
    with pytest.raises(InputError) as told:
        read_board(path)
    assert message in str(told.value)
    assert all(problem.place == str(path) for problem in told.value.problems)


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    text = BOARD.replace("400", "0").replace("pieces = 3", "pieces = -1").replace('"A"', "7")
    with pytest.raises(InputError) as told:
        read_board(write(tmp_path, text))
    assert len(told.value.problems) == 4


def test_a_missing_file_and_foreign_bytes_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no readable file"):
        read_board(tmp_path / "none.toml")
    path = tmp_path / "bytes.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="need TOML"):
        read_board(path)
