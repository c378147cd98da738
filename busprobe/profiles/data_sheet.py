"""A profile as a data sheet page, and the fields a profile can have, as plain text of 80
columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from typing import get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.modbus.identification import object_name
from busprobe.profiles.changes import (
    BaudRegister,
    Change,
    Effect,
    FormatRegister,
    LineChange,
    Readdress,
    ReplyFrom,
)
from busprobe.profiles.drafting.notes import NOTES_ONLY, NotedPoint
from busprobe.profiles.fingerprint import Fingerprint, RegisterTest
from busprobe.profiles.read_requests import blocks
from busprobe.profiles.registers import AddressPart
from busprobe.profiles.schema import Point, Profile, ScaleMeaning, WordOrder

WIDTH = 80
"""Columns of a page: the smallest screen that is supported."""

_LABEL = 16
"""Columns of the labels at the left."""

_NAME = 20
"""Columns of a point's name in the table."""

_INSET = " " * 20
"""What stands before a point's description, below the numbers of its registers."""

_BY_HAND = "not by a write: set it on the unit"
_EFFECTS = {
    Effect.AT_ONCE: "holds at once",
    Effect.AFTER_SAVE: "holds once saved",
    Effect.AFTER_POWER_CYCLE: "holds after a power cycle",
    Effect.NOT_STATED: "when it holds is not stated",
}
_SCALES = {ScaleMeaning.EXPONENT: "x 10^", ScaleMeaning.FACTOR: "x", ScaleMeaning.DIVISOR: "/"}
_REPLIES = {
    ReplyFrom.OLD: "the reply comes from the old address",
    ReplyFrom.NEW: "the reply comes from the new address",
    ReplyFrom.NONE: "there is no reply",
}


def data_sheet(profile: Profile) -> tuple[str, ...]:
    """The lines of a page that says all of `profile`; registers as decimal, hex and the data
    sheet's own number."""
    title = str(profile)
    lines = [title, "=" * len(title)]
    lines += _item("What it is", profile.kind)
    lines += _item(
        "Profile", f"{profile.id}, generic: by an open standard" if profile.generic else profile.id
    )
    if profile.factory:
        lines += _item(
            "At delivery",
            f"address {both_forms(profile.factory.address)}, {profile.factory.settings}",
        )
    else:
        lines += _item("At delivery", "not known")
    lines += _item(
        "Registers", f"zero-based as on the wire; the data sheet's numbering is {profile.numbering}"
    )
    lines += _item("Limits", limits(profile))
    for caution in profile.cautions:
        lines += _item("Caution", caution)
    lines += _item("New address", _readdress(profile.readdress))
    lines += _item("Line settings", _line_settings(profile.line_settings))
    if profile.rescue:
        lines += _item("If it is lost", profile.rescue)
    for told in profile.objects:
        lines += _item(
            "Says of itself", f"{object_name(told.object)} (43/14): its {told.tells.words}"
        )
    for expectation in _expectations(profile.fingerprint):
        lines += _item("Recognised by", expectation)
    if profile.points:
        needed = len(blocks(profile))
        lines += ["", f"Points, read in {needed} request{'' if needed == 1 else 's'}"]
        lines += [f"FC   dec    hex  sheet {'type':<12} {'name':<{_NAME}} value", "-" * WIDTH]
        for point in profile.points:
            lines += _point(point)
    return tuple(lines)


def field_guide() -> tuple[str, ...]:
    """The lines of a page that explains every field of a profile file, and what notes for a draft
    have besides."""
    lines = [*_fields(Profile, ""), ""]
    lines += _item("", "Notes for 'busprobe profiles draft' are such a file, of which only the "
                   "points are needed, and "
                   "of each only name and register. They can also say:", 0)  # fmt: skip
    for name in NOTES_ONLY:
        lines += _item("", f"points[].{name}: may be left out", 0)
        lines += _item("", NotedPoint.model_fields[name].description or "", 4)
    return tuple(lines)


def _item(label: str, text: str, indent: int = _LABEL) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=f"{label:<{indent}}",
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    )


def limits(profile: Profile) -> str:
    """What the unit can take, in one phrase."""
    can = profile.limits
    parts = [f"{can.registers} registers a request"]
    if can.gap_s:
        parts.append(f"{can.gap_s:g} s of silence before the next request")
    if can.response_s:
        parts.append(f"replies within {can.response_s:g} s")
    if can.wake_up_s:
        parts.append(f"awake after {can.wake_up_s:g} s")
    if can.sleeps_after_s:
        parts.append(f"asleep after {can.sleeps_after_s:g} s without a request")
    return ", ".join(parts)


def _readdress(readdress: Readdress | None) -> str:
    if readdress is None:
        return _BY_HAND
    reply = f"{_REPLIES[readdress.reply_from]}; " if readdress.stated_effect else ""
    return (
        f"written to {_where(readdress)} by function {readdress.function},"
        f" {format_addresses(readdress.addresses)}; {_EFFECTS[readdress.effect]};"
        f" {reply}{_rest(readdress)}"
    )


def _line_settings(change: LineChange | None) -> str:
    if change is None:
        return _BY_HAND
    codes = "; ".join(
        f"the code of the {what} is written to {_where(register)}{_how(change.of(register))}: "
        + ", ".join(f"{setting} = {code}" for setting, code in register.codes.items())
        for what, register in (("baud rate", change.baud), ("format", change.format))
        if register is not None
    )
    return f"{codes}; {_rest(change)}"


def _how(change: Change) -> str:
    return f" by function {change.function}, {_EFFECTS[change.effect]}"


def _where(place: Readdress | BaudRegister | FormatRegister) -> str:
    part = "" if place.part is AddressPart.WHOLE else f"the {place.part} of "
    return f"{part}holding register {place.at}"


def _rest(change: Change) -> str:
    further = {"unlocked": change.unlock, "saved": change.save, "locked again": change.relock}
    steps = "".join(
        f"; {what} by writing {', '.join(f'0x{value:04X}' for value in write.values)} to holding"
        f" register {write.at} by function {write.function}"
        for what, write in further.items()
        if write is not None
    )
    if change.unlock_window_s is not None:
        steps += f"; locks itself again after {change.unlock_window_s:g} s"
    if change.locked_exception is not None:
        steps += f"; while locked it refuses with exception {change.locked_exception}"
    if change.service_address is not None:
        steps += f"; all writes go to address {change.service_address}"
    if change.together:
        registers = ", ".join(map(str, change.together))
        steps += f"; only by one request that writes the holding registers {registers} together"
    if not change.readable:
        steps += "; the register can only be written"
    return f"ready again after {change.wait_s:g} s{steps}"


def _expectations(fingerprint: Fingerprint) -> Iterator[str]:
    if fingerprint.server_id:
        yield f"server id (function 17): {fingerprint.server_id.words}"
    for test in fingerprint.objects:
        yield f"{object_name(test.object)} (43/14): {test.words}"
    for register in fingerprint.registers:
        yield _register_test(register)


def _register_test(test: RegisterTest) -> str:
    span = f"{test.lowest}" if test.lowest == test.highest else f"{test.lowest} to {test.highest}"
    masked = "" if test.mask == 0xFFFF else f", masked with 0x{test.mask:04X}"
    meaning = f" ({test.meaning})" if test.meaning else ""
    return f"register {test.at} by function {test.function}: {span}{masked}{meaning}"


def _point(point: Point) -> list[str]:
    kind = f"{point.type}" if point.order is WordOrder.ABCD else f"{point.type} {point.order}"
    if point.length is not None:
        kind += f"[{point.count}]"
    if point.first_bit is not None and point.bit_count is not None:
        kind += f" b{point.first_bit}-{point.first_bit + point.bit_count - 1}"
    lead = (
        f"{point.function:>2} {point.at.wire:>5} 0x{point.at.wire:04X} {point.at.sheet:>6}"
        f" {kind:<12} "
    )
    name = textwrap.wrap(point.name, _NAME)
    value = textwrap.wrap(_value(point), WIDTH - len(lead) - _NAME - 1)
    rows = max(len(name), len(value))
    left = [lead] + [" " * len(lead)] * (rows - 1)
    cells = zip(left, _padded(name, rows), _padded(value, rows), strict=True)
    return [
        *(f"{a}{b:<{_NAME}} {c}".rstrip() for a, b, c in cells),
        *textwrap.wrap(
            point.description or "", WIDTH, initial_indent=_INSET, subsequent_indent=_INSET
        ),
    ]


def _padded(cells: list[str], rows: int) -> list[str]:
    return cells + [""] * (rows - len(cells))


def _value(point: Point) -> str:
    parts = [point.unit] if point.unit else []
    if point.scale != 1:
        parts.append(f"x {point.scale:g}")
    if point.scale_register:
        parts.append(f"{_SCALES[point.scale_register.means]} register {point.scale_register.at}")
    if point.offset:
        parts.append(f"{point.offset:+g}")
    if point.plausible_min is not None or point.plausible_max is not None:
        ends = (
            "…" if end is None else f"{end:g}" for end in (point.plausible_min, point.plausible_max)
        )
        parts.append(f"({' to '.join(ends)})")
    parts += [f"{number}={name}" for number, name in sorted(point.names.items())]
    if point.no_value:
        parts.append("none: " + " ".join(f"0x{code:X}" for code in point.no_value))
    if point.tolerance is not None:
        parts.append(f"±{point.tolerance:g}")
    if point.tolerance_percent is not None:
        parts.append(f"±{point.tolerance_percent:g}%")
    if point.alarm_min is not None:
        parts.append(f"alarm below {point.alarm_min:g}")
    if point.alarm_max is not None:
        parts.append(f"alarm above {point.alarm_max:g}")
    if point.decimals is not None:
        parts.append(f"shown with {point.decimals} decimals")
    if point.constant:
        parts.append("read once")
    if point.channel:
        parts.append(f"channel {point.channel}")
    if point.writable:
        parts.append("R/W")
    if point.tells:
        parts.append(f"tells the unit's {point.tells.words}")
    return " ".join(parts)


def _fields(model: type[BaseModel], prefix: str) -> Iterator[str]:
    for name, field in model.model_fields.items():
        path = prefix + (field.alias or name)
        part = _part(field)
        needed = "required" if field.is_required() else "may be left out"
        yield from _item("", f"{path}{'' if part is None else _suffix(field)}: {needed}", 0)
        yield from _item("", field.description or "", 4)
        if part is not None:
            yield from _fields(part, path + _suffix(field) + ".")


def _part(field: FieldInfo) -> type[BaseModel] | None:
    """The part of a profile that `field` holds, alone or many of it."""
    candidates: Iterable[object] = (field.annotation, *get_args(field.annotation))
    return next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), None)


def _suffix(field: FieldInfo) -> str:
    return "[]" if Ellipsis in get_args(field.annotation) else ""
