"""The spec as read: frozen, in SI, temperatures in degrees Celsius, shares as fractions.

Every optional limit that is absent is ``math.inf`` (no limit), never a hidden number.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.load_records import Demand, LoadRecord, SourceRecord, Surge, Transient
from optimizer.records import (
    DIODES,
    INPUT_HIGH,
    INPUT_LOW,
    OUTPUT_HIGH,
    OUTPUT_LOW,
    Note,
    Window,
)

TOPOLOGIES = (
    "four-switch",
    "buck",
    "boost",
    "sepic",
    "diode-buck",
    "diode-boost",
    "diode-sepic",
)
DIODE_TOPOLOGIES = ("diode-buck", "diode-boost", "diode-sepic")
TRANSISTOR_POSITIONS = (INPUT_HIGH, INPUT_LOW, OUTPUT_LOW, OUTPUT_HIGH)
OTHER_POSITIONS = ("inductor", "input-bank", "output-bank", "coupling-bank", "sense-resistor")
POSITIONS = TRANSISTOR_POSITIONS + DIODES + OTHER_POSITIONS
EVERY_POSITION = "all"
CHARGE_SENSE = "charge-sense"
"""Place of a charger's current sense, which stands behind the stage and in no part set."""
PART_KINDS = ("mosfet", "diode", "inductor", "capacitor", "resistor")
STATES = ("active", "not-for-new", "last-time-buy", "obsolete", "unknown")
TECHNOLOGIES = (
    "ceramic-1",
    "ceramic-2",
    "film",
    "aluminium",
    "polymer",
    "hybrid",
    "tantalum",
)
OBJECTIVE_MISSION, OBJECTIVE_WORST = "mission", "worst-point"
LIGHT_LOAD_FORCED, LIGHT_LOAD_EMULATION = "forced", "diode emulation"
LIGHT_LOAD_SKIP = "pulse skip"

TIME_CONTINUOUS = 10.0
"""A transient that lasts longer counts as continuous [s]."""


@dataclass(frozen=True, slots=True)
class Source:
    """What feeds the stage: continuous and transient input range [V] and its impedance.

    kind : "range", "solar", "battery" or "vehicle", with its `record`
    time_transient : how long the transient range may last [s]
    v_idle_max : highest voltage without load, which the parts must stand for ever
    v_survive_max : highest voltage the parts must stand for a moment
    v_cold_min : lowest input at full power in the cold, where less cannot be with a cold load
    transients : the events the transient range is made of
    resistance, inductance : source impedance [ohm], [H]; both 0 when it has none, and then the
        source delivers direct current only
    """

    v_min: float
    v_nominal: float
    v_max: float
    v_transient_min: float
    v_transient_max: float
    time_transient: float
    resistance: float
    inductance: float
    kind: str
    v_idle_max: float
    v_survive_max: float
    v_cold_min: float
    transients: tuple[Transient, ...]
    record: SourceRecord | None


@dataclass(frozen=True, slots=True)
class Load:
    """What is fed: nominal voltage [V], its relative tolerance, and the full current [A].

    kind : "rail", "led-string", "lead-acid" or "lithium", with its `record`
    demands : what else it may ask for; a rail asks for its tolerance band only
    surges : currents above the full one, for a moment
    senses : resistors of a charge-current sense that are offered, falling [ohm]; empty where the
        record names the only one. With several the record holds the largest, and each is searched
        in a spec of its own (`spec_edit.by_sense`)
    i_end_error_max : how far the end of charge may lie from its set point [A]
    sense_part : what of the catalogs is the resistor: "cheapest", a part number, or "" where its
        price is not counted
    """

    kind: str
    v_output: float
    v_output_tolerance: float
    i_output: float
    demands: tuple[Demand, ...]
    surges: tuple[Surge, ...]
    record: LoadRecord | None
    senses: tuple[float, ...] = ()
    i_end_error_max: float = math.inf
    sense_part: str = ""

    @property
    def v_lowest(self) -> float:
        """Lowest output the stage must hold [V]."""
        band = self.v_output * (1.0 - (0.0 if self.demands else self.v_output_tolerance))
        return min([band, *(one.v_output for one in self.demands)])

    @property
    def v_highest(self) -> float:
        """Highest output the stage must hold [V]."""
        band = self.v_output * (1.0 + (0.0 if self.demands else self.v_output_tolerance))
        return max([band, *(one.v_output for one in self.demands)])


@dataclass(frozen=True, slots=True)
class Ambient:
    """Air around the board [degC]."""

    temp_cold: float
    temp_nominal: float
    temp_hot: float


@dataclass(frozen=True, slots=True)
class Board:
    """What the printed board adds.

    board_k_per_w : board over ambient per watt of total loss [K/W]
    resistance : copper and connectors in the inductor's path [ohm]
    inductance_loop : hot loop of a half bridge [H]
    sharing : current of the hottest of parallel transistors over the mean
    ringing_share : overshoot of a switch node over its voltage
    """

    board_k_per_w: float
    resistance: float
    inductance_loop: float
    sharing: float
    ringing_share: float


@dataclass(frozen=True, slots=True)
class Controller:
    """The controller of one topology: given, not chosen.

    frequencies : what may be chosen [Hz]; frequency_tolerance : relative
    v_drive_* : gate drive [V]; r_driver_source, r_driver_sink, r_gate_external [ohm]
    time_dead_on, time_dead_off : before control turn-on, after control turn-off [s]; 0 beside a
        diode
    light_load : what synchronous transistors do when the current would reverse:
        LIGHT_LOAD_FORCED or LIGHT_LOAD_EMULATION
    time_on_min, time_off_min : longest minimum the controller may need [s]
    v_sense_* : current-limit threshold across the sense resistor [V]
    time_sense_delay_max : threshold crossed to transistor open [s]
    v_reference : feedback reference [V], None when not given; v_reference_tolerance : relative
    v_overvoltage_* : over-voltage threshold at the output [V]
    i_quiescent : own supply current [A]; i_drive_limit : drive regulator limit [A]
    loss_drive_limit : heat the drive regulator may make [W]
    cost_each : fixed cost of controller and its small parts per board [currency]
    v_input_abs_max : absolute maximum input [V], inf when not given
    window : transition-window law, None for topologies without one
    """

    topology: str
    frequencies: tuple[float, ...]
    frequency_tolerance: float
    v_drive_min: float
    v_drive_typ: float
    v_drive_max: float
    r_driver_source: float
    r_driver_sink: float
    r_gate_external: float
    time_dead_on: float
    time_dead_off: float
    time_on_min: float
    time_off_min: float
    v_sense_min: float
    v_sense_typ: float
    v_sense_max: float
    time_sense_delay_max: float
    v_reference: float | None
    v_reference_tolerance: float
    v_overvoltage_min: float
    v_overvoltage_typ: float
    v_overvoltage_max: float
    i_quiescent: float
    i_drive_limit: float
    loss_drive_limit: float
    cost_each: float
    v_input_abs_max: float
    window: Window | None
    light_load: str = LIGHT_LOAD_FORCED


@dataclass(frozen=True, slots=True)
class Faults:
    """What is assumed where faults are judged.

    hot_plug : whether the input is plugged in live, through a cable of inductance_cable [H] and
        resistance_cable [ohm]
    v_short : left at a shorted output [V]; short_response : what the controller does beside the
        limit, frequency_fold : share of the frequency it folds back to
    time_overvoltage : over-voltage threshold crossed to transistors off [s]
    resistance_bleed : what discharges a bank after switch-off [ohm]
    """

    hot_plug: bool
    inductance_cable: float
    resistance_cable: float
    v_short: float
    short_response: str
    frequency_fold: float
    time_overvoltage: float
    resistance_bleed: float


@dataclass(frozen=True, slots=True)
class DimmingInput:
    """The input of a controller that sets the lamp current, and what is asked of it.

    levels : shares of the full current, each set by a divider; accuracy : of each, as its share
    v_reference : feeds the dividers [V], with its relative tolerance
    v_full, v_zero : at the input, for full and for no current [V]; v_offset : of it, either way
    slope_tolerance : of the straight between [1]; i_bias_max : of the input, either way [A]
    """

    levels: tuple[float, ...]
    accuracy: float
    v_reference: float
    v_reference_tolerance: float
    v_full: float
    v_zero: float
    v_offset: float
    slope_tolerance: float
    i_bias_max: float


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """The loop that regulates the current of a lamp or a charger by a sense resistor.

    v_sense : over the resistor [V], with its relative tolerance; v_offset : of the amplifier,
        either way [V]
    accuracy : asked of the full current, as its share; resistors : at most so many in parallel
    """

    v_sense: float
    v_sense_tolerance: float
    v_offset: float
    accuracy: float
    resistors: int


@dataclass(frozen=True, slots=True)
class SetPoints:
    """What dividers are made of: E-series, resistors with tolerance and drift [1/K], limits of
    both together [ohm], bias current of the tap [A], reference of the enable input [V].

    dimming : what sets the lamp current, None where no level is to be chosen
    current : what regulates the current of a lamp or charger, None where nothing is said of it
    """

    series: str
    resistor_tolerance: float
    resistor_tempco: float
    resistance_total_min: float
    resistance_total_max: float
    i_bias_max: float
    v_lockout_reference: float
    v_lockout_tolerance: float
    dimming: DimmingInput | None = None
    current: CurrentLoop | None = None


@dataclass(frozen=True, slots=True)
class Loop:
    """What the control loop asks of the power stage; 0 or inf where nothing is asked.

    i_step [A] within v_step [V], before the resistance of the bank
    share_zero, share_switching : of the right-half-plane zero and of the switching frequency up
        to which the loop may cross over; frequency_cross_min : least crossover wanted [Hz]
    v_sense_ripple_min : ripple at the sense resistor at the highest input [V]
    slope_compensation : what the controller adds at the sense pins [V/s]
    """

    i_step: float
    v_step: float
    share_zero: float
    share_switching: float
    frequency_cross_min: float
    v_sense_ripple_min: float
    slope_compensation: float


@dataclass(frozen=True, slots=True)
class Life:
    """How long the capacitors must last over the mission [years], 0 for no limit.

    service_share : of the time the stage is on; years_seal : no capacitor is told to last longer
    environment : of the failure rate
    """

    years: float
    service_share: float
    years_seal: float
    environment: str


@dataclass(frozen=True, slots=True)
class Floor:
    """An efficiency that must be reached at a named point.

    load_share : of the full output current; guaranteed : limits instead of typical values
    """

    name: str
    v_input: float
    load_share: float
    efficiency: float
    guaranteed: bool
    temp_ambient: float


@dataclass(frozen=True, slots=True)
class Limits:
    """What a design must keep; inf = no limit.

    v_ripple_input, v_ripple_output, v_ripple_coupling : peak to peak [V]
    ripple_ratio_max : inductor ripple over its mean current, at full load
    temp_max : part kind -> highest part temperature [degC], only the kinds the spec gives (the
        derating policy gives the others)
    rise_hottest : hottest part over ambient [K]
    height_max [m], area_max [m2]
    thermal_gain_max : largest loop gain of heat and loss
    loss_ceiling : guaranteed loss allowed, as a share of the output power of the point; None =
        what the efficiency floor at the point allows, else 8 %
    saturation_drop_max : inductance lost at the limit current, as a share of L0
    """

    v_ripple_input: float
    v_ripple_output: float
    v_ripple_coupling: float
    ripple_ratio_max: float
    temp_max: Mapping[str, float]
    rise_hottest: float
    height_max: float
    area_max: float
    thermal_gain_max: float
    loss_ceiling: float | None
    saturation_drop_max: float
    floors: tuple[Floor, ...]


@dataclass(frozen=True, slots=True)
class ExchangeRate:
    """One unit of `currency` in the currency of the run, on `date` (ISO text)."""

    currency: str
    rate: float
    date: str


@dataclass(frozen=True, slots=True)
class Purchase:
    """How the build is bought, and which parts may be.

    placement_each : per piece placed; line_item_each : per distinct part number and build
    approved, banned : part numbers or makers; an empty approved list allows all
    second_source : positions, `CHARGE_SENSE` among them, that need an alternate of another maker,
        or `EVERY_POSITION`
    """

    boards: int
    scrap_share: float
    placement_each: float
    line_item_each: float
    currency: str
    exchange_rates: tuple[ExchangeRate, ...]
    approved: tuple[str, ...]
    banned: tuple[str, ...]
    banned_technologies: tuple[str, ...]
    conditional_allowed: bool
    states_allowed: tuple[str, ...]
    second_source: tuple[str, ...]

    def needs_second_source(self, position: str) -> bool:
        """Whether a position needs a second source."""
        return bool({position, EVERY_POSITION} & {*self.second_source})


@dataclass(frozen=True, slots=True)
class MissionRow:
    """A share of operating time at one point; load_share of the full output current.

    v_output : of the point [V], None for the load's own at that current
    phase : of charging, or of another mission given by phases; "" for none
    """

    name: str
    v_input: float
    load_share: float
    temp_ambient: float
    share: float
    v_output: float | None = None
    phase: str = ""


@dataclass(frozen=True, slots=True)
class Force:
    """A part that must be used, at `position` when given, else anywhere.

    pieces : how many of it, at a position that is given; None = any number
    """

    part_number: str
    position: str | None
    pieces: int | None = None


@dataclass(frozen=True, slots=True)
class ChoiceRules:
    """What the search may choose.

    objective : OBJECTIVE_MISSION or OBJECTIVE_WORST
    bank_pieces_max : pieces of one type in one bank; bank_types_max : types in one bank
    same_part : groups of transistor positions that must hold the same part
    part_numbers_max : distinct bought part numbers, None = no limit
    force_any_state : a forced part may be in a life-cycle state that is not allowed
    """

    objective: str
    transistors_parallel_max: int
    bank_pieces_max: int
    bank_types_max: int
    resistors_parallel_max: int
    same_part: tuple[tuple[str, ...], ...]
    force: tuple[Force, ...]
    forbid: tuple[str, ...]
    part_numbers_max: int | None
    force_any_state: bool


@dataclass(frozen=True, slots=True)
class Pads:
    """Heat path and room of a land pattern.

    rth : land pattern -> case to board [K/W]; rth_default for every other one
    area_margin : room kept free around a body on each side [m]
    """

    rth: Mapping[str, float]
    rth_default: float
    area_margin: float

    def rth_pad(self, land_pattern: str) -> float:
        """Case to board of `land_pattern` [K/W]."""
        return self.rth.get(land_pattern, self.rth_default)


@dataclass(frozen=True, slots=True)
class Spec:
    """Everything the user asked for, and what stood in where nothing was asked.

    path : where the text came from ("" for text given directly)
    derating : name of the policy; derating_policy : the policy file as a plain mapping
    topologies : the ones to consider, each with a record in `controllers`
    notes : every default that stood in, every odd but usable value, and the life-cycle rule
    not_asked : questions a rail supply raises that this spec does not answer
    """

    name: str
    path: str
    text: str
    source: Source
    load: Load
    ambient: Ambient
    board: Board
    controllers: Mapping[str, Controller]
    topologies: tuple[str, ...]
    limits: Limits
    faults: Faults
    set_points: SetPoints
    loop: Loop
    life: Life
    derating: str
    derating_policy: Mapping[str, Any]
    purchase: Purchase
    mission: tuple[MissionRow, ...]
    choice: ChoiceRules
    catalogs: tuple[Path, ...]
    pads: Pads
    notes: tuple[Note, ...]
    not_asked: tuple[Note, ...]

    @property
    def power_output(self) -> float:
        """Full output power [W]."""
        return self.load.v_output * self.load.i_output
