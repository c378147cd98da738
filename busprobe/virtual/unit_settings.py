"""What a simulated unit is set to, the registers through which that can be changed, and how it
refuses to.

Units know up to three answers to "what is your address" (common practice): the one they answer to,
the one in the register, and the one they will have when their supply comes back.  A lock may stand
before a write, a save after it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.virtual.schema import CodeRegister, RegisterPart, SettingChange, UnitType


class Refusal(IntEnum):
    """The exception codes a simulated unit gives (MODBUS Application Protocol V1.1b3, section
    7)."""

    ILLEGAL_FUNCTION = 1
    ILLEGAL_DATA_ADDRESS = 2
    ILLEGAL_DATA_VALUE = 3
    SERVER_DEVICE_FAILURE = 4
    """What many units give to a write while they are locked (common practice)."""


class WriteRefused(Exception):  # noqa: N818 - a refusal is an answer of the unit, not an error of ours
    """The unit will not do what it was asked."""

    def __init__(self, code: Refusal) -> None:
        self.code = code
        super().__init__(code.name)


@dataclass(frozen=True)
class ChangeableSetting:
    """One setting in a register, or in a byte of one."""

    name: str
    register: int
    part: RegisterPart
    change: SettingChange
    """How it is changed."""
    code: Callable[[Place], int]
    """What stands for it in the register."""
    take: Callable[[Place, int], Place]
    """A place with what a code stands for; raises `WriteRefused`."""
    kept: bool = True
    """Whether it survives without supply."""


class UnitSettings:
    """The settings of one unit."""

    def __init__(self, kind: UnitType, place: Place, *, forgets: bool = False) -> None:
        """A unit of `kind` set to `place`; one that `forgets` comes back as from the factory."""
        self.in_use = place
        """Where it answers."""
        self.configured = place
        """What its registers say."""
        self.stored = place
        """Where it will answer once its supply has come back."""
        self.unlocked = False
        """Whether what its lock protects may be written; one that closes by itself does so at the
        next write."""
        self._unlocked_at = 0.0
        self._kind = kind
        self._forgets = forgets
        self._fields = tuple(fields(kind))
        self._keys = [key for key in (kind.lock, kind.save) if key is not None]
        self._rest: dict[int, int] = {}

    def has(self, register: int) -> bool:
        """Whether `register` is one of those for settings, lock or save."""
        return any(register == field.register for field in self._fields) or any(
            register in key.registers for key in self._keys
        )

    def read(self, register: int) -> int | None:
        """What `register` holds; None if it can only be written."""
        here = [field for field in self._fields if field.register == register]
        word = self._rest.get(register, 0)
        for field in here:
            word = field.part.put(word, field.code(self.configured))
        return word if here and all(field.change.readable for field in here) else None

    def takes(self, function: int, register: int) -> bool:
        """Whether `register` may be written with `function`."""
        writes = [field.change.functions for field in self._fields if field.register == register]
        writes += [key.functions for key in self._keys if register in key.registers]
        return all(function in functions for functions in writes)

    def write(self, words: Mapping[int, int], moment: float) -> None:
        """Write registers that it `has`, by one request at `moment` seconds; all of it is done, or
        `WriteRefused` is raised and nothing is."""
        written = [field for field in self._fields if field.register in words]
        lock, save = self._kind.lock, self._kind.save
        together = self._kind.settings_together
        if together is not None and 0 < len(written) < len(self._fields):
            raise WriteRefused(Refusal(together))
        if lock is not None and lock.window is not None:
            self.unlocked &= moment - self._unlocked_at <= lock.window
        if written and lock is not None and not self.unlocked:
            if lock.when_locked == "exception":
                raise WriteRefused(Refusal(lock.exception))
            return
        new = self.configured
        for field in written:
            new = field.take(new, field.part.get(words[field.register]))
        if save is not None and not save.registers.isdisjoint(words) and not save.fits(words):
            raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
        self.configured = new
        for field in written:
            self._rest[field.register] = words[field.register]
            self._put(field, at_once="at-once", stored=save is None)
        if lock is not None and not lock.registers.isdisjoint(words):
            self.unlocked, self._unlocked_at = lock.fits(words), moment
        if save is not None and save.fits(words):
            for field in self._fields:
                self._put(field, at_once="after-save", stored=True)

    def power_cycle(self) -> None:
        """Take the supply away and give it back: pending settings hold, volatile ones are gone, the
        lock is closed."""
        if self._forgets:
            self.stored = Place(self._kind.address, self._kind.settings)
        self.in_use = self.configured = self.stored
        self.unlocked = False

    def _put(self, field: ChangeableSetting, *, at_once: str, stored: bool) -> None:
        code = field.code(self.configured)
        if field.change.effect == at_once:
            self.in_use = field.take(self.in_use, code)
        if stored and field.kept:
            self.stored = field.take(self.stored, code)


def fields(kind: UnitType) -> Iterator[ChangeableSetting]:
    """The settings of `kind` that a register changes."""
    address, line = kind.readdress, kind.line_settings
    if address is not None:
        allowed = range(address.lowest, address.highest + 1)

        def take_address(place: Place, code: int) -> Place:
            if code not in allowed:
                raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
            return replace(place, address=code)

        yield ChangeableSetting(
            "unit address",
            address.at,
            address.part,
            address,
            lambda place: place.address,
            take_address,
            kept=not address.volatile,
        )
    if line is not None and line.baud is not None:
        yield _coded(
            "baud rate",
            line.baud,
            line,
            lambda s: str(s.baud),
            lambda s, baud: f"{baud}-{s.format}",
        )
    if line is not None and line.format is not None:
        yield _coded(
            "format", line.format, line, lambda s: s.format, lambda s, form: f"{s.baud}-{form}"
        )


def _coded(
    what: str,
    where: CodeRegister,
    change: SettingChange,
    name: Callable[[LineSettings], str],
    put: Callable[[LineSettings, str], str],
) -> ChangeableSetting:
    names = {code: name for name, code in where.codes.items()}
    own = {"functions": where.functions, "effect": where.effect}
    change = change.model_copy(update={k: v for k, v in own.items() if v is not None})

    def take(place: Place, code: int) -> Place:
        if code not in names:
            raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
        return replace(place, settings=LineSettings.parse(put(place.settings, names[code])))

    return ChangeableSetting(
        what, where.at, where.part, change, lambda place: where.codes[name(place.settings)], take
    )
