"""The verbs of a notebook load what they name."""

from __future__ import annotations

import pytest

import optimizer
from optimizer.studies.wish import Wish


@pytest.mark.parametrize("name", [n for n in optimizer.__all__ if not n.startswith("_")])
def test_every_verb_loads(name: str) -> None:
    assert callable(getattr(optimizer, name))


def test_a_verb_is_the_one_of_its_room() -> None:
    assert optimizer.Wish is Wish
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = optimizer.nothing
