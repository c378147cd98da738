"""A simulated unit: what it has been told, what it answers and when, and what hands can do to
it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from random import Random

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus import framing
from busprobe.virtual import uart
from busprobe.virtual.function_codes import FunctionCodes
from busprobe.virtual.register_table import RegisterTable
from busprobe.virtual.schema import SettingChange, UnitEntry, UnitType
from busprobe.virtual.uart import ReceiverSetup
from busprobe.virtual.unit_settings import UnitSettings

_BROADCAST = 0
"""Every unit obeys it, none answers (V1.02 section 2.1)."""
_LAST_FUNCTION = 127
"""Function codes of requests; above are exceptions (V1.1b3 section 4.1)."""


@dataclass(frozen=True)
class UnitAnswer:
    """A frame that a unit is going to send."""

    start: float
    """Clock seconds at which it begins."""
    frame: bytes
    """With its CRC."""
    settings: LineSettings
    """Line settings it is sent at."""


class Unit:
    """One unit.  Its attributes are the truth that a survey has to find out; the segment changes
    them, nobody else."""

    def __init__(
        self,
        entry: UnitEntry,
        kind: UnitType,
        random: Random,
        epoch: float,
        taken: Collection[int] = (),
    ) -> None:
        """A unit as `entry` and `kind` describe it, powered long before `epoch` (clock seconds);
        `taken` are the addresses of all units of the scenario."""
        self.name = entry.name
        """What the scenario calls it."""
        self.kind = kind
        """What device type it is of."""
        self.serial = entry.serial
        """Serial number, empty where it has none."""
        self.setup = UnitSettings(
            kind,
            Place(entry.address or kind.address, entry.settings or kind.settings),
            forgets=entry.forgets,
        )
        """What it is set to."""
        self.connected = entry.connected
        """Whether it hangs on the pair."""
        self.swapped = entry.swapped
        """Whether its two wires are exchanged."""
        self.strength = entry.strength
        """Driver strength."""
        self.stuck = (
            None if entry.stuck is None else {"mark": uart.MARK, "space": uart.SPACE}[entry.stuck]
        )
        """The level at which its driver is stuck; None for one that works."""
        self.babbles = entry.babbles
        """Whether it sends without a pause."""
        self.busy_until = epoch
        """Clock seconds until which it works on a request or sends, and so hears nothing."""
        self.up_from = epoch
        """Clock seconds from which it works, after the last time its supply came."""
        self._entry = entry
        self._taken = frozenset(taken)
        self._random = random
        self._epoch = epoch
        self._latency = kind.latency if entry.latency is None else entry.latency
        self._jitter = kind.jitter if entry.jitter is None else entry.jitter
        self._last_asked = epoch
        self._to_wake = 0
        self._restarted_at = epoch
        self._function_codes = FunctionCodes(
            kind,
            entry.serial,
            RegisterTable(kind.holding, entry.values, entry.serial),
            RegisterTable(kind.input, entry.values, entry.serial),
            self.setup,
        )

    @property
    def address(self) -> int:
        """The address it answers at now."""
        return self.setup.in_use.address

    @property
    def stored_address(self) -> int:
        """The address it will have after a power cycle."""
        return self.setup.stored.address

    @property
    def settings(self) -> LineSettings:
        """Line settings it works with now."""
        return self.setup.in_use.settings

    @property
    def receiver_setup(self) -> ReceiverSetup:
        """How its receiver is set and wired now."""
        return ReceiverSetup(self.settings, swapped=self.swapped, failsafe=self._entry.failsafe)

    def hear(self, frame: bytes, ended: float, now: float) -> UnitAnswer | None:
        """Take a sound frame that was over at `ended` and recognised `now`; the answer, if it gives
        one."""
        asked = frame[0]
        if not self._is_asked(asked):
            return self._refusal(frame, ended, now)
        if self._dozes(ended) or ended < max(self.up_from, self._restarted_at):
            return None
        before, was = self.setup.configured, self.setup.in_use
        pdu = self._function_codes.reply(frame[1:-2], ended - self._epoch)
        start = max(now, ended + self._latency + self._random.random() * self._jitter)
        if self._entry.late and self._random.random() < self._entry.late:
            start += self._entry.late_by
        place = Place(asked, was.settings)
        for change in self._changes(was, self.setup.in_use):
            self._restarted_at = start + change.restart
        for change in self._changes(before, self.setup.configured):
            if change.reply_from == "none":
                return None
            if change.reply_from == "new":
                now_at = self.setup.configured
                place = Place(
                    asked if now_at.address == before.address else now_at.address, now_at.settings
                )
        if pdu is None or asked == _BROADCAST:
            return None
        return self._answer(start, self._entry.replies_as or place.address, pdu, place.settings)

    def _is_asked(self, asked: int) -> bool:
        own = (self.address, self.kind.service_address, _BROADCAST, *self._entry.also_addresses)
        return asked in own or self._entry.any_address

    def _refusal(self, frame: bytes, ended: float, now: float) -> UnitAnswer | None:
        """What a gateway says for a unit that is not there."""
        code = self._entry.refuses_others
        if code is None or frame[0] in self._taken or frame[1] > _LAST_FUNCTION:
            return None
        start = max(now, ended + self._latency + self._random.random() * self._jitter)
        pdu = bytes((frame[1] | framing.EXCEPTION_FLAG, code))
        return self._answer(start, frame[0], pdu, self.settings)

    def _answer(self, start: float, address: int, pdu: bytes, settings: LineSettings) -> UnitAnswer:
        reply = bytes((address,)) + pdu
        self.busy_until = start + settings.wire_time(len(reply) + 2)
        return UnitAnswer(start, reply + framing.crc(reply), settings)

    def _dozes(self, ended: float) -> bool:
        """Whether a request that was over at `ended` only wakes it."""
        after = self._entry.sleeps_after
        if after is not None and ended - self._last_asked > after:
            self._to_wake = self._entry.wakes_by
        self._last_asked = ended
        self._to_wake -= 1
        return self._to_wake >= 0

    def power_cycle(self, now: float) -> None:
        """Take the supply away and give it back: pending settings hold, volatile ones are gone."""
        self.setup.power_cycle()
        self.busy_until = now
        self.up_from = now + self.kind.startup

    def _changes(self, before: Place, after: Place) -> Iterator[SettingChange]:
        """What the type says of the changes from `before` to `after`."""
        if self.kind.readdress is not None and after.address != before.address:
            yield self.kind.readdress
        if self.kind.line_settings is not None and after.settings != before.settings:
            yield self.kind.line_settings
