"""Finding frames in raw bytes by their own declared length and CRC.

Lengths and CRC are pymodbus'; the search is ours, because pymodbus drops what is not as expected
and that is just what a technician needs to see.
"""

from __future__ import annotations

from pymodbus.framer import FramerRTU
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.diag_message import ReturnQueryDataResponse
from pymodbus.pdu.exceptionresponse import ExceptionResponse
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.other_message import ReportDeviceIdResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
    WriteMultipleRegistersResponse,
    WriteSingleRegisterResponse,
)

SHORTEST = 4
"""Bytes of the shortest frame: address, function code, CRC (V1.02 section 2.5.1)."""
LONGEST = 256
"""Bytes of the longest frame (V1.02 section 2.5.1)."""
EXCEPTION_FLAG = 0x80
"""Added to the function code in an exception reply (V1.1b3 section 7)."""

EXCEPTION_BYTES: int = ExceptionResponse.rtu_frame_size
"""Bytes of an exception reply: address, function code, exception code, CRC (V1.1b3 section 7)."""

RESPONSES: dict[int, type[ModbusPDU]] = {
    1: ReadCoilsResponse,
    2: ReadDiscreteInputsResponse,
    3: ReadHoldingRegistersResponse,
    4: ReadInputRegistersResponse,
    6: WriteSingleRegisterResponse,
    8: ReturnQueryDataResponse,
    16: WriteMultipleRegistersResponse,
    17: ReportDeviceIdResponse,
    43: ReadDeviceInformationResponse,
}
"""pymodbus' reply class for each function code used here."""


def crc(data: bytes) -> bytes:
    """The two CRC bytes for `data` in the order they go on the wire (V1.02 section 2.5.1.2)."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def is_valid(frame: bytes) -> bool:
    """Whether `frame` has a frame's length and ends in the right CRC."""
    return SHORTEST <= len(frame) <= LONGEST and frame[-2:] == crc(frame[:-2])


def declared_length(data: bytes, function: int) -> int | None:
    """Length in bytes that a reply to `function` at the start of `data` declares for itself.

    None if the bytes there cannot begin such a reply or too few are there to tell.
    """
    if len(data) < 3:
        return None
    if data[1] == function | EXCEPTION_FLAG:
        return EXCEPTION_BYTES
    if data[1] != function:
        return None
    return RESPONSES[function].calculateRtuFrameSize(data) or None


def declared_frame(data: bytes, function: int) -> bytes | None:
    """The valid reply to `function` that `data` begins with, by its declared length; None if there
    is none."""
    length = declared_length(data, function)
    if length is None or length > len(data):
        return None
    frame = data[:length]
    return frame if is_valid(frame) else None
