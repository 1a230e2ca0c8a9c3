"""One waveform engine for all topologies: intervals to the currents of every position.

The mean drop of each interval enters its winding voltage, so duty, currents and efficiency are of
one piece; the slope inside an interval is constant. What is solved is the current the switches
take turns to carry: of one coil, or the sum of two; the two then follow from the charge balance
of the capacitor between them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.balance import (
    Balance,
    Solution,
    close,
    currents,
    mean_square,
    resistance_for_loss,
    with_resistance,
)
from optimizer.records import (
    DIODES,
    WINDINGS,
    FloatArray,
    LegWave,
    Operation,
    State,
    Waveform,
    Window,
)
from optimizer.topologies.intervals import LaneTable, Topology, lane_table, windings

DROPS = (*DIODES, *WINDINGS)
"""Names under which a state may hold a drop."""

DAMPING_MAX = 0.5
"""Largest resistance * pattern time / inductance of a sizing state: straight slopes hold there."""


def solve(
    topology: Topology,
    operation: Operation,
    state: State,
    window: Window | None = None,
    *,
    emulation: bool = False,
) -> Waveform:
    """Steady-state currents of every lane, all regions in one call.

    topology : module of the topology
    operation : voltages [V], output current [A], frequency [Hz], inductance [H], each broadcasts
        to (n_set, n_lane); region (n_lane,)
    state : resistances [ohm] and extra currents [A] the losses cause, (n_set, n_lane)
    window : law of the window region; without it lanes of that region are NaN
    emulation : synchronous transistors open when the current reaches zero (diode emulation)
    Returns : currents [A], times [s], shares; NaN and ``converged`` False where no duty between
        0 and 1 closes the balances, for example at dropout

    Holds for: continuous conduction, current of either sign; with a diode or its emulation also
        discontinuous conduction, without the ringing of the resting node; drops that are small
        against the inductor's time constant (pattern time * resistance / inductance below 0.3).
    Source: derived in DEVELOPERS.md (volt-second and charge balance of piecewise-linear currents).

    >>> from optimizer.topologies import TOPOLOGIES
    >>> one = lambda value: np.array([[value]])
    >>> job = Operation(one(24.0), one(12.0), one(5.0), one(300e3), one(10e-6), np.array([0]))
    >>> wave = solve(TOPOLOGIES["buck"], job, lossless_state(TOPOLOGIES["buck"], job))
    >>> wave.i_ripple.round(6).tolist()
    [[[2.0]]]
    """
    table = lane_table(topology, operation.region, window, emulation=emulation)
    shape = lanes_shape(operation, state)
    balance = balance_of(table, operation, state)
    return _waveform(topology, table, operation, balance, close(balance), shape)


def lanes_shape(operation: Operation, state: State | None = None) -> tuple[int, int]:
    """(n_set, n_lane) that the operation and the state broadcast to."""
    arrays = [
        operation.v_input,
        operation.v_output,
        operation.i_output,
        operation.frequency,
        operation.inductance,
    ]
    if state is not None:
        arrays += [state.resistance_series, state.i_input_extra, state.i_output_extra]
        arrays += [*state.resistance.values(), *state.drop.values()]
    shapes = [np.shape(array) for array in arrays]
    n_set, n_lane = np.broadcast_shapes((1, len(operation.region)), *shapes)
    return n_set, n_lane


def balance_of(table: LaneTable, operation: Operation, state: State) -> Balance:
    """The equations of the lanes: winding voltages, path resistances, current to deliver."""
    one = 0
    v_input, v_output = np.atleast_2d(operation.v_input), np.atleast_2d(operation.v_output)

    def lane(share: FloatArray) -> FloatArray:
        return share[:, np.newaxis, :]

    volts = lane(table.winding_input[..., one]) * v_input
    volts = volts + lane(table.winding_output[..., one]) * v_output
    resistance = np.atleast_2d(state.resistance_series)[np.newaxis]
    for position, conducts in table.conducts.items():
        ohms = np.atleast_2d(state.resistance.get(position, np.zeros((1, 1))))
        resistance = resistance + lane(conducts[..., one]) ** 2 * ohms
        if position in state.drop:
            volts = volts - lane(conducts[..., one]) * np.atleast_2d(state.drop[position])
    for number, name in enumerate(WINDINGS):
        if name in state.drop:
            here = lane(table.winding_drop[..., number])
            volts = volts - here * np.atleast_2d(state.drop[name])
    n_interval = table.base.shape[0]
    n_set, n_lane = lanes_shape(operation, state)
    return Balance(
        base=lane(table.base),
        slope=lane(table.slope),
        volts=np.where(table.offered, volts, np.nan),
        resistance=np.broadcast_to(resistance, (n_interval, *resistance.shape[1:])),
        delivers=lane(table.output_current[..., one]),
        rise=table.cycles / (np.atleast_2d(operation.frequency) * operation.inductance),
        i_output=np.broadcast_to(operation.i_output + state.i_output_extra, (n_set, n_lane)),
        one_way=np.broadcast_to(table.one_way, (n_set, n_lane)),
    )


def _waveform(
    topology: Topology,
    table: LaneTable,
    operation: Operation,
    balance: Balance,
    solution: Solution,
    shape: tuple[int, int],
) -> Waveform:
    """All currents from the duty and the starting current."""
    duty = solution.duty
    share, start, end = currents(balance, solution)
    mean, square = (start + end) / 2, _square(start, end)
    span_mean, span_square = share * mean, share * square
    period = 1 / np.broadcast_to(operation.frequency, shape)
    legs = _legs(topology, table, operation, start, end, shape)
    duty_input, duty_output = (d[0] + d[1] * duty for d in (table.duty_input, table.duty_output))
    time_on, time_off = _times(topology, table, period, duty_input, duty_output)
    position_mean = {p: _sum(c, span_mean) for p, c in table.conducts.items()}
    position_rms = {p: np.sqrt(_sum(c**2, span_square)) for p, c in table.conducts.items()}
    coils = _coils(table, share, start, end)
    nodes = _nodes(table, share, coils)
    corners = np.concatenate([start[:1], end])
    peak, valley = np.max(corners, axis=0), np.min(corners, axis=0)
    return Waveform(
        duration=np.moveaxis(share, 0, -1),
        i_start=np.moveaxis(coils[0], 0, -2),
        i_end=np.moveaxis(coils[1], 0, -2),
        time_pattern=period * table.cycles,
        duty_input=duty_input,
        duty_output=duty_output,
        winding_mean=np.einsum("ksl,ksln->sln", share, (coils[0] + coils[1]) / 2),
        winding_rms=np.sqrt(np.einsum("ksl,ksln->sln", share, _square(*coils))),
        i_mean=np.sum(span_mean, axis=0)[..., np.newaxis],
        i_rms=np.sqrt(np.sum(span_square, axis=0))[..., np.newaxis],
        i_peak=peak[..., np.newaxis],
        i_valley=valley[..., np.newaxis],
        i_ripple=(peak - valley)[..., np.newaxis],
        position_rms=position_rms,
        position_mean=position_mean,
        position_share={p: _sum(c, share) for p, c in table.conducts.items()},
        legs=legs,
        time_on_min=time_on,
        time_off_min=time_off,
        i_input_mean=nodes["input"][0],
        i_input_rms_ac=nodes["input"][1],
        i_output_rms_ac=nodes["output"][1],
        i_coupling_rms_ac=nodes["coupling"][1],
        input_current=np.moveaxis(table.input_current, 0, 1),
        output_current=np.moveaxis(table.output_current, 0, 1),
        coupling_current=np.moveaxis(table.coupling_current, 0, 1),
        loss_ripple_conduction=np.sum(balance.resistance * share * (end - start) ** 2, axis=0) / 12,
        discontinuous=solution.rests,
        converged=solution.converged,
    )


def _square(start: FloatArray, end: FloatArray) -> FloatArray:
    """Mean square of a current that goes straight from `start` to `end`."""
    return np.asarray((start * start + start * end + end * end) / 3)


def _coils(
    table: LaneTable, share: FloatArray, start: FloatArray, end: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Start and end current of every coil, (n_interval, n_set, n_lane, n_inductor).

    Two equal coils carry half of the sum each, plus and minus one constant: the current that
    keeps the mean charge of the coupling capacitor.
    """
    through = table.coupling_current
    if through.shape[-1] == 1:
        return start[..., np.newaxis], end[..., np.newaxis]
    sign = np.array([1.0, -1.0])
    mean = share * (start + end) / 2
    wrong = np.einsum("kln,ksl->sl", through, mean) / 2
    offset = -wrong / np.einsum("kln,n,ksl->sl", through, sign, share)
    apart = offset[np.newaxis, ..., np.newaxis] * sign
    return start[..., np.newaxis] / 2 + apart, end[..., np.newaxis] / 2 + apart


def _nodes(
    table: LaneTable, share: FloatArray, coils: tuple[FloatArray, FloatArray]
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Mean and rms about the mean of the current through each node."""
    shares = {
        "input": table.input_current,
        "output": table.output_current,
        "coupling": table.coupling_current,
    }
    return {name: _through(one, share, *coils) for name, one in shares.items()}


def _through(
    shares: FloatArray, share: FloatArray, start: FloatArray, end: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and rms about the mean of the current through a node [A]."""
    first, last = (np.einsum("kln,ksln->ksl", shares, ends) for ends in (start, end))
    mean = np.sum(share * (first + last), axis=0) / 2
    return mean, _rms_ac(np.sum(share * _square(first, last), axis=0), mean)


def _sum(shares: FloatArray, values: FloatArray) -> FloatArray:
    """Sum over intervals of values (n_interval, n_set, n_lane) weighted by a lane's shares."""
    total: FloatArray = np.einsum("kl,ksl->sl", shares[..., 0], values)
    return total


def _rms_ac(mean_square: FloatArray, mean: FloatArray) -> FloatArray:
    return np.sqrt(np.maximum(mean_square - mean * mean, 0.0))


def _legs(
    topology: Topology,
    table: LaneTable,
    operation: Operation,
    start: FloatArray,
    end: FloatArray,
    shape: tuple[int, int],
) -> Mapping[str, LegWave]:
    """Edges of each half bridge at the coil current of that instant."""
    node = node_voltages(operation)
    lane = np.arange(shape[1])
    legs = {}
    for leg in topology.LEGS:
        share = table.switching[leg.control]
        on = np.broadcast_to(share > 0, shape)
        first, last = table.first[leg.control], table.last[leg.control]
        legs[leg.name] = LegWave(
            i_turn_on=np.where(on, start[first, :, lane].T, 0.0),
            i_turn_off=np.where(on, end[last, :, lane].T, 0.0),
            v_node=np.where(on, node[leg.node], 0.0),
            frequency_edges=np.broadcast_to(operation.frequency, shape) * share,
            switches=on,
        )
    return legs


def node_voltages(operation: Operation) -> dict[str, FloatArray]:
    """Voltage a leg switches, by the name of its node [V]."""
    return {
        "input": operation.v_input,
        "output": operation.v_output,
        "both": operation.v_input + operation.v_output,
    }


def _times(
    topology: Topology,
    table: LaneTable,
    period: FloatArray,
    duty_input: FloatArray,
    duty_output: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Shortest on-time and off-time of the control transistors that switch [s]."""
    duty = {"input": duty_input, "output": duty_output, "both": duty_output}
    on, off = np.full(period.shape, np.inf), np.full(period.shape, np.inf)
    for leg in topology.LEGS:
        switches = table.switching[leg.control] > 0
        on = np.where(switches, np.minimum(on, period * duty[leg.node]), on)
        off = np.where(switches, np.minimum(off, period * (1 - duty[leg.node])), off)
    return on, off


def lossless_state(
    topology: Topology, operation: Operation, *, temp_board: FloatArray | float = 25.0
) -> State:
    """State of a stage without losses.

    topology : module of the topology
    operation : what each lane asks for; only its shape is used
    temp_board : board temperature [degC], broadcasts to (n_set, n_lane)
    Returns : state with zero resistances [ohm] and zero extra currents [A], (n_set, n_lane)

    Holds for: bounds and first estimates.
    Source: definition of a lossless stage.

    >>> from optimizer.topologies import TOPOLOGIES
    >>> one = np.array([[12.0]])
    >>> job = Operation(2 * one, one, one, 1e4 * one, 1e-6 * one, np.array([0]))
    >>> lossless_state(TOPOLOGIES["buck"], job, temp_board=60.0).temp_board
    array([[60.]])
    """
    zero: FloatArray = np.zeros(lanes_shape(operation))
    return State(
        resistance_series=zero,
        resistance=dict.fromkeys(topology.POSITIONS, zero),
        i_input_extra=zero,
        i_output_extra=zero,
        temp_board=zero + temp_board,
        drop={p: zero for p in (*topology.POSITIONS, *windings(topology)) if p in DROPS},
    )


def series_resistance_for_loss(
    topology: Topology,
    operation: Operation,
    window: Window | None,
    loss: FloatArray,
    *,
    emulation: bool = False,
) -> FloatArray:
    """Resistance in the coil's path whose mean drops alone carry a given loss.

    topology : module of the topology
    operation : what each lane asks for (see `solve`)
    window : law of the window region, or None
    loss : sum over intervals of share * R * (mean current)^2 to reach [W], (n_set, n_lane)
    emulation : as in `solve`
    Returns : resistance [ohm], (n_set, n_lane), for `State.resistance_series` beside zero others;
        NaN where no resistance carries the loss (no current, dropout, beyond the largest gain)

    Holds for: losses below about 40 % of the input power (half of it is the largest-gain point),
        resistance * pattern time / inductance below about 0.5 (not at light load).
    Source: derived in DEVELOPERS.md; R = loss / mean square of the interval means, by secant steps.

    >>> from optimizer.topologies import TOPOLOGIES
    >>> one = lambda value: np.array([[value]])
    >>> job = Operation(one(24.0), one(12.0), one(5.0), one(300e3), one(10e-6), np.array([0]))
    >>> series_resistance_for_loss(TOPOLOGIES["buck"], job, None, one(2.5)).round(9)
    array([[0.1]])
    """
    table = lane_table(topology, operation.region, window, emulation=emulation)
    balance = balance_of(table, operation, lossless_state(topology, operation))
    loss = np.broadcast_to(loss, lanes_shape(operation))
    carries = (loss > 0) & close(balance).converged
    ohms = np.where(loss == 0, 0.0, np.nan)
    ohms[carries] = resistance_for_loss(balance.flat(carries), loss[carries])
    return ohms


def sizing_state(
    topology: Topology,
    operation: Operation,
    window: Window | None,
    loss: FloatArray,
    *,
    temp_board: FloatArray | float = 25.0,
    share_series: float = 0.15,
    emulation: bool = False,
) -> State:
    """State of a stage whose total loss is given before its parts are known.

    topology : module of the topology
    operation : what each lane asks for (see `solve`)
    window : law of the window region, or None
    loss : total loss [W], (n_set, n_lane)
    temp_board : board temperature [degC], broadcasts to (n_set, n_lane)
    share_series : conduction drops carry the loss up to this share of the output power [1], and
        no more than a resistance of half the coil's inductance per pattern time does; what is
        above (light load, where fixed losses prevail) is drawn from the input as extra current
    emulation : as in `solve`
    Returns : state whose input power is output power plus `loss`, (n_set, n_lane)

    Holds for: sizing; all drops in one resistance, so that duty and currents are the largest.
    Source: derived in DEVELOPERS.md.

    >>> from optimizer.topologies import TOPOLOGIES
    >>> one = lambda value: np.array([[value]])
    >>> job = Operation(one(24.0), one(12.0), one(4.0), one(300e3), one(10e-6), np.array([0]))
    >>> state = sizing_state(TOPOLOGIES["buck"], job, None, one(9.6))
    >>> state.resistance_series.round(9), state.i_input_extra.round(9)
    (array([[0.45]]), array([[0.1]]))
    """
    blank = lossless_state(topology, operation, temp_board=temp_board)
    shape = lanes_shape(operation)
    carried = np.minimum(loss, share_series * np.abs(operation.v_output * operation.i_output))
    ohms = series_resistance_for_loss(topology, operation, window, carried, emulation=emulation)
    table = lane_table(topology, operation.region, window, emulation=emulation)
    balance = balance_of(table, operation, blank)
    most = np.broadcast_to(DAMPING_MAX / balance.rise, shape)
    ohms = np.where(np.isfinite(ohms), np.minimum(ohms, most), most)
    damped = with_resistance(balance, ohms)
    carried = ohms * mean_square(damped, close(damped))
    fits = ~(carried > loss * (1 + 1e-9))
    rest = np.where(fits, loss - carried, loss)
    return State(
        resistance_series=np.where(fits, ohms, 0.0),
        resistance=blank.resistance,
        i_input_extra=rest / operation.v_input,
        i_output_extra=blank.i_output_extra,
        temp_board=blank.temp_board,
        drop=blank.drop,
    )
