"""Tiny random choices: a spec, and a handful of parts from the shipped catalogs near its needs.

Every seed draws a scenario with loose limits, looks at a sample of its sets, and then tightens a
few limits or rules so that each takes away a set that would otherwise be on the front. Which
limits these are goes round with the seed, so that every one of them has its turn.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from optimizer import assembly, buying, verification, waveforms
from optimizer.assembly import Physics, Sets
from optimizer.catalog import Catalog, read_catalog
from optimizer.records import DIODES, BoolArray, FloatArray, IntArray, switch_kind
from optimizer.spec import CATALOGS, parse_spec
from optimizer.spec_records import OBJECTIVE_WORST, Spec
from optimizer.tables import PartTable
from tests.oracles import brute_force

SETS_MAX = 4096
SAMPLE = 400
BUDGETS = (120, 200, 300, 500, 800, 1500, 3000)
"""Sizes drawn from; a case has at most as many sets as its budget."""

PLANTED_BUDGET = 400
"""Size of a case that is drawn for one limit."""

Data = dict[str, Any]
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Case:
    """One pair: `tightened` names the limits and rules that were turned on purpose."""

    seed: int
    text: str
    spec: Spec
    catalog: Catalog
    tightened: tuple[str, ...]

    @property
    def worst(self) -> bool:
        """Whether the objective is worst-point loss."""
        return self.spec.choice.objective == OBJECTIVE_WORST


@dataclass(slots=True)
class Draft:
    """A case while it is drawn: `data` becomes the spec, `tables` the catalog."""

    random: Rng
    data: Data
    tables: dict[str, PartTable]
    tightened: list[str] = field(default_factory=list)


@functools.cache
def shipped() -> Catalog:
    """The shipped catalogs, read once."""
    return read_catalog([CATALOGS])


# --- text of a spec -----------------------------------------------------------------------------


def toml(data: Data, prefix: str = "") -> str:
    """Nested tables as TOML."""
    plain, tables = [], []
    for key, value in data.items():
        if isinstance(value, dict):
            tables.append(f"\n[{prefix}{key}]\n{toml(value, f'{prefix}{key}.')}")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            tables += [f"\n[[{prefix}{key}]]\n{toml(item, f'{prefix}{key}.')}" for item in value]
        else:
            plain.append(f"{key} = {_value(value)}")
    return "\n".join([*plain, *tables])


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


# --- scenario -----------------------------------------------------------------------------------

SHAPES = (
    (("buck",), (1.6, 4.0)),
    (("boost",), (0.3, 0.75)),
    (("four-switch",), (0.8, 1.3)),
    (("buck", "four-switch"), (1.7, 3.0)),
    (("boost", "four-switch"), (0.35, 0.7)),
    (("four-switch", "buck", "boost"), (0.85, 1.2)),
)
"""Topologies that are considered, and nominal input over output."""


Shapes = tuple[tuple[tuple[str, ...], tuple[float, float]], ...]

CHANCES = (0.27, 0.27, 0.2, 0.1, 0.1, 0.06)

RECTIFIED = (
    (("diode-buck",), (1.6, 4.0)),
    (("diode-boost",), (0.3, 0.75)),
    (("buck", "diode-buck"), (1.7, 3.0)),
    (("boost", "diode-boost"), (0.35, 0.7)),
    (("four-switch", "diode-buck"), (1.7, 3.0)),
)
"""The same with diodes, alone and against transistors; light loads let the current rest."""

TWO_COILS = (
    (("diode-sepic",), (0.5, 2.0)),
    (("sepic",), (0.5, 2.0)),
    (("four-switch", "diode-sepic"), (0.8, 1.3)),
    (("diode-sepic", "sepic"), (0.6, 1.6)),
)
"""Stages with two coils, of two pieces or on one core."""

TWO_COILS_ALONE = TWO_COILS[:2]
"""Those that compete with no other: smaller jobs, which may lose more."""


def scenario(random: Rng, *, small: bool = False, shapes: Shapes | None = None) -> Data:
    """A spec with loose limits; a small one has one topology with two transistors."""
    shape = random.integers(2) if small else random.choice(len(SHAPES), p=CHANCES)
    names, (low, high) = SHAPES[shape] if shapes is None else shapes[random.integers(len(shapes))]
    rectified = shapes is not None
    v_output = float(random.choice([5.0, 9.0, 12.0, 15.0, 19.0, 24.0]))
    if names[0].endswith("boost"):
        v_output = max(v_output, 12.0)
    v_nominal = round(v_output * float(random.uniform(low, high)), 2)
    i_output = round(float(random.uniform(0.8, 3.5)), 2)
    if shapes is TWO_COILS_ALONE:
        i_output = round(0.4 * i_output, 2)
    narrow, wide = random.uniform(0.93, 1.0), random.uniform(1.0, 1.08)
    source = {
        "v_min_v": v_nominal * float(narrow),
        "v_nominal_v": v_nominal,
        "v_max_v": v_nominal * float(wide),
    }
    if random.random() < 0.4:
        source["v_transient_max_v"] = source["v_max_v"] * float(random.uniform(1.02, 1.06))
        source["time_transient_s"] = float(random.choice([0.5, 2.0, 30.0]))
    if random.random() < 0.25:
        source["resistance_mohm"] = float(random.uniform(5, 60))
        source["inductance_uh"] = float(random.uniform(0.05, 1.0))
    cold = float(random.choice([-30.0, -10.0, 0.0]))
    return {
        "name": "tiny",
        "topologies": list(names),
        "source": source,
        "load": {"kind": "rail", "v_output_v": v_output, "i_output_a": i_output},
        "ambient": {"temp_cold_c": cold, "temp_hot_c": float(random.choice([35.0, 45.0, 60.0]))},
        "board": {"board_k_per_w": float(random.choice([2.0, 4.0, 6.0]))},
        "controllers": {
            name: _beside_diodes(random, name, _controller(random, name, v_output, names))
            if rectified
            else _controller(random, name, v_output, names)
            for name in names
        },
        "limits": _loose(source)
        | ({"loss_ceiling_pct": 16.0} if shapes is TWO_COILS_ALONE else {}),
        "policy": {"derating": "commercial"},
        "purchase": _purchase(random),
        "mission": {"rows": _mission(random, source, light=rectified)},
        "choice": {"objective": "mission"},
    }


def _controller(random: Rng, name: str, v_output: float, names: tuple[str, ...]) -> Data:
    two = random.random() < 0.35 and len(names) == 1
    first = int(random.choice([200, 300, 400, 500]))
    record: Data = {
        "frequencies_khz": [first, first + 150] if two else [first],
        "frequency_tolerance_pct": 8,
        "v_drive_min_v": 6.8,
        "v_drive_typ_v": 7.2,
        "v_drive_max_v": 7.6,
        "r_driver_source_ohm": 2,
        "r_driver_sink_ohm": 1,
        "time_dead_on_ns": 30,
        "time_dead_off_ns": 30,
        "time_on_min_ns": 20,
        "time_off_min_ns": 20,
        "v_sense_min_mv": 45.0,
        "v_sense_typ_mv": 50.0,
        "v_sense_max_mv": 55.0,
        "time_sense_delay_max_ns": 100,
        "v_overvoltage_min_v": 1.07 * v_output,
        "v_overvoltage_typ_v": 1.1 * v_output,
        "v_overvoltage_max_v": 1.13 * v_output,
        "i_quiescent_ma": 1.5,
        "i_drive_limit_ma": 900.0,
        "loss_drive_limit_w": 5.0,
        "cost_each": {"buck": 1.4, "boost": 1.5, "four-switch": 1.9}.get(name, 1.1),
    }
    if name == "four-switch":
        record["window"] = {
            "ratio_low_pct": 92,
            "ratio_high_pct": 110,
            "ratio_tolerance_pct": 2,
            "law": str(random.choice(["output duty", "input duty"])),
            "duty_pct": 25,
            "pulse": str(random.choice(["start", "centre"])),
            "frequency_share_pct": int(random.choice([50, 100])),
        }
        alternate = record["window"]["frequency_share_pct"] == 50
        record["window"]["duty_pct"] = 40 if alternate else 30
        if record["window"]["law"] == "input duty":
            record["window"]["duty_pct"] = 55 if alternate else 70
    return record


def _beside_diodes(random: Rng, name: str, record: Data) -> Data:
    """A record without what a diode does not need; transistors may imitate one."""
    if name.startswith("diode"):
        return {k: v for k, v in record.items() if not k.startswith("time_dead")}
    if random.random() < 0.5:
        record["light_load"] = "diode emulation"
    return record


def _loose(source: Mapping[str, float]) -> Data:
    """Limits that rarely bind by themselves."""
    floor = {"name": "full load", "v_input_v": source["v_nominal_v"], "efficiency_pct": 31.0}
    half = {"load_share_pct": 50.0, "efficiency_pct": 31.0}
    firm = floor | {"name": "firm", "guaranteed": True, "efficiency_pct": 31.0}
    return {
        "v_ripple_input_mv": 9000.0,
        "v_ripple_output_mv": 5000.0,
        "ripple_ratio_max_pct": 195.0,
        "thermal_gain_max_pct": 90.0,
        "loss_ceiling_pct": 9.0,
        "saturation_drop_max_pct": 45.0,
        "floors": [floor, floor | {"name": "half load"} | half, firm],
    }


def _purchase(random: Rng) -> Data:
    return {
        "boards_pcs": int(random.choice([40, 300, 900, 2500])),
        "placement_each": float(random.choice([0.0, 0.01, 0.03])),
        "line_item_each": float(random.choice([0.0, 20.0, 60.0])),
        "scrap_share_pct": float(random.choice([0.0, 1.0])),
        "currency": "EUR",
        "states_allowed": ["active", "unknown"],
    }


def _mission(random: Rng, source: Mapping[str, float], *, light: bool = False) -> list[Data]:
    if light:
        load = float(random.choice([4.0, 9.0, 15.0]))
        return [
            _row(source["v_nominal_v"], 70.0, 45.0),
            _row(source["v_max_v"], load, 55.0),
        ]
    if random.random() < 0.5:
        return [_row(source["v_nominal_v"], 60.0, 100.0)]
    return [_row(source["v_nominal_v"], 100.0, 30.0), _row(source["v_min_v"], 35.0, 70.0)]


def _row(v_input: float, load: float, share: float) -> Data:
    return {
        "v_input_v": v_input,
        "load_share_pct": load,
        "temp_ambient_c": 30.0,
        "share_pct": share,
    }


# --- parts --------------------------------------------------------------------------------------


POSITIONS = {"four-switch": 4, "buck": 2, "boost": 2, "diode-buck": 1, "diode-boost": 1}
POSITIONS |= {"sepic": 2, "diode-sepic": 1}
DIODES_DRAWN = 3
SMALLEST = {"mosfet": 2, "inductor": 2, "capacitor": 2, "resistor": 2}
FEWEST = {
    "transistors_parallel_max_pcs": 1,
    "bank_pieces_max_pcs": 1,
    "bank_types_max_pcs": 1,
    "resistors_parallel_max_pcs": 1,
}
"""What is drawn where nothing else fits the budget."""


def draft_of(
    random: Rng,
    *,
    two_frequencies: bool = False,
    small: bool = False,
    shapes: Shapes | None = None,
    budget: int | None = None,
) -> tuple[Draft, list[Sampled]]:
    """A scenario with parts of which some sets are feasible, unless ten draws find none."""
    for _ in range(10):
        draft = Draft(random, scenario(random, small=small, shapes=shapes), {})
        if two_frequencies:
            for record in draft.data["controllers"].values():
                first = record["frequencies_khz"][0]
                record["frequencies_khz"] = [first, first + 150]
        draft.tables = _drawn(random, draft.data, BUDGETS[0] if small else budget)
        samples = sampled(draft)
        if sum(s.alive.sum() for s in samples) > 0.25 * sum(len(s.alive) for s in samples):
            break
    return draft, samples


def _drawn(random: Rng, data: Data, budget: int | None = None) -> dict[str, PartTable]:
    """Parts, and how many pieces of each, within a budget of sets."""
    budget = budget or int(random.choice(BUDGETS))
    every = shipped().tables
    tables = {kind: table for kind, table in every.items() if kind != "diode"}
    pools = {kind: near(data, kind, tables[kind]) for kind in tables}
    best = (0, dict(SMALLEST), dict(FEWEST))
    for _ in range(60):
        counts = {
            "mosfet": int(random.integers(2, 6)),
            "inductor": int(random.integers(2, 4)),
            "capacitor": int(random.integers(2, 5)),
            "resistor": int(random.integers(2, 4)),
        }
        choice = {
            "transistors_parallel_max_pcs": int(random.choice([1, 1, 2])),
            "bank_pieces_max_pcs": int(random.choice([1, 2, 3])),
            "bank_types_max_pcs": int(random.choice([1, 2])),
            "resistors_parallel_max_pcs": int(random.choice([1, 1, 2])),
        }
        size = _size(data, counts, choice)
        if best[0] < size <= budget:
            best = (size, counts, choice)
        if 0.4 * budget <= best[0] <= budget:
            break
    data["choice"] |= best[2]
    drawn = {
        kind: tables[kind].take(np.sort(random.choice(pools[kind], best[1][kind], False)))
        for kind in tables
    }
    if any(name.endswith("sepic") for name in data["controllers"]):
        coil = drawn["inductor"]
        coupling = np.where(random.random(len(coil)) < 0.5, np.nan, random.uniform(0.6, 0.95))
        drawn["inductor"] = replace(coil, numbers=dict(coil.numbers) | {"coupling_typ": coupling})
    found = {kind: _lively(random, table) for kind, table in drawn.items()}
    diodes = every["diode"].take([0])
    if any(name.startswith("diode") for name in data["controllers"]):
        rows = near(data, "diode", every["diode"])
        diodes = every["diode"].take(np.sort(random.choice(rows, DIODES_DRAWN, False)))
    return found | {"diode": _lively(random, diodes)}


def _size(data: Data, counts: Mapping[str, int], choice: Mapping[str, int]) -> int:
    """How many complete sets there will be."""
    pieces, types = choice["bank_pieces_max_pcs"], choice["bank_types_max_pcs"]
    bank = len(brute_force.banks(list(range(counts["capacitor"])), pieces, types))
    switch = counts["mosfet"] * choice["transistors_parallel_max_pcs"]
    rest = counts["inductor"] * bank**2 * counts["resistor"] * choice["resistors_parallel_max_pcs"]
    return sum(
        len(record["frequencies_khz"])
        * switch ** POSITIONS[name]
        * (DIODES_DRAWN if name.startswith("diode") else 1)
        * (bank if name.endswith("sepic") else 1)
        * rest
        for name, record in data["controllers"].items()
    )


def _lively(random: Rng, table: PartTable) -> PartTable:
    """Everything may be bought, so that what is taken out is taken out on purpose."""
    count = len(table)
    texts = dict(table.texts) | {"status": ("active",) * count, "approval": ("yes",) * count}
    return replace(table, texts=texts)


def catalog_of(tables: Mapping[str, PartTable]) -> Catalog:
    return replace(shipped(), tables=dict(tables), refused=(), notes=(), findings=())


def switched(data: Data, v_high: float, v_output: float) -> float:
    """Highest voltage a switch of any topology of a job sees."""
    if any(name.endswith("sepic") for name in data["controllers"]):
        return v_high + 1.13 * v_output
    return max(v_high, 1.13 * v_output)


def near(data: Data, kind: str, table: PartTable) -> IntArray:
    """Rows of parts that a designer would look at for this job."""
    source, load = data["source"], data["load"]
    v_high = source.get("v_transient_max_v", source["v_max_v"])
    v_output, i_output = load["v_output_v"], load["i_output_a"]
    i_coil = i_output * max(1.0, v_output / source["v_min_v"]) / 0.93
    if any(name.endswith("sepic") for name in data["controllers"]):
        i_coil = i_output * (1.0 + v_output / source["v_min_v"]) / 0.93
    n = table.numbers
    if kind == "mosfet":
        volts = switched(data, v_high, v_output)
        rating = n["v_drain_source_rating"]
        good = (rating >= 1.5 * volts) & (rating <= max(5.0 * volts, 60.0))
        good &= n["rds_on_10v_max"] < 0.03 * v_output * i_output / i_coil**2
        good &= (n["q_gate_10v_typ"] < 45e-9) & ~np.isnan(n["rds_on_4v5_max"])
    elif kind == "diode":
        volts = switched(data, v_high, v_output)
        rating = n["v_reverse_rating"]
        good = (rating >= 1.5 * volts) & (rating <= max(5.0 * volts, 60.0))
        good &= (n["i_forward_rating"] > 1.5 * i_output) & ~np.isnan(n["v_forward_typ"])
    elif kind == "inductor":
        ratio = min(v_output, source["v_nominal_v"]) / max(v_output, source["v_nominal_v"])
        frequency = max(1e3 * max(c["frequencies_khz"]) for c in data["controllers"].values())
        volts = min(v_output, source["v_nominal_v"]) * max(1.0 - ratio, 0.2)
        wanted = volts / (frequency * 0.35 * i_coil)
        good = (n["inductance_typ"] > 0.6 * wanted) & (n["inductance_typ"] < 2.5 * wanted)
        good &= (n["i_saturation_typ"] > 2.5 * i_coil) & (n["i_rated_typ"] > 1.2 * i_coil)
        good &= (n["i_saturation_typ"] < 9.0 * i_coil) & np.isnan(n["coupling_typ"])
    elif kind == "capacitor":
        volts = max(v_high, 1.13 * v_output)
        good = (n["v_rating"] >= 1.25 * volts) & (n["v_rating"] <= 4.0 * volts)
        good &= (n["capacitance_typ"] >= 4e-6) & (n["temp_part_rating"] >= 105.0)
        good &= ~(n["i_ripple_rating"] < 0.35 * i_coil)
        if any(name.endswith("sepic") for name in data["controllers"]):
            # Half of a twentieth of the input as ripple, at the bias of a capacitor's half voltage.
            period = 1e-3 / min(min(c["frequencies_khz"]) for c in data["controllers"].values())
            share = v_output / (v_output + source["v_min_v"])
            good &= n["capacitance_typ"] > 40.0 * i_output * share * period / source["v_min_v"]
            good &= n["esr_max"] < 0.01 * source["v_min_v"] / i_coil
    else:
        wanted = 0.045 / (1.4 * i_coil)
        good = (n["resistance_typ"] > 0.6 * wanted) & (n["resistance_typ"] < 1.1 * wanted)
        good &= n["power_rating"] > 3.0 * i_coil**2 * n["resistance_typ"]
    bought = np.array([bool(breaks) for breaks in table.price_breaks])
    rows = np.flatnonzero(good & bought)
    if len(rows) < 6:
        rows = np.argsort(~good, kind="stable")[:12]
    return rows


# --- what a sample of the sets does -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sampled:
    """A sample of sets of one topology and what limits are measured against, (n_set,) each.

    alive : sets that keep every limit so far
    """

    judged: brute_force.Judgement
    result: Physics
    values: Mapping[str, FloatArray]
    alive: BoolArray


def sampled(draft: Draft) -> list[Sampled]:
    """Judge a sample of the sets without reference states."""
    spec, catalog = parse_spec(toml(draft.data)), catalog_of(draft.tables)
    prices = buying.prices(spec, catalog.tables)
    found = []
    for stage in brute_force.stages(spec, catalog).values():
        sets = brute_force.all_sets(spec, stage)
        if len(sets) > SAMPLE:
            sets = sets.take(np.sort(draft.random.choice(len(sets), SAMPLE, replace=False)))
        if not len(sets):
            continue
        scene, row = brute_force.any_scene(stage, sets)
        result = assembly.evaluate(scene.take(row), sets)
        held = brute_force.held_limits(result, sets, ripple=True)
        losses = verification.objectives(result)
        judged = brute_force.judgement(stage, sets, prices, losses, held)
        values = measured(result, sets, prices)
        found.append(Sampled(judged, result, values, judged.feasible()))
    return found


def measured(result: Physics, sets: Sets, prices: buying.Prices) -> dict[str, FloatArray]:
    """Worst value of each quantity a spec can limit, in SI."""
    scene, stage = result.scene, result.scene.stage
    lanes, wave, control = stage.lanes, scene.wave, stage.controller
    firm = lanes.guaranteed
    steady = firm & ~lanes.transient
    ambient, power = lanes.temp_ambient, lanes.v_output * lanes.i_output
    ripple = wave.i_ripple[..., 0] / np.abs(wave.i_mean[..., 0])
    bridges = [(leg, result.bridges[leg.name]) for leg in stage.topology.LEGS]
    hot = [one.control.temp_junction for _, one in bridges]
    hot += [one.synchronous.temp_junction for leg, one in bridges if leg.rectifier == "mosfet"]
    warm = [one.synchronous.temp_junction for leg, one in bridges if leg.rectifier == "diode"]
    chain = verification.limit_chain(result)
    current = result.i_drive
    with np.errstate(divide="ignore", invalid="ignore"):
        efficiency = power / (power + result.total)
    found = {
        "ripple-input": _most(result.banks["input"].v_ripple, steady),
        "ripple-output": _most(result.banks["output"].v_ripple, steady),
        "ripple-ratio": _most(ripple, steady & lanes.full_load),
        "temp-mosfet": _highest(*(_most(t, steady) for t in hot)),
        "temp-inductor": _most(result.coil.temp, steady),
        "temp-resistor": _most(result.sense.temp, steady),
        "temp-capacitor": _capacitor_heat(result, sets, steady),
        "rise": _highest(
            *(
                _most(t - ambient, steady)
                for t in (*hot, *warm, result.coil.temp, result.sense.temp)
            )
        ),
        "height": _height(stage.tables, sets),
        "area": verification.areas(stage, sets),
        "thermal-gain": _most(result.gain, steady) * stage.spec.limits.thermal_gain_max,
        "loss-ceiling": _most(result.total / power, stage.sizing & steady),
        "drive-current": _most(current, firm),
        "drive-heat": _most(current * (lanes.v_input - control.v_drive_min), firm),
        "on-time": -_most(-wave.time_on_min, firm),
        "off-time": -_most(-wave.time_off_min, firm),
        "chain-low": chain.needed * control.v_sense_min / chain.low,
        "chain-high": (chain.saturation - chain.delayed + chain.high)
        * (control.v_sense_max / chain.high),
        "part-numbers": brute_force.distinct(prices, sets).astype(np.float64),
    }
    if "coupling" in result.banks:
        found["ripple-coupling"] = _most(result.banks["coupling"].v_ripple, steady)
    if warm:
        found["temp-diode"] = _highest(*(_most(t, steady) for t in warm))
    for name, half, strict in (
        ("floor-full", False, False),
        ("floor-half", True, False),
        ("floor-firm", False, True),
    ):
        here = ~np.isnan(lanes.efficiency_floor) & (firm == strict) & (lanes.full_load != half)
        found[name] = -_most(-efficiency, here)
    return {name: np.broadcast_to(value, len(sets)) for name, value in found.items()}


def _most(value: FloatArray, lanes: BoolArray) -> FloatArray:
    value = np.broadcast_to(value, (len(value), len(lanes)))
    return np.asarray(np.where(lanes, value, -np.inf).max(axis=1, initial=-np.inf))


def _capacitor_heat(result: Physics, sets: Sets, steady: BoolArray) -> FloatArray:
    """Hottest core of both banks."""
    stage, worst = result.scene.stage, np.full(len(sets), -np.inf)
    for node, (first, _, second, _) in sets.bank.items():
        bank = result.banks[node]
        for rows, current in ((first, bank.i_rms_first), (second, bank.i_rms_second)):
            heat = stage.capacitors.heating[np.maximum(rows, 0)] * current**2
            hottest = _most(result.scene.state.temp_board + heat, steady)
            worst = np.where(rows < 0, worst, np.fmax(worst, hottest))
    return worst


def _height(tables: Mapping[str, PartTable], sets: Sets) -> FloatArray:
    height = {kind: table.numbers["height"] for kind, table in tables.items()}
    tall = [height["inductor"][sets.coil], height["resistor"][sets.sense[0]]]
    tall += [height[switch_kind(p)][rows] for p, (rows, _) in sets.transistor.items()]
    for first, _, second, _ in sets.bank.values():
        tall += [
            height["capacitor"][first],
            height["capacitor"][np.where(second < 0, first, second)],
        ]
    return _highest(*tall)


def _highest(*values: FloatArray) -> FloatArray:
    return functools.reduce(np.fmax, values)


# --- tightening ---------------------------------------------------------------------------------

LEFT = 0.18
"""Share of all sets a limit must leave, so that most cases keep a mix of both kinds."""

UPPER: dict[str, tuple[str, str, float]] = {
    "ripple-input": ("limits", "v_ripple_input_mv", 1e3),
    "ripple-output": ("limits", "v_ripple_output_mv", 1e3),
    "ripple-ratio": ("limits", "ripple_ratio_max_pct", 1e2),
    "temp-mosfet": ("limits", "temp_mosfet_max_c", 1.0),
    "temp-inductor": ("limits", "temp_inductor_max_c", 1.0),
    "temp-resistor": ("limits", "temp_resistor_max_c", 1.0),
    "temp-capacitor": ("limits", "temp_capacitor_max_c", 1.0),
    "rise": ("limits", "rise_hottest_k", 1.0),
    "height": ("limits", "height_max_mm", 1e3),
    "area": ("limits", "area_max_mm2", 1e6),
    "thermal-gain": ("limits", "thermal_gain_max_pct", 1e2),
    "loss-ceiling": ("limits", "loss_ceiling_pct", 1e2),
    "drive-current": ("controller", "i_drive_limit_ma", 1e3),
    "drive-heat": ("controller", "loss_drive_limit_w", 1.0),
    "chain-low": ("controller", "v_sense_min_mv", 1e3),
    "part-numbers": ("choice", "part_numbers_max_pcs", 1.0),
}
"""Limit -> section and key of the spec, and the factor from SI."""

UPPER_RECTIFIED: dict[str, tuple[str, str, float]] = {
    "temp-diode": ("limits", "temp_diode_max_c", 1.0),
}
"""Those that only stages with a diode have."""

UPPER_TWO_COILS: dict[str, tuple[str, str, float]] = {
    "ripple-coupling": ("limits", "v_ripple_coupling_mv", 1e3),
}
"""Those that only stages with two coils have."""

UPPER_ALL = UPPER | UPPER_RECTIFIED | UPPER_TWO_COILS

LOWER: dict[str, tuple[str, str, float]] = {
    "on-time": ("controller", "time_on_min_ns", 1e9),
    "off-time": ("controller", "time_off_min_ns", 1e9),
    "chain-high": ("controller", "v_sense_max_mv", 1e3),
    "floor-full": ("floor", "0", 1e2),
    "floor-half": ("floor", "1", 1e2),
    "floor-firm": ("floor", "2", 1e2),
}

Victim = tuple[Sampled, int]
"""A sampled set that is to be taken out."""


def tighten(draft: Draft, name: str, samples: list[Sampled]) -> bool:
    """Turn one limit or rule so that a set on the front of the sample falls; False if it cannot."""
    victims = front_sets(draft, samples)
    draft.random.shuffle(victims)
    if not victims:
        return False
    if name in UPPER_ALL or name in LOWER:
        if not any(_move_limit(draft, name, samples, victim) for victim in victims):
            return False
    else:
        if name == "same-part":
            victims.sort(key=_parts_differ, reverse=True)
        if (RULES | RULES_RECTIFIED | RULES_TWO_COILS)[name](draft, samples, victims[0]) is False:
            return False
    draft.tightened.append(name)
    return True


def front_sets(draft: Draft, samples: list[Sampled]) -> list[Victim]:
    """The sets on the front of what is still alive of the sample."""
    worst = draft.data["choice"]["objective"] == OBJECTIVE_WORST
    judged = [replace(s.judged, held=dict(s.judged.held) | {"alive": s.alive}) for s in samples]
    return [(samples[k], row) for k, row in brute_force.front(judged, worst=worst).which]


def _move_limit(draft: Draft, name: str, samples: list[Sampled], victim: Victim) -> bool:
    """Move a limit past the value of a set; False where that would leave next to nothing."""
    sample, row = victim
    if name not in sample.values:
        return False
    lower = name in LOWER
    section, key, factor = (LOWER if lower else UPPER_ALL)[name]
    sign = 1.0 if lower else -1.0
    own = sign * float(sample.values[name][row])
    values = np.concatenate([sign * s.values[name][s.alive] for s in samples if name in s.values])
    beyond = values[values > own + 1e-9 * abs(own)]
    offered = sum(len(one.alive) for one in samples)
    if len(beyond) < max(2.0, LEFT * offered, 0.25 * len(values)):
        return False
    share = float(draft.random.uniform(0.2, 0.8))
    limit = own + share * (float(beyond.min()) - own)
    if name == "part-numbers":
        limit = float(beyond.min())
    if not _write(draft.data, section, key, sign * limit * factor, sample.judged.topology):
        return False
    for one in samples:
        if name in one.values and (section != "controller" or one is sample):
            one.alive[:] &= sign * one.values[name] >= limit
    return True


LOWEST = {
    "loss_drive_limit_w": 0.01,
    "i_drive_limit_ma": 1.0,
    "time_on_min_ns": 5.0,
    "time_off_min_ns": 5.0,
    "v_ripple_output_mv": 1.0,
    "v_ripple_input_mv": 1.0,
    "thermal_gain_max_pct": 1.0,
    "temp_mosfet_max_c": 40.0,
    "temp_inductor_max_c": 40.0,
    "temp_resistor_max_c": 40.0,
    "temp_capacitor_max_c": 40.0,
    "area_max_mm2": 20.0,
}
HIGHEST = {"time_on_min_ns": 2000.0, "time_off_min_ns": 2000.0, "loss_drive_limit_w": 5.0}
"""What a spec may not go below or above."""


def _write(data: Data, section: str, key: str, limit: float, topology: str) -> bool:
    """Put a limit into the spec; False where a spec may not hold it."""
    if not LOWEST.get(key, 0.0) <= limit <= HIGHEST.get(key, np.inf):
        return False
    if section == "controller":
        record = data["controllers"][topology]
        record[key] = limit
        record["v_sense_typ_mv"] = min(record["v_sense_max_mv"], 50.0)
        period = 1e6 / (1.08 * max(record["frequencies_khz"]))
        times = record["time_on_min_ns"] + record["time_off_min_ns"]
        in_order = record["v_sense_min_mv"] <= record["v_sense_typ_mv"]
        return bool(in_order and times < 0.97 * period)
    if section == "floor":
        data["limits"]["floors"][int(key)]["efficiency_pct"] = limit
    else:
        data[section][key] = int(max(limit, 1)) if key.endswith("_pcs") else limit
    return True


def _member(draft: Draft, victim: Victim, kind: str) -> tuple[str, int]:
    """A position of the victim that holds a part of a kind, and its row."""
    sample, row = victim
    sets = sample.judged.sets
    places: dict[str, list[tuple[str, int]]] = {
        "inductor": [("inductor", int(sets.coil[row]))],
        "resistor": [("sense-resistor", int(sets.sense[0][row]))],
        **{
            kind: [
                (p, int(rows[row]))
                for p, (rows, _) in sets.transistor.items()
                if switch_kind(p) == kind
            ]
            for kind in ("mosfet", "diode")
        },
        "capacitor": [
            (f"{node}-bank", int(rows[row]))
            for node, (first, _, second, _) in sets.bank.items()
            for rows in (first, second)
            if rows[row] >= 0
        ],
    }
    found = places[kind]
    return found[int(draft.random.integers(len(found)))]


def _any_member(draft: Draft, victim: Victim) -> tuple[str, str, int]:
    kinds = [k for k in ("mosfet", "capacitor", "inductor", "resistor") if len(draft.tables[k]) > 1]
    if any(switch_kind(p) == "diode" for p in victim[0].judged.sets.transistor):
        kinds.append("diode")
    kind = str(draft.random.choice(kinds or ["mosfet"]))
    return (kind, *_member(draft, victim, kind))


def _set_number(draft: Draft, kind: str, row: int, column: str, value: float) -> None:
    table = draft.tables[kind]
    values = table.numbers[column].copy()
    values[row] = value
    draft.tables[kind] = replace(table, numbers=dict(table.numbers) | {column: values})


def _set_text(draft: Draft, kind: str, row: int, column: str, text: str) -> None:
    table = draft.tables[kind]
    texts = list(table.texts[column])
    texts[row] = text
    draft.tables[kind] = replace(table, texts=dict(table.texts) | {column: tuple(texts)})


def _volts(draft: Draft, position: str) -> float:
    source, load = draft.data["source"], draft.data["load"]
    top = source["v_max_v"] if position.startswith("input") else 1.02 * load["v_output_v"]
    if position.startswith("coupling"):
        top = source["v_max_v"]
    elif position in ("output-low", "output-high", "output-diode"):
        two_coils = any(name.endswith("sepic") for name in draft.data["topologies"])
        top += source["v_max_v"] * two_coils
    return float(top)


def _drain_voltage(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    position, row = _member(draft, victim, "mosfet")
    volts = _volts(draft, position) * 1.2 / 0.8
    _set_number(draft, "mosfet", row, "v_drain_source_rating", 0.93 * volts)


def _drain_transient(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    """Enough for the continuous voltage, too little for the transient one."""
    position, row = _member(draft, victim, "mosfet")
    volts = _volts(draft, position) * 1.2 / 0.8
    _set_number(draft, "mosfet", row, "v_drain_source_rating", 1.001 * volts)
    source = draft.data["source"]
    source["v_transient_max_v"] = 1.25 * source["v_max_v"]
    source["time_transient_s"] = 1.0


def _gate_voltage(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    _, row = _member(draft, victim, "mosfet")
    _set_number(draft, "mosfet", row, "v_gate_source_rating", 9.0)


def _capacitor_voltage(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    position, row = _member(draft, victim, "capacitor")
    _set_number(draft, "capacitor", row, "v_rating", 1.1 * _volts(draft, position))


def _winding_voltage(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    _, row = _member(draft, victim, "inductor")
    volts = max(_volts(draft, "input"), _volts(draft, "output"))
    _set_number(draft, "inductor", row, "v_winding_rating", 0.95 * volts)


def _coldest(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    _set_number(draft, kind, row, "temp_min", draft.data["ambient"]["temp_cold_c"] + 5.0)


def _ripple_current(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    position, row = _member(draft, victim, "capacitor")
    sample, at = victim
    node = position.removesuffix("-bank")
    first = sample.judged.sets.bank[node][0][at] == row
    bank = sample.result.banks[node]
    current = (bank.i_rms_first if first else bank.i_rms_second)[at].max()
    table = draft.tables["capacitor"]
    if table.texts["technology"][row] in ("ceramic-1", "ceramic-2", "film"):
        _set_number(draft, "capacitor", row, "self_heating", 24.0 / current**2)
    else:
        _set_number(draft, "capacitor", row, "i_ripple_rating", current)


def _sense_power(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    sample, at = victim
    _, row = _member(draft, victim, "resistor")
    loss = float(sample.result.sense.loss_each[at].max())
    _set_number(draft, "resistor", row, "power_rating", 1.3 * loss)


def _life_cycle(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    state = str(draft.random.choice(["obsolete", "last-time-buy", "not-for-new"]))
    _set_text(draft, kind, row, "status", state)


def _approval(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    conditional = bool(draft.random.random() < 0.5)
    _set_text(draft, kind, row, "approval", "conditional" if conditional else "no")
    if conditional:
        draft.data["purchase"]["conditional_allowed"] = False


def _banned(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    draft.data["purchase"].setdefault("banned", []).append(draft.tables[kind].part_number[row])


def _approved(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    names = {name for table in draft.tables.values() for name in table.part_number}
    listed = sorted(names - {draft.tables[kind].part_number[row]})
    before = draft.data["purchase"].get("approved", listed)
    draft.data["purchase"]["approved"] = [name for name in before if name in listed]


def _forbid(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    draft.data["choice"].setdefault("forbid", []).append(draft.tables[kind].part_number[row])


def _technology(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    _, row = _member(draft, victim, "capacitor")
    technology = draft.tables["capacitor"].texts["technology"]
    if len(set(technology)) == 1:
        return False
    draft.data["purchase"]["banned_technologies"] = [technology[row]]
    return True


def _currency(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    """Priced in another currency: out without a rate, dearer with one."""
    kind, _, row = _any_member(draft, victim)
    _set_text(draft, kind, row, "currency", "USD")
    if draft.random.random() < 0.3:
        rate = {"currency": "USD", "rate_each": 1.3, "date": "2026-05-04"}
        draft.data["purchase"]["exchange_rates"] = [rate]


def _parts_differ(victim: Victim) -> int:
    """How many different transistors a set holds."""
    sample, row = victim
    return len({int(rows[row]) for rows, _ in sample.judged.sets.transistor.values()})


def _same_part(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    sample, row = victim
    held = {
        position: int(rows[row])
        for position, (rows, _) in sample.judged.sets.transistor.items()
        if position not in DIODES
    }
    pairs = [(a, b) for a in held for b in held if a < b and held[a] != held[b]]
    if not pairs:
        return False
    group = pairs[int(draft.random.integers(len(pairs)))]
    draft.data["choice"].setdefault("same_part", []).append(list(group))
    return True


def _other_part(draft: Draft, samples: list[Sampled], victim: Victim) -> tuple[str, str]:
    """A position all topologies have, and a part that some feasible set holds there."""
    sample, _ = victim
    rows = np.flatnonzero(sample.alive)
    other = (sample, int(rows[int(draft.random.integers(len(rows)))]))
    kinds = ["inductor", "capacitor", "resistor"]
    if len(draft.data["topologies"]) == 1:
        kinds += ["mosfet", "mosfet"]
    kinds = [k for k in kinds if len(draft.tables[k]) > 1] or ["inductor"]
    kind = str(draft.random.choice(kinds))
    position, row = _member(draft, other, kind)
    return position, draft.tables[kind].part_number[row]


def _force(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    position, name = _other_part(draft, samples, victim)
    force = {"part_number": name, "position": position}
    draft.data["choice"].setdefault("force", []).append(force)


def _force_anywhere(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    _, name = _other_part(draft, samples, victim)
    draft.data["choice"].setdefault("force", []).append({"part_number": name})


def _line_item(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    boards = draft.data["purchase"]["boards_pcs"]
    draft.data["purchase"]["line_item_each"] = round(0.5 * boards, 2)


def _placement(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    draft.data["purchase"]["placement_each"] = 0.4


def _pooled(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    """Steep price breaks that two positions reach together."""
    boards = draft.data["purchase"]["boards_pcs"]
    for kind in ("mosfet", "capacitor"):
        table = draft.tables[kind]
        breaks = tuple(
            ((1, round(1.6 * entry[0][1], 4)), (int(1.5 * boards), round(0.7 * entry[0][1], 4)))
            for entry in table.price_breaks
        )
        ones = np.ones(len(table))
        numbers = dict(table.numbers) | {"order_minimum": ones, "order_multiple": ones}
        draft.tables[kind] = replace(table, price_breaks=breaks, numbers=numbers)


def _buy_up(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    """A break a little above the need that is worth buying up to."""
    boards = draft.data["purchase"]["boards_pcs"]
    for kind in ("inductor", "mosfet"):
        table = draft.tables[kind]
        breaks = tuple(
            ((1, entry[0][1]), (int(1.2 * boards) + 1, round(0.45 * entry[0][1], 4)))
            if row % 2
            else entry
            for row, entry in enumerate(table.price_breaks)
        )
        draft.tables[kind] = replace(table, price_breaks=breaks)


def _order_minimum(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    kind, _, row = _any_member(draft, victim)
    boards = draft.data["purchase"]["boards_pcs"]
    _set_number(draft, kind, row, "order_minimum", float(3 * boards))
    _set_number(draft, kind, row, "order_multiple", float(max(boards // 2, 1)))


def _worst_point(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    """The other objective, where it prefers other sets of the sample."""
    judged = [sample.judged for sample in samples]
    mission, worst = (brute_force.front(judged, worst=kind).which for kind in (False, True))
    if mission == worst:
        return False
    draft.data["choice"]["objective"] = OBJECTIVE_WORST
    return True


def _saturation_drop(draft: Draft, samples: list[Sampled], victim: Victim) -> None:
    draft.data["limits"]["saturation_drop_max_pct"] = float(draft.random.uniform(4, 15))


def _reverse_voltage(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    """Too little for the node with its ringing."""
    if not any(switch_kind(p) == "diode" for p in victim[0].judged.sets.transistor):
        return False
    position, row = _member(draft, victim, "diode")
    volts = _volts(draft, position) * 1.2 / 0.8
    _set_number(draft, "diode", row, "v_reverse_rating", 0.93 * volts)
    return True


def _average_current(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    """Too small a rating for the mean current of the diode."""
    sample, at = victim
    for position, current in sample.result.scene.wave.position_mean.items():
        if switch_kind(position) == "diode":
            _, row = _member(draft, victim, "diode")
            rating = 1.3 * float(current[at].max())
            _set_number(draft, "diode", row, "i_forward_rating", rating)
            return True
    return False


def _leakage(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    """Hot reverse current with which the diode of a set has no steady temperature any more.

    It runs away once the loss of the reverse current alone outruns what its path to the board
    carries away: rth V I g exp(g (T - 125) + 1) = 1 at the steepest, g the growth per kelvin.
    """
    sample, at = victim
    stage, wave = sample.result.scene.stage, sample.result.scene.wave
    for leg in stage.topology.LEGS:
        if leg.rectifier != "diode":
            continue
        row = int(sample.judged.sets.transistor[leg.synchronous][0][at])
        job = sample.result.scene.operation
        firm = stage.lanes.guaranteed
        volts = waveforms.node_voltages(job)[leg.node][at] * (
            1.0 - wave.position_share[leg.synchronous][at]
        )
        growth = float(stage.diodes.growth[row, np.flatnonzero(firm)[0]])
        rth = float(np.broadcast_to(stage.diodes.rth[row], firm.shape)[firm].max())
        hot = sample.result.bridges[leg.name].synchronous.temp_junction[at][firm].max()
        most = 1.0 / (rth * volts[firm].max() * growth * np.exp(growth * (hot - 125.0) + 1.0))
        worst = 1.5 * float(most)
        _set_number(draft, "diode", row, "i_reverse_125c_max", worst)
        _set_number(draft, "diode", row, "i_reverse_max", worst * float(np.exp(-100.0 * growth)))
        return True
    return False


def _at_coupling(victim: Victim) -> int:
    """Row of the first capacitor between the coils of a set."""
    sample, at = victim
    return int(sample.judged.sets.bank["coupling"][0][at])


def _coupling_voltage(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    """Too little for the input that stands between the coils."""
    if "coupling" not in victim[0].judged.sets.bank:
        return False
    volts = _volts(draft, "coupling-bank")
    _set_number(draft, "capacitor", _at_coupling(victim), "v_rating", 1.1 * volts)
    return True


def _coupling_current(draft: Draft, samples: list[Sampled], victim: Victim) -> bool:
    """Too small a ripple current for the capacitor between the coils."""
    sample, at = victim
    if "coupling" not in sample.judged.sets.bank:
        return False
    row, table = _at_coupling(victim), draft.tables["capacitor"]
    current = sample.result.banks["coupling"].i_rms_first[at].max()
    if table.texts["technology"][row] in ("ceramic-1", "ceramic-2", "film"):
        _set_number(draft, "capacitor", row, "self_heating", 24.0 / current**2)
    else:
        _set_number(draft, "capacitor", row, "i_ripple_rating", current)
    return True


Turn = Callable[[Draft, list[Sampled], Victim], bool | None]
"""Turns one rule; False where that would change nothing."""

RULES: dict[str, Turn] = {
    "drain-voltage": _drain_voltage,
    "drain-transient": _drain_transient,
    "gate-voltage": _gate_voltage,
    "capacitor-voltage": _capacitor_voltage,
    "winding-voltage": _winding_voltage,
    "coldest": _coldest,
    "ripple-current": _ripple_current,
    "sense-power": _sense_power,
    "saturation-drop": _saturation_drop,
    "life-cycle": _life_cycle,
    "approval": _approval,
    "banned": _banned,
    "approved": _approved,
    "forbid": _forbid,
    "technology": _technology,
    "currency": _currency,
    "same-part": _same_part,
    "force": _force,
    "force-anywhere": _force_anywhere,
    "line-item": _line_item,
    "placement": _placement,
    "pooled": _pooled,
    "buy-up": _buy_up,
    "order-minimum": _order_minimum,
    "worst-point": _worst_point,
}

RULES_RECTIFIED: dict[str, Turn] = {
    "reverse-voltage": _reverse_voltage,
    "average-current": _average_current,
    "leakage": _leakage,
}

RULES_TWO_COILS: dict[str, Turn] = {
    "coupling-voltage": _coupling_voltage,
    "coupling-current": _coupling_current,
}

NAMES = (*UPPER, *LOWER, *RULES)

UPPER_NAMES = (*UPPER, *UPPER_RECTIFIED)

TURNS_OF_SEEDS = """
    ripple-input ripple-output ripple-ratio temp-mosfet temp-inductor temp-resistor rise height
    area thermal-gain rise drive-current drive-heat part-numbers on-time off-time floor-full
    floor-half floor-firm banned drain-transient gate-voltage capacitor-voltage winding-voltage
    coldest sense-power life-cycle approval banned approved forbid technology currency same-part
    force placement worst-point ripple-ratio off-time on-time sense-power placement off-time
    on-time off-time part-numbers same-part part-numbers ripple-output part-numbers ripple-input
    height thermal-gain area ripple-ratio forbid height thermal-gain worst-point temp-inductor
    approval
    capacitor-voltage currency temp-resistor rise drive-current same-part technology life-cycle
    capacitor-voltage ripple-output temp-inductor banned placement worst-point temp-mosfet
    technology temp-resistor
"""
TURNS = tuple(TURNS_OF_SEEDS.split())
"""What the seed walks through, drawn up so that every limit matters in ten of 300 pairs.

Limits that are missing or seldom here matter often enough as the further ones of a case.
"""

WHOLE = ("same-part", "placement", "worst-point")
"""A sample misjudges whether these matter: drawn so small that every set is in the sample."""

TIMES = ("on-time", "off-time")

STATE = ("loss-ceiling", "saturation-drop", "drain-transient", "worst-point")
"""They change the state or the points and therefore come first."""


ATTEMPTS = 8

FALLS: dict[str, tuple[str, ...]] = {
    "ripple-input": ("input-bank: ripple voltage",),
    "ripple-output": ("output-bank: ripple voltage",),
    "ripple-ratio": ("inductor: ripple ratio",),
    "temp-mosfet": ("transistors: junction temperature",),
    "temp-inductor": ("inductor: part temperature",),
    "temp-resistor": ("sense-resistor: part temperature",),
    "rise": ("rise over ambient",),
    "height": ("height",),
    "area": ("whole set: area",),
    "thermal-gain": ("whole set: thermal gain row",),
    "drive-current": ("controller: drive current",),
    "on-time": ("controller: on-time",),
    "off-time": ("controller: off-time",),
    "part-numbers": ("part numbers",),
    "same-part": ("same part",),
    "capacitor-voltage": ("input-bank: voltage", "output-bank: voltage"),
    "gate-voltage": ("transistors: gate voltage",),
    "life-cycle": ("life cycle",),
    "banned": ("banned",),
    "currency": ("price",),
    "sense-power": ("sense-resistor: power",),
    "coldest": ("coldest temperature",),
    "force": ("forced part",),
    "placement": ("placement",),
    "worst-point": ("worst-point loss",),
}
"""What a turned limit makes fall, for those that are asked to matter in the end."""


def random_case(seed: int) -> Case:
    """The case of a seed: of a few drafts the first in which the seed's own limit matters."""
    random = np.random.default_rng([2026, seed])
    first = TURNS[seed % len(TURNS)]
    for _ in range(ATTEMPTS):
        draft = _turned(random, first)
        if draft.tightened[:1] == [first] and _matters(draft, FALLS.get(first, ())):
            break
    return _case(seed, draft)


def _turned(random: Rng, first: str) -> Draft:
    """A scenario with its own limit tightened, then a few others."""
    budget = SAMPLE if first in WHOLE else None
    draft, samples = draft_of(random, two_frequencies=first in TIMES, budget=budget)
    tighten(draft, first, samples)
    extra = [str(name) for name in random.choice(NAMES, int(random.integers(0, 4)), replace=False)]
    clash = {"approved": "banned", "banned": "approved"}.get(first)
    wanted = [name for name in extra if name not in (first, clash)]
    if {"approved", "banned"} <= set(wanted):
        wanted.remove("banned")
    before = first
    for name in sorted(wanted, key=lambda name: name not in STATE):
        if before in (*STATE, *RULES):
            samples = sampled(draft)
        tighten(draft, name, samples)
        before = name
    return draft


def _matters(draft: Draft, names: tuple[str, ...]) -> bool:
    """Whether the front of a sample would be another one without one of some limits or rules."""
    if not names:
        return True
    spec, judged = parse_spec(toml(draft.data)), [sample.judged for sample in sampled(draft)]
    return not brute_force.mattering(spec, draft.tables, judged).isdisjoint(names)


TURNS_RECTIFIED = (*UPPER_RECTIFIED, "reverse-voltage", "average-current", *NAMES)


def rectified_case(seed: int) -> Case:
    """A case with diodes, where the current may rest at light load."""
    random = np.random.default_rng([2028, seed])
    first = TURNS_RECTIFIED[seed % len(TURNS_RECTIFIED)]
    for _ in range(ATTEMPTS):
        draft, samples = draft_of(random, shapes=RECTIFIED)
        if tighten(draft, first, samples):
            break
    extra = [str(name) for name in random.choice(UPPER_NAMES, 2, replace=False)]
    for name in [name for name in extra if name != first]:
        samples = sampled(draft)
        tighten(draft, name, samples)
    return _case(seed, draft)


def two_coil_case(seed: int) -> Case:
    """A case with two coils and a capacitor between them."""
    random = np.random.default_rng([2029, seed])
    names = (*UPPER_TWO_COILS, *UPPER, "reverse-voltage", "average-current", *LOWER)
    first = names[seed % len(names)]
    for _ in range(ATTEMPTS):
        draft, samples = draft_of(random, shapes=TWO_COILS)
        if tighten(draft, first, samples):
            break
    name = str(random.choice([*UPPER, *UPPER_TWO_COILS]))
    if name != first:
        samples = sampled(draft)
        tighten(draft, name, samples)
    return _case(seed, draft)


PLANTED: dict[str, tuple[Shapes, str]] = {
    "diodes: reverse voltage": (RECTIFIED[:2], "reverse-voltage"),
    "diodes: average current": (RECTIFIED[:2], "average-current"),
    "diodes: diode junction temperature": (RECTIFIED[:2], "temp-diode"),
    "diodes: hot leakage": (RECTIFIED[:2], "leakage"),
    "coupling-bank: ripple voltage": (TWO_COILS_ALONE, "ripple-coupling"),
    "coupling-bank: voltage": (TWO_COILS_ALONE, "coupling-voltage"),
    "coupling-bank: ripple current, first type": (TWO_COILS_ALONE, "coupling-current"),
}
"""Limits that only stages with a diode or two coils have: where they are drawn, and their turn."""


def planted_case(seed: int, name: str) -> Case:
    """A case of one topology in which one of the limits of `PLANTED` was turned, no other."""
    shapes, turn = PLANTED[name]
    random = np.random.default_rng([2030, seed, list(PLANTED).index(name)])
    for _ in range(ATTEMPTS):
        draft, samples = draft_of(random, shapes=shapes, budget=PLANTED_BUDGET)
        turned = tighten(draft, turn, samples)
        if turned and (turn == "leakage" or _matters(draft, (name,))):
            break
    return _case(seed, draft)


def small_case(seed: int, names: Sequence[str]) -> Case:
    """A case of some hundred sets with the limits of `names` tightened as far as they can be."""
    random = np.random.default_rng([2027, seed])
    draft, samples = draft_of(random, small=True)
    for name in names:
        tighten(draft, name, samples)
    return _case(seed, draft)


def _case(seed: int, draft: Draft) -> Case:
    text = toml(draft.data)
    return Case(seed, text, parse_spec(text), catalog_of(draft.tables), tuple(draft.tightened))
