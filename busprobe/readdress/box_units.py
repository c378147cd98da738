"""Whether a unit is one of the box, where no profile says what it is: units of one type answer and
refuse the same requests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busprobe.modbus.identification import BASIC_OBJECTS, object_name
from busprobe.survey.close_look import Examination
from busprobe.survey.identify import Identified
from busprobe.survey.probes import LADDER, Probe


@dataclass(frozen=True)
class Likeness:
    """How units of one type are alike whatever their serial numbers and values are."""

    answers: dict[Probe, int | None]
    """The exception, 0 for none, on each probe that was answered; None for silence."""
    objects: dict[int, str]
    """Maker, product and revision by their object ids, as the unit says them itself."""

    @classmethod
    def of(cls, found: Identified) -> Likeness:
        """That of a unit that was asked what it is."""
        said = found.objects or {}
        return cls(
            {probe: _answer(probe, found.examination) for probe in LADDER},
            {number: said[number] for number in BASIC_OBJECTS if number in said},
        )

    def differences(self, other: Likeness) -> Iterator[str]:
        """In what `other` is not like this one, a phrase each."""
        for number in self.objects.keys() | other.objects.keys():
            mine, theirs = (each.objects.get(number, "nothing") for each in (self, other))
            if mine != theirs:
                yield f"{object_name(number)} is '{theirs}', not '{mine}'"
        for probe, answer in self.answers.items():
            if answer != other.answers[probe]:
                yield f"{probe} gives {_words(other.answers[probe])}, not {_words(answer)}"


def _answer(probe: Probe, seen: Examination) -> int | None:
    told = [
        0 if reply.exception is None else int(reply.exception)
        for reply in seen.replies
        if Probe.of(reply.request) == probe and reply.present
    ]
    return told[0] if told else None


def _words(answer: int | None) -> str:
    if answer is None:
        return "no reply"
    return f"exception {answer}" if answer else "a reply"
