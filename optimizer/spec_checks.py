"""Contradictions inside a spec: each looks at values already in SI and words its own remedy.

A value that is absent or was refused is None; a check that needs it says nothing, so that one
slip makes one problem.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from optimizer.spec_records import (
    CHARGE_SENSE,
    EVERY_POSITION,
    LIGHT_LOAD_EMULATION,
    LIGHT_LOAD_FORCED,
    LIGHT_LOAD_SKIP,
)
from optimizer.spec_tables import ORDERS, Key
from optimizer.spec_text import Path, Reading, trade

Values = Mapping[str, Any]

SHARE_TOLERANCE = 0.001
POINTS_MAX = 36
"""Mission rows and named floors together; the sizing points need the rest of 60."""


def _key(keys: Sequence[Key], name: str) -> Key:
    return next(key for key in keys if key.name == name)


def check_orders(
    reading: Reading, path: Path, table: str, keys: Sequence[Key], values: Values
) -> None:
    """Minimum, typical and maximum in order."""
    for chain in ORDERS[table]:
        for low, high in pairwise(chain):
            below, above = values[low], values[high]
            if below is None or above is None or below <= above:
                continue
            key, other = _key(keys, low), _key(keys, high)
            reading.problem(
                (*path, key.spelling),
                got=f"{trade(below, key.family)} above {other.name} = {trade(above, other.family)}",
                need=f"{key.name} <= {other.name}",
                fix="correct one of the two",
            )


def check_controller(
    reading: Reading, path: Path, values: Values, load: Values, source: Values
) -> None:
    """What one controller record must be able to do."""
    _check_frequencies(reading, path, values)
    _check_overvoltage(reading, path, values, load)
    known = [source[name] for name in ("v_max", "v_transient_max", "v_survive_max", "v_idle_max")]
    highest = max((v for v in known if v is not None), default=None)
    limit = values["v_input_abs_max"]
    if limit is not None and highest is not None and limit < highest:
        reading.problem(
            (*path, "v_input_abs_max_v"),
            got=f"{trade(limit, 'voltage')} below the highest input {trade(highest, 'voltage')}",
            need="a controller that stands every input",
            fix="take another controller or limit the transient before the stage",
        )
    if values["light_load"] == LIGHT_LOAD_SKIP:
        reading.problem(
            (*path, "light_load"),
            got=f"{LIGHT_LOAD_SKIP!r}, a mode without a model here",
            need=f"{LIGHT_LOAD_FORCED!r} or {LIGHT_LOAD_EMULATION!r}",
            fix="leave pulse skipping out: losses and ripple at light load are then not judged",
        )
    drive, drop = values["v_drive_max"], source["v_min"]
    if drive is not None and drop is not None and drive > drop:
        reading.note(
            "caution",
            (*path, "v_drive_max_v"),
            f"drive {trade(drive, 'voltage')} above the lowest input {trade(drop, 'voltage')}:"
            " the drive regulator starves there unless it has another supply",
        )


def _check_frequencies(reading: Reading, path: Path, values: Values) -> None:
    frequencies = values["frequencies"]
    if frequencies is None:
        return
    if not frequencies:
        reading.problem(
            (*path, "frequencies_khz"),
            got="an empty list",
            need="at least one frequency",
            fix="write for example frequencies_khz = [300, 400]",
        )
        return
    if len(set(frequencies)) < len(frequencies):
        reading.problem(
            (*path, "frequencies_khz"), got="a frequency twice", need="each once", fix="remove one"
        )
    on, off, spread = values["time_on_min"], values["time_off_min"], values["frequency_tolerance"]
    if None in (on, off, spread):
        return
    for frequency in sorted(frequencies):
        period = 1.0 / (frequency * (1.0 + spread))
        if on + off >= period:
            reading.problem(
                (*path, "frequencies_khz"),
                got=f"{trade(frequency, 'frequency')}, at its tolerance a period of"
                f" {trade(period, 'time')}",
                need=f"more than time_on_min + time_off_min = {trade(on + off, 'time')}",
                fix="remove this and the higher frequencies",
            )
            return


def highest_output(load: Values) -> float | None:
    """The highest output the load asks for [V], None where it is not known."""
    v_output, tolerance = load["v_output"], load["v_output_tolerance"]
    if v_output is None or tolerance is None:
        return None
    band = v_output if load["demands"] else v_output * (1.0 + tolerance)
    return float(max([band, *(one.v_output for one in load["demands"])]))


def _check_overvoltage(reading: Reading, path: Path, values: Values, load: Values) -> None:
    limit, highest = values["v_overvoltage_min"], highest_output(load)
    if limit is None or highest is None:
        return
    if limit <= highest:
        reading.problem(
            (*path, "v_overvoltage_min_v"),
            got=f"an over-voltage limit of {trade(limit, 'voltage')}",
            need=f"more than the highest output {trade(highest, 'voltage')}",
            fix="raise the over-voltage limit or tighten v_output_tolerance_pct",
        )


def check_window(reading: Reading, path: Path, values: Values) -> None:
    """The held duty must leave the other leg a duty inside 0 to 1 at both edges."""
    share = values["frequency_share"]
    if share is not None and not any(math.isclose(share, known) for known in (0.5, 1.0)):
        reading.problem(
            (*path, "frequency_share_pct"),
            got=trade(share, "share"),
            need="100 (each leg switches every cycle) or 50 (the legs alternate)",
        )
        return
    if any(value is None for value in values.values()):
        return
    low = values["ratio_low"] * (1.0 - values["ratio_tolerance"])
    high = values["ratio_high"] * (1.0 + values["ratio_tolerance"])
    duty, alternate = values["duty"], share < 0.75
    if values["law"] == "output duty":
        needed = (2.0 - duty) / 2.0 if alternate else 1.0 - duty
        reached, edge, key = low > needed, "ratio_low", f"more than {needed:.4g}"
    else:
        needed = 2.0 / (1.0 + duty) if alternate else 1.0 / duty
        reached, edge, key = high < needed, "ratio_high", f"less than {needed:.4g}"
    if not reached:
        reading.problem(
            (*path, f"{edge}_pct"),
            got=f"{trade(values[edge], 'share')} with {values['law']} at {trade(duty, 'share')}",
            need=f"a ratio of {key} with its tolerance, or the other leg has no duty left",
            fix="move the edge or change duty_pct",
        )


def check_shares(reading: Reading, path: Path, shares: Sequence[float | None], what: str) -> None:
    """Shares of time that must add up to one."""
    known = [share for share in shares if share is not None]
    if len(known) < len(shares) or not shares:
        return
    total = math.fsum(known)
    if abs(total - 1.0) > SHARE_TOLERANCE:
        reading.problem(
            path,
            got=f"{what} adding up to {total * 100:.6g} %",
            need="100 % within 0.1 %",
            fix=f"{'add' if total < 1 else 'take away'} {abs(total - 1) * 100:.4g} %",
        )


def check_inputs(reading: Reading, path: Path, v_input: float | None, source: Values) -> None:
    """A named input must lie in the source's range."""
    low = _first(source["v_transient_min"], source["v_min"])
    high = _first(source["v_transient_max"], source["v_max"])
    if v_input is None or not _ordered(low, source["v_nominal"], high):
        return
    if not low <= v_input <= high:
        reading.problem(
            (*path, "v_input_v"),
            got=trade(v_input, "voltage"),
            need=f"an input of the source, {trade(low, 'voltage')} to {trade(high, 'voltage')}",
            fix="correct it or widen [source]",
        )


def check_output(reading: Reading, path: Path, v_output: float | None, load: Values) -> None:
    """A named output must lie in what the load asks for."""
    if v_output is None or load["v_output"] is None:
        return
    tolerance = 0.0 if load["demands"] else load["v_output_tolerance"]
    if tolerance is None:
        return
    named = [one.v_output for one in load["demands"]]
    low = min([load["v_output"] * (1.0 - tolerance), *named])
    high = max([load["v_output"] * (1.0 + tolerance), *named])
    if not low * (1.0 - 1e-9) <= v_output <= high * (1.0 + 1e-9):
        reading.problem(
            (*path, "v_output_v"),
            got=trade(v_output, "voltage"),
            need=f"an output of the load, {trade(low, 'voltage')} to {trade(high, 'voltage')}",
            fix="correct it or [load]",
        )


def _ordered(*values: float | None) -> bool:
    """A range that is itself in doubt judges nothing else."""
    known = [value for value in values if value is not None]
    return len(known) == len(values) and known == sorted(known)


def _first(*values: Any) -> Any:
    return next((value for value in values if value is not None), None)


def check_ambient(reading: Reading, path: Path, temp: float | None, ambient: Values) -> None:
    """A named ambient must lie in the ambient range."""
    low, high = ambient["temp_cold"], ambient["temp_hot"]
    if temp is None or not _ordered(low, ambient["temp_nominal"], high) or low <= temp <= high:
        return
    reading.problem(
        (*path, "temp_ambient_c"),
        got=trade(temp, "temperature"),
        need=f"an ambient of the spec, {trade(low, 'temperature')} to {trade(high, 'temperature')}",
        fix="correct it or widen [ambient]",
    )


def check_floors(
    reading: Reading, path: Path, floors: Sequence[Values], ceiling: float | None
) -> None:
    """Floors below one, each with its own name, and none that the loss ceiling contradicts."""
    names: set[str] = set()
    for index, floor in enumerate(floors):
        here = (*path, index)
        efficiency = floor["efficiency"]
        if efficiency is not None and efficiency >= 1.0:
            reading.problem(
                (*here, "efficiency_pct"),
                got=trade(efficiency, "share"),
                need="less than 100 %",
                fix="no stage loses nothing: lower the floor",
            )
        if floor["name"] in names:
            reading.problem(
                (*here, "name"),
                got=f"{floor['name']!r} twice",
                need="names that differ",
                fix="rename one",
            )
        names.add(floor["name"] or "")
    if ceiling is None:
        return
    for index, floor in enumerate(floors):
        efficiency = floor["efficiency"]
        if (
            floor["guaranteed"]
            and efficiency
            and efficiency < 1.0
            and ceiling < 1.0 / efficiency - 1.0
        ):
            reading.note(
                "caution",
                (*path, index),
                f"the loss ceiling of {trade(ceiling, 'share')} is tighter than this floor",
            )


PIECES_MAX = {
    "input-bank": "bank_pieces_max",
    "output-bank": "bank_pieces_max",
    "sense-resistor": "resistors_parallel_max",
}
"""Position -> rule that says how many pieces of a part it may hold; transistors have their own."""


def check_choice(reading: Reading, path: Path, values: Values, purchase: Values) -> None:
    """Wishes about parts that cannot hold together."""
    forbidden = set(values["forbid"] or ()) | set(purchase["banned"] or ())
    for index, force in enumerate(values["force"]):
        if force["part_number"] in forbidden:
            reading.problem(
                (*path, "force", index),
                got=f"{force['part_number']!r} forced and also forbidden or banned",
                need="one of the two",
                fix="remove it from one list",
            )
        _check_forced_pieces(reading, (*path, "force", index, "pieces_pcs"), force, values)
    _check_second_source(reading, values, purchase)
    both = sorted(set(purchase["approved"] or ()) & set(purchase["banned"] or ()))
    for word in both:
        reading.problem(
            ("purchase", "banned"),
            got=f"{word!r} approved and banned",
            need="one of the two",
            fix="remove one",
        )


def _check_second_source(reading: Reading, values: Values, purchase: Values) -> None:
    """What a demand for second sources cannot be asked together with."""
    wanted = set(purchase["second_source"] or ())
    every = EVERY_POSITION in wanted
    if any(force["position"] == "inductor" for force in values["force"]) and (
        every or "inductor" in wanted
    ):
        reading.problem(
            ("purchase", "second_source"),
            got="a second source for the inductor, which is also forced",
            need="one of the two",
            fix="ask `alternates` for the second source of one inductor",
        )
    for group in values["same_part"]:
        if len({name.split("-")[0] for name in group}) > 1 and (every or wanted & set(group)):
            reading.problem(
                ("purchase", "second_source"),
                got=f"{' and '.join(group)} tied by choice.same_part",
                need="ties within one half bridge",
                fix="leave these positions out or untie them",
            )


def check_charge_sense(reading: Reading, purchase: Values, load: Values) -> None:
    """A second source of the charge-current sense needs a part of it."""
    if CHARGE_SENSE in (purchase["second_source"] or ()) and not load.get("sense_part"):
        reading.problem(
            ("purchase", "second_source"),
            got=f"a second source for the {CHARGE_SENSE}, which has no part",
            need="a charger that takes it from the catalogs",
            fix='write load.sense_part = "cheapest", or leave it out',
        )


def _check_forced_pieces(reading: Reading, path: Path, force: Values, values: Values) -> None:
    """A number of pieces needs a position that may hold as many."""
    pieces, position = force["pieces"], force["position"]
    if pieces is None:
        return
    most = 1
    if position is not None and position != "inductor":
        most = values[PIECES_MAX.get(position, "transistors_parallel_max")] or 1
    if position is None or pieces > most:
        reading.problem(
            path,
            got=f"{pieces} pieces at {position or 'any position'}",
            need="a position" if position is None else f"at most {most}",
            fix="name the position" if position is None else "allow more pieces or force fewer",
        )


def check_loop(reading: Reading, values: Values) -> None:
    """A load step needs a dip, and a dip a step."""
    step, dip = values["i_step"], values["v_step"]
    if step and dip == math.inf:
        reading.problem(
            ("loop", "i_step_a"),
            got=f"a load step of {trade(step, 'current')} without the dip it may make",
            need="v_step_mv beside it",
            fix="add v_step_mv or remove the step",
        )
    if step == 0.0 and dip is not None and dip != math.inf:
        reading.problem(
            ("loop", "v_step_v"),
            got=f"a dip of {trade(dip, 'voltage')} without a load step",
            need="i_step_a beside it",
            fix="add i_step_a or remove the dip",
        )


def check_life(reading: Reading, values: Values) -> None:
    """More years than a seal lasts leave only banks that do not wear out: legal, but told."""
    years, seal = values["years"], values["years_seal"]
    if years and seal and years > seal:
        reading.note(
            "caution",
            ("life", "years"),
            f"{years:g} years are more than the {seal:g} years a seal is trusted (years_seal): only"
            " banks of ceramic, film or tantalum capacitors can pass",
        )


def check_counts(reading: Reading, mission: Sequence[Values], floors: Sequence[Values]) -> None:
    """Few enough named points."""
    if len(mission) + len(floors) > POINTS_MAX:
        reading.problem(
            ("mission",),
            got=f"{len(mission)} mission points and {len(floors)} floors",
            need=f"at most {POINTS_MAX} together",
            fix="merge points that lie close",
        )
