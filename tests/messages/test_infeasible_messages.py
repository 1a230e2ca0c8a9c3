"""What a user reads when nothing is feasible: the wording, with measured figures masked."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer import infeasible, search
from optimizer.catalog import Catalog, read_catalog
from optimizer.cli import INFEASIBLE, main
from optimizer.records import Fall, Waterfall
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from tests import tiny

MEASURED = re.compile(r"\d+\.\d+|\d{2,} re-solves|\d re-solves")


def masked(text: str) -> list[str]:
    """Lines with figures that physics gives replaced by #."""
    return [MEASURED.sub("#", line) for line in text.splitlines()]


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Catalog]:
    path = tiny.job(
        tmp_path_factory.mktemp("job"),
        choice={"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1},
    )
    spec = read_spec(path)
    return spec, read_catalog(spec.catalogs)


def told(spec: Spec, catalog: Catalog, time_limit: float = 20.0) -> list[str]:
    found = search.solve(spec, catalog)
    return masked(str(infeasible.explain(spec, catalog, found, time_limit=time_limit)))


def test_a_waterfall() -> None:
    falls = (
        Fall("buck output-low", "drain voltage", 812, 410),
        Fall("buck output-low", "junction temperature", 402, 300),
        Fall("buck output-low", "height", 102, 102),
    )
    assert infeasible.waterfall_text(Waterfall("buck output-low", 812, falls, 0)) == (
        "buck output-low: 812 parts, 410 fell on drain voltage, 300 fell on junction temperature, "
        "102 fell on height, 0 left"
    )


def test_a_limit_no_bank_keeps(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    spec = replace(spec, limits=replace(spec.limits, v_ripple_output=0.001))
    lines = told(spec, catalog)
    assert lines.pop(0) == (
        "buck parts beside inductor and frequency: 2 combinations, 2 fell on output-bank: none "
        "passes, 0 left"
    )
    assert lines[0] == (
        "buck, 300 kHz, L-LARGE: output-bank: 4 choices, 4 fell on ripple voltage, 0 left"
    )
    assert re.fullmatch(
        r"nearest miss of \d+ sets looked at: buck, 300 kHz, L-LARGE misses output-bank ripple "
        r"voltage by # mV \(# mV, at most 1 mV; \d+ %\) at maximum input 26 V, step-down; "
        r"all other limits hold",
        lines[1],
    )
    assert lines[2] == "one of these alone would do, smallest first:"
    assert re.fullmatch(r"  output ripple: 1 mV to # mV \(\d+ %\)", lines[3])
    assert "  pieces of a bank: up to 4" not in lines
    assert lines[-2].startswith("smallest single relaxation: output ripple: 1 mV to # mV")
    fine = "2 % of the limit, of a floor 2 % of the loss it allows, of a temperature 1 K"
    assert lines[-1] == f"#; amounts are the least to within {fine}"


def test_no_part_left_at_a_position(job: tuple[Spec, Catalog]) -> None:
    spec, catalog = job
    spec = replace(spec, limits=replace(spec.limits, height_max=1.5e-3))
    lines = told(spec, catalog)
    assert lines[0] == "buck inductor: 2 parts, 2 fell on height, 0 left"
    assert "  height: # mm to 3 mm (100 %)" in lines
    assert lines[-2] == "smallest single relaxation: height: # mm to 3 mm (100 %)"


def test_through_the_command_each_line_stands_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tiny.job(tmp_path, limits={"height_max_mm": 1.5})
    code = main(["front", str(path), "--runs", str(tmp_path / "runs"), "--time-limit", "1"])
    assert code == INFEASIBLE
    lines = capsys.readouterr().err.splitlines()
    start = lines.index("No feasible design:")
    assert lines[start + 1] == "  buck inductor: 2 parts, 2 fell on height, 0 left"
    assert all(line.startswith("  ") for line in lines[start + 1 :])
