"""What the survey asks the technician before it goes on."""

from __future__ import annotations

from busprobe.survey.kept_survey import KeptSurvey
from busprobe.wizard.common.question import Answer, Question


def go_on_with(latest: KeptSurvey) -> Question[bool | None]:
    """Whether to go on with a survey that did not get to its end."""
    return Question[bool | None](
        "Go on where the last survey ended?",
        f"The survey begun {latest.begun} asked for the same and did not get to its end. "
        f"It had found {len(latest.findings)}.",
        (
            Answer("g", "Go on with it", True),
            Answer("n", "A new survey", False),
            Answer("c", "Cancel", None),
        ),
    )


def despite_master(words: str) -> Question[bool]:
    """Whether to go on although another master talks; to stop is the answer of Enter."""
    return Question(
        "! Another master is on this pair",
        f"{words}\n\nTo go on asking disturbs it; plant that depends on it may trip. The safe way:"
        " have it switched off or unplugged by whoever runs it, then survey.",
        (Answer("s", "Stop the survey", False), Answer("g", "Go on, I may do this", True)),
        grave=True,
    )
