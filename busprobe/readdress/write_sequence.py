"""The steps of a procedure put on record and sent, each once."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busprobe.errors import FileError
from busprobe.job.journal import ProcedureStep, Result, WriteIntent
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.readdress.journal import Journal
from busprobe.readdress.outcome import NotStored
from busprobe.readdress.procedure import Move
from busprobe.readdress.verification import look_at_both
from busprobe.readdress.words import role_words
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Probe

WRITE_WAITS = Waits(reply=1.0, after=0.12)
"""The standard's typical response time for the write itself (V1.02 section 2.4.1), and time for a
second reply."""

RESTART = 10.0
"""Seconds a unit may take to restart with a new address (common practice: 5 to 10)."""


Report = Callable[[str], None]
"""Told in one sentence what is being done."""


class WriteSequence:
    """Sends the steps of a move one by one, with the intent on record before and the conclusion
    right after."""

    def __init__(
        self,
        line: Line,
        move: Move,
        planned: tuple[ProcedureStep, ...],
        *,
        waits: Waits,
        journal: Journal,
        report: Report,
        held: int | None = None,
        first_write: int | None = None,
        own: Sequence[Probe] = (),
    ) -> None:
        """`waits` are for the looks between and after the steps, `own` the probes that the unit
        answers if it answers none of the usual ones.

        `held` is what the register of the move holds so far.  `planned` goes on record with the
        first write; `first_write` is its number where that was
        sent earlier.
        """
        self._line = line
        self._move = move
        self._planned = planned
        self.waits = waits
        self.own = own
        self._journal = journal
        self._report = report
        self._held = held
        self._first = first_write
        self.remarks: list[str] = []
        """What went otherwise than meant, in words."""
        self.not_stored: NotStored | None = None
        """The further step that was sent and whose conclusion the journal could not take."""
        self.write: int | None = None
        """Number in the journal of the write that the move is about, once it is there."""

    @property
    def begun(self) -> bool:
        """Whether anything of the procedure has been sent, or may have been."""
        return self._first is not None

    def send(self, step: ProcedureStep) -> tuple[int, Reply]:
        """Put the intent on record, send the frame once, and give the unit its time; its number and
        the reply."""
        move, line = self._move, self._line
        line.apply(step.place.settings)
        request = step.request
        number = self._journal.intend_write(
            WriteIntent(
                role=step.role,
                source=move.source,
                target=move.target,
                write=step.write,
                request=request.frame,
                words=request.words,
                move=self._first,
                planned=self._planned if self._first is None else (),
                held=self._held if step.role.moves else None,
            )
        )
        if self._first is None:
            self._first = number
        if step.role.moves:
            self.write = number  # known even if the port fails in the next line
        reply = judge(request, line.exchange(request, WRITE_WAITS))
        line.clock.sleep_until(line.clock.now() + move.procedure.wait_s)
        return number, reply

    def send_further(self, step: ProcedureStep) -> bool:
        """Send a step that is not the one the move is about, and conclude it; whether it was
        acknowledged, and the journal can go on.

        Raises `FileError` where nothing of the procedure was sent yet and the journal cannot be
        written.
        """
        self._report(step.request.words)
        try:
            number, reply = self.send(step)
        except FileError as error:
            if not self.begun:
                raise
            self.remarks.append(f"The step '{self._name(step)}' was not sent: {error.what}")
            return False
        received = reply.exchange.received or None
        outcome = Result.ACKNOWLEDGED if reply.valid else Result.NOT_ACKNOWLEDGED
        if not reply.valid:
            self.remarks.append(
                f"The step '{self._name(step)}' was not acknowledged: {reply.words}."
            )
        try:
            self._journal.conclude_write(number, outcome, reply=received, why=reply.words)
        except FileError as error:
            self.not_stored = NotStored((number,), error)
            self.remarks.append(
                f"What came of the step '{self._name(step)}' is not on record: {error.what}"
            )
            return False
        return reply.valid

    def read_back(self, step: ProcedureStep) -> None:
        """Look whether the register of a step holds what was written."""
        request = read_registers(
            step.place.address,
            Function.READ_HOLDING_REGISTERS,
            step.write.register,
            len(step.write.values),
        )
        reply = judge(request, self._line.exchange(request, self.waits))
        if reply.registers != step.write.values:
            self.remarks.append(
                f"Register {step.write.changed} was read again and does not hold"
                f" {step.write.value}: {reply.words}."
            )

    def found(self) -> Place | None:
        """At which of its two places the unit answers alone; None where it does not."""
        move = self._move
        at_old, at_new = look_at_both(
            self._line, move, self.waits, patience=RESTART, further=self.own
        )
        match at_old.kind, at_new.kind:
            case Kind.UNIT, Kind.SILENT:
                return move.source
            case Kind.SILENT, Kind.UNIT:
                return move.target
        return None

    def reaches(self, step: ProcedureStep) -> bool:
        """Whether the unit, and it alone, is where a step would be sent."""
        at = self.found()
        both = (self._move.source, self._move.target)
        # At a service address it is, wherever it answers.
        if at is not None and (at == step.place or step.place not in both):
            return True
        self.remarks.append(
            f"The step '{self._name(step)}' was not sent, since the unit does not answer alone at"
            f" {step.place.words}."
        )
        return False

    def _name(self, step: ProcedureStep) -> str:
        return role_words(step.role, self._move.source, self._move.target)
