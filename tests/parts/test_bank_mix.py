"""Banks of two types against brute force in plain complex arithmetic."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import cache
from itertools import product

import numpy as np
import pytest

from optimizer.parts import bank
from optimizer.parts.bank_choice import BankDuty, BankLimits, BankOptions, single_options, staircase
from optimizer.parts.bank_mix import mixed_options

PIECES, ORDERS, LANES = 3, 8, 3
Row = tuple[int, int, int, int]
ANGLE = 2 * np.pi * np.outer(np.arange(1024) / 1024, np.arange(1, ORDERS + 1))
TURN = np.concatenate([np.cos(ANGLE), -np.sin(ANGLE)], axis=1)


@dataclass(frozen=True)
class Case:
    """One random small catalog with its duties and limits."""

    objective: BankDuty
    weight: np.ndarray
    sizing: BankDuty
    limits: BankLimits
    cost: np.ndarray


@dataclass(frozen=True)
class Figures:
    """What brute force says of one bank."""

    cost: int
    loss: float
    ripple: np.ndarray
    use: np.ndarray
    capacitance: np.ndarray


def random_case(seed: int, *, fed: bool = False, n_type: int = 5) -> Case:
    """Ceramic-like and bulk-like types; lanes of random pulses; one lane out of the mission."""
    rng = np.random.default_rng(seed)
    bulk = rng.random(n_type)[:, None] < 0.4
    shape = (n_type, LANES)
    figures = bank.Branches(
        np.where(bulk, 1e-4, 8e-6) * rng.uniform(0.5, 2, shape),
        np.where(bulk, 0.03, 0.004) * rng.uniform(0.4, 2, shape),
        np.where(bulk, 6e-9, 1e-9) * rng.uniform(0.5, 2, shape),
    )
    worse = replace(figures, capacitance=figures.capacitance * 0.8, esr=figures.esr * 1.3)
    duty = rng.uniform(0.1, 0.9, (1, LANES, 1))
    order = np.arange(1, ORDERS + 1)
    phasors = (
        6 * np.sin(np.pi * order * duty) / (np.pi * order) * np.exp(-1j * np.pi * order * duty)
    )
    phasors *= 2
    rms = np.sqrt((np.abs(phasors) ** 2).sum(-1) / 2) * 1.02
    frequency = rng.uniform(2e5, 4e5, (1, LANES))
    source = bank.SourceBranch(np.full(LANES, 0.05), np.full(LANES, 3e-7)) if fed else None
    price = rng.integers(20, 120, n_type)[:, None] * np.arange(PIECES + 1) * rng.integers(90, 100)
    price[:, 1:] += 400
    price[rng.integers(n_type), PIECES] = -1
    objective = BankDuty(phasors, frequency, rms, figures, source)
    sizing = BankDuty(phasors * 1.05, frequency * 0.9, rms * 1.05, worse, source)
    free = BankLimits(np.full(LANES, np.inf), np.full(shape, np.inf), np.zeros(LANES))
    return Case(objective, np.array([0.7, 0.0, 0.3]), sizing, free, price)


def lane_figures(duty: BankDuty, lane: int, row: Row) -> tuple[float, list[float], float, float]:
    """Loss, current of one part of each type, ripple and capacitance, by complex arithmetic."""
    parts = [(t, n) for t, n in (row[:2], row[2:]) if t >= 0]
    phasors = duty.harmonics[0, lane]
    rest = duty.i_rms_ac[0, lane] ** 2 - (np.abs(phasors) ** 2).sum() / 2
    peaks = np.append(phasors, np.sqrt(2 * max(rest, 0.0)))
    orders = np.append(np.arange(1, ORDERS + 1), 1.5 * ORDERS)
    s = 2j * np.pi * duty.frequency[0, lane] * orders
    b = duty.branches
    each = [
        1 / (b.esr[t, lane] + s * b.esl[t, lane] + 1 / (s * b.capacitance[t, lane]))
        for t, _ in parts
    ]
    total = sum(n * y for (_, n), y in zip(parts, each, strict=True))
    if duty.source is not None:
        total = total + 1 / (duty.source.resistance[lane] + s * duty.source.inductance[lane])
    voltage = peaks / total
    one = [float(np.sqrt((np.abs(voltage * y) ** 2).sum() / 2)) for y in each]
    loss = sum(n * i * i * b.esr[t, lane] for (t, n), i in zip(parts, one, strict=True))
    ripple = float(np.ptp(TURN @ np.concatenate([voltage[:-1].real, voltage[:-1].imag])))
    return loss, one, ripple, sum(n * b.capacitance[t, lane] for t, n in parts)


def brute_force(case: Case) -> dict[Row, Figures]:
    """Every bank of one or two types that can be bought."""
    n_type = case.cost.shape[0]
    counted = [(t, n) for t in range(n_type) for n in range(1, PIECES + 1) if case.cost[t, n] >= 0]
    rows: list[Row] = [(t, n, -1, 0) for t, n in counted]
    rows += [(*a, *b) for a, b in product(counted, counted) if a[0] < b[0]]
    found = {}
    for row in rows:
        loss = sum(w * lane_figures(case.objective, k, row)[0] for k, w in enumerate(case.weight))
        lanes = [lane_figures(case.sizing, k, row) for k in range(LANES)]
        cost = int(case.cost[row[0], row[1]] + (case.cost[row[2], row[3]] if row[2] >= 0 else 0))
        found[row] = Figures(
            cost,
            float(loss),
            np.array([lane[2] for lane in lanes]),
            np.array([lane[1] for lane in lanes]),
            np.array([lane[3] for lane in lanes]),
        )
    return found


def between(values: np.ndarray, share: float) -> float:
    """A limit in the widest gap near a quantile, so that no bank sits on it."""
    ordered = np.sort(values)
    middle = int(share * ordered.size)
    near = np.arange(max(middle - 6, 0), min(middle + 6, ordered.size - 1))
    at = near[np.argmax(ordered[near + 1] / ordered[near])]
    return float(np.sqrt(ordered[at] * ordered[at + 1]))


def limited(case: Case, rows: dict[Row, Figures], seed: int) -> Case:
    """The case with limits that about half of its banks meet."""
    rng = np.random.default_rng(seed + 10**6)
    figures = rows.values()
    ripple = [between(np.array([f.ripple[k] for f in figures]), 0.7) for k in range(LANES)]
    allowed = np.full((case.cost.shape[0], LANES), np.inf)
    for t in range(case.cost.shape[0]):
        uses = [f.use[:, i].max() for r, f in rows.items() for i in (0, 1) if r[2 * i] == t]
        allowed[t] = between(np.array(uses), rng.uniform(0.5, 1.0))
    smallest = np.array(
        [between(np.array([f.capacitance[k] for f in figures]), 0.1) for k in range(LANES)]
    )
    return replace(case, limits=BankLimits(np.array(ripple), allowed, smallest))


def fails(case: Case, row: Row, figures: Figures) -> list[str]:
    """The limits a bank breaks, as the limits are worded."""
    broken = []
    if (figures.ripple > case.limits.v_ripple).any():
        broken.append("ripple")
    types = [t for t in (row[0], row[2]) if t >= 0]
    if any((figures.use[:, i] > case.limits.i_ripple[t]).any() for i, t in enumerate(types)):
        broken.append("current")
    if (figures.capacitance < case.limits.capacitance_min).any():
        broken.append("capacitance")
    return broken


def run(case: Case, **options: object) -> tuple[BankOptions, BankOptions]:
    """Single-type banks, then those of two types, of the package."""
    given = {
        "objective": case.objective, "weight": case.weight, "sizing": case.sizing,
        "limits": case.limits, "cost": case.cost,
    }  # fmt: skip
    single = single_options(**given)
    mixed = mixed_options(**given, single_cost=single.cost, single_loss=single.loss, **options)
    return single, mixed


def as_rows(options: BankOptions) -> list[Row]:
    columns = (options.first, options.first_pieces, options.second, options.second_pieces)
    rows = [tuple(int(v) for v in row) for row in zip(*columns, strict=True)]
    return [r if r[2] < 0 or r[0] < r[2] else (*r[2:], *r[:2]) for r in rows]


@cache
def prepared(
    seed: int, *, fed: bool = False
) -> tuple[Case, dict[Row, Figures], dict[Row, Figures]]:
    """Case, all its banks, and the feasible ones."""
    case = random_case(seed, fed=fed)
    rows = brute_force(case)
    case = limited(case, rows, seed)
    return case, rows, {r: f for r, f in rows.items() if not fails(case, r, f)}


@pytest.mark.parametrize("fed", [False, True])
def test_front_of_singles_and_mixes_equals_brute_force(fed: bool) -> None:
    """A hundred catalogs; every limit must bite and banks of two types must win somewhere."""
    broken: Counter[str] = Counter()
    winners = shares = 0
    for seed in range(100):
        case, rows, feasible = prepared(seed, fed=fed)
        single, mixed = run(case)
        assert set(as_rows(single)) == {r for r in feasible if r[2] < 0}
        cost = np.concatenate([single.cost, mixed.cost])
        loss = np.concatenate([single.loss, mixed.loss])
        kept = staircase(cost=cost, loss=loss)
        truth = sorted((f.cost, f.loss) for f in feasible.values())
        stairs: list[tuple[int, float]] = []
        for c, x in truth:
            if not stairs or x < stairs[-1][1] * (1 - 1e-9):
                stairs.append((c, x))
        assert cost[kept].tolist() == [c for c, _ in stairs]
        np.testing.assert_allclose(loss[kept], [x for _, x in stairs], rtol=1e-9)
        for row, figures in rows.items():
            broken.update(fails(case, row, figures) if len(fails(case, row, figures)) == 1 else [])
        winners += int((kept >= single.cost.size).sum())
        shares += 0.2 < len(feasible) / len(rows) < 0.8
    assert min(broken[name] for name in ("ripple", "current", "capacitance")) >= 10
    assert winners >= 50
    assert shares >= 50, "in half of the catalogs 20 to 80 % of the banks are feasible"


def test_without_growth_every_bank_no_single_beats_is_listed() -> None:
    for seed in range(12):
        case, _, feasible = prepared(seed)
        single, mixed = run(case, grow=False)
        known = list(zip(single.cost, single.loss, strict=True))
        expected = {
            r
            for r, f in feasible.items()
            if r[2] >= 0 and not any(c <= f.cost and x <= f.loss for c, x in known)
        }
        assert set(as_rows(mixed)) == expected
        assert len(as_rows(mixed)) == len(expected)


def test_floor_keeps_what_a_shared_part_could_rescue() -> None:
    for seed in range(12):
        case, _, feasible = prepared(seed)
        single, plain = run(case)
        floor = np.where(case.cost > 0, np.maximum(case.cost - 200, 1), case.cost)
        _, mixed = run(case, cost_floor=floor, cost_worst=case.cost)
        assert set(as_rows(plain)) <= set(as_rows(mixed))
        known = list(zip(single.cost, single.loss, strict=True))
        for row, found in feasible.items():
            if row[2] < 0 or row in as_rows(mixed):
                continue
            least = floor[row[0], row[1]] + floor[row[2], row[3]]
            assert any(c <= least and x <= found.loss for c, x in known) or any(
                same_part_no_worse(row, found, other, feasible[other], case.cost, floor)
                for other in as_rows(mixed)
            )


def same_part_no_worse(row, found, other, known, cost, floor) -> bool:
    """Whether another bank replaces one: outright, or beside a type both hold as often."""
    if known.loss > found.loss:
        return False
    if known.cost <= floor[row[0], row[1]] + floor[row[2], row[3]]:
        return True
    mine, theirs = ({(r[0], r[1]), (r[2], r[3])} for r in (row, other))
    return any(
        cost[tuple(*(theirs - {one}))] <= floor[tuple(*(mine - {one}))] for one in mine & theirs
    )


def test_dear_end_cuts_and_nothing_else_changes() -> None:
    case, _, _ = prepared(1)
    _, free = run(case)
    middle = int(np.median(free.cost))
    _, cut = run(case, cost_max=middle)
    assert as_rows(cut) == [r for r, c in zip(as_rows(free), free.cost, strict=True) if c <= middle]
    assert 0 < cut.cost.size < free.cost.size


def test_small_queues_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from optimizer.parts import bank_mix

    case, _, _ = prepared(2)
    _, whole = run(case)
    monkeypatch.setattr(bank_mix, "QUEUE_BOUNDS", 7)
    monkeypatch.setattr(bank_mix, "QUEUE_SOLVE", 3)
    monkeypatch.setattr(bank_mix, "BUCKETS", 10)
    _, pieces = run(case)
    assert as_rows(pieces) == as_rows(whole)


def test_without_weight_only_money_counts() -> None:
    singles = [s for s in range(20) if any(r[2] < 0 for r in prepared(s)[2])]
    assert singles
    for seed in singles:
        case, _, feasible = prepared(seed)
        _, mixed = run(replace(case, weight=np.zeros(LANES)), grow=False)
        cheapest = min(f.cost for r, f in feasible.items() if r[2] < 0)
        cheaper = {r for r, f in feasible.items() if r[2] >= 0 and f.cost < cheapest}
        assert set(as_rows(mixed)) == cheaper


def test_no_known_type_gives_no_bank() -> None:
    case, _, _ = prepared(3)
    hidden = replace(case.limits, i_ripple=np.full_like(case.limits.i_ripple, np.nan))
    single, mixed = run(replace(case, limits=hidden))
    assert single.cost.size == mixed.cost.size == 0


def test_a_wrong_bound_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted fault: a loss bound 30 % too high must lose winners somewhere."""
    from optimizer.parts import bank_cascade

    lost = 0
    for seed in range(12):
        case, _, _ = prepared(seed)
        _, right = run(case)
        with monkeypatch.context() as planted:
            planted.setattr(bank_cascade, "ROUNDING", -0.3)
            _, wrong = run(case)
        lost += as_rows(right) != as_rows(wrong)
    assert lost > 0
