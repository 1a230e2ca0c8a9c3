"""What one kind of limit is, and the kinds without a scale: rules of purchase and choice."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from optimizer.pool import NO_CHARGE_SENSE
from optimizer.results import Margin
from optimizer.spec_records import STATES, Spec


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of limit.

    at : loosened by an amount -> spec; told : the amount in words, from and to
    covers : whether a broken limit is of this kind; amount : how much it misses by
    most : amount that stands for "free"; grain : how finely the least amount is looked for
    step : there is no scale, the rule is dropped or one step wider
    ample : amount that frees the limit where near sets are looked for, if more than `most`
    in_share : the words already say the share
    turns : loosening it may also take sets away
    share : an amount as a share of the limit
    reasons : texts of waterfalls that a part may fall on by this kind
    """

    name: str
    at: Callable[[Spec, float], Spec]
    told: Callable[[Spec, float], str]
    covers: Callable[[Margin], bool]
    amount: Callable[[Margin], float]
    share: Callable[[float], float]
    most: float
    reasons: tuple[str, ...]
    grain: float = 0.02
    step: bool = False
    ample: float = 0.0
    in_share: bool = False
    turns: bool = False


def never(_: Margin) -> bool:
    """Covers no margin."""
    return False


def upper(margin: Margin) -> float:
    """Share by which a value passes its upper limit."""
    return margin.value / margin.allowed - 1.0


def kelvin(margin: Margin) -> float:
    """Kelvin by which a temperature passes its limit."""
    return margin.value - margin.allowed


def lower(margin: Margin) -> float:
    """Share by which a value misses its lower limit."""
    return 1.0 - margin.value / margin.allowed


def as_is(amount: float) -> float:
    """The amount is the share."""
    return amount


# --- rules of purchase and choice -----------------------------------------------------------------


def switch(
    name: str,
    at: Callable[[Spec, float], Spec],
    told: Callable[[Spec, float], str],
    reasons: tuple[str, ...],
    *,
    turns: bool = False,
) -> Kind:
    """A rule that holds or not: there is one way to loosen it."""
    return Kind(name, at, told, never, upper, as_is, 1.0, reasons, step=True, turns=turns)


def _rule(name: str, text: str, section: str, reasons: tuple[str, ...], **values: Any) -> Kind:
    def at(spec: Spec, _: float) -> Spec:
        whole: dict[str, Any] = {section: replace(getattr(spec, section), **values)}
        return replace(spec, **whole)

    return switch(name, at, lambda spec, a: text, reasons)


def rules(spec: Spec) -> Iterator[Kind]:
    """Rules of purchase and choice that this spec makes."""
    bought, choice = spec.purchase, spec.choice
    if set(bought.states_allowed) != set(STATES):
        reasons: tuple[str, ...] = ("life-cycle state",)
        yield _rule("life-cycle", "allow every state", "purchase", reasons, states_allowed=STATES)
    if not bought.conditional_allowed:
        reasons = ("approval",)
        text = "allow conditional parts"
        yield _rule("approval", text, "purchase", reasons, conditional_allowed=True)
    if bought.approved:
        reasons = ("not on the approved list",)
        yield _rule("approved list", "drop it", "purchase", reasons, approved=())
    if bought.banned:
        yield _rule("banned list", "drop it", "purchase", ("banned",), banned=())
    if bought.banned_technologies:
        reasons = ("banned technology",)
        text = "allow them"
        yield _rule("banned technologies", text, "purchase", reasons, banned_technologies=())
    if bought.second_source:
        reasons = ("no part of another maker on its pads", "row", NO_CHARGE_SENSE)
        text = "do without"
        yield _rule("second sources", text, "purchase", reasons, second_source=())
    if choice.forbid:
        reasons = ("forbidden by the spec",)
        yield _rule("forbidden parts", "allow them", "choice", reasons, forbid=())
    if choice.force:
        reasons = ("another part is forced here", "row")
        yield _rule("forced parts", "drop them", "choice", reasons, force=())
    yield from _choice_rules(spec)


def _choice_rules(spec: Spec) -> Iterator[Kind]:
    choice = spec.choice
    if choice.same_part:
        yield _rule("same part", "allow different parts", "choice", ("row",), same_part=())
    if choice.part_numbers_max is not None:
        text = f"more than {choice.part_numbers_max}"
        yield _rule("part numbers", text, "choice", ("row",), part_numbers_max=None)
    more = choice.transistors_parallel_max + 1
    reasons: tuple[str, ...] = ("junction temperature", "rise over ambient", "row")
    yield _rule(
        "transistors in parallel", f"up to {more}", "choice", reasons, transistors_parallel_max=more
    )
    twice = 2 * choice.bank_pieces_max
    reasons = ("ripple voltage", "ripple current", "row")
    yield _rule("pieces of a bank", f"up to {twice}", "choice", reasons, bank_pieces_max=twice)
    if choice.bank_types_max < 2:
        yield _rule("types in a bank", "two", "choice", reasons, bank_types_max=2)
    more = choice.resistors_parallel_max + 1
    reasons = ("limit chain", "power")
    yield _rule(
        "sense resistors in parallel",
        f"up to {more}",
        "choice",
        reasons,
        resistors_parallel_max=more,
    )
