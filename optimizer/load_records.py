"""What a stage may feed and be fed from: frozen records in SI, one per kind of load and source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Demand:
    """An output voltage [V] at an output current [A] that the load may ask for.

    hot, cold : ambients at which it may be asked for; a steady condition, not a fault
    """

    name: str
    v_output: float
    i_output: float
    hot: bool = True
    cold: bool = True


@dataclass(frozen=True, slots=True)
class Surge:
    """A current [A] the load draws for a short time [s], down to the input `v_input_min` [V]."""

    name: str
    i_output: float
    time: float
    v_input_min: float


@dataclass(frozen=True, slots=True)
class Transient:
    """An input voltage [V] that lasts `time` [s].

    regulates : the output must hold; otherwise the parts must only stand the voltage
    origin : where the figures come from ("" for the spec itself)
    """

    name: str
    v_input: float
    time: float
    regulates: bool
    origin: str = ""


@dataclass(frozen=True, slots=True)
class Dimming:
    """How a lamp is dimmed.

    analogue_share : smallest continuous current over the full one, 1 for none
    pwm_frequency [Hz], pwm_ratio : full over shortest pulse, 1 for none
    cycles_min : switching cycles the shortest pulse must hold
    """

    analogue_share: float
    pwm_frequency: float
    pwm_ratio: float
    cycles_min: int


@dataclass(frozen=True, slots=True)
class LedString:
    """LEDs in series: voltages of one at full current and 25 degC of its junction.

    v_led_min, v_led_typ, v_led_max : over the bins [V]; v_led_tempco : [V/K]
    resistance_led : dynamic, of one at full current [ohm]
    temp_led_hot : hottest junction of the lamp [degC]
    i_ripple_share : ripple of the LED current, peak to peak over full current
    """

    leds: int
    v_led_min: float
    v_led_typ: float
    v_led_max: float
    v_led_tempco: float
    resistance_led: float
    temp_led_hot: float
    i_ripple_share: float
    dimming: Dimming


@dataclass(frozen=True, slots=True)
class LeadAcid:
    """A lead-acid battery on charge; volts of one cell at 25 degC.

    v_cell_tempco : of both set points [V/K]; temp_battery_cold, temp_battery_hot : its range,
        beyond which compensation stops [degC]
    v_cell_deep : lowest voltage that is charged, at i_deep [A]; v_cell_bulk : from here at full
    end_share : charging ends at this share of the full current
    resistance_sense : in the charge path [ohm]; v_sense_offset : of its amplifier [V]
    resistance_cable : stage to battery and back [ohm]
    """

    cells: int
    v_cell_charge: float
    v_cell_float: float
    v_cell_deep: float
    v_cell_bulk: float
    v_cell_tempco: float
    temp_battery_cold: float
    temp_battery_hot: float
    i_deep: float
    end_share: float
    resistance_sense: float
    v_sense_offset: float
    resistance_cable: float


@dataclass(frozen=True, slots=True)
class Lithium:
    """A lithium battery on charge; volts of one cell.

    v_cell_charge : constant-voltage set point; v_cell_limit : what the cell maker allows
    v_cell_min : lowest that is charged; below v_cell_precharge only i_precharge flows [A]
    temp_charge_min, temp_charge_max : no charge outside [degC]
    the rest as in `LeadAcid`
    """

    cells: int
    v_cell_charge: float
    v_cell_limit: float
    v_cell_precharge: float
    v_cell_min: float
    i_precharge: float
    end_share: float
    temp_charge_min: float
    temp_charge_max: float
    resistance_sense: float
    v_sense_offset: float
    resistance_cable: float


@dataclass(frozen=True, slots=True)
class SolarModule:
    """A solar module or several: figures of one at 25 degC and full sun.

    v_open, v_power [V], i_short, i_power [A]: open circuit, short circuit and power point
    tempco_open, tempco_power : of the two voltages [1/K]
    temp_cell_cold, temp_cell_hot : range of the cells [degC]; series, parallel : modules
    """

    v_open: float
    v_power: float
    i_short: float
    i_power: float
    tempco_open: float
    tempco_power: float
    temp_cell_cold: float
    temp_cell_hot: float
    series: int
    parallel: int


@dataclass(frozen=True, slots=True)
class BatteryBus:
    """A battery as source: volts of one cell; the cable takes its drop at full power."""

    cells: int
    v_cell_min: float
    v_cell_typ: float
    v_cell_max: float
    resistance_cable: float


@dataclass(frozen=True, slots=True)
class VehicleBus:
    """A vehicle's supply by its nominal voltage [V] and its supply code."""

    v_system: float
    code: str


LoadRecord = LedString | LeadAcid | Lithium
SourceRecord = SolarModule | BatteryBus | VehicleBus
