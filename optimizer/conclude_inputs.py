"""One set under the magnifying glass: its figures by lane, and inputs with their origin."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import PurePath

import numpy as np

from optimizer import evaluation, waveforms
from optimizer.assembly import Physics, Sets
from optimizer.columns import column
from optimizer.conclude_sets import Chosen
from optimizer.formulas import FORMULAS
from optimizer.parts.bank import Branches
from optimizer.records import BoolArray, FloatArray
from optimizer.results_evidence import (
    COMPUTED,
    FILLED,
    LIMIT,
    SPEC,
    STATED,
    TYPICAL,
    Derivation,
    Input,
)
from optimizer.stage import Stage
from optimizer.topologies.intervals import LaneTable, lane_table

BY_LIMIT = {"typ": TYPICAL, "min": LIMIT, "max": LIMIT}


@dataclass(frozen=True)
class Source:
    """Set `k` of `sets`, evaluated in `result`; `one` holds its catalog rows."""

    result: Physics
    sets: Sets
    one: Chosen
    k: int

    @property
    def stage(self) -> Stage:
        """The stage all of it belongs to."""
        return self.result.scene.stage

    def row(self, values: FloatArray) -> FloatArray:
        """The figures of this set in every lane, (n_lane,)."""
        return np.asarray(np.broadcast_to(values, self.result.total.shape)[self.k])

    def worst(self, values: FloatArray, lanes: BoolArray) -> int:
        """Lane of the largest known value among `lanes`."""
        return int(np.argmax(np.where(lanes & np.isfinite(values), values, -np.inf)))

    @cached_property
    def table(self) -> LaneTable:
        """What every interval of every lane does."""
        stage = self.stage
        window, emulation = stage.controller.window, stage.emulation
        return lane_table(stage.topology, stage.lanes.region, window, emulation=emulation)

    def volts(self, node: str) -> FloatArray:
        """Voltage that a leg switches against a node, of every set, (n_set, n_lane)."""
        return waveforms.node_voltages(self.result.scene.operation)[node]

    @staticmethod
    def node_words(node: str) -> str:
        """That voltage in words."""
        return "input + output voltage" if node == "both" else f"{node} voltage"

    def branches(self, node: str) -> tuple[Branches, ...]:
        """One capacitor of each type of a bank, of every set, (n_set, n_lane)."""
        first, _, second, _ = self.sets.bank[node]
        rows = (first, np.maximum(second, 0))[: len(self.one.bank[node])]
        return tuple(evaluation.branches(self.result.scene, node, row) for row in rows)

    # --- inputs ---

    def cell(self, kind: str, row: int, key: str, name: str, unit: str) -> Input:
        """A catalog cell: its origin is typical, limit, stated or filled by policy."""
        table = self.stage.tables[kind]
        filled = table.filled.get(key)
        origin = BY_LIMIT.get(key.rpartition("_")[2], STATED)
        if filled is not None and filled[row]:
            origin = FILLED
        value = float(table.numbers[key][row])
        return Input(name, value, unit, origin, self.cell_name(kind, row, key))

    def lane_cell(
        self, kind: str, row: int, quantity: str, name: str, unit: str, lane: int
    ) -> Input:
        """The typical cell in an expected lane, the maximum in a guaranteed one."""
        limit = "max" if self.stage.lanes.guaranteed[lane] else "typ"
        return self.cell(kind, row, f"{quantity}_{limit}", name, unit)

    def cell_name(self, kind: str, row: int, key: str) -> str:
        """File, line and header of a catalog cell."""
        table = self.stage.tables[kind]
        return f"{PurePath(table.place[row]).name} {column(kind, key).header}"

    def spec(self, name: str, value: float, unit: str, key: str) -> Input:
        """A value of the spec, or a default that stood in there."""
        return Input(name, float(value), unit, SPEC, key)

    def computed(self, name: str, value: float, unit: str, what: str) -> Input:
        """A value that another number of the run gives."""
        return Input(name, float(value), unit, COMPUTED, what)

    def board(self, lane: int, name: str) -> Input:
        """Board temperature of a lane."""
        value = self.row(self.result.scene.state.temp_board)[lane]
        return self.computed(name, value, "degC", "board temperature")

    def derivation(
        self,
        formula: str,
        subject: str,
        quantity: str,
        lane: int,
        value: float,
        *inputs: Input,
        unit: str = "",
    ) -> Derivation:
        """A number beside its formula text; `formula` : name in `FORMULAS`."""
        entry = FORMULAS[formula]
        return Derivation(
            subject, quantity, lane, float(value), unit or entry.unit, entry.text, inputs
        )
