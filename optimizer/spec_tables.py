"""Every key of the spec file, once: name, unit, plausible range, what stands in, and why.

The reader, the echo and the messages all work from these tables: a new key is one row here and
one field in `spec_records`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from optimizer.spec_records import (
    CHARGE_SENSE,
    EVERY_POSITION,
    LIGHT_LOAD_EMULATION,
    LIGHT_LOAD_FORCED,
    LIGHT_LOAD_SKIP,
    OBJECTIVE_MISSION,
    OBJECTIVE_WORST,
    PART_KINDS,
    POSITIONS,
    STATES,
    TECHNOLOGIES,
    TOPOLOGIES,
    TRANSISTOR_POSITIONS,
)
from optimizer.units import factor

FAMILIES: dict[str, dict[str, float]] = {
    family: {suffix: factor(suffix) for suffix in suffixes.split()}
    for family, suffixes in {
        "voltage": "v mv",
        "current": "a ma ua",
        "resistance": "ohm mohm kohm",
        "inductance": "uh nh",
        "time": "s ms us ns",
        "frequency": "khz mhz hz",
        "length": "mm",
        "area": "mm2",
        "power": "w mw",
        "temperature": "c",
        "difference": "k",
        "heat path": "k_per_w",
        "share": "pct",
        "relative slope": "pct_per_k",
        "voltage slope": "mv_per_k",
        "duration": "h",
        "small slope": "ppm_per_k",
        "ramp": "mv_per_us",
        "money": "each",
        "count": "pcs",
    }.items()
} | {"number": {"": 1.0}}
"""Family of a quantity -> the suffixes its key may carry -> SI factor."""

REQUIRED = object()
FROM_OTHERS = object()
"""Default that another key gives; `spec` fills it in and notes it."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key: `name` is the field of the record, `unit` the usual suffix ("" for none).

    family : a unit family, or "text", "flag"; low, high : plausible range [SI]
    default : [SI], REQUIRED or FROM_OTHERS; `why` is printed with a default that stood in
    choices : allowed texts; many : the value is a list; several : it is one value or a list
    """

    name: str
    family: str
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    default: Any = REQUIRED
    why: str = ""
    choices: tuple[str, ...] = ()
    many: bool = False
    several: bool = False

    @property
    def spelling(self) -> str:
        """The key as usually written in the file."""
        return self.spelled(self.unit)

    def spelled(self, unit: str) -> str:
        """The key with another suffix; a name that already ends in its unit stays as it is."""
        return f"{self.name}_{unit}" if unit and not self.name.endswith(f"_{unit}") else self.name

    def spellings(self) -> dict[str, float]:
        """Every way to write the key, with the SI factor of each."""
        units = FAMILIES.get(self.family)
        if units is None:
            return {self.name: 1.0}
        return {self.spelled(unit): factor for unit, factor in units.items()}


def volts(name: str, low: float, high: float, **rest: Any) -> Key:
    """A voltage key."""
    return Key(name, "voltage", "v", low, high, **rest)


def share(name: str, low: float, high: float, **rest: Any) -> Key:
    """A share key, written in percent."""
    return Key(name, "share", "pct", low, high, **rest)


def seconds(name: str, unit: str, low: float, high: float, **rest: Any) -> Key:
    """A time key."""
    return Key(name, "time", unit, low, high, **rest)


def celsius(name: str, low: float, high: float, **rest: Any) -> Key:
    """A temperature key."""
    return Key(name, "temperature", "c", low, high, **rest)


def count(name: str, low: int, high: int, **rest: Any) -> Key:
    """A count key."""
    return Key(name, "count", "pcs", low, high, **rest)


def money(name: str, high: float, **rest: Any) -> Key:
    """A key in the currency of the run."""
    return Key(name, "money", "each", 0.0, high, **rest)


TOP = (
    Key("name", "text", default=FROM_OTHERS),
    Key("topologies", "text", choices=TOPOLOGIES, many=True, default=FROM_OTHERS),
    Key("catalogs", "text", many=True, default=FROM_OTHERS),
)

SOURCE = (
    Key("kind", "text", choices=("range", "solar", "battery", "vehicle"), default=FROM_OTHERS),
    volts("v_min", 2.0, 150.0),
    volts("v_nominal", 2.0, 150.0),
    volts("v_max", 2.0, 150.0),
    volts("v_transient_min", 2.0, 200.0, default=FROM_OTHERS),
    volts("v_transient_max", 2.0, 200.0, default=FROM_OTHERS),
    seconds("time_transient", "s", 1e-6, 1e5, default=FROM_OTHERS),
    Key("resistance", "resistance", "mohm", 0.0, 10.0, 0.0, "the source is taken as stiff"),
    Key("inductance", "inductance", "uh", 0.0, 1e-3, 0.0, "the input bank carries all ripple"),
)

LOAD = (
    Key("kind", "text", choices=("rail", "led-string", "lead-acid", "lithium")),
    volts("v_output", 0.5, 150.0),
    share("v_output_tolerance", 0.0, 0.2, default=0.02, why="a common regulation band"),
    Key("i_output", "current", "a", 0.02, 100.0),
)

AMBIENT = (
    celsius("temp_cold", -60.0, 60.0),
    celsius("temp_nominal", -40.0, 90.0, default=25.0, why="room temperature"),
    celsius("temp_hot", -20.0, 130.0),
)

BOARD = (
    Key("board_k_per_w", "heat path", "k_per_w", 0.1, 60.0, 6.0, "a mid-size four-layer board"),
    Key("resistance", "resistance", "mohm", 0.0, 0.1, 1.5e-3, "copper and connectors"),
    Key("inductance_loop", "inductance", "nh", 1e-10, 1e-7, 5e-9, "a tight hot loop"),
    share("sharing", 1.0, 2.0, default=1.15, why="hottest of parallel transistors"),
    share("ringing_share", 0.0, 1.0, default=0.2, why="measure it on the board"),
)

CONTROLLER = (
    Key("frequencies", "frequency", "khz", 2e4, 3e6, many=True),
    share("frequency_tolerance", 0.0, 0.3),
    volts("v_drive_min", 2.5, 20.0),
    volts("v_drive_typ", 2.5, 20.0),
    volts("v_drive_max", 2.5, 20.0),
    Key("r_driver_source", "resistance", "ohm", 0.05, 50.0),
    Key("r_driver_sink", "resistance", "ohm", 0.05, 50.0),
    Key("r_gate_external", "resistance", "ohm", 0.0, 100.0, 0.0, "no gate resistor"),
    seconds("time_dead_on", "ns", 0.0, 5e-7),
    seconds("time_dead_off", "ns", 0.0, 5e-7),
    seconds("time_on_min", "ns", 5e-9, 2e-6),
    seconds("time_off_min", "ns", 5e-9, 2e-6),
    volts("v_sense_min", 2e-3, 1.0),
    volts("v_sense_typ", 2e-3, 1.0),
    volts("v_sense_max", 2e-3, 1.0),
    seconds("time_sense_delay_max", "ns", 0.0, 5e-6),
    volts("v_reference", 0.2, 10.0, default=None, why="dividers of the output are not chosen"),
    share("v_reference_tolerance", 0.0, 0.1, default=0.015, why="a common reference"),
    volts("v_overvoltage_min", 0.5, 200.0),
    volts("v_overvoltage_typ", 0.5, 200.0),
    volts("v_overvoltage_max", 0.5, 200.0),
    Key("i_quiescent", "current", "ma", 0.0, 0.1),
    Key("i_drive_limit", "current", "ma", 1e-3, 1.0),
    Key("loss_drive_limit", "power", "w", 0.01, 5.0),
    money("cost_each", 1e3),
    volts("v_input_abs_max", 3.0, 300.0, default=math.inf, why="not checked"),
    Key(
        "light_load",
        "text",
        choices=(LIGHT_LOAD_FORCED, LIGHT_LOAD_EMULATION, LIGHT_LOAD_SKIP),
        default=LIGHT_LOAD_FORCED,
        why="the current may reverse",
    ),
)

SYNCHRONOUS_ONLY = ("time_dead_on", "time_dead_off", "light_load")
"""Keys of a controller that mean nothing beside a diode."""

CONTROLLER_DIODE = tuple(key for key in CONTROLLER if key.name not in SYNCHRONOUS_ONLY)

WINDOW = (
    share("ratio_low", 0.4, 1.0),
    share("ratio_high", 1.0, 2.5),
    share("ratio_tolerance", 0.0, 0.1),
    Key("law", "text", choices=("output duty", "input duty")),
    share("duty", 0.02, 0.98),
    Key("pulse", "text", choices=("start", "centre")),
    share("frequency_share", 0.5, 1.0),
)

LIMITS = (
    volts("v_ripple_input", 1e-3, 20.0, default=FROM_OTHERS),
    volts("v_ripple_output", 1e-3, 10.0, default=FROM_OTHERS),
    volts("v_ripple_coupling", 1e-3, 20.0, default=math.inf, why="what its model allows"),
    share("ripple_ratio_max", 0.05, 2.0, default=0.8, why="the models hold below it"),
    *(
        celsius(f"temp_{kind}_max", 40.0, 250.0, default=None, why="the derating policy rules")
        for kind in PART_KINDS
    ),
    Key("rise_hottest", "difference", "k", 1.0, 200.0, math.inf, "no limit"),
    Key("height_max", "length", "mm", 5e-4, 0.2, math.inf, "no limit"),
    Key("area_max", "area", "mm2", 2e-5, 0.1, math.inf, "no limit"),
    share("thermal_gain_max", 0.01, 0.95, default=0.4, why="far from runaway"),
    share("loss_ceiling", 0.005, 0.5, default=FROM_OTHERS),
    share("saturation_drop_max", 0.02, 0.7, default=0.3, why="inductance lost at the limit"),
)

FLOOR = (
    Key("name", "text"),
    volts("v_input", 2.0, 200.0),
    share("load_share", 0.01, 1.0, default=1.0, why="full load"),
    share("efficiency", 0.3, 1.0),
    Key("guaranteed", "flag", default=False, why="typical values"),
    celsius("temp_ambient", -60.0, 130.0, default=FROM_OTHERS),
)

POLICY = (Key("derating", "text", default="commercial", why="the shipped commercial rules"),)

FAULTS = (
    Key("hot_plug", "flag", default=True, why="the input may be plugged in live"),
    Key("inductance_cable", "inductance", "uh", 1e-8, 1e-3, 2e-6, "about two metres of cable"),
    Key("resistance_cable", "resistance", "mohm", 0.0, 10.0, 0.05, "cable, contact and source"),
    volts("v_short", 0.0, 5.0, default=0.1, why="left at a shorted output by its cable"),
    Key(
        "short_response",
        "text",
        choices=("none", "fold-back", "hiccup"),
        default="none",
        why="the limit alone",
    ),
    share("frequency_fold", 0.001, 1.0, default=0.1, why="of the switching frequency, if folded"),
    seconds("time_overvoltage", "us", 0.0, 1e-3, default=2e-6, why="threshold to switched off"),
    Key("resistance_bleed", "resistance", "kohm", 1.0, 1e7, 1e5, "the feedback divider alone"),
)

SET_POINTS = (
    Key(
        "series", "text", choices=("E12", "E24", "E48", "E96", "E192"), default="E96", why="common"
    ),
    share("resistor_tolerance", 0.0, 0.1, default=0.01, why="common"),
    Key("resistor_tempco", "small slope", "ppm_per_k", 0.0, 1e-3, 1e-4, "common"),
    Key("resistance_total_min", "resistance", "kohm", 1e2, 1e7, 2e4, "little current wasted"),
    Key("resistance_total_max", "resistance", "kohm", 1e2, 1e7, 5e5, "bias current and humidity"),
    Key("i_bias_max", "current", "ua", 0.0, 1e-4, 5e-8, "of the feedback input, either way"),
    volts("v_lockout_reference", 0.1, 10.0, default=1.2, why="a common enable input"),
    share("v_lockout_tolerance", 0.0, 0.2, default=0.03, why="a common enable input"),
)

LOOP = (
    Key("i_step", "current", "a", 0.0, 100.0, 0.0, "no load step asked"),
    volts("v_step", 1e-3, 20.0, default=math.inf, why="any dip"),
    share("share_zero", 0.01, 1.0, default=0.25, why="of the right-half-plane zero, for phase"),
    share("share_switching", 0.01, 0.5, default=0.125, why="of the switching frequency"),
    Key("frequency_cross_min", "frequency", "khz", 0.0, 1e6, 0.0, "any crossover"),
    volts("v_sense_ripple_min", 0.0, 0.5, default=0.0, why="no ripple asked at the sense pins"),
    Key("slope_compensation", "ramp", "mv_per_us", 0.0, 1e7, math.inf, "enough in the controller"),
)

LIFE = (
    Key("years", "number", "", 0.0, 60.0, 0.0, "no life asked"),
    share("service_share", 0.001, 1.0, default=1.0, why="in service all the time"),
    Key("years_seal", "number", "", 1.0, 60.0, 15.0, "seals age whatever the temperature"),
    Key(
        "environment",
        "text",
        choices=("benign", "fixed", "mobile"),
        default="fixed",
        why="for the failure rate",
    ),
)

PURCHASE = (
    count("boards", 1, 10_000_000),
    share("scrap_share", 0.0, 0.5, default=0.0, why="no spare parts bought"),
    money("placement_each", 10.0),
    money("line_item_each", 1e5),
    Key("currency", "text", default="EUR", why="the currency of the shipped catalogs"),
    Key("approved", "text", many=True, default=(), why="every maker and part is allowed"),
    Key("banned", "text", many=True, default=(), why="nothing is banned"),
    Key(
        "banned_technologies",
        "text",
        choices=TECHNOLOGIES,
        many=True,
        default=(),
        why="every capacitor technology is allowed",
    ),
    Key(
        "conditional_allowed", "flag", default=True, why="conditionally approved parts may be used"
    ),
    Key(
        "states_allowed",
        "text",
        choices=STATES,
        many=True,
        default=("active", "unknown"),
        why="parts not for new designs are out",
    ),
    Key(
        "second_source",
        "text",
        choices=(*POSITIONS, CHARGE_SENSE, EVERY_POSITION),
        many=True,
        default=(),
        why="no place needs a second source",
    ),
)

EXCHANGE_RATE = (
    Key("currency", "text"),
    money("rate", 1e6),
    Key("date", "text"),
)

MISSION_ROW = (
    Key("name", "text", default=FROM_OTHERS),
    volts("v_input", 2.0, 200.0),
    share("load_share", 0.0, 1.0),
    celsius("temp_ambient", -60.0, 130.0, default=FROM_OTHERS),
    share("share", 0.0, 1.0),
    volts("v_output", 0.5, 200.0, default=FROM_OTHERS),
    Key("phase", "text", default=FROM_OTHERS),
)
MISSION_PHASE = (
    Key("name", "text"),
    Key("time", "duration", "h", 0.0, 3.6e8),
    share("load_share", 0.0, 1.0),
    volts("v_output", 0.5, 200.0, default=FROM_OTHERS),
)
MISSION_INPUT = (MISSION_ROW[1], MISSION_ROW[4])
MISSION_LOAD = (MISSION_ROW[2], MISSION_ROW[4])
MISSION_AMBIENT = (celsius("temp_ambient", -60.0, 130.0), MISSION_ROW[4])

CHOICE = (
    Key(
        "objective",
        "text",
        choices=(OBJECTIVE_MISSION, OBJECTIVE_WORST),
        default=OBJECTIVE_MISSION,
        why="cost against mission-weighted loss",
    ),
    count("transistors_parallel_max", 1, 4, default=2, why="common practice"),
    count("bank_pieces_max", 1, 40, default=8, why="common practice"),
    count("bank_types_max", 1, 2, default=2, why="a ceramic and a bulk type"),
    count("resistors_parallel_max", 1, 6, default=3, why="common practice"),
    Key("forbid", "text", many=True, default=(), why="nothing is forbidden"),
    count("part_numbers_max", 1, 60, default=None, why="no limit on distinct parts"),
    Key("force_any_state", "flag", default=False, why="a forced part obeys the life-cycle rule"),
)

FORCE = (
    Key("part_number", "text"),
    Key("position", "text", choices=POSITIONS, default=None, why="anywhere"),
    Key("pieces", "count", "pcs", 1, 99, default=None, why="any number"),
)

SAME_PART_POSITIONS = TRANSISTOR_POSITIONS

SECTIONS = (
    "source",
    "load",
    "ambient",
    "board",
    "controllers",
    "limits",
    "faults",
    "set_points",
    "loop",
    "life",
    "policy",
    "purchase",
    "mission",
    "choice",
)
REQUIRED_SECTIONS = ("source", "load", "ambient", "controllers", "purchase")

ORDERS: dict[str, tuple[tuple[str, ...], ...]] = {
    "source": (
        ("v_min", "v_nominal", "v_max"),
        ("v_transient_min", "v_min"),
        ("v_max", "v_transient_max"),
    ),
    "ambient": (("temp_cold", "temp_nominal", "temp_hot"),),
    "controllers": (
        ("v_drive_min", "v_drive_typ", "v_drive_max"),
        ("v_sense_min", "v_sense_typ", "v_sense_max"),
        ("v_overvoltage_min", "v_overvoltage_typ", "v_overvoltage_max"),
        ("v_reference", "v_overvoltage_min"),
    ),
    "window": (("ratio_low", "ratio_high"),),
}
"""Keys that must not fall, in this order."""
