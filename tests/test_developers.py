"""DEVELOPERS.md agrees with the code: its map, its layer table, and a derivation per mention."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.test_layers import LAYER, ROOT

TEXT = (ROOT.parent / "DEVELOPERS.md").read_text("utf-8")
ORDER = (
    *("The map", "Layers", "Vocabulary", "How to add", "How we know it is right", "Derivations"),
    *("Decisions", "What is not modelled", "Changes"),
)
ENDINGS = "py|toml|js|css|j2|LICENSE"
TOPIC = re.compile(r"derived in DEVELOPERS\.md, ([a-z -]+?)(?: \(|[;.,])")


def section(name: str) -> str:
    """Text under a heading of the second level."""
    parts = re.split(r"^## ", TEXT, flags=re.MULTILINE)
    return next(part for part in parts if part.startswith(name + "\n"))


def mapped(text: str) -> set[str]:
    """Files the map names; a bare file name lies in the folder of the one before it."""
    found: set[str] = set()
    folder = ROOT.parent
    for name in re.findall(rf"`([\w/*.-]+\.(?:{ENDINGS})|[\w/]+/)`", text):
        path = ROOT.parent / name
        if "/" in name:
            folder = path.parent
        else:
            path = folder / name
        pattern = f"{path.relative_to(ROOT.parent)}" + ("/*.py" if path.is_dir() else "")
        found |= {str(p.relative_to(ROOT.parent)) for p in ROOT.parent.glob(pattern)}
    return found


def derived() -> set[str]:
    """What the docstrings say is derived in DEVELOPERS.md, where they name it."""
    return {
        topic for path in ROOT.rglob("*.py") for topic in TOPIC.findall(path.read_text("utf-8"))
    }


def test_sections_stand_in_their_order() -> None:
    assert tuple(re.findall(r"^## (.+)$", TEXT, re.MULTILINE)) == ORDER


def test_every_file_stands_in_the_map() -> None:
    files = {str(p.relative_to(ROOT.parent)) for p in ROOT.rglob("*") if p.suffix != ".pyc"}
    here = {name for name in files if (ROOT.parent / name).is_file() and "__pycache__" not in name}
    markers = {name for name in here if name.endswith(("parts/__init__.py", "py.typed"))}
    assert sorted(here - mapped(section("The map")) - markers) == []


def test_the_map_names_no_file_that_is_gone() -> None:
    folder = ROOT.parent
    gone = []
    for name in re.findall(rf"`([\w/*.-]+\.(?:{ENDINGS}))`", section("The map")):
        folder = (ROOT.parent / name).parent if "/" in name else folder
        if not list(folder.glob(Path(name).name)):
            gone.append(name)
    assert [name for name in gone if name not in ("contracts.py", "records.py")] == []


def test_the_layer_table_is_that_of_the_test() -> None:
    rows = re.findall(r"^\| (\d) \w+ \| (.+?) \|", section("Layers"), re.MULTILINE)
    told = {room: int(layer) for layer, rooms in rows for room in re.findall(r"`(\w+)`", rooms)}
    assert told == LAYER


@pytest.mark.parametrize("topic", sorted(derived()))
def test_what_a_docstring_calls_derived_is_derived(topic: str) -> None:
    body = section("Derivations").lower()
    assert re.search(rf"^(### |\*\*){re.escape(topic)}", body, re.MULTILINE), topic


def test_the_checks_can_fail() -> None:
    assert mapped("`optimizer/no_such_file.py`") == set()
    assert "optimizer/tally.py" in mapped("`optimizer/dominance.py`, `tally.py`")
    assert {"thermal gain", "turn-off", "half bridge"} <= derived()
