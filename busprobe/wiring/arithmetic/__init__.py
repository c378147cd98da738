"""Electrical arithmetic of a segment, in SI units, each formula with its source.

`bias` idle voltage and fail-safe bias, `unit_loads` their sum and where repeaters go, `trunk`
lengths, `conductor` resistance and voltage drop, `bits` what goes over the wire.
"""
