"""The steps of a procedure put on record and sent, each once."""

from __future__ import annotations

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.replies import Reply, judge
from busprobe.readdress.journal import Journal
from busprobe.readdress.looking import look
from busprobe.readdress.open_steps import ACKNOWLEDGED, PROCEDURE, procedure_document
from busprobe.readdress.preparing import Prepared, Report
from busprobe.readdress.steps import MAIN, Step, journal_kind
from busprobe.survey.findings import Kind

WRITE_WAITS = Waits(reply=1.0, after=0.12)
"""The standard's typical response time for the write itself (V1.02 section 2.4.1), and time for a
second reply."""

RESTART = 10.0
"""Seconds a unit may take to restart with a new address (common practice: 5 to 10)."""


class Sender:
    """Sends what was prepared, step by step, with the intent on record before and the conclusion
    right after."""

    def __init__(
        self, line: Line, prepared: Prepared, waits: Waits, journal: Journal, report: Report
    ) -> None:
        """`waits` are for the looks between and after the steps."""
        self._line = line
        self._prepared = prepared
        self._move = prepared.move
        self.waits = waits
        self._journal = journal
        self._report = report
        self._begun = False
        self.remarks: list[str] = []
        """What went otherwise than meant, in words."""
        self.write: int | None = None
        """Number in the journal of the write that the move is about, once it is there."""

    def send(self, step: Step) -> tuple[int, Reply]:
        """Put the intent on record, send the frame once, and give the unit its time; its number and
        the reply."""
        move, line = self._move, self._line
        line.apply(step.place.settings)
        request = step.request
        number = self._journal.intend_write(
            kind=journal_kind(step.role, move),
            from_address=move.old,
            to_address=move.new,
            settings=str(move.settings),
            request=request.frame,
            words=request.words,
        )
        if not self._begun:
            self._begun = True
            self._note_procedure(number)
        if step.role in MAIN:
            self.write = number  # known even if the port fails in the next line
        reply = judge(request, line.exchange(request, WRITE_WAITS))
        line.clock.sleep_until(line.clock.now() + move.procedure.wait)
        return number, reply

    def further(self, step: Step) -> bool:
        """Send a step that is not the one the move is about, and conclude it; whether it was
        acknowledged."""
        self._report(step.request.words)
        number, reply = self.send(step)
        received = reply.exchange.received or None
        if reply.sound:
            self._journal.conclude_write(
                number, outcome=ACKNOWLEDGED, reply=received, why=reply.words
            )
            return True
        self.remarks.append(f"The step '{step.role}' was not acknowledged: {reply.words}.")
        self._journal.conclude_write(
            number, outcome="not acknowledged", reply=received, why=reply.words
        )
        return False

    def reaches(self, step: Step) -> bool:
        """Whether the unit, and it alone, is where a step would be sent."""
        at_old, at_new = look(self._line, self._move, self.waits, patience=RESTART)
        there, other = (at_old, at_new) if step.place == self._move.source else (at_new, at_old)
        if there.kind is Kind.UNIT and other.kind is Kind.SILENT:
            return True
        self.remarks.append(
            f"The step '{step.role}' was not sent, since the unit does not answer alone at"
            f" {step.place.words}."
        )
        return False

    def _note_procedure(self, number: int) -> None:
        """Keep what belongs together, so that steps never sent are known whatever happens next."""
        steps = self._prepared.steps
        if len(steps) > 1 and any(step.role in MAIN for step in steps):
            self._journal.record(PROCEDURE, procedure_document(number, self._move, steps))
