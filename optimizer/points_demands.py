"""Sizing lanes of loads that ask for a range of outputs: lamps and batteries on charge.

The inputs and outputs a load may ask for fill a rectangle. Along a ray of equal ratio both
voltages grow while duty and region stay, and with them ripple, currents and losses do not fall;
so the worst of everything lies where a ray leaves the rectangle: at the highest output, or at the
highest input. What a hot and a cold load can ask for differs, and so do the inputs that go with
it (derived in DEVELOPERS.md, rectangle of demands).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from optimizer.load_records import Demand
from optimizer.points_lanes import Lane, sizing_lane
from optimizer.points_places import Place, edge_ratios, input_range, places, regions
from optimizer.records import (
    BRACKET_CEILING,
    BRACKET_LOSSLESS,
    CORNER_FAST,
    CORNER_SLOW,
)
from optimizer.spec_records import Spec

LOADS = (1.0, 0.5, 0.1, 0.0)
LOAD_IDLE = 0.05
"""Share of the full current that stands for "nearly no load" at the open circuit."""

NEAR = 0.005

PARTIAL = "partial load of a demand: by bound, as for a rail"
NOMINAL = "nominal ambient: between cold and hot"
OTHER_AIR = (
    "demands that do not go with that ambient: a hot load in the cold, a cold one in the hot"
)
INSIDE = "inside the rectangle of demands: the same ratio at a higher voltage is kept"
JOINT = (
    "hot module with cold load: the lowest input of a hot module does not go with the highest"
    " output of a cold load"
)
OPEN_CIRCUIT = "full power at open circuit: does not exist; the voltage is kept at light load"
BETWEEN = "cold, inside a region: between its ends and the interior maxima, which are kept"
TRANSIENT = "cold transient: saturation is worst hot, voltage stress does not depend on it"

SLOW = ((CORNER_SLOW, BRACKET_CEILING), (CORNER_SLOW, BRACKET_LOSSLESS))
FAST = ((CORNER_FAST, BRACKET_CEILING), (CORNER_FAST, BRACKET_LOSSLESS))
BOTH = SLOW + FAST


@dataclass(slots=True)
class _Found:
    """Lanes so far, what was dropped, and the points generated and kept."""

    lanes: list[Lane] = field(default_factory=list)
    dropped: Counter[str] = field(default_factory=Counter)
    generated: int = 0
    kept: int = 0

    def keep(self, lanes: Iterable[Lane]) -> None:
        """One point with its lanes."""
        self.generated, self.kept = self.generated + 1, self.kept + 1
        self.lanes += lanes

    def drop(self, reason: str, number: int = 1) -> None:
        """Points that are not needed."""
        self.generated += number
        self.dropped[reason] += number


def demand_lanes(spec: Spec, topology_name: str) -> tuple[list[Lane], Counter[str], int, int]:
    """Lanes, what was dropped by reason, points generated and kept."""
    found = _Found()
    load, air = spec.load, spec.ambient
    demands = load.demands
    full = [one for one in demands if one.i_output >= load.i_output * (1.0 - 1e-9)]
    hot = [one for one in full if one.hot]
    cold = [one for one in full if one.cold]
    top_hot, top_cold = (max(group, key=lambda d: d.v_output) for group in (hot, cold))
    _highest_output(spec, topology_name, found, top_hot, air.temp_hot, top_hot)
    _highest_output(spec, topology_name, found, top_cold, air.temp_cold, top_hot)
    _count_rest(spec, topology_name, found, full, {top_hot.name: 1, top_cold.name: 1})
    _highest_input(spec, topology_name, found, hot, air.temp_hot)
    _highest_input(spec, topology_name, found, cold, air.temp_cold)
    for group in _by_current(one for one in demands if one not in full):
        _highest_input(spec, topology_name, found, group, air.temp_hot)
        if max(one.v_output for one in group) > top_hot.v_output:
            _lowest_input(spec, topology_name, found, group)
    _open_circuit(spec, topology_name, found, top_hot, hot)
    return found.lanes, found.dropped, found.generated, found.kept


def _count_rest(
    spec: Spec, topology_name: str, found: _Found, full: list[Demand], kept: dict[str, int]
) -> None:
    """The grid of every other demand, load and ambient, dropped by reason."""
    for one in full:
        number = len(places(spec, topology_name, one.v_output)[0])
        found.drop(PARTIAL, number * (len(LOADS) - 1) * 3)
        found.drop(NOMINAL, number)
        allowed = one.hot + one.cold
        if 2 - allowed:
            found.drop(OTHER_AIR, number * (2 - allowed))
        if one.name not in kept:
            found.drop(INSIDE, number * allowed)


def _by_current(demands: Iterable[Demand]) -> Iterator[list[Demand]]:
    groups: dict[float, list[Demand]] = {}
    for one in demands:
        groups.setdefault(one.i_output, []).append(one)
    yield from groups.values()


def _ends(found: list[Place]) -> set[Place]:
    """Lowest and highest input of each region, continuous and transient apart."""
    groups: dict[tuple[int, bool], list[Place]] = {}
    for place in found:
        groups.setdefault((place.region, place.transient), []).append(place)
    return {pick(g, key=lambda p: p.v_input) for g in groups.values() for pick in (min, max)}


def _highest_output(
    spec: Spec, topology_name: str, found: _Found, top: Demand, temp: float, top_hot: Demand
) -> None:
    """Every input that matters at the highest output of one ambient."""
    here, _ = places(spec, topology_name, top.v_output)
    ends, is_cold = _ends(here), temp < spec.ambient.temp_hot
    higher = top.v_output > top_hot.v_output * (1.0 + NEAR)
    ratio_hot = spec.source.v_min / top_hot.v_output
    lowest = spec.source.v_cold_min
    for place in here:
        if not is_cold:
            inner = not place.transient and place not in ends
            wanted = SLOW + (FAST[:1] if inner else FAST)
            found.keep(_lanes(spec, place, top, temp, wanted))
        elif place.transient:
            found.drop(TRANSIENT)
        elif place.v_input < lowest and place.v_input / top.v_output < ratio_hot * (1 - 1e-9):
            found.drop(JOINT)
        elif place.rank in (2, 3) and place not in ends:
            found.drop(BETWEEN)
        else:
            wanted = BOTH if higher and place in ends else SLOW
            found.keep(_lanes(spec, place, top, temp, wanted))
    if is_cold and lowest > spec.source.v_min:
        for region in regions(spec, topology_name, lowest, top.v_output, spread=True):
            place = Place("lowest input of a cold module", lowest, region, False, 0)
            found.keep(_lanes(spec, place, top, temp, BOTH))


def _highest_input(
    spec: Spec, topology_name: str, found: _Found, group: list[Demand], temp: float
) -> None:
    """Every output below the highest that matters at the highest input."""
    _, v_max, _, v_transient = input_range(spec)
    low, high = (pick(group, key=lambda d: d.v_output) for pick in (min, max))
    is_cold = temp < spec.ambient.temp_hot
    partial = low.i_output < spec.load.i_output * (1.0 - 1e-9)
    seen: list[tuple[float, int]] = [] if partial else [(high.v_output, -1)]
    for label, v_output, region in _outputs(spec, topology_name, low, high, v_max):
        if any(_close(v_output, v) and r in (region, -1) for v, r in seen):
            continue
        seen.append((v_output, region))
        place = Place(label, v_max, region, transient=False, rank=0)
        demand = Demand(_told(group, v_output), v_output, low.i_output)
        found.keep(_lanes(spec, place, demand, temp, SLOW if is_cold else BOTH))
    if is_cold or v_transient <= v_max or _close(low.v_output, high.v_output):
        return
    for region in regions(spec, topology_name, v_transient, low.v_output, spread=True):
        place = Place("transient maximum input", v_transient, region, transient=True, rank=0)
        found.keep(_lanes(spec, place, low, temp, FAST))


def _told(group: list[Demand], v_output: float) -> str:
    named = [one.name for one in group if _close(one.v_output, v_output)]
    return named[0] if named else "between the demands"


def _close(one: float, other: float) -> bool:
    return abs(one - other) <= NEAR * other


def _outputs(
    spec: Spec, topology_name: str, low: Demand, high: Demand, v_input: float
) -> Iterator[tuple[str, float, int]]:
    """Ends, window edges and interior maxima of the output at one input (label, volts, region)."""
    v_low, v_high = low.v_output, high.v_output

    def inside(label: str, v_output: float) -> Iterator[tuple[str, float, int]]:
        if v_low <= v_output <= v_high:
            for region in regions(spec, topology_name, v_input, v_output, spread=True):
                yield label, v_output, region

    yield from inside("maximum input", v_low)
    yield from inside("maximum input", v_high)
    yield from inside("input at the output", v_input)
    yield from inside("input at half the output", 2.0 * v_input)
    yield from inside("input at twice the output", 0.5 * v_input)
    for label, ratio, region in edge_ratios(spec, topology_name):
        if v_low <= v_input / ratio <= v_high:
            yield label, v_input / ratio, region


def _lowest_input(spec: Spec, topology_name: str, found: _Found, group: list[Demand]) -> None:
    """A demand of less current above the highest full one: its own inputs."""
    top = max(group, key=lambda d: d.v_output)
    for place in places(spec, topology_name, top.v_output)[0]:
        if not place.transient:
            found.keep(_lanes(spec, place, top, spec.ambient.temp_hot, SLOW))


def _open_circuit(
    spec: Spec, topology_name: str, found: _Found, top: Demand, hot: list[Demand]
) -> None:
    """The highest voltage of a source that cannot give full power there, at light load."""
    v_idle, (_, v_max, _, _) = spec.source.v_idle_max, input_range(spec)
    if v_idle <= v_max:
        return
    found.drop(OPEN_CIRCUIT)
    low = min(hot, key=lambda d: d.v_output)
    for one in dict.fromkeys((top, low)):
        for region in regions(spec, topology_name, v_idle, one.v_output, spread=True):
            place = Place("open circuit", v_idle, region, transient=False, rank=0)
            light = Demand(one.name, one.v_output, LOAD_IDLE * spec.load.i_output)
            found.keep(_lanes(spec, place, light, spec.ambient.temp_hot, BOTH))


def _lanes(
    spec: Spec, place: Place, demand: Demand, temp: float, wanted: Iterable[tuple[int, int]]
) -> list[Lane]:
    return [
        sizing_lane(
            spec,
            place,
            demand.v_output,
            demand.i_output / spec.load.i_output,
            corner,
            bracket,
            temp=temp,
            told=demand.name,
        )
        for corner, bracket in wanted
    ]


def excluded_lanes(spec: Spec, topology_name: str) -> dict[str, list[Lane]]:
    """Lanes of the combinations that are left out by name, to see what keeping them would cost."""
    load, source, temp = spec.load, spec.source, spec.ambient.temp_cold
    if not load.demands:
        return {}
    top = max((one for one in load.demands if one.cold), key=lambda d: d.v_output)
    found: dict[str, list[Lane]] = {}
    for reason, v_input in (
        (JOINT, source.v_min if source.v_cold_min > source.v_min else None),
        (OPEN_CIRCUIT, source.v_idle_max if source.v_idle_max > input_range(spec)[1] else None),
    ):
        if v_input is None:
            continue
        for region in regions(spec, topology_name, v_input, top.v_output, spread=True):
            place = Place("left out", v_input, region, transient=False, rank=0)
            found.setdefault(reason, []).extend(_lanes(spec, place, top, temp, BOTH))
    return found


def surge_lanes(spec: Spec, topology_name: str) -> list[Lane]:
    """Short currents above the full one: peak currents at every continuous input they may meet."""
    found: list[Lane] = []
    for surge in spec.load.surges:
        v_output = spec.load.v_highest
        here, _ = places(spec, topology_name, v_output)
        lowest = max(surge.v_input_min, spec.source.v_min)
        kept = [one for one in here if not one.transient and one.v_input >= lowest and one.rank < 2]
        for region in regions(spec, topology_name, lowest, v_output, spread=True):
            kept.append(Place("lowest input of the surge", lowest, region, False, 0))
        for place in _distinct(kept):
            moment = Place(place.label, place.v_input, place.region, transient=True, rank=0)
            demand = Demand(surge.name, v_output, surge.i_output)
            found += _lanes(spec, moment, demand, spec.ambient.temp_hot, SLOW[:1])
    return found


def _distinct(found: list[Place]) -> list[Place]:
    kept: list[Place] = []
    for place in found:
        if not any(_close(place.v_input, p.v_input) and place.region == p.region for p in kept):
            kept.append(place)
    return kept
