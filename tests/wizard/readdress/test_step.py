"""Readdress: proposals, the guarded move, a clash taken apart, a box one by one, recovery."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from textual.widgets import Button

from busprobe.errors import PortError
from busprobe.job import Job, UnitRecord
from busprobe.job.journal import ProcedureStep, Result, Role, Row, WriteIntent
from busprobe.job.plan import PlannedUnit
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, RegisterWrite, write_register
from busprobe.readdress.one_by_one import BoxEvent, Target, Waiting
from busprobe.session.moves import RECORD, BusMoves
from busprobe.session.session import Session
from busprobe.wizard.readdress.wanted import kept_wanted
from tests.wizard.conftest import Wizard, new_session
from tests.wizard.person import Person


def known(job: Job, address: int, profile: str | None = "aldermoor-at-10") -> None:
    """A unit of the list that was identified."""
    job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1"), profile=profile, match=0.9))


def flat(person: Person) -> str:
    """The screen as one line, and of lines with a dialog only what is in it: what is said may be
    broken anywhere."""
    inside = re.sub(r"^.*?[│┃](.*)[│┃].*$", r"\1", person.screen, flags=re.MULTILINE)
    return " ".join(re.sub("[▁▂▃▄▅▆▇]", " ", inside).split())


async def want(person: Person, address: int) -> None:
    """Type the wanted address of the unit under the cursor."""
    await person.press("escape", "tab", "enter")
    await person.write(str(address))
    await person.press("enter")


async def test_a_move_shows_everything_first_and_sends_nothing_on_no(
    wizard: Wizard, job: Job
) -> None:
    """The dialog has the frame in words and bytes, the effect, what to do if lost; Enter is NO, and
    nothing leaves."""
    known(job, 11)
    async with wizard("clean", step=5) as person:
        await want(person, 33)
        assert "33 (0x21)" in person.screen
        await person.press("m")
        await person.wait_for("Write to the unit?")
        assert "PRACTICE  Write to the unit?" in person.screen
        assert not person.app.screen.query(".grave")  # the frame of a write to a real bus
        assert "Write 33 (0x0021) to holding register 257 (0x0101)" in person.screen
        assert "0B 06 01 01 00 21" in person.screen
        assert "If lost" in person.screen
        focused = person.app.focused
        assert isinstance(focused, Button)
        assert "No, send nothing" in str(focused.label)
        await person.press("y")
        assert "Write to the unit?" in person.screen
        await person.press("enter")
        await person.wait()
        assert "✖ refused" in person.screen
        assert "nothing was sent" in person.screen
    assert job.writes() == ()


async def test_a_confirmed_move_is_verified_and_kept_over_a_power_cycle(
    wizard: Wizard, job: Job
) -> None:
    """W writes once: verified with the next action; after the power cycle v says kept, and the list
    follows."""
    known(job, 11)
    async with wizard("clean", step=5) as person:
        await want(person, 33)
        await person.press("m")
        await person.wait_for("Write to the unit?")
        await person.press("w")
        await person.wait()
        assert "✓ verified  11 → 33 at 9600-8N1." in person.screen
        assert "Next: Power-cycle the unit" in person.screen
        assert "33 (0x21)" in person.screen
        assert "Enter see what was kept (v). Switch the moved" in person.next_line
        terminals = person.app.session.terminals
        assert terminals is not None
        terminals.power_cycle()
        await person.press("v")
        await person.wait()
        assert "✓ kept" in person.screen
        await person.press("j")
        assert "Sent    0B 06 01 01 00 21" in person.screen
        assert "✓ verified" in person.screen
    (write,) = job.writes()
    assert write.outcome == "verified"
    moved = job.unit(Place.parse("33 9600-8N1"))
    assert moved is not None
    assert moved.power_cycle_verified


async def test_a_taken_address_is_refused_before_anything_is_asked(
    wizard: Wizard, job: Job
) -> None:
    """The wanted address of a listed unit is refused in words; one that only the wire knows is
    refused by the guard."""
    known(job, 11)
    known(job, 12)
    async with wizard("clean", step=5) as person:
        await want(person, 12)
        await person.press("m")
        assert "12 (0x0C) already belongs to a unit at 9600-8N1" in person.screen
        await person.press("enter")
        await person.press("enter", "ctrl+u")
        await person.write("21")
        await person.press("enter", "m")
        await person.wait()
        assert "That did not work" in person.screen
        assert "21 (0x15)" in person.screen
    assert job.writes() == ()


async def test_without_a_profile_the_register_is_asked_for_with_a_warning(
    wizard: Wizard, job: Job
) -> None:
    """By hand: register and function from the data sheet, and the dialog says what a wrong register
    would do."""
    known(job, 11, profile=None)
    async with wizard("clean", step=5) as person:
        await want(person, 33)
        await person.press("m")
        assert "No profile says how" in person.screen
        await person.write("257")
        await person.press("enter", "enter")
        await person.wait_for("Write to the unit?")
        assert "was given by hand" in person.screen
        await person.press("escape")
        await person.wait()
    assert job.writes() == ()


async def test_a_register_that_holds_something_else_is_overwritten_only_once_it_was_typed(
    wizard: Wizard, job: Job
) -> None:
    """Register 0 of this type holds its outputs, 5."""
    known(job, 31, profile=None)
    async with wizard("clean", step=5) as person:
        await want(person, 33)
        await person.press("m")
        await person.write("0")
        await person.press("enter", "enter")
        await person.wait_for("Another register?")
        assert "holds 5 (0x0005)" in person.screen
        await person.write("1")
        await person.press("enter")
        assert "is not the register of this write" in person.screen
        await person.press("ctrl+u")
        await person.write("0")
        await person.press("enter")
        await person.wait_for("Write to the unit?")
        assert "chosen to overwrite" in person.screen
        await person.press("escape")
        await person.wait()
        await person.press("m")
        await person.write("0")
        await person.press("enter", "enter")
        await person.wait_for("Another register?")
        await person.press("escape")
        await person.wait()
        assert "That did not work" in person.screen
    assert job.writes() == ()


async def test_a_clash_is_never_written_to(wizard: Wizard, job: Job) -> None:
    """m on a clash explains why not, and which key helps."""
    job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
    async with wizard("clash", step=5) as person:
        await person.press("m")
        assert "One at a time first" in person.screen
        assert "Enter isolate one at 1 (i)." in person.next_line
    assert job.writes() == ()


async def test_a_clash_is_taken_apart_one_moved_and_the_other_found_again(
    wizard: Wizard, paced: Session, job: Job
) -> None:
    """i shows TWO until hands leave ONE; that one is moved, the other put back and listed at the
    old address."""
    job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
    async with wizard("clash", step=5, using=paced) as person:
        terminals = paced.terminals
        assert terminals is not None
        await person.strike("i")
        await person.wait_for("two or more answer")
        sharing = [
            unit.name
            for unit in paced._connector.segment("virtual:clash").units
            if unit.address == 1
        ]
        terminals.connect(sharing[0], connected=False)
        await person.wait_for("One unit answers at 1 (0x01), alone and cleanly.")
        await person.wait()
        await want(person, 33)
        await person.press("m")
        await person.wait_for("Write to the unit?")
        await person.press("w")
        await person.wait_for("Reconnect the other units")
        terminals.connect(sharing[0], connected=True)
        await person.wait()
        await person.press("o")
        await person.wait()
        assert "● unit" in person.screen
        assert "X clash" not in person.screen
    assert {(unit.address, unit.kind) for unit in job.units()} == {(1, "unit"), (33, "unit")}


async def test_the_others_are_put_back_after_a_batch_and_not_in_the_middle_of_it(
    wizard: Wizard, paced: Session, job: Job
) -> None:
    """The one left of a clash is moved with another unit: both writes are asked for before hands
    are needed again."""
    job.put_unit(UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH))
    async with wizard("clash", step=5, using=paced) as person:
        terminals = paced.terminals
        assert terminals is not None
        await person.strike("i")
        await person.wait_for("two or more answer")
        units = paced._connector.segment("virtual:clash").units
        terminals.connect(next(unit.name for unit in units if unit.address == 1), connected=False)
        await person.wait_for("One unit answers at 1 (0x01), alone and cleanly.")
        await person.wait()
        known(job, 12)
        job.set_state("wizard.wanted", {"1 9600-8N1": 33, "12 9600-8N1": 34})
        await person.press("a", "g")
        for number in (1, 2):
            await person.wait_for(f"Write to the unit?  {number} of 2")
            assert "Reconnect the other units" not in person.screen
            await person.press("w")
        await person.wait_for("Power-cycle these units")
        await person.press("l")
        await person.wait()
        await person.wait_for("Reconnect the other units")


async def test_proposals_come_from_the_plan(wizard: Wizard, job: Job) -> None:
    """A unit that fits by its type alone is offered the planned address; Enter accepts it."""
    known(job, 11)
    planned = new_session(job, plan=(PlannedUnit("TE-9", 90, profile="aldermoor-at-10"),))
    async with wizard("clean", step=5, using=planned) as person:
        await person.press("p")
        assert "0 proposed, 1 only offered (?)" in flat(person)
        assert "90? (0x5A)" in person.screen
        assert kept_wanted(job) == {}
        await person.press("enter", "enter")
        assert "90? (0x5A)" not in person.screen
        assert "90 (0x5A)" in person.screen
    assert list(kept_wanted(job).values()) == [90]
    planned.close()


async def test_a_box_that_is_cut_off_says_so_and_can_be_closed(
    wizard: Wizard, session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The adapter is pulled: no screen goes on watching a pair that nobody asks, and Escape closes
    it."""

    def pulled(*_: object, **__: object) -> Iterator[BoxEvent]:
        yield Waiting(Target(10), 1)
        raise PortError("The adapter is gone.", todo="Plug it in again, then open the port.")

    monkeypatch.setattr(BusMoves, "one_by_one", pulled)
    async with wizard("box", step=5) as person:
        await person.press("b", "ctrl+s")
        await person.wait_for("The adapter is gone.")
        await person.press("enter")
        assert "Nothing is watched any more" in flat(person)
        await person.press("escape")
        assert "5 Readdress" in person.screen


async def test_a_box_of_units_is_given_addresses_one_by_one_and_the_last_is_taken_back(
    wizard: Wizard, paced: Session, job: Job
) -> None:
    """CONNECT asks for the next unit; it is seen, confirmed, written and verified; u moves the last
    one back."""
    async with wizard("box", step=5, using=paced) as person:
        terminals = paced.terminals
        assert terminals is not None
        units = [unit.name for unit in terminals.units()]
        for name in units:
            terminals.connect(name, connected=False)
        await person.press("b")
        await person.strike("ctrl+s")
        await person.wait_for("Connect the next unit")
        for name, address in zip(units[:2], (10, 11), strict=True):
            terminals.connect(name, connected=True)
            await person.wait_for("Write to the unit?")
            await person.strike("w")
            await person.wait_for(f"unit {address} is set")
        await person.strike("u")
        await person.wait_for("Write to the unit?")
        await person.strike("w")
        await person.wait_for("undo of unit 11: verified")
        assert "Take it off the bus" in flat(person)
        await person.strike("escape")
        await person.wait_for("1 units set. Stopped by you.")
        await person.strike("escape")
        await person.wait()
        assert "5 Readdress" in person.screen
    assert [unit.address for unit in job.units()] == [1, 10]
    assert [(write.target.address, write.outcome) for write in job.writes()] == [
        (10, "verified"),
        (11, "verified"),
        (1, "verified"),
    ]


def cut_off(job: Job) -> None:
    """A write of 33 to the unit at 11 was under way when the program ended."""
    known(job, 11)
    request = write_register(11, 0x101, 33)
    job.intend_write(
        WriteIntent(
            role=Role.ADDRESS,
            source=Place.parse("11 9600-8N1"),
            target=Place.parse("33 9600-8N1"),
            write=RegisterWrite(257, (33,), Function.WRITE_SINGLE_REGISTER),
            request=request.frame,
            words=request.words,
        )
    )


async def test_a_write_cut_off_by_a_crash_is_told_at_the_next_start(
    wizard: Wizard, job: Job
) -> None:
    """After a kill the step says that a write was under way; v asks both addresses and says what is
    true."""
    cut_off(job)
    async with wizard("clean", step=5) as person:
        assert "Outcome not known: Write 33" in person.screen
        assert person.states[4] == "! check"
        await person.press("1")
        assert "Enter go to Readdress (5). What was cut off" in person.next_line
        await person.press("5")
        await want(person, 34)
        await person.press("m")
        assert "A write was interrupted" in person.screen
        await person.press("enter", "escape")
        assert "Enter verify both addresses (v)" in person.next_line
        await person.press("enter")
        await person.wait()
        assert "the write never left, or the unit did not take it" in " ".join(
            person.screen.split()
        )
    assert job.unfinished_writes() == ()


async def test_what_was_cut_off_cannot_be_asked_before_the_port_is_open(
    wizard: Wizard, job: Job
) -> None:
    """The next line names a key that works now."""
    cut_off(job)
    async with wizard("clean", step=5) as person:
        await person.press("1", "z")
        await person.wait()
        await person.press("5")
        assert "Enter open virtual:clean. Then: verify both addresses (v)." in person.next_line
        await person.press("enter")
        await person.wait()
        assert person.app.current == 5
        assert "Enter verify both addresses (v)" in person.next_line


async def test_a_port_that_fails_before_the_write_is_said_and_nothing_is_lost(
    wizard: Wizard, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An adapter pulled out while the guards look: one clear sentence, nothing written."""
    known(job, 11)
    async with wizard("clean", step=5) as person:
        await want(person, 33)

        def pulled(*_: object) -> None:
            raise PortError("The adapter is gone.", todo="Plug it in again, then open the port.")

        monkeypatch.setattr(person.app.session.line, "exchange", pulled)
        await person.press("m")
        await person.wait()
        assert "The adapter is gone." in person.screen
        await person.press("enter")
        assert "That was cut off before it came to its end." in flat(person)
    assert job.writes() == ()


async def test_all_units_are_moved_as_one_batch_with_one_power_cycle_at_the_end(
    wizard: Wizard, session: Session, job: Job
) -> None:
    """Two that change places go through a free address; each write is asked for; the cycle is put
    off, and made up."""
    known(job, 11)
    known(job, 12)
    job.set_state("wizard.wanted", {"11 9600-8N1": 12, "12 9600-8N1": 11})
    async with wizard("clean", step=5) as person:
        await person.press("a")
        assert "3 moves, in this order" in person.screen
        assert "to wait there until its own address is free" in flat(person)
        await person.press("g")
        for number in (1, 2, 3):
            await person.wait_for(f"Write to the unit?  {number} of 3")
            await person.press("w")
        await person.wait_for("Power-cycle these units")
        terminals = session.terminals
        assert terminals is not None
        await person.press("l")
        await person.wait()
        assert "Power cycle: not done." in flat(person)
        terminals.power_cycle()
        await person.press("enter", "v")
        assert "Which were switched off and on?" in person.screen
        await person.press("a")
        await person.wait()
        assert person.screen.count("✓ kept") == 2
    assert job.state("wizard.wanted", dict[str, int]) == {}
    kept = job.latest(RECORD)
    assert kept is not None
    assert kept.document["power_cycle"] == "not done"


async def test_a_batch_is_stopped_while_the_guards_look_and_says_what_is_left(
    wizard: Wizard, paced: Session
) -> None:
    """x takes effect between two questions on the line: nothing is written, and the moves not begun
    are told."""
    job = paced.job
    known(job, 11)
    known(job, 12)
    job.set_state("wizard.wanted", {"11 9600-8N1": 33, "12 9600-8N1": 34})
    async with wizard("clean", step=5, using=paced) as person:
        await person.press("a")
        await person.strike("g")
        await person.wait_for("Making sure that")
        await person.strike("x")
        await person.wait()
        assert "Stopped by you." in person.screen
        assert person.screen.count("· not begun") == 2
    assert job.writes() == ()
    assert job.state("wizard.wanted", dict[str, int]) == {"11 9600-8N1": 33, "12 9600-8N1": 34}


async def test_a_write_is_taken_back_from_the_journal(wizard: Wizard, job: Job) -> None:
    """u on a write prepares the reverse move with the same guards, and asks as for any write."""
    known(job, 11)
    async with wizard("clean", step=5) as person:
        await want(person, 33)
        await person.press("m")
        await person.wait_for("Write to the unit?")
        await person.press("w")
        await person.wait()
        await person.press("j", "u")
        await person.wait_for("Write to the unit?")
        assert "answer at 11 (0x0B)" in person.screen
        await person.press("w")
        await person.wait()
        assert "✓ verified  33 → 11" in person.screen
    assert [unit.address for unit in job.units()] == [11]


async def test_line_settings_of_the_bus_are_changed_by_a_plan_that_is_shown_first(
    wizard: Wizard, session: Session, job: Job
) -> None:
    """The plan says what has to be done by hand, too; one power cycle for all proves it, and is on
    record."""
    session.open("virtual:harmonise", LineSettings.parse("9600-8N1"))
    session.identify(Place.parse("11 9600-8N1"))
    session.identify(Place.parse("21 19200-8N1"))
    async with wizard("harmonise", step=5) as person:
        await person.press("equals_sign", *"19200-8E1", "enter", "enter")
        assert "2 moves, in this order" in person.screen
        assert "hathermere-hp-4 (19200-8N1) at 21 (0x15) is left as it is." in flat(person)
        await person.press("g")
        for number in (1, 2):
            await person.wait_for(f"Write to the unit?  {number} of 2")
            await person.press("w")
        await person.wait_for("Power-cycle these units")
        terminals = session.terminals
        assert terminals is not None
        terminals.power_cycle()
        await person.press("d")
        await person.wait()
        assert "All moves are done." in person.screen
        assert "kept over a power cycle" in flat(person)
    assert {str(unit.place) for unit in job.units()} == {"11 19200-8E1", "21 19200-8N1"}
    kept = job.latest(RECORD)
    assert kept is not None
    assert kept.document["power_cycle"] == "done"


async def test_what_a_crash_left_of_a_procedure_is_offered_after_the_recovery(
    wizard: Wizard, session: Session, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed after the write: v says where the unit is, names the step that was never sent, and
    sends it on a yes."""
    session.open("virtual:procedures", LineSettings.parse("9600-8N1"))
    session.identify(Place.parse("1 9600-8N1"))
    prepared = BusMoves(session).prepare_move(Place(1, LineSettings.parse("9600-8N1")), 45)

    class Killed(BaseException):
        pass

    def killed(_: object, write: int, *__: object, **___: object) -> None:
        if write == 2:
            raise Killed

    with monkeypatch.context() as patched, pytest.raises(Killed):
        patched.setattr(Job, "conclude_write", killed)
        BusMoves(session).move(prepared, lambda _: True)
    unit = session._connector.segment("virtual:procedures").units[0]
    assert unit.address == 45
    async with wizard("procedures", step=5) as person:
        await person.press("v")
        await person.wait_for("Write to the unit?")
        assert "Not done at unit address 45 (0x2D)" in flat(person)
        await person.press("n")
        await person.wait()
        assert "if it left, and what came back, is not" in flat(person)
        assert "Enter finish it (v). Not done at 45: save, relock." in person.next_line
        assert "! open" in person.screen
        await person.press("v", "s")
        await person.wait_for("Write to the unit?")
        await person.press("w")
        await person.wait()
        assert "✓ procedure finished" in person.screen
        assert "Enter see what was kept (v)" in person.next_line
    assert not unit.setup.unlocked


async def test_a_unit_lost_after_its_write_is_told_until_v_has_asked_for_it(
    wizard: Wizard, job: Job
) -> None:
    """It answered at neither place right after the write; by now it is at the new one."""
    known(job, 9)
    number = job.intend_write(
        WriteIntent(
            role=Role.ADDRESS,
            source=Place.parse("9 9600-8N1"),
            target=Place.parse("11 9600-8N1"),
            write=RegisterWrite(257, (11,), Function.WRITE_SINGLE_REGISTER),
            request=write_register(9, 257, 11).frame,
            words="Write it.",
        )
    )
    job.conclude_write(number, Result.NOT_VERIFIED, row=Row.NEITHER, reply=None, why="Gone.")
    async with wizard("clean", step=5) as person:
        assert "Unit 9 → 11 not found" in person.next_line
        assert "may still take unit address 11" in flat(person)
        await person.press("v")
        await person.wait_for("Where a unit is, is not known")
        await person.press("a")
        await person.wait()
        assert "✓ verified" in person.screen
    assert [unit.address for unit in job.units()] == [11]


async def test_a_unit_that_nothing_locks_again_is_shown_until_somebody_says_it_was_cycled(
    wizard: Wizard, job: Job
) -> None:
    """The unlock was acknowledged, and the program ended before the write."""
    known(job, 11)
    place = Place.parse("11 9600-8N1")
    unlock = RegisterWrite(0x400, (1,))
    main = RegisterWrite(0x410, (33,))
    write = job.intend_write(
        WriteIntent(
            role=Role.UNLOCK,
            source=place,
            target=Place.parse("33 9600-8N1"),
            write=unlock,
            request=unlock.request(11).frame,
            words="",
            planned=(
                ProcedureStep(Role.UNLOCK, place, unlock),
                ProcedureStep(Role.ADDRESS, place, main),
            ),
        )
    )
    job.conclude_write(write, Result.ACKNOWLEDGED, reply=None, why="")
    async with wizard("clean", step=5) as person:
        assert "Not done at 11: lock again" in person.next_line
        await person.press("v")
        assert "no write is known that locks it" in person.screen
        await person.press("o")
        assert "lock again" not in person.next_line
    (record,) = job.writes()
    assert record.row is Row.POWER_CYCLED
