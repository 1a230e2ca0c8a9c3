"""Random choices for the tests of the decision layer, and the front by listing every selection."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from optimizer.purchase import break_table, price_table
from optimizer.records import Choice, Group, Skeleton
from optimizer.tally import selection_cost, selection_loss, violations

LEG_INPUT = ("leg-input", ("input-high", "input-low"), "t")
LEG_OUTPUT = ("leg-output", ("output-low", "output-high"), "t")
BANK_INPUT = ("bank-input", ("input-first", "input-second"), "c")
BANK_OUTPUT = ("bank-output", ("output-first", "output-second"), "c")
SENSE = ("sense", ("sense",), "r")


def prices(random, *, parts, width, shape):
    """A price table: "bought" from breaks, "linear", or "rising" (dearer per piece when pooled)."""
    if shape == "bought":
        starts = [[1, *sorted(random.choice(np.arange(20, 400), 2, False))] for _ in range(parts)]
        each = [sorted(random.integers(5, 90, 3) / 10000, reverse=True) for _ in range(parts)]
        quantity, price = break_table(
            [list(zip(start, row, strict=True)) for start, row in zip(starts, each, strict=True)]
        )
        return price_table(
            quantity, price, random.choice([1, 60], parts), boards=60, pieces_max=width - 1
        )
    count = np.arange(width)
    if shape == "linear":
        return random.integers(5, 90, (parts, 1)) * count
    table = np.cumsum(random.integers(0, 60, (parts, width)), axis=1)
    table[:, 0] = 0
    return table


def group(random, layout, pools, *, options, rows, worst, pieces_most=2):
    """One group: each slot takes a part of the pool of its kind, the second slot may be empty."""
    name, positions, kind = layout
    pool = pools[kind]
    part = random.choice(pool, (options, len(positions)))
    pieces = random.integers(1, pieces_most + 1, part.shape)
    if name.startswith("bank"):
        empty = random.random(options) < 0.5
        part[empty, 1], pieces[empty, 1] = -1, 0
    loss = random.integers(0, 60, options)
    return Group(
        name=name,
        part=part.astype(np.int64),
        pieces=pieces.astype(np.int64),
        loss=loss.astype(np.int64),
        rows=random.random((options, rows)) * 0.4,
        loss_lane=random.integers(0, 60, (options, worst)).astype(np.int64),
        slot_position=positions,
    )


def random_choice(
    seed,
    *,
    skeletons=2,
    options=(1, 5),
    parts=3,
    rows=0,
    worst=0,
    line_item=None,
    price_shape=None,
    same_part=False,
    numbers=None,
    layouts=(LEG_INPUT, LEG_OUTPUT, BANK_INPUT, BANK_OUTPUT, SENSE),
):
    """A small choice; the first skeleton has all `layouts`, others may lack some."""
    random = np.random.default_rng(seed)
    pools = {kind: np.arange(parts) + parts * k for k, kind in enumerate("tcr")}
    shape = price_shape or random.choice(["bought", "linear", "rising"])
    bodies = []
    for k in range(skeletons):
        used = [one for one in layouts if k == 0 or random.random() < 0.8] or list(layouts[:1])
        bodies.append(
            Skeleton(
                name=f"skeleton {k}",
                groups=tuple(
                    group(
                        random,
                        one,
                        pools,
                        options=int(random.integers(options[0], options[1] + 1)),
                        rows=rows,
                        worst=worst,
                    )
                    for one in used
                ),
                cost_fixed=int(random.integers(0, 60)),
                loss_fixed=int(random.integers(0, 60)),
                rows_fixed=random.random(rows) * 0.2,
                loss_lane_fixed=random.integers(0, 60, worst).astype(np.int64),
            )
        )
    return Choice(
        skeletons=tuple(bodies),
        row_names=tuple(f"row {k}" for k in range(rows)),
        price=prices(random, parts=3 * parts, width=13, shape=shape).astype(np.int64),
        line_item=int(random.integers(0, 30)) if line_item is None else line_item,
        placement=int(random.integers(0, 5)),
        part_names=tuple(f"part {k}" for k in range(3 * parts)),
        same_part=(("input-high", "output-high"),) if same_part else (),
        part_numbers_max=numbers,
        worst_point=worst > 0,
    )


def every_selection(choice):
    """All (skeleton, option) of a choice."""
    for k, body in enumerate(choice.skeletons):
        for option in itertools.product(*(range(len(part.loss)) for part in body.groups)):
            yield k, option


def listed_front(choice, *, rows=True):
    """The front by listing: (cost, loss) of every nondominated selection, cost rising."""
    points = sorted(
        (selection_cost(choice, k, option), selection_loss(choice, k, option))
        for k, option in every_selection(choice)
        if not rows or not violations(choice, k, option)
    )
    front = []
    for cost, loss in points:
        if not front or loss < front[-1][1]:
            front.append((cost, loss))
    return front


def large_choice(seed=0):
    """Hundreds of options per group, losses all different: too much for a few milliseconds."""
    random = np.random.default_rng(seed)
    choice = random_choice(
        seed,
        skeletons=6,
        options=(300, 400),
        parts=40,
        rows=3,
        price_shape="bought",
        line_item=25,
    )
    bodies = []
    for body in choice.skeletons:
        groups = tuple(
            replace(one, loss=random.integers(0, 10**5, len(one.loss))) for one in body.groups
        )
        bodies.append(replace(body, groups=groups, rows_fixed=body.rows_fixed + 0.3))
    return replace(choice, skeletons=tuple(bodies))
