"""Unit addresses changed without losing a unit: the guarded move, its outcome, recovery, one by
one, address plan.

Nothing here writes to a unit without a guard, a confirmation and an intent on record; what became
of a write is told by what answers at both addresses afterwards, never by the reply to the write
alone.
"""
