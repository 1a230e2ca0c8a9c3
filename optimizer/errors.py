"""The exceptions of the package, and how a problem is worded.

Grammar of a problem: place, name, what came, what is needed, then the fix, for example
``catalogs/mosfets.csv:17 rds_on_10v_max_mohm: got 'abc', need a number > 0; correct the cell``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass


class OptimizerError(Exception):
    """Base of every error a user can meet; `exit_code` is what the command returns."""

    exit_code = 1


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong with the input.

    `place` is ``file:line`` (or a file), `name` the column or key, `got` what stood there in
    words, `need` what is needed, `fix` the remedy.
    """

    place: str
    name: str
    got: str
    need: str
    fix: str = ""

    def __str__(self) -> str:
        head = " ".join(part for part in (self.place, self.name) if part)
        text = f"{head}: got {self.got}, need {self.need}"
        return f"{text}; {self.fix}" if self.fix else text


class InputError(OptimizerError):
    """Every problem of every input file at once."""

    exit_code = 2

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class NoFeasibleDesign(OptimizerError):
    """No part set passes every limit; the text says why and what would do.

    share : of itself that the limit gives way by which alone would do with least, inf where none
        has such a share; remedy : that relaxation in words
    """

    exit_code = 3

    def __init__(self, text: str, *, share: float = math.inf, remedy: str = "") -> None:
        super().__init__(text)
        self.share, self.remedy = share, remedy


class NotProved(OptimizerError):
    """The search ended before its proof; what is proved was kept."""

    exit_code = 4


class Halted(Exception):
    """The search is to end inside a step; what the step had found is dropped. Never shown."""


Watch = Callable[[], None]
"""Called often in long loops; raises `Halted` once the search is to end."""


def go_on() -> None:
    """The watch of a search that nothing ends."""
