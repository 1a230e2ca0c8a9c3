"""One topology under one spec with its catalogs: everything the evaluation needs, once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer import parameters
from optimizer.catalog import PartTable
from optimizer.parameters import Capacitors, Inductors, Resistors
from optimizer.parts.bank import SourceBranch
from optimizer.parts.bridge_records import Drive, Mosfet
from optimizer.parts.diode import Diode
from optimizer.records import BoolArray, FloatArray, IntArray, Lanes
from optimizer.spec_records import LIGHT_LOAD_EMULATION, Controller, Spec
from optimizer.topologies import TOPOLOGIES, Topology
from optimizer.topologies.intervals import windings


@dataclass(frozen=True, slots=True)
class Stage:
    """A topology, its controller, its lanes, and the parameters of every part in every lane."""

    spec: Spec
    controller: Controller
    topology: Topology
    lanes: Lanes
    tables: Mapping[str, PartTable]
    mosfets: Mosfet
    diodes: Diode
    inductors: Inductors
    capacitors: Capacitors
    resistors: Resistors
    drive: Drive

    @property
    def cold(self) -> BoolArray:
        """Sizing lanes that start at cold ambient, before the board has warmed up, (n_lane,)."""
        ambient = self.spec.ambient
        sizing = self.lanes.bracket > 0
        is_cold = self.lanes.temp_ambient == ambient.temp_cold
        return np.asarray(sizing & is_cold & (ambient.temp_cold < ambient.temp_hot))

    @property
    def sizing(self) -> BoolArray:
        """Lanes whose state is a bracket: the loss ceiling or no loss, (n_lane,)."""
        return np.asarray(self.lanes.bracket > 0)

    @property
    def own(self) -> BoolArray:
        """Lanes a verification visits at the set's own state: one of each bracket, (n_lane,)."""
        return np.asarray(self.lanes.bracket < 2)

    @property
    def temp_board_sizing(self) -> FloatArray:
        """Board temperature of the sizing lanes [degC]: heated by the loss ceiling unless cold.

        A transient is too short to heat the board more than the continuous points do.
        """
        lanes = self.lanes
        lasting = lanes.loss_ceiling[self.sizing & ~lanes.transient]
        watts = np.minimum(lanes.loss_ceiling, lasting.max(initial=0.0) or np.inf)
        heat = self.spec.board.board_k_per_w * watts
        return np.asarray(self.lanes.temp_ambient + np.where(self.cold, 0.0, heat))

    @property
    def two_coils(self) -> bool:
        """Whether the stage has two equal coils: two pieces, or two windings on one core."""
        return bool(windings(self.topology))

    @property
    def nodes(self) -> tuple[str, ...]:
        """Where a bank of capacitors stands."""
        return nodes_of(self.topology)

    def coil_pieces(self, rows: IntArray) -> IntArray:
        """Pieces of each inductor the stage takes, by their rows."""
        return coil_pieces(self.topology, self.tables["inductor"])[rows]

    @property
    def emulation(self) -> bool:
        """Whether synchronous transistors imitate diodes at light load."""
        return self.controller.light_load == LIGHT_LOAD_EMULATION

    @property
    def source_branch(self) -> SourceBranch | None:
        """Impedance of the source as one more branch of the input bank, None when it has none."""
        source = self.spec.source
        if source.resistance <= 0.0 and source.inductance <= 0.0:
            return None
        one = np.ones(len(self.lanes))
        return SourceBranch(one * source.resistance, one * source.inductance)


def nodes_of(topology: Topology) -> tuple[str, ...]:
    """Where a bank of capacitors stands in a topology."""
    return ("input", "output", "coupling") if windings(topology) else ("input", "output")


def coil_pieces(topology: Topology, table: PartTable) -> IntArray:
    """Pieces of each inductor a topology takes, (n_part,): two where it has two coils of their own.

    Two windings on one core are one piece.
    """
    alone = np.isnan(table.numbers["coupling_typ"])
    return np.where(alone & bool(windings(topology)), 2, 1).astype(np.int64)


def build_stage(
    spec: Spec, topology: str, *, lanes: Lanes, tables: Mapping[str, PartTable]
) -> Stage:
    """Parameters of every part of `tables` (kind -> table) in every lane of one topology."""
    controller = spec.controllers[topology]
    return Stage(
        spec=spec,
        controller=controller,
        topology=TOPOLOGIES[topology],
        lanes=lanes,
        tables=tables,
        mosfets=parameters.mosfets(
            tables["mosfet"], lanes=lanes, controller=controller, pads=spec.pads
        ),
        diodes=parameters.diodes(tables["diode"], lanes=lanes, pads=spec.pads),
        inductors=parameters.inductors(tables["inductor"], lanes=lanes),
        capacitors=parameters.capacitors(tables["capacitor"]),
        resistors=parameters.resistors(tables["resistor"]),
        drive=parameters.drive(lanes=lanes, controller=controller, board=spec.board),
    )


def lanes_where(lanes: Lanes, mask: BoolArray) -> Lanes:
    """Some of the lanes."""
    picked = [name for name, keep in zip(lanes.name, mask, strict=True) if keep]
    values = {
        field: getattr(lanes, field)[mask]
        for field in Lanes.__dataclass_fields__
        if field != "name"
    }
    return Lanes(name=tuple(picked), **values)
