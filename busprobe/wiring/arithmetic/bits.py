"""What a character looks like on the wire, in bits."""

from __future__ import annotations

from busprobe.line.settings import LineSettings, Parity


def character_bits(value: int, settings: LineSettings) -> tuple[int, ...]:
    """Bits of one character in the order they are sent: start (0), data from the lowest, parity,
    stop (1).

    MODBUS over Serial Line V1.02, section 2.5.1; parity section 2.6.1.
    """
    data = tuple(value >> place & 1 for place in range(settings.data_bits))
    parity: tuple[int, ...] = ()
    if settings.parity is not Parity.NONE:
        parity = ((sum(data) + (settings.parity is Parity.ODD)) % 2,)
    return (0, *data, *parity, *(1 for _ in range(settings.stop_bits)))
