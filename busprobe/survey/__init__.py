"""Which units are on the bus: search order, waits, probing, the close look at one address,
identification."""
