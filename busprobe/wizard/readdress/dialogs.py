"""What is asked before and between writes, each answered by one key."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.requests import Request
from busprobe.readdress.guards import RegisterDiffersError
from busprobe.readdress.move_list import MoveList
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.session.bus_kind import kind_word
from busprobe.text import hex_bytes
from busprobe.wizard.common.form import Field, Form, only
from busprobe.wizard.common.question import Answer, Question
from busprobe.wizard.readdress.words import plan_text


def confirm_write(
    requests: Sequence[tuple[Request, LineSettings]],
    *,
    practice: bool,
    unit: str = "",
    number: str = "",
    effect: str,
    free: str,
    cautions: Sequence[str] = (),
    warnings: Sequence[str],
    rescue: str,
) -> Question[bool]:
    """Shows exactly what will be sent and what it will do; only the W key or its button says yes.

    Whether it goes to a real bus or is `practice` is said by word and by the frame of the box.

    `requests` are all that will be sent, and the line settings of each, in this order.  `unit`
    names who it is for, `free` says how the new place was asked; `number` which of several writes
    it is (``2 of 7``).  What a write does and what it may move comes first, so that it is read at
    24 lines too.
    """
    body = Text()
    if unit:
        body.append("To         ", style="bold").append(f"{unit}\n")
    body.append("Effect     ", style="bold").append(f"{effect}\n")
    for warning in cautions:
        body.append("! Caution  ", style="bold").append(f"{warning}\n")
    for request, settings in requests:
        body.append("In words   ", style="bold").append(f"{request.words}\n")
        body.append("In bytes   ", style="bold").append(
            f"{hex_bytes(request.frame)}   at {settings}\n"
        )
    body.append("New place  ", style="bold").append(f"{free}\n")
    for warning in warnings:
        body.append("! Caution  ", style="bold").append(f"{warning}\n")
    body.append("If lost    ", style="bold").append(rescue)
    return Question(
        f"{kind_word(practice=practice)}  Write to the unit?  {number}".rstrip(),
        body,
        (Answer("n", "No, send nothing", False), Answer("w", "Write it once", True)),
        grave=not practice,
    )


def overwrite_register(error: RegisterDiffersError) -> Form[bool]:
    """True once the number of the register was typed that is to be overwritten."""

    def read(text: str) -> bool:
        if text not in (str(error.register), f"0x{error.register:04X}", f"0x{error.register:x}"):
            raise UsageError(
                f"'{text}' is not the register of this write.",
                todo=f"Type {error.register} only if the data sheet of this very unit says so.",
            )
        return True

    field = Field("register", "Type the number of the register to overwrite it", read=read)
    words = f"{error.what} {error.means} {error.todo}"
    return Form("Another register?", (field,), make=only, words=words, keep="Overwrite it")


def moves_in_order(plan: MoveList) -> Question[bool]:
    """True if the moves are to be made in this order."""
    count = len(plan.moves)
    return Question(
        f"{count} move{'' if count == 1 else 's'}, in this order",
        plan_text(plan),
        (Answer("n", "No, not now", False), Answer("g", "Go on, ask me before each write", True)),
    )


def power_cycle(units: Sequence[str]) -> Question[bool]:
    """True once the units were switched off and on."""
    listed = "\n".join(f"  {unit}" for unit in units)
    return Question(
        "Power-cycle these units",
        "Switch these off, wait five seconds, and on again; all at once if they share a"
        f" supply:\n\n{listed}\n\nOnly that shows whether they have stored what was written. If you"
        " do it later, they count as not proven until then.",
        (Answer("l", "Later", False), Answer("d", "Done: look now", True)),
    )


def which_power_cycled(units: Sequence[str], *, one: bool) -> Question[bool | None]:
    """True for all of `units`, which are not proven, False for the one under the cursor, None to
    look at none; `one` says whether that under the cursor can be looked at alone."""
    answers = [Answer[bool | None]("c", "Cancel", None)]
    if one:
        answers.append(Answer[bool | None]("o", "Only the one under the cursor", False))
    answers.append(Answer[bool | None]("a", "All of these", True))
    listed = "\n".join(f"  {unit}" for unit in units)
    return Question(
        "Which were switched off and on?",
        f"Not yet confirmed by a power cycle:\n\n{listed}",
        answers,
    )


def where_is_it(units: Sequence[str]) -> Question[bool | None]:
    """True to ask again where `units` are, False to look after a power cycle; None for neither."""
    listed = "\n\n".join(units)
    return Question[bool | None](
        "Where a unit is, is not known",
        f"{listed}\n\nConnect it again, then ask both its places.",
        (
            Answer("c", "Cancel", None),
            Answer("a", "Ask both places now", True),
            Answer("k", "Check after a power cycle", False),
        ),
    )


def what_is_left(left: UnfinishedSteps) -> Question[bool | None]:
    """True to send what is left of a procedure, or where nothing can be sent once the unit was
    switched off and on; False to look who answers; None for neither."""
    return Question[bool | None](
        "A procedure is not finished",
        left.words,
        (
            Answer("c", "Cancel", None),
            Answer("s", "Show me what is left to send", True)
            if left.steps
            else Answer("o", "It was switched off and on", True),
            Answer("k", "Check who answers", False),
        ),
    )


def reconnect_others(address: int) -> Question[bool]:
    """True once one more unit is connected to the bus again."""
    return Question(
        "Reconnect the other units",
        f"The unit has left {both_forms(address)}. Put ONE of the units you took off back on the"
        " pair, then look at the address again.\n\nIf you look later, that unit is missing from the"
        " list until the next survey.",
        (Answer("l", "Later, or none is left", False), Answer("o", "One is back: look now", True)),
    )
