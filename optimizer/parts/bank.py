"""A bank: one or two types of capacitors in parallel, fed by the harmonics of the node current.

Every harmonic divides by admittance, so unlike capacitors share current by impedance and not by
resistance. Harmonics beyond `HARMONICS` enter loss and current as one lumped bin.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import numpy as np

from optimizer.records import ComplexArray, FloatArray, IntArray

HARMONICS = 20
"""Harmonics taken one by one; also the content of the voltage ripple."""

LUMP = 1.5
"""The rest of the known RMS current sits at this multiple of the highest harmonic taken."""

SAMPLES = 256
"""Instants of one period at which the voltage is rebuilt; with the parabola through the extremes
the peak-to-peak value was within 0.5 % of 4096 instants on banks with steep edges."""

BLOCK = 1 << 15
"""Array elements (choice x lane x harmonic) worked on at a time: about 256 kB an array."""


@dataclass(frozen=True, slots=True)
class Branches:
    """One capacitor of each type: capacitance [F], esr [ohm], esl [H], each (n_type, n_lane)."""

    capacitance: FloatArray
    esr: FloatArray
    esl: FloatArray


@dataclass(frozen=True, slots=True)
class SourceBranch:
    """Impedance of the source, one more branch: resistance [ohm], inductance [H], (n_lane,)."""

    resistance: FloatArray
    inductance: FloatArray


@dataclass(frozen=True, slots=True)
class Bank:
    """What a bank does in each lane, (n_choice, n_lane) each.

    loss : heat in all its capacitors [W]
    i_rms_first, i_rms_second : RMS current of ONE capacitor of each type [A]; 0 where absent
    v_ripple : peak-to-peak voltage ripple up to harmonic 20 [V]; NaN when not asked for
    v_ripple_bound : sum of magnitudes, never below `v_ripple` [V]
    v_ripple_low : from single harmonics and their squares, never above `v_ripple` [V]
    esl_step : jump of the voltage at an ideal edge of the given change of slope [V]
    capacitance : capacitance of the bank [F]
    """

    loss: FloatArray
    i_rms_first: FloatArray
    i_rms_second: FloatArray
    v_ripple: FloatArray
    v_ripple_bound: FloatArray
    v_ripple_low: FloatArray
    esl_step: FloatArray
    capacitance: FloatArray


class Tables(NamedTuple):
    """Admittance of each type at every lane and bin of a duty [S], (n_type, n_lane, n_bin)."""

    conductance: FloatArray
    susceptance: FloatArray


class Flow(NamedTuple):
    """One block of banks: how a current divides, (n_choice, n_lane, n_bin).

    square_voltage : mean square of the node voltage [V^2]; conductance, susceptance : of all that
        hangs on the node [S]; conductance_bank : of the bank alone [S]; each : admittance of one
        capacitor of both types [S]; phasors : of the current [A]
    """

    square_voltage: FloatArray
    conductance: FloatArray
    susceptance: FloatArray
    conductance_bank: FloatArray
    each: tuple[tuple[FloatArray, FloatArray], ...]
    phasors: ComplexArray

    def loss(self) -> FloatArray:
        """Heat in all capacitors of each bank [W], (n_choice, n_lane)."""
        return _total(self.square_voltage, self.conductance_bank)

    def i_rms(self, which: int) -> FloatArray:
        """RMS current of one capacitor of the first or the second type [A], (n_choice, n_lane)."""
        g, b = self.each[which]
        return np.asarray(np.sqrt(_total(self.square_voltage, g * g + b * b)))

    def ripple(self, stride: int = 1) -> FloatArray:
        """Peak-to-peak voltage [V], (n_choice, n_lane); never above it with a stride."""
        return _peak_to_peak(self, stride)


def spectrum(
    *, harmonics: ComplexArray, frequency: FloatArray, i_rms_ac: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean squares and angular frequencies of the harmonics taken, the lumped bin last.

    harmonics : peak phasors of the bank current [A], (n_set, n_lane, n_harmonic)
    frequency : fundamental [Hz], (n_set, n_lane)
    i_rms_ac : known total RMS of the bank current [A], (n_set, n_lane)
    Returns : mean square of each bin [A^2] and its angular frequency [rad/s],
        (n_set, n_lane, n_bin) each, n_bin = harmonics taken + 1

    Holds for: a periodic current; a known RMS below that of the harmonics counts as equal.
    Source: Parseval; the single bin is our own simplification, checked against 200 harmonics.

    >>> square, omega = spectrum(harmonics=np.array([[[2.0 + 0j]]]),
    ...     frequency=np.array([[1e5]]), i_rms_ac=np.array([[2.0]]))
    >>> np.round(square, 9)
    array([[[2., 2.]]])
    """
    taken = np.asarray(harmonics)[..., :HARMONICS]
    square = (taken.real**2 + taken.imag**2) / 2
    rest = np.maximum(i_rms_ac**2 - square.sum(axis=-1), 0.0)
    count = taken.shape[-1]
    order = np.append(np.arange(1.0, count + 1), LUMP * count)
    omega = 2 * np.pi * np.asarray(frequency, dtype=float)[..., None] * order
    square, rest = np.broadcast_arrays(square, rest[..., None])[0], rest[..., None]
    return np.concatenate([square, np.broadcast_to(rest, (*square.shape[:-1], 1))], -1), omega


def admittance(
    *, capacitance: FloatArray, esr: FloatArray, esl: FloatArray, omega: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Conductance and susceptance of one capacitor.

    capacitance : of one capacitor [F], any shape
    esr : its series resistance [ohm], any shape
    esl : its series inductance [H], any shape
    omega : angular frequency [rad/s], any shape
    Returns : real and imaginary part of the admittance [S], broadcast shape

    Holds for: constant capacitance, resistance and inductance in series.
    Source: textbook circuit theory.

    >>> g, b = admittance(capacitance=1e-6, esr=1.0, esl=1e-6, omega=1e6)
    >>> float(g), abs(float(b)) < 1e-12
    (1.0, True)
    """
    reactance = omega * esl - 1 / (omega * capacitance)
    inverse = 1 / (esr * esr + reactance * reactance)
    return esr * inverse, -reactance * inverse


def tables(
    *, harmonics: ComplexArray, frequency: FloatArray, i_rms_ac: FloatArray, branches: Branches
) -> Tables:
    """Admittances of every type, worked out once for many banks of one duty.

    harmonics : peak phasors of the current [A], (1, n_lane, n_harmonic)
    frequency : fundamental [Hz], (1, n_lane)
    i_rms_ac : its known RMS [A], (1, n_lane)
    branches : one capacitor of each type [F, ohm, H], (n_type, n_lane) each
    Returns : `Tables` [S], (n_type, n_lane, n_bin)

    Holds for: as `admittance`.
    Source: as `admittance`.

    >>> one = Branches(np.array([[1e-5]]), np.array([[0.01]]), np.array([[0.0]]))
    >>> tables(harmonics=np.array([[[2.0 + 0j]]]), frequency=np.array([[1e5]]),
    ...     i_rms_ac=np.array([[2.0**0.5]]), branches=one).conductance.shape
    (1, 1, 2)
    """
    _, omega = spectrum(harmonics=harmonics, frequency=frequency, i_rms_ac=i_rms_ac)
    g, b = admittance(
        capacitance=branches.capacitance[..., None],
        esr=branches.esr[..., None],
        esl=branches.esl[..., None],
        omega=omega[0],
    )
    return Tables(g, b)


def solve(
    *,
    harmonics: ComplexArray,
    frequency: FloatArray,
    i_rms_ac: FloatArray,
    branches: Branches,
    first: IntArray,
    first_pieces: IntArray,
    second: IntArray,
    second_pieces: IntArray,
    source: SourceBranch | None = None,
    slope_step: FloatArray | None = None,
    ripple: bool = True,
    each: Tables | None = None,
) -> Bank:
    """Loss, currents and voltage ripple of banks of one or two types.

    harmonics : peak phasors of the current the bank must carry [A], cosine convention
        Re(I*exp(j*m*omega*t)), (n_set or 1, n_lane, n_harmonic)
    frequency : fundamental [Hz], (n_set or 1, n_lane)
    i_rms_ac : its known RMS [A], (n_set or 1, n_lane)
    branches : one capacitor of each type [F, ohm, H], (n_type, n_lane) each
    first, second : rows of `branches`, -1 for no second type [1], (n_choice,)
    first_pieces, second_pieces : pieces of each [1], (n_choice,)
    source : impedance in parallel that drains ripple; its own heat is not counted [ohm, H]
    slope_step : change of the slope of the current at its sharpest edge [A/s],
        (n_set or 1, n_lane), for `esl_step`
    ripple : whether to rebuild the voltage in time
    each : admittances of every type, if known already; n_set must then be 1
    Returns : `Bank` of (n_choice, n_lane); n_set must be 1 or n_choice (paired one to one)

    Holds for: small ripple (capacitance constant over the period); NaN where a branch is NaN.
    Source: textbook circuit theory, current divides by admittance at each harmonic.

    >>> one = Branches(np.array([[1e-5]]), np.array([[0.01]]), np.array([[0.0]]))
    >>> bank = solve(harmonics=np.array([[[2.0 + 0j]]]), frequency=np.array([[1e5]]),
    ...     i_rms_ac=np.array([[2.0**0.5]]), branches=one, first=np.array([0]),
    ...     first_pieces=np.array([2]), second=np.array([-1]), second_pieces=np.array([0]))
    >>> bank.loss.round(12), bank.i_rms_first.round(6)
    (array([[0.01]]), array([[0.707107]]))
    """
    first, second = np.asarray(first), np.asarray(second)
    shape = (first.shape[0], branches.esr.shape[1])
    loss, one, two, bound, low = (np.empty(shape) for _ in range(5))
    voltage = np.full(shape, np.nan)
    for rows, flow in flows(
        harmonics=harmonics,
        frequency=frequency,
        i_rms_ac=i_rms_ac,
        branches=branches,
        first=first,
        first_pieces=first_pieces,
        second=second,
        second_pieces=second_pieces,
        source=source,
        each=each,
    ):
        loss[rows], one[rows], two[rows] = flow.loss(), flow.i_rms(0), flow.i_rms(1)
        magnitude = np.sqrt(2 * flow.square_voltage[..., :-1])
        bound[rows] = 2 * magnitude.sum(axis=-1)
        low[rows] = ripple_bound_low(magnitude=magnitude)
        if ripple:
            voltage[rows] = flow.ripple()
    two[second < 0] = 0.0
    types, pieces = _columns(first, first_pieces, second, second_pieces)
    step, total = _edge(branches, types, pieces, slope_step)
    return Bank(loss, one, two, voltage, bound, low, step, total)


def flows(
    *,
    harmonics: ComplexArray,
    frequency: FloatArray,
    i_rms_ac: FloatArray,
    branches: Branches,
    first: IntArray,
    first_pieces: IntArray,
    second: IntArray,
    second_pieces: IntArray,
    source: SourceBranch | None = None,
    each: Tables | None = None,
) -> Iterator[tuple[slice, Flow]]:
    """How the current divides in banks of one or two types, block by block.

    harmonics : peak phasors of the current [A], like all the rest as `solve` takes it
    frequency : fundamental [Hz]
    i_rms_ac : known RMS of the current [A]
    Returns : rows of the choices and their `Flow`, all blocks together each choice once

    Holds for: as `solve`.
    Source: as `solve`.

    >>> one = Branches(np.array([[1e-5]]), np.array([[0.01]]), np.array([[0.0]]))
    >>> ((rows, flow),) = flows(harmonics=np.array([[[2.0 + 0j]]]), frequency=np.array([[1e5]]),
    ...     i_rms_ac=np.array([[2.0**0.5]]), branches=one, first=np.array([0]),
    ...     first_pieces=np.array([2]), second=np.array([-1]), second_pieces=np.array([0]))
    >>> rows.stop, flow.loss().round(12)
    (1, array([[0.01]]))
    """
    types, pieces = _columns(first, first_pieces, second, second_pieces)
    square, omega = spectrum(harmonics=harmonics, frequency=frequency, i_rms_ac=i_rms_ac)
    phasors = np.asarray(harmonics)[..., :HARMONICS]
    for rows in _blocks(types.shape[1], branches.esr.shape[1] * square.shape[-1]):
        own: list[Any] = [one[rows] if len(one) > 1 else one for one in (square, omega, phasors)]
        chosen = branches, types[:, rows], pieces[:, rows]
        yield rows, _flow(own[0], own[1], own[2], *chosen, source, each)


def _columns(
    first: IntArray, first_pieces: IntArray, second: IntArray, second_pieces: IntArray
) -> tuple[IntArray, FloatArray]:
    """Types and pieces of both places, (2, n_choice) each; no pieces where there is no second."""
    pieces = np.stack([first_pieces, np.where(second < 0, 0, second_pieces)]).astype(float)
    return np.stack([first, np.where(second < 0, first, second)]), pieces


def _blocks(count: int, width: int) -> Iterator[slice]:
    """Slices of the choices, each small enough to stay in the cache."""
    size = max(1, BLOCK // max(width, 1))
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))


def _total(square_voltage: FloatArray, weight: FloatArray) -> FloatArray:
    """Sum over the harmonics."""
    result: FloatArray = np.einsum("clm,clm->cl", square_voltage, weight)
    return result


def _flow(
    square: FloatArray,
    omega: FloatArray,
    phasors: ComplexArray,
    branches: Branches,
    types: IntArray,
    pieces: FloatArray,
    source: SourceBranch | None,
    each: Tables | None,
) -> Flow:
    """Divide the current of one block of choices among its branches."""
    total_g: FloatArray | float = 0.0
    total_b: FloatArray | float = 0.0
    both = []
    for row, count in zip(types, pieces, strict=True):
        if each is not None:
            g, b = each.conductance[row], each.susceptance[row]
        else:
            g, b = admittance(
                capacitance=branches.capacitance[row][..., None],
                esr=branches.esr[row][..., None],
                esl=branches.esl[row][..., None],
                omega=omega,
            )
        both.append((g, b))
        total_g = total_g + g * count[:, None, None]
        total_b = total_b + b * count[:, None, None]
    bank_g = np.asarray(total_g)
    if source is not None:
        reactance = omega * source.inductance[..., None]
        inverse = 1 / (source.resistance[..., None] ** 2 + reactance**2)
        total_g = total_g + source.resistance[..., None] * inverse
        total_b = total_b - reactance * inverse
    voltage = square / (total_g * total_g + total_b * total_b)
    return Flow(voltage, np.asarray(total_g), np.asarray(total_b), bank_g, tuple(both), phasors)


@cache
def instants(count: int) -> FloatArray:
    """Cosines above negative sines of the first harmonics at the instants, (2*count, SAMPLES)."""
    angle = 2 * np.pi * np.outer(np.arange(1, count + 1), np.arange(SAMPLES)) / SAMPLES
    return np.concatenate([np.cos(angle), -np.sin(angle)])


def _peak_to_peak(flow: Flow, stride: int) -> FloatArray:
    """Peak-to-peak voltage of one block from its phasors; never above it with a stride."""
    phasors = flow.phasors
    count = phasors.shape[-1]
    g, b = flow.conductance[..., :count], flow.susceptance[..., :count]
    inverse = 1 / (g * g + b * b)
    real = (phasors.real * g + phasors.imag * b) * inverse
    imag = (phasors.imag * g - phasors.real * b) * inverse
    turn = instants(count)[:, ::stride]
    wave = np.concatenate([real, imag], axis=-1).reshape(-1, 2 * count) @ turn
    if stride > 1:
        return np.asarray(wave.max(axis=-1) - wave.min(axis=-1)).reshape(real.shape[:2])
    top = _crest(wave, np.argmax(wave, axis=-1)) - _crest(wave, np.argmin(wave, axis=-1))
    return top.reshape(real.shape[:2])


def _crest(wave: FloatArray, at: IntArray) -> FloatArray:
    """Extreme of each sampled wave near sample `at`, through the parabola of three samples."""
    row = np.arange(wave.shape[0])
    left, top, right = wave[row, at - 1], wave[row, at], wave[row, (at + 1) % SAMPLES]
    bend = 2 * top - left - right
    with np.errstate(invalid="ignore", divide="ignore"):
        rise = np.where(bend != 0, (right - left) ** 2 / (8 * bend), 0.0)
    return np.asarray(top + rise)


def _edge(
    branches: Branches, types: IntArray, pieces: FloatArray, slope_step: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Jump of the voltage at an ideal edge, and the capacitance of the bank."""
    count = pieces[..., None]
    total = (count * branches.capacitance[types]).sum(axis=0)
    if slope_step is None:
        return np.full(total.shape, np.nan), total
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(count > 0, count / branches.esl[types], 0.0).sum(axis=0)
    return np.abs(slope_step) / share, total


# --- bounds that cost next to nothing -----------------------------------------------------------


def loss_bound(
    *,
    i_rms: FloatArray,
    esr_first: FloatArray,
    first_pieces: FloatArray,
    esr_second: FloatArray,
    second_pieces: FloatArray,
) -> FloatArray:
    """Loss no bank of these resistances can go below, whatever its reactances.

    i_rms : RMS current the bank carries [A], any shape
    esr_first, esr_second : resistance of one capacitor of each type [ohm], any shape
    first_pieces, second_pieces : pieces of each [1], any shape
    Returns : lower bound on the loss [W], broadcast shape

    Holds for: every bank without a source branch; any number of harmonics together.
    Source: Thomson's principle (currents that divide by resistance heat least), applied to the
    real and imaginary part of every harmonic.

    >>> float(loss_bound(i_rms=2.0, esr_first=0.02, first_pieces=2, esr_second=0.01,
    ...     second_pieces=0))
    0.04
    """
    conductance = np.asarray(first_pieces / esr_first + second_pieces / esr_second)
    return np.asarray(i_rms**2 / conductance)


def ripple_bound_low(*, magnitude: FloatArray) -> FloatArray:
    """Peak-to-peak value no signal with these harmonics can go below.

    magnitude : peak of any of its harmonics [V], (..., n_harmonic); missing ones are allowed
    Returns : lower bound on the peak-to-peak value [V], (...)

    Holds for: every periodic signal and every harmonic m: about mid-range |v| <= pp/2, so
    |V_m| = 2*mean(v*cos(m*w*t + phase)) <= 2*(pp/2)*mean(|cos|) = (2/pi)*pp, and mean(|cos|) is
    2/pi at every m. Also rms <= pp/2, so pp >= sqrt(2*sum |V_m|^2).
    Source: derived in DEVELOPERS.md (the two lines above are the derivation).

    >>> float(ripple_bound_low(magnitude=np.array([4 / np.pi])))
    2.0
    """
    one = np.pi / 2 * np.max(magnitude, axis=-1)
    together = np.sqrt(2 * np.sum(magnitude**2, axis=-1))
    return np.asarray(np.maximum(one, together))
