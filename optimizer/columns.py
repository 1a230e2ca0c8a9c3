"""The one table of catalog columns.

Reader, lint, generator, catalog README, vocabulary and the column-to-argument map all read it:
a new column is one row here. Ranges and fills are in the unit of the header. Fills are frozen
numbers at the pessimistic end and never look at other parts, so that adding a part cannot change
another, and a true value no worse than its fill cannot worsen an answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

from optimizer import fills
from optimizer.fills import CurveFill, Fill
from optimizer.units import UNITLESS, UNITS, Unit, split_suffix

KINDS = ("mosfet", "diode", "inductor", "capacitor", "resistor")
"""Kinds of catalog, one file name prefix each (mosfets*.csv, ...)."""

LIMITS = ("min", "typ", "max")
CONDITIONS = ("10v", "4v5", "300khz", "m40c", "125c")
TECHNOLOGIES = ("ceramic-2", "ceramic-1", "film", "aluminium", "polymer", "hybrid", "tantalum")
WITH_RIPPLE_RATING = ("aluminium", "polymer", "hybrid", "tantalum")


@dataclass(frozen=True, slots=True)
class Column:
    """One catalog column.

    `form`: "number", "curve", "text", "choice" or "prices". `low`, `high`: plausible range of a
    number in the unit of the header (of the x values of a curve). `need`: a row without it is
    refused (after fills); `need_for`: only for these capacitor technologies. `otherwise`: what a
    missing text means.
    """

    kind: str
    header: str
    form: str
    meaning: str
    low: float = 0.0
    high: float = 0.0
    need: bool = False
    need_for: tuple[str, ...] = ()
    fill: Fill | None = None
    curve_fill: CurveFill | None = None
    choices: tuple[str, ...] = ()
    otherwise: str = ""

    @property
    def key(self) -> str:
        """Header without its unit: the key of the column in a table."""
        if self.form == "curve":
            return split_suffix(split_suffix(self.header)[0])[0]
        if self.form in ("text", "choice") or self.header in NO_UNIT:
            return self.header
        return split_suffix(self.header)[0]

    @property
    def units(self) -> tuple[Unit, ...]:
        """Unit of the cell, (x, y) for a curve, empty for text."""
        if self.form in ("text", "choice"):
            return ()
        if self.header in NO_UNIT:
            return (UNITLESS,)
        first, last = split_suffix(self.header)
        if self.form != "curve":
            return (UNITS[last],)
        return (UNITS[split_suffix(first)[1]], UNITS[last])

    @property
    def limit(self) -> str:
        """ "min", "typ", "max" or empty."""
        words = self.key.split("_")
        return words[-1] if words[-1] in LIMITS else ""

    @property
    def condition(self) -> str:
        """Test condition in the header, for example "10v", or empty."""
        return next((word for word in self.key.split("_") if word in CONDITIONS), "")

    @property
    def argument(self) -> str:
        """Name of the quantity inside: the key without condition and limit."""
        if self.header in WHOLE:
            return self.key
        words = self.key.split("_")
        return "_".join(word for word in words if word not in (self.limit, self.condition))


NO_UNIT = ("core_loss_exponent_frequency", "core_loss_exponent_ripple")
"""Plain numbers: no suffix in the header."""

WHOLE = ("temp_min_c", "temp_max_c")
"""Quantities of their own whose name ends like a limit."""


def _number(
    header: str,
    low: float,
    high: float,
    meaning: str,
    *,
    fill: Fill | None = None,
    need: bool = False,
    need_for: tuple[str, ...] = (),
) -> Column:
    return Column("", header, "number", meaning, low, high, need=need, need_for=need_for, fill=fill)


def _text(header: str, meaning: str, *, need: bool = False, otherwise: str = "") -> Column:
    return Column("", header, "text", meaning, need=need, otherwise=otherwise)


def _choice(
    header: str, choices: tuple[str, ...], meaning: str, *, need: bool = False, otherwise: str = ""
) -> Column:
    return Column("", header, "choice", meaning, choices=choices, need=need, otherwise=otherwise)


def _of(kind: str, *columns: Column) -> tuple[Column, ...]:
    return tuple(replace(column, kind=kind) for column in columns)


STATUSES = ("active", "not-for-new", "last-time-buy", "obsolete", "unknown")
ONE = fills.constant
DOUBLINGS = 1.5 * 2.0**10
"""Reverse current of a Schottky diode at 125 degC over 25 degC where it is not given: it doubles
every 10 K, and half of that again."""
# fmt: off
COMMON = (
    _text("part_number", "order code, unique over all catalogs", need=True),
    _text("maker", "maker code"),
    _text("series", "family of the part"),
    _choice("status", STATUSES, "life-cycle state", otherwise="unknown"),
    _text("land_pattern", "name of the pads on the board"),
    _number("length_mm", 0.3, 80, "body length", need=True),
    _number("width_mm", 0.2, 80, "body width", need=True),
    _number("height_mm", 0.1, 80, "body height above the board", need=True),
    _number("temp_min_c", -75, 25, "lowest operating temperature", fill=ONE(0, unit="degC")),
    _number("temp_max_c", 40, 250, "highest operating temperature", fill=ONE(85, unit="degC")),
    _text("grade", "qualification grade"),
    Column("", "price_breaks_each", "prices", "quantity:unit price pairs", 1e-5, 1e4, need=True),
    _text("currency", "currency of the prices, three letters", need=True),
    _text("price_date", "day of the price, YYYY-MM-DD; without it the price is shown as stale"),
    _number("order_minimum_pcs", 1, 1e7, "smallest order", fill=fills.first_break()),
    _number("order_multiple_pcs", 1, 1e7, "orders are multiples of this",
        fill=fills.first_break()),
    _number("stock_pcs", 0, 1e10, "pieces in stock"),
    _number("lead_time_weeks", 0, 260, "delivery time without stock"),
    _choice("approval", ("yes", "no", "conditional", "unknown"), "approved for use in house"),
    _text("second_source_group", "parts of one group replace each other"),
    _text("data_source", "where the row came from"),
    _text("data_revision", "revision of that source"),
)

MOSFET = _of(
    "mosfet",
    _number("v_drain_source_rating_v", 12, 1200, "drain-source voltage rating", need=True),
    _number("v_gate_source_rating_v", 5, 40, "gate-source voltage rating", fill=ONE(12, unit="V")),
    _number("rds_on_10v_typ_mohm", 0.1, 5000, "on-resistance at 10 V drive, 25 degC", need=True,
        fill=fills.copy("rds_on_10v_max")),
    _number("rds_on_10v_max_mohm", 0.1, 5000, "on-resistance at 10 V drive, 25 degC", need=True,
        fill=fills.times("rds_on_10v_typ", 1.3)),
    _number("rds_on_4v5_typ_mohm", 0.1, 5000, "on-resistance at 4.5 V drive, 25 degC; without a "
        "4.5 V rating the part is not used below 8 V drive", fill=fills.copy("rds_on_4v5_max")),
    _number("rds_on_4v5_max_mohm", 0.1, 5000, "on-resistance at 4.5 V drive, 25 degC",
        fill=fills.times("rds_on_4v5_typ", 1.3)),
    _number("rds_on_tempco_typ_pct_per_k", 0.1, 1.5, "rise of the on-resistance per kelvin over 25 "
        "degC, of its 25 degC value", fill=ONE(0.8, unit="%/K")),
    _number("v_threshold_min_v", 0.3, 6, "gate threshold",
        fill=fills.times("v_threshold_typ", 0.6)),
    _number("v_threshold_typ_v", 0.3, 6, "gate threshold"),
    _number("v_threshold_max_v", 0.3, 6, "gate threshold",
        fill=fills.times("v_threshold_typ", 1.4)),
    _number("v_plateau_typ_v", 1, 9, "gate voltage while the drain swings", need=True),
    _number("q_gate_10v_typ_nc", 0.3, 2000, "gate charge to 10 V", need=True,
        fill=fills.copy("q_gate_10v_max")),
    _number("q_gate_10v_max_nc", 0.3, 2000, "gate charge to 10 V", need=True,
        fill=fills.times("q_gate_10v_typ", 1.3)),
    _number("q_gate_4v5_typ_nc", 0.2, 1000, "gate charge to 4.5 V",
        fill=fills.copy("q_gate_4v5_max")),
    _number("q_gate_4v5_max_nc", 0.2, 1000, "gate charge to 4.5 V",
        fill=fills.times("q_gate_4v5_typ", 1.3)),
    _number("q_gate_source_typ_nc", 0.1, 500, "gate charge up to the plateau", need=True,
        fill=fills.gate_source("q_gate_threshold_typ", "q_gate_drain_typ")),
    _number("q_gate_threshold_typ_nc", 0.05, 500, "gate charge up to the threshold; when filled "
        "the whole q_gate_source counts as switching charge, and the current rises as fast as the "
        "loop lets it", fill=ONE(0, unit="nC")),
    _number("q_gate_drain_typ_nc", 0.05, 500, "gate charge of the plateau", need=True),
    _number("v_gate_drain_test_v", 3, 1000, "drain voltage of that test", need=True,
        fill=fills.times("v_drain_source_rating", 0.4)),
    _number("r_gate_typ_ohm", 0.05, 50, "internal gate resistance",
        fill=fills.typical_or("r_gate_max", 2, 3)),
    _number("r_gate_max_ohm", 0.05, 50, "internal gate resistance", need=True,
        fill=fills.times("r_gate_typ", 1.5)),
    _number("q_output_typ_nc", 0.5, 3000, "output charge", need=True,
        fill=fills.copy("q_output_max")),
    _number("q_output_max_nc", 0.5, 3000, "output charge", need=True,
        fill=fills.times("q_output_typ", 1.3)),
    _number("v_output_test_v", 3, 1000, "drain voltage of that test", need=True,
        fill=fills.times("v_drain_source_rating", 0.4)),
    _number("q_recovery_typ_nc", 0.5, 3000, "recovery charge of the body diode, with the output "
        "charge as usual in data sheets", fill=fills.recovery()),
    _number("q_recovery_max_nc", 0.5, 3000, "recovery charge of the body diode", need=True,
        fill=fills.times("q_recovery_typ", 1.3)),
    _number("i_recovery_test_a", 0.5, 200, "diode current of that test", fill=ONE(10, unit="A")),
    _number("current_slope_test_a_per_us", 10, 2000, "current slope of that test", fill=ONE(100,
        unit="A/us")),
    _number("v_body_diode_typ_v", 0.3, 2, "forward voltage of the body diode",
        fill=fills.typical_or("v_body_diode_max", 1.0, 1.2)),
    _number("v_body_diode_max_v", 0.3, 2.5, "forward voltage of the body diode", need=True,
        fill=fills.times("v_body_diode_typ", 1.2)),
    _number("rth_junction_case_typ_k_per_w", 0.05, 20, "junction to case", need=True,
        fill=fills.own_or_half("rth_junction_case_max", "rth_junction_ambient_max")),
    _number("rth_junction_case_max_k_per_w", 0.05, 20, "junction to case", need=True,
        fill=fills.capped("rth_junction_case_typ", 1.3, "rth_junction_ambient_max")),
    _number("rth_junction_ambient_max_k_per_w", 5, 200, "junction to ambient on a stated board; "
        "used only where the value to the case is missing"),
    _number("temp_junction_rating_c", 100, 250, "highest junction temperature",
        fill=ONE(150, unit="degC")),
    _number("i_drain_pulse_rating_a", 1, 5000, "pulsed drain current rating"),
)

DIODE = _of(
    "diode",
    _number("v_reverse_rating_v", 8, 1200, "repetitive reverse voltage rating", need=True),
    _number("i_forward_rating_a", 0.1, 200, "average forward current rating", need=True),
    _number("i_forward_test_a", 0.1, 200, "current of the forward voltages", need=True,
        fill=fills.copy("i_forward_rating")),
    _number("v_forward_typ_v", 0.15, 1.5, "forward voltage at i_forward_test, 25 degC", need=True,
        fill=fills.copy("v_forward_max")),
    _number("v_forward_max_v", 0.15, 1.8, "forward voltage at i_forward_test, 25 degC", need=True,
        fill=fills.times("v_forward_typ", 1.15)),
    _number("v_forward_tenth_typ_v", 0.1, 1.3, "forward voltage at a tenth of i_forward_test, 25 "
        "degC", need=True),
    _number("v_forward_125c_typ_v", 0.08, 1.5, "forward voltage at i_forward_test, 125 degC",
        need=True, fill=fills.copy("v_forward_typ")),
    _number("i_reverse_typ_ma", 1e-6, 100, "reverse current at the rated voltage, 25 degC",
        need=True, fill=fills.copy("i_reverse_max")),
    _number("i_reverse_max_ma", 1e-6, 100, "reverse current at the rated voltage, 25 degC",
        need=True, fill=fills.times("i_reverse_typ", 5)),
    _number("i_reverse_125c_typ_ma", 1e-4, 2e5, "reverse current at the rated voltage, 125 degC",
        need=True, fill=fills.least("i_reverse_125c_max", "i_reverse_max", DOUBLINGS)),
    _number("i_reverse_125c_max_ma", 1e-4, 2e5, "reverse current at the rated voltage, 125 degC",
        need=True, fill=fills.times("i_reverse_max", DOUBLINGS)),
    _number("capacitance_junction_typ_pf", 1, 20000, "junction capacitance", need=True),
    _number("v_junction_test_v", 0.5, 200, "reverse voltage of that test", need=True),
    _number("rth_junction_case_typ_k_per_w", 0.05, 60, "junction to case", need=True,
        fill=fills.own_or_half("rth_junction_case_max", "rth_junction_ambient_max")),
    _number("rth_junction_case_max_k_per_w", 0.05, 60, "junction to case", need=True,
        fill=fills.capped("rth_junction_case_typ", 1.3, "rth_junction_ambient_max")),
    _number("rth_junction_ambient_max_k_per_w", 5, 300, "junction to ambient on a stated board; "
        "used only where the value to the case is missing"),
    _number("temp_junction_rating_c", 100, 200, "highest junction temperature",
        fill=ONE(125, unit="degC")),
)

INDUCTOR = _of(
    "inductor",
    _number("inductance_typ_uh", 0.05, 10000, "inductance at no current", need=True),
    _number("inductance_tolerance_pct", 1, 40, "tolerance", need=True, fill=ONE(30, unit="%")),
    _number("dcr_typ_mohm", 0.05, 10000, "winding resistance", need=True,
        fill=fills.copy("dcr_max")),
    _number("dcr_max_mohm", 0.05, 10000, "winding resistance", need=True,
        fill=fills.times("dcr_typ", 1.2)),
    _number("temp_dcr_c", 15, 30, "temperature of that resistance", fill=ONE(20, unit="degC")),
    _number("i_saturation_typ_a", 0.1, 500, "current of the stated inductance drop", need=True),
    _number("saturation_drop_pct", 5, 60, "inductance drop at i_saturation", fill=ONE(30, unit="%",
        also=("i_saturation_typ", 0.8))),
    _number("temp_saturation_c", 15, 155, "temperature of i_saturation",
        fill=ONE(25, unit="degC")),
    _number("i_rated_typ_a", 0.1, 500, "current of the stated temperature rise", need=True),
    _number("temp_rise_rated_k", 10, 80, "temperature rise at i_rated", fill=ONE(40, unit="K")),
    Column("", "inductance_bias_a_pct", "curve", "current:share of the inductance left, falling",
        0, 1000, curve_fill=fills.straight_saturation()),
    _choice("core_class", ("ferrite", "powder", "composite"), "core material", otherwise="ferrite"),
    _number("core_loss_reference_typ_mw", 0.01, 100000, "core loss at 100 kHz, 1 A p-p, triangle "
        "at duty 0.5; tagged and left missing where one of the three is not given"),
    _number("core_loss_exponent_frequency", 0.8, 3, "exponent of frequency in the core loss"),
    _number("core_loss_exponent_ripple", 1.2, 3.5, "exponent of ripple in the core loss"),
    _number("resistance_ac_300khz_typ_mohm", 0.1, 100000, "winding resistance at 300 kHz",
        need=True, fill=fills.times("dcr_typ", 50)),
    _number("v_winding_rating_v", 5, 2000, "highest voltage across the winding",
        fill=ONE(40, unit="V")),
    _number("temp_part_rating_c", 60, 250, "highest part temperature with own heat",
        fill=ONE(105, unit="degC")),
    _number("coupling_typ_pct", 50, 99.9, "two equal windings on one core: how far they are "
        "coupled; currents are then those of both windings at once, everything else is of one; "
        "empty: one winding"),
    _number("frequency_resonance_min_mhz", 0.1, 1000, "self-resonance"),
    _choice("shielded", ("yes", "no"), "magnetically shielded", otherwise="no"),
)

BY_TECHNOLOGY = fills.by_technology
CAPACITOR = _of(
    "capacitor",
    _choice("technology", TECHNOLOGIES, "technology", need=True),
    _number("capacitance_typ_uf", 0.01, 100000, "capacitance at no bias", need=True),
    _number("capacitance_tolerance_pct", 0.5, 80, "tolerance", need=True, fill=ONE(20, unit="%")),
    _number("v_rating_v", 2, 2000, "rated d.c. voltage", need=True),
    Column("", "capacitance_bias_pct_pct", "curve", "share of rated voltage:share of the "
        "capacitance left, falling", 0, 100, curve_fill=fills.bias_of_ceramic()),
    _number("capacitance_temp_drop_pct", 0, 90, "worst loss of capacitance over temperature",
        fill=BY_TECHNOLOGY({"ceramic-2": 33, "ceramic-1": 1, "film": 6, "aluminium": 40,
        "polymer": 25, "hybrid": 30, "tantalum": 20})),
    _number("capacitance_ageing_pct_per_decade", 0, 15, "loss per decade of hours",
        fill=BY_TECHNOLOGY({"ceramic-2": 7} | dict.fromkeys(TECHNOLOGIES[1:], 0))),
    _number("esr_typ_mohm", 0.1, 50000, "series resistance at 100 kHz, 20 degC", need=True,
        fill=fills.typical_by_technology("esr_max", {"ceramic-2": 10, "ceramic-1": 10, "film": 10},
        1.5)),
    _number("esr_max_mohm", 0.1, 50000, "series resistance at 100 kHz, 20 degC", need=True,
        fill=fills.times("esr_typ", 1.5)),
    _number("esr_m40c_max_mohm", 0.1, 1e6, "series resistance at -40 degC",
        fill=BY_TECHNOLOGY({"aluminium": 15, "polymer": 2, "hybrid": 2, "tantalum": 2, "film": 1,
        "ceramic-1": 1, "ceramic-2": 1}, scale="esr_max")),
    _number("esl_typ_nh", 0.05, 100, "series inductance", fill=BY_TECHNOLOGY({"ceramic-2": 1.5,
        "ceramic-1": 1.5, "film": 20, "aluminium": 20, "polymer": 10, "hybrid": 10,
        "tantalum": 5})),
    _number("i_ripple_rating_a", 0.01, 200, "ripple current at frequency_ripple, temp_ripple",
        need_for=WITH_RIPPLE_RATING),
    _number("temp_ripple_c", 40, 155, "temperature of that rating",
        fill=BY_TECHNOLOGY(dict.fromkeys(WITH_RIPPLE_RATING, 85))),
    _number("frequency_ripple_khz", 0.05, 1000, "frequency of that rating",
        fill=BY_TECHNOLOGY(dict.fromkeys(WITH_RIPPLE_RATING, 100))),
    _number("temp_rise_ripple_k", 1, 60, "core rise at the rated ripple current",
        fill=BY_TECHNOLOGY({"aluminium": 10, "polymer": 20, "hybrid": 20, "tantalum": 20})),
    _number("self_heating_k_per_a2", 0.001, 50, "temperature rise per square of rms current",
        fill=BY_TECHNOLOGY({"ceramic-2": 5, "ceramic-1": 5, "film": 5})),
    _number("life_rating_h", 200, 1e6, "life at temp_ripple and rated ripple current",
        need_for=("aluminium",), fill=BY_TECHNOLOGY({"polymer": 1000, "hybrid": 1000,
        "tantalum": 1000})),
    _number("temp_part_rating_c", 60, 250, "highest part temperature", fill=ONE(85, unit="degC")),
    _number("i_leakage_max_ua", 0.0001, 1e5, "leakage at rated voltage, 20 degC"),
)

RESISTOR = _of(
    "resistor",
    _number("resistance_typ_mohm", 0.05, 1e6, "resistance", need=True),
    _number("resistance_tolerance_pct", 0.01, 10, "tolerance", need=True, fill=ONE(5, unit="%")),
    _number("resistance_tempco_ppm_per_k", -2000, 2000, "temperature coefficient of the mounted "
        "part, either sign", fill=fills.step("resistance_typ", 5, 400, 200)),
    _number("power_rating_w", 0.02, 100, "power up to temp_power_derating", need=True),
    _number("temp_power_derating_c", 40, 200, "full power up to this temperature",
        fill=ONE(70, unit="degC")),
    _number("temp_part_rating_c", 60, 300, "highest part temperature, no power left",
        fill=ONE(125, unit="degC")),
    _number("esl_typ_nh", 0.01, 50, "series inductance", fill=fills.terminal_inductance()),
    _number("terminals_pcs", 2, 4, "terminals; four means separate sense contacts",
        fill=ONE(2, unit="pieces")),
    _number("resistance_drift_pct", 0.01, 10, "drift over life", need=True, fill=ONE(2, unit="%")),
)

# fmt: on

TABLE: tuple[Column, ...] = (
    *(column for kind in KINDS for column in _of(kind, *COMMON)),
    *MOSFET,
    *DIODE,
    *INDUCTOR,
    *CAPACITOR,
    *RESISTOR,
)
"""Every column of every kind."""


@dataclass(frozen=True, slots=True)
class Order:
    """Within a row `small` must not exceed `large` (nor equal it if `strict`); same unit."""

    small: str
    large: str
    strict: bool = False


ORDERS: dict[str, tuple[Order, ...]] = {
    "mosfet": (
        Order("rds_on_10v_typ", "rds_on_4v5_typ"),
        Order("rds_on_10v_max", "rds_on_4v5_max"),
        Order("q_gate_4v5_typ", "q_gate_10v_typ"),
        Order("q_gate_4v5_max", "q_gate_10v_max"),
        Order("q_gate_drain_typ", "q_gate_10v_typ", strict=True),
        Order("q_gate_source_typ", "q_gate_10v_typ", strict=True),
        Order("q_gate_threshold_typ", "q_gate_source_typ"),
        Order("v_threshold_typ", "v_plateau_typ"),
        Order("v_gate_drain_test", "v_drain_source_rating"),
        Order("v_output_test", "v_drain_source_rating"),
        Order("rth_junction_case_max", "rth_junction_ambient_max", strict=True),
    ),
    "diode": (
        Order("v_forward_tenth_typ", "v_forward_typ", strict=True),
        Order("v_forward_125c_typ", "v_forward_typ"),
        Order("i_reverse_typ", "i_reverse_125c_typ", strict=True),
        Order("i_reverse_max", "i_reverse_125c_max", strict=True),
        Order("v_junction_test", "v_reverse_rating"),
        Order("rth_junction_case_max", "rth_junction_ambient_max", strict=True),
    ),
    "capacitor": (Order("esr_max", "esr_m40c_max"),),
    "resistor": (Order("temp_power_derating", "temp_part_rating", strict=True),),
    "inductor": (Order("dcr_typ", "resistance_ac_300khz_typ"),),
}
"""Order rules besides min <= typ <= max, which hold for every quantity, and temp_min < temp_max."""


@dataclass(frozen=True, slots=True)
class Figure:
    """Product of columns that hardly varies within a class; lint looks for outliers x5."""

    name: str
    powers: tuple[tuple[str, float], ...]
    class_of: str


FIGURES: dict[str, tuple[Figure, ...]] = {
    "mosfet": (
        Figure(
            "rds_on x q_gate",
            (("rds_on_10v_typ", 1), ("q_gate_10v_typ", 1)),
            "v_drain_source_rating",
        ),
        Figure(
            "rds_on x q_output",
            (("rds_on_10v_typ", 1), ("q_output_typ", 1)),
            "v_drain_source_rating",
        ),
    ),
    "diode": (
        Figure(
            "capacitance per current",
            (("capacitance_junction_typ", 1), ("i_forward_rating", -1)),
            "v_reverse_rating",
        ),
    ),
    "inductor": (
        Figure(
            "energy per volume",
            (
                ("inductance_typ", 1),
                ("i_saturation_typ", 2),
                ("length", -1),
                ("width", -1),
                ("height", -1),
            ),
            "core_class",
        ),
    ),
    "capacitor": (),
    "resistor": (),
}
COMPLETE: dict[str, tuple[tuple[str, ...], ...]] = {
    "inductor": (
        ("core_loss_reference_typ", "core_loss_exponent_frequency", "core_loss_exponent_ripple"),
    ),
}
"""Numbers that only mean something together: one missing, all missing, the first one tagged."""

OUTLIER = 5.0
"""A figure this many times above or below the median of its class is suspicious."""


@cache
def columns_of(kind: str) -> tuple[Column, ...]:
    """Columns of one kind, common ones first."""
    return tuple(column for column in TABLE if column.kind == kind)


@cache
def column(kind: str, name: str) -> Column:
    """One column by header or by key."""
    return next(item for item in columns_of(kind) if name in (item.header, item.key))


@cache
def orders_of(kind: str) -> tuple[Order, ...]:
    """Every order rule of one kind, min <= typ <= max included."""
    keys = {item.key for item in columns_of(kind) if item.form == "number"}
    rules = [Order("temp_min", "temp_max", strict=True)]
    for key in sorted(keys):
        stem, _, limit = key.rpartition("_")
        pairs = {"min": ("typ", "max"), "typ": ("max",)}.get(limit if stem != "temp" else "", ())
        rules += [Order(key, f"{stem}_{other}") for other in pairs if f"{stem}_{other}" in keys]
    return (*rules, *ORDERS[kind])


def vocabulary(kind: str, *, common: bool = True) -> str:
    """Markdown table of the columns of one kind, for the catalog README and DEVELOPERS.md."""
    lines = [
        "| header | unit | plausible | if missing | argument | meaning |",
        "|---|---|---|---|---|---|",
    ]
    shared = {item.header for item in COMMON}
    for item in columns_of(kind):
        if common or item.header not in shared:
            lines.append(_vocabulary_line(item))
    return "\n".join(lines) + "\n"


def _vocabulary_line(item: Column) -> str:
    unit = " : ".join(unit.label for unit in item.units) or "text"
    plausible = ", ".join(item.choices)
    if item.form in ("number", "prices"):
        plausible = f"{item.low:g} to {item.high:g}"
    argument = item.argument if item.form in ("number", "curve") else ""
    cells = (f"`{item.header}`", unit, plausible, when_missing(item), argument, item.meaning)
    return "| " + " | ".join(cells) + " |"


def when_missing(item: Column) -> str:
    """What happens to a row without this cell, in words."""
    rule = item.fill or item.curve_fill
    parts = [rule.text] if rule else []
    if item.need_for:
        parts.append("row refused (" + ", ".join(item.need_for) + ")")
    elif item.need:
        parts.append("row refused")
    if item.otherwise:
        parts.append(item.otherwise)
    return "; else ".join(parts) if parts else "left empty"
