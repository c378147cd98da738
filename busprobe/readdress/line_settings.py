"""Line settings of units changed by the same guarded move: one unit and one setting at a time, last
of all.

Codes of baud rates and parities differ from maker to maker (common practice), so they only ever
come from a profile, and the register has to hold the code of the present setting before it is
written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Generic

from busprobe.errors import RefusedError, UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress.move_order import Unit
from busprobe.readdress.procedure import Move, Procedure


def change_of_settings(profile: Profile, place: Place, wanted: LineSettings) -> Move:
    """The move of the unit at `place` to `wanted`, of which only the baud rate or only the format
    may be another.

    Raises `UsageError` if both are, or if the profile does not say how it is done or which code it
    takes.
    """
    present, how = place.settings, profile.line_settings
    if present.baud != wanted.baud and present.format != wanted.format:
        raise UsageError(
            f"From {present} to {wanted} baud rate and format are both to change.",
            todo="Change one, check the unit, then change the other.",
        )
    register = None if how is None else how.baud if present.baud != wanted.baud else how.format
    if how is None or register is None:
        raise UsageError(
            f"The profile {profile.id} does not say how a {profile.model} is given {wanted}.",
            todo="Set it on the unit itself (switches, keys, the maker's own way).",
        )
    how = how.of(register)
    codes = tuple((_with(present, key), code) for key, code in register.codes.items())
    procedure = Procedure.of_change(profile, how, register, codes)
    move = Move(place, Place(place.address, wanted), procedure)
    if procedure.value(move.target) is None:
        known = ", ".join(str(settings) for settings, _ in procedure.codes)
        raise UsageError(
            f"The profile {profile.id} has no code for {wanted}.", todo=f"It has codes for {known}."
        )
    return move


def path(present: LineSettings, wanted: LineSettings) -> tuple[LineSettings, ...]:
    """The settings to go through from `present` to `wanted`, one change each: baud rate first, then
    format."""
    between = replace(
        wanted, data_bits=present.data_bits, parity=present.parity, stop_bits=present.stop_bits
    )
    steps = (between, wanted)
    return tuple(new for old, new in zip((present, *steps), steps, strict=False) if new != old)


@dataclass(frozen=True)
class PlannedChange(Generic[Unit]):
    """One write of the plan."""

    unit: Unit
    place: Place
    """Where the unit answers before."""
    settings: LineSettings
    """Line settings afterwards."""


def plan_settings(
    places: Mapping[Unit, Place], goal: LineSettings
) -> tuple[PlannedChange[Unit], ...]:
    """The changes that bring all units to `goal`, unit by unit, with as few writes as there are
    differences.

    Raises `RefusedError` while two units share an address, at whatever settings: they would meet at
    the goal.
    """
    at: dict[int, Unit] = {}
    for unit, place in places.items():
        if place.address in at:
            raise RefusedError(
                f"{at[place.address]} and {unit} share unit address {both_forms(place.address)} at"
                " different settings.",
                means="They would collide as soon as both have the same settings.",
                todo="Give every unit an address of its own first; line settings come last.",
            )
        at[place.address] = unit
    changes = []
    for unit, place in places.items():
        for settings in path(place.settings, goal):
            changes.append(PlannedChange(unit, place, settings))
            place = Place(place.address, settings)
    return tuple(changes)


def _with(present: LineSettings, key: int | str) -> LineSettings:
    """`present` with a baud rate or a format of the profile in place of its own."""
    return LineSettings.parse(
        f"{key}-{present.format}" if isinstance(key, int) else f"{present.baud}-{key}"
    )
