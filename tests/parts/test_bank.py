"""The bank solver against a plain twin, dense sums, and the bounds it promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.parts import bank
from optimizer.records import ComplexArray, FloatArray

PERIOD = 1 / 300e3


def pulse(duty: FloatArray, swing: float, count: int) -> tuple[ComplexArray, FloatArray]:
    """Harmonics and RMS of a pulse train of 5 A whose top rises by `swing`, mean removed."""
    grid = (np.arange(1 << 14) + 0.5) / (1 << 14)
    at = grid / duty[:, None]
    wave = np.where(at < 1, 5 + swing * (at - 0.5), 0.0)
    wave = wave - wave.mean(axis=1, keepdims=True)
    order = np.arange(1, count + 1)
    shift = np.exp(-1j * np.pi * order / grid.size)
    phasors = np.fft.fft(wave, axis=1)[:, 1 : count + 1] * 2 / grid.size * shift
    return phasors[None], np.sqrt((wave**2).mean(axis=1))[None]


def catalog(rng: np.random.Generator, n_type: int, n_lane: int) -> bank.Branches:
    """Ceramics, polymers and electrolytics with their usual orders of magnitude."""
    kind = rng.integers(0, 3, n_type)[:, None]
    shape = (n_type, n_lane)
    spread = rng.uniform(0.5, 2, (3, *shape))
    return bank.Branches(
        np.array([5e-6, 5e-5, 4e-4])[kind] * spread[0],
        np.array([3e-3, 2e-2, 6e-2])[kind] * spread[1],
        np.array([1e-9, 4e-9, 1e-8])[kind] * spread[2],
    )


def choices(rng: np.random.Generator, count: int, n_type: int) -> dict[str, np.ndarray]:
    second = rng.integers(-1, n_type, count)
    return {
        "first": rng.integers(0, n_type, count),
        "first_pieces": rng.integers(1, 9, count),
        "second": second,
        "second_pieces": np.where(second < 0, 0, rng.integers(1, 9, count)),
    }


def twin(
    phasors: ComplexArray,
    omega: FloatArray,
    parts: list[tuple[float, float, float, int]],
    feed: tuple[float, float] | None = None,
) -> tuple[float, list[float], ComplexArray]:
    """One bank in one lane by complex arithmetic: loss, currents of one part, node voltage."""
    each = [1 / (r + 1j * omega * x + 1 / (1j * omega * c)) for c, r, x, _ in parts]
    total = sum(y * part[3] for y, part in zip(each, parts, strict=True))
    if feed is not None:
        total = total + 1 / (feed[0] + 1j * omega * feed[1])
    voltage = phasors / total
    currents = [np.abs(voltage * y) for y in each]
    one = [float(np.sqrt((i**2).sum() / 2)) for i in currents]
    return sum(n * i * i * r for i, (_, r, _, n) in zip(one, parts, strict=True)), one, voltage


def dense(voltage: ComplexArray, instants: int = 4096) -> FloatArray:
    """Peak-to-peak value of the rebuilt voltage, (...)."""
    angle = 2 * np.pi * np.outer(np.arange(1, voltage.shape[-1] + 1), np.arange(instants))
    return np.ptp((voltage @ np.exp(1j * angle / instants)).real, axis=-1)


def part(branches: bank.Branches, row: int, lane: int, pieces: int) -> tuple[float, ...]:
    figures = (branches.capacitance, branches.esr, branches.esl)
    return (*(float(f[row, lane]) for f in figures), pieces)


@pytest.mark.parametrize("fed", [False, True])
def test_solver_equals_the_plain_twin(fed: bool) -> None:
    rng = np.random.default_rng(7)
    duty = rng.uniform(0.1, 0.9, 4)
    phasors, _ = pulse(duty, 1.0, 20)
    rms = np.sqrt((np.abs(phasors) ** 2).sum(-1) / 2)
    branches, chosen = catalog(rng, 6, 4), choices(rng, 40, 6)
    source = bank.SourceBranch(np.full(4, 0.02), np.full(4, 2e-7)) if fed else None
    frequency = rng.uniform(2e5, 5e5, (1, 4))
    solved = bank.solve(
        harmonics=phasors, frequency=frequency, i_rms_ac=rms, branches=branches, source=source,
        **chosen,
    )  # fmt: skip
    for k, (a, na, b, nb) in enumerate(zip(*chosen.values(), strict=True)):
        for lane in range(4):
            parts = [part(branches, a, lane, na)]
            if b >= 0:
                parts.append(part(branches, b, lane, nb))
            omega = 2 * np.pi * frequency[0, lane] * np.arange(1, 21)
            loss, one, voltage = twin(phasors[0, lane], omega, parts, (0.02, 2e-7) if fed else None)
            assert np.isclose(solved.loss[k, lane], loss, rtol=1e-6)
            assert np.isclose(solved.i_rms_first[k, lane], one[0], rtol=1e-6)
            assert np.isclose(solved.i_rms_second[k, lane], one[1] if b >= 0 else 0.0, rtol=1e-6)
            assert np.isclose(solved.v_ripple_bound[k, lane], 2 * np.abs(voltage).sum())
            assert np.isclose(solved.v_ripple[k, lane], dense(voltage), rtol=5e-3)
            assert np.isclose(solved.capacitance[k, lane], sum(p[0] * p[3] for p in parts))


def test_ripple_error_against_dense_instants_stays_within_half_a_percent() -> None:
    rng = np.random.default_rng(11)
    duty = np.linspace(0.05, 0.95, 19)
    phasors, rms = pulse(duty, 1.0, 20)
    branches, chosen = catalog(rng, 30, 19), choices(rng, 300, 30)
    frequency = np.full((1, 19), 3e5)
    solved = bank.solve(
        harmonics=phasors, frequency=frequency, i_rms_ac=rms, branches=branches, **chosen
    )
    omega = 2 * np.pi * 3e5 * np.arange(1, 21)
    y = 1j * omega * branches.esl[..., None] + 1 / (1j * omega * branches.capacitance[..., None])
    y = 1 / (y + branches.esr[..., None])
    count = chosen["second_pieces"][:, None, None]
    total = y[chosen["first"]] * chosen["first_pieces"][:, None, None] + y[chosen["second"]] * count
    error = solved.v_ripple / dense(phasors / total) - 1
    assert np.abs(error).max() < 5e-3
    assert np.abs(error).mean() < 3e-4
    assert (solved.v_ripple <= solved.v_ripple_bound).all()


def test_lumped_bin_against_two_hundred_harmonics() -> None:
    """Steep pulses at duty 0.05 to 0.95: loss within 1.5 %, currents within 1 %."""
    rng = np.random.default_rng(5)
    duty = np.linspace(0.05, 0.95, 10)
    phasors, rms = pulse(duty, 1.0, 200)
    branches, chosen = catalog(rng, 8, 10), choices(rng, 30, 8)
    solved = bank.solve(
        harmonics=phasors, frequency=np.full((1, 10), 3e5), i_rms_ac=rms, branches=branches,
        ripple=False, **chosen,
    )  # fmt: skip
    omega = 2 * np.pi * 3e5 * np.arange(1, 201)
    for k, (a, na, b, nb) in enumerate(zip(*chosen.values(), strict=True)):
        for lane in range(10):
            parts = [part(branches, a, lane, na)]
            parts += [part(branches, b, lane, nb)] if b >= 0 else []
            loss, one, _ = twin(phasors[0, lane], omega, parts)
            assert np.isclose(solved.loss[k, lane], loss, rtol=1.5e-2)
            assert np.isclose(solved.i_rms_first[k, lane], one[0], rtol=1e-2)
            if b >= 0:
                assert np.isclose(solved.i_rms_second[k, lane], one[1], rtol=1e-2)
    assert np.isnan(solved.v_ripple).all()


def test_paired_sets_equal_one_set_at_a_time() -> None:
    rng = np.random.default_rng(3)
    branches, chosen = catalog(rng, 5, 2), choices(rng, 12, 5)
    spectra = [pulse(rng.uniform(0.2, 0.8, 2), 1.0, 20) for _ in range(12)]
    phasors = np.concatenate([p for p, _ in spectra])
    rms = np.concatenate([r for _, r in spectra])
    frequency = rng.uniform(2e5, 5e5, (12, 2))
    together = bank.solve(
        harmonics=phasors, frequency=frequency, i_rms_ac=rms, branches=branches, **chosen
    )
    for k in range(12):
        alone = bank.solve(
            harmonics=phasors[k : k + 1], frequency=frequency[k : k + 1],
            i_rms_ac=rms[k : k + 1], branches=branches,
            **{name: column[k : k + 1] for name, column in chosen.items()},
        )  # fmt: skip
        for name in ("loss", "i_rms_first", "i_rms_second", "v_ripple"):
            np.testing.assert_allclose(getattr(together, name)[k], getattr(alone, name)[0])


def test_frequencies_may_be_paired_while_the_currents_are_shared() -> None:
    rng = np.random.default_rng(4)
    branches, chosen = catalog(rng, 5, 2), choices(rng, 6, 5)
    phasors, rms = pulse(np.array([0.3, 0.6]), 1.0, 20)
    frequency = rng.uniform(2e5, 5e5, (6, 2))
    shared = bank.solve(
        harmonics=phasors, frequency=frequency, i_rms_ac=rms, branches=branches, **chosen
    )
    paired = bank.solve(
        harmonics=np.repeat(phasors, 6, axis=0), frequency=frequency,
        i_rms_ac=np.repeat(rms, 6, axis=0), branches=branches, **chosen,
    )  # fmt: skip
    np.testing.assert_allclose(shared.v_ripple, paired.v_ripple)
    np.testing.assert_allclose(shared.loss, paired.loss)


def test_blocks_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(9)
    branches, chosen = catalog(rng, 5, 3), choices(rng, 50, 5)
    phasors, rms = pulse(np.array([0.2, 0.5, 0.8]), 1.0, 20)
    given_all = {"harmonics": phasors, "frequency": np.full((1, 3), 3e5), "i_rms_ac": rms}
    whole = bank.solve(**given_all, branches=branches, **chosen)
    monkeypatch.setattr(bank, "BLOCK", 100)
    pieces = bank.solve(**given_all, branches=branches, **chosen)
    np.testing.assert_allclose(whole.v_ripple, pieces.v_ripple)
    np.testing.assert_allclose(whole.loss, pieces.loss)


def test_missing_figures_give_nan_only_in_their_own_rows() -> None:
    branches = bank.Branches(
        np.array([[np.nan], [1e-5]]), np.full((2, 1), 0.01), np.full((2, 1), 1e-9)
    )
    phasors, rms = pulse(np.array([0.4]), 1.0, 20)
    solved = bank.solve(
        harmonics=phasors, frequency=np.array([[3e5]]), i_rms_ac=rms, branches=branches,
        first=np.array([0, 1]), first_pieces=np.array([1, 1]),
        second=np.array([-1, -1]), second_pieces=np.array([0, 0]),
    )  # fmt: skip
    assert np.isnan(solved.loss[0, 0])
    assert np.isfinite(solved.loss[1, 0])


def test_more_of_an_unlike_type_can_raise_the_current_of_the_other() -> None:
    """A resonance between ceramic and bulk: adding ceramic feeds the bulk more, not less."""
    branches = bank.Branches(
        np.array([[1e-6], [1e-4]]), np.array([[3e-3], [5e-3]]), np.array([[1e-9], [1.5e-8]])
    )
    sine = {"harmonics": np.array([[[5.0 + 0j]]]), "frequency": np.array([[3e5]])}
    solved = bank.solve(
        **sine, i_rms_ac=np.array([[5 / np.sqrt(2)]]), branches=branches,
        first=np.array([1, 1, 1]), first_pieces=np.array([1, 1, 1]),
        second=np.array([-1, 0, 0]), second_pieces=np.array([0, 1, 2]),
    )  # fmt: skip
    assert (np.diff(solved.i_rms_first[:, 0]) > 0).all()


def test_inductive_step_is_that_of_the_parallel_inductance() -> None:
    branches = bank.Branches(
        np.full((2, 1), 1e-5), np.full((2, 1), 0.01), np.array([[1e-9], [6e-9]])
    )
    solved = bank.solve(
        harmonics=np.array([[[1.0 + 0j]]]), frequency=np.array([[3e5]]), i_rms_ac=np.array([[1.0]]),
        branches=branches, slope_step=np.array([[-5e7]]), first=np.array([0, 0]),
        first_pieces=np.array([2, 2]), second=np.array([-1, 1]), second_pieces=np.array([0, 3]),
    )  # fmt: skip
    np.testing.assert_allclose(solved.esl_step[:, 0], [5e7 * 0.5e-9, 5e7 * 0.4e-9])


# --- bounds -----------------------------------------------------------------------------------

seeds = st.integers(0, 2**32 - 1)


@settings(max_examples=150, deadline=None)
@given(seeds)
def test_resistance_alone_bounds_the_loss_from_below(seed: int) -> None:
    rng = np.random.default_rng(seed)
    branches, chosen = catalog(rng, 6, 3), choices(rng, 20, 6)
    phasors = rng.normal(size=(1, 3, 20)) + 1j * rng.normal(size=(1, 3, 20))
    phasors *= rng.uniform(0.1, 1, 20) ** 3
    rms = np.sqrt((np.abs(phasors) ** 2).sum(-1) / 2) * rng.uniform(1, 1.5)
    solved = bank.solve(
        harmonics=phasors, frequency=rng.uniform(5e4, 2e6, (1, 3)), i_rms_ac=rms,
        branches=branches, ripple=False, **chosen,
    )  # fmt: skip
    low = bank.loss_bound(
        i_rms=rms,
        esr_first=branches.esr[chosen["first"]],
        first_pieces=chosen["first_pieces"][:, None],
        esr_second=branches.esr[chosen["second"]],
        second_pieces=chosen["second_pieces"][:, None],
    )
    assert (solved.loss >= low * (1 - 1e-9)).all()
    one = (chosen["second"] < 0)[:, None] & np.ones_like(low, dtype=bool)
    np.testing.assert_allclose(solved.loss[one], low[one], rtol=1e-9, err_msg="tight for one type")


@settings(max_examples=200, deadline=None)
@given(seeds, st.integers(1, 20))
def test_any_harmonic_bounds_the_peak_to_peak_from_below(seed: int, order: int) -> None:
    rng = np.random.default_rng(seed)
    voltage = (rng.normal(size=20) + 1j * rng.normal(size=20)) * rng.uniform(0, 1, 20) ** 4
    magnitude = np.abs(voltage)
    real = dense(voltage, 8192)
    assert np.pi / 2 * magnitude[order - 1] <= real * (1 + 1e-6)
    assert bank.ripple_bound_low(magnitude=magnitude) <= real * (1 + 1e-6)
    assert real <= 2 * magnitude.sum() * (1 + 1e-12)


@pytest.mark.parametrize("order", [1, 3, 7])
def test_the_bound_is_reached_by_a_square_wave_of_that_order(order: int) -> None:
    """Swing 2 has a harmonic of 4/pi at its own rate: pi/2 times that is the swing itself."""
    square = np.sign(np.sin(2 * np.pi * order * (np.arange(7000) + 0.5) / 7000))
    magnitude = np.abs(np.fft.rfft(square)) * 2 / square.size
    assert np.isclose(np.pi / 2 * magnitude[order], np.ptp(square), rtol=1e-3)
    assert bank.ripple_bound_low(magnitude=magnitude[1:]) <= np.ptp(square) * (1 + 1e-3)
