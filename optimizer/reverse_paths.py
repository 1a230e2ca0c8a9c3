"""Where current can flow when nothing is commanded on: a search over body diodes and the coil.

A stage is a small graph: input, output, ground and the two ends of the coil. A transistor that is
off is an edge one way (its body diode), a shorted one both ways, an open one none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from optimizer.records import INPUT_HIGH, INPUT_LOW, OUTPUT_HIGH, OUTPUT_LOW

INPUT, OUTPUT, GROUND = "input", "output", "ground"
COIL_INPUT, COIL_OUTPUT = "coil input", "coil output"

BODY_DIODES: Mapping[str, tuple[str, str]] = {
    INPUT_HIGH: (COIL_INPUT, INPUT),
    INPUT_LOW: (GROUND, COIL_INPUT),
    OUTPUT_LOW: (GROUND, COIL_OUTPUT),
    OUTPUT_HIGH: (COIL_OUTPUT, OUTPUT),
}
"""Position -> the two nodes its body diode joins, in the direction it conducts."""

Edges = set[tuple[str, str]]


def edges(
    positions: Iterable[str], *, short: str = "", opened: str = "", on: Iterable[str] = ()
) -> Edges:
    """Every way current can go: `on` are conducting, one may be shorted, one open."""
    found: Edges = {(COIL_INPUT, COIL_OUTPUT), (COIL_OUTPUT, COIL_INPUT)}
    here = set(positions)
    if INPUT_HIGH not in here:
        found |= {(INPUT, COIL_INPUT), (COIL_INPUT, INPUT)}
    if OUTPUT_HIGH not in here:
        found |= {(OUTPUT, COIL_OUTPUT), (COIL_OUTPUT, OUTPUT)}
    for position in here:
        start, end = BODY_DIODES[position]
        if position == opened:
            continue
        found.add((start, end))
        if position == short or position in on:
            found.add((end, start))
    return found


def reaches(found: Edges, start: str, end: str) -> bool:
    """Whether current can flow from `start` to `end`; the source and load are not crossed."""
    seen, front = {start}, [start]
    while front:
        node = front.pop()
        if node == end:
            return True
        if node in (INPUT, OUTPUT, GROUND) and node != start:
            continue
        for one, other in found:
            if one == node and other not in seen:
                seen.add(other)
                front.append(other)
    return False


def off_paths(positions: Iterable[str], *, short: str = "", opened: str = "") -> tuple[str, ...]:
    """What conducts with every transistor commanded off."""
    found = edges(positions, short=short, opened=opened)
    pairs = (
        (INPUT, OUTPUT, "source to load"),
        (OUTPUT, INPUT, "load back to source"),
        (INPUT, GROUND, "source shorted"),
        (OUTPUT, GROUND, "load shorted"),
    )
    return tuple(name for start, end, name in pairs if reaches(found, start, end))


def reversed_input(positions: Iterable[str]) -> bool:
    """Whether a source with swapped poles is shorted through body diodes."""
    return reaches(edges(positions), GROUND, INPUT)


PARTNER = {
    INPUT_HIGH: INPUT_LOW,
    INPUT_LOW: INPUT_HIGH,
    OUTPUT_LOW: OUTPUT_HIGH,
    OUTPUT_HIGH: OUTPUT_LOW,
}

LOST = {
    INPUT_HIGH: "no power from the source: the output falls",
    INPUT_LOW: "the coil current freewheels through the body diode alone: it runs hot, efficiency"
    " falls, the output holds",
    OUTPUT_LOW: "no stepping up: the output falls wherever the input is below it",
    OUTPUT_HIGH: "the coil current reaches the output through the body diode alone: it runs hot,"
    " the output holds",
}


def short_text(positions: tuple[str, ...], position: str) -> str:
    """What one shorted transistor does and what it needs."""
    before = set(off_paths(positions))
    told = []
    after = set(off_paths(positions, short=position))
    fresh = sorted(after - before)
    if "source to load" in after and position == INPUT_HIGH:
        told.append(
            "the source is on the load through the coil; over-voltage shut-down cannot stop it:"
            " needs a fuse with a crowbar or clamp, or a series disconnect"
        )
    if "load back to source" in fresh:
        told.append("the load feeds back into the source once its voltage is higher: needs a fuse")
    if "source shorted" in fresh:
        told.append("the source is shorted through the coil: needs a fuse")
    if "load shorted" in fresh:
        told.append("a battery at the output is shorted through the coil: needs a fuse there")
    if position == OUTPUT_LOW and INPUT_HIGH in positions:
        told.append("input-high puts the coil across the source: only the limit holds the current")
    partner = PARTNER[position]
    if partner in positions:
        end = INPUT if position in (INPUT_HIGH, INPUT_LOW) else OUTPUT
        told.append(f"{partner} shorts the {end} bank when it turns on, and fails with it")
    return "; ".join(told)


def open_text(positions: tuple[str, ...], position: str) -> str:
    """What one open transistor does."""
    return LOST[position]


def consequences(positions: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """(fault, consequence) of every single transistor short and open of a topology."""
    known = [one for one in positions if one in BODY_DIODES]
    rows = [(f"{one} shorted", short_text(tuple(known), one)) for one in known]
    rows += [(f"{one} open", open_text(tuple(known), one)) for one in known]
    unknown = [one for one in positions if one not in BODY_DIODES]
    rows += [(f"{one} shorted or open", "not analysed here: outside this tool") for one in unknown]
    return tuple(rows)
