"""Procedures from profiles and by hand, and the frames that follow from them."""

from __future__ import annotations

import pytest

from busprobe.errors import UsageError
from busprobe.job.journal import Role
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.changes import Effect
from busprobe.profiles.registers import AddressPart
from busprobe.profiles.schema import Profile, parse_profile
from busprobe.readdress.procedure import Procedure, procedure_steps
from tests.readdress.bench import move


def profile(**readdress: object) -> Profile:
    return parse_profile(
        {
            "id": "glenmoss-g-1",
            "maker": "Glenmoss Works",
            "model": "G-1",
            "kind": "relay",
            "numbering": "one-based",
            "factory": {"address": 1, "settings": "9600-8N1"},
            "cautions": ["A relay drops."],
            "rescue": "Hold the key.",
            **({"readdress": readdress} if readdress else {}),
        }
    )


def test_all_that_a_profile_says_is_taken_over() -> None:
    procedure = Procedure.from_profile(
        profile(
            register=101,
            function=6,
            part="high-byte",
            addresses="1-63",
            effect="after-save",
            reply_from="new",
            wait_s=2,
            unlock={"register": 201, "values": [1, 2]},
            save={"register": 203, "values": [3], "function": 6},
            relock={"register": 201, "values": [0, 0]},
        )
    )
    assert procedure == Procedure(
        register=100,
        function=Function.WRITE_SINGLE_REGISTER,
        part=AddressPart.HIGH_BYTE,
        addresses=tuple(range(1, 64)),
        effect=procedure.effect,
        reply_from=procedure.reply_from,
        wait_s=2,
        unlock=RegisterWrite(200, (1, 2)),
        save=RegisterWrite(202, (3,), Function.WRITE_SINGLE_REGISTER),
        relock=RegisterWrite(200, (0, 0)),
        cautions=("A relay drops.",),
        rescue="Hold the key.",
        factory=Place(1, LineSettings.parse("9600-8N1")),
        profile="glenmoss-g-1",
    )
    assert (procedure.effect, procedure.reply_from) == ("after-save", "new")


def test_a_memory_cell_is_always_given_its_time() -> None:
    assert Procedure.from_profile(profile(register=5, wait_s=0)).wait_s == 0.1


def test_a_profile_without_a_procedure_says_what_to_do() -> None:
    with pytest.raises(
        UsageError, match="does not say how a G-1 is given another address"
    ) as caught:
        Procedure.from_profile(profile())
    assert "register by hand" in caught.value.todo


@pytest.mark.parametrize("function", [3, 5, 0])
def test_a_function_that_does_not_write_registers_is_refused(function: int) -> None:
    with pytest.raises(UsageError, match=f"Function code {function} does not write"):
        Procedure.by_hand(100, function)


@pytest.mark.parametrize("register", [-1, 0x10000])
def test_a_register_beyond_the_map_is_refused(register: int) -> None:
    with pytest.raises(UsageError, match="from 0 to 65535"):
        Procedure.by_hand(register)


@pytest.mark.parametrize(
    ("effect", "goes_to"),
    [
        (Effect.AT_ONCE, [1, 1, 12, 12]),
        (Effect.AFTER_SAVE, [1, 1, 1, 12]),
        (Effect.AFTER_POWER_CYCLE, [1, 1, 1, 1]),
        (None, [1, 1, 12, 12]),
    ],
)
def test_each_frame_goes_to_where_the_unit_answers_by_then(
    effect: Effect | None, goes_to: list[int]
) -> None:
    one = RegisterWrite(7, (1,))
    listed = procedure_steps(
        move(procedure=Procedure(100, effect=effect, unlock=one, save=one, relock=one)), ()
    )
    assert [step.role for step in listed] == [Role.UNLOCK, Role.ADDRESS, Role.SAVE, Role.RELOCK]
    assert [step.request.address for step in listed] == goes_to


def test_the_frame_is_that_of_the_standard() -> None:
    """Function 6 as in MODBUS Application Protocol V1.1b3, section 6.6: write 3 to register 1
    (frame for unit 17)."""
    procedure = Procedure.by_hand(1, 6)
    (step,) = procedure_steps(move(old=17, new=3, procedure=procedure), (17,))
    assert step.request.frame[:-2] == bytes.fromhex("11 06 0001 0003")


def test_where_a_profile_does_not_state_the_effect_nothing_is_expected_of_the_reply() -> None:
    """An open standard may say which register, and leave open when the address holds."""
    made = Procedure.from_profile(profile(register=68, effect="not-stated"))
    assert (made.effect, made.reply_from) == (None, None)
