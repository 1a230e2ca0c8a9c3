"""Names of operating points and texts made safe for one line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

Plain = Mapping[str, Any]

CORNERS = {-1: "slow", 0: "nominal", 1: "fast"}


def one_line(text: object) -> str:
    """A text without control characters and line ends: it must not start a line of its own.

    >>> one_line("a\\nb\\x1b")
    'a b'
    """
    words = "".join(c if c.isprintable() else " " for c in str(text)).split()
    return " ".join(words)


def lane_titles(lanes: Plain) -> list[str]:
    """Names of all operating points; equal ones are told apart by their air, then by number."""
    titles = [lane_title(lanes, k) for k in range(len(lanes["name"]))]
    ways: tuple[Callable[[int], str], ...] = (
        lambda k: f"{lanes['temp_ambient'][k]:g} degC air",
        lambda k: f"number {k}",
    )
    for more in ways:
        many = {title for title, count in Counter(titles).items() if count > 1}
        titles = [
            f"{title[:-1]}, {more(k)})" if title in many else title
            for k, title in enumerate(titles)
        ]
    return titles


def lane_title(lanes: Plain, index: int) -> str:
    """Name of one operating point, for example ``full load (guaranteed, slow)``."""
    corner = CORNERS[lanes["corner"][index]]
    told = f"guaranteed, {corner}" if lanes["guaranteed"][index] else "expected"
    return f"{lanes['name'][index]} ({told})"
