"""Line settings to choose from, with what each says."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.line.settings import LineSettings, Parity
from busprobe.survey.schedule import common_settings
from busprobe.wizard.common.choice import Offered

_PARITY = {Parity.NONE: "no parity", Parity.EVEN: "even parity", Parity.ODD: "odd parity"}


def settings_words(settings: LineSettings) -> str:
    """``9600 baud, 8 data bits, no parity, 1 stop bit``."""
    stop = "1 stop bit" if settings.stop_bits == 1 else f"{settings.stop_bits} stop bits"
    return (
        f"{settings.baud} baud, {settings.data_bits} data bits, {_PARITY[settings.parity]}, {stop}"
    )


def offered_settings() -> Sequence[Offered[str]]:
    """The common ones, the likeliest first."""
    return [Offered(str(each), str(each), settings_words(each)) for each in common_settings()]


def other_settings(text: str) -> str:
    """What further settings mean; raises `UsageError`."""
    return settings_words(LineSettings.parse(text))
