"""Where current can flow when nothing is commanded on: a search over body diodes and the coil.

A stage is a small graph: input, output, ground and the two ends of the coil. A transistor that is
off is an edge one way (its body diode), as is a diode; a shorted one both ways, an open one none.
Of two coils the first joins the input, the second the ground, and the bank between them, which
holds back a steady current, takes the place of the one coil.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from optimizer.records import (
    INPUT_DIODE,
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_DIODE,
    OUTPUT_HIGH,
    OUTPUT_LOW,
)

INPUT, OUTPUT, GROUND = "input", "output", "ground"
COIL_INPUT, COIL_OUTPUT = "coil input", "coil output"

BODY_DIODES: Mapping[str, tuple[str, str]] = {
    INPUT_HIGH: (COIL_INPUT, INPUT),
    INPUT_LOW: (GROUND, COIL_INPUT),
    OUTPUT_LOW: (GROUND, COIL_OUTPUT),
    OUTPUT_HIGH: (COIL_OUTPUT, OUTPUT),
    INPUT_DIODE: (GROUND, COIL_INPUT),
    OUTPUT_DIODE: (COIL_OUTPUT, OUTPUT),
}
"""Position -> the two nodes its (body) diode joins, in the direction it conducts."""

COUPLING = "coupling-bank"
"""The bank between two coils: a position whose short and open are faults of their own."""

Edges = set[tuple[str, str]]


def edges(
    positions: Iterable[str], *, short: str = "", opened: str = "", on: Iterable[str] = ()
) -> Edges:
    """Every way current can go: `on` are conducting, one may be shorted, one open.

    With `COUPLING` among the positions the stage has two coils.
    """
    found: Edges = set()
    here = set(positions)
    if COUPLING not in here or short == COUPLING:
        found |= {(COIL_INPUT, COIL_OUTPUT), (COIL_OUTPUT, COIL_INPUT)}
    if COUPLING in here:
        found |= {(COIL_OUTPUT, GROUND), (GROUND, COIL_OUTPUT)}
        # The switch stands at the end of the first coil.
        found |= {(GROUND, COIL_INPUT)} if opened != OUTPUT_LOW else set()
        found |= {(COIL_INPUT, GROUND)} if short == OUTPUT_LOW or OUTPUT_LOW in on else set()
        here -= {COUPLING, OUTPUT_LOW}
    if INPUT_HIGH not in here:
        found |= {(INPUT, COIL_INPUT), (COIL_INPUT, INPUT)}
    if not here & {OUTPUT_HIGH, OUTPUT_DIODE}:
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
    INPUT_DIODE: INPUT_HIGH,
    OUTPUT_LOW: OUTPUT_HIGH,
    OUTPUT_HIGH: OUTPUT_LOW,
    OUTPUT_DIODE: OUTPUT_LOW,
}
"""Position -> the transistor that shorts a bank through it when it turns on."""

LOST = {
    INPUT_HIGH: "no power from the source: the output falls",
    INPUT_LOW: "the coil current freewheels through the body diode alone: it runs hot, efficiency"
    " falls, the output holds",
    INPUT_DIODE: "the coil current has no path when input-high turns off: the node swings below"
    " ground until input-high breaks down and fails, then the source may be on the load",
    OUTPUT_LOW: "no stepping up: the output falls wherever the input is below it",
    OUTPUT_HIGH: "the coil current reaches the output through the body diode alone: it runs hot,"
    " the output holds",
    OUTPUT_DIODE: "the coil current has no path when output-low turns off: the node rises until"
    " output-low breaks down and fails; the output falls",
    COUPLING: "the current of the first coil has no path when output-low turns off: the node rises"
    " until output-low breaks down and fails; the output falls",
}
LOST_TWO_COILS = {OUTPUT_LOW: "no power is carried over: the output falls"}


TRANSISTORS = (INPUT_HIGH, INPUT_LOW, OUTPUT_LOW, OUTPUT_HIGH)
"""Positions that can be commanded on."""


def discharges(positions: tuple[str, ...], position: str) -> Iterator[tuple[str, bool]]:
    """Transistors that let a source at the output run into ground through one shorted position.

    Each with whether the current passes a coil. Left out are those that do so without the short,
    and all where the short alone does.
    """
    coil = {(COIL_INPUT, COIL_OUTPUT), (COIL_OUTPUT, COIL_INPUT)}
    if reaches(edges(positions, short=position), OUTPUT, GROUND):
        return
    for one in positions:
        if one not in TRANSISTORS or one == position:
            continue
        both = edges(positions, short=position, on=[one])
        sound = edges(positions, on=[one])
        if reaches(both, OUTPUT, GROUND) and not reaches(sound, OUTPUT, GROUND):
            yield one, not reaches(both - coil, OUTPUT, GROUND)


def short_text(positions: tuple[str, ...], position: str, *, battery: bool = False) -> str:
    """What one shorted switch, or the shorted bank between two coils, does and what it needs.

    battery : whether the load is one, which feeds every fault from the output
    """
    before = set(off_paths(positions))
    told = []
    after = set(off_paths(positions, short=position))
    fresh = sorted(after - before)
    two_coils = COUPLING in positions
    if "source to load" in after and position == INPUT_HIGH:
        told.append(
            "the source is on the load through the coil; over-voltage shut-down cannot stop it:"
            " needs a fuse with a crowbar or clamp, or a series disconnect"
        )
    if "source to load" in fresh and position == COUPLING:
        told.append(
            "the source reaches the load through the first coil and the rectifier: ceramics fail"
            " short, two in series or film parts guard against it (common practice)"
        )
    if "load back to source" in fresh:
        told.append("the load feeds back into the source once its voltage is higher: needs a fuse")
    if "source shorted" in fresh:
        coils = (
            "both coils" if position == COUPLING else "the first coil" if two_coils else "the coil"
        )
        told.append(f"the source is shorted through {coils}: needs a fuse")
    if "load shorted" in fresh:
        coil = "the second coil" if two_coils else "the coil"
        told.append(f"a battery at the output is shorted through {coil}: needs a fuse there")
    if position == OUTPUT_LOW and INPUT_HIGH in positions:
        told.append("input-high puts the coil across the source: only the limit holds the current")
    if battery and "source to load" in after and position in (INPUT_HIGH, COUPLING):
        told.append(
            "the battery is overcharged (lead-acid gives off hydrogen, lithium may burn): its own"
            " protection must part it"
        )
    partner = PARTNER.get(position, "")
    if partner in positions:
        end = INPUT if position in (INPUT_HIGH, INPUT_LOW, INPUT_DIODE) else OUTPUT
        bank = "the coupling bank with the output bank" if two_coils else f"the {end} bank"
        told.append(f"{partner} shorts {bank} when it turns on, and fails with it")
    ways = [
        f"through {one}{', the coil' if coil else ''} and {position} while {one} is on"
        for one, coil in (discharges(positions, position) if battery else ())
    ]
    if ways:
        told.append(
            f"the battery discharges into ground (back-feed) {', and '.join(ways)}; the limit does"
            " not see it: needs a fuse or a series disconnect at the battery"
        )
    return "; ".join(told)


def open_text(positions: tuple[str, ...], position: str) -> str:
    """What one open switch, or the open bank between two coils, does."""
    alone = LOST_TWO_COILS if COUPLING in positions else {}
    return alone.get(position, LOST[position])


def consequences(
    positions: tuple[str, ...], *, battery: bool = False
) -> tuple[tuple[str, str], ...]:
    """(fault, consequence) of every single short and open of a topology's switches.

    With `COUPLING` among the positions, of the bank between two coils as well.
    battery : see `short_text`
    """
    known = tuple(one for one in positions if one in BODY_DIODES or one == COUPLING)
    rows = [(f"{one} shorted", short_text(known, one, battery=battery)) for one in known]
    rows += [(f"{one} open", open_text(known, one)) for one in known]
    unknown = [one for one in positions if one not in known]
    rows += [(f"{one} shorted or open", "not analysed here: outside this tool") for one in unknown]
    return tuple(rows)
