"""Requests: what is sent, as bytes and in plain words.

Source: MODBUS Application Protocol V1.1b3, section 6 (function codes); frames by MODBUS over Serial
Line V1.02, section 2.5.1.  PDUs and frames are built by pymodbus.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.diag_message import ReturnQueryDataRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.other_message import ReportDeviceIdRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from busprobe.modbus import framing
from busprobe.modbus.addresses import both_forms

_FRAMER = FramerRTU(DecodePDU(is_server=False))


class Function(IntEnum):
    """The function codes used here, by their names in the standard (V1.1b3 section 6)."""

    READ_COILS = 1
    READ_DISCRETE_INPUTS = 2
    READ_HOLDING_REGISTERS = 3
    READ_INPUT_REGISTERS = 4
    WRITE_SINGLE_REGISTER = 6
    DIAGNOSTICS = 8
    WRITE_MULTIPLE_REGISTERS = 16
    REPORT_SERVER_ID = 17
    READ_DEVICE_IDENTIFICATION = 43

    @property
    def reads_registers(self) -> bool:
        """Whether its reply carries registers."""
        return self in (Function.READ_HOLDING_REGISTERS, Function.READ_INPUT_REGISTERS)

    @property
    def reads_bits(self) -> bool:
        """Whether its reply carries coils or discrete inputs, eight to a byte."""
        return self in (Function.READ_COILS, Function.READ_DISCRETE_INPUTS)


_FUNCTIONS = {int(function): function for function in Function}
"""Looked up for every byte that may begin a reply, so it has to be quick."""


@dataclass(frozen=True)
class Request:
    """One request to one unit address; a `busprobe.line.exchange.Request`."""

    frame: bytes
    """Unit address, function code, data and CRC, as they go on the wire."""
    words: str
    """The same in plain words, for the screen and the journal."""

    @property
    def address(self) -> int:
        """The unit address asked."""
        return self.frame[0]

    @property
    def function(self) -> Function:
        """The function code."""
        return _FUNCTIONS[self.frame[1]]

    @property
    def register(self) -> int:
        """The first register, coil or input that a read or write is about, zero-based."""
        return int.from_bytes(self.frame[2:4], "big")

    @property
    def quantity(self) -> int:
        """How many registers, coils or inputs a read or multiple write is about; 1 for a single
        write, 0 otherwise."""
        match self.function:
            case (
                Function.READ_COILS
                | Function.READ_DISCRETE_INPUTS
                | Function.READ_HOLDING_REGISTERS
                | Function.READ_INPUT_REGISTERS
                | Function.WRITE_MULTIPLE_REGISTERS
            ):
                return int.from_bytes(self.frame[4:6], "big")
            case Function.WRITE_SINGLE_REGISTER:
                return 1
            case _:
                return 0

    @property
    def data_bytes(self) -> int:
        """Bytes of data in the reply to a read, as its byte count says; 0 otherwise (V1.1b3
        sections 6.1 to 6.4)."""
        return _data_bytes(self.function, self.quantity)

    @property
    def mirrored(self) -> bool:
        """Whether a valid reply is identical to the request, so that a local echo looks like
        one."""
        return self.function in (Function.WRITE_SINGLE_REGISTER, Function.DIAGNOSTICS)

    def is_complete(self, received: bytes) -> bool:
        """Whether `received` holds a whole valid reply of the asked address (stray bytes around
        it allowed)."""
        return any(
            framing.declared_frame(received[start:], self.function) is not None
            for start in range(len(received) - 3)
            if received[start] == self.address
        )

    def is_begun(self, received: bytes) -> bool:
        """Whether `received` is the beginning of a reply of the asked address whose rest is still
        to come."""
        head = (
            bytes((self.address, self.function)),
            bytes((self.address, self.function | framing.EXCEPTION_FLAG)),
        )
        if not received or received[:2] not in (part[: len(received)] for part in head):
            return False
        length = framing.declared_length(received, self.function)
        return length is None or len(received) < length


READ_REQUEST_BYTES = 8
"""Bytes of a request to read: address, function code, first element, quantity, CRC (V1.1b3,
sections 6.1 to 6.4)."""

REPLY_OVERHEAD = 5
"""Bytes of its reply beside what was read, address, function code, byte count and CRC; as many as
an exception has (V1.1b3, sections 6.1 to 6.4 and 7)."""


def read_reply_bytes(count: int, function: Function = Function.READ_HOLDING_REGISTERS) -> int:
    """Bytes of the reply to a request that reads so many registers, coils or inputs."""
    return REPLY_OVERHEAD + _data_bytes(function, count)


def _data_bytes(function: Function, count: int) -> int:
    if function.reads_bits:
        return (count + 7) // 8
    return 2 * count if function.reads_registers else 0


def read(address: int, function: Function, first: int, count: int) -> Request:
    """Read `count` registers, coils or discrete inputs from zero-based `first`, function code 1 to
    4."""
    if function.reads_bits:
        return read_bits(address, function, first, count)
    return read_registers(address, function, first, count)


def read_registers(address: int, function: Function, register: int, count: int) -> Request:
    """Read `count` registers (1 to 125) from zero-based `register` with function code 3 or 4."""
    kind = (
        ReadHoldingRegistersRequest
        if function is Function.READ_HOLDING_REGISTERS
        else ReadInputRegistersRequest
    )
    table = "holding" if function is Function.READ_HOLDING_REGISTERS else "input"
    what = f"{table} register {_register(register)}"
    if count > 1:
        what = f"{count} {table} registers from {_register(register)}"
    return _request(
        kind(address=register, count=count, dev_id=address),
        f"Read {what} of unit {both_forms(address)}.",
    )


def read_bits(address: int, function: Function, first: int, count: int) -> Request:
    """Read `count` coils (function code 1) or discrete inputs (2) from zero-based `first`."""
    coils = function is Function.READ_COILS
    kind = ReadCoilsRequest if coils else ReadDiscreteInputsRequest
    what = "coil" if coils else "discrete input"
    return _request(
        kind(address=first, count=count, dev_id=address),
        f"Read {count} {what}{'' if count == 1 else 's'} from {_register(first)} of unit"
        f" {both_forms(address)}.",
    )


def write_register(address: int, register: int, value: int) -> Request:
    """Write one holding register with function code 6."""
    pdu = WriteSingleRegisterRequest(address=register, registers=[value], dev_id=address)
    return _request(
        pdu,
        f"Write {value} (0x{value:04X}) to holding register {_register(register)} of unit"
        f" {both_forms(address)}, function code 6.",
    )


def write_registers(address: int, register: int, values: Sequence[int]) -> Request:
    """Write holding registers from zero-based `register` on with function code 16."""
    pdu = WriteMultipleRegistersRequest(address=register, registers=list(values), dev_id=address)
    listed = ", ".join(f"{value} (0x{value:04X})" for value in values)
    where = "holding register" if len(values) == 1 else f"{len(values)} holding registers from"
    return _request(
        pdu,
        f"Write {listed} to {where} {_register(register)} of unit {both_forms(address)}, function"
        " code 16.",
    )


@dataclass(frozen=True)
class RegisterWrite:
    """One write of holding registers, to whichever unit."""

    register: int
    """Zero-based address of the first holding register."""
    values: tuple[int, ...]
    """At least one 16-bit value; a password may take several registers."""
    function: Function = Function.WRITE_MULTIPLE_REGISTERS
    """Function code 16, or 6 for one value."""
    about: int = 0
    """Which of the values, from 0, it is about, where others are only written with it."""

    @property
    def changed(self) -> int:
        """Zero-based address of the register that it is about."""
        return self.register + self.about

    @property
    def value(self) -> int:
        """What is written to that register."""
        return self.values[self.about]

    def with_value(self, value: int) -> RegisterWrite:
        """The same write with another value for the register that it is about."""
        before, after = self.values[: self.about], self.values[self.about + 1 :]
        return replace(self, values=(*before, value, *after))

    def request(self, address: int) -> Request:
        """The frame for the unit at `address`."""
        if self.function is Function.WRITE_SINGLE_REGISTER:
            (value,) = self.values
            return write_register(address, self.register, value)
        return write_registers(address, self.register, self.values)


def return_query_data(address: int, data: int = 0xA537) -> Request:
    """Ask a unit to send `data` back, function code 8 sub-function 0; the default is the standard's
    example."""
    return _request(
        ReturnQueryDataRequest(message=data, dev_id=address),
        f"Ask unit {both_forms(address)} to send 0x{data:04X} back, function code 8.",
    )


def report_server_id(address: int) -> Request:
    """Ask a unit for its server id, function code 17."""
    return _request(
        ReportDeviceIdRequest(dev_id=address), f"Ask unit {both_forms(address)} for its server id."
    )


def read_device_identification(address: int, code: int = 1, object_id: int = 0) -> Request:
    """Ask a unit for identification objects from `object_id` on, function code 43/14 (section
    6.21).

    `code` is 1 for basic, 2 for regular, 3 for extended, 4 for one object alone.
    """
    return _request(
        ReadDeviceInformationRequest(read_code=code, object_id=object_id, dev_id=address),
        f"Ask unit {both_forms(address)} for its device identification.",
    )


def parse_request(frame: bytes) -> Request | None:
    """The request that goes on the wire as `frame`; None where it is none that is made here."""
    function = _FUNCTIONS.get(frame[1]) if framing.is_valid(frame) else None
    try:
        made = _same_request(frame[0], function, frame[2:-2]) if function else None
    except ValueError:  # of pymodbus: no such quantity may be asked for
        return None
    return made if made is not None and made.frame == frame else None


def _same_request(address: int, function: Function, data: bytes) -> Request | None:
    """What may have been asked for with `data` behind the function code."""
    words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    match function, words:
        case ((Function.READ_HOLDING_REGISTERS | Function.READ_INPUT_REGISTERS), [first, count]):
            return read_registers(address, function, first, count)
        case ((Function.READ_COILS | Function.READ_DISCRETE_INPUTS), [first, count]):
            return read_bits(address, function, first, count)
        case Function.WRITE_SINGLE_REGISTER, [register, value]:
            return write_register(address, register, value)
        case Function.WRITE_MULTIPLE_REGISTERS, [register, _, *_] if len(data) % 2:
            values = struct.unpack(f">{len(data[5:]) // 2}H", data[5:])
            return write_registers(address, register, values)
        case Function.DIAGNOSTICS, [_, value]:
            return return_query_data(address, value)
        case Function.REPORT_SERVER_ID, []:
            return report_server_id(address)
        case Function.READ_DEVICE_IDENTIFICATION, [_, object_id] if len(data) == 3:
            return read_device_identification(address, data[1], object_id)
    return None


def _request(pdu: ModbusPDU, words: str) -> Request:
    return Request(_FRAMER.buildFrame(pdu), words)


def _register(register: int) -> str:
    return f"{register} (0x{register:04X})"
