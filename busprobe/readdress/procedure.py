"""How a unit is given another address or line setting: which register, how it is written, what to
expect of the unit.

A procedure comes from a profile, or by hand from a data sheet, which is trusted less and said so
before the write. Units differ in all of it (common practice): function 6 or 16, the address alone
in its register or sharing it with another setting, an unlock before and a save after, effect at
once or after a power cycle, and the address that the reply comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busprobe.errors import UsageError
from busprobe.job.journal import ProcedureStep, Role
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL, both_forms
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.changes import (
    Change,
    Effect,
    FurtherWrite,
    Readdress,
    ReplyFrom,
    SettingRegister,
)
from busprobe.profiles.registers import AddressPart
from busprobe.profiles.schema import Profile

HIGHEST_REGISTER = 0xFFFF
"""The highest register address (MODBUS Application Protocol V1.1b3, section 4.4)."""

MEMORY_WAIT = 0.1
"""Seconds between a write and the next request to the unit: storing a byte takes about 25 ms
(common practice)."""


@dataclass(frozen=True)
class Procedure:
    """How one device type is given another unit address, or another line setting."""

    register: int
    """Zero-based address of the holding register that is written."""
    function: Function = Function.WRITE_MULTIPLE_REGISTERS
    """Function code 16, or 6 where the unit has only that."""
    together: tuple[int, ...] = ()
    """All registers that the request has to hold, in order, `register` among them; the others are
    written as they are.  Empty where it is written alone."""
    part: AddressPart = AddressPart.WHOLE
    """Which part of the register it is about."""
    codes: tuple[tuple[LineSettings, int], ...] = ()
    """What the register holds for each line setting, by the profile; empty where it holds the unit
    address."""
    addresses: tuple[int, ...] = ALL
    """Addresses the unit can be given."""
    effect: Effect | None = None
    """When the new address holds; None where nobody said."""
    reply_from: ReplyFrom | None = None
    """Which address the reply to the write comes from; None where nobody said."""
    wait_s: float = MEMORY_WAIT
    """Seconds after a write before the unit is asked again."""
    unlock: RegisterWrite | None = None
    """Sent before the address is written."""
    unlock_window_s: float | None = None
    """Seconds after which the unit locks itself again; None where it does not, or nobody said."""
    locked_exception: int | None = None
    """Exception with which it refuses the write while locked; None where nobody said."""
    overwrites: int | None = None
    """What the register may hold instead of the unit's address, and is overwritten: somebody has
    seen it and said so."""
    readable: bool = True
    """Whether the register can be read, as far as is known."""
    service_address: int | None = None
    """Address that takes all its writes instead of the unit's own; all units of the type hear
    them there."""
    save: RegisterWrite | None = None
    """Sent once the address is written: to the new address where that holds at once, otherwise to
    the old one."""
    relock: RegisterWrite | None = None
    """Sent last: to the old address where the new one holds only after a power cycle, otherwise to
    the new one."""
    cautions: tuple[str, ...] = ()
    """What a write may move, switch or stop; shown before it."""
    rescue: str = ""
    """What brings a lost unit back, by its data sheet; shown before the write."""
    factory: Place | None = None
    """Where the unit answers as it left the factory, by the profile; a unit that lost its settings
    is back there."""
    profile: str | None = None
    """Id of the profile it comes from; None if given by hand."""

    def __post_init__(self) -> None:
        if not 0 <= self.register <= HIGHEST_REGISTER:
            raise UsageError(
                f"{self.register} is not a register address.",
                todo=(
                    "Give the zero-based address that goes on the wire, from 0 to"
                    f" {HIGHEST_REGISTER} (0xFFFF)."
                ),
            )
        if self.function not in (Function.WRITE_SINGLE_REGISTER, Function.WRITE_MULTIPLE_REGISTERS):
            raise UsageError(
                f"Function code {int(self.function)} does not write a holding register.",
                todo="Use 6 or 16.",
            )

    @property
    def registers(self) -> tuple[int, ...]:
        """The registers that the request writes, in order."""
        return self.together or (self.register,)

    @property
    def about(self) -> int:
        """Which of them, from 0, is changed."""
        return self.registers.index(self.register)

    def value(self, place: Place) -> int | None:
        """What its part of the register holds for a unit at `place`; None where no code is known
        for that."""
        return dict(self.codes).get(place.settings) if self.codes else place.address

    def reached_at(self, place: Place) -> Place:
        """Where a write goes to a unit that answers at `place`."""
        return replace(place, address=self.service_address or place.address)

    @classmethod
    def by_hand(cls, register: int, function: int = Function.WRITE_MULTIPLE_REGISTERS) -> Procedure:
        """What a technician reads off a data sheet; raises `UsageError` if that cannot be."""
        try:
            return cls(register, Function(function))
        except ValueError:
            raise UsageError(
                f"Function code {function} does not write a holding register.", todo="Use 6 or 16."
            ) from None

    @classmethod
    def from_profile(cls, profile: Profile) -> Procedure:
        """What a profile says; raises `UsageError` if it does not say how the unit is
        readdressed."""
        how = profile.readdress
        if how is None:
            raise UsageError(
                f"The profile {profile.id} does not say how a {profile.model} is given another"
                " address.",
                todo=(
                    "Set the address on the unit itself (switches, keys), or give the register by"
                    " hand."
                ),
            )
        return replace(
            cls.of_change(profile, how, how),
            addresses=how.addresses,
            reply_from=how.reply_from if how.stated_effect else None,
        )

    @classmethod
    def of_change(
        cls,
        profile: Profile,
        how: Change,
        where: Readdress | SettingRegister,
        codes: tuple[tuple[LineSettings, int], ...] = (),
    ) -> Procedure:
        """What a profile says alike of every change: of the address, or of a line setting by its
        `codes`; `where` is the register that it is about."""
        return cls(
            register=where.at.wire,
            function=Function(how.function),
            together=tuple(register.wire for register in how.together),
            part=where.part,
            codes=codes,
            effect=how.stated_effect,
            wait_s=max(how.wait_s, MEMORY_WAIT),
            unlock=_further(how.unlock),
            unlock_window_s=how.unlock_window_s,
            locked_exception=how.locked_exception,
            readable=how.readable,
            service_address=how.service_address,
            save=_further(how.save),
            relock=_further(how.relock),
            cautions=profile.cautions,
            rescue=profile.rescue or "",
            factory=factory_place(profile),
            profile=profile.id,
        )


def factory_place(profile: Profile) -> Place | None:
    """Where units of that type answer out of the box; None where nobody says, or at the broadcast
    address."""
    known = profile.factory
    return None if known is None or known.address == 0 else Place(known.address, known.settings)


def _further(write: FurtherWrite | None) -> RegisterWrite | None:
    """A further write of a profile, as it goes on the wire."""
    return (
        None
        if write is None
        else RegisterWrite(write.at.wire, write.values, Function(write.function))
    )


@dataclass(frozen=True)
class Move:
    """One unit to be taken from one place to another: to another address, or to another line
    setting."""

    source: Place
    """Where the unit answers now."""
    target: Place
    """Where it is to answer."""
    procedure: Procedure
    purpose: Role | None = None
    """`Role.ASIDE` or `Role.UNDO`, where it is for that."""

    @property
    def role(self) -> Role:
        """What the write that it is about is for."""
        return self.purpose or (Role.SETTINGS if self.changes_settings else Role.ADDRESS)

    @property
    def changes_settings(self) -> bool:
        """Whether it is about a line setting; otherwise about the address."""
        return self.source.settings != self.target.settings

    @property
    def what(self) -> str:
        """What is changed, in a word."""
        return "line setting" if self.changes_settings else "address"

    def name(self, place: Place) -> str:
        """The unit at `place`, in words that tell this move's two places apart."""
        unit = f"unit {both_forms(place.address)}"
        return f"{unit} at {place.settings}" if self.changes_settings else unit

    def reversed(self) -> Move:
        """The move that undoes this one; it has to pass the same guards."""
        return Move(self.target, self.source, self.procedure, Role.UNDO)


def procedure_steps(move: Move, holds: Sequence[int]) -> tuple[ProcedureStep, ...]:
    """The frames of `move` in order; `holds` is what the registers of its request hold now, needed
    where they hold more than what is changed, and empty where they were not read.

    What follows the write of the address goes to where the procedure says that the unit answers by
    then.  Raises `UsageError` if the procedure has no code for the line setting that is wanted.
    """
    how = move.procedure
    value = how.value(move.target)
    if value is None:
        raise UsageError(
            f"The profile {how.profile} has no code for {move.target.settings}.",
            todo="Choose a line setting that the unit knows.",
        )
    then = move.target if how.effect in (Effect.AT_ONCE, None) else move.source
    last = move.source if how.effect is Effect.AFTER_POWER_CYCLE else move.target
    before = RegisterWrite(how.registers[0], tuple(holds) or (0,), how.function, how.about)
    main = before.with_value(how.part.put(before.value, value))
    listed = (
        (Role.UNLOCK, how.unlock, move.source),
        (move.role, main, move.source),
        (Role.SAVE, how.save, then),
        (Role.RELOCK, how.relock, last),
    )
    return tuple(
        ProcedureStep(
            role,
            how.reached_at(place),
            write,
            how.unlock_window_s if role is Role.UNLOCK else None,
        )
        for role, write, place in listed
        if write is not None
    )
