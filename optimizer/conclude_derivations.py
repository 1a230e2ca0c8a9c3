"""Where the governing numbers of a set come from: formula text, inputs and their origin.

The value is the one the run reports; the inputs are what its formula takes. That the formula
gives the value again is checked by a test, from the kept data alone.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from optimizer import derating, life, parameters, service
from optimizer.assembly import Physics, Sets
from optimizer.conclude_derivations_coil import coil_derivations
from optimizer.conclude_derivations_leg import leg_derivations
from optimizer.conclude_inputs import Source
from optimizer.conclude_sets import Chosen
from optimizer.evaluation import i_sensed
from optimizer.limits import chain, firm, node_of, steady, voltages
from optimizer.parts import capacitor
from optimizer.records import switch_kind
from optimizer.results_evidence import LIMIT, PRESET, TYPICAL, Derivation, Input


def derivations(result: Physics, sets: Sets, one: Chosen, k: int) -> tuple[Derivation, ...]:
    """Governing numbers of set `k`: each at the operating point where it is worst."""
    source = Source(result, sets, one, k)
    return (
        *_whole(source),
        *(d for leg in source.stage.topology.LEGS for d in leg_derivations(source, leg)),
        *_voltages(source),
        *coil_derivations(source),
        *_sense(source),
        *_banks(source),
        *_life(source),
    )


def _whole(source: Source) -> Iterator[Derivation]:
    """Efficiency and board temperature at the point of largest loss."""
    lanes, total = source.stage.lanes, source.row(source.result.total)
    lane = source.worst(total, steady(source.stage))
    power = float(lanes.v_output[lane] * lanes.i_output[lane])
    loss = source.computed("loss_total", total[lane], "W", "sum of the loss table")
    yield source.derivation(
        "board.efficiency",
        "whole set",
        "efficiency",
        lane,
        power / (power + float(total[lane])),
        source.computed("power_output", power, "W", "output voltage x current of the point"),
        loss,
    )
    yield source.derivation(
        "board.temp_board",
        "board",
        "temperature",
        lane,
        source.row(source.result.scene.state.temp_board)[lane],
        source.spec("temp_ambient", lanes.temp_ambient[lane], "degC", "ambient of the point"),
        source.spec(
            "board_k_per_w", source.stage.spec.board.board_k_per_w, "K/W", "board.board_k_per_w"
        ),
        loss,
    )


VOLTAGES = {
    "mosfet": ("drain voltage", "v_drain_source_rating"),
    "diode": ("reverse voltage", "v_reverse_rating"),
}
"""Kind of switch -> its voltage in words, and the column of its rating."""


def _voltages(source: Source) -> Iterator[Derivation]:
    """Highest voltage and what the derating allows, per switch position."""
    stage = source.stage
    policy = stage.spec.derating_policy
    for position, (row, _) in source.one.transistor.items():
        node, kind = node_of(stage, position), switch_kind(position)
        name, column = VOLTAGES[kind]
        rule = derating.rule(policy, kind, "voltage")
        for turn, word in enumerate(("continuous", "transient")):
            volts = voltages(stage)[node][turn]
            share = rule.transient if turn else rule.continuous
            yield source.derivation(
                "switching.v_peak",
                position,
                f"{name} with ringing, {word}",
                -1,
                volts * (1.0 + stage.spec.board.ringing_share),
                source.spec("v_node", volts, "V", f"highest {word} {source.node_words(node)}"),
                source.spec(
                    "share_ringing", stage.spec.board.ringing_share, "1", "board.ringing_share"
                ),
            )
            if np.isfinite(share):
                rating = source.cell(kind, row, column, "rating", "V")
                yield source.derivation(
                    "derating.at_share",
                    position,
                    f"{name} allowed, {word}",
                    -1,
                    rating.value * share,
                    rating,
                    Input("share_allowed", share, "1", PRESET, f"policy {stage.spec.derating}"),
                )


# --- sense resistor and limit chain ---------------------------------------------------------------


def _sense(source: Source) -> Iterator[Derivation]:
    stage, sense = source.stage, source.result.sense
    row, pieces = source.one.sense
    solder = float(stage.resistors.solder[row, 0])

    def spread(lane: int) -> list[Input]:
        cells = [("resistance_typ", "resistance", "ohm")]
        cells += [
            (f"resistance_{n}", f"resistance_{n}", u)
            for n, u in (("tolerance", "1"), ("drift", "1"), ("tempco", "1/K"))
        ]
        found = [source.cell("resistor", row, key, name, unit) for key, name, unit in cells]
        temp = source.row(sense.temp)[lane]
        return [*found, source.computed("temp_part", temp, "degC", "sense resistor")]

    count = Input("pieces", float(pieces), "1", COUNT, "parts list")
    low, high = source.row(sense.resistance_low), source.row(sense.resistance_high)
    most, least = source.worst(high, firm(stage)), source.worst(-low, firm(stage))
    yield source.derivation(
        "resistor.resistance_high",
        "sense-resistor",
        "largest resistance",
        most,
        high[most],
        *spread(most),
        Input("resistance_solder", solder, "ohm", PRESET, "two terminals: 0.3 mohm"),
        count,
    )
    yield source.derivation(
        "resistor.resistance_low",
        "sense-resistor",
        "smallest resistance",
        least,
        low[least],
        *spread(least),
        count,
    )
    yield from _limits(source, most, least)
    yield from _sense_heat(source, count)


def _limits(source: Source, most: int, least: int) -> Iterator[Derivation]:
    """Both ends of the current limit."""
    stage, sense = source.stage, source.result.sense
    job, control, lanes = source.result.scene.operation, stage.controller, firm(stage)
    low, high = source.row(sense.resistance_low), source.row(sense.resistance_high)
    closed = chain(stage, source.result.scene, source.result.coil, sense)
    yield source.derivation(
        "resistor.i_limit_low",
        "limit chain",
        "smallest current limit",
        most,
        closed.low[source.k],
        source.spec("v_sense", control.v_sense_min, "V", "controller v_sense_min"),
        source.computed("resistance", high[most], "ohm", "largest resistance"),
    )
    volts = np.where(lanes, np.maximum(source.row(job.v_input), source.row(job.v_output)), 0.0)
    yield source.derivation(
        "resistor.i_limit_high",
        "limit chain",
        "largest current limit with delay",
        -1,
        closed.delayed[source.k],
        source.spec("v_sense", control.v_sense_max, "V", "controller v_sense_max"),
        source.computed("resistance", low[least], "ohm", "smallest resistance"),
        source.spec("v_inductor", float(volts.max()), "V", "highest winding voltage of all points"),
        source.spec(
            "time_delay", control.time_sense_delay_max, "s", "controller time_sense_delay_max"
        ),
        source.computed(
            "inductance",
            float(np.where(lanes, source.row(job.inductance), np.inf).min()),
            "H",
            "smallest inductance of all points",
        ),
    )


def _sense_heat(source: Source, count: Input) -> Iterator[Derivation]:
    stage, sense, row = source.stage, source.result.sense, source.one.sense[0]
    lane = source.worst(source.row(sense.temp), steady(stage))
    each = source.row(sense.loss_each)[lane]
    strict = bool(stage.lanes.guaranteed[lane])
    nominal = source.cell("resistor", row, "resistance_typ", "resistance", "ohm")
    share = 1.0 + strict * float(stage.resistors.tolerance[row, 0])
    yield source.derivation(
        "resistor.loss_piece",
        "sense-resistor",
        "loss of one piece",
        lane,
        each,
        source.computed("i_rms", source.row(i_sensed(source.result.scene))[lane], "A", "waveform"),
        Input(
            "resistance",
            nominal.value * share,
            "ohm",
            LIMIT if strict else TYPICAL,
            f"{nominal.source} x (1 + tolerance)",
        ),
        count,
    )
    yield source.derivation(
        "resistor.temp_part",
        "sense-resistor",
        "temperature",
        lane,
        source.row(sense.temp)[lane],
        source.board(lane, "temp_board"),
        source.computed("loss", each, "W", "loss of one piece"),
        *(
            source.cell("resistor", row, key, key, unit)
            for key, unit in (
                ("power_rating", "W"),
                ("temp_power_derating", "degC"),
                ("temp_part_rating", "degC"),
            )
        ),
    )


COUNT = "parts list"


# --- banks ----------------------------------------------------------------------------------------


def _banks(source: Source) -> Iterator[Derivation]:
    """Capacitance and core temperature of each type where the ripple voltage is worst."""
    stage, parts = source.stage, source.stage.capacitors
    for node in stage.nodes:
        solved = source.result.banks[node]
        lane = source.worst(source.row(solved.v_ripple), steady(stage))
        branches = source.branches(node)
        for turn, (row, _) in enumerate(source.one.bank[node]):
            one = parameters.take(parts, np.array([row]))
            subject = f"{node}-bank {stage.tables['capacitor'].part_number[row]}"
            value = float(branches[turn].capacitance[source.k, lane])
            yield _capacitance(source, row, lane, subject, value)
            current = (solved.i_rms_first, solved.i_rms_second)[turn]
            heating, board = float(one.heating[0, 0]), source.board(lane, "temp_board")
            if np.isfinite(heating):
                i_rms = float(source.row(current)[lane])
                yield source.derivation(
                    "capacitor.temp_core",
                    subject,
                    "core temperature",
                    lane,
                    float(
                        capacitor.temp_core(
                            temp_board=np.array(board.value),
                            coefficient_heating=np.array(heating),
                            i_rms=np.array(i_rms),
                        )
                    ),
                    board,
                    source.computed(
                        "coefficient_heating",
                        heating,
                        "K/A^2",
                        "self_heating, or rise over the square of the rated ripple",
                    ),
                    source.computed("i_rms", i_rms, "A", "division of the harmonics by admittance"),
                )


def _life(source: Source) -> Iterator[Derivation]:
    """Life of each type that wears out at the point of the mission that wears it most."""
    stage, table = source.stage, source.stage.tables["capacitor"]
    lanes, _ = service.mission(stage)
    for node in stage.nodes:
        solved = source.result.banks[node]
        for turn, (row, _) in enumerate(source.one.bank[node]):
            law = life.LAWS.get(table.texts["technology"][row])
            if law is None:
                continue
            current = source.row((solved.i_rms_first, solved.i_rms_second)[turn])
            wear = service.wear(stage, np.array([row]))
            core = capacitor.temp_core(
                temp_board=source.row(source.result.scene.state.temp_board),
                coefficient_heating=wear.heating[0],
                i_rms=current,
            )
            lane = int(lanes[np.argmax(core[lanes])])
            reference, hottest = float(wear.temp_reference[0, 0]), float(core[lane])
            value = life.life_at(
                life_rating=wear.life_rating[0, 0],
                temp_reference=np.array(reference),
                temp_core=np.array(hottest),
                factor=np.array(law[0]),
                temp_step=np.array(law[1]),
            )
            yield source.derivation(
                "life.life_at",
                f"{node}-bank {table.part_number[row]}",
                "life in operation, were the whole mission like this",
                lane,
                float(value),
                source.cell("capacitor", row, "life_rating", "life_rating", "s"),
                source.computed("temp_reference", reference, "degC", REFERENCE),
                source.computed("temp_core", hottest, "degC", "board and ripple current there"),
                Input("factor", law[0], "1", PRESET, "law of the technology"),
                Input("temp_step", law[1], "K", PRESET, "law of the technology"),
            )


REFERENCE = "temp_ripple and temp_rise_ripple of the catalog together"


def _capacitance(source: Source, row: int, lane: int, subject: str, value: float) -> Derivation:
    nominal = source.cell("capacitor", row, "capacitance_typ", "capacitance", "F")
    curve = f"{source.cell_name('capacitor', row, 'capacitance_bias')} at the node voltage"
    parts = parameters.take(source.stage.capacitors, np.array([row]))
    job = source.result.scene.operation
    volts = float(source.row(job.v_output if subject.startswith("output") else job.v_input)[lane])
    left = capacitor.share_at_bias(
        v_bias=np.array([[volts]]),
        v_rating=parts.v_rating,
        curve_voltage=parts.curve_voltage,
        curve_share=parts.curve_share,
    )
    share = source.computed("share_bias", float(left[0, 0]), "1", curve)
    if not source.stage.lanes.guaranteed[lane]:
        return source.derivation(
            "capacitor.capacitance_expected",
            subject,
            "capacitance of one",
            lane,
            value,
            nominal,
            share,
        )
    cells = [
        source.cell("capacitor", row, key, key, "1")
        for key in ("capacitance_tolerance", "capacitance_temp_drop", "capacitance_ageing")
    ]
    decades = float(
        capacitor.ageing_decades(
            time_service=np.array(parameters.TIME_SERVICE),
            time_reference=np.array(parameters.TIME_AGEING_REFERENCE),
        )
    )
    age = Input("decades", decades, "1", PRESET, "ten years from 24 hours")
    return source.derivation(
        "capacitor.capacitance_guaranteed",
        subject,
        "capacitance of one",
        lane,
        value,
        nominal,
        cells[0],
        share,
        cells[1],
        cells[2],
        age,
    )
