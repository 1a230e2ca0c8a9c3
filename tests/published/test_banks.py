"""Banks and capacitors against published relations; the data file names the sources."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from optimizer.parts import bank, capacitor

DATA = tomllib.loads((Path(__file__).parent / "banks.toml").read_text("utf-8"))


def test_unlike_pair_divides_by_impedance() -> None:
    given = DATA["unlike_pair"]
    column = {name: np.array(given[name])[:, None] for name in ("capacitance", "esr")}
    branches = bank.Branches(**column, esl=np.zeros((2, 1)))
    rms = np.array([[1.0]])
    solved = bank.solve(
        harmonics=np.array([[[np.sqrt(2) + 0j]]]), frequency=np.array([[given["frequency"]]]),
        i_rms_ac=rms, branches=branches, first=np.array([0]), first_pieces=np.array([1]),
        second=np.array([1]), second_pieces=np.array([1]),
    )  # fmt: skip
    shares = [solved.i_rms_first[0, 0], solved.i_rms_second[0, 0]]
    assert shares == pytest.approx(given["share"], rel=given["rel"])
    assert sum(shares) > 1.2, "phases differ: the shares do not add to one"
    omega = np.array(2 * np.pi * given["frequency"])
    g, b = bank.admittance(**column, esl=branches.esl, omega=omega)
    assert (1 / np.hypot(g, b))[:, 0] == pytest.approx(given["magnitude"], rel=given["rel"])


def test_dielectric_code_leaves_85_percent() -> None:
    given = DATA["dielectric_code"]
    one, none = np.ones((1, 1)), np.zeros((1, 1))
    left = capacitor.capacitance_guaranteed(
        capacitance=given["capacitance"] * one, capacitance_tolerance=none, share_bias=one,
        capacitance_temp_drop=given["drop"] * one, capacitance_ageing=none, decades=none,
    )  # fmt: skip
    assert float(left[0, 0]) == pytest.approx(given["expected"], rel=given["rel"])
