"""What is asked of pairs of halves is asked once of each, and answered as if asked directly."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.mixtures import Asked
from optimizer.records import BoolArray, IntArray


@pytest.mark.parametrize("bank", [False, True])
def test_each_pair_is_asked_once(bank: bool) -> None:
    """Random questions with repetitions; of a bank the order of the types does not matter."""
    seen: list[tuple[int, int]] = []

    def ask(x: IntArray, y: IntArray) -> BoolArray:
        seen.extend(zip(x.tolist(), y.tolist(), strict=True))
        return np.asarray((x * y + x + y) % 3 == 0)

    asked, random = Asked(ask, bank=bank), np.random.default_rng(5)
    for _ in range(30):
        x, y = random.integers(0, 12, 40), random.integers(-1, 12, 40)
        want = (x * y + x + y) % 3 == 0
        assert np.array_equal(asked(x, y), want)
    assert len(set(seen)) == len(seen)
    if bank:
        assert all(y < 0 or x <= y for x, y in seen)
    assert asked(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)).shape == (0,)
