"""The step Readdress: moves, one by one, clashes taken apart, the journal."""
