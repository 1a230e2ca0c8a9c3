"""Second sources against every assignment and every mixture, looked at one by one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import product
from pathlib import Path

import pytest

from optimizer.archive import board_of, read_run
from optimizer.catalog import Catalog, read_catalog
from optimizer.cli import DONE, INFEASIBLE, main
from optimizer.conclude_board import looked_up
from optimizer.conclude_sets import stacked
from optimizer.results import PartSet
from optimizer.spec import read_spec
from optimizer.spec_records import Spec
from optimizer.studies import second_source
from optimizer.studies.boards import Boards, Place, places_of, with_places
from tests import tiny
from tests.oracles import brute_force, fleet_cases
from tests.oracles.fleet_cases import PARTS, board_key

OTHERS = {
    "mosfet": {"M-F": PARTS["mosfet"]["M-A"] | {"maker": "Third", "price_breaks_each": "1:0.9"}},
    "inductor": {"L-D": PARTS["inductor"]["L-B"] | {"maker": "Other", "price_breaks_each": "1:1"}},
    "capacitor": {"C-D": PARTS["capacitor"]["C-A"] | {"maker": "Third", "capacitance_typ_uf": "9"}},
    "resistor": {"R-C": PARTS["resistor"]["R-A"] | {"maker": "Other"}},
}
ALL = {kind: dict(rows) | OTHERS[kind] for kind, rows in PARTS.items()}

Job = tuple[Spec, Catalog, list[PartSet], Path]


def made(folder: Path, **limits: float) -> Job:
    tiny.write_catalogs(folder / "parts", ALL)
    data = tiny.spec_data()
    data["choice"] |= {"bank_pieces_max_pcs": 2, "bank_types_max_pcs": 1}
    data["limits"] |= limits
    path = tiny.write_spec(folder, data)
    assert main(["front", str(path), "--runs", str(folder / "runs")]) == DONE
    spec = read_spec(path)
    boards = [board_of(one) for one in read_run(folder / "runs" / "tiny")["points"]]
    return spec, read_catalog(spec.catalogs), boards, folder


@pytest.fixture(scope="module")
def roomy(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return made(tmp_path_factory.mktemp("roomy"))


@pytest.fixture(scope="module")
def tight(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return made(tmp_path_factory.mktemp("tight"), loss_ceiling_pct=4.5, v_ripple_output_mv=60.0)


def offers(spec: Spec, catalog: Catalog, place: Place) -> list[str]:
    """Parts of another maker on the same pads that the spec lets in, read off the rows."""
    table = catalog.tables[place.kind]
    own = table.part_number.index(place.part)
    maker, pads = table.texts["maker"], table.texts["land_pattern"]
    return [
        name
        for row, name in enumerate(table.part_number)
        if maker[row] != maker[own] and pads[row] == pads[own]
        if all(brute_force.part_rules(spec, table, row).values())
    ]


def filled(held: Sequence[Place], names: Sequence[str | None]) -> list[Place]:
    """The places that get another part."""
    pairs = zip(held, names, strict=True)
    return [Place(p.position, p.slot, n, p.pieces) for p, n in pairs if n is not None]


def every_assignment(spec: Spec, catalog: Catalog, board: PartSet) -> tuple[int, int]:
    """Fewest places without alternate and, with so few, the least price of the alternates."""
    held = places_of(board)
    stage = brute_force.stages(spec, catalog)[board.topology]
    shop = Boards(spec, catalog, board.topology)
    offered = [[*offers(spec, catalog, place), None] for place in held]
    every = [with_places(board, filled(held, names)) for names in product(*offered)]
    sets = stacked([looked_up(catalog, one) for one in every])
    passing = fleet_cases._passing(spec, catalog, stage, sets)
    best = (len(held) + 1, 0)
    for names in product(*offered):
        changed = filled(held, names)
        price = sum(shop.price_alone(place) for place in changed)
        rank = (len(held) - len(changed), price)
        if rank >= best:
            continue
        mixtures = product(*[(None, place) for place in changed])
        boards = (with_places(board, [p for p in one if p]) for one in mixtures)
        if all(board_key(one) in passing for one in boards):
            best = rank
    return best


@pytest.mark.parametrize("name", ["roomy", "tight"])  # no limit in the way, and some
def test_the_table_is_the_best_of_all_assignments(
    name: str, request: pytest.FixtureRequest
) -> None:
    spec, catalog, boards, _ = request.getfixturevalue(name)
    covered = set()
    for board in (boards[0] if name == "roomy" else boards[-1],):
        found = second_source.second_source(spec, catalog, board)
        assert found.proved
        held = {place.name: place for place in places_of(board)}
        shop = Boards(spec, catalog, board.topology)
        price = sum(
            shop.price_alone(Place(held[n].position, held[n].slot, line.alternate, line.pieces))
            for line in found.lines
            for n in line.positions
            if line.alternate
        )
        assert (len(found.single), price) == every_assignment(spec, catalog, board)
        assert found.mixtures == 2 ** (len(found.lines) - len(found.single))
        assert found.robust == (not found.single)
        covered.add(len(found.single))
        for line in found.lines:
            allowed = offers(spec, catalog, held[line.positions[0]])
            assert {c.part for c in line.candidates} == set(allowed)
            assert all(c.passes == (not c.reason) for c in line.candidates)
    assert covered


def test_a_weak_form_is_called_weak(tight: Job, capsys: pytest.CaptureFixture[str]) -> None:
    _, _, boards, folder = tight
    run = str(folder / "runs" / "tiny")
    code = main(["alternates", run, "--point", str(len(boards))])
    text = capsys.readouterr().out
    assert "WEAK form" in text
    assert code == (DONE if "(strong form)" in text else INFEASIBLE)


def test_places_the_spec_ties_change_together(roomy: Job) -> None:
    spec, _, boards, _ = roomy
    from dataclasses import replace

    same = replace(spec.choice, same_part=(("input-high", "input-low"),))
    groups = second_source.tied(replace(spec, choice=same), boards[0])
    assert [place.position for place in groups[0]] == ["input-high", "input-low"]
    assert len(groups) == len(places_of(boards[0])) - 1


def test_the_first_robust_point_of_the_front(
    roomy: Job, capsys: pytest.CaptureFixture[str]
) -> None:
    _, _, _, folder = roomy
    run = str(folder / "runs" / "tiny")
    code = main(["alternates", run, "--cheapest", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == (DONE if found["second_source"]["robust"] else INFEASIBLE)
    for point in range(1, found["point"]):
        assert main(["alternates", run, "--point", str(point), "--json"]) == INFEASIBLE
        capsys.readouterr()
    main(["alternates", run, "--cheapest"])
    assert "Price of robustness" in capsys.readouterr().out
