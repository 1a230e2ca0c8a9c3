"""What one front costs against another, at the points a user would look at."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.records import COST_UNIT, LOSS_UNIT
from optimizer.studies.answer import Grid, money, watts
from optimizer.studies.archived import Archived
from optimizer.studies.fronts import Front


@dataclass(frozen=True, slots=True)
class Price:
    """One point of the archived front against another front; of several charge-current senses only
    sets count whose end of charge is as near.

    cost_more : by how much the other front is dearer at no more loss, inf where none loses so
        little [currency]; loss_more : by how much it loses more at no more cost [W]
    """

    at: str
    number: int
    cost: float
    loss: float
    cost_more: float
    loss_more: float

    @property
    def same(self) -> bool:
        """Whether the other front has a set that is neither dearer nor loses more."""
        return self.cost_more <= 0.0 and self.loss_more <= 0.0


def prices(case: Archived, other: Front, rows: Sequence[int] | None = None) -> tuple[Price, ...]:
    """The archived points `rows` (default: ends and knee) against another front."""
    wanted = case.anchors() if rows is None else rows
    return tuple(_price(case.front, row, other) for row in wanted)


def _price(front: Front, row: int, other: Front) -> Price:
    cost, loss = int(front.cost[row]), int(front.loss[row])
    near = other.error <= front.error[row] * (1.0 + 1e-9)
    dearer = other.cost[near & (other.loss <= loss)]
    lossier = other.loss[near & (other.cost <= cost)]
    return Price(
        at=front.name(row),
        number=front.number[row],
        cost=cost * COST_UNIT,
        loss=loss * LOSS_UNIT,
        cost_more=float((dearer.min() - cost) * COST_UNIT) if len(dearer) else math.inf,
        loss_more=float((lossier.min() - loss) * LOSS_UNIT) if len(lossier) else math.inf,
    )


def price_grid(found: Sequence[Price], currency: str, title: str) -> Grid:
    """Prices as a table."""
    heads = (
        *("against", f">cost {currency}", ">loss W"),
        *(f">at no more loss {currency}", ">at no more cost W"),
    )
    return Grid(title, heads, tuple(_cells(one) for one in found))


def _cells(one: Price) -> tuple[str, ...]:
    at = one.at if one.at.startswith("point") else f"{one.at} (point {one.number})"
    dearer = "none loses so little"
    lossier = "none is so cheap"
    if np.isfinite(one.cost_more):
        dearer = money(one.cost_more, "", signed=True).strip()
    if np.isfinite(one.loss_more):
        lossier = watts(one.loss_more, signed=True).removesuffix(" W")
    return at, f"{one.cost:.2f}", f"{one.loss:.3f}", dearer, lossier


def price_text(found: Sequence[Price], currency: str) -> str:
    """The least of the prices in one sentence."""
    return "; ".join(_told(found, currency))


def _told(found: Sequence[Price], currency: str) -> Iterator[str]:
    for one in found:
        if one.same and one.cost_more == 0.0 and one.loss_more == 0.0:
            yield f"{one.at}: nothing"
            continue
        more = []
        if np.isfinite(one.cost_more):
            more.append(f"{money(one.cost_more, currency, signed=True)} at no more loss")
        if np.isfinite(one.loss_more):
            more.append(f"{watts(one.loss_more, signed=True)} at no more cost")
        yield f"{one.at}: {' or '.join(more) or 'no set so cheap, none that loses so little'}"


def as_data(found: Sequence[Price]) -> list[dict[str, object]]:
    """Prices for machines."""
    return [
        {
            "at": one.at,
            "point": one.number,
            "cost": one.cost,
            "loss_w": one.loss,
            "cost_more": one.cost_more,
            "loss_more_w": one.loss_more,
        }
        for one in found
    ]


def ends(front: Front) -> tuple[float, float]:
    """Least cost [currency] and least loss [W] of a front, inf where it has no point."""
    if not len(front):
        return math.inf, math.inf
    return float(front.cost.min() * COST_UNIT), float(front.loss.min() * LOSS_UNIT)
