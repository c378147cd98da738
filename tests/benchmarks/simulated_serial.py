"""A stand-in for `serial.Serial` on the virtual segment, so that other libraries run in simulated
time too."""

from __future__ import annotations

from busprobe.line.port import Port
from busprobe.line.settings import LineSettings


class SimulatedSerial:
    """What pymodbus and minimalmodbus use of pyserial's interface."""

    port = "simulated"
    is_open = True

    def __init__(self, port: Port, settings: LineSettings, timeout: float) -> None:
        self.timeout = timeout
        self.baudrate = settings.baud
        self._port = port
        self._received = b""
        port.apply(settings)

    def write(self, data: bytes) -> int:
        self._port.clock.sleep_until(self._port.send(data))
        return len(data)

    def read(self, count: int) -> bytes:
        deadline = self._port.clock.now() + self.timeout
        while len(self._received) < count and (chunk := self._port.receive(deadline)) is not None:
            self._received += chunk.data
        taken, self._received = self._received[:count], self._received[count:]
        return taken

    @property
    def in_waiting(self) -> int:
        while (chunk := self._port.receive(self._port.clock.now())) is not None:
            self._received += chunk.data
        return len(self._received)

    def reset_input_buffer(self) -> None:
        if self.in_waiting:
            self._received = b""

    def reset_output_buffer(self) -> None: ...

    def flush(self) -> None: ...

    def open(self) -> None: ...

    def close(self) -> None: ...


class SimulatedTime:
    """What these libraries use of the module `time`."""

    def __init__(self, port: Port) -> None:
        self._clock = port.clock

    def monotonic(self) -> float:
        return self._clock.now()

    time = monotonic

    def sleep(self, seconds: float) -> None:
        self._clock.sleep_until(self._clock.now() + seconds)
