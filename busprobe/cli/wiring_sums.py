"""The arithmetic under ``busprobe wiring``: one command a sum, each naming its source."""

from __future__ import annotations

from collections.abc import Mapping

import click

from busprobe.cli import options, output
from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.wiring.arithmetic.bias import THRESHOLD, LoadModel, Network, bias_resistors, idle, matched_bias
from busprobe.wiring.arithmetic.bits import exchange_time
from busprobe.wiring.arithmetic.budget import segments
from busprobe.wiring.arithmetic.conductor import Conductor, Drain, voltages_along
from busprobe.wiring.arithmetic.trunk import Cabling, longest_derivation, longest_stub, longest_trunk

_CABLING = {"pair": Cabling.TWISTED_PAIR, "cat5": Cabling.CATEGORY_5, "four-wire": Cabling.FOUR_WIRE_AS_TWO}


def _tell(as_json: bool, name: str, values: Mapping[str, object], lines: list[str], source: str) -> None:
    if as_json:
        output.document({"format": f"busprobe.wiring-{name}/1", **values, "source": source})
    else:
        output.lines([*lines, f"Source: {source}."])


@click.command("bias")
@click.option("--supply", type=float, default=5.0, show_default=True, help="Bias supply in V.")
@click.option(
    "--terminator", "terminators", type=float, multiple=True, help="Ohm of each terminator; two of 120 if left out."
)
@click.option("--unit-loads", type=float, default=0.0, show_default=True, help="Unit loads of all receivers.")
@click.option("--resistor", type=float, help="Bias resistors that are fitted, each in ohm: gives the idle voltage.")
@click.option("--wanted", type=float, default=THRESHOLD, show_default=True, help="Idle voltage wanted, in V.")
@click.option("--across", is_flag=True, help="Take unit loads across the pair, not from each wire to common.")
@options.as_json
def bias(
    supply: float,
    terminators: tuple[float, ...],
    unit_loads: float,
    resistor: float | None,
    wanted: float,
    across: bool,
    as_json: bool,
) -> None:
    """Fail-safe bias: which resistors hold an idle pair, or what given ones yield.

    \b
    Example:
      busprobe wiring bias --resistor 650 --unit-loads 28
    """
    ends = terminators or (120.0, 120.0)
    model = LoadModel.ACROSS_PAIR if across else LoadModel.TO_COMMON
    values: dict[str, object]
    if resistor is not None:
        found = idle(Network(supply, resistor, resistor, ends, unit_loads, model))
        verdict = "enough" if found.difference >= THRESHOLD else "NOT ENOUGH"
        values = {"idle_volts": round(found.difference, 4), "milliamperes": round(1000 * found.current, 3)}
        lines = [
            f"Idle voltage {1000 * found.difference:.1f} mV: {verdict}, receivers need {1000 * THRESHOLD:.0f} mV.",
            f"The bias draws {1000 * found.current:.2f} mA.",
        ]
    else:
        each = bias_resistors(supply, wanted, ends, unit_loads, model)
        matched = matched_bias(supply, wanted, ends[0], unit_loads, model)
        values = {
            "resistor_ohms": round(each, 1),
            "matched_resistor_ohms": round(matched.resistor, 1),
            "matched_near_terminator_ohms": round(matched.near_terminator, 1),
        }
        lines = [
            f"Pull-up and pull-down of at most {each:.0f} ohm each hold {1000 * wanted:.0f} mV.",
            f"Or {matched.resistor:.0f} ohm each with {matched.near_terminator:.0f} ohm as the terminator beside them,"
            " which keeps that end matched to the cable.",
        ]
    _tell(as_json, "bias", values, lines, "Kirchhoff's current law; unit load 12 kohm (TI SLLSFU5A, 'Bus Loading')")


@click.command("loads")
@click.argument("loads", metavar="LOAD...", type=float, nargs=-1, required=True)
@click.option("--no-bias", is_flag=True, help="The pair has no bias, which costs four units' worth.")
@options.as_json
def loads(loads: tuple[float, ...], no_bias: bool, as_json: bool) -> None:
    """Unit-load budget: are repeaters needed, and where?  Give each unit's load in cable order, master included.

    \b
    Example:
      busprobe wiring loads 1 1 0.125 0.125
    """
    parts = segments(loads, biased=not no_bias)
    values = {
        "repeaters": len(parts) - 1,
        "segments": [{"units": p.units, "used": p.used, "allowed": p.allowed} for p in parts],
    }
    lines = [f"Segment {n}: {p.units} units, {p.used:g} of {p.allowed:g} unit loads." for n, p in enumerate(parts, 1)]
    lines.append(f"Repeaters needed: {len(parts) - 1}.")
    _tell(as_json, "loads", values, lines, "MODBUS over Serial Line V1.02, sections 3.4.1 and 3.4.6")


@click.command("stub")
@click.option("--rise-time", type=float, help="Driver's 10-90 % rise time in ns.")
@click.option("--derivations", type=click.IntRange(1), default=1, show_default=True, help="Derivations at one tap.")
@options.as_json
def stub(rise_time: float | None, derivations: int, as_json: bool) -> None:
    """Longest stub: by the driver's edge, and by the Modbus guide.

    \b
    Example:
      busprobe wiring stub --rise-time 25
    """
    guide = longest_derivation(derivations)
    values: dict[str, object] = {"by_guide_metres": round(guide, 2)}
    lines = [f"By the Modbus guide: at most {guide:.1f} m for each of {derivations} derivations at one tap."]
    if rise_time is not None:
        edge = longest_stub(rise_time * 1e-9)
        values["by_edge_metres"] = round(edge, 3)
        lines.append(f"By an edge of {rise_time:g} ns: at most {edge:.2f} m.  The edge counts, not the baud rate.")
    source = "MODBUS over Serial Line V1.02, section 3.4.3; TI SLLSF20B 'Stub Length'"
    _tell(as_json, "stub", values, lines, source)


@click.command("length")
@click.option("--baud", type=click.IntRange(300), required=True, help="Baud rate.")
@click.option("--cable", type=click.Choice(sorted(_CABLING)), default="pair", show_default=True, help="Kind of trunk.")
@options.as_json
def length(baud: int, cable: str, as_json: bool) -> None:
    """Longest trunk at a baud rate.

    \b
    Example:
      busprobe wiring length --baud 115200
    """
    limit = longest_trunk(baud, _CABLING[cable])
    values = {
        "metres": round(limit.length, 1),
        "by_rate_metres": round(limit.by_rate, 1),
        "by_guide_metres": limit.by_guide,
    }
    guide = "gives no figure above 9600 baud" if limit.by_guide is None else f"says {limit.by_guide:.0f} m"
    lines = [f"At most {limit.length:.0f} m: length times rate allows {limit.by_rate:.0f} m, the Modbus guide {guide}."]
    source = "TI RS-485 Design Guide (SLLA272); MODBUS over Serial Line V1.02, sections 3.4.3 and 3.6"
    _tell(as_json, "length", values, lines, source)


@click.command("drop")
@click.argument("units", metavar="METRES:AMPERES...", nargs=-1, required=True)
@click.option("--supply", type=float, default=24.0, show_default=True, help="Supply in V.")
@click.option("--wire", default="0.75", show_default=True, help="Wire size: AWG24, or mm² like 0.75.")
@click.option("--celsius", type=float, default=20.0, show_default=True, help="Copper temperature.")
@options.as_json
def drop(units: tuple[str, ...], supply: float, wire: str, celsius: float, as_json: bool) -> None:
    """Voltage left at units that draw current at their own distances along one supply pair.

    \b
    Example:
      busprobe wiring drop 50:0.1 120:0.1 --supply 12 --wire AWG20
    """
    drains = [_drain(text) for text in units]
    left = voltages_along(supply, Conductor.parse(wire), drains, celsius)
    values = {"volts": [round(value, 3) for value in left]}
    lines = [
        f"At {drain.metres:g} m, {drain.amperes:g} A: {volts:.2f} V left, {100 * (1 - volts / supply):.1f} % lost."
        if volts > 0
        else f"At {drain.metres:g} m, {drain.amperes:g} A: nothing left; this pair cannot carry these units."
        for drain, volts in zip(drains, left, strict=True)
    ]
    _tell(as_json, "drop", values, lines, "Ohm's law, out and back; wire by ASTM B258 (AWG) or IEC 60228 (mm²)")


@click.command("time")
@click.option("--settings", type=options.SETTINGS, required=True, help="Line settings, such as 9600-8N1.")
@click.option("--registers", type=click.IntRange(1, 125), default=1, show_default=True, help="Registers read.")
@click.option("--latency", type=float, default=0.0, show_default=True, help="The unit's own delay in ms.")
@options.as_json
def wire_time(settings: LineSettings, registers: int, latency: float, as_json: bool) -> None:
    """Time one read takes on the wire: request, reply and the silences between.

    \b
    Example:
      busprobe wiring time --settings 9600-8N1 --registers 10
    """
    request, reply = 8, 5 + 2 * registers
    seconds = exchange_time(settings, request, reply, latency / 1000)
    values = {"request_bytes": request, "reply_bytes": reply, "milliseconds": round(1000 * seconds, 3)}
    lines = [f"{request} bytes out, {reply} bytes back, and silences: {1000 * seconds:.1f} ms at {settings}."]
    _tell(as_json, "time", values, lines, "MODBUS over Serial Line V1.02, section 2.5.1")


def _drain(text: str) -> Drain:
    metres, _, amperes = text.replace(",", ".").partition(":")
    try:
        return Drain(float(metres), float(amperes))
    except ValueError:
        raise UsageError(
            f"'{text}' is not a unit on the supply pair.",
            todo="Write its distance in m and its current in A, like 50:0.1.",
        ) from None


COMMANDS = (bias, loads, stub, length, drop, wire_time)
