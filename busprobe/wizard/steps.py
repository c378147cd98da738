"""All steps; to import this takes longer than to draw the frame around them."""

from __future__ import annotations

from busprobe.wizard.common.step import Step
from busprobe.wizard.handover.step import HandoverStep
from busprobe.wizard.identify.step import IdentifyStep
from busprobe.wizard.port.step import PortStep
from busprobe.wizard.prove.step import ProveStep
from busprobe.wizard.readdress.step import ReaddressStep
from busprobe.wizard.survey.step import SurveyStep
from busprobe.wizard.wiring.step import WiringStep


def all_steps() -> tuple[Step, ...]:
    """The seven steps in the order of the work."""
    return (
        PortStep(id="port"),
        WiringStep(id="wiring"),
        SurveyStep(id="survey"),
        IdentifyStep(id="identify"),
        ReaddressStep(id="readdress"),
        ProveStep(id="prove"),
        HandoverStep(id="handover"),
    )
