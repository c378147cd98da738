"""Units that nobody here wrote: pymodbus' own serial server behind a pair of pseudo-terminals.

The server keeps registers and answers; the only thing added is that a write to its address register
changes the address it answers at, by renumbering frames on their way through pymodbus' own trace
hook.
"""

from __future__ import annotations

import asyncio
import os
import select
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

ADDRESS_REGISTER = 20
"""Holding register with the unit address, as in the shipped profile of the meter that is played
here."""


class PymodbusUnits:
    """Meters on a pseudo-terminal; `homes` tells which address each of them answers at now."""

    def __init__(self, addresses: tuple[int, ...]) -> None:
        self.homes = {address: number for number, address in enumerate(addresses, start=1)}
        """Unit address on the bus to the number of the server's device."""
        self.writes: list[tuple[int, list[int]]] = []
        """Every register write that reached a device: number of the device, values."""
        self._moving: tuple[int, int] | None = None

    def device(self, number: int) -> SimDevice:
        """One meter: plausible voltages, currents, power and energy as float32, big-endian."""
        values = {
            0: 230.4,
            2: 231.2,
            4: 229.7,
            6: 4.2,
            8: 3.9,
            10: 4.0,
            52: 2790.0,
            72: 51234.5 + number,
        }
        registers = [0] * 80
        for at, value in values.items():
            registers[at], registers[at + 1] = struct.unpack(">HH", struct.pack(">f", value))
        bits = [SimData(0, values=False, datatype=DataType.BITS)]
        holding = [SimData(ADDRESS_REGISTER, values=1, datatype=DataType.REGISTERS)]
        inputs = [SimData(0, values=registers, datatype=DataType.REGISTERS)]

        async def touched(
            _code: int,
            _start: int,
            address: int,
            _count: int,
            registers: list[int],
            written: list[int] | list[bool] | None,
        ) -> ExcCodes | None:
            if written is not None and address == ADDRESS_REGISTER:
                values = [int(value) for value in written]
                self.writes.append((number, values))
                self._moving = number, values[0]
            elif address == ADDRESS_REGISTER:
                registers[0] = next(home for home, device in self.homes.items() if device == number)
            return None

        return SimDevice(number, simdata=(bits, bits, holding, inputs), action=touched)

    def renumber(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU | None:
        """Unit address on the wire to number of the device, and back; nothing for addresses where
        nobody is.

        Left to itself the server answers some function codes at any address, as no unit on a pair
        does.
        """
        if not sending:
            if pdu.dev_id not in self.homes:
                return None
            pdu.dev_id = self.homes[pdu.dev_id]
            return pdu
        number = pdu.dev_id
        pdu.dev_id = next(home for home, device in self.homes.items() if device == number)
        if self._moving is not None and self._moving[0] == number:
            # The reply still comes from the old address, the next one from the new.
            del self.homes[pdu.dev_id]
            self.homes[self._moving[1]] = number
            self._moving = None
        return pdu


@contextmanager
def served(addresses: tuple[int, ...]) -> Iterator[tuple[PymodbusUnits, str]]:
    """Serve meters at `addresses`; yields them and the path of the pseudo-terminal to open."""
    import tty

    units = PymodbusUnits(addresses)
    ends = [os.openpty() for _ in range(2)]
    for master, slave in ends:
        tty.setraw(master)
        tty.setraw(slave)
    (to_server, server_side), (to_client, client_side) = ends
    stop = threading.Event()
    ready = threading.Event()

    def bridge() -> None:
        other = {to_server: to_client, to_client: to_server}
        while not stop.is_set():
            for end in select.select(list(other), [], [], 0.05)[0]:
                os.write(other[end], os.read(end, 1024))

    async def serve() -> None:
        identity = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
            info_name={
                "VendorName": "Brookvale Metering",
                "ProductCode": "BM-330",
                "MajorMinorRevision": "1.4",
            }
        )
        server = ModbusSerialServer(
            [units.device(number) for number in units.homes.values()],
            framer=FramerType.RTU,
            identity=identity,
            port=os.ttyname(server_side),
            baudrate=9600,
            ignore_missing_devices=True,
            trace_pdu=units.renumber,  # type: ignore[arg-type]  # None drops a frame
        )
        task = asyncio.create_task(server.serve_forever(background=True))
        await task
        ready.set()
        while not stop.is_set():
            await asyncio.sleep(0.02)
        await server.shutdown()  # type: ignore[no-untyped-call]

    threads = [
        threading.Thread(target=bridge),
        threading.Thread(target=lambda: asyncio.run(serve())),
    ]
    for thread in threads:
        thread.start()
    try:
        if not ready.wait(10):
            raise TimeoutError("pymodbus' server did not start")
        yield units, os.ttyname(client_side)
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        for end in ends:
            for descriptor in end:
                os.close(descriptor)
