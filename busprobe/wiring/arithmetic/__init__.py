"""Electrical arithmetic of a segment, in SI units, each formula with its source.

`bias` idle voltage and fail-safe bias, `budget` unit loads and repeaters, `trunk` lengths,
`conductor` resistance and voltage drop, `bits` what goes over the wire.
"""
