"""Questions of finished runs whose stages have a diode or two coils."""

from __future__ import annotations

import functools

import pytest

from optimizer.archive import board_of
from optimizer.conclude_board import looked_up
from optimizer.results import as_plain, part_set_of_plain
from optimizer.studies import second_source
from optimizer.studies.archived import Archived
from optimizer.studies.boards import Boards, places_of, with_places
from optimizer.studies.wish import Wish, places
from tests.oracles import random_cases
from tests.studies import cases
from tests.studies.cases import Looked
from tests.studies.test_why_not import compare

DRAWS = {"diodes": (random_cases.rectified_case, 0), "two coils": (random_cases.two_coil_case, 2)}
"""Draws of cases, and a seed whose front holds such a stage."""

KINDS = list(DRAWS)


@functools.cache
def first_run(kind: str) -> Archived:
    draw, seed = DRAWS[kind]
    case = draw(seed)
    run = cases.finished(case.spec, case.catalog)
    assert run is not None
    end = {"diodes": ("diode-buck", "diode-boost"), "two coils": ("sepic",)}[kind]
    assert any(one.topology.endswith(end) for one in run.front.chosen)
    return run


@pytest.mark.parametrize("kind", KINDS)
def test_a_point_is_the_same_set_after_it_was_written_and_read(kind: str) -> None:
    run = first_run(kind)
    for row, chosen in enumerate(run.front.chosen):
        one = run.part_set(row)
        assert part_set_of_plain(as_plain(one)) == one
        assert looked_up(run.catalog, one) == chosen
        assert with_places(one, places_of(one)) == one
        assert {p.position for p in places_of(one)} == {p for p, *_ in chosen.places()}


@pytest.mark.parametrize("kind", KINDS)
def test_boards_are_ruled_as_the_front_was(kind: str) -> None:
    run = first_run(kind)
    for row, chosen in enumerate(run.front.chosen):
        boards = Boards(run.spec, run.catalog, chosen.topology)
        (ruling,) = boards.rulings([run.part_set(row)])
        assert ruling.passes, ruling.reasons
        assert ruling.cost == pytest.approx(run.run["points"][row]["cost"], abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_second_sources_are_listed_at_every_place(kind: str) -> None:
    run = first_run(kind)
    point = run.run["points"][0]
    found = second_source.second_source(run.spec, run.catalog, board_of(point))
    assert {one.primary for one in found.lines} == {p.part for p in places_of(board_of(point))}


@pytest.mark.parametrize("kind", KINDS)
def test_wishes_at_their_exact_price(kind: str) -> None:
    """Diodes and capacitors, those of the coupling bank among them, against every set."""
    run = first_run(kind)
    judged = cases.looked(run.spec, run.catalog, dict(run.prepared.references))
    look = Looked(run, judged, run.spec.choice.objective == "worst-point")
    asked = 0
    for part_kind in ("diode", "capacitor", "inductor"):
        for part in run.catalog.tables[part_kind].part_number[:2]:
            if places(Wish(part=part), run.spec, run.catalog):
                compare(look, Wish(part=part))
                asked += 1
    assert asked >= 3
