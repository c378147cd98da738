"""Who is on the pair: search order, waits, probing, the close look at one address,
identification."""
