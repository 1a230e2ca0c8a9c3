"""Operations and states for tests: drawn by hypothesis, or one lane from plain numbers."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from optimizer.records import (
    REGION_BOTH,
    REGION_DOWN,
    REGION_UP,
    REGION_WINDOW,
    BoolArray,
    Operation,
    State,
    Window,
)
from optimizer.topologies import TOPOLOGIES, Topology
from optimizer.topologies.intervals import has_diode, windings
from optimizer.waveforms import DROPS
from tests.contracts import WINDOWS

RATIO = {
    REGION_DOWN: (1.16, 14.0),
    REGION_WINDOW: (0.9, 1.15),
    REGION_UP: (0.12, 0.89),
    REGION_BOTH: (0.2, 5.0),
}
"""Input over output voltage drawn in each region."""

Job = tuple[Topology, Operation, State, Window | None]


def one_lane(
    *,
    v_input: float,
    v_output: float,
    i_output: float,
    frequency: float,
    inductance: float,
    region: int,
) -> Operation:
    """Operation of one set and one lane."""
    numbers = (v_input, v_output, i_output, frequency, inductance)
    return Operation(*(np.array([[float(n)]]) for n in numbers), np.array([region]))


def state_of(
    topology: Topology,
    shape: tuple[int, int],
    *,
    resistance: float = 0.0,
    series: float = 0.0,
    i_output_extra: float = 0.0,
) -> State:
    """State with one resistance in every position."""
    full = np.ones(shape)
    return State(
        resistance_series=series * full,
        resistance=dict.fromkeys(topology.POSITIONS, resistance * full),
        i_input_extra=0 * full,
        i_output_extra=i_output_extra * full,
        temp_board=25 * full,
        drop=dict.fromkeys(named(topology), 0 * full),
    )


def named(topology: Topology) -> list[str]:
    """Names under which the state of a topology holds a drop."""
    return [p for p in (*topology.POSITIONS, *windings(topology)) if p in DROPS]


def delivers(topology: Topology, operation: Operation) -> BoolArray:
    """Lanes with something to deliver, or where the current may reverse instead, (n_lane,)."""
    return np.asarray((operation.i_output > 0) | (not has_diode(topology)))


@st.composite
def jobs(draw: st.DrawFn, *, n_set: int = 2, n_lane: int = 5) -> Job:
    """A topology with lanes of mixed regions, loads from none to full, drops to some per cent."""
    topology = TOPOLOGIES[draw(st.sampled_from(sorted(TOPOLOGIES)))]
    window = draw(st.sampled_from(WINDOWS))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    region = random.choice(topology.REGIONS, n_lane)
    low, high = np.array([RATIO[int(r)] for r in region]).T
    v_output = random.uniform(5, 48, n_lane)
    i_output = random.choice([0.0, 0.02, 0.5, 1.0], n_lane) * random.uniform(1, 10, n_lane)
    operation = Operation(
        v_input=v_output * np.exp(random.uniform(np.log(low), np.log(high))),
        v_output=v_output,
        i_output=i_output,
        frequency=random.uniform(1e5, 1e6, (n_set, 1)),
        inductance=random.uniform(1e-6, 1e-4, (n_set, 1)),
        region=region,
    )
    shape = (n_set, n_lane)
    state = State(
        resistance_series=random.uniform(0, 0.03, shape),
        resistance={p: random.uniform(0, 0.03, shape) for p in topology.POSITIONS},
        i_input_extra=np.zeros(shape),
        i_output_extra=random.uniform(0, 0.1, shape),
        temp_board=np.full(shape, 60.0),
        drop={p: random.uniform(0, 0.8, shape) for p in named(topology)},
    )
    return topology, operation, state, window
