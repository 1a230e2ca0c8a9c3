"""A wish: a part, a number of pieces, a frequency or a topology that the set must have."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from optimizer.catalog import Catalog
from optimizer.conclude_sets import Chosen
from optimizer.errors import InputError, Problem
from optimizer.placed import kind_of_part, near, positions_of, stands_at, unknown_part
from optimizer.records import kind_of
from optimizer.spec_records import POSITIONS, ChoiceRules, Force, Spec
from optimizer.stage import Stage
from optimizer.studies.judging import holds, pieces_max

PLACE = "wish"


@dataclass(frozen=True, slots=True)
class Wish:
    """What a set must have; None where it may have anything.

    pieces : of the part, at one position; frequency [Hz]
    """

    part: str | None = None
    position: str | None = None
    pieces: int | None = None
    frequency: float | None = None
    topology: str | None = None

    def text(self) -> str:
        """The wish in words.

        >>> Wish(part="ABC", position="input-bank", pieces=2, frequency=4e5).text()
        '2 x ABC at input-bank, 400 kHz'
        """
        words = []
        if self.part:
            count = f"{self.pieces} x " if self.pieces else ""
            words.append(f"{count}{self.part}{f' at {self.position}' if self.position else ''}")
        if self.topology:
            words.append(self.topology)
        if self.frequency:
            words.append(f"{self.frequency / 1e3:g} kHz")
        return ", ".join(words)

    def kept_by(self, stage: Stage, one: Chosen) -> bool:
        """Whether a set has it."""
        near = self.frequency is None or abs(one.frequency - self.frequency) < 1e-6 * one.frequency
        part = self.part is None or holds(stage, one, self.part, self.position, self.pieces)
        return near and part and self.topology in (None, one.topology)


def checked(wish: Wish, spec: Spec, catalog: Catalog) -> Wish:
    """The wish, or every reason why it names nothing that there is."""
    problems = list(_problems(wish, spec, catalog))
    if problems:
        raise InputError(problems)
    return wish


def _problems(wish: Wish, spec: Spec, catalog: Catalog) -> Iterator[Problem]:
    if wish == Wish():
        need = "a part, a frequency or a topology"
        yield Problem(PLACE, "", "nothing", need, "say what the set must have")
    if wish.topology and wish.topology not in spec.controllers:
        need = f"one with a controller record: {', '.join(spec.controllers)}"
        fix = f"add [controllers.{wish.topology}] to the spec"
        yield Problem(PLACE, "topology", repr(wish.topology), need, fix)
    if wish.position and wish.position not in POSITIONS:
        need = f"one of {', '.join(POSITIONS)}"
        yield Problem(PLACE, "position", repr(wish.position), need, near(wish.position, POSITIONS))
    if wish.frequency is not None and not 10e3 <= wish.frequency <= 10e6:
        yield Problem(PLACE, "frequency", f"{wish.frequency:g} Hz", "10 kHz to 10 MHz")
    if wish.part is None:
        if wish.position or wish.pieces:
            yield Problem(PLACE, "part", "nothing", "the part that stands there", "name it")
        return
    kind = kind_of_part(catalog, wish.part)
    if kind is None:
        yield unknown_part(PLACE, "part", wish.part, catalog)
    elif wish.position in POSITIONS and kind_of(wish.position) != kind:
        yield Problem(PLACE, "position", wish.position, f"a position that takes this {kind}")


def places(wish: Wish, spec: Spec, catalog: Catalog) -> list[str | None]:
    """Positions at which the wish may come true, each a question of its own; [None] without part.

    A part wished at any position is forced at one after the other: then nothing else about the
    set has to be kept for the sake of the wish.
    """
    if wish.part is None:
        return [None]
    names = [wish.topology] if wish.topology else spec.topologies
    every = positions_of(kind_of_part(catalog, wish.part), names)
    return [p for p in every if wish.position in (None, p)]


def narrowed(wish: Wish, spec: Spec, position: str | None) -> Spec:
    """The spec in which only sets with the wish pass, its part forced at `position`.

    A frequency that no controller offers is taken as if all of them did.
    """
    if wish.topology:
        spec = replace(spec, topologies=(wish.topology,))
    if wish.frequency is not None:
        records = {
            name: replace(one, frequencies=(wish.frequency,))
            for name, one in spec.controllers.items()
        }
        able = tuple(n for n in spec.topologies if offers(spec, n, wish.frequency))
        spec = replace(spec, controllers=records, topologies=able or spec.topologies)
    if wish.part is None or position is None:
        return spec
    kept = tuple(name for name in spec.topologies if stands_at(name, position))
    choice: ChoiceRules = spec.choice
    pieces = wish.pieces if position != "inductor" else None
    force = (*choice.force, Force(wish.part, position, pieces))
    return replace(spec, topologies=kept, choice=replace(choice, force=force))


def offers(spec: Spec, topology: str, frequency: float) -> bool:
    """Whether the controller of a topology offers a frequency."""
    offered = spec.controllers[topology].frequencies
    return any(abs(one - frequency) < 1e-6 * frequency for one in offered)


def too_many(wish: Wish, spec: Spec, position: str | None) -> str | None:
    """Why the spec allows no such number of pieces at a position, or None."""
    if wish.pieces is None or position is None:
        return None
    most = pieces_max(spec, position)
    return None if wish.pieces <= most else f"the spec allows {most} at {position}"
