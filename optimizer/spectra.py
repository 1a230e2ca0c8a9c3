"""Harmonics of the node currents and the core-loss factor of the coil current."""

from __future__ import annotations

import numpy as np

from optimizer.records import ComplexArray, FloatArray, Waveform


def edge_turns(waveform: Waveform, n_harmonic: int) -> ComplexArray:
    """How far each harmonic has turned back where each interval begins, the same for all nodes.

    waveform : steady-state currents
    n_harmonic : number of harmonics
    Returns : exp(-j m w t) [1], (n_set, n_lane, n_interval, n_harmonic)

    Holds for: any pattern.
    Source: definition; powers of the fundamental by doubling.

    >>> from optimizer.topologies import TOPOLOGIES
    >>> from optimizer.records import Operation
    >>> from optimizer.waveforms import lossless_state, solve
    >>> one = lambda value: np.array([[value]])
    >>> job = Operation(one(24.0), one(12.0), one(5.0), one(300e3), one(10e-6), np.array([0]))
    >>> wave = solve(TOPOLOGIES["buck"], job, lossless_state(TOPOLOGIES["buck"], job))
    >>> edge_turns(wave, 2)[..., :2, :].real.round(9).tolist()
    [[[[1.0, 1.0], [-1.0, 1.0]]]]
    """
    edge = np.cumsum(waveform.duration, axis=-1) - waveform.duration
    turns = np.empty((*edge.shape, n_harmonic), dtype=np.complex128)
    turns[..., 0] = np.exp(-2j * np.pi * edge)
    known = 1
    while known < n_harmonic:
        more = min(known, n_harmonic - known)
        last, new = turns[..., known - 1 : known], turns[..., known : known + more]
        np.multiply(turns[..., :more], last, out=new)
        known += more
    return turns


def harmonics(
    waveform: Waveform, node: str, n_harmonic: int, turns: ComplexArray | None = None
) -> ComplexArray:
    """Peak phasors of the current a bank carries, fundamental first.

    waveform : steady-state currents
    node : "input" (drawn by the stage less its mean), "output" (delivered less its mean) or
        "coupling" (through the coupling bank)
    n_harmonic : number of harmonics; the fundamental is 1 / time_pattern
    turns : the `edge_turns` of the waveform [1], where they are known already
    Returns : I_m [A] so that i(t) = Re sum I_m exp(j m w t), t = 0 at the start of the pattern,
        (n_set, n_lane, n_harmonic)

    Holds for: piecewise-linear currents with jumps; the bank carries all of the ripple.
    Source: derived in DEVELOPERS.md (Fourier integral by parts: jumps / m plus kinks / m^2).

    >>> from optimizer.topologies import TOPOLOGIES
    >>> from optimizer.records import Operation
    >>> from optimizer.waveforms import lossless_state, solve
    >>> one = lambda value: np.array([[value]])
    >>> job = Operation(one(24.0), one(12.0), one(5.0), one(300e3), one(10e-6), np.array([0]))
    >>> wave = solve(TOPOLOGIES["buck"], job, lossless_state(TOPOLOGIES["buck"], job))
    >>> np.abs(harmonics(wave, "output", 3)).round(4).tolist()
    [[[0.8106, 0.0, 0.0901]]]
    """
    first, last, slope = _pieces(waveform, node)
    jump = first - np.roll(last, 1, axis=-1)
    kink = np.roll(slope, 1, axis=-1) - slope
    turns = edge_turns(waveform, n_harmonic) if turns is None else turns
    angle = 2 * np.pi * np.arange(1, n_harmonic + 1)
    both = np.stack([jump, kink], axis=-2) @ turns.view(np.float64)  # real by complex: both parts
    of_jump, of_kink = np.moveaxis(both.view(np.complex128), -2, 0)
    total: ComplexArray = of_jump * (-2j / angle) + of_kink * (2 / angle**2)
    return total


def _pieces(waveform: Waveform, node: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Node current at both ends of each interval and its slope per pattern.

    An interval of no length adds a jump and its undoing at the same instant, so it needs no care.
    """
    share = {
        "input": waveform.input_current,
        "output": waveform.output_current,
        "coupling": waveform.coupling_current,
    }[node]
    first = np.sum(share * waveform.i_start, axis=-1)
    last = np.sum(share * waveform.i_end, axis=-1)
    present = waveform.duration > 0
    slope = np.where(present, (last - first) / np.where(present, waveform.duration, 1.0), 0.0)
    return first, last, slope


def flux_factor(waveform: Waveform, *, alpha: FloatArray | float) -> FloatArray:
    """Core loss of this waveform over that of a triangle of equal swing and frequency.

    waveform : steady-state currents
    alpha : exponent of the frequency in the core-loss fit, broadcasts to (n_set, n_lane)
    Returns : factor, 1 for a triangle at duty 0.5, (n_set, n_lane, n_inductor); multiplies a
        fit taken at ripple `i_ripple` and frequency 1 / time_pattern

    Holds for: patterns that rise once and fall once, as those of every topology here do: there is
        no minor loop, so the exponent of the swing does not enter.
    Source: improved generalised Steinmetz equation; K. Venkatachalam, C. R. Sullivan, T. Abdallah,
        H. Tacca, "Accurate prediction of ferrite core loss with nonsinusoidal waveforms using only
        Steinmetz parameters", 2002 (from memory); ratio derived in DEVELOPERS.md.

    >>> from optimizer.topologies import TOPOLOGIES
    >>> from optimizer.records import Operation
    >>> from optimizer.waveforms import lossless_state, solve
    >>> one = lambda value: np.array([[value]])
    >>> job = Operation(one(24.0), one(6.0), one(5.0), one(300e3), one(10e-6), np.array([0]))
    >>> wave = solve(TOPOLOGIES["buck"], job, lossless_state(TOPOLOGIES["buck"], job))
    >>> flux_factor(wave, alpha=1.5).round(4).tolist()
    [[[1.1154]]]
    """
    power = np.asarray(alpha)[..., np.newaxis, np.newaxis]
    moved = np.sum(waveform.i_end - waveform.i_start, axis=-1, keepdims=True)
    swing = np.abs(moved) / waveform.i_ripple[..., np.newaxis, :]
    share = waveform.duration[..., np.newaxis]
    lasts = share > 0
    piece = swing**power * np.where(lasts, share, 1.0) ** (1 - power)
    total: FloatArray = np.sum(np.where(lasts, piece, 0.0), axis=-2) / 2.0 ** power[..., 0]
    return np.where(waveform.i_ripple > 0, total, np.nan)
