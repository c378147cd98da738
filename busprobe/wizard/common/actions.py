"""All that can be done by a key: the actions of every step.

Bindings, the line of keys, help and the list of actions are made of this table.  A key has one
meaning in the whole wizard: it belongs to one `Verb`, and no letter is bound in any other way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from textual.binding import Binding

from busprobe.wizard.common.step import StepName
from busprobe.wizard.common.verbs import Verb


@dataclass(frozen=True)
class Action:
    """One thing that can be done."""

    verb: Verb
    name: str
    """Of the method ``action_...``, and its arguments where it has any."""
    sentence: str
    """What it does."""
    shown: bool = True
    """Whether the line of keys offers it."""

    @property
    def binding(self) -> Binding:
        """The key, for Textual."""
        return Binding(
            self.verb.key,
            self.name,
            self.verb.label,
            key_display=self.verb.written,
            show=self.shown,
            tooltip=self.sentence,
        )


def bindings(actions: Iterable[Action]) -> list[Binding]:
    """The keys of `actions`."""
    return [action.binding for action in actions]


OF_STEP: Mapping[StepName, tuple[Action, ...]] = {
    StepName.PORT: (
        Action(Verb.READ, "look", "look for adapters again"),
        Action(Verb.LISTEN, "listen", "listen again for a few seconds"),
        Action(Verb.CLOSE_PORT, "close", "close the port, for another program or adapter"),
    ),
    StepName.WIRING: (
        Action(Verb.LISTEN, "listen", "listen to the pair, then ask the known units once"),
        Action(Verb.HUNT, "hunt", "full screen: see the moment a unit starts or stops answering"),
        Action(
            Verb.EVIDENCE, "causes", "all that was heard and failed, with causes and what to do"
        ),
        Action(
            Verb.CALCULATE,
            "calculations",
            "bias, loads, stub, length, voltage drop, time and bits on the wire",
        ),
        Action(
            Verb.POLARITY,
            "letters",
            "my terminals are marked A and B, or D1/D0 or +/-",
        ),
        Action(Verb.CAUTIONS, "cautions", "the cautions before a terminal is touched"),
    ),
    StepName.SURVEY: (
        Action(Verb.START, "start", "start the survey, or go on with one that was stopped"),
        Action(Verb.PAUSE, "pause", "pause the survey, or go on"),
        Action(Verb.SKIP, "skip", "search less: skip a line setting, or all the rest"),
        Action(Verb.STOP, "stop", "stop; what was found is kept, the rest is 'not tested'"),
        Action(Verb.EVIDENCE, "evidence", "show what the finding under the cursor rests on"),
    ),
    StepName.IDENTIFY: (
        Action(Verb.READ, "read", "identify the unit under the cursor and read its values again"),
        Action(Verb.ALL, "read_all", "identify all units"),
        Action(Verb.EVIDENCE, "why", "why this profile: reasons for and against"),
        Action(Verb.NOTE, "tag", "note tag, location and place along the cable"),
        Action(
            Verb.DESCRIBE,
            "describe",
            "describe a unit that no profile knows, from its data sheet",
        ),
        Action(
            Verb.TYPE,
            "profile",
            "say by hand which type it is, where the unit does not say it",
        ),
    ),
    StepName.READDRESS: (
        Action(
            Verb.PROPOSE,
            "propose",
            "propose addresses: by the plan of the bus, or by good practice",
        ),
        Action(Verb.MOVE, "move", "move the unit under the cursor to its wanted address"),
        Action(Verb.ALL, "all", "move all; no two ever share an address on the way"),
        Action(Verb.BOX, "box", "a box of identical new units, one by one"),
        Action(Verb.CHECK, "verify", "verify addresses after a power cycle or a crash"),
        Action(Verb.JOURNAL, "journal", "every write ever made; u there takes one back"),
        Action(Verb.SETTINGS, "line", "the same line settings for all units; do this last"),
        Action(Verb.ISOLATE, "isolate", "two units at one address: guide me to one"),
        Action(Verb.STOP, "stop", "stop before the next write"),
    ),
    StepName.PROVE: (
        Action(Verb.START, "start", "start, or go on with a run that was stopped"),
        Action(Verb.STOP, "stop", "stop after the poll under way; the run can go on later"),
        Action(Verb.NEW, "new", "start a new run from zero"),
        Action(Verb.GRAPH, "view", "another graph: times, their spread, failures"),
        Action(Verb.EVIDENCE, "findings", "all that the run showed, in words"),
        Action(Verb.CALCULATE, "polling", "the polling table and its cycle"),
        Action(Verb.ADVICE, "advice", "what to set at the master"),
    ),
    StepName.HAND_OVER: (
        Action(Verb.WRITE, "write", "write the handover documents into the folder"),
        Action(Verb.FILES, "preview", "every document as it would be written"),
        Action(Verb.CHECK, "confirm", "confirm: this unit was seen on site as it is listed"),
        Action(Verb.ALL, "confirm_all", "confirm that all units were seen on site as listed"),
        Action(
            Verb.OPEN_POINTS,
            "missing",
            "what is missing for complete documents; Enter asks for it",
        ),
        Action(Verb.COMPARE, "earlier", "compare with the job of an earlier visit"),
        Action(
            Verb.NOTE,
            "note",
            "note what is known: the unit under the cursor, its display, circuits, cable, job",
        ),
    ),
}
"""What can be done on each step; where the line of keys has no room for all, the last ones are left
out there."""
