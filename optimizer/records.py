"""Frozen results the rooms hand to each other: nouns, no verbs.

Axis letters, in this order: ``n_set`` (complete part sets or skeletons), ``n_choice`` (parts or
options at one position), ``n_lane`` (operating point x parameter set x tolerance corner),
``n_interval`` (intervals of one switching pattern), ``n_inductor``. SI throughout, temperatures
in degrees Celsius, shares as fractions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ComplexArray = NDArray[np.complex128]

INPUT_HIGH = "input-high"
INPUT_LOW = "input-low"
OUTPUT_LOW = "output-low"
OUTPUT_HIGH = "output-high"
INPUT_DIODE = "input-diode"
OUTPUT_DIODE = "output-diode"
DIODES = (INPUT_DIODE, OUTPUT_DIODE)
"""Switch positions that hold a diode; every other one holds a transistor."""

REGION_DOWN, REGION_WINDOW, REGION_UP, REGION_BOTH = 0, 1, 2, 3
REGION_NAMES = ("step-down", "window", "step-up", "step-up/down")

WINDINGS = ("input-winding", "output-winding")
"""Names under which the drops of the two windings of a stage with two coils stand."""

CORNER_SLOW, CORNER_NOMINAL, CORNER_FAST = -1, 0, 1
BRACKET_OWN, BRACKET_CEILING, BRACKET_LOSSLESS = 0, 1, 2


# --- waveforms ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Window:
    """Law of the transition region, where both half bridges switch.

    `ratio_low`, `ratio_high`: input/output voltage at its two edges; `ratio_tolerance`: relative
    tolerance of both; `law`: which duty is held ("output duty" or "input duty") at `duty`;
    `pulse`: where in the input on-time the output-low pulse lies ("start" or "centre");
    `frequency_share`: 1 when each leg switches every cycle, 0.5 when the legs alternate.
    """

    ratio_low: float
    ratio_high: float
    ratio_tolerance: float
    law: str
    duty: float
    pulse: str
    frequency_share: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """The intervals of one switching pattern of one region of one topology: data, not code.

    The share of the pattern that interval k lasts is ``base[k] + slope[k] * duty`` with `duty`
    the regulated one. Unused intervals have base = slope = 0.

    base, slope : (n_interval,)
    winding_input, winding_output : share of the input and output voltage across each inductor in
        each interval, (n_interval, n_inductor)
    input_current, output_current : share of each inductor current drawn from the input node and
        delivered to the output node, (n_interval, n_inductor)
    conducts : position -> share of each inductor current it carries, (n_interval, n_inductor)
    coupling_current : share of each inductor current through a coupling capacitor,
        (n_interval, n_inductor); two equal coils then see one voltage, and their currents differ
        from half of their sum by one constant of opposite sign
    winding_drop : interval in which the mean drop of each winding appears across the sum of both
        coils, (n_interval, n_inductor); zeros where there is one coil
    cycles : switching cycles the pattern spans (2 when legs alternate, else 1)
    duty_input, duty_output : (offset, slope) of the on-duty of input-high and output-low, per
        *own* switching cycle of the leg, as a function of the regulated duty
    switching : position of the control transistor -> edges per switching cycle of the stage
        (1 every cycle, 0.5 alternate cycles, absent when that leg does not switch)
    """

    base: FloatArray
    slope: FloatArray
    winding_input: FloatArray
    winding_output: FloatArray
    input_current: FloatArray
    output_current: FloatArray
    conducts: Mapping[str, FloatArray]
    cycles: int
    duty_input: tuple[float, float]
    duty_output: tuple[float, float]
    switching: Mapping[str, float]
    coupling_current: FloatArray
    winding_drop: FloatArray


@dataclass(frozen=True, slots=True)
class Leg:
    """A half bridge: its control and its synchronous position and the node it switches against.

    `synchronous` is the position of a diode where the stage has no transistor there. `node` is
    "input", "output", or "both" where the leg switches the sum of both voltages.
    """

    name: str
    control: str
    synchronous: str
    node: str

    @property
    def rectifier(self) -> str:
        """Part kind of the synchronous position."""
        return switch_kind(self.synchronous)


def switch_kind(position: str) -> str:
    """Part kind that stands at a switch position."""
    return "diode" if position in DIODES else "mosfet"


def kind_of(position: str) -> str:
    """Kind of part that stands at a position."""
    if position in ("inductor", "sense-resistor"):
        return "inductor" if position == "inductor" else "resistor"
    return "capacitor" if position.endswith("-bank") else switch_kind(position)


@dataclass(frozen=True, slots=True)
class Operation:
    """What the stage is asked to do in each lane; every array broadcasts to (n_set, n_lane).

    inductance : that the sum of the coil currents sees: of two equal coils half of one, times
        one plus their coupling
    region : REGION_DOWN, REGION_WINDOW, REGION_UP or REGION_BOTH, (n_lane,)
    """

    v_input: FloatArray
    v_output: FloatArray
    i_output: FloatArray
    frequency: FloatArray
    inductance: FloatArray
    region: IntArray


@dataclass(frozen=True, slots=True)
class State:
    """What the losses of the whole set do to the waveforms of each lane, (n_set, n_lane) each.

    resistance_series : inductor, sense resistor and board copper in the inductor's path [ohm]
    resistance : position -> resistance of the conducting parts of that position [ohm]
    drop : position of a diode -> forward voltage beside its resistance [V]; of two coils, name of
        the winding -> its resistance times its mean current
    i_input_extra : every loss that is not a conduction drop and is fed from the input node,
        divided by the input voltage [A]
    i_output_extra : the same from the output node, divided by the output voltage [A]
    temp_board : board temperature [degC]
    """

    resistance_series: FloatArray
    resistance: Mapping[str, FloatArray]
    i_input_extra: FloatArray
    i_output_extra: FloatArray
    temp_board: FloatArray
    drop: Mapping[str, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LegWave:
    """Edges of one leg, (n_set, n_lane) each; zeros where the leg does not switch.

    i_turn_on, i_turn_off : inductor current when the control transistor turns on and off [A]
    v_node : voltage the leg switches [V]
    frequency_edges : control turn-ons per second [Hz]; 0 where the leg does not switch
    switches : whether the leg switches in the lane
    """

    i_turn_on: FloatArray
    i_turn_off: FloatArray
    v_node: FloatArray
    frequency_edges: FloatArray
    switches: BoolArray


@dataclass(frozen=True, slots=True)
class Waveform:
    """Steady-state currents of every lane. Arrays are (n_set, n_lane) unless said.

    duration : share of the pattern, (n_set, n_lane, n_interval)
    i_start, i_end : inductor currents, (n_set, n_lane, n_interval, n_inductor)
    winding_mean, winding_rms : of each inductor current, (n_set, n_lane, n_inductor)
    time_pattern : length of one pattern [s]
    duty_input, duty_output : on-duty of input-high and output-low in their own switching cycle
    i_mean, i_rms, i_peak, i_valley, i_ripple : current the switches take turns to carry, the sum
        of all inductor currents, (n_set, n_lane, 1)
    position_rms, position_mean : position -> current through it [A]
    position_share : position -> share of the pattern in which it conducts
    time_on_min, time_off_min : shortest control on- and off-time of the legs that switch [s]
    i_input_mean : mean current drawn through the input node by the stage's switches [A]
    i_input_rms_ac, i_output_rms_ac, i_coupling_rms_ac : rms of the current the input, output and
        coupling bank must carry [A]
    input_current, output_current, coupling_current : share of inductor currents flowing from/to
        the nodes and through the coupling bank in each interval, (n_lane, n_interval, n_inductor)
    loss_ripple_conduction : conduction loss of the ripple inside the intervals that the mean
        drops do not carry [W]
    discontinuous : whether the coil current rests at zero for a part of the pattern
    converged : whether the balance closed
    """

    duration: FloatArray
    i_start: FloatArray
    i_end: FloatArray
    time_pattern: FloatArray
    duty_input: FloatArray
    duty_output: FloatArray
    winding_mean: FloatArray
    winding_rms: FloatArray
    i_mean: FloatArray
    i_rms: FloatArray
    i_peak: FloatArray
    i_valley: FloatArray
    i_ripple: FloatArray
    position_rms: Mapping[str, FloatArray]
    position_mean: Mapping[str, FloatArray]
    position_share: Mapping[str, FloatArray]
    legs: Mapping[str, LegWave]
    time_on_min: FloatArray
    time_off_min: FloatArray
    i_input_mean: FloatArray
    i_input_rms_ac: FloatArray
    i_output_rms_ac: FloatArray
    i_coupling_rms_ac: FloatArray
    input_current: FloatArray
    output_current: FloatArray
    coupling_current: FloatArray
    loss_ripple_conduction: FloatArray
    discontinuous: BoolArray
    converged: BoolArray


# --- the lane axis ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lanes:
    """The physics axis of one topology: one entry per (point, parameter set, corner, bracket).

    All arrays are (n_lane,). `name` is the user's name of the point (several lanes share it).

    guaranteed : True for limits (guaranteed set), False for the expected set
    corner : CORNER_SLOW (f min, L min), CORNER_FAST (f max, L max), CORNER_NOMINAL
    bracket : BRACKET_CEILING or BRACKET_LOSSLESS for sizing lanes, BRACKET_OWN otherwise
    transient : True where the transient share of the ratings applies
    full_load : True at full load (the ripple-ratio limit holds there only)
    share : share of time in the mission, 0 outside the mission
    loss_ceiling : total loss the sizing state assumes [W]
    efficiency_floor : floor that holds at this lane, NaN where none
    """

    name: tuple[str, ...]
    v_input: FloatArray
    v_output: FloatArray
    i_output: FloatArray
    temp_ambient: FloatArray
    region: IntArray
    guaranteed: BoolArray
    corner: IntArray
    bracket: IntArray
    transient: BoolArray
    full_load: BoolArray
    share: FloatArray
    loss_ceiling: FloatArray
    efficiency_floor: FloatArray

    def __len__(self) -> int:
        return len(self.name)


# --- the decision layer -------------------------------------------------------------------------

COST_UNIT = 1e-4
"""One cost unit inside the decision layer, in the currency of the run."""

LOSS_UNIT = 1e-5
"""One loss unit inside the decision layer [W] (0.01 mW)."""


@dataclass(frozen=True, slots=True)
class Group:
    """The options of one group (a half bridge, a bank, the inductor, the sense resistor).

    part : row of the purchase table of each part, -1 where a slot is empty, (n_option, n_slot)
    pieces : pieces of it, 0 where empty, (n_option, n_slot)
    loss : loss in LOSS_UNIT, (n_option,)
    rows : what the option adds to each additive row, already divided by the row's limit,
        (n_option, n_row)
    loss_lane : loss in LOSS_UNIT at each worst-point lane (n_option, n_worst), width 0 when the
        objective is mission-weighted loss
    slot_position : name of the position each slot fills, for example ("input-high", "input-low")
    """

    name: str
    part: IntArray
    pieces: IntArray
    loss: IntArray
    rows: FloatArray
    loss_lane: IntArray
    slot_position: tuple[str, ...]

    def take(self, index: BoolArray | IntArray) -> Group:
        """The group with only the options at `index`."""
        return Group(
            name=self.name,
            part=self.part[index],
            pieces=self.pieces[index],
            loss=self.loss[index],
            rows=self.rows[index],
            loss_lane=self.loss_lane[index],
            slot_position=self.slot_position,
        )


@dataclass(frozen=True, slots=True)
class Skeleton:
    """One (topology, frequency, inductor): its groups, of which one option each is chosen.

    lanes : numbers of the worst-point lanes by which the worst point is bounded; none for all
    """

    name: str
    groups: tuple[Group, ...]
    cost_fixed: int
    loss_fixed: int
    rows_fixed: FloatArray
    loss_lane_fixed: IntArray
    lanes: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Choice:
    """The whole decision in integers: exactly one skeleton, one option in each of its groups.

    cost of a selection = skeleton.cost_fixed + sum over distinct parts used of
    (price[part, total pieces over all groups] + line_item) + placement * total pieces
    loss of a selection = skeleton.loss_fixed + sum of the options' loss (mission objective), or
    max over worst lanes of (loss_lane_fixed + sum of loss_lane) (worst-point objective).
    A selection is feasible when for every row: rows_fixed + sum of rows <= 1, every `same_part`
    tuple of positions holds the same part (positions absent in a skeleton are ignored), and the
    number of distinct parts is <= part_numbers_max.

    price : cost units per board of buying `pieces` of a part for every board,
        (n_part, pieces_max + 1), column 0 is 0
    """

    skeletons: tuple[Skeleton, ...]
    row_names: tuple[str, ...]
    price: IntArray
    line_item: int
    placement: int
    part_names: tuple[str, ...]
    same_part: tuple[tuple[str, ...], ...] = ()
    part_numbers_max: int | None = None
    worst_point: bool = False


@dataclass(frozen=True, slots=True)
class Selection:
    """One point of a front of a `Choice`: skeleton, the option chosen in each group, and proof.

    proof : "merge" or "solver" or "" (not proved); `bound` the proved lower bound on the loss at
    this cost (LOSS_UNIT), equal to `loss` when proved.
    """

    cost: int
    loss: int
    skeleton: int
    option: tuple[int, ...]
    proof: str = ""
    bound: float = float("nan")


@dataclass(frozen=True, slots=True)
class Note:
    """One assumption, fill, exclusion or finding that travels into the report.

    kind : "assumed", "filled", "excluded", "finding", "caution"
    """

    kind: str
    subject: str
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Fall:
    """One line of a waterfall: at `position`, of `entered` parts `fell` on `reason`."""

    position: str
    reason: str
    entered: int
    fell: int


@dataclass(frozen=True, slots=True)
class Waterfall:
    """All falls of one position, in order, and what is `left`."""

    position: str
    offered: int
    falls: tuple[Fall, ...] = field(default_factory=tuple)
    left: int = 0
