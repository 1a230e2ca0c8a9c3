"""What every kind shares: random draws, purchase columns, flaws, second sources, printing."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Protocol, TypeVar

import numpy as np

from catalogs import market

Cell = float | int | str | None
Row = dict[str, Cell]
Flaw = Callable[[Row], None]
Option = TypeVar("Option")


class Draw:
    """Random draws from one seeded stream; only uniform numbers, so that files repeat anywhere."""

    def __init__(self, *seed: int) -> None:
        self._stream = np.random.default_rng(seed)
        self._taken: dict[str, list[int]] = {}

    def uniform(self, low: float, high: float) -> float:
        """A number between `low` and `high`."""
        return low + (high - low) * float(self._stream.random())

    def chance(self, share: float) -> bool:
        """True with probability `share`."""
        return self.uniform(0.0, 1.0) < share

    def noise(self, share: float) -> float:
        """A factor around 1, bell-shaped, with `share` as its standard deviation."""
        return math.exp(share * sum(self.uniform(-1.0, 1.0) for _ in range(3)))

    def pick(self, options: Sequence[Option]) -> Option:
        """One of the options, all alike."""
        return options[min(int(self.uniform(0, len(options))), len(options) - 1)]

    def weighted(self, options: Sequence[Option], shares: Sequence[float]) -> Option:
        """One of the options by share."""
        level = self.uniform(0.0, sum(shares))
        for option, share in zip(options, shares, strict=True):
            level -= share
            if level < 0:
                return option
        return options[-1]

    def balanced(self, name: str, options: Sequence[Option], shares: Sequence[float]) -> Option:
        """One option by share; options of the deck `name` that fell behind are likelier."""
        taken = self._taken.setdefault(name, [0] * len(options))
        goal = sum(taken) + 2.0
        lag = [
            max(share / sum(shares) * goal - count, 0.0)
            for share, count in zip(shares, taken, strict=True)
        ]
        chosen = self.weighted(range(len(options)), lag)
        taken[chosen] += 1
        return options[chosen]

    def named(self, shares: Mapping[str, float]) -> str:
        """One key of a table of shares."""
        return self.weighted(tuple(shares), tuple(shares.values()))

    def shuffled(self, options: Sequence[Option]) -> list[Option]:
        """The options in random order."""
        return sorted(options, key=lambda _: self.uniform(0.0, 1.0))


def allot(total: int, shares: Sequence[float]) -> list[int]:
    """Split `total` rows by share, so that they add up (largest remainders)."""
    ideal = [total * share / sum(shares) for share in shares]
    counts = [int(value) for value in ideal]
    order = sorted(range(len(shares)), key=lambda i: counts[i] - ideal[i])
    for index in order[: total - sum(counts)]:
        counts[index] += 1
    return counts


class Class(Protocol):
    """A class of parts with its share of the rows."""

    @property
    def share(self) -> float: ...


Kind = TypeVar("Kind", bound=Class)


def in_classes(
    total: int, classes: Sequence[Kind], series: Callable[[Kind], list[Row]]
) -> list[Row]:
    """`total` rows, class by class by their shares, each filled with whole series and cut."""
    rows: list[Row] = []
    for one, wanted in zip(classes, allot(total, [c.share for c in classes]), strict=True):
        of_class: list[Row] = []
        while len(of_class) < wanted:
            of_class += series(one)
        rows += of_class[:wanted]
    return rows


def clip(value: float, low: float, high: float) -> float:
    """`value` held between two ends."""
    return min(max(value, low), high)


def number(row: Row, name: str) -> float:
    """A cell that must hold a number."""
    value = row[name]
    if value is None:
        raise ValueError(f"{name} is empty")
    return float(value)


def digits(value: float, count: int = 3) -> str:
    """A number with `count` significant digits, never in exponent form.

    >>> digits(0.0123456), digits(12345.6), digits(4.0)
    ('0.0123', '12300', '4')
    """
    if value == 0:
        return "0"
    places = count - 1 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def curve(points: Sequence[tuple[float, float]]) -> str:
    """A curve cell: ``x:y x:y``."""
    return " ".join(f"{digits(x)}:{digits(y)}" for x, y in points)


def cell(value: Cell) -> str:
    """Text of one cell; None is empty."""
    if value is None:
        return ""
    return value if isinstance(value, str) else digits(float(value), 4)


def three(value: float) -> float:
    """`value` rounded to three significant digits."""
    return float(digits(value))


# --- purchase -----------------------------------------------------------------------------------


def price_breaks(draw: Draw, price: float, minimum: int) -> str:
    """Falling unit prices from the order minimum up; `price` is each at 1,000 pieces."""
    steps = [step for step in market.QUANTITIES if step[0] >= minimum and draw.chance(0.8)]
    if not steps or steps[0][0] > minimum:
        share = next(s for q, s in reversed(market.QUANTITIES) if q <= max(minimum, 1))
        steps.insert(0, (minimum, share))
    depth = draw.uniform(0.75, 1.2)
    cells = [(q, digits(price * share**depth)) for q, share in steps]
    kept = [cells[0]]
    for quantity, text in cells[1:]:
        if float(text) < float(kept[-1][1]):
            kept.append((quantity, text))
    return " ".join(f"{quantity}:{text}" for quantity, text in kept)


def order_terms(draw: Draw, reel: int) -> tuple[int, int]:
    """Order minimum and multiple: single pieces, small packs, or whole reels only."""
    terms = ((1, 1), (10, 10), (min(250, reel), min(250, reel)), (reel, reel))
    return draw.weighted(terms, (0.70, 0.08, 0.08, 0.14))


def purchase_columns(draw: Draw, *, price: float, reel: int, old: float = 1.0) -> Row:
    """Price, order, stock and life-cycle columns; `old` > 1 makes a fading status likelier."""
    shares = {
        status: share * (old if status in ("not-for-new", "last-time-buy", "obsolete") else 1.0)
        for status, share in market.STATUS.items()
    }
    status = draw.named(shares)
    minimum, multiple = order_terms(draw, reel)
    fading = status in ("last-time-buy", "obsolete")
    stock = 0.0 if draw.chance(0.07) else 10 ** draw.uniform(1.8, 3.2 if fading else 4.8)
    month, day = int(draw.uniform(1, 10)), int(draw.uniform(1, 29))
    return {
        "status": status,
        "grade": draw.named(market.GRADE),
        "price_breaks_each": price_breaks(draw, price, minimum),
        "currency": market.CURRENCY,
        "price_date": f"2026-{month:02d}-{day:02d}",
        "order_minimum_pcs": minimum,
        "order_multiple_pcs": multiple,
        "stock_pcs": int(stock),
        "lead_time_weeks": int(draw.uniform(6, 31)),
        "approval": draw.named(market.APPROVAL),
        "data_source": "invented",
        "data_revision": f"r{int(draw.uniform(1, 6))}",
    }


def size_columns(land_pattern: str, size_mm: tuple[float, float, float]) -> Row:
    """Land pattern and the three outside dimensions."""
    length, width, height = size_mm
    return {
        "land_pattern": land_pattern,
        "length_mm": length,
        "width_mm": width,
        "height_mm": height,
    }


# --- after the rows of a kind stand -------------------------------------------------------------


def number_parts(rows: Sequence[Row], letter: str, label: Callable[[Row], str]) -> None:
    """Give each row ``MAKER-<letter><label>-<serial>``, serial running within the maker."""
    serial: dict[str, int] = {}
    for row in rows:
        maker = str(row["maker"])
        serial[maker] = serial.get(maker, 0) + 1
        row["part_number"] = f"{maker.upper()}-{letter}{label(row)}-{serial[maker]:04d}"


def value_label(value: float, mark: str) -> str:
    """A value with the unit mark in place of the point: 4.7 with "u" gives "4u7"."""
    whole, _, rest = digits(value).partition(".")
    return f"{whole}{mark}{rest}"


def add_second_sources(
    draw: Draw, rows: Sequence[Row], prefix: str, key: Callable[[Row], tuple[Cell, ...]]
) -> None:
    """Group parts alike under `key` from different makers until a third of the rows are grouped."""
    alike: dict[tuple[Cell, ...], list[Row]] = {}
    for row in rows:
        alike.setdefault((row["land_pattern"], *key(row)), []).append(row)
    wanted = market.SECOND_SOURCE_SHARE * len(rows)
    grouped = serial = 0
    for bucket in draw.shuffled(list(alike.values())):
        for group in _groups_of_makers(draw, bucket):
            if grouped >= wanted:
                return
            serial += 1
            for row in group:
                row["second_source_group"] = f"{prefix}-{serial:04d}"
            grouped += len(group)


def _groups_of_makers(draw: Draw, bucket: Sequence[Row]) -> Iterator[list[Row]]:
    """Groups of two to four rows of different makers."""
    left = list(bucket)
    while left:
        group: list[Row] = []
        size = draw.pick((2, 2, 3, 4))
        for row in list(left):
            if len(group) < size and all(row["maker"] != other["maker"] for other in group):
                group.append(row)
                left.remove(row)
        if len(group) < 2:
            return
        yield group


def add_flaws(draw: Draw, rows: Sequence[Row], flaws: Sequence[Flaw]) -> None:
    """Spoil about one row in twenty, each by one honest flaw."""
    count = round(market.FLAW_SHARE * len(rows))
    for row in draw.shuffled(range(len(rows)))[:count]:
        draw.pick(flaws)(rows[row])


def without(*names: str) -> Flaw:
    """A flaw: these cells are empty."""

    def spoil(row: Row) -> None:
        row.update(dict.fromkeys(names))

    return spoil


def swapped(first: str, second: str) -> Flaw:
    """A flaw: two cells changed places (typical above maximum)."""

    def spoil(row: Row) -> None:
        row[first], row[second] = row[second], row[first]

    return spoil
