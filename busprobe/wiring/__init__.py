"""The pair itself: electrical arithmetic, meter verdicts, symptoms with advice, and the hunt for a loose wire.

A serial port cannot see voltage, so nothing is claimed here that was not measured or heard.
"""
