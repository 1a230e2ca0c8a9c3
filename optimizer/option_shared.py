"""Banks of two nodes that may hold a type in common.

Equal types are bought together and count as one part number, so a bank that is beaten on its own
may be wanted beside one that shares with it. Where two banks share, the saving is put on the side
of one of them; what the other may then lose at what it costs alone follows from the front so far.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer import dominance, shared_room
from optimizer.dominance import Staircase
from optimizer.market import whole_units
from optimizer.option_banks import (
    Node,
    bank_losses,
    bank_options,
    bank_rivals,
    forced_pairs,
    hopeful,
    levels,
    node_of,
    offered,
    robust_banks,
)
from optimizer.option_legs import joined
from optimizer.parts.bank_cascade import Cascade, Pairs
from optimizer.parts.bank_family import Banks
from optimizer.parts.bank_mix import Front, Known
from optimizer.purchase import PRICE_NONE
from optimizer.records import LOSS_UNIT, BoolArray, FloatArray, Group, IntArray
from optimizer.rivals import pair_cost
from optimizer.shared_room import FINE, OpenLoss, SharedRoom, unbeaten_offers
from optimizer.workbench import LEVELS, Workbench

FAR_CHEAPER = 0.7
"""Share of the cost of the output bank below which the input bank is listed first: of a much
cheaper bank fewer may matter. Measured on catalogs; any order gives the same front."""

QUIET_AT_ONCE = 1 << 17
"""Banks of one node whose ripple is looked at before they are held against the other node."""

ROUNDS = (False, True)
"""Times that both nodes are held against each other by bounds before any bank is solved, and
whether the ripple in the worst lanes sifts what is left then."""


def watts(loss: IntArray) -> FloatArray:
    """Losses in loss units as watts."""
    return np.asarray(loss * LOSS_UNIT, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Side:
    """One node: its types, its banks that share nothing, and what sharing can save.

    cost : of `alone`, (n_option,); loss, loss_most : least and most it counts for, loss units
    saved : what pieces of a type save beside pieces of it at the other node, 0 for none,
        (n_part of the kind, pieces_max + 1, pieces_max + 1); worth : what of the most of it a bank
        may be dearer than those that share nothing, (n_part, pieces_max + 1)
    common : types that the other node may hold, (n_part,)
    """

    node: Node
    alone: Group
    cost: IntArray
    loss: IntArray
    loss_most: IntArray
    saved: IntArray
    worth: IntArray
    common: BoolArray

    def single(self, kind_start: int) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
        """Row, pieces and least and most loss [W] of the banks of one type."""
        one = self.alone.part[:, 1] < 0
        rows = np.asarray(self.alone.part[one, 0] - kind_start)
        loss = watts(self.loss[one]), watts(self.loss_most[one])
        return rows, self.alone.pieces[one, 0], *loss


@dataclass(frozen=True, slots=True)
class _Offers:
    """What banks of one node may be beside those of the other: (n_offer,) or (n_offer, 2) each.

    rows, pieces : second row -1 where there is none; cost : alone; loss : lower bound, loss units
    """

    rows: IntArray
    pieces: IntArray
    cost: IntArray
    loss: IntArray


def shared_groups(bench: Workbench, alone: Mapping[str, Group]) -> list[Group]:
    """Banks of both nodes that pass and may matter, sharing types or not.

    alone : the best banks of each node that share no type
    If the aim is complete, banks that others beat are kept too.
    """
    if bench.stage.spec.choice.bank_types_max < 2:
        return _trimmed(bench, list(alone.values()))
    one, two = _sides(bench, alone)
    if one.cost.min() < FAR_CHEAPER * two.cost.min():
        one, two = two, one
    rest = bench.beside(*alone)
    second = _bounded_beside(bench, two, one)
    first, one, room = _bounded(bench, rest, one, two, second)
    for quiet in ROUNDS:
        two, back = _against(bench, rest, two, one, first)
        second = second.keep(watts(second.loss) < back.of(second.pairs))
        second = _quiet(bench, two, back, second) if quiet else second
        one, room = _against(bench, rest, one, two, second)
        first = first.keep(watts(first.loss) < room.of(first.pairs))
        first = _quiet(bench, one, room, first) if quiet else first
    first = _settled(bench, one, room, first)
    two, back = _against(bench, rest, two, one, first)
    second = _settled(bench, two, back, second)
    _, room = _against(bench, rest, one, two, second)
    first = first.keep(watts(first.loss) < room.of(first.pairs))
    found = {
        side.node.name: _joined(bench, side, f.pairs) for side, f in ((one, first), (two, second))
    }
    return _trimmed(bench, [found[name] for name in alone])


def _every(bench: Workbench) -> bool:
    """Whether rows or the number of part numbers may want banks that cheaper ones beat."""
    return bench.aim.complete or bench.found.numbers_limited


def _trimmed(bench: Workbench, groups: list[Group]) -> list[Group]:
    """Without the banks that no set needs."""
    if _every(bench):
        return groups
    one, two = (bank_rivals(bench, group) for group in groups)
    kept = one.needed(two), two.needed(one)
    return [group.take(keep) for group, keep in zip(groups, kept, strict=True)]


def _sides(bench: Workbench, alone: Mapping[str, Group]) -> tuple[_Side, _Side]:
    """Both nodes, with what pieces of each type can save by being bought together."""
    nodes = [node_of(bench, name) for name in alone]
    table = bench.found.prices.alone("capacitor")
    most = bench.stage.spec.choice.bank_pieces_max
    usable = [np.zeros(len(table), dtype=bool) for _ in nodes]
    for node, mask in zip(nodes, usable, strict=True):
        mask[node.types] = (node.alone < PRICE_NONE).any(axis=1)
    count = np.arange(most + 1)
    apart = table[:, count, None] + table[:, None, count]
    saved = apart - table[:, count[:, None] + count[None, :]]
    fits = (apart < PRICE_NONE) & (count[:, None] > 0) & (count[None, :] > 0)
    common = usable[0] & usable[1]
    saved = np.where(fits & common[:, None, None], np.maximum(saved, 0), 0)
    if not _every(bench):
        common &= (saved > 0).any(axis=(1, 2))
    rivals = [bank_rivals(bench, group) for group in alone.values()]
    costs = [pair_cost(table, one.rows, one.pieces) for one in rivals]
    losses = [bank_losses(bench, group) for group in alone.values()]
    sides = saved, saved.transpose(0, 2, 1)
    columns = zip(nodes, alone.values(), costs, losses, sides, strict=True)
    one, two = (
        _Side(node, group, cost, *loss, mine, mine.max(axis=2), common)
        for node, group, cost, loss, mine in columns
    )
    return one, two


def _front(bench: Workbench, side: _Side) -> Front | None:
    """Best loss of the banks that share nothing; None where others may be wanted."""
    if _every(bench):
        return None
    return Front(side.cost, watts(side.loss_most))


def _lowered(side: _Side) -> IntArray:
    """Cost of the pieces of each type less the most that sharing is worth."""
    alone = side.node.alone
    worth = side.worth[side.node.types][:, : alone.shape[1]]
    return np.where(alone < PRICE_NONE, alone - worth, alone)


@dataclass(frozen=True, slots=True)
class _Found:
    """Banks of two types at their cost alone, with a lower bound of their loss, loss units."""

    pairs: Pairs
    loss: IntArray

    def keep(self, mask: BoolArray | IntArray) -> _Found:
        """Those under the mask."""
        return _Found(self.pairs.keep(mask), self.loss[mask])


def _bounded_beside(bench: Workbench, side: _Side, other: _Side) -> _Found:
    """What bounds leave of the banks of a side beside the best of the other that share nothing."""
    node = side.node
    apart = bench.settled_at(other.node.name, other.alone, other.cost)
    lowered = _lowered(side)
    level, most, dearest = levels(apart, node.name, lowered)
    front = _front(bench, side) or Front(np.zeros(0, dtype=np.int64), np.zeros(0))
    room = Known(Front(level, most), front)
    wanted = side.common[node.types] | bench.aim.complete
    return _sifted(bench, side, room, lowered, wanted, dearest, "marginal")


def _bounded(
    bench: Workbench, rest: Staircase, side: _Side, other: _Side, offers: _Found
) -> tuple[_Found, _Side, SharedRoom]:
    """The same beside what the other side offers."""
    side, room = _against(bench, rest, side, other, offers)
    found = _sifted(bench, side, room, side.node.alone, room.wanted(), room.end, "alone")
    return found, side, room


def _sifted(
    bench: Workbench,
    side: _Side,
    room: Known | SharedRoom,
    cost: IntArray,
    wanted: BoolArray,
    dearest: int | None,
    table: str,
) -> _Found:
    cascade = _cascade(bench, side.node, room)
    cost, listed = hopeful(bench, side.node, cost, dearest, table)
    cost, floor = offered(cost), offered(_lowered(side))
    pairs = shared_room.sifted(cascade, cost, floor, wanted, bench.aim.watch, dearest, listed)
    if len(pairs.cost) < QUIET_AT_ONCE:
        pairs = pairs.keep(shared_room.quiet(cascade, pairs, bench.aim.watch))
    return _Found(_at_alone(side.node, pairs), whole_units(cascade.objective.closer(pairs)))


def _quiet(bench: Workbench, side: _Side, room: SharedRoom, found: _Found) -> _Found:
    """The banks whose ripple keeps the worst lanes."""
    cascade = _cascade(bench, side.node, room)
    return found.keep(shared_room.quiet(cascade, found.pairs, bench.aim.watch))


def _against(
    bench: Workbench, rest: Staircase, side: _Side, other: _Side, offers: _Found
) -> tuple[_Side, SharedRoom]:
    """What sharing is worth for a side and the room it leaves, beside banks of the other side."""
    bench.aim.watch()
    every = _offers(bench, other, offers.pairs, offers.loss)
    side = _worth(bench, side, other, every)
    return side, _room(bench, rest, side, other, every)


def _at_alone(node: Node, pairs: Pairs) -> Pairs:
    """The same banks at what they cost alone."""
    cost = node.alone[pairs.first, pairs.first_pieces]
    return pairs._replace(cost=cost + node.alone[pairs.second, pairs.second_pieces])


def _cascade(bench: Workbench, node: Node, room: Known | SharedRoom) -> Cascade:
    duties, weight = (node.duty, node.firm), bench.found.weight
    fits = forced_pairs(bench, node)
    return Cascade(
        duties,
        weight,
        node.limit,
        room,
        fits,
        also=lambda some: robust_banks(bench, node.name, node.types, some),
        lanes_apart=bench.found.lanes_apart,
    )


def _offers(bench: Workbench, side: _Side, pairs: Pairs, loss: IntArray) -> _Offers:
    """Banks of one type that share nothing or more, and those of two types under test."""
    types = side.node.types
    single = side.alone.part[:, 1] < 0
    part = side.alone.part[single] - bench.found.prices.start("capacitor")
    part[:, 1] = -1
    rows = np.stack([types[pairs.first], types[pairs.second]], axis=1)
    pieces = np.stack([pairs.first_pieces, pairs.second_pieces], axis=1)
    return _Offers(
        np.concatenate([part, rows]),
        np.concatenate([side.alone.pieces[single], pieces]),
        np.concatenate([side.cost[single], pairs.cost]),
        np.concatenate([side.loss[single], loss]),
    )


def _worth(bench: Workbench, side: _Side, other: _Side, offers: _Offers) -> _Side:
    """The side with what sharing is worth: what it saves less half of what it costs the other side.

    An offer costs its gap more than the cheapest bank there that shares nothing and loses no more.
    Two banks that share are not needed where their gaps add up to what they save; a bank that
    shares two types bears half of the gap of its partner with each.
    """
    if _every(bench):
        return side
    cost, loss = dominance.stair_of(other.cost, other.loss_most)
    place = np.searchsorted(-loss, -offers.loss)
    gap = np.maximum(offers.cost - np.append(cost, PRICE_NONE)[place], 0)
    least = np.full(len(side.common) + 1, 2 * PRICE_NONE)  # the last one takes what is no type
    for slot in (0, 1):
        np.minimum.at(least, offers.rows[:, slot], gap)
    worth = np.maximum(side.saved.max(axis=2) - least[:-1, None] // 2, 0)
    return replace(side, worth=worth, common=side.common & (worth > 0).any(axis=1))


def _room(
    bench: Workbench, rest: Staircase, side: _Side, other: _Side, offers: _Offers
) -> SharedRoom:
    """Room of the banks of a side beside what the other side offers.

    With G(c) the loss that is open beside the rest of the set at cost c, and an offer of cost d
    (less what it saves) and loss m, a bank of cost c that shares with it has room G(c + d) - m.
    """
    types = side.node.types
    pieces = np.arange(side.saved.shape[1])
    place = np.full(len(other.common) + 1, -1)  # the last one takes what is no type
    place[types] = np.arange(len(types))
    held = np.where(offers.rows < 0, False, side.common[offers.rows])
    own = np.where(held, place[offers.rows], -1)
    saved = side.saved[types]
    most = np.where(own < 0, 0, saved.max(axis=1)[own, offers.pieces])
    least = int((offers.cost - most.sum(axis=1)).min(initial=PRICE_NONE))
    each = side.node.alone[:, 1:]
    low, high = int(each.min()), 2 * int(each[each < PRICE_NONE].max())
    opened = _open_loss(bench, rest, low, high, least)
    # what shares one type: unbeaten among as many pieces of it, then at each number beside them
    slot, offer = np.nonzero(own.T >= 0)
    kind, count = own[offer, slot], offers.pieces[offer, slot]
    kept = unbeaten_offers(kind * len(pieces) + count, offers.cost[offer], offers.loss[offer])
    offer, kind, count = offer[kept], kind[kept], count[kept]
    key = kind * len(pieces) + pieces[1:, None]
    cost = offers.cost[offer] - saved[kind, pieces[1:, None], count]
    loss = np.broadcast_to(offers.loss[offer], key.shape)
    key, cost, loss = key.ravel(), cost.ravel(), loss.ravel()
    kept = unbeaten_offers(key, cost, loss)
    both = _holding_two(own, offers)
    apart = np.full(shared_room.STEPS, -np.inf)
    if bench.aim.complete:
        any_of = np.zeros(len(offers.cost), dtype=np.int64)
        fair = unbeaten_offers(any_of, offers.cost, offers.loss)
        apart = opened.by_step(1, any_of[fair], offers.cost[fair], offers.loss[fair])[0]
    return SharedRoom(
        opened,
        saved,
        apart,
        key[kept],
        cost[kept],
        loss[kept],
        *both,
        _front(bench, side),
    )


def _holding_two(own: IntArray, offers: _Offers) -> tuple[Banks, IntArray]:
    """Offers of two types that may both be shared, by these types, and their loss."""
    double = np.flatnonzero((own >= 0).all(axis=1))
    slot = np.argsort(own[double], axis=1)
    kinds = np.take_along_axis(own[double], slot, axis=1)
    pieces = np.take_along_axis(offers.pieces[double], slot, axis=1)
    order = np.lexsort((kinds[:, 1], kinds[:, 0]))
    double, kinds, pieces = double[order], kinds[order], pieces[order]
    bank = Banks(kinds[:, 0], pieces[:, 0], kinds[:, 1], pieces[:, 1], offers.cost[double])
    return bank, offers.loss[double]


def _open_loss(bench: Workbench, rest: Staircase, low: int, high: int, least: int) -> OpenLoss:
    """For banks of a cost from `low` to `high`, beside an offer of at least `least`."""
    start = low + least
    if not len(bench.aim.stair[0]):
        return OpenLoss(low, None, start, 1, np.full(FINE, np.inf))
    grid = np.unique(np.linspace(start, high + least, LEVELS).astype(np.int64))
    closed = bench.open_loss(rest, grid) <= 0.0
    reach = int(grid[np.argmax(closed) if closed.any() else -1]) - start
    width = reach // FINE + 1
    loss = bench.open_loss(rest, start + width * np.arange(FINE))
    return OpenLoss(low, low + reach, start, width, loss)


def _settled(bench: Workbench, side: _Side, room: SharedRoom, found: _Found) -> _Found:
    """Banks with room that keep every limit and that nothing replaces, with their loss."""
    node = side.node
    place = np.full(len(side.common), -1)
    place[node.types] = np.arange(len(node.types))
    rows, pieces, least, dearest = side.single(bench.found.prices.start("capacitor"))
    single = place[rows], pieces, least, dearest
    cascade, watch = _cascade(bench, node, room), bench.aim.watch
    pairs, lost, most = shared_room.solved(cascade, found.pairs, watch)
    if bench.aim.complete:
        best = shared_room.passing(cascade, pairs, watch)
    else:
        best = shared_room.unbeaten(
            cascade, room, pairs, (lost, most), offered(node.alone), single, watch
        )
    return _Found(pairs.keep(best), whole_units(lost[best]))


def _joined(bench: Workbench, side: _Side, pairs: Pairs) -> Group:
    """The banks of a side that share nothing, and those that may share."""
    alone = side.alone
    if not len(pairs.cost):
        return alone
    group = bank_options(bench, side.node.name, side.node.types, pairs.choice())
    known, mine = (np.concatenate([g.part, g.pieces], axis=1).tolist() for g in (alone, group))
    held = {tuple(row) for row in known}
    fresh = np.array([tuple(row) not in held for row in mine], dtype=bool)
    return joined([alone, group.take(fresh)])
