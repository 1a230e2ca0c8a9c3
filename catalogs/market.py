"""Constants of the invented market: classes, sizes, generations and makers.

Orders of magnitude are common practice of the trade (no source); every maker is invented.
All numbers are in the unit the name says; prices are each at 1,000 pieces.
"""

from __future__ import annotations

from typing import NamedTuple

ROWS = {
    "mosfets": 840,
    "diodes": 180,
    "inductors": 880,
    "inductors_coupled": 320,
    "capacitors": 1260,
    "resistors": 220,
}
"""Rows of each file at scale 1."""

FLAW_SHARE = 0.05
SECOND_SOURCE_SHARE = 1 / 3
CURRENCY = "EUR"

STATUS = {
    "active": 0.75,
    "not-for-new": 0.08,
    "last-time-buy": 0.025,
    "obsolete": 0.02,
    "unknown": 0.06,
    "": 0.065,
}
GRADE = {"commercial": 0.15, "industrial": 0.55, "automotive": 0.3}
APPROVAL = {"yes": 0.76, "conditional": 0.13, "no": 0.03, "": 0.08}

QUANTITIES = ((1, 2.05), (10, 1.65), (100, 1.3), (1000, 1.0), (5000, 0.88), (20000, 0.81))
"""Price breaks: quantity and price relative to the price at 1,000."""


class Maker(NamedTuple):
    """An invented maker: its price level, the losses of its parts, and a leaning of its own."""

    name: str
    price: float
    quality: float
    leaning: float


MOSFET_MAKERS = (
    Maker("Ulvoq", 1.16, 0.93, 0.85),
    Maker("Brimzel", 1.08, 0.97, 1.10),
    Maker("Noquat", 0.86, 1.08, 1.05),
    Maker("Zirvup", 1.00, 1.00, 0.92),
    Maker("Pellkwa", 0.94, 1.03, 1.18),
    Maker("Hadruk", 1.05, 0.98, 0.95),
    Maker("Quorbi", 0.82, 1.12, 1.00),
    Maker("Yestup", 1.12, 0.95, 1.22),
    Maker("Fimdol", 0.97, 1.02, 0.88),
)
"""Leaning: share of the gate charge under the drain, against output charge (low = lean gate)."""

DIODE_MAKERS = (
    Maker("Plonqua", 1.10, 0.95, 0.4),
    Maker("Vekdru", 0.90, 1.06, 0.7),
    Maker("Ozzimp", 1.00, 1.00, 0.5),
    Maker("Grubvex", 0.86, 1.10, 0.6),
    Maker("Thulqip", 1.06, 0.97, 0.3),
    Maker("Swazbo", 0.95, 1.02, 0.5),
    Maker("Kewbrol", 1.14, 0.93, 0.6),
    Maker("Dromzat", 0.93, 1.04, 0.4),
    Maker("Yulpik", 0.98, 1.01, 0.7),
)
"""Leaning: share of low barriers against high ones."""


class DiodeClass(NamedTuple):
    """A voltage class of Schottky diodes.

    v_knee : forward voltage of the junction alone at a tenth of the rated current [V]
    resistance_area_mohm_mm2 : of the layer that blocks; price_per_mm2 : of the die
    """

    volts: int
    share: float
    v_knee: float
    resistance_area_mohm_mm2: float
    price_per_mm2: float


DIODE_CLASSES = (
    DiodeClass(40, 0.24, 0.36, 36.0, 0.030),
    DiodeClass(60, 0.30, 0.42, 60.0, 0.032),
    DiodeClass(100, 0.32, 0.50, 82.0, 0.036),
    DiodeClass(150, 0.14, 0.58, 120.0, 0.042),
)


class Barrier(NamedTuple):
    """A barrier metal: its forward voltage against that of the class, and what it leaks.

    i_reverse_125c_ma_per_mm2 : at the rated voltage
    """

    name: str
    v_knee: float
    i_reverse_125c_ma_per_mm2: float


BARRIERS = (Barrier("L", -0.05, 4.5), Barrier("M", 0.0, 1.4), Barrier("H", 0.06, 0.35))


class DiodePackage(NamedTuple):
    """A package of diodes: die area it takes, body, heat path, price at 1,000 pieces."""

    land_pattern: str
    size_mm: tuple[float, float, float]
    area_min_mm2: float
    area_max_mm2: float
    rth_case: float
    rth_ambient: float
    price: float
    share: float


DIODE_PACKAGES = (
    DiodePackage("power-3x3", (3.3, 3.3, 1.0), 1.2, 3.0, 4.0, 60.0, 0.11, 0.30),
    DiodePackage("power-5x6", (5.2, 6.2, 1.1), 2.5, 7.0, 1.8, 45.0, 0.15, 0.45),
    DiodePackage("power-8x8", (8.0, 8.0, 1.8), 5.0, 12.0, 1.2, 38.0, 0.24, 0.25),
)


INDUCTOR_MAKERS = (
    Maker("Jorvek", 1.15, 0.93, 0.5),
    Maker("Sklimm", 0.88, 1.08, 0.7),
    Maker("Oozrat", 1.00, 1.00, 0.3),
    Maker("Wubdek", 0.92, 1.04, 0.2),
    Maker("Tarquop", 1.10, 0.95, 0.8),
    Maker("Egluff", 0.84, 1.12, 0.5),
    Maker("Mipzon", 1.05, 0.98, 0.4),
    Maker("Drovuk", 0.96, 1.01, 0.6),
    Maker("Lumqua", 1.20, 0.91, 0.3),
)
"""Leaning: share of composite and powder cores against ferrite."""

CAPACITOR_MAKERS = (
    Maker("Fovrix", 1.12, 0.92, 1.05),
    Maker("Bezquil", 0.90, 1.07, 0.95),
    Maker("Gwelp", 1.00, 1.00, 1.00),
    Maker("Snarbo", 0.85, 1.12, 0.92),
    Maker("Izvock", 1.07, 0.96, 1.08),
    Maker("Ruggim", 0.95, 1.03, 0.97),
    Maker("Cawtup", 1.18, 0.90, 1.02),
    Maker("Hebzun", 0.98, 1.01, 1.04),
    Maker("Tizzwol", 0.92, 1.05, 0.96),
)
"""Leaning: how well the capacitance holds (bias, life)."""

RESISTOR_MAKERS = (
    Maker("Yarnok", 1.14, 0.92, 1.0),
    Maker("Kivbel", 0.90, 1.08, 1.0),
    Maker("Dostiq", 1.00, 1.00, 1.0),
    Maker("Umprell", 0.86, 1.12, 1.0),
    Maker("Wazgor", 1.06, 0.97, 1.0),
    Maker("Flenqui", 0.95, 1.03, 1.0),
    Maker("Obrudd", 1.20, 0.90, 1.0),
    Maker("Zeplim", 0.98, 1.01, 1.0),
    Maker("Jubskan", 0.93, 1.04, 1.0),
)


# --- transistors --------------------------------------------------------------------------------


class VoltageClass(NamedTuple):
    """A MOSFET voltage class, generation C, standard level.

    `share` of rows, `resistance_area` of the die, `product_gate` = rds x Qg(10 V) and
    `product_output` = rds x Qoss at half the rating, `channel` share of rds at 10 V,
    `logic` share of parts rated at 4.5 V, price of a square millimetre of die,
    die areas offered in the 5x6 mm package.
    """

    volts: int
    share: float
    resistance_area_mohm_mm2: float
    product_gate_mohm_nc: float
    product_output_mohm_nc: float
    channel: float
    logic: float
    price_per_mm2: float
    area_min_mm2: float
    area_max_mm2: float
    tempco_pct_per_k: float


VOLTAGE_CLASSES = (
    VoltageClass(30, 0.10, 5.6, 37, 47, 0.25, 0.95, 0.036, 1.2, 12, 0.50),
    VoltageClass(40, 0.19, 7.6, 52, 72, 0.22, 0.75, 0.040, 1.5, 13, 0.52),
    VoltageClass(60, 0.22, 17.0, 95, 122, 0.20, 0.62, 0.047, 1.8, 15, 0.58),
    VoltageClass(80, 0.19, 31.0, 124, 178, 0.16, 0.52, 0.056, 2.1, 16, 0.63),
    VoltageClass(100, 0.19, 38.0, 146, 242, 0.14, 0.48, 0.070, 1.7, 16, 0.67),
    VoltageClass(150, 0.11, 106.0, 268, 515, 0.10, 0.25, 0.125, 1.9, 16, 0.74),
)


LOGIC_CHARGE = 1.13
"""Gate charge of a part rated at 4.5 V, relative to one that is not."""


class Generation(NamedTuple):
    """A technology generation relative to C: share, resistance-area, products, die price."""

    name: str
    share: float
    resistance_area: float
    product_gate: float
    product_output: float
    price_per_mm2: float


GENERATIONS = (
    Generation("A", 0.15, 1.50, 1.42, 1.08, 0.88),
    Generation("B", 0.28, 1.22, 1.18, 1.03, 1.00),
    Generation("C", 0.36, 1.00, 1.00, 1.00, 1.18),
    Generation("D", 0.21, 0.86, 0.87, 0.96, 1.42),
)


class Package(NamedTuple):
    """A transistor package: share, size, its own resistance, relative die area, heat, price."""

    land_pattern: str
    share: float
    size_mm: tuple[float, float, float]
    resistance_mohm: float
    area: float
    rth_case_base: float
    rth_ambient: float
    price: float


PACKAGES = (
    Package("power-5x6", 0.60, (6.0, 5.0, 1.0), 0.15, 1.0, 0.42, 32, 0.15),
    Package("power-3x3", 0.26, (3.3, 3.3, 0.9), 0.30, 0.42, 0.75, 45, 0.085),
    Package("power-8x8", 0.08, (8.0, 8.0, 1.2), 0.10, 1.7, 0.30, 27, 0.34),
    Package("power-10x15", 0.06, (15.0, 10.0, 4.5), 0.35, 1.9, 0.35, 26, 0.42),
)


# --- inductors ----------------------------------------------------------------------------------


class CoilSize(NamedTuple):
    """A case size with what a 10 uH part of middling quality reaches in it."""

    land_pattern: str
    share: float
    size_mm: tuple[float, float, float]
    i_saturation_a: float
    dcr_mohm: float
    rth_k_per_w: float
    price: float
    smallest_uh: float
    largest_uh: float


COIL_SIZES = (
    CoilSize("coil-5x5", 0.06, (5.4, 5.2, 3.0), 3.6, 48.0, 58, 0.30, 1.0, 22),
    CoilSize("coil-6x6", 0.13, (6.6, 6.4, 3.0), 5.0, 33.0, 48, 0.39, 1.0, 33),
    CoilSize("coil-8x8", 0.11, (8.3, 8.0, 4.0), 7.0, 25.0, 38, 0.52, 1.0, 47),
    CoilSize("coil-10x10", 0.20, (10.8, 10.0, 4.0), 9.8, 19.5, 31, 0.66, 1.0, 100),
    CoilSize("coil-12x12", 0.22, (12.8, 12.6, 6.0), 14.0, 10.3, 22, 1.03, 1.0, 100),
    CoilSize("coil-15x15", 0.15, (15.4, 15.0, 10.0), 22.5, 4.9, 15, 1.83, 1.5, 100),
    CoilSize("coil-17x17", 0.06, (17.2, 17.0, 7.0), 21.0, 5.6, 16, 1.75, 1.5, 100),
    CoilSize("coil-22x22", 0.07, (22.4, 22.0, 13.0), 35.0, 1.95, 10, 3.90, 2.2, 100),
)

INDUCTANCES_UH = (1.0, 1.5, 2.2, 3.3, 4.7, 5.6, 6.8, 8.2, 10, 12, 15, 18, 22, 27, 33, 47, 68, 100)


class Core(NamedTuple):
    """A core class: knee exponent, drop at Isat, hot Isat share, loss, exponents, relative price.

    `loss_mw` is the loss at 100 kHz and 1 A p-p of a 10 uH part of 1,000 mm3.
    """

    name: str
    knee: float
    drops_pct: tuple[int, ...]
    hot: float
    loss_mw: float
    exponent_frequency: tuple[float, float]
    exponent_ripple: tuple[float, float]
    i_saturation: float
    dcr: float
    price: float
    volts: tuple[int, ...]


CORES = {
    "ferrite": Core(
        "ferrite", 8.0, (20, 30), 0.80, 2.3, (1.35, 1.6), (2.35, 2.65), 1.0, 0.95, 1.1,
        (100, 150, 200),
    ),
    "powder": Core(
        "powder", 1.9, (20, 30), 0.95, 10.5, (1.2, 1.4), (2.1, 2.4), 1.06, 1.03, 0.92,
        (80, 100, 120),
    ),
    "composite": Core(
        "composite", 1.7, (20, 30), 0.96, 9.0, (1.2, 1.4), (2.15, 2.45), 1.04, 1.0, 1.0,
        (60, 80, 100),
    ),
}  # fmt: skip


# --- capacitors ---------------------------------------------------------------------------------

E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)

TECHNOLOGY_SHARE = {
    "ceramic-2": 0.50,
    "ceramic-1": 0.04,
    "film": 0.08,
    "aluminium": 0.15,
    "polymer": 0.09,
    "hybrid": 0.10,
    "tantalum": 0.04,
}


class Chip(NamedTuple):
    """A ceramic case: share, size, capacitance relative to 1210, heat, inductance, price."""

    land_pattern: str
    share: float
    size_mm: tuple[float, float, float]
    capacitance: float
    rth_k_per_w: float
    esl_nh: float
    price: float


CHIPS = (
    Chip("chip-0603", 0.08, (1.6, 0.8, 0.8), 0.10, 420, 0.65, 0.035),
    Chip("chip-0805", 0.16, (2.0, 1.25, 1.25), 0.22, 320, 0.75, 0.065),
    Chip("chip-1206", 0.24, (3.2, 1.6, 1.6), 0.47, 250, 0.95, 0.115),
    Chip("chip-1210", 0.34, (3.2, 2.5, 2.5), 1.0, 200, 1.0, 0.23),
    Chip("chip-1812", 0.09, (4.5, 3.2, 2.8), 1.7, 160, 1.2, 0.48),
    Chip("chip-2220", 0.09, (5.7, 5.0, 2.9), 3.3, 120, 1.4, 0.85),
)


class CeramicVoltage(NamedTuple):
    """A rating of class-II ceramics: share, densest 1210 part, where the bias curve bends."""

    volts: float
    share: float
    capacitance_max_uf: float
    bend: float
    price: float


CERAMIC_VOLTAGES = (
    CeramicVoltage(6.3, 0.04, 100.0, 0.62, 1.5),
    CeramicVoltage(10, 0.06, 47.0, 0.66, 1.3),
    CeramicVoltage(16, 0.08, 33.0, 0.67, 1.25),
    CeramicVoltage(25, 0.15, 22.0, 0.68, 1.18),
    CeramicVoltage(35, 0.11, 15.0, 0.67, 1.08),
    CeramicVoltage(50, 0.23, 10.0, 0.64, 1.0),
    CeramicVoltage(63, 0.05, 6.8, 0.57, 1.15),
    CeramicVoltage(80, 0.05, 4.7, 0.55, 1.3),
    CeramicVoltage(100, 0.18, 4.7, 0.50, 1.5),
    CeramicVoltage(150, 0.05, 1.5, 0.52, 1.6),
)

DIELECTRICS = (("125", 125, 15, 2.5, 0.6), ("125s", 125, 22, 3.5, 0.25), ("85", 85, 15, 4.5, 0.15))
"""Class-II dielectrics: name, upper temperature, drop over temperature, ageing, share."""


class Can(NamedTuple):
    """Cylindrical or box part family: the reference part and how the others scale from it."""

    technology: str
    sizes_mm: tuple[tuple[float, float], ...]
    volts: tuple[float, ...]
    charge_uc_per_mm3: float
    volts_reference: float
    volume_reference_mm3: float
    esr_mohm: float
    rth_k_per_w: float
    temp_rise_k: float
    price: float
    esl_nh: tuple[float, float]
    cold: tuple[float, float]
    life_h: tuple[int, ...]
    temps_c: tuple[int, ...]
    temp_drop_pct: tuple[float, float]
    leakage: float


CANS = (
    Can(
        "aluminium",
        ((8, 12), (8, 16), (8, 20), (10, 12.5), (10, 16), (10, 20), (10, 25),
         (12.5, 20), (12.5, 25), (16, 25), (16, 31.5), (18, 35.5)),
        (16, 25, 35, 50, 63, 80, 100, 160), 13.0, 50, 1571, 44.0, 41, 5, 0.29,
        (8, 16), (5, 14), (5000, 7000, 8000, 10000), (105,), (20, 30), 0.01,
    ),
    Can(
        "hybrid",
        ((6.3, 5.8), (6.3, 7.7), (8, 10), (10, 10), (10, 12.5), (10, 16)),
        (25, 35, 50, 63, 80, 100), 8.0, 50, 785, 22.0, 58, 5, 0.78,
        (3.5, 6.5), (1.5, 2.2), (4000, 5000, 10000), (125, 105), (12, 20), 0.01,
    ),
    Can(
        "polymer",
        ((6.3, 6), (6.3, 9), (8, 7), (8, 12), (10, 8), (10, 12.5)),
        (6.3, 10, 16, 25, 35, 50, 63), 3.0, 35, 603, 20.0, 66, 10, 0.58,
        (3, 6), (1.0, 1.2), (2000, 3000, 5000), (105, 125), (8, 15), 0.2,
    ),
)  # fmt: skip

FILM_SIZES_MM = (
    (13, 5, 11), (13, 7, 13), (18, 7, 13), (18, 9, 15), (18, 11, 18), (26, 10, 18), (26, 14, 24),
    (31, 15, 26),
)  # fmt: skip
FILM_VOLTS = (63, 100, 160, 250)

TANTALUM_SIZES = (
    ("chip-tantalum-6032", (6.0, 3.2, 2.6), 55.0),
    ("chip-tantalum-7343", (7.3, 4.3, 2.9), 100.0),
    ("chip-tantalum-7343h", (7.3, 4.3, 4.1), 150.0),
)
"""Moulded tantalum cases with their capacitance at 16 V in uF."""
TANTALUM_VOLTS = (10, 16, 25, 35, 50)


# --- current-sense resistors --------------------------------------------------------------------


class Shunt(NamedTuple):
    """A shunt construction: share, size, power choices, resistance range, inductance, price."""

    land_pattern: str
    share: float
    size_mm: tuple[float, float, float]
    powers_w: tuple[float, ...]
    range_mohm: tuple[float, float]
    esl_nh: tuple[float, float]
    terminals: int
    tempco_ppm: tuple[int, ...]
    price: float


SHUNTS = (
    Shunt("shunt-1206", 0.16, (3.2, 1.6, 0.6), (0.5, 1.0), (3, 20), (0.9, 2.0), 2,
          (100, 150, 200), 0.085),
    Shunt("shunt-2010", 0.12, (5.0, 2.5, 0.65), (1.0,), (2, 20), (1.5, 3.0), 2,
          (75, 100, 150), 0.12),
    Shunt("shunt-2512", 0.44, (6.35, 3.2, 0.7), (1.0, 2.0, 3.0), (1, 20), (2.0, 5.0), 2,
          (50, 75, 100, 150), 0.15),
    Shunt("shunt-1225", 0.14, (3.2, 6.35, 0.7), (2.0, 3.0), (1, 20), (0.3, 0.5), 2,
          (75, 100, 150), 0.24),
    Shunt("shunt-2512-4t", 0.14, (6.35, 3.2, 0.8), (2.0, 3.0), (1, 10), (0.4, 0.5), 4,
          (50, 75), 0.31),
)  # fmt: skip

SHUNT_VALUES_MOHM = (
    1.0, 1.2, 1.5, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2,
    9.1, 10, 11, 12, 13, 15, 16, 18, 20,
)  # fmt: skip
"""Values of the E24 series of IEC 60063 (the denser end left out)."""
