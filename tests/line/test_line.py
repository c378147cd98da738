"""The exchange: what comes back, when it is over, and what is an echo."""

from __future__ import annotations

import pytest

from busprobe.errors import PortError
from busprobe.line.echo import Echo
from busprobe.line.exchange import Ending, Waits
from busprobe.line.line import Line
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, read_registers, write_register
from tests.line.scripted import Script, ScriptedPort

SETTINGS = LineSettings.parse("9600-8N1")
# The standard's example (MODBUS Application Protocol V1.1b3, section 6.3) as a frame of unit 1, CRC
# computed.
REQUEST = read_registers(1, Function.READ_HOLDING_REGISTERS, 107, 3)
REPLY = bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")
WAITS = Waits(reply=0.5, silence=0.03)


def line_with(script: Script) -> tuple[Line, ScriptedPort]:
    port = ScriptedPort(script)
    return Line(port, SETTINGS), port


def silent(_: bytes) -> list[tuple[float, bytes]]:
    return []


def test_a_reply_ends_by_its_declared_length() -> None:
    """Nothing is waited for once the reply is whole."""
    line, _port = line_with(lambda _: [(0.020, REPLY)])
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.received == REPLY
    assert exchange.ending is Ending.LENGTH
    assert exchange.ended - exchange.sent == pytest.approx(0.020)


def test_the_reply_wait_counts_from_the_end_of_our_own_transmission() -> None:
    """A silent address costs the frame's own wire time plus exactly the reply wait."""
    line, _port = line_with(silent)
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.ending is Ending.TIMEOUT
    assert exchange.sent - exchange.started == pytest.approx(SETTINGS.wire_time(8))
    assert exchange.ended - exchange.sent == pytest.approx(0.5)
    assert exchange.latency is None


def test_lumps_with_gaps_longer_than_t1_5_are_one_reply() -> None:
    """USB adapters deliver in lumps: a 16 ms gap inside a frame is no end of it."""
    line, _port = line_with(lambda _: [(0.02, REPLY[:4]), (0.036, REPLY[4:9]), (0.052, REPLY[9:])])
    assert line.exchange(REQUEST, WAITS).received == REPLY


def test_silence_ends_a_reply_that_never_gets_whole() -> None:
    """A reply cut short is kept as it is and ends by silence, a longer one while the rest may still
    come."""
    line, _port = line_with(lambda _: [(0.02, REPLY[:6])])
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.received == REPLY[:6]
    assert exchange.ending is Ending.SILENCE
    assert exchange.ended == pytest.approx(exchange.sent + 0.02 + 0.12)


def test_what_is_no_beginning_of_a_reply_ends_by_the_silence_given() -> None:
    line, _port = line_with(lambda _: [(0.02, b"\x55" + REPLY[:6])])
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.ended == pytest.approx(exchange.sent + 0.02 + WAITS.silence)


def test_lumps_of_a_slow_server_are_one_reply() -> None:
    """100 ms apart (common practice)."""
    line, _port = line_with(lambda _: [(0.02, REPLY[:1]), (0.12, REPLY[1:8]), (0.22, REPLY[8:])])
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.received == REPLY
    assert exchange.ending is Ending.LENGTH
    assert exchange.burst_delay == pytest.approx(0.1)


def test_bytes_that_come_one_by_one_at_their_own_pace_are_no_lumps() -> None:
    character = SETTINGS.character_time
    line, _port = line_with(
        lambda _: [(0.02 + n * character, bytes((byte,))) for n, byte in enumerate(REPLY)]
    )
    assert line.exchange(REQUEST, WAITS).burst_delay == 0.0
    line, _port = line_with(lambda _: [(0.02, REPLY)])
    assert line.exchange(REQUEST, WAITS).burst_delay is None


def test_latency_takes_off_the_first_lumps_own_wire_time() -> None:
    line, _port = line_with(lambda _: [(0.1, REPLY)])
    assert line.exchange(REQUEST, WAITS).latency == pytest.approx(
        0.1 - SETTINGS.wire_time(len(REPLY))
    )


@pytest.mark.parametrize("pieces", [[11 + 8], [3, 16], [8, 11], [7, 12]])
def test_the_local_echo_is_stripped_with_both_crc_bytes(pieces: list[int]) -> None:
    """However the lumps fall, exactly the request is taken off."""

    def echoing(sent: bytes) -> list[tuple[float, bytes]]:
        stream, parts = sent + REPLY, []
        for number, size in enumerate(pieces):
            parts.append((0.002 * number, stream[:size]))
            stream = stream[size:]
        return parts

    line, _port = line_with(echoing)
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.echo is Echo.FULL
    assert exchange.received == REPLY
    assert line.echo is Echo.FULL


def test_an_echo_alone_is_silence() -> None:
    """Our own request coming back is nobody's reply."""
    line, _port = line_with(lambda sent: [(0.0, sent)])
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.received == b""
    assert exchange.ending is Ending.TIMEOUT
    assert exchange.ended - exchange.sent == pytest.approx(0.5)


@pytest.mark.parametrize(
    "back",
    [REQUEST.frame[2:], bytes(byte | 0xF0 for byte in REQUEST.frame), b"\x09" + REQUEST.frame[1:]],
    ids=["tail", "more-ones", "wrong-byte"],
)
def test_an_unfaithful_echo_does_not_end_the_wait_for_the_reply(back: bytes) -> None:
    """Nor does the port count as one that does not echo, so that no echo passes for a mirrored
    reply."""
    line, _port = line_with(lambda _sent: [(0.0, back), (0.1, REPLY)])
    exchange = line.exchange(REQUEST, WAITS)
    assert exchange.received == back + REPLY
    assert exchange.ending is Ending.LENGTH
    assert line.echo is None


def test_an_echo_is_never_taken_for_the_reply_to_a_mirrored_write() -> None:
    """Function code 6 is answered by its own request: on an echoing port one copy is the echo, a
    second the reply."""
    write = write_register(1, 1, 3)
    line, _port = line_with(lambda sent: [(0.0, sent)])
    assert line.exchange(write, WAITS).received == b"", (
        "nothing is known of the port yet: an echo until shown otherwise"
    )
    line.exchange(REQUEST, WAITS)
    assert line.exchange(write, WAITS).received == b""

    line, _port = line_with(
        lambda sent: [(0.0, sent), (0.02, sent if sent == write.frame else REPLY)]
    )
    line.exchange(REQUEST, WAITS)
    assert line.exchange(write, WAITS).received == write.frame


def test_a_mirrored_reply_counts_once_the_port_is_known_not_to_echo() -> None:
    write = write_register(1, 1, 3)
    line, _port = line_with(lambda sent: [(0.02, sent if sent == write.frame else REPLY)])
    line.exchange(REQUEST, WAITS)
    assert line.echo is Echo.NONE
    exchange = line.exchange(write, WAITS)
    assert exchange.received == write.frame
    assert exchange.ending is Ending.LENGTH


def test_a_late_reply_is_leftover_of_the_next_exchange_and_not_its_reply() -> None:
    """Values never shift by one question."""
    line, port = line_with(silent)
    first = line.exchange(REQUEST, WAITS)
    port.arrive(first.ended + 0.0001, REPLY)
    port.clock.sleep_until(first.ended + 0.01)
    second = line.exchange(REQUEST, WAITS)
    assert second.leftover == REPLY
    assert second.received == b""


def test_frames_are_parted_by_3_5_characters() -> None:
    """MODBUS over Serial Line V1.02, section 2.5.1.1."""
    line, port = line_with(lambda _: [(0.02, REPLY)])
    first = line.exchange(REQUEST, WAITS)
    line.exchange(REQUEST, WAITS)
    assert port.sent[1][0] - first.ended >= SETTINGS.t3_5 - 1e-9


def test_listening_on_after_a_reply_hears_a_second_unit() -> None:
    """With `after`, a slower second reply is part of the evidence."""
    line, _port = line_with(lambda _: [(0.02, REPLY), (0.06, REPLY)])
    assert line.exchange(REQUEST, Waits(reply=0.5, after=0.1)).received == REPLY + REPLY
    assert line.exchange(REQUEST, Waits(reply=0.5)).received == REPLY


def test_a_stuck_transmitter_does_not_hold_the_exchange_for_ever() -> None:
    line, _port = line_with(lambda _: [(0.001 * n, b"\x00" * 32) for n in range(2000)])
    exchange = line.exchange(REQUEST, WAITS)
    assert 1024 <= len(exchange.received) <= 1024 + 32


def test_listening_gathers_without_sending() -> None:
    line, port = line_with(silent)
    port.arrive(0.5, b"\x01\x02")
    heard = line.listen(2.0)
    assert heard.data == b"\x01\x02"
    assert heard.seconds == pytest.approx(2.0)
    assert port.sent == []


def test_settings_are_applied_once() -> None:
    line, port = line_with(silent)
    line.apply(SETTINGS)
    assert port.applied == [SETTINGS]
    line.apply(LineSettings.parse("19200-8E1"))
    assert [str(s) for s in port.applied] == ["9600-8N1", "19200-8E1"]


def test_a_dead_adapter_is_a_port_error_and_closing_it_is_quiet() -> None:
    line, port = line_with(silent)
    port.unplugged = True
    with pytest.raises(PortError):
        line.exchange(REQUEST, WAITS)
    line.close()
    line.close()
    assert port.closed


class Endless(ScriptedPort):
    """Bytes are always there, however often it is read."""

    def __init__(self, rate: float = 0.0) -> None:
        """`rate` is the seconds that pass for each 64 bytes."""
        super().__init__(silent)
        self._rate = rate

    def receive(self, until: float) -> Chunk | None:
        self.clock.sleep_until(self.clock.now() + self._rate)
        return Chunk(self.clock.now(), b"\x55" * 64)


@pytest.mark.parametrize("rate", [0.0, 1e-6, 0.01, 0.064])
def test_a_sender_without_a_pause_holds_no_exchange_and_no_listening(rate: float) -> None:
    """Each ends by a deadline and by a number of bytes, and the memory that it takes is bounded."""
    line = Line(Endless(rate), SETTINGS)
    exchange = line.exchange(REQUEST, Waits(reply=0.5, after=0.1, quiet=0.05))
    assert len(exchange.leftover) + len(exchange.received) <= 2 * (1024 + 64)
    assert exchange.ended - exchange.started < 2.5
    heard = line.listen(5.0)
    assert len(heard.data) <= 1024 + 2 * 5.0 / SETTINGS.character_time + 64
    assert heard.seconds <= 5.0 + rate


@pytest.mark.parametrize("stamp", [-1e6, 0.0, 1e6])
def test_times_that_a_port_gives_go_forward_and_are_not_ahead_of_the_clock(stamp: float) -> None:
    """Waits are made from them: one of a million seconds would never end."""
    port = ScriptedPort(lambda _: [(0.01, b"\x05"), (0.02, b"\x03")])
    line = Line(port, SETTINGS)
    receive = port.receive

    def lying(until: float) -> Chunk | None:
        chunk = receive(until)
        return None if chunk is None else Chunk(stamp, chunk.data, (-1, 0, 7))

    port.receive = lying  # type: ignore[method-assign]
    seen = line.exchange(REQUEST, WAITS)
    assert [chunk.data for chunk in seen.chunks] == [b"\x05", b"\x03"]
    times = [chunk.at for chunk in seen.chunks]
    assert 0 <= times[0] <= times[1] <= seen.ended
    assert [chunk.bad for chunk in seen.chunks] == [(0,), (0,)]
