"""What options do beside one inductor: whether they keep every limit, what they add to each row.

Each is asked once, also where the inductor is the alternate of many others.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import cast

import numpy as np

from optimizer import evaluation, limits, option_legs, pool, screen
from optimizer.market import Market
from optimizer.mixtures import PIECES, Ask, Asked
from optimizer.parts import bank_choice
from optimizer.records import BoolArray, FloatArray, IntArray, Leg, kind_of, switch_kind
from optimizer.workbench import Rows, area_of, fixed_row, row_values

RowsOf = Callable[[IntArray, IntArray], FloatArray]


def beside(found: Market, rows: Rows, skeleton: int) -> Beside:
    """A skeleton of a market, made once."""
    if skeleton not in found.alternates:
        found.alternates[skeleton] = Beside(found, rows, skeleton)
    return cast(Beside, found.alternates[skeleton])


class Beside:
    """One skeleton: group -> which pairs of halves pass, and what they add to each row."""

    def __init__(self, found: Market, rows: Rows, skeleton: int) -> None:
        self.found, self.stage, self._rows, self._skeleton = found, found.stage, rows, skeleton
        self._scene = found.scene.take(np.array([skeleton]))
        self.passes: dict[str, Ask] = {}
        self.rows: dict[str, RowsOf] = {}
        self._senses()
        for leg in self.stage.topology.LEGS:
            self._leg(leg)
        for node in found.pool.bank:
            self._bank(node)

    def fixed(self) -> FloatArray:
        """What the skeleton itself adds to each row, (n_row,)."""
        return fixed_row(self._rows, self._scene)

    def coil(self) -> FloatArray:
        """What its inductor adds to each row, (n_row,)."""
        coils, one = self.found.coils, [self._skeleton]
        row = self.found.scene.coil[one]
        block = self._block(
            coils.loss[one],
            area_of(self.stage, "inductor", row, self.stage.coil_pieces(row)),
            self._part("inductor", row)[:, None],
            gain=np.where(limits.steady(self.stage), coils.gain[one], 0.0),
        )
        return np.asarray(block[0])

    def _part(self, position: str, rows: IntArray) -> IntArray:
        return self.found.prices.number(kind_of(position), rows)

    def _block(
        self,
        loss: FloatArray,
        area: FloatArray,
        part: IntArray,
        *,
        i_drive: FloatArray | None = None,
        gain: FloatArray | None = None,
    ) -> FloatArray:
        blank = np.zeros((1, len(self.stage.lanes)))
        return row_values(
            self._rows,
            loss=loss,
            i_drive=blank if i_drive is None else i_drive,
            gain=blank if gain is None else gain,
            area=area,
            part=part,
        )

    def _senses(self) -> None:
        sense = pool.may_stand(self.stage, self.found.prices, "sense-resistor")
        coils = evaluation.set_rows(self.found.coils, np.array([self._skeleton]))
        every = replace(self.found.pool, sense=sense)
        row, pieces = screen.senses_that_close(self.stage, every, self._scene, coils)
        closing = row * PIECES + pieces

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            row, pieces = divmod(x, PIECES)
            return self._block(
                evaluation.senses(self._scene, row, pieces).loss,
                area_of(self.stage, "resistor", row, pieces),
                self._part("sense-resistor", row)[:, None],
            )

        self.passes["sense resistor"] = lambda x, y: np.asarray(np.isin(x, closing))
        self.rows["sense resistor"] = rows

    def _leg(self, leg: Leg) -> None:
        def ask(x: IntArray, y: IntArray) -> BoolArray:
            return option_legs.held(self._scene, leg, divmod(x, PIECES), divmod(y, PIECES))[0]

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            control, synchronous = divmod(x, PIECES), divmod(y, PIECES)
            places = ((leg.control, *control), (leg.synchronous, *synchronous))
            each = [area_of(self.stage, switch_kind(p), r, n) for p, r, n in places]
            loss, i_drive, gain = option_legs.burden(self._scene, leg, control, synchronous)
            part = np.stack([self._part(p, r) for p, r, _ in places], axis=1)
            return self._block(loss, each[0] + each[1], part, i_drive=i_drive, gain=gain)

        self.passes[leg.name], self.rows[leg.name] = Asked(ask), rows

    def _bank(self, node: str) -> None:
        types, scene = self.found.pool.bank[node], self._scene
        steady = np.flatnonzero(limits.steady(self.stage))
        every = np.arange(len(self.stage.lanes))

        @cache
        def firm() -> tuple[bank_choice.BankDuty, bank_choice.BankLimits]:
            duty = screen.bank_duty(scene, node, types, steady)
            return duty, screen.bank_limits(scene, node, types, steady)

        @cache
        def duty() -> bank_choice.BankDuty:
            return screen.bank_duty(scene, node, types, every)

        def columns(x: IntArray, y: IntArray) -> dict[str, IntArray]:
            second = np.searchsorted(types, np.maximum(y, 0) // PIECES)
            return {
                "first": np.searchsorted(types, x // PIECES),
                "first_pieces": x % PIECES,
                "second": np.where(y < 0, -1, second),
                "second_pieces": np.where(y < 0, 0, y % PIECES),
            }

        def ask(x: IntArray, y: IntArray) -> BoolArray:
            met = bank_choice.verdicts(duty=firm()[0], limits=firm()[1], **columns(x, y))
            return np.asarray(np.logical_and.reduce(list(met.values())))

        def rows(x: IntArray, y: IntArray) -> FloatArray:
            bank, second = columns(x, y), np.maximum(y, 0) // PIECES
            area = area_of(self.stage, "capacitor", x // PIECES, bank["first_pieces"])
            area += area_of(self.stage, "capacitor", second, bank["second_pieces"])
            held = x // PIECES, np.where(y < 0, -1, second)
            part = np.stack([self._part(f"{node}-bank", one) for one in held], axis=1)
            return self._block(duty().solve(bank, ripple=False).loss, area, part)

        name = f"{node} bank"
        self.passes[name], self.rows[name] = Asked(ask, bank=True), rows
