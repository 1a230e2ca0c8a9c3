"""One row of the lane axis, how it is made, and how rows become arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.points_places import Place
from optimizer.records import REGION_NAMES, Lanes
from optimizer.spec_records import Spec

LOSS_CEILING = 0.08
FULL_LOAD = 0.999


@dataclass(frozen=True, slots=True)
class Lane:
    """One row of the lane axis, before it becomes arrays."""

    name: str
    v_input: float
    v_output: float
    i_output: float
    temp_ambient: float
    region: int
    guaranteed: bool
    corner: int
    bracket: int
    transient: bool
    full_load: bool
    share: float
    loss_ceiling: float
    efficiency_floor: float


def loss_ceiling_share(spec: Spec, v_input: float) -> float:
    """Guaranteed loss allowed at full load and `v_input`, as a share of the output power.

    The spec's own ceiling, else what a guaranteed floor at this input allows, else 8 % or, where
    larger, what an expected floor at this input allows: an expected floor is a promise about
    typical parts and must not tighten what limit parts may lose.
    """
    if spec.limits.loss_ceiling is not None:
        return spec.limits.loss_ceiling
    here = [
        floor
        for floor in spec.limits.floors
        if floor.load_share >= FULL_LOAD and abs(floor.v_input - v_input) <= 1e-3 * v_input
    ]
    firm = [1.0 / floor.efficiency - 1.0 for floor in here if floor.guaranteed]
    if firm:
        return min(firm)
    return max([LOSS_CEILING, *(1.0 / floor.efficiency - 1.0 for floor in here)])


def sizing_lane(
    spec: Spec,
    place: Place,
    v_output: float,
    load: float,
    corner: int,
    bracket: int,
    *,
    temp: float | None = None,
    told: str = "",
) -> Lane:
    """A sizing lane; its ceiling is that of full load, of a surge that of its own current.

    load : output current over the full one; told : what the name says of the output
    """
    nominal = spec.load.v_output if spec.load.demands else 0.0
    power = max(v_output, nominal) * spec.load.i_output * max(load, 1.0)
    lowest = "lowest output" if v_output < spec.load.v_output and not spec.load.demands else ""
    name = f"{place.label} {place.v_input:.4g} V, {REGION_NAMES[place.region]}"
    return Lane(
        name=", ".join(text for text in (name, told or lowest) if text),
        v_input=place.v_input,
        v_output=v_output,
        i_output=load * spec.load.i_output,
        temp_ambient=spec.ambient.temp_hot if temp is None else temp,
        region=place.region,
        guaranteed=True,
        corner=corner,
        bracket=bracket,
        transient=place.transient,
        full_load=load >= FULL_LOAD,
        share=0.0,
        loss_ceiling=loss_ceiling_share(spec, place.v_input) * power,
        efficiency_floor=float("nan"),
    )


def arrays_of(lanes: list[Lane]) -> Lanes:
    """Rows to the columns of the lane axis."""

    def floats(name: str) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        return np.array([getattr(lane, name) for lane in lanes], dtype=np.float64)

    def whole(name: str) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        return np.array([getattr(lane, name) for lane in lanes], dtype=np.int64)

    def flags(name: str) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        return np.array([getattr(lane, name) for lane in lanes], dtype=np.bool_)

    return Lanes(
        name=tuple(lane.name for lane in lanes),
        v_input=floats("v_input"),
        v_output=floats("v_output"),
        i_output=floats("i_output"),
        temp_ambient=floats("temp_ambient"),
        region=whole("region"),
        guaranteed=flags("guaranteed"),
        corner=whole("corner"),
        bracket=whole("bracket"),
        transient=flags("transient"),
        full_load=flags("full_load"),
        share=floats("share"),
        loss_ceiling=floats("loss_ceiling"),
        efficiency_floor=floats("efficiency_floor"),
    )
