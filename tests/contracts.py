"""Common batteries that every topology must pass; they know laws, not results."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from optimizer.records import (
    INPUT_HIGH,
    REGION_WINDOW,
    FloatArray,
    Operation,
    Pattern,
    State,
    Waveform,
    Window,
)
from optimizer.topologies import Topology
from optimizer.topologies.intervals import N_INTERVAL, control_run, has_diode, windings
from optimizer.waveforms import solve

WINDOWS = tuple(
    Window(0.9, 1.15, 0.02, law, duty, pulse, share)
    for law, duty in (("output duty", 0.2), ("input duty", 0.85))
    for pulse in ("start", "centre")
    for share in (1.0, 0.5)
)
"""Every law, pulse position and frequency share of the window region."""


def patterns(topology: Topology) -> list[tuple[Pattern, Window | None]]:
    """All patterns of a topology: its plain regions once, its window under every law."""
    plain = [(topology.pattern(r, None), None) for r in topology.REGIONS if r != REGION_WINDOW]
    if REGION_WINDOW not in topology.REGIONS:
        return plain
    return plain + [(topology.pattern(REGION_WINDOW, w), w) for w in WINDOWS]


def check_topology(topology: Topology) -> None:
    """The module has the agreed names and its patterns are physical."""
    assert topology.NAME
    assert {p for leg in topology.LEGS for p in (leg.control, leg.synchronous)} == set(
        topology.POSITIONS
    )
    for pattern, _ in patterns(topology):
        check_pattern(topology, pattern)


def check_pattern(topology: Topology, pattern: Pattern) -> None:
    """Shares fill the pattern, one transistor of each leg conducts, nodes and winding agree."""
    assert pattern.base.shape == pattern.slope.shape == (N_INTERVAL,)
    assert pattern.winding_input.shape[0] == N_INTERVAL
    assert np.isclose(pattern.base.sum(), 1)
    assert np.isclose(pattern.slope.sum(), 0)
    used = (pattern.base != 0) | (pattern.slope != 0)
    for leg in topology.LEGS:
        both = pattern.conducts[leg.control] + pattern.conducts[leg.synchronous]
        assert np.array_equal(both[used], np.ones_like(both[used]))
    assert np.array_equal(pattern.output_current, -pattern.winding_output)
    if pattern.coupling_current.any():
        check_two_coils(pattern)
    else:
        assert np.array_equal(pattern.input_current, pattern.winding_input)
    check_control(topology, pattern)


def check_two_coils(pattern: Pattern) -> None:
    """Kirchhoff at both ends of the coupling capacitor, and the same voltage at both coils.

    The first coil always comes from the input and ends at the switch or the capacitor; the
    second goes from the capacitor or the rectifier to ground; rest means one loop of both.
    """
    used = (pattern.base != 0) | (pattern.slope != 0)
    assert np.array_equal(pattern.winding_input[:, 0], pattern.winding_input[:, 1])
    assert np.array_equal(pattern.winding_output[:, 0], pattern.winding_output[:, 1])
    switch, rectifier = pattern.conducts.values()
    at_switch = np.array([1.0, 0.0]) - switch - pattern.coupling_current
    at_rectifier = np.array([0.0, 1.0]) + pattern.coupling_current - rectifier
    assert not at_switch[used].any()
    assert not at_rectifier[used].any()
    assert np.array_equal(pattern.input_current[:3], [[1.0, 0.0]] * 3)
    rest = pattern.coupling_current[~used][0] * np.array([1.0, -1.0])
    assert rest.sum() == 1.0


def check_control(topology: Topology, pattern: Pattern) -> None:
    """A leg that switches has one on-run whose length is the duty the pattern states."""
    for leg in topology.LEGS:
        on = pattern.conducts[leg.control].any(axis=1)
        law = pattern.duty_input if leg.control == INPUT_HIGH else pattern.duty_output
        share = np.array([pattern.base[on].sum(), pattern.slope[on].sum()])
        resting = float(leg.control == INPUT_HIGH)
        stated = (
            np.array(law) + resting * (pattern.cycles - 1) * np.array([1, 0])
        ) / pattern.cycles
        assert np.allclose(share, stated), leg.name
        assert (leg.control in pattern.switching) == (law != (resting, 0.0))
        if leg.control in pattern.switching:
            assert pattern.switching[leg.control] == 1 / pattern.cycles
            first, last = control_run(pattern, leg.control)
            assert on[first]
            assert on[last]


def nodes_high(topology: Topology, waveform: Waveform) -> tuple[FloatArray, FloatArray]:
    """Whether the path is tied to the input and the output; of two coils both see one voltage."""
    on_output = waveform.output_current[..., 0]
    if windings(topology):
        return np.broadcast_to([1.0, 0.0, 0.0, 0.0], on_output.shape), on_output
    return waveform.input_current[..., 0], on_output


def path_resistance(topology: Topology, waveform: Waveform, state: State) -> FloatArray:
    """Resistance in the coil's path in each interval, rebuilt from the node shares alone."""
    on_input, on_output = nodes_high(topology, waveform)
    total = state.resistance_series[..., np.newaxis]
    for leg in topology.LEGS:
        high = on_input if leg.node == "input" else on_output
        top, bottom = (
            (leg.control, leg.synchronous)
            if leg.node == "input"
            else (leg.synchronous, leg.control)
        )
        total = total + high * state.resistance[top][..., np.newaxis]
        total = total + (1 - high) * state.resistance[bottom][..., np.newaxis]
    return total


def forward_drop(topology: Topology, waveform: Waveform, state: State) -> FloatArray:
    """Forward voltage of the diodes in the coil's path in each interval, rebuilt likewise."""
    total = np.zeros_like(waveform.duration)
    start, end = waveform.i_start.sum(axis=-1), waveform.i_end.sum(axis=-1)
    flows = (np.abs(start) > 1e-12) | (np.abs(end) > 1e-12)
    for number, name in enumerate(windings(topology)):
        total = total + np.eye(2, total.shape[-1])[number] * state.drop[name][..., np.newaxis]
    for leg in topology.LEGS:
        if leg.synchronous in state.drop:
            low = leg.node == "input"
            share = nodes_high(topology, waveform)[0 if low else 1]
            conducts = 1 - share if low else share
            total = total + conducts * flows * state.drop[leg.synchronous][..., np.newaxis]
    return total


def check_waveform(
    topology: Topology, operation: Operation, state: State, waveform: Waveform
) -> None:
    """Volt-second, charge and power balance, order of currents, in every lane that closed."""
    ok = waveform.converged
    share = waveform.duration
    start, end = waveform.i_start.sum(axis=-1), waveform.i_end.sum(axis=-1)
    mean = (start + end) / 2
    ohms = path_resistance(topology, waveform, state)
    v_input = np.broadcast_to(operation.v_input, ok.shape)
    v_output = np.broadcast_to(operation.v_output, ok.shape)
    on_input, on_output = nodes_high(topology, waveform)
    winding = on_input * v_input[..., np.newaxis]
    winding = winding - on_output * v_output[..., np.newaxis] - ohms * mean
    forward = forward_drop(topology, waveform, state)
    winding = winding - forward
    size = np.abs(start).max(axis=-1) + waveform.i_ripple[..., 0]

    def near(one: FloatArray, other: FloatArray, scale: FloatArray) -> None:
        assert np.all(np.abs(one - other)[ok] <= 1e-9 * np.abs(scale)[ok] + 1e-12)

    near(share.sum(axis=-1), np.ones(ok.shape), np.ones(ok.shape))
    assert np.all(share[ok] >= 0)
    near((share * winding).sum(axis=-1), np.zeros(ok.shape), v_input + v_output)
    rise = winding * share * (waveform.time_pattern / operation.inductance)[..., np.newaxis]
    near((end - start - rise).max(axis=-1), np.zeros(ok.shape), size)
    near((start - np.roll(end, 1, axis=-1)).max(axis=-1), np.zeros(ok.shape), size)
    wanted = operation.i_output + state.i_output_extra
    near((share * mean * on_output).sum(axis=-1), wanted, size)
    if windings(topology):
        check_coil_currents(waveform)
    drops = (share * (ohms * mean + forward) * mean).sum(axis=-1)
    power_input = v_input * waveform.i_input_mean
    near(power_input, v_output * wanted + drops, (v_input + v_output) * size)
    check_currents(topology, state, waveform)
    if has_diode(topology):
        assert np.all(waveform.i_valley[..., 0][ok] >= -1e-12)


def check_coil_currents(waveform: Waveform) -> None:
    """No charge is left on the coupling capacitor, and the coils carry input and output."""
    ok = waveform.converged
    share, ends = waveform.duration, (waveform.i_start, waveform.i_end)
    through = [(waveform.coupling_current * one).sum(axis=-1) for one in ends]
    charge = (share * (through[0] + through[1])).sum(axis=-1)
    assert np.all(np.abs(charge[ok]) <= 1e-9 * (1 + waveform.i_rms[..., 0][ok]))
    assert np.allclose(waveform.winding_mean[..., 0][ok], waveform.i_input_mean[ok])
    delivered = [(waveform.output_current * one).sum(axis=-1) for one in ends]
    mean = (share * (delivered[0] + delivered[1])).sum(axis=-1) / 2
    assert np.allclose(waveform.winding_mean[..., 1][ok], mean[ok])
    size = waveform.i_rms[..., 0][ok, np.newaxis]
    assert np.all(waveform.winding_rms[ok] <= np.abs(waveform.winding_mean[ok]) + size)


def check_currents(topology: Topology, state: State, waveform: Waveform) -> None:
    """rms >= |mean|, kirchhoff at each leg, and conduction loss told in two ways is one."""
    ok = waveform.converged
    i_rms, i_mean = waveform.i_rms[..., 0], waveform.i_mean[..., 0]
    slack = 1e-12 + 1e-12 * i_rms
    assert np.all((i_rms + slack >= np.abs(i_mean))[ok])
    assert np.all((waveform.i_peak >= waveform.i_valley)[ok])
    total = state.resistance_series * i_rms**2
    for position in topology.POSITIONS:
        rms = waveform.position_rms[position]
        assert np.all((rms + slack >= np.abs(waveform.position_mean[position]))[ok])
        total = total + state.resistance[position] * rms**2
    for leg in topology.LEGS:
        pair = (leg.control, leg.synchronous)
        assert np.allclose(sum(waveform.position_mean[p] for p in pair)[ok], i_mean[ok])
        assert np.allclose(sum(waveform.position_rms[p] ** 2 for p in pair)[ok], i_rms[ok] ** 2)
    mean = (waveform.i_start + waveform.i_end).sum(axis=-1) / 2
    ohms = path_resistance(topology, waveform, state)
    drops = (waveform.duration * ohms * mean**2).sum(axis=-1)
    assert np.allclose((drops + waveform.loss_ripple_conduction)[ok], total[ok], rtol=1e-9)


def check_scalar_equals_array(
    topology: Topology, operation: Operation, state: State, window: Window | None
) -> None:
    """Each (set, lane) alone gives what the whole array gives."""
    whole = solve(topology, operation, state, window)
    shape = whole.converged.shape
    for at in np.ndindex(shape):
        one = solve(topology, _pick(operation, at, shape), _pick(state, at, shape), window)
        for name in ("i_rms", "i_ripple", "duty_input", "i_input_rms_ac", "time_on_min"):
            alone, among = getattr(one, name), getattr(whole, name)[at]
            assert np.allclose(alone.ravel(), among.ravel(), rtol=1e-10, equal_nan=True), name


def _pick(record: Operation | State, at: tuple[int, ...], shape: tuple[int, ...]) -> object:
    """The record of one set and lane, axes kept."""

    def one(value: FloatArray) -> FloatArray:
        return np.broadcast_to(value, shape)[at][np.newaxis, np.newaxis]

    changed: dict[str, object] = {}
    for field in fields(record):
        value = getattr(record, field.name)
        if field.name == "region":
            changed[field.name] = value[at[1] : at[1] + 1]
        elif isinstance(value, dict):
            changed[field.name] = {key: one(item) for key, item in value.items()}
        else:
            changed[field.name] = one(value)
    return replace(record, **changed)
