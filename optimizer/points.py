"""Spec -> the lane axis of one topology: corners, interior maxima, window edges, transients.

A point is (input, output, load, ambient, region). The full grid is generated first; what a
bound or the topology makes needless is dropped with its reason and count, and every kept point
becomes lanes: one per parameter set, tolerance corner and loss bracket.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from optimizer.errors import InputError, Problem
from optimizer.load_records import LedString
from optimizer.points_demands import demand_lanes, surge_lanes
from optimizer.points_lanes import (
    FULL_LOAD,
    Lane,
    arrays_of,
    loss_ceiling_share,
    sizing_lane,
)
from optimizer.points_places import Place, input_range, outputs, places, regions
from optimizer.records import (
    BRACKET_CEILING,
    BRACKET_LOSSLESS,
    BRACKET_OWN,
    CORNER_FAST,
    CORNER_NOMINAL,
    CORNER_SLOW,
    Lanes,
    Note,
)
from optimizer.spec_records import (
    DIODE_TOPOLOGIES,
    LIGHT_LOAD_EMULATION,
    Floor,
    MissionRow,
    Spec,
)
from optimizer.spec_text import trade

POINTS_MAX = 60
LOADS = (1.0, 0.5, 0.1, 0.0)

PARTIAL_LOAD = (
    "partial load: by bound, since currents, losses and temperatures rise with the load;"
    " the dense sweep looks for exceptions"
)
PULSE_SKIP = (
    "pulse skipping, below the load at which the on-time of a resting current meets the"
    " controller's minimum: not modelled; points of the mission and floors that lie there fail"
)
NOMINAL_AMBIENT = "nominal ambient: between cold and hot"
NOMINAL_OUTPUT = "nominal output: between its tolerances"
LOWEST_OUTPUT = (
    "lowest output: currents and duty are larger at the highest one; the shortest on-time is kept"
    " at the highest input"
)
COLD_TRANSIENT = "cold transient: saturation is worst hot, voltage stress does not depend on it"
COLD_BETWEEN = (
    "cold, inside a region: ripple and currents lie between those of the region's ends and of the"
    " interior maxima, which are kept"
)
RANKS_BETWEEN = (2, 3)
"""Nominal input and input at the output: neither is the worst of anything by itself."""

BETWEEN_TIMES = (
    "lossless lane for on- and off-times inside a region: duty is monotone in the input there"
)


@dataclass(frozen=True, slots=True)
class PointSet:
    """The lanes of one topology and how they came about.

    dropped : one note per reason, with its count; generated, kept : numbers of points
    """

    topology: str
    lanes: Lanes
    dropped: tuple[Note, ...]
    generated: int
    kept: int


def points(spec: Spec, topology_name: str) -> PointSet:
    """Every lane at which `topology_name` is sized, judged and weighed.

    Raises `InputError` where the spec leaves the charge-current sense open: no command does.
    """
    if spec.load.senses:
        got = trade(spec.load.senses, "resistance")
        fix = "ask for each value alone (`spec_edit.by_sense`)"
        name, need = "load.resistance_sense", "one resistor here"
        raise InputError([Problem(spec.path or "spec", name, got, need, fix)])
    found, notes = places(spec, topology_name)
    if spec.load.demands:
        lanes, counts, generated, kept = demand_lanes(spec, topology_name)
    else:
        lanes, counts, generated, kept = _sizing(spec, found)
    surges = surge_lanes(spec, topology_name)
    lanes += surges
    more = len({(lane.v_input, lane.i_output, lane.region) for lane in surges})
    generated, kept = generated + more, kept + more
    named, missed = _named(spec, topology_name)
    floors_and_rows = len(spec.mission) + len(spec.limits.floors)
    kept_named = len({_place_of(lane) for lane in named})
    merged = floors_and_rows - missed - kept_named
    if missed:
        notes.append(_dropped(topology_name, missed, "named points the topology cannot reach"))
    if merged:
        notes.append(_dropped(topology_name, merged, "named points that coincide: merged"))
    notes += [_dropped(topology_name, n, reason) for reason, n in counts.items()]
    emulated = spec.controllers[topology_name].light_load == LIGHT_LOAD_EMULATION
    if emulated or topology_name in DIODE_TOPOLOGIES:
        notes.append(Note("excluded", f"points.{topology_name}", PULSE_SKIP))
    total = kept + kept_named
    if total > POINTS_MAX:
        raise InputError([_too_many(spec, topology_name, total)])
    return PointSet(
        topology=topology_name,
        lanes=arrays_of([*lanes, *named]),
        dropped=tuple(notes),
        generated=generated + floors_and_rows,
        kept=total,
    )


def dense_lanes(spec: Spec, topology_name: str, n: int) -> Lanes:
    """A sweep of `n` inputs over the continuous range and all loads, guaranteed and hot.

    It checks that nothing worse than the points lies between them. Partial loads carry the loss
    ceiling of full load, so that a light load is never taken for better than it may be.
    """
    low, high, _, _ = input_range(spec)
    rows = []
    for v_input in np.linspace(low, high, n):
        for region in regions(spec, topology_name, float(v_input), outputs(spec)[-1], spread=True):
            place = Place("sweep", float(v_input), region, transient=False, rank=0)
            for load in (1.0, 0.75, 0.5, 0.25, 0.1, 0.0):
                brackets = (
                    (BRACKET_CEILING, BRACKET_LOSSLESS) if load == 1.0 else (BRACKET_CEILING,)
                )
                for corner in (CORNER_SLOW, CORNER_FAST):
                    for bracket in brackets:
                        rows.append(
                            sizing_lane(spec, place, outputs(spec)[-1], load, corner, bracket)
                        )
    return arrays_of(rows)


def _too_many(spec: Spec, topology_name: str, total: int) -> Problem:
    return Problem(
        spec.path or "spec",
        "mission",
        f"{total} points for {topology_name}",
        f"at most {POINTS_MAX}",
        "merge mission rows or floors that lie close",
    )


def _dropped(topology_name: str, number: int, reason: str) -> Note:
    return Note("excluded", f"points.{topology_name}", f"{number} dropped: {reason}")


# --- sizing lanes -------------------------------------------------------------------------------


def _sizing(spec: Spec, places: list[Place]) -> tuple[list[Lane], Counter[str], int, int]:
    """Lanes of the guaranteed set; what was dropped and why; points generated and kept."""
    dropped: Counter[str] = Counter()
    lanes: list[Lane] = []
    generated = 0
    air = spec.ambient
    ambients = dict.fromkeys((air.temp_hot, air.temp_cold, air.temp_nominal))
    ends = _ends(places)
    for place in places:
        for v_output in outputs(spec):
            for load in LOADS:
                for temp in ambients:
                    generated += 1
                    reason = _reason(spec, place, v_output, load, temp, ends)
                    if reason:
                        dropped[reason] += 1
                        continue
                    lanes += _corners(spec, place, v_output, temp, ends)
    kept = generated - sum(dropped.values())
    inner = sum(not place.transient and place not in ends for place in places)
    if inner:
        dropped[BETWEEN_TIMES] = inner
    return lanes, dropped, generated, kept


def _ends(places: Iterable[Place]) -> set[Place]:
    """The lowest and the highest input of each region, continuous and transient apart."""
    groups: dict[tuple[int, bool], list[Place]] = {}
    for place in places:
        groups.setdefault((place.region, place.transient), []).append(place)
    return {
        pick(group, key=lambda p: p.v_input) for group in groups.values() for pick in (min, max)
    }


def _reason(
    spec: Spec, place: Place, v_output: float, load: float, temp: float, ends: set[Place]
) -> str | None:
    """Why a point of the grid is not needed; None keeps it."""
    levels, air = outputs(spec), spec.ambient
    if load < 1.0:
        return PARTIAL_LOAD
    if temp not in (air.temp_hot, air.temp_cold):
        return NOMINAL_AMBIENT
    if v_output not in (levels[0], levels[-1]):
        return NOMINAL_OUTPUT
    if v_output < levels[-1] and (temp != air.temp_hot or not _highest(place, ends)):
        return LOWEST_OUTPUT
    if place.transient and temp != air.temp_hot:
        return COLD_TRANSIENT
    if place.rank in RANKS_BETWEEN and place not in ends and temp != air.temp_hot:
        return COLD_BETWEEN
    return None


def _highest(place: Place, ends: set[Place]) -> bool:
    """Whether no input of its kind (continuous or transient) is higher."""
    return place.v_input >= max(p.v_input for p in ends if p.transient == place.transient)


def _corners(
    spec: Spec, place: Place, v_output: float, temp: float, ends: set[Place]
) -> list[Lane]:
    """Tolerance corners and brackets one kept point is judged at."""
    both = (BRACKET_CEILING, BRACKET_LOSSLESS)
    slow = [(CORNER_SLOW, bracket) for bracket in both]
    fast = [(CORNER_FAST, bracket) for bracket in both]
    inner = not place.transient and place not in ends
    if v_output < outputs(spec)[-1]:
        wanted = fast
    elif temp < spec.ambient.temp_hot:
        wanted = slow
    else:
        wanted = slow + (fast[:1] if inner else fast)
    return [
        sizing_lane(spec, place, v_output, 1.0, corner, bracket, temp=temp)
        for corner, bracket in wanted
    ]


# --- mission and floors -------------------------------------------------------------------------


def _named(spec: Spec, topology_name: str) -> tuple[list[Lane], int]:
    """Mission rows and floors as lanes at their own state, equal ones merged; how many failed."""
    found: dict[tuple[float, float, float, float, bool, int], Lane] = {}
    missed = 0
    wishes: list[MissionRow | Floor] = [*spec.mission, *spec.limits.floors]
    for wish in wishes:
        here = regions(spec, topology_name, wish.v_input, output_of(spec, wish), spread=False)
        missed += not here
        for lane in _wish_lanes(spec, wish, here[:1]):
            key = (*_place_of(lane), lane.guaranteed, lane.corner)
            found[key] = _joined(found[key], lane) if key in found else lane
    return list(found.values()), missed


def _place_of(lane: Lane) -> tuple[float, float, float, float]:
    return lane.v_input, lane.v_output, lane.i_output, lane.temp_ambient


def output_of(spec: Spec, wish: MissionRow | Floor) -> float:
    """Output voltage of a named point: its own, else the load's at that current [V]."""
    own = wish.v_output if isinstance(wish, MissionRow) else None
    if own is not None:
        return own
    record, load = spec.load.record, spec.load
    if not isinstance(record, LedString) or wish.load_share >= FULL_LOAD:
        return load.v_output
    current = max(wish.load_share, record.dimming.analogue_share) * load.i_output
    return load.v_output + record.leds * record.resistance_led * (current - load.i_output)


def _wish_lanes(spec: Spec, wish: MissionRow | Floor, here: Iterable[int]) -> Iterator[Lane]:
    """Nominal lane of a mission row or floor; slow and fast ones of a guaranteed floor."""
    guaranteed = isinstance(wish, Floor) and wish.guaranteed
    power = spec.load.v_output * spec.load.i_output
    for region in here:
        for corner in (CORNER_SLOW, CORNER_FAST) if guaranteed else (CORNER_NOMINAL,):
            yield Lane(
                name=wish.name,
                v_input=wish.v_input,
                v_output=output_of(spec, wish),
                i_output=wish.load_share * spec.load.i_output,
                temp_ambient=wish.temp_ambient,
                region=region,
                guaranteed=guaranteed,
                corner=corner,
                bracket=BRACKET_OWN,
                transient=False,
                full_load=wish.load_share >= FULL_LOAD,
                share=wish.share if isinstance(wish, MissionRow) else 0.0,
                loss_ceiling=loss_ceiling_share(spec, wish.v_input) * power,
                efficiency_floor=wish.efficiency if isinstance(wish, Floor) else float("nan"),
            )


def _joined(one: Lane, other: Lane) -> Lane:
    """Two wishes at one point: shares add, the higher floor holds, a floor's name stays."""
    floored = not np.isnan(other.efficiency_floor)
    return replace(
        one,
        name=other.name if floored else one.name,
        share=one.share + other.share,
        efficiency_floor=float(np.fmax(one.efficiency_floor, other.efficiency_floor)),
    )
