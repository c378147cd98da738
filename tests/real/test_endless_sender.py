"""A real TCP peer that never stops sending: listening and a survey end in bounded time."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from busprobe.line.line import Line
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings
from busprobe.survey.listen import listen
from busprobe.survey.survey import Survey
from tests.survey.test_survey import result

SETTINGS = LineSettings.parse("9600-8N1")


@pytest.fixture
def endless() -> Iterator[str]:
    """The port of a peer that sends as fast as it is read until the other end is closed."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def send() -> None:
            peer, _ = server.accept()
            with peer:
                try:
                    while True:
                        peer.sendall(b"\x55" * 4096)
                except OSError:
                    pass

        sender = threading.Thread(target=send)
        sender.start()
        host, port = server.getsockname()
        yield f"socket://{host}:{port}"
        sender.join(10)
        assert not sender.is_alive()


def test_listening_to_a_peer_that_never_stops_ends_and_says_so(endless: str) -> None:
    with Line(SerialPort(endless, SETTINGS), SETTINGS) as line:
        begun = time.monotonic()
        heard = listen(line, 1.0)
        assert time.monotonic() - begun < 5
        assert heard.stuck


def test_a_survey_of_a_peer_that_never_stops_asks_nothing_and_ends(endless: str) -> None:
    with Line(SerialPort(endless, SETTINGS), SETTINGS) as line:
        begun = time.monotonic()
        end = result(list(Survey(line, [SETTINGS], range(1, 11), listen_first=0.5)))
        assert time.monotonic() - begun < 10
        assert (end.findings, end.asked, end.complete) == ((), (), False)
        assert len(end.untested[0].addresses) == 10
