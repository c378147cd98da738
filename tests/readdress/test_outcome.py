"""The outcome table: every combination has its row, and "verified" only ever rests on what
answers."""

from __future__ import annotations

from itertools import product

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row
from busprobe.line.echo import Echo
from busprobe.line.exchange import Ending, Exchange
from busprobe.line.port import Chunk
from busprobe.modbus.framing import crc
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Request, write_register, write_registers
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.readdress.outcome import (
    Outcome,
    WriteAnswer,
    answer_of,
    refusal,
    row_after_power_cycle,
    row_after_write,
    sentences,
)
from busprobe.survey.findings import Kind
from tests.readdress.bench import SETTINGS, move


def result_of(row: Row) -> Result:
    return Outcome(move(), row, "", "").result


@pytest.mark.parametrize(
    ("answer", "at_old", "at_new", "row"),
    [
        (WriteAnswer.FROM_OLD, Kind.SILENT, Kind.UNIT, Row.CHANGED),
        (WriteAnswer.FROM_NEW, Kind.SILENT, Kind.UNIT, Row.CHANGED),
        (WriteAnswer.FROM_OLD, Kind.UNIT, Kind.SILENT, Row.PENDING),
        (WriteAnswer.FROM_NEW, Kind.UNIT, Kind.SILENT, Row.PENDING),
        (WriteAnswer.FROM_OLD, Kind.UNIT, Kind.UNIT, Row.BOTH),
        (WriteAnswer.FROM_OLD, Kind.SILENT, Kind.SILENT, Row.NEITHER),
        (WriteAnswer.NONE, Kind.SILENT, Kind.UNIT, Row.REPLY_LOST),
        (WriteAnswer.UNCLEAR, Kind.SILENT, Kind.UNIT, Row.REPLY_LOST),
        (WriteAnswer.NONE, Kind.UNIT, Kind.SILENT, Row.UNHEARD),
        (WriteAnswer.UNCLEAR, Kind.UNIT, Kind.SILENT, Row.UNHEARD),
        (WriteAnswer.NONE, Kind.UNIT, Kind.UNIT, Row.BOTH),
        (WriteAnswer.NONE, Kind.SILENT, Kind.SILENT, Row.NEITHER),
        (WriteAnswer.EXCEPTION, Kind.UNIT, Kind.SILENT, Row.UNIT_REFUSED),
        (WriteAnswer.EXCEPTION, Kind.SILENT, Kind.UNIT, Row.CHANGED_ALTHOUGH_REFUSED),
        (WriteAnswer.UNKNOWN, Kind.UNIT, Kind.SILENT, Row.UNDECIDED),
        (WriteAnswer.UNKNOWN, Kind.SILENT, Kind.UNIT, Row.FOUND_CHANGED),
        (WriteAnswer.FROM_OLD, Kind.SILENT, Kind.CLASH, Row.UNCLEAR),
        (WriteAnswer.FROM_OLD, Kind.UNSURE, Kind.UNIT, Row.UNCLEAR),
    ],
)
def test_the_row_follows_from_reply_and_addresses(
    answer: WriteAnswer, at_old: Kind, at_new: Kind, row: Row
) -> None:
    assert row_after_write(answer, at_old, at_new) is row


def test_no_reply_is_as_expected_where_the_profile_says_so() -> None:
    row = row_after_write(
        WriteAnswer.NONE,
        Kind.UNIT,
        Kind.SILENT,
        effect=Effect.AFTER_POWER_CYCLE,
        reply_from=ReplyFrom.NONE,
    )
    assert row is Row.PENDING


def test_verified_only_where_the_new_address_answers_alone_and_the_old_one_is_silent() -> None:
    seen = set()
    for answer, old, new, effect, reply_from in product(
        WriteAnswer, Kind, Kind, (None, *Effect), (None, *ReplyFrom)
    ):
        row = row_after_write(answer, old, new, effect=effect, reply_from=reply_from)
        seen.add(row)
        assert (result_of(row) is Result.VERIFIED) == (old is Kind.SILENT and new is Kind.UNIT)
        assert result_of(row) is not Result.REFUSED
        if result_of(row) is Result.WAITING:
            assert old is Kind.UNIT
            assert new is Kind.SILENT
    assert {Row.CHANGED, Row.PENDING, Row.UNHEARD, Row.BOTH, Row.NEITHER, Row.UNCLEAR} <= seen


@pytest.mark.parametrize(
    ("before", "at_old", "at_new", "row", "result"),
    [
        (Result.VERIFIED, Kind.SILENT, Kind.UNIT, Row.KEPT, Result.VERIFIED),
        (Result.WAITING, Kind.SILENT, Kind.UNIT, Row.KEPT, Result.VERIFIED),
        (Result.WAITING, Kind.UNIT, Kind.SILENT, Row.NOT_ACCEPTED, Result.NOT_VERIFIED),
        (Result.VERIFIED, Kind.UNIT, Kind.SILENT, Row.NOT_KEPT, Result.NOT_VERIFIED),
        (Result.VERIFIED, Kind.UNIT, Kind.UNIT, Row.BOTH, Result.NOT_VERIFIED),
        (Result.VERIFIED, Kind.SILENT, Kind.SILENT, Row.NEITHER, Result.NOT_VERIFIED),
        (Result.VERIFIED, Kind.SILENT, Kind.CLASH, Row.UNCLEAR, Result.NOT_VERIFIED),
    ],
)
def test_a_power_cycle_tells_changed_from_kept(
    before: Result, at_old: Kind, at_new: Kind, row: Row, result: Result
) -> None:
    assert row_after_power_cycle(before, at_old, at_new) is row
    assert result_of(row) is result


def test_every_row_has_words_of_its_own_and_all_but_a_no_have_a_next_action() -> None:
    told = {row: sentences(move(), row, exception=2, step="Something.") for row in Row}
    assert (
        len({why for why, _ in told.values()}) == len(Row) - 1
    )  # a guard and a failed step say what was seen
    for row, (why, todo) in told.items():
        assert "{" not in why + todo
        assert todo or row is Row.NOT_CONFIRMED


def reply(request: Request, received: bytes) -> Reply:
    chunks = (Chunk(0.1, received),) if received else ()
    return judge(
        request, Exchange(request.frame, SETTINGS, 0, 0, 1, chunks, Echo.NONE, Ending.SILENCE)
    )


def framed(*data: int) -> bytes:
    return bytes(data) + crc(bytes(data))


SINGLE, MULTIPLE = write_register(1, 100, 12), write_registers(1, 100, [12])


@pytest.mark.parametrize(
    ("request_", "received", "answer"),
    [
        (SINGLE, SINGLE.frame, WriteAnswer.FROM_OLD),
        (MULTIPLE, framed(1, 16, 0, 100, 0, 1), WriteAnswer.FROM_OLD),
        (SINGLE, framed(12, 6, 0, 100, 0, 12), WriteAnswer.FROM_NEW),
        (MULTIPLE, framed(12, 16, 0, 100, 0, 1), WriteAnswer.FROM_NEW),
        (SINGLE, framed(12, 6, 0, 100, 0, 13), WriteAnswer.UNCLEAR),
        (SINGLE, framed(13, 6, 0, 100, 0, 12), WriteAnswer.UNCLEAR),
        (SINGLE, framed(1, 6, 0, 100, 0, 13), WriteAnswer.UNCLEAR),
        (SINGLE, framed(1, 0x86, 3), WriteAnswer.EXCEPTION),
        (SINGLE, framed(1, 0x86, 5), WriteAnswer.FROM_OLD),
        (SINGLE, framed(1, 0x86, 11), WriteAnswer.NONE),
        (SINGLE, b"", WriteAnswer.NONE),
        (SINGLE, b"\x55\xaa\x55", WriteAnswer.UNCLEAR),
    ],
)
def test_the_reply_to_the_write_is_told_by_address_and_content(
    request_: Request, received: bytes, answer: WriteAnswer
) -> None:
    assert answer_of(reply(request_, received), 12) is answer


def test_the_document_has_the_fields_others_read() -> None:
    outcome = Outcome(move(), Row.CHANGED, "Seen.", "Do.", SINGLE.frame, SINGLE.frame)
    assert outcome.document() == {
        "format": "busprobe.readdress/1",
        "from": 1,
        "to": 12,
        "settings": "9600-8N1",
        "to_settings": "9600-8N1",
        "outcome": "verified",
        "request": "01 06 00 64 00 0C C8 10",
        "reply": "01 06 00 64 00 0C C8 10",
        "why": "Seen.",
        "todo": "Do.",
        "power_cycle": "not tested",
        "stored": True,
    }


def test_a_refusal_says_why_and_what_would_make_it_safe() -> None:
    document = refusal(
        move(), RefusedError("Taken.", means="Two would share it.", todo="Choose another.")
    ).document()
    assert (document["outcome"], document["request"], document["reply"]) == ("refused", "", None)
    assert (document["why"], document["todo"]) == ("Taken. Two would share it.", "Choose another.")
