"""What the journal says of the moves of each unit on the list."""

from __future__ import annotations

from busprobe.job.journal import Result
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.readdress.journal import latest_move, recorded_outcome, unproven_moves
from tests.readdress.bench import ADDRESS_REGISTER
from tests.readdress.bench import recorded_write as write


def test_a_verified_move_belongs_to_the_unit_at_the_new_address_only() -> None:
    writes = (write(1, 1, 12, Result.VERIFIED),)
    assert latest_move(UnitRecord(Place.parse("12 9600-8N1")), writes) == writes[0]
    assert latest_move(UnitRecord(Place.parse("1 9600-8N1")), writes) is None
    assert latest_move(UnitRecord(Place.parse("12 19200-8E1")), writes) is None


def test_what_no_power_cycle_has_proven_is_known_from_list_and_journal() -> None:
    writes = (
        write(1, 1, 12, Result.VERIFIED),
        write(2, 2, 13, Result.WAITING),
        write(1, 1, 20, Result.VERIFIED),
    )
    units = (
        UnitRecord(Place.parse("12 9600-8N1")),
        UnitRecord(Place.parse("2 9600-8N1")),
        UnitRecord(Place.parse("5 9600-8N1")),
    )
    proven = UnitRecord(Place.parse("20 9600-8N1"), power_cycle_verified=True)
    assert [
        outcome.move.target.address for outcome in unproven_moves((*units, proven), writes)
    ] == [12, 13]


def test_an_outcome_is_read_back_from_the_journal_with_the_register_that_was_written() -> None:
    outcome = recorded_outcome(write(7, 1, 12, Result.WAITING))
    assert (
        outcome.move.source.address,
        outcome.move.target.address,
        outcome.move.procedure.register,
    ) == (1, 12, ADDRESS_REGISTER)
    assert outcome.write == 7
