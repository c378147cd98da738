"""A field of which the value is chosen: by arrows, by a letter, in the list, with the mouse."""

from __future__ import annotations

import pytest

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.readdress.move_list import Practice
from busprobe.wizard.common.choice_field import ChoiceField
from busprobe.wizard.common.form import Form, only
from busprobe.wizard.common.settings_choice import offered_settings, other_settings
from busprobe.wizard.readdress.forms import PRACTICE, SETTINGS
from tests.wizard.conftest import Wizard
from tests.wizard.person import Person


def value(person: Person, name: str) -> str:
    return person.app.screen.query_one(f"#field-{name}", ChoiceField).value


async def test_arrows_letters_and_the_list_choose_and_enter_goes_on(wizard: Wizard) -> None:
    given: list[Practice | None] = []
    async with wizard() as person:
        person.app.push_screen(Form("Practice", PRACTICE, make=Practice), given.append)
        await person.look()
        assert "< needed > at factory or shared addresses" in person.words
        await person.press("right")
        assert "< all > every unit of the list" in person.words
        await person.press("right", "left", "a")
        assert value(person, "only_needed") == "all"
        await person.press("enter", "2", "enter", "enter")
        await person.press("space", "down", "enter")
        assert value(person, "along_cable") == "address"
        await person.click("#field-factory_free")
        await person.press("escape")
        assert value(person, "factory_free") == "yes", "Escape chooses nothing"
        await person.press("n", "enter")
    assert given == [Practice(2, 0, along_cable=False, factory_free=False, only_needed=False)]


async def test_line_settings_say_what_they_mean_and_rare_ones_can_be_typed(
    wizard: Wizard,
) -> None:
    given: list[LineSettings | None] = []
    async with wizard() as person:
        person.app.push_screen(Form("Settings", (SETTINGS,), make=only), given.append)
        await person.look()
        assert "19200 baud, 8 data bits, even parity, 1 stop bit" in person.words
        await person.press(*"96", "enter")
        assert value(person, "settings") == "9600-8N1"
        await person.press(*"31250-8n2")
        assert "31250 baud, 8 data bits, no parity, 2 stop bits" in person.words
        await person.press("enter", "space", *"nonsense", "enter")
        assert "type to search" not in person.screen
        await person.press("escape", "enter")
    assert given == [LineSettings.parse("31250-8N2")]


def test_the_settings_offered_are_told_from_each_other_by_their_words() -> None:
    meanings = [each.meaning for each in offered_settings()]
    assert len({*meanings}) == len(meanings) > 20
    with pytest.raises(UsageError):
        other_settings("fast")
