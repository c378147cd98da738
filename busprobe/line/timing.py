"""How long an exchange occupies the bus.

Source: MODBUS over Serial Line V1.02, section 2.5.1 (the bits of a character) and section 2.5.1.1
(the silence of 3.5 characters that parts frames).
"""

from __future__ import annotations

from busprobe.line.settings import LineSettings


def silence_before(settings: LineSettings, gap: float = 0.0) -> float:
    """Seconds of silence that a request needs before it: 3.5 characters (section 2.5.1.1), and
    `gap` seconds more where a unit asks for it."""
    return settings.t3_5 + gap


def exchange_time(
    settings: LineSettings, request: int, reply: int, latency: float | None = None, gap: float = 0.0
) -> float:
    """Seconds from the end of the traffic before an exchange to the end of the exchange.

    `request` and `reply` are bytes on the wire, CRC included.  `latency` is the seconds from the
    last bit of the request to the first bit of the reply, as it was measured; None where it is not
    known: 3.5 characters then, by which a unit that keeps to the standard notices the end of the
    request (section 2.5.1.1), and the shortest that such a unit can take.  `gap` as in
    `silence_before`.

    An exchange is the silence before the request, the request, the latency and the reply:

        3.5 characters + gap + (request + reply) × bits of a character / baud + latency

    The silence behind the reply is the one before the next request, so that it counts once.  Where
    `reply` is 0, `latency` is the wait for a reply in vain: the bus is silent meanwhile, and the
    silence before the next request passes in that wait.
    """
    silence = silence_before(settings, gap)
    waiting = settings.t3_5 if latency is None else latency
    return settings.wire_time(request + reply) + (
        silence + waiting if reply else max(silence, waiting)
    )


def latency_at(latency: float, settings: LineSettings, others: LineSettings) -> float:
    """Seconds in which a unit that took `latency` at `settings` begins its reply at `others`.

    A unit notices the end of a request by 3.5 characters of silence (section 2.5.1.1), so that part
    of its latency follows the baud rate; the rest is its own and stays.  A unit that replied sooner
    goes by the length of the request, and keeps its latency.
    """
    own = latency - settings.t3_5
    return latency if own < 0 else own + others.t3_5
