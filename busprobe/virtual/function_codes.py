"""What a simulated unit makes of a request: the reply PDU, or an exception in the order the
standard gives.

Source: MODBUS Application Protocol V1.1b3, section 6 (function codes) and 7 (exceptions).  The
order of checks is function (01), quantity (03), address (02), value (03), as in the flow charts of
section 6 (their order from memory; figure 9 of section 4.5 has address before value, so a master
must take either where both are wrong).

A frame whose length does not fit its function code is no request and gets no reply (common
practice: the length is how many units tell a request from another unit's reply).  Where reply and
request look alike, function codes 6 and 8, a unit cannot tell, so two units at one address may go
on answering each other.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from pymodbus.constants import DeviceInformation
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.other_message import ReportDeviceIdResponse

from busprobe.virtual.register_table import RegisterTable
from busprobe.virtual.schema import UnitType
from busprobe.virtual.unit_settings import Refusal, UnitSettings, WriteRefused

_FIRST_FUNCTION, _LAST_FUNCTION = 1, 127
"""Function codes of requests (section 4.1); above are exceptions."""
_MOST_BITS_READ = 2000
_MOST_READ = 125
_MOST_WRITTEN = 123
_READ_DEVICE_IDENTIFICATION = 0x0E
_LAST_BASIC, _LAST_REGULAR, _FIRST_EXTENDED = 0x02, 0x06, 0x80


class _NoRequest(Exception):  # noqa: N818 - nothing went wrong: somebody else's reply, most likely
    pass


class FunctionCodes:
    """The function codes of one unit over its registers."""

    def __init__(
        self,
        kind: UnitType,
        serial: str,
        holding: RegisterTable,
        input_: RegisterTable,
        setup: UnitSettings,
    ) -> None:
        """Serve the tables, and the registers of address and line settings through `setup`."""
        self._kind = kind
        self._serial = serial
        self._holding = holding
        self._input = input_
        self._setup = setup

    def reply(self, pdu: bytes, moment: float) -> bytes | None:
        """The reply PDU to request `pdu` at `moment`.

        None if it is no request, or where the unit keeps silent about what it will not do.
        """
        if not _FIRST_FUNCTION <= pdu[0] <= _LAST_FUNCTION:
            return None
        try:
            return pdu[:1] + self._served(pdu[0], pdu[1:], moment)
        except _NoRequest:
            return None
        except WriteRefused as refusal:
            return None if self._kind.errors == "silence" else bytes((pdu[0] | 0x80, refusal.code))

    def _served(self, function: int, data: bytes, moment: float) -> bytes:
        if function not in self._kind.functions:
            raise WriteRefused(Refusal.ILLEGAL_FUNCTION)
        match function:
            case 1 | 2:
                return self._read_bits(function, data)
            case 3 | 4:
                return self._read(function, data, moment)
            case 6:
                register, word = _words(data, 2)
                self._write(function, register, (word,), moment)
                return data
            case 8:
                if _words(data, 2)[0] != 0:  # only "return query data" (section 6.8.1)
                    raise WriteRefused(Refusal.ILLEGAL_FUNCTION)
                return data
            case 16:
                register, count = _words(data[:4], 2)
                words = _words(data[5:], data[4] // 2 if len(data) > 4 else -1)
                if not 1 <= count <= _MOST_WRITTEN or len(words) != count:
                    raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
                self._write(function, register, words, moment)
                return data[:4]
            case 17:
                _words(data, 0)
                identifier = self._kind.server_id.replace("{serial}", self._serial).encode(
                    "latin-1", "replace"
                )
                return ReportDeviceIdResponse(identifier=identifier, status=True).encode()
            case _:
                return self._identification(data)

    def _read_bits(self, function: int, data: bytes) -> bytes:
        """Eight to a byte, the first in the lowest bit (sections 6.1 and 6.2)."""
        first, count = _words(data, 2)
        if not 1 <= count <= _MOST_BITS_READ:
            raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
        bits = self._kind.coils if function == 1 else self._kind.discrete_inputs
        asked = bits[first : first + count]
        if len(asked) < count:
            raise WriteRefused(Refusal.ILLEGAL_DATA_ADDRESS)
        packed = sum(1 << place for place, bit in enumerate(asked) if bit)
        length = (count + 7) // 8
        return bytes((length,)) + packed.to_bytes(length, "little")

    def _read(self, function: int, data: bytes, moment: float) -> bytes:
        register, count = _words(data, 2)
        if not 1 <= count <= _MOST_READ:
            raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
        table = self._holding if function == 3 else self._input
        words: list[int] = []
        for place in range(register, register + count):
            own = function == 3 and self._setup.has(place)
            word = self._setup.read(place) if own else table.read(place, moment)
            if word is None:
                raise WriteRefused(Refusal.ILLEGAL_DATA_ADDRESS)
            words.append(word)
        return bytes((2 * count,)) + struct.pack(f">{count}H", *words)

    def _write(self, function: int, register: int, words: Sequence[int], moment: float) -> None:
        places = dict(enumerate(words, register))
        if not all(self._takes(function, place) for place in places):
            raise WriteRefused(Refusal.ILLEGAL_DATA_ADDRESS)
        own = {place: word for place, word in places.items() if self._setup.has(place)}
        self._setup.write(own, moment)
        for place, word in places.items():
            if not self._setup.has(place):
                self._holding.write(place, word)

    def _takes(self, function: int, register: int) -> bool:
        """Whether `register` may be written with `function`."""
        if self._setup.has(register):
            return self._setup.takes(function, register)
        return self._holding.writable(register)

    def _identification(self, data: bytes) -> bytes:
        """Function code 43/14, section 6.21."""
        if len(data) != 3:
            raise _NoRequest
        mei_type, code, first = data
        if mei_type != _READ_DEVICE_IDENTIFICATION:
            raise WriteRefused(Refusal.ILLEGAL_FUNCTION)
        if code not in tuple(DeviceInformation):
            raise WriteRefused(Refusal.ILLEGAL_DATA_VALUE)
        objects = {
            number: text.replace("{serial}", self._serial).encode("latin-1", "replace")
            for number, text in sorted(self._kind.identification.items())
        }
        level = DeviceInformation.BASIC
        if max(objects, default=0) >= _FIRST_EXTENDED:
            level = DeviceInformation.EXTENDED
        elif max(objects, default=0) > _LAST_BASIC:
            level = DeviceInformation.REGULAR
        if code == DeviceInformation.SPECIFIC:
            if first not in objects:
                raise WriteRefused(Refusal.ILLEGAL_DATA_ADDRESS)
            given = {first: objects[first]}
        else:
            last = {
                DeviceInformation.BASIC: _LAST_BASIC,
                DeviceInformation.REGULAR: _LAST_REGULAR,
            }.get(DeviceInformation(code), 0xFF)
            stream = {number: text for number, text in objects.items() if number <= last}
            # An object that does not exist restarts the stream at its beginning.
            given = {n: t for n, t in stream.items() if n >= first} if first in stream else stream
        reply = ReadDeviceInformationResponse(read_code=code, information=given)
        reply.conformity = 0x80 | level  # stream and single objects alike
        return reply.encode()


def _words(data: bytes, count: int) -> tuple[int, ...]:
    """Just `count` 16-bit words; data of any other length belongs to no request."""
    if len(data) != 2 * count:
        raise _NoRequest
    return struct.unpack(f">{count}H", data)
