"""A part forced anywhere: the fronts of its positions together, against the row that says so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer import placed, search
from optimizer.errors import InputError
from optimizer.spec_records import Force
from tests.oracles import random_cases


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("kind", ["mosfet", "capacitor"])
def test_as_the_solver_with_a_row(seed: int, kind: str) -> None:
    """The solver takes "is used" as a row over all options; the search goes by position."""
    case = random_cases.random_case(seed)
    part = case.catalog.tables[kind].part_number[-1]
    spec = replace(case.spec, choice=replace(case.spec.choice, force=(Force(part, None),)))
    ways = list(placed.by_position(spec, case.catalog))
    assert len(ways) > 1
    assert all(one.position for way in ways for one in way.choice.force)
    rows = search.solve(spec, case.catalog, engine="solver")
    found = search.solve(spec, case.catalog)
    assert points(found) == points(rows)
    if found.front is not None:
        assert found.front.complete


def points(found: search.Found) -> list[tuple[int, int]]:
    """Cost and loss of every point."""
    return [] if found.front is None else [(one.cost, one.loss) for one in found.front.points]


def test_two_parts_stand_in_every_way() -> None:
    case = random_cases.random_case(0)
    one, two = (case.catalog.tables[kind].part_number[0] for kind in ("mosfet", "inductor"))
    both = (Force(one, None), Force(two, None))
    spec = replace(case.spec, choice=replace(case.spec.choice, force=both))
    ways = list(placed.by_position(spec, case.catalog))
    mosfets = placed.positions_of("mosfet", spec.topologies)
    assert [way.choice.force[0].position for way in ways] == mosfets
    assert {way.choice.force[1].position for way in ways} == {"inductor"}


def test_a_forced_part_that_cannot_be_used_is_an_error_with_a_remedy() -> None:
    case = random_cases.random_case(0)
    table = case.catalog.tables["mosfet"]
    part = table.part_number[0]

    def told(part: str, **choice: object) -> str:
        rules = replace(case.spec.choice, force=(Force(part, None),), **choice)  # type: ignore[arg-type]
        bought = replace(case.spec.purchase, states_allowed=("obsolete",))
        with pytest.raises(InputError) as error:
            placed.checked(replace(case.spec, choice=rules, purchase=bought), case.catalog)
        return str(error.value)

    assert f"did you mean {part!r}" in told(part + "x")
    assert "choice.force_any_state" in told(part)
    assert "choice.forbid rules out" in told(part, forbid=(part,), force_any_state=True)


def test_a_position_that_no_topology_has_is_not_passed_over() -> None:
    case = random_cases.random_case(0)
    part = case.catalog.tables["mosfet"].part_number[0]
    assert case.spec.topologies == ("buck",)
    force = (Force(part, "output-low"),)
    spec = replace(case.spec, choice=replace(case.spec.choice, force=force))
    found = search.solve(spec, case.catalog)
    assert found.front is None
    assert [one.reason for one in found.refused] == [
        f"{part} is forced at output-low, which it does not have"
    ]
    force = (Force(part, "inductor"),)
    wrong = replace(spec, choice=replace(spec.choice, force=force))
    with pytest.raises(InputError, match="a mosfet, at inductor, need a part of the inductor"):
        placed.checked(wrong, case.catalog)


def test_a_currency_in_which_nothing_is_priced_is_an_error() -> None:
    case = random_cases.random_case(0)
    spec = replace(case.spec, purchase=replace(case.spec.purchase, currency="USD"))
    with pytest.raises(InputError, match="'USD', in which no part of the catalogs is priced"):
        placed.checked(spec, case.catalog)


def test_names_that_no_catalog_has_are_told() -> None:
    case = random_cases.random_case(0)
    part = case.catalog.tables["mosfet"].part_number[0]
    rules = replace(case.spec.choice, forbid=(part + "x", part))
    spec = replace(case.spec, choice=rules)
    (told,) = placed.unknown_names(spec, case.catalog)
    assert told == ("choice.forbid", f"{part + 'x'!r} is in no catalog; did you mean {part!r}?")
