"""Single-type banks and the staircase against plain enumeration."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.parts import bank
from optimizer.parts.bank_choice import BankDuty, BankLimits, single_options, staircase

pairs = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), max_size=25)


@settings(max_examples=300)
@given(pairs)
def test_staircase_keeps_exactly_what_nothing_beats(rows: list[tuple[int, int]]) -> None:
    cost = np.array([c for c, _ in rows], dtype=np.int64)
    loss = np.array([x for _, x in rows], dtype=float)
    kept = staircase(cost=cost, loss=loss)
    values = [rows[k] for k in kept]

    def beaten(row: tuple[int, int]) -> bool:
        return any(c <= row[0] and x <= row[1] and (c, x) != row for c, x in rows)

    unbeaten = [row for row in rows if not beaten(row)]
    assert values == sorted(set(unbeaten))


def duty_of(branches: bank.Branches) -> BankDuty:
    """A sine of 2 A peak at 100 kHz."""
    return BankDuty(np.array([[[2.0 + 0j]]]), np.array([[1e5]]), np.array([[2**0.5]]), branches)


def test_each_limit_takes_out_the_banks_it_should() -> None:
    """10 uF a piece at 100 kHz is 0.159 ohm; 2 A peak over n pieces gives 0.637 V/n p-p."""
    one = bank.Branches(np.full((2, 1), 1e-5), np.full((2, 1), 1e-4), np.zeros((2, 1)))
    cost = np.array([[0, 1, 2, 3, 4, 5], [0, 9, 9, 9, -1, 9]])
    duty = duty_of(one)
    free = np.full((2, 1), np.inf)

    def pieces(limits: BankLimits) -> list[tuple[int, int]]:
        found = single_options(
            objective=duty, weight=np.array([1.0]), sizing=duty, limits=limits, cost=cost
        )
        assert (found.second == -1).all()
        assert (found.cost == cost[found.first, found.first_pieces]).all()
        np.testing.assert_allclose(found.loss, 2 * 1e-4 / found.first_pieces, rtol=1e-6)
        return list(zip(found.first.tolist(), found.first_pieces.tolist(), strict=True))

    none = BankLimits(np.array([np.inf]), free, np.array([0.0]))
    assert len(pieces(none)) == 9
    quiet = BankLimits(np.array([0.2]), free, np.array([0.0]))
    assert pieces(quiet) == [(0, 4), (0, 5), (1, 5)]
    cool = BankLimits(np.array([np.inf]), np.array([[0.5], [np.nan]]), np.array([0.0]))
    assert pieces(cool) == [(0, 3), (0, 4), (0, 5)]
    large = BankLimits(np.array([np.inf]), free, np.array([4.5e-5]))
    assert pieces(large) == [(0, 5), (1, 5)]


def test_unknown_figures_take_the_type_out() -> None:
    one = bank.Branches(np.full((2, 1), 1e-5), np.array([[np.nan], [0.01]]), np.zeros((2, 1)))
    found = single_options(
        objective=duty_of(one), weight=np.array([1.0]), sizing=duty_of(one),
        limits=BankLimits(np.array([np.inf]), np.full((2, 1), np.inf), np.array([0.0])),
        cost=np.array([[0, 1], [0, 1]]),
    )  # fmt: skip
    assert found.first.tolist() == [1]
