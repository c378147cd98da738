"""The calculations of a bus: one function for each, with its result in words, formula and source.

What goes into each is declared once, beside its function; the wizard's form and the command are
made from that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Annotated

from pydantic import Field

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings, Parity
from busprobe.line.timing import exchange_time
from busprobe.modbus.requests import READ_REQUEST_BYTES, read_reply_bytes
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.text import hex_bytes
from busprobe.wiring import inputs
from busprobe.wiring.arithmetic.bias import (
    LEAST_DRIVER_LOAD,
    THRESHOLD,
    LoadModel,
    Network,
    bias_resistors,
    driver_load,
    idle,
    matched_bias,
)
from busprobe.wiring.arithmetic.bits import character_bits
from busprobe.wiring.arithmetic.conductor import Conductor, Drain, far_level, voltages_along
from busprobe.wiring.arithmetic.plausibility import require
from busprobe.wiring.arithmetic.trunk import (
    CableKind,
    critical_length,
    longest_derivation,
    longest_stub,
    longest_trunk,
)
from busprobe.wiring.arithmetic.unit_loads import segments
from busprobe.wiring.inputs import By, Flag, Input, number_for, optional
from busprobe.wiring.resistance import TOLERANCE
from busprobe.wiring.wording import counted

IMPEDANCE = 120.0
"""Ω of the usual bus cable, and of the terminators that match it (V1.02, sections 3.4.5 and 3.6).
"""

DRIVER_LEAST = 1.5
"""V that a driver makes at least into a full load (TIA/EIA-485-A as given in TI SLLA628, 2023)."""

_MOST_BYTES = 256

_LEAST_LOAD = LEAST_DRIVER_LOAD * (1 - TOLERANCE)
"""Ω below which a load is too much for a driver by more than the tolerance of what makes it up."""


_WIRE_SIZES = "AWG24, or mm² like 0.75"
_THRESHOLD = f"{THRESHOLD:g}"
_SETTINGS = Input(
    "settings", LineSettings.parse, "Line settings", hint="9600-8N1", metavar="BAUD-8PS"
)


@dataclass(frozen=True)
class Calculated:
    """What a calculation came to."""

    name: Annotated[str, Field(alias="sum")]
    """Of the calculation; one word."""
    title: str
    given: str
    """What went into it, with units."""
    lines: tuple[str, ...]
    """The result, a sentence each; the one that matters first."""
    formula: str
    """In words and signs."""
    source: str
    values: Annotated[Mapping[str, object], Field(exclude=True)] = field(default_factory=dict)
    """The result in numbers, their units in their names; not kept in the job."""
    sufficient: Annotated[bool, Field(exclude=True)] = True
    """Whether what was given will do; False where the result asks for a change.  Not kept."""


@dataclass(frozen=True)
class Calculation:
    """One calculation: its form in the wizard and its command are made from this."""

    name: str
    """Of the command; one word."""
    title: str
    """Of the result."""
    short_title: str
    """In the list of the wizard."""
    summary: str
    """What it is for, as short as a list of commands needs it."""
    example: str
    """Arguments and options of a command that may be typed as it is."""
    inputs: tuple[Input, ...]
    function: Callable[..., Calculated]
    """Takes each of `inputs` by its name; raises `UsageError`."""
    explanation: str = ""
    """What the command's help says if not the summary."""

    @property
    def help(self) -> str:
        """What it is for, as the command's help says it."""
        return self.explanation or self.summary

    @property
    def fields(self) -> tuple[Input, ...]:
        """The inputs of its form."""
        return tuple(each for each in self.inputs if each.label)

    def result(self, texts: Mapping[str, str]) -> Calculated:
        """The result for `texts` of inputs by name, each left out at its default; raises
        `UsageError`."""
        return self.function(
            **{each.name: each.read(texts.get(each.name, each.default)) for each in self.inputs}
        )

    def calculated(
        self,
        given: str,
        lines: Sequence[str],
        values: Mapping[str, object],
        formula: str,
        source: str,
        *,
        sufficient: bool = True,
    ) -> Calculated:
        """A result of this calculation."""
        return Calculated(
            self.name, self.title, given, tuple(lines), formula, source, values, sufficient
        )


def bias(
    supply: float,
    terminators: Sequence[float],
    total_loads: float,
    *,
    resistor: float | None = None,
    wanted: float = THRESHOLD,
    impedance: float = IMPEDANCE,
    model: LoadModel = LoadModel.TO_COMMON,
) -> Calculated:
    """Which equal resistors hold an idle pair at `wanted` V, or what a given `resistor` yields;
    raises `UsageError`.

    Where unit loads count, the other model of them is told too, since sources disagree.
    """
    ends = " and ".join(f"{ohms:g}" for ohms in terminators)
    given = (
        f"{supply:g} V, {f'terminators of {ends} Ω' if ends else 'no terminator'},"
        f" {_loads(total_loads)}"
    )
    conductance = (
        f"{'1' if model is LoadModel.TO_COMMON else '2'} / loads + 2 / terminators, each all in"
        " parallel"
    )
    sufficient = True
    if resistor is not None:
        given += f", two resistors of {resistor:g} Ω"
        network = Network(supply, resistor, resistor, tuple(terminators), total_loads, model)
        lines, values = _yield(network)
        sufficient = idle(network).difference >= THRESHOLD
        formula = f"idle = supply / (1 + R × G), G = {conductance}"
        fitted = resistor
    else:
        given += f", {1000 * wanted:g} mV wanted"
        lines, values = _resistors(supply, wanted, terminators, total_loads, impedance, model)
        formula = f"R = (supply / idle - 1) / G, G = {conductance}"
        fitted = bias_resistors(supply, wanted, terminators, total_loads, model)
    between = (
        total_loads / 2 if model is LoadModel.TO_COMMON else total_loads
    )  # two to common make one between the wires
    load = driver_load(terminators, between, 2 * fitted)
    lines.append(f"All together load a driver with {load:.1f} Ω: {_driven(load)}.")
    return BIAS.calculated(
        given,
        lines,
        {**values, "driver_load_ohms": round(load, 1)},
        formula,
        "Kirchhoff's current law; unit load 12 kΩ each wire to common (SP485 datasheet, TI"
        " SLLSFU5A) or across the pair (B&B Application Note, page 19); 200 mV and 54 Ω:"
        " TIA/EIA-485-A as given by TI",
        sufficient=sufficient and load >= _LEAST_LOAD,
    )


def _driven(load: float) -> str:
    """Whether a driver manages a `load` in Ω."""
    least = f"the {LEAST_DRIVER_LOAD:g} Ω that every driver has to manage"
    if load >= LEAST_DRIVER_LOAD:
        return f"lighter than {least}"
    return f"at the limit, {least}" if load >= _LEAST_LOAD else f"TOO MUCH, heavier than {least}"


def _yield(network: Network) -> tuple[list[str], dict[str, object]]:
    """What fitted bias resistors give."""
    found = idle(network)
    verdict = "enough" if found.difference >= THRESHOLD else "NOT ENOUGH"
    lines = [
        (
            f"Idle voltage {1000 * found.difference:.1f} mV: {verdict}, receivers need"
            f" {1000 * THRESHOLD:.0f} mV."
        ),
        f"The bias draws {1000 * found.current:.2f} mA.",
    ]
    if network.unit_loads:
        other = replace(network, model=_other(network.model))
        lines.append(
            f"With unit loads counted {other.model.value}: {1000 * idle(other).difference:.1f} mV."
        )
    return lines, {
        "idle_volts": round(found.difference, 4),
        "milliamperes": round(1000 * found.current, 3),
    }


def _resistors(
    supply: float,
    wanted: float,
    terminators: Sequence[float],
    unit_loads: float,
    impedance: float,
    model: LoadModel,
) -> tuple[list[str], dict[str, object]]:
    """Bias resistors to choose; matched to the cable only where the ends are terminated."""
    each = bias_resistors(supply, wanted, terminators, unit_loads, model)
    lines = [f"Pull-up and pull-down of at most {each:.0f} Ω each hold {1000 * wanted:g} mV."]
    values: dict[str, object] = {"resistor_ohms": round(each, 1)}
    if terminators:
        matched = matched_bias(supply, wanted, impedance, unit_loads, model)
        values["matched_resistor_ohms"] = round(matched.resistor, 1)
        values["matched_near_terminator_ohms"] = round(matched.near_terminator, 1)
        lines.append(
            f"Or {matched.resistor:.0f} Ω each with {matched.near_terminator:.0f} Ω as the"
            f" terminator beside them, which keeps that end matched to a cable of {impedance:g} Ω."
        )
    if unit_loads:
        other = bias_resistors(supply, wanted, terminators, unit_loads, _other(model))
        lines.append(f"With unit loads counted {_other(model).value}: at most {other:.0f} Ω.")
    return lines, values


BIAS = Calculation(
    "bias",
    "Fail-safe bias",
    "Fail-safe bias",
    "Fail-safe bias: the resistors, or the idle voltage they give.",
    "--resistor 650 --unit-loads 28",
    (
        Input("supply", number_for("the supply"), "Bias supply", "V", "5"),
        Input(
            "terminators",
            inputs.terminators,
            "Terminators",
            "Ω",
            f"{IMPEDANCE:g} {IMPEDANCE:g}",
            hint="none, if in series with a capacitor",
            option="--terminator",
            repeated=True,
            help="Ohm of each terminator; two of 120 if left out.",
            flag=Flag(
                "--no-terminators", "none", "None is fitted, or all are in series with a capacitor."
            ),
        ),
        Input(
            "total_loads",
            number_for("the unit loads"),
            "Unit loads in all",
            default="0",
            option="--unit-loads",
            metavar="LOADS",
            help="Unit loads of all receivers.",
        ),
        Input("wanted", number_for("the idle voltage"), "Idle voltage wanted", "V", _THRESHOLD),
        Input(
            "resistor",
            optional(number_for("the resistors")),
            "Or: resistors fitted",
            "Ω",
            hint="each; gives the idle voltage",
            help="Bias resistors that are fitted, each in ohm: gives the idle voltage.",
        ),
        Input(
            "impedance",
            number_for("the impedance"),
            unit="Ω",
            default=f"{IMPEDANCE:g}",
            help="Of the cable, in ohm.",
        ),
        Input(
            "model",
            LoadModel,
            default=LoadModel.TO_COMMON,
            by=By.FLAG,
            flag=Flag(
                "--across",
                LoadModel.ACROSS_PAIR,
                "Take unit loads across the pair, not from each wire to common.",
            ),
        ),
    ),
    bias,
    "Fail-safe bias: which resistors hold an idle pair, or what given ones yield.",
)


def loads(unit_loads: Sequence[float], *, biased: bool = True) -> Calculated:
    """Are repeaters needed for units with these loads, in cable order, and where; raises
    `UsageError`."""
    parts = segments(unit_loads, biased=biased)
    repeaters = len(parts) - 1
    told = f"{counted(repeaters, 'repeater')} needed" if repeaters else "No repeater needed"
    values = {
        "repeaters": repeaters,
        "segments": [{"units": p.units, "used": p.used, "allowed": p.allowed} for p in parts],
    }
    lines = [
        f"Segment {number}: {counted(part.units, 'unit')}, {part.used:g} of {part.allowed:g} unit"
        " loads."
        for number, part in enumerate(parts, start=1)
    ]
    return LOADS.calculated(
        f"{counted(len(unit_loads), 'unit')}, {_loads(sum(unit_loads))},"
        f" {'with' if biased else 'without'} bias",
        (f"{told}.", *lines),
        values,
        "sum of unit loads <= 32, 4 fewer with bias; a repeater is 1 on both its sides",
        "MODBUS over Serial Line V1.02, sections 3.4.1 and 3.4.6",
        sufficient=not repeaters,
    )


LOADS = Calculation(
    "loads",
    "Unit loads and repeaters",
    "Loads, repeaters",
    "Unit-load budget, and where repeaters are needed.",
    "1 20x1 8x0.125",
    (
        Input(
            "unit_loads",
            inputs.unit_loads,
            "Unit loads, cable order",
            hint="20x1 8x0.125",
            by=By.ARGUMENTS,
            metavar="LOAD",
        ),
        Input(
            "biased",
            partial(inputs.yes, what="the bias"),
            "Is the pair biased?",
            default="yes",
            hint="yes or no",
            by=By.FLAG,
            flag=Flag("--no-bias", "no", "The pair has no bias, which costs four units' worth."),
        ),
    ),
    loads,
    "Unit-load budget: are repeaters needed, and where?  Give each unit's load in cable order,"
    " master included.",
)


def stub(rise_time_ns: float | None = None, derivations: int = 1) -> Calculated:
    """Longest stub by the guide, and by a driver's edge where its `rise_time_ns` (10 to 90 %) is
    given; raises `UsageError`."""
    guide = longest_derivation(derivations)
    values: dict[str, object] = {"by_guide_metres": round(guide, 2)}
    given = f"{counted(derivations, 'derivation')} at one tap"
    lines = [f"By the Modbus guide: at most {guide:.1f} m{'' if derivations == 1 else ' each'}."]
    if rise_time_ns is not None:
        edge, third = longest_stub(rise_time_ns * 1e-9), critical_length(rise_time_ns * 1e-9) / 3
        values |= {"by_edge_metres": round(edge, 3), "by_critical_length_metres": round(third, 3)}
        given += f", rise time {rise_time_ns:g} ns"
        lines = [
            (
                f"By the driver's edge: at most {edge:.2f} m. The edge counts, not the baud rate in"
                " use."
            ),
            (
                f"Another rule, a third of the critical length, allows {third:.2f} m; the sources"
                " disagree."
            ),
            *lines,
        ]
    return STUB.calculated(
        given,
        lines,
        values,
        "0.1 × rise time × 0.78 × 3e8 m/s; by the guide 20 m, and 40 m / derivations",
        "TI SLLSF20B 'Stub Length' and SN65HVD10 table 10-1; ECSS, citing CiA 301 (critical"
        " length); MODBUS over Serial Line V1.02, section 3.4.3",
    )


STUB = Calculation(
    "stub",
    "Longest stub",
    "Stub",
    "Longest stub: by the driver's edge, and by the Modbus guide.",
    "--rise-time 25",
    (
        Input(
            "rise_time_ns",
            optional(number_for("the rise time")),
            "Driver's rise time",
            "ns",
            hint="data sheet, 10 to 90 %; may be empty",
            option="--rise-time",
            help="Driver's 10-90 % rise time in ns.",
        ),
        Input(
            "derivations",
            partial(inputs.whole, what="The number of derivations", least=1, most=100),
            "Derivations at the tap",
            default="1",
            metavar="1-100",
        ),
    ),
    stub,
)


def length(
    baud: int,
    cable: CableKind = CableKind.TWISTED_PAIR,
    *,
    metres: float | None = None,
    wire: Conductor | None = None,
) -> Calculated:
    """Longest trunk at `baud`; with `metres` of `wire` also what of a driver's level reaches the
    far terminator.

    Raises `UsageError`.
    """
    limit = longest_trunk(baud, cable)
    values: dict[str, object] = {
        "metres": round(limit.length, 1),
        "by_rate_metres": round(limit.by_rate, 1),
        "by_guide_metres": limit.by_guide,
    }
    given = f"{baud} baud, {_CABLES[cable]}"
    guide = (
        "gives no figure above 9600 baud"
        if limit.by_guide is None
        else f"says {limit.by_guide:.0f} m"
    )
    lines = [
        f"At most {limit.length:.0f} m: length times rate allows {limit.by_rate:.0f} m, the Modbus"
        f" guide {guide}."
    ]
    sufficient = metres is None or metres <= limit.length
    if metres is not None:
        given += f", {require(metres, 'The length', 'm'):g} m"
        lines.append(f"{metres:g} m are {'within that' if sufficient else 'TOO LONG'}.")
    if metres is not None and wire is not None:
        far = far_level(DRIVER_LEAST, wire.loop(metres), IMPEDANCE)
        values["far_volts"] = round(far, 3)
        given += f" of {wire.name}"
        sufficient = sufficient and far >= THRESHOLD
        enough = "enough" if far >= THRESHOLD else "NOT ENOUGH"
        lines.append(
            f"Of {DRIVER_LEAST:g} V {far:.2f} V reach a far terminator of {IMPEDANCE:g} Ω: {enough}"
            f" for direct current ({1000 * THRESHOLD:.0f} mV), less at signal frequencies."
        )
    return LENGTH.calculated(
        given,
        lines,
        values,
        "length × baud rate <= 1e8 m bit/s, and <= 1200 m; far level = driver × R / (R + loop)",
        "TI RS-485 Design Guide (SLLA272); MODBUS over Serial Line V1.02, sections 3.4.3 and 3.6;"
        " driver 1.5 V: TI SLLA628",
        sufficient=sufficient,
    )


LENGTH = Calculation(
    "length",
    "Length and baud rate",
    "Length, baud rate",
    "Longest trunk at a baud rate.",
    "--baud 115200",
    (
        Input(
            "baud",
            partial(inputs.whole, what="The baud rate", least=300, most=4_000_000),
            "Baud rate",
            required=True,
            help="Baud rate, from 300 on.",
        ),
        Input(
            "cable",
            inputs.cable_kind,
            "Cable",
            default="pair",
            hint=", ".join(inputs.CABLES),
            metavar="|".join(inputs.CABLES),
            help="Kind of trunk.",
        ),
        Input(
            "metres",
            optional(number_for("the length")),
            "Length",
            "m",
            hint="to be judged; may be empty",
            help="Length of the trunk, to be judged.",
        ),
        Input(
            "wire",
            optional(Conductor.parse),
            "Wire size",
            start=inputs.USUAL_WIRE,
            hint=_WIRE_SIZES,
            metavar="SIZE",
            help=f"Its wire size, for the level at the far end: {_WIRE_SIZES}.",
        ),
    ),
    length,
)


def drop(
    drains: Sequence[Drain], supply: float, wire: Conductor, celsius: float = 20.0
) -> Calculated:
    """Voltage left at units that draw current at their own distances along one supply pair; raises
    `UsageError`."""
    if not drains:
        raise UsageError(
            "No unit draws anything.",
            todo="Give each unit's distance in m and current in A, like 50:0.1.",
        )
    left = voltages_along(supply, wire, drains, celsius)
    lines = [
        (
            f"At {drain.metres:g} m, {drain.amperes:g} A: {volts:.2f} V left,"
            f" {100 * (1 - volts / supply):.1f} % lost."
            if volts > 0
            else (
                f"At {drain.metres:g} m, {drain.amperes:g} A: nothing left; this pair cannot carry"
                " these units."
            )
        )
        for drain, volts in zip(drains, left, strict=True)
    ]
    return DROP.calculated(
        f"{supply:g} V, {wire.name} at {celsius:g} °C, {counted(len(drains), 'unit')}",
        lines,
        {"volts": [round(volts, 3) for volts in left]},
        "drop of each stretch = 2 × length × Ω/m × current of all units behind it",
        "Ohm's law, out and back; wire by ASTM B258 (AWG) or IEC 60228 (mm², its maximum for"
        " flexible wire)",
        sufficient=all(volts > 0 for volts in left),
    )


DROP = Calculation(
    "drop",
    "Voltage drop along the supply pair",
    "Voltage drop",
    "Voltage left at each unit along a supply pair.",
    "50:0.1 120:0.1 --supply 12 --wire AWG20",
    (
        Input("supply", number_for("the supply"), "Supply", "V", "24"),
        Input(
            "wire",
            Conductor.parse,
            "Wire size",
            default="0.75",
            hint=_WIRE_SIZES,
            metavar="SIZE",
            help=f"Wire size: {_WIRE_SIZES}.",
        ),
        Input(
            "drains",
            inputs.drains,
            "Units, m:A each",
            start="50:0.1 120:0.1",
            hint="50:0.1 120:0.1",
            by=By.ARGUMENTS,
            metavar="METRES:AMPERES",
        ),
        Input(
            "celsius",
            number_for("the temperature"),
            "Copper",
            "°C",
            "20",
            help="Copper temperature in °C.",
        ),
    ),
    drop,
    "Voltage left at units that draw current at their own distances along one supply pair.",
)


def time(settings: LineSettings, registers: int, latency_ms: float | None = None) -> Calculated:
    """Time one read of `registers` takes, where the unit replies `latency_ms` after the request;
    raises `UsageError`.

    None is the least that the standard lets a unit take.
    """
    latency, delay = None, "3.5 characters"
    if latency_ms is not None:
        latency = require(latency_ms, "The unit's delay", "ms", zero=True) / 1000
        delay = f"{latency_ms:g} ms"
    reply = read_reply_bytes(registers)
    seconds = exchange_time(settings, READ_REQUEST_BYTES, reply, latency)
    return TIME.calculated(
        f"{counted(registers, 'register')} at {settings}, the unit's delay {delay}",
        (
            (
                f"{READ_REQUEST_BYTES} bytes out, {reply} bytes back, and silences:"
                f" {1000 * seconds:.1f} ms at {settings}."
            ),
            (
                f"A character is {settings.bits_per_character} bits and takes"
                f" {1000 * settings.character_time:.3f} ms; 3.5 characters of silence are"
                f" {1000 * settings.t3_5:.3f} ms."
            ),
            f"At most {1 / seconds:.1f} such reads a second.",
        ),
        {
            "request_bytes": READ_REQUEST_BYTES,
            "reply_bytes": reply,
            "milliseconds": round(1000 * seconds, 3),
        },
        "3.5 characters + (request + reply) × bits / baud + the unit's delay, which is 3.5"
        " characters where it is not known",
        "MODBUS over Serial Line V1.02, sections 2.5.1 and 2.5.1.1",
    )


TIME = Calculation(
    "time",
    "Time on the wire",
    "Time on the wire",
    "Time one read takes on the wire.",
    "--settings 9600-8N1 --registers 10",
    (
        replace(_SETTINGS, required=True, help="Line settings, such as 9600-8N1."),
        Input(
            "registers",
            partial(inputs.whole, what="The number of registers", least=1, most=MOST_REGISTERS),
            "Registers read",
            default="1",
            start="2",
            metavar=f"1-{MOST_REGISTERS}",
        ),
        Input(
            "latency_ms",
            optional(number_for("the delay")),
            "The unit's delay",
            "ms",
            hint="3.5 characters if empty",
            option="--latency",
            help="The unit's delay in ms; 3.5 characters, the least by the standard, if left out.",
        ),
    ),
    time,
    "Time one read takes on the wire: request, reply and the silences between.",
)


def bits(data: bytes, settings: LineSettings) -> Calculated:
    """The bits of `data` as they follow each other on the wire, as a scope shows them; raises
    `UsageError`."""
    if not 0 < len(data) <= _MOST_BYTES:
        raise UsageError(
            f"{counted(len(data), 'byte')} are no frame.", todo=f"Give 1 to {_MOST_BYTES} bytes."
        )
    sent = [_drawn(value, settings) for value in data]
    parity = "" if settings.parity is Parity.NONE else ", parity"
    return BITS.calculated(
        f"{hex_bytes(data)} at {settings}",
        (
            (
                f"{counted(len(data) * settings.bits_per_character, 'bit')},"
                f" {1000 * settings.wire_time(len(data)):.3f} ms; one bit is"
                f" {1e6 * settings.bit_time:.1f} µs."
            ),
            *(f"{value:02X}  {drawn}" for value, drawn in zip(data, sent, strict=True)),
        ),
        {"bits": sent, "bit_microseconds": round(1e6 * settings.bit_time, 3)},
        f"start 0, data from the lowest bit{parity}, stop 1; 1 is D1 above D0, as idle is",
        "MODBUS over Serial Line V1.02, sections 2.5.1, 2.6.1 and 3.3.2",
    )


BITS = Calculation(
    "bits",
    "Bits on the wire",
    "Bits on the wire",
    "Bits of bytes on the wire, in the order they are sent.",
    "C5 --settings 9600-8O1",
    (
        replace(_SETTINGS, default="9600-8E1"),
        Input(
            "data",
            inputs.frame_bytes,
            "Bytes",
            start="01 03",
            hint="hex pairs",
            by=By.ARGUMENTS,
            metavar="HEX",
        ),
    ),
    bits,
    "Bits of bytes on the wire, in the order they are sent: start, data, parity, stop.",
)

CALCULATIONS = (BIAS, LOADS, STUB, LENGTH, DROP, TIME, BITS)
"""All of them, in the order they are listed."""


def known_inputs(settings: LineSettings, units: int) -> dict[str, str]:
    """Texts of inputs by name, from the line's `settings` and the number of known `units`, the
    master not among them."""
    return {
        "settings": str(settings),
        "baud": str(settings.baud),
        "total_loads": str(units + 1),
        "unit_loads": f"{units + 1}x1",
    }


_CABLES = {
    CableKind.TWISTED_PAIR: "twisted pair",
    CableKind.CATEGORY_5: "Category 5 cable",
    CableKind.FOUR_WIRE_AS_TWO: "four-wire cabling used as two-wire",
}


def _other(model: LoadModel) -> LoadModel:
    return LoadModel.TO_COMMON if model is LoadModel.ACROSS_PAIR else LoadModel.ACROSS_PAIR


def _loads(unit_loads: float) -> str:
    return (
        "no unit load"
        if not unit_loads
        else "1 unit load"
        if unit_loads == 1
        else f"{unit_loads:g} unit loads"
    )


def _drawn(value: int, settings: LineSettings) -> str:
    """Start, data, parity and stop bits, parted by spaces."""
    bits_ = "".join(str(bit) for bit in character_bits(value, settings))
    data = 1 + settings.data_bits
    parts = (
        bits_[0],
        bits_[1:data],
        bits_[data : -settings.stop_bits],
        bits_[-settings.stop_bits :],
    )
    return " ".join(part for part in parts if part)
