"""Traffic we did not cause: valid frames found in bytes heard on the bus.

A reply to our own late request and another master's exchanges both turn up here; who asks whom
is told by their order.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache

from pymodbus.exceptions import ModbusException
from pymodbus.pdu import DecodePDU

from busprobe.modbus import framing
from busprobe.modbus.addresses import LAST, both_forms

_REQUESTS = DecodePDU(is_server=True)
_REPLIES = DecodePDU(is_server=False)


@dataclass(frozen=True)
class Frame:
    """One valid frame heard."""

    data: bytes
    """Address, function code, data, CRC."""

    @property
    def address(self) -> int:
        """The unit address it is for or from."""
        return self.data[0]

    @property
    def function(self) -> int:
        """The function code, exception flag taken off."""
        return self.data[1] & ~framing.EXCEPTION_FLAG

    @property
    def is_exception(self) -> bool:
        """Whether it is an exception reply."""
        return bool(self.data[1] & framing.EXCEPTION_FLAG)

    @property
    def words(self) -> str:
        """Who and what, in plain words."""
        return (
            f"a frame with unit address {both_forms(self.address)}, function code {self.function}"
        )


@lru_cache(maxsize=512)  # the questions of a survey all go through the same noise
def valid_frames(data: bytes) -> tuple[Frame, ...]:
    """All frames in `data`, request or reply, by declared length and CRC; bytes between them are
    passed over.  Takes time in proportion to the number of bytes."""
    found = []
    start = 0
    while start <= len(data) - framing.SHORTEST:
        frame = _frame_at(data[start : start + framing.LONGEST])
        if frame is None:
            start += 1
        else:
            found.append(Frame(frame))
            start += len(frame)
    return tuple(found)


def _frame_at(data: bytes) -> bytes | None:
    """The longest valid frame that `data` begins with.

    A reply with one byte more than a request may begin with a valid "request": a byte that happens
    to go on as the CRC would makes the rest fit too (computed: one reply in 256).
    """
    if data[0] > LAST:
        return None
    longest = None
    for decoder in (_REQUESTS, _REPLIES):
        kind = decoder.lookupPduClass(data)
        if kind is None:
            continue
        try:
            length = kind.calculateRtuFrameSize(data)
        except (ModbusException, IndexError, struct.error):
            continue  # a function code whose length cannot be told from here
        if len(longest or b"") < length <= len(data) and framing.is_valid(data[:length]):
            longest = data[:length]
    return longest
