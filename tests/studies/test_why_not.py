"""A wish against a look at every set: its price where some pass, the limits where none does."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from optimizer import search
from optimizer.catalog import read_catalog
from optimizer.errors import InputError
from optimizer.records import BoolArray
from optimizer.spec import read_spec
from optimizer.spec_records import Force
from optimizer.studies.answer import Answer
from optimizer.studies.archived import Archived
from optimizer.studies.why_not import why_not
from optimizer.studies.wish import Wish, narrowed, places
from tests import tiny
from tests.oracles import brute_force
from tests.oracles.brute_force import Judgement
from tests.studies import cases
from tests.studies.cases import Looked

SEEDS = range(6)


def with_wish(look: Looked, wish: Wish) -> list[BoolArray]:
    """Which of all sets have the wish, read off the sets themselves."""
    found = []
    for part in look.judged:
        stage = look.case.prepared.stages[part.topology]
        keep = np.ones(len(part.sets), dtype=bool)
        if wish.part is not None:
            force = Force(wish.part, wish.position, wish.pieces)
            keep &= brute_force._holds_part(stage, part.sets, force)
        if wish.frequency is not None:
            keep &= np.isclose(part.sets.frequency, wish.frequency)
        if wish.topology is not None:
            keep &= part.topology == wish.topology
        found.append(keep)
    return found


def parts(case: Archived) -> list[str]:
    return [name for table in case.catalog.tables.values() for name in table.part_number]


def compare(look: Looked, wish: Wish) -> Answer:
    """The answer to a wish, held against every set."""
    answer = why_not(look.case, wish)
    assert answer.proved
    cost, loss = look.sets(with_wish(look, wish))
    assert (answer.data["verdict"] == "possible") == bool(len(cost)), (wish, answer.answer)
    if not len(cost):
        return answer
    assert answer.data["cost_min"] == pytest.approx(cost.min(), abs=1e-4)
    assert answer.data["loss_min_w"] == pytest.approx(loss.min(), abs=cases.SLACK)
    for price in answer.data["prices"]:
        told = price["cost"] + price["cost_more"]
        assert cases.agrees(told, cost, loss, price["loss_w"]), (wish, price)
        told = price["loss_w"] + price["loss_more_w"]
        within = cost <= price["cost"] + 1e-5
        least = float(np.min(loss[within], initial=math.inf))
        assert told == pytest.approx(least, abs=cases.SLACK)
    return answer


@pytest.mark.parametrize("seed", SEEDS)
def test_every_part_of_a_case_at_its_exact_price(seed: int) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    for part in parts(look.case)[:: 1 + seed % 2]:
        compare(look, Wish(part=part))


def verdicts() -> list[tuple[int, str, str]]:
    found = []
    for seed in SEEDS:
        look = cases.random_run(seed)
        if look is not None:
            for part in parts(look.case)[:: 1 + seed % 2]:
                found.append((seed, part, why_not(look.case, Wish(part=part)).data["verdict"]))
    return found


def test_the_cases_hold_both_answers() -> None:
    told = [verdict for _, _, verdict in verdicts()]
    assert told.count("possible") >= 20
    assert told.count("impossible") >= 5


@pytest.mark.parametrize("seed", [0, 3, 5, 8, 11])
def test_positions_and_pieces(seed: int) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    one = look.case.front.chosen[0]
    stage = look.case.prepared.stages[one.topology]
    for position, kind, row, pieces in one.places():
        part = stage.tables[kind].part_number[row]
        compare(look, Wish(part=part, position=position))
        if position != "inductor":
            for count in (1, 2):
                compare(look, Wish(part=part, position=position, pieces=count))
            told = why_not(look.case, Wish(part=part, position=position, pieces=pieces))
            assert told.data["on_front"][:1] == [1]


@pytest.mark.parametrize("seed", [1, 2, 6, 9])
def test_frequencies_and_topologies(seed: int) -> None:
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    spec = look.case.spec
    for name in spec.topologies:
        if name in look.case.prepared.stages:
            compare(look, Wish(topology=name))
    for value in {f for c in spec.controllers.values() for f in c.frequencies}:
        compare(look, Wish(frequency=value))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_refusal_is_proved_by_a_solve_of_its_own(seed: int) -> None:
    """Shown again by a search of its own, and by the limits that sets with the wish break."""
    look = cases.random_run(seed)
    if look is None:
        pytest.skip("nothing passes")
    for part in parts(look.case)[:: 1 + seed % 2]:
        wish = Wish(part=part)
        answer = why_not(look.case, wish)
        if answer.data["verdict"] != "impossible":
            continue
        for position in places(wish, look.case.spec, look.case.catalog):
            spec = narrowed(wish, look.case.spec, position)
            if spec.topologies:
                assert search.solve(spec, look.case.catalog, any_set=True).none()
        if answer.data["broken"]:
            names = {name_of(m["subject"], m["quantity"]) for m in answer.data["broken"]}
            assert broken_somewhere(look.judged, with_wish(look, wish), names), answer.answer


def name_of(subject: str, quantity: str) -> str:
    return brute_force.limit_name(subject, quantity)


def broken_somewhere(judged: list[Judgement], keep: list[BoolArray], names: set[str]) -> bool:
    """Whether some set with the wish breaks limits of these names (and perhaps others)."""
    for part, mask in zip(judged, keep, strict=True):
        for name, held in part.held.items():
            plain = name.replace(", low end", "").replace(", high end", "")
            if (mask & ~held).any() and any(plain.split(":")[0] in n for n in names):
                return True
    return False


def test_a_stop_never_leaves_a_proof() -> None:
    look = cases.random_run(2)
    assert look is not None
    for part in parts(look.case):
        answer = why_not(look.case, Wish(part=part), stop=lambda: True)
        rule = answer.data["verdict"] == "impossible" and answer.data["rules"]
        whole = "it costs nothing" in answer.answer
        assert answer.proved == bool(rule or whole), answer


def test_words_that_name_nothing_are_refused() -> None:
    look = cases.random_run(0)
    assert look is not None
    part = look.case.catalog.tables["inductor"].part_number[0]
    for wish, text in (
        (Wish(), "wish: got nothing, need a part, a frequency or a topology"),
        (Wish(part=part[:-1]), f"did you mean '{part}'?"),
        (Wish(part=part, position="input-high"), "need a position that takes this inductor"),
        (Wish(topology="sideways"), "need one with a controller record"),
        (Wish(position="inductor"), "need the part that stands there"),
    ):
        with pytest.raises(InputError) as error:
            why_not(look.case, wish)
        assert text in str(error.value)


def test_a_part_that_no_bank_can_hold_needs_no_search(tmp_path: Path) -> None:
    """Forced at a bank it lets no other type stand there either, with its own reason."""
    parts = {kind: dict(rows) for kind, rows in tiny.PARTS.items()}
    parts["capacitor"]["C-WEAK"] = {"v_rating_v": "10"}
    tiny.write_catalogs(tmp_path / "parts", parts)
    data = tiny.spec_data()
    data["choice"]["force"] = [{"part_number": "C-WEAK", "position": "input-bank"}]
    spec = read_spec(tiny.write_spec(tmp_path, data))
    found = search.solve(spec, read_catalog(spec.catalogs))
    (bank,) = (one for one in found.waterfalls if one.position == "buck input-bank")
    assert bank.left == 0
    assert bank.falls[-1].reason == "voltage of the part forced here"
    assert "bounds" not in found.seconds
