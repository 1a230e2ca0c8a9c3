"""Complete sets in service: how long their banks last over the mission, how often they fail."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer import life, waveforms
from optimizer.assembly import Physics, Sets
from optimizer.evaluation import Scene
from optimizer.life import Wear
from optimizer.parts import capacitor
from optimizer.parts.bank import Bank
from optimizer.records import BoolArray, FloatArray, IntArray
from optimizer.stage import Stage
from optimizer.topologies.intervals import has_diode

YEAR = 8766.0 * 3600.0
"""[s]"""

POWER_UNKNOWN = 100.0
"""Rated power of a transistor without a thermal resistance to its case [W]."""

BankChoice = tuple[IntArray, IntArray, IntArray, IntArray]


def mission(stage: Stage) -> tuple[IntArray, FloatArray]:
    """Lanes of the mission and their shares of time."""
    lanes = np.flatnonzero(stage.lanes.share > 0)
    return lanes, stage.lanes.share[lanes]


# --- life -----------------------------------------------------------------------------------------


def wear(stage: Stage, rows: IntArray) -> Wear:
    """What wears capacitors out, by rows of the catalog."""
    table = stage.tables["capacitor"]
    laws = [life.LAWS.get(technology, (np.nan, np.nan)) for technology in table.texts["technology"]]
    factor, step = np.array(laws).reshape(-1, 2).T[..., None]
    rise = np.nan_to_num(table.numbers["temp_rise_ripple"])
    return Wear(
        factor=factor,
        temp_step=step,
        life_rating=table.numbers["life_rating"][:, None],
        temp_reference=(table.numbers["temp_ripple"] + rise)[:, None],
        heating=stage.capacitors.heating,
    ).take(rows)


def needed(stage: Stage) -> float:
    """Operating life that capacitors which wear out must have [s]; inf where no seal lasts that."""
    rules = stage.spec.life
    if rules.years > rules.years_seal:
        return np.inf
    return rules.years * rules.service_share * YEAR


def may_last(stage: Stage) -> BoolArray:
    """Capacitors that last as long as asked on a board no warmer than the air, (n_part,).

    A board that carries a loss is warmer, and a ripple current heats the core: both only take
    life away, so what fails here fails in every set.
    """
    lanes, share = mission(stage)
    count = len(stage.tables["capacitor"])
    lasts = life.life_type(
        wear=wear(stage, np.arange(count)),
        i_rms=np.zeros((count, len(lanes))),
        temp_board=stage.lanes.temp_ambient[None, lanes],
        share=share,
    )
    return np.asarray(np.isposinf(lasts) | (lasts >= needed(stage)))


def bank_years(found: Scene, bank: Bank, chosen: BankChoice) -> tuple[FloatArray, FloatArray]:
    """Years the first and the second type of banks last over the mission, (n_choice,) each.

    inf where a type does not wear out or there is none; NaN where its life is not known.
    """
    stage, (lanes, share) = found.stage, mission(found.stage)
    rules, board = stage.spec.life, found.state.temp_board[:, lanes]
    first, _, second, _ = chosen
    both = []
    for rows, current in ((first, bank.i_rms_first), (second, bank.i_rms_second)):
        lasts = life.life_type(
            wear=wear(stage, np.maximum(rows, 0)),
            i_rms=np.broadcast_to(current, (len(rows), len(stage.lanes)))[:, lanes],
            temp_board=board,
            share=share,
        )
        years = lasts / rules.service_share / YEAR
        capped = np.where(np.isinf(years), np.inf, np.minimum(years, rules.years_seal))
        both.append(np.where(rows < 0, np.inf, capped))
    return both[0], both[1]


@dataclass(frozen=True, slots=True)
class Shortest:
    """The shortest life of the banks of each set, (n_set,) each.

    years : NaN where not known, inf where no part wears out
    node, row : bank and part that has it, row -1 where no part wears out
    """

    years: FloatArray
    node: tuple[str, ...]
    row: IntArray


def shortest_life(result: Physics, sets: Sets) -> Shortest:
    """What of each set wears out first over the mission."""
    nodes, rows, years = [], [], []
    for node, chosen in sets.bank.items():
        both = bank_years(result.scene, result.banks[node], chosen)
        for part, lasts in zip((chosen[0], chosen[2]), both, strict=True):
            nodes.append(node)
            rows.append(part)
            years.append(np.broadcast_to(lasts, len(sets)))
    table = np.stack(years)
    worst = np.argmin(np.where(np.isnan(table), -np.inf, table), axis=0)
    each = np.arange(len(sets))
    shown = table[worst, each]
    row = np.where(np.isinf(shown), -1, np.stack(rows)[worst, each])
    return Shortest(shown, tuple(nodes[k] for k in worst), row)


# --- failure rate ---------------------------------------------------------------------------------


def failure_rate(result: Physics, sets: Sets) -> FloatArray:
    """Mean failure rate of switches, banks and inductor over the mission [1/Mh], (n_set,)."""
    lanes, share = mission(result.scene.stage)
    total = _rate_switches(result, sets) + _rate_banks(result, sets) + _rate_coils(result, sets)
    wide = np.broadcast_to(total, (len(sets), len(result.scene.stage.lanes)))
    return np.asarray(wide[:, lanes] @ share / share.sum())


def _environment(stage: Stage) -> tuple[float, float, float]:
    return life.ENVIRONMENT[stage.spec.life.environment]


def _rate_switches(result: Physics, sets: Sets) -> FloatArray:
    stage = result.scene.stage
    numbers, (environment, _, _) = stage.tables["mosfet"].numbers, _environment(stage)
    power = (numbers["temp_junction_rating"] - 25.0) / numbers["rth_junction_case_max"]
    power = np.where(np.isnan(power), POWER_UNKNOWN, power)
    total: FloatArray = np.zeros((1, 1))
    for leg in stage.topology.LEGS:
        bridge = result.bridges[leg.name]
        for position, one in ((leg.control, bridge.control), (leg.synchronous, bridge.synchronous)):
            rows, pieces = sets.transistor[position]
            if position == leg.synchronous and leg.rectifier == "diode":
                volts = waveforms.node_voltages(result.scene.operation)[leg.node]
                rating = stage.tables["diode"].numbers["v_reverse_rating"][rows][:, None]
                each = life.rate_diode(
                    temp_junction=one.temp_junction,
                    share_voltage=volts / rating,
                    factor_environment=environment,
                )
            else:
                each = life.rate_fet(
                    temp_junction=one.temp_junction,
                    power_rating=power[rows][:, None],
                    factor_environment=environment,
                )
            total = total + pieces[:, None] * each
    return total


def _rate_banks(result: Physics, sets: Sets) -> FloatArray:
    stage, board = result.scene.stage, result.scene.state.temp_board
    table, lanes = stage.tables["capacitor"], stage.lanes
    technology = np.array(table.texts["technology"])
    total: FloatArray = np.zeros((len(sets), len(lanes)))
    for node, (first, pieces, second, more) in sets.bank.items():
        volts = lanes.v_output if node == "output" else lanes.v_input
        bank = result.banks[node]
        for rows, count, current in (
            (first, pieces, bank.i_rms_first),
            (second, more, bank.i_rms_second),
        ):
            kinds = np.where(rows < 0, "", technology[rows])
            for kind in set(kinds.tolist()) - {""}:
                some = np.flatnonzero(kinds == kind)
                row, wide = rows[some], np.broadcast_to(current, total.shape)[some]
                around = np.broadcast_to(board, total.shape)[some]
                core = capacitor.temp_core(
                    temp_board=around,
                    coefficient_heating=stage.capacitors.heating[row],
                    i_rms=wide,
                )
                total[some] += count[some][:, None] * life.rate_capacitor(
                    technology=kind,
                    capacitance=table.numbers["capacitance_typ"][row][:, None],
                    share_voltage=volts / table.numbers["v_rating"][row][:, None],
                    temp_part=np.fmax(around, core),
                    factor_environment=_environment(stage)[1],
                )
    return total


def _rate_coils(result: Physics, sets: Sets) -> FloatArray:
    lanes = result.scene.stage.lanes
    each = life.rate_coil(
        temp_ambient=lanes.temp_ambient,
        temp_rise=result.coil.temp - lanes.temp_ambient,
        factor_environment=_environment(result.scene.stage)[2],
    )
    return np.asarray(sets.coil_pieces[:, None] * each)


def rated_kinds(stage: Stage) -> str:
    """The parts whose failure rates are added up, in words."""
    return f"transistors, {'diode, ' if has_diode(stage.topology) else ''}banks and inductor"
