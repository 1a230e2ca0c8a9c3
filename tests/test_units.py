"""Unit suffixes against the SI prefixes of the BIPM brochure (9th edition, table 7)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.units import PREFIXES, UNITS, factor, nearest_suffix, split_suffix, with_prefix

SI = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}


def test_prefixes() -> None:
    assert {prefix: float(f"1e{power}") for prefix, power in SI.items()} == PREFIXES


@pytest.mark.parametrize("suffix", [s for s, unit in UNITS.items() if unit.prefix])
def test_factor_is_the_prefix(suffix: str) -> None:
    assert factor(suffix) == float(f"1e{SI[UNITS[suffix].prefix]}")


@pytest.mark.parametrize(
    ("suffix", "expected"),
    [("h", 3600.0), ("mm2", 1e-6), ("pct", 0.01), ("ppm_per_k", 1e-6), ("pct_per_k", 0.01),
     ("a_per_us", 1e6), ("c", 1.0), ("k", 1.0), ("k_per_w", 1.0), ("pcs", 1.0), ("weeks", 1.0)],
)  # fmt: skip
def test_factor_of_compound_units(suffix: str, expected: float) -> None:
    assert factor(suffix) == expected


@given(
    stem=st.sampled_from(["rds_on_10v_max", "price", "q_gate", "loss_h", "temp"]),
    suffix=st.sampled_from(sorted(UNITS)),
)
def test_split_inverts_join(stem: str, suffix: str) -> None:
    assert split_suffix(f"{stem}_{suffix}") == (stem, suffix)


def test_no_suffix() -> None:
    assert split_suffix("core_loss_exponent_ripple") == ("core_loss_exponent_ripple", "")


@pytest.mark.parametrize(
    ("word", "expected"), [("mohms", "mohm"), ("uhh", "uh"), ("kg", ""), ("weekz", "weeks")]
)
def test_nearest_suffix(word: str, expected: str) -> None:
    assert nearest_suffix(word) == expected


@pytest.mark.parametrize(
    ("value", "suffix", "expected"),
    [(0.5, "mohm", "500 uohm"), (5000, "mohm", "5 ohm"), (0.0, "v", "0 V"), (-3, "uh", "-3 uH"),
     (85, "c", "85 degC"), (12, "mm", "12 mm"), (3, "pcs", "3 pieces"), (1e6, "uf", "1 F")],
)  # fmt: skip
def test_with_prefix(value: float, suffix: str, expected: str) -> None:
    assert with_prefix(value, suffix) == expected
