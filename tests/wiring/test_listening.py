"""Listening and asking a little on the virtual segment."""

from __future__ import annotations

import json
from threading import Event as Cancel
from typing import Any

import pytest

from busprobe.line.exchange import Heard
from busprobe.line.line import Line
from busprobe.line.line_errors import LineErrors
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, Request, read_registers
from busprobe.virtual.schema import OtherMaster, Poll
from busprobe.wiring.causes import Cause
from busprobe.wiring.evidence import LineEvidence
from busprobe.wiring.hunt import probes
from busprobe.wiring.listening import FEW, ListeningResult, a_few, listen_and_ask, read_listening
from tests.wiring.bench import USUAL, certain_causes, segment


def read(address: int) -> list[Request]:
    return [read_registers(address, Function.READ_HOLDING_REGISTERS, 0, 1)]


def test_a_sound_pair() -> None:
    """Quiet, and who is asked answers."""
    heard = listen_and_ask(Line(segment("clean").port(), USUAL), 5.0, [read(11)], expected=[11])
    assert heard.observations == ()
    assert heard.words == "Quiet for 5.0 s at 9600-8N1."
    assert (heard.noise_bytes, heard.other_master, heard.echo) == (0, False, False)
    assert listen_and_ask(Line(segment("echo").port(), USUAL), 5.0, [read(11)]).echo is True


def test_listening_ends_early_when_it_is_told_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was heard until then is told, with the seconds it took, and nobody is asked any more."""
    line, cancel = Line(segment("second-master").port(), USUAL), Cancel()
    listen = line.listen

    def until_two_seconds(seconds: float) -> Heard:
        heard = listen(seconds)
        if line.clock.now() > 2:
            cancel.set()
        return heard

    monkeypatch.setattr(line, "listen", until_two_seconds)
    heard = listen_and_ask(line, 60.0, [read(12)], cancel=cancel)
    assert heard.evidence.idle is not None
    assert 2 < heard.evidence.idle.seconds < 3
    assert heard.other_master
    assert not heard.evidence.replies
    assert not heard.left_unasked


def test_what_came_before_listening_does_not_count() -> None:
    """A port that nobody has read for ten minutes hands over all that came meanwhile."""
    bench = segment("second-master")
    line = Line(bench.port(), USUAL)
    fresh = listen_and_ask(line, 5.0)
    bench.clock.sleep_until(bench.clock.now() + 600)
    stale = listen_and_ask(line, 5.0)
    assert stale.evidence.idle is not None
    assert stale.evidence.idle.seconds == pytest.approx(5.0)
    assert abs(len(stale.evidence.frames) - len(fresh.evidence.frames)) <= 2
    assert stale.noise_bytes < 10


def test_without_asking_nothing_is_known_of_an_echo() -> None:
    line = Line(segment("echo").port(), USUAL)
    heard = listen_and_ask(line, 5.0)
    assert heard.echo is None
    assert heard.evidence.replies == []


FLOATING: dict[str, Any] = {"wires": {"biased": False}, "adapter": {"failsafe": False}}
AT_4800 = OtherMaster(
    settings=LineSettings.parse("4800-8N1"), period=0.5, polls=(Poll(address=11, count=4),)
)


@pytest.mark.parametrize(
    ("name", "changes", "likeliest", "also"),
    [
        ("clean", {"adapter": {"swapped": True}}, Cause.SWAPPED_AT_ADAPTER, Cause.STUCK),
        ("stuck", {}, Cause.SWAPPED_AT_ADAPTER, Cause.STUCK),
        ("clean", {"other_master": AT_4800}, Cause.WRONG_BAUD, None),
        ("clean", FLOATING, Cause.MISSING_BIAS, Cause.NOISE),
        ("late-turnaround", {}, Cause.ADAPTER_HOLDS_ON, Cause.UNIT_DRIVES_LATE),
        ("second-master", {}, Cause.OTHER_MASTER, None),
    ],
)
def test_common_pictures_are_recognised_by_one_look(
    name: str, changes: dict[str, Any], likeliest: Cause, also: Cause | None
) -> None:
    """As the wizard looks: 5 s of listening, each unit asked once.  What fits two causes names
    both."""
    faulty = segment(name, **changes)
    units = [unit.address for unit in faulty.units]
    first, *_ = listen_and_ask(
        Line(faulty.port(), USUAL), 5.0, [probes(a) for a in units], expected=units
    ).observations
    assert first.hints[0].cause is likeliest
    assert also in {None, *(hint.cause for hint in first.hints)}
    assert (first.certain is None) is (also is not None)


def test_another_master_is_not_talked_into() -> None:
    """Whoever was to be asked is named instead."""
    heard = listen_and_ask(Line(segment("second-master").port(), USUAL), 5.0, [read(11), read(12)])
    assert heard.left_unasked == (11, 12)
    assert heard.evidence.replies == ()
    assert certain_causes(heard.observations) == {Cause.OTHER_MASTER}
    assert "valid frames, from or for units 11,21" in heard.words


def test_a_unit_is_asked_in_turn_until_it_answers() -> None:
    """Unit 11 refuses the first kind of request, which is an answer; nobody is at 99, which is not
    called wrong."""
    heard = listen_and_ask(
        Line(segment("clean").port(), USUAL), 1.0, [probes(11), probes(99)], expected=[11]
    )
    assert [reply.request.address for reply in heard.evidence.replies] == [11, 99, 99, 99]
    assert heard.observations == ()


def test_the_document_holds_what_was_asked_with_its_turn_round() -> None:
    """Unit 11 takes some 11 ms, junk ahead of its reply does not count."""
    for name in (
        "clean",
        "stray-bytes",
    ):  # after 3 s the floating pair happens to let the request through
        document = json.loads(
            json.dumps(
                listen_and_ask(Line(segment(name).port(), USUAL), 3.0, [read(11)]).document()
            )
        )
        (asked,) = document["asked"]
        assert asked["address"] == 11
        assert 8 < asked["reply_ms"] < 16
        assert (
            asked["silence_due_ms"] == 3.6
        )  # V1.02, section 2.5.1.1: 3.5 characters of 10 bits at 9600 baud
        assert document["line_errors"] is None


def test_words_tell_flags_and_counters() -> None:
    idle = Heard(2.0, (Chunk(1.0, b"\x00\x12", (0,)),), LineErrors(breaks=1))
    heard = ListeningResult(LineEvidence(USUAL, idle), ())
    assert (
        heard.words
        == "2 bytes in 2.0 s at 9600-8N1, no valid frame, 1 byte flagged by the receiver, the"
        " system counted 1 break."
    )
    assert heard.document()["line_errors"] == {
        "framing": 0,
        "parity": 0,
        "breaks": 1,
        "lost": 0,
        "at_least": False,
    }
    counted = ListeningResult(LineEvidence(USUAL, Heard(2.0, (), LineErrors(breaks=1))), ())
    assert "Quiet" not in counted.words


def test_a_few_of_many_are_spread_with_both_ends() -> None:
    many = list(range(1, 33))
    chosen = a_few(many)
    assert len(chosen) == len(set(chosen)) == FEW
    assert (chosen[0], chosen[-1]) == (1, 32)
    assert a_few([5, 3]) == (5, 3)
    assert a_few([]) == ()


def test_what_was_heard_is_read_back_from_the_job() -> None:
    """Where it was listened and asked; a step that only listens keeps another document."""
    heard = listen_and_ask(Line(segment("echo").port(), USUAL), 1.0, [read(11)])
    assert read_listening(json.loads(json.dumps(heard.document()))) == heard.recorded
    assert read_listening({"settings": "9600-8N1", "seconds": 1.0}) is None
