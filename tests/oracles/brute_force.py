"""Every complete part set of a tiny case, judged one by one by the verification.

Nothing of the decision is used here: no options, no bounds, no merge, no solver. What the spec
says about which parts may be used is read off the spec a second time, in plain words.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from optimizer import assembly, buying, evaluation, verification
from optimizer.assembly import Physics, Sets
from optimizer.buying import Prices
from optimizer.catalog import Catalog
from optimizer.evaluation import Scene
from optimizer.points import points
from optimizer.records import BoolArray, FloatArray, IntArray, switch_kind
from optimizer.spec_records import OBJECTIVE_WORST, Force, Spec
from optimizer.stage import Stage, build_stage
from optimizer.tables import PartTable
from optimizer.verification import Reference

CHUNK = 192
COST_STEP, LOSS_STEP = 0.01, 1e-3
"""Resolution of a reported front [currency], [W]."""

COST_UNIT = 1e-4
RIPPLE = "ripple voltage"


@dataclass(frozen=True, slots=True)
class Judgement:
    """Sets of one topology with their cost, their losses and every limit, (n_set,) each.

    held : name of a limit -> whether each set keeps it; `kept` of a rule of choice likewise.
    The ripple voltage is only looked at where at most one other limit fails: a set that breaks
    two stays out whatever becomes of one of them.
    """

    topology: str
    sets: Sets
    cost: IntArray
    cost_fixed: int
    loss_mission: FloatArray
    loss_worst: FloatArray
    held: Mapping[str, BoolArray]

    def feasible(self, *, without: str = "") -> BoolArray:
        """Sets that keep every limit, or every limit but one."""
        kept = np.ones(len(self.sets), dtype=bool)
        for name, good in self.held.items():
            if name != without:
                kept &= good
        return kept


@dataclass(frozen=True, slots=True)
class Points:
    """(cost [currency], loss [W]) of a front in rising cost; which judgement and set each is."""

    cost: FloatArray
    loss: FloatArray
    which: tuple[tuple[int, int], ...] = field(default=())

    def __len__(self) -> int:
        return len(self.cost)


# --- what may be chosen -------------------------------------------------------------------------


PART_RULES = ("life cycle", "approved list", "banned", "forbidden", "approval", "technology")
PRICE = "price"


def part_rules(spec: Spec, table: PartTable, row: int) -> dict[str, bool]:
    """Which rules of the spec let a part in, before any position or physics is looked at."""
    name, maker = table.part_number[row], table.texts["maker"][row]
    asked, choice = spec.purchase, spec.choice
    forced = any(force.part_number == name for force in choice.force)
    approval = table.texts["approval"][row]
    good = {
        "life cycle": table.texts["status"][row] in asked.states_allowed
        or (forced and choice.force_any_state),
        "approved list": not asked.approved or name in asked.approved or maker in asked.approved,
        "banned": name not in asked.banned and maker not in asked.banned,
        "forbidden": name not in choice.forbid,
        "approval": approval != "no" and (approval != "conditional" or asked.conditional_allowed),
        "technology": True,
    }
    if table.kind == "capacitor":
        good["technology"] = table.texts["technology"][row] not in asked.banned_technologies
    return good


def parts_held(spec: Spec, stage: Stage, sets: Sets, prices: Prices) -> dict[str, BoolArray]:
    """Which sets hold only parts that each rule lets in and that can be bought."""
    held = {name: np.ones(len(sets), dtype=bool) for name in (*PART_RULES, PRICE)}
    for kind, columns in part_columns(sets).items():
        table = stage.tables[kind]
        each = [part_rules(spec, table, row) for row in range(len(table))]
        lets = {name: np.array([good[name] for good in each]) for name in PART_RULES}
        lets[PRICE] = buying.priced(prices, kind, len(table))
        for column in columns:
            for name, good in lets.items():
                held[name] &= np.where(column < 0, True, good[column])
    return held


def part_columns(sets: Sets) -> dict[str, list[IntArray]]:
    """Kind -> rows of the parts of each set, -1 where a place is empty."""
    held: dict[str, list[IntArray]] = {"mosfet": [], "diode": []}
    for position, (rows, _) in sets.transistor.items():
        held[switch_kind(position)].append(rows)
    return held | {
        "inductor": [sets.coil],
        "capacitor": [rows for bank in sets.bank.values() for rows in (bank[0], bank[2])],
        "resistor": [sets.sense[0]],
    }


def banks(rows: list[int], pieces_max: int, types_max: int) -> list[tuple[int, int, int, int]]:
    """Every bank of one or two types."""
    counts = range(1, pieces_max + 1)
    found = [(row, n, -1, 0) for row in rows for n in counts]
    if types_max > 1:
        pairs = [(a, b) for a in rows for b in rows if a < b]
        found += [(a, n, b, m) for a, b in pairs for n in counts for m in counts]
    return found


def all_sets(spec: Spec, stage: Stage) -> Sets:
    """Every complete set of one topology, of every part of the catalog."""
    choice = spec.choice
    rows = {kind: list(range(len(table))) for kind, table in stage.tables.items()}
    switch: dict[str, list[tuple[float, ...]]] = {
        "mosfet": list(product(rows["mosfet"], range(1, choice.transistors_parallel_max + 1))),
        "diode": [(row, 1) for row in rows["diode"]],
    }
    bank = banks(rows["capacitor"], choice.bank_pieces_max, choice.bank_types_max)
    sense = list(product(rows["resistor"], range(1, choice.resistors_parallel_max + 1)))
    positions = stage.topology.POSITIONS
    axes: list[Sequence[tuple[float, ...]]] = [
        [(f,) for f in stage.controller.frequencies],
        [(row,) for row in rows["inductor"]],
        *(list(switch[switch_kind(position)]) for position in positions),
        *(list(bank) for _ in stage.nodes),
        list(sense),
    ]
    index = np.indices([len(axis) for axis in axes]).reshape(len(axes), -1)
    columns = [
        np.array(axis, dtype=np.float64).reshape(len(axis), -1)[at]
        for axis, at in zip(axes, index, strict=True)
    ]
    whole = [column.astype(np.int64) for column in columns]
    after = 2 + len(positions)
    return Sets(
        frequency=columns[0][:, 0],
        coil=whole[1][:, 0],
        coil_pieces=stage.coil_pieces(whole[1][:, 0]),
        transistor={p: _two(whole[2 + k]) for k, p in enumerate(positions)},
        bank={node: _four(whole[after + k]) for k, node in enumerate(stage.nodes)},
        sense=_two(whole[after + len(stage.nodes)]),
    )


def _two(columns: IntArray) -> tuple[IntArray, IntArray]:
    return columns[:, 0], columns[:, 1]


def _four(columns: IntArray) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    return columns[:, 0], columns[:, 1], columns[:, 2], columns[:, 3]


# --- rules of choice ----------------------------------------------------------------------------


def rules(spec: Spec, stage: Stage, sets: Sets, prices: Prices) -> dict[str, BoolArray]:
    """Which sets keep each rule of choice."""
    found = parts_held(spec, stage, sets, prices)
    one_winding = np.isnan(stage.tables["inductor"].numbers["coupling_typ"][sets.coil])
    found["windings"] = one_winding | stage.topology.NAME.endswith("sepic")
    for group in spec.choice.same_part:
        here = [sets.transistor[p][0] for p in group if p in sets.transistor]
        same = [here[0] == other for other in here[1:]]
        name = "same part"
        kept = np.logical_and.reduce(same) if same else np.ones(len(sets), dtype=bool)
        found[name] = kept & found.get(name, True)
    most = spec.choice.part_numbers_max
    if most is not None:
        found["part numbers"] = np.asarray(distinct(prices, sets) <= most)
    for force in spec.choice.force:
        kept = _holds_part(stage, sets, force)
        found["forced part"] = kept & found.get("forced part", True)
    return found


def distinct(prices: Prices, sets: Sets) -> IntArray:
    """How many part numbers each set needs."""
    part, _ = buying.slots(prices, sets)
    ordered = np.sort(part, axis=1)
    new = np.diff(ordered, axis=1, prepend=-1) != 0
    return np.asarray((new & (ordered >= 0)).sum(axis=1))


def _holds_part(stage: Stage, sets: Sets, force: Force) -> BoolArray:
    """Whether each set holds a part, at a position and in a number of pieces where one is named."""
    places: dict[str, tuple[str, list[tuple[IntArray, IntArray]]]] = {
        "inductor": ("inductor", [(sets.coil, sets.coil_pieces)]),
        "sense-resistor": ("resistor", [sets.sense]),
    }
    for position, place in sets.transistor.items():
        places[position] = (switch_kind(position), [place])
    for node, (first, pieces, second, more) in sets.bank.items():
        places[f"{node}-bank"] = ("capacitor", [(first, pieces), (second, more)])
    found = np.zeros(len(sets), dtype=bool)
    for position, (kind, columns) in places.items():
        names = stage.tables[kind].part_number
        if force.position in (None, position) and force.part_number in names:
            number = names.index(force.part_number)
            for column, count in columns:
                found |= (column == number) & (
                    np.full(len(sets), force.pieces is None) | (count == force.pieces)
                )
    return found


# --- judging ------------------------------------------------------------------------------------


def stages(spec: Spec, catalog: Catalog) -> dict[str, Stage]:
    """Every topology of the spec that its voltages do not rule out."""
    found = {}
    source, load = spec.source, spec.load
    spread = load.v_output * load.v_output_tolerance
    for name in spec.topologies:
        stage = build_stage(spec, name, lanes=points(spec, name).lanes, tables=catalog.tables)
        reason = stage.topology.refusal(
            v_input_min=source.v_transient_min,
            v_input_max=source.v_transient_max,
            v_output_min=load.v_output - spread,
            v_output_max=load.v_output + spread,
        )
        if reason is None:
            found[name] = stage
    return found


def skeleton_rows(sets: Sets, reference: Reference) -> IntArray:
    """Row of the reference that each set belongs to, -1 where it has none."""
    known = {
        (round(float(f)), int(c)): k
        for k, (f, c) in enumerate(zip(reference.frequency, reference.coil, strict=True))
    }
    pairs = zip(sets.frequency, sets.coil, strict=True)
    return np.array([known.get((round(float(f)), int(c)), -1) for f, c in pairs], dtype=np.int64)


def any_scene(stage: Stage, sets: Sets) -> tuple[Scene, IntArray]:
    """A scene for every skeleton of the sets without any reference, and the row of each set.

    Lanes that are judged at a bracket are as ever; the others are taken without loss.
    """
    keys = np.stack([sets.frequency, sets.coil.astype(np.float64)], axis=1)
    _, first, row = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return evaluation.sizing_scene(stage, sets.frequency[first], sets.coil[first]), row.ravel()


def judge_all(scene: Scene, row: IntArray, sets: Sets, prices: Prices) -> Judgement:
    """Judge sets, each under its row of a scene."""
    stage, parts = scene.stage, []
    for chunk in _chunks(len(sets)):
        here = sets.take(chunk)
        result = assembly.evaluate(scene.take(row[chunk]), here, ripple=False)
        parts.append((verification.objectives(result), held_limits(result, here, ripple=False)))
    held = {name: np.concatenate([p[1][name] for p in parts]) for name in parts[0][1]}
    close = np.flatnonzero(sum((~good).astype(int) for good in held.values()) <= 1)
    mission, worst = (np.concatenate([p[0][k] for p in parts]) for k in (0, 1))
    held |= _ripple_held(scene, row, sets, close)
    return judgement(stage, sets, prices, (mission, worst), held)


def judgement(
    stage: Stage,
    sets: Sets,
    prices: Prices,
    loss: tuple[FloatArray, FloatArray],
    held: Mapping[str, BoolArray],
) -> Judgement:
    """Limits, losses, cost and rules of choice together."""
    fixed = buying.controller_units(stage.spec, stage.topology.NAME)
    return Judgement(
        topology=stage.topology.NAME,
        sets=sets,
        cost=buying.set_costs(prices, sets, fixed=fixed),
        cost_fixed=fixed,
        loss_mission=loss[0],
        loss_worst=loss[1],
        held=dict(held) | rules(stage.spec, stage, sets, prices),
    )


def _chunks(count: int) -> Iterator[IntArray]:
    for start in range(0, count, CHUNK):
        yield np.arange(start, min(start + CHUNK, count))


def held_limits(result: Physics, sets: Sets, *, ripple: bool) -> dict[str, BoolArray]:
    """Whether each set keeps each limit; the ripple voltage only when asked for."""
    held: dict[str, BoolArray] = {}
    for check in verification.checks(result, sets):
        if ripple or check.quantity != RIPPLE:
            name = limit_name(check.subject, check.quantity)
            held[name] = held.get(name, True) & np.broadcast_to(check.holds(), len(sets))
    chain = verification.limit_chain(result)
    with np.errstate(invalid="ignore"):
        held["limit chain, low end"] = np.asarray(chain.needed <= chain.low)
        held["limit chain, high end"] = np.asarray(chain.delayed <= chain.saturation)
    return held


def limit_name(subject: str, quantity: str) -> str:
    """Name under which a limit is counted; transistor positions count together."""
    if subject.endswith(("-high", "-low")):
        subject = "transistors"
    elif subject.endswith("-diode"):
        subject = "diodes"
    if quantity in ("height", "coldest temperature", "rise over ambient", "finite loss"):
        return quantity
    return f"{subject}: {quantity}"


def _ripple_held(scene: Scene, row: IntArray, sets: Sets, close: IntArray) -> dict[str, BoolArray]:
    """The ripple voltage of both banks, for the sets of `close`; True elsewhere."""
    held = {f"{node}-bank: {RIPPLE}": np.ones(len(sets), dtype=bool) for node in sets.bank}
    for chunk in _chunks(len(close)):
        rows = close[chunk]
        here = sets.take(rows)
        result = assembly.evaluate(scene.take(row[rows]), here)
        for check in verification.checks(result, here):
            if check.quantity == RIPPLE:
                held[limit_name(check.subject, check.quantity)][rows] = check.holds()
    return held


# --- fronts -------------------------------------------------------------------------------------


def judge_case(
    spec: Spec,
    catalog: Catalog,
    *,
    references: Mapping[str, Reference] | None = None,
    gone: Sequence[str] = (),
) -> list[Judgement]:
    """Every set of every topology.

    references : states the search used; a skeleton it does not name is judged without one
    gone : parts whose sets are left out
    """
    prices = buying.prices(spec, catalog.tables)
    found = []
    for name, stage in stages(spec, catalog).items():
        sets = all_sets(spec, stage)
        for kind, columns in part_columns(sets).items():
            lost = [k for k, part in enumerate(stage.tables[kind].part_number) if part in gone]
            for number in range(len(columns)):
                sets = sets.take(~np.isin(part_columns(sets)[kind][number], lost))
        given = (references or {}).get(name)
        known = np.full(len(sets), -1) if given is None else skeleton_rows(sets, given)
        if given is not None and (known >= 0).any():
            some = sets.take(known >= 0)
            scene = verification.given_scene(stage, given)
            found.append(judge_all(scene, known[known >= 0], some, prices))
        if (known < 0).any():
            some = sets.take(known < 0)
            found.append(judge_all(*any_scene(stage, some), some, prices))
    return found


def front(judged: list[Judgement], *, worst: bool, without: str = "") -> Points:
    """The sets nothing else beats in cost and loss, of all topologies together."""
    cost, loss, which = [], [], []
    for number, part in enumerate(judged):
        rows = np.flatnonzero(part.feasible(without=without))
        cost.append(part.cost[rows])
        loss.append((part.loss_worst if worst else part.loss_mission)[rows])
        which += [(number, int(row)) for row in rows]
    return nondominated(np.concatenate([*cost, []]), np.concatenate([*loss, []]), which)


def nondominated(cost_units: FloatArray, loss: FloatArray, which: list[tuple[int, int]]) -> Points:
    """Rising cost, strictly falling loss."""
    order = np.lexsort((loss, cost_units))
    before = np.minimum.accumulate(np.concatenate([[np.inf], loss[order]]))[:-1]
    rows = order[loss[order] < before]
    return Points(cost_units[rows] * COST_UNIT, loss[rows], tuple(which[r] for r in rows))


def brute_front(
    spec: Spec,
    catalog: Catalog,
    *,
    references: Mapping[str, Reference] | None = None,
    gone: Sequence[str] = (),
) -> Points:
    """The front of a case by looking at every set (that holds none of the parts of `gone`)."""
    judged = judge_case(spec, catalog, references=references, gone=gone)
    return front(judged, worst=spec.choice.objective == OBJECTIVE_WORST)


def lost(one: Points, other: Points) -> list[str]:
    """Points of a front without a partner in the other one, in words.

    A partner lies within one resolution step in both. A point that its own cheaper neighbour
    equals within one step of loss (or that costs less than a step more than it) may be missing
    where the other front holds that neighbour: rounding decides between the two.
    """
    words = []
    for k, (cost, loss) in enumerate(zip(one.cost, one.loss, strict=True)):
        if _near(other, cost, loss):
            continue
        worth_little = any(
            abs(one.loss[j] - loss) <= LOSS_STEP or abs(one.cost[j] - cost) <= COST_STEP
            for j in (k - 1, k + 1)
            if 0 <= j < len(one)
        )
        if not (worth_little and _covered(other, cost, loss)):
            words.append(f"{cost:.4f} at {loss:.6f} W")
    return words


def _near(points_of: Points, cost: float, loss: float) -> bool:
    apart = np.abs(points_of.cost - cost) <= COST_STEP + 1e-9
    return bool((apart & (np.abs(points_of.loss - loss) <= LOSS_STEP + 1e-9)).any())


def _covered(points_of: Points, cost: float, loss: float) -> bool:
    cheap = points_of.cost <= cost + COST_STEP + 1e-9
    return bool((cheap & (points_of.loss <= loss + LOSS_STEP + 1e-9)).any())


def differences(found: Points, wanted: Points) -> list[str]:
    """Why two fronts are not equal; empty where they are."""
    words = [f"search alone: {text}" for text in lost(found, wanted)]
    return words + [f"brute force alone: {text}" for text in lost(wanted, found)]


# --- which limit matters ------------------------------------------------------------------------


def binding(judged: list[Judgement], *, worst: bool) -> set[str]:
    """Limits and rules without which the front would be another one."""
    whole = front(judged, worst=worst)
    names = {name for part in judged for name in part.held}
    return {name for name in names if differences(front(judged, worst=worst, without=name), whole)}


def infeasible_share(judged: list[Judgement]) -> float:
    """Share of the sets that break a limit."""
    kept = np.concatenate([part.feasible() for part in judged] or [np.zeros(0, dtype=bool)])
    return float(1.0 - kept.mean()) if len(kept) else 1.0


def repriced(judged: list[Judgement], prices: Prices, *, pooled: bool = True) -> list[Judgement]:
    """The same sets at other prices; without pooling every place is bought by itself."""
    found = []
    for part in judged:
        stage_cost = part.cost_fixed
        cost = buying.set_costs(prices, part.sets, fixed=stage_cost)
        if not pooled:
            number, pieces = buying.slots(prices, part.sets)
            apart = np.where(number >= 0, prices.table[number, pieces] + prices.line_item, 0)
            cost = stage_cost + (apart + prices.placement * pieces).sum(axis=1)
        found.append(replace(part, cost=cost))
    return found


def without_buy_up(prices: Prices, spec: Spec, tables: Mapping[str, PartTable]) -> Prices:
    """Prices of a buyer who orders what is needed and never more for the sake of a break."""
    table = prices.table.copy()
    boards, rates = spec.purchase.boards, buying.exchange(spec)
    for kind, start in prices.offset.items():
        for row, entry in enumerate(tables[kind].price_breaks):
            least = tables[kind].numbers["order_minimum"][row]
            step = tables[kind].numbers["order_multiple"][row]
            worth = rates.get(tables[kind].texts["currency"][row])
            for pieces in range(1, table.shape[1]):
                need = math.ceil(pieces * boards * (1.0 + spec.purchase.scrap_share) - 1e-9)
                first = entry[0][0] if entry else math.inf
                order = math.ceil(max(need, least, first) / step) * step if entry else math.inf
                if worth is not None and math.isfinite(order):
                    price = [p for quantity, p in entry if quantity <= order][-1] * worth
                    table[start + row, pieces] = math.ceil(
                        round(order * price / boards / COST_UNIT, 6)
                    )
    return replace(prices, table=table)


def cost_rules(spec: Spec, tables: Mapping[str, PartTable], judged: list[Judgement]) -> set[str]:
    """Rules of cost without which other sets would be on the front."""
    worst = spec.choice.objective == OBJECTIVE_WORST
    now, prices = front(judged, worst=worst).which, buying.prices(spec, tables)
    free = {
        kind: replace(
            table,
            numbers=dict(table.numbers)
            | {"order_minimum": np.ones(len(table)), "order_multiple": np.ones(len(table))},
        )
        for kind, table in tables.items()
    }
    variants = {
        "line items": repriced(judged, replace(prices, line_item=0)),
        "placement": repriced(judged, replace(prices, placement=0)),
        "order minimum": repriced(judged, buying.prices(spec, free)),
        "buy-up": repriced(judged, without_buy_up(prices, spec, tables)),
        "pooled prices": repriced(judged, prices, pooled=False),
    }
    found = {name for name, other in variants.items() if front(other, worst=worst).which != now}
    if worst and front(judged, worst=False).which != now:
        found.add("worst-point loss")
    return found


def mattering(
    spec: Spec, tables: Mapping[str, PartTable], judged: list[Judgement]
) -> frozenset[str]:
    """Limits and rules, those of cost included, without which the front would be another one."""
    worst = spec.choice.objective == OBJECTIVE_WORST
    return frozenset(binding(judged, worst=worst) | cost_rules(spec, tables, judged))
