"""Does the bus hold up, and how fast can a master poll it: endurance runs, statistics, advice,
polling tables.

Nothing here writes to a unit and nothing is retried, so that no fault hides behind a second
attempt.
"""
