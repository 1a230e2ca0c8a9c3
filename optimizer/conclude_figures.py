"""Complete sets at their own state, as the records a run keeps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer import (
    assembly,
    buying,
    conclude_margins,
    limits,
    parameters,
    service,
    verification,
)
from optimizer.assembly import Physics, Sets
from optimizer.conclude_bill import Known, bill_of
from optimizer.conclude_sets import Chosen, part_set_of, stacked
from optimizer.limits import Chain
from optimizer.parts import board, capacitor
from optimizer.records import FloatArray
from optimizer.results import Margin, PartSet, Verified
from optimizer.stage import Stage, build_stage, lanes_where

SETS_AT_ONCE = 96
NAMED_MOST = 3
"""Efficiencies shown where the spec has no floors."""


def verified_sets(stage: Stage, found: list[Chosen]) -> list[Verified]:
    """Every set of one topology at its own state; the lanes without loss are left out."""
    own = own_stage(stage)
    verified: list[Verified] = []
    for start in range(0, len(found), SETS_AT_ONCE):
        some = found[start : start + SETS_AT_ONCE]
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            verified += _verified(own, some)
    return verified


def own_stage(stage: Stage) -> Stage:
    """The stage in the lanes a verification visits: the set's own state, none without loss."""
    lanes = lanes_where(stage.lanes, stage.own)
    return build_stage(stage.spec, stage.topology.NAME, lanes=lanes, tables=stage.tables)


def _verified(stage: Stage, found: list[Chosen]) -> list[Verified]:
    sets = stacked(found)
    result = assembly.own_physics(stage, sets)
    names = [part_set_of(one, stage.tables) for one in found]
    margins = conclude_margins.margins(result, sets, names)
    chain = verification.limit_chain(result)
    table = _Table(stage, result, sets)
    return [
        table.record(number, one, names[number], margins[number], chain)
        for number, one in enumerate(found)
    ]


class _Table:
    """Everything of many sets side by side, (n_set, n_lane) each."""

    def __init__(self, stage: Stage, result: Physics, sets: Sets) -> None:
        self.stage, self.result, self.lanes = stage, result, stage.lanes
        self._known: Known = {}
        self.shape = (len(sets), len(stage.lanes))
        job, state, wave = result.scene.operation, result.scene.state, result.scene.wave
        self.losses = {key: self._wide(value) for key, value in result.losses.items()}
        self.temps = {name: self._wide(value) for name, value in _temps(result, sets).items()}
        self.waves = {name: self._wide(value) for name, value in _waves(result, sets).items()}
        self.power_input = self._wide(job.v_input * (wave.i_input_mean + state.i_input_extra))
        self.power_output = self._wide(job.v_output * job.i_output)
        self.total = self._wide(result.total)
        self.balance = self._wide(assembly.balance_error(result))
        self.mission, self.worst = verification.objectives(result)
        self.area = verification.areas(stage, sets)
        self.charge = buying.charge_of(stage.spec, stage.tables)
        self.life, self.rate = (
            service.shortest_life(result, sets),
            service.failure_rate(result, sets),
        )

    def _wide(self, value: FloatArray) -> FloatArray:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), self.shape)

    def record(
        self, number: int, one: Chosen, name: PartSet, margins: list[Margin], chain: Chain
    ) -> Verified:
        """The record of one set."""
        bill = bill_of(self.stage.spec, self.stage.tables, one, self.charge, self._known)
        total, power = self.total[number], self.power_output[number]
        efficiency = board.efficiency(power_output=power, loss_total=total)
        return Verified(
            part_set=name,
            bill=bill.lines,
            cost=bill.cost,
            cost_items=bill.items,
            lanes=self.lanes,
            losses={key: value[number] for key, value in self.losses.items()},
            temps={key: value[number] for key, value in self.temps.items()},
            waves={key: value[number] for key, value in self.waves.items()},
            power_input=self.power_input[number],
            power_output=power,
            loss_total=total,
            efficiency=efficiency,
            balance_error=self.balance[number],
            loss_mission=float(self.mission[number]),
            loss_worst=float(self.worst[number]),
            loss_worst_at=_worst_at(self.stage, total),
            efficiency_named=_named(self.stage, efficiency),
            margins=tuple(margins),
            chain=conclude_margins.chain_record(chain, self.lanes, number),
            area=float(self.area[number]),
            height=_height(self.stage, one),
            life_years=float(self.life.years[number]),
            life_of=self._life_of(number),
            failure_rate=float(self.rate[number]),
        )

    def _life_of(self, number: int) -> str:
        """What wears out first: bank and part, and whether by its seal."""
        row = int(self.life.row[number])
        if row < 0:
            return ""
        part = self.stage.tables["capacitor"].part_number[row]
        sealed = self.life.years[number] >= self.stage.spec.life.years_seal
        return f"{'seal of ' if sealed else ''}{self.life.node[number]}-bank {part}"


def _temps(result: Physics, sets: Sets) -> dict[str, FloatArray]:
    """Hottest temperature of every position [degC]."""
    stage, around = result.scene.stage, result.scene.state.temp_board
    found: dict[str, FloatArray] = {}
    for leg in stage.topology.LEGS:
        one = result.bridges[leg.name]
        found[leg.control] = one.control.temp_junction
        found[leg.synchronous] = one.synchronous.temp_junction
    found["inductor"] = result.coil.temp
    for node, (first, _, second, _) in sets.bank.items():
        found[f"{node}-bank"] = _core(result, node, first, second, around)
    found["sense-resistor"] = result.sense.temp
    found["board"] = around
    return found


def _core(
    result: Physics, node: str, first: np.ndarray, second: np.ndarray, around: FloatArray
) -> FloatArray:
    """The hotter core of the two types of a bank; the board's temperature where heat is unknown."""
    parts, bank = result.scene.stage.capacitors, result.banks[node]
    cores = [around]
    for rows, current in ((first, bank.i_rms_first), (second, bank.i_rms_second)):
        heating = parameters.take(parts, np.maximum(rows, 0)).heating
        cores.append(
            capacitor.temp_core(temp_board=around, coefficient_heating=heating, i_rms=current)
        )
    return np.asarray(np.fmax(np.fmax(cores[0], cores[1]), cores[2]))


def _waves(result: Physics, sets: Sets) -> dict[str, FloatArray]:
    """Currents, duties, ripple and gain of each set in each lane."""
    wave = result.scene.wave
    found = {
        name: getattr(wave, name)[..., 0]
        for name in ("i_mean", "i_ripple", "i_peak", "i_valley", "i_rms")
    }
    found |= {"duty_input": wave.duty_input, "duty_output": wave.duty_output}
    found |= {"time_on_min": wave.time_on_min, "time_off_min": wave.time_off_min}
    for node, one in result.banks.items():
        found[f"v_ripple_{node}"] = one.v_ripple
        found[f"v_step_{node}"] = _esl_step(result, node, sets)
        found[f"i_bank_{node}"] = getattr(wave, f"i_{node}_rms_ac")
    found |= {f"i_rms {name}": value for name, value in wave.position_rms.items()}
    found["thermal_gain"] = result.gain
    return found


def _esl_step(result: Physics, node: str, sets: Sets) -> FloatArray:
    """Jump of a node's voltage when the slope of the coil current turns at an ideal edge [V].

    Known where the bank carries the coil's ripple; where a leg switches against the node the
    bank's current itself jumps, and the edge, not the coil, decides: NaN.
    """
    scene, stage = result.scene, result.scene.stage
    esl = stage.capacitors.esl[:, 0]
    first, pieces, second, more = sets.bank[node]
    two = np.where(second < 0, 0.0, more / esl[np.maximum(second, 0)])
    together = 1.0 / (pieces / esl[first] + two)
    swing: FloatArray = np.zeros(1)
    for leg in stage.topology.LEGS:
        wave = scene.wave.legs[leg.name]
        here = np.nan if leg.node in (node, "both") else wave.v_node
        swing = swing + np.where(wave.switches, here, 0.0)
    return np.asarray(together[:, None] * swing / scene.operation.inductance)


def _worst_at(stage: Stage, total: FloatArray) -> str:
    """Name of the lane of the worst-point loss."""
    lanes = np.flatnonzero(limits.worst_lanes(stage))
    known = lanes[~np.isnan(total[lanes])]
    if not len(known):
        return ""
    return stage.lanes.name[int(known[np.argmax(total[known])])]


def _named(stage: Stage, efficiency: FloatArray) -> dict[str, float]:
    """Efficiency at the floors; without floors, at the mission points of most power and share.

    Of a solar source also the efficiency weighted with the shares of the mission.
    """
    lanes = stage.lanes
    wanted = np.flatnonzero(~np.isnan(lanes.efficiency_floor))
    if not len(wanted):
        mission = np.flatnonzero(lanes.share > 0)
        power = lanes.share[mission] * lanes.i_output[mission]
        wanted = np.sort(mission[np.argsort(-power, kind="stable")[:NAMED_MOST]])
    found: dict[str, float] = {}
    for lane in wanted:
        kind = " (guaranteed)" if lanes.guaranteed[lane] else ""
        name = f"{lanes.name[lane]}{kind}"
        found[name] = min(found.get(name, np.inf), float(efficiency[lane]))
    if stage.spec.source.kind == "solar":
        weighed = lanes.share > 0
        total = float(lanes.share[weighed] @ efficiency[weighed])
        found["weighted"] = total / float(lanes.share[weighed].sum())
    return found


def _height(stage: Stage, one: Chosen) -> float:
    """Height of the tallest part [m]."""
    tall = [stage.tables[kind].numbers["height"][row] for _, kind, row, _ in one.places()]
    return float(np.max(tall))


def ceilings(stage: Stage) -> Mapping[str, float]:
    """Loss ceiling of every sizing point by name [W]."""
    held = np.flatnonzero(stage.lanes.bracket == 1)
    return {stage.lanes.name[k]: float(stage.lanes.loss_ceiling[k]) for k in held}
