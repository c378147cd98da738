"""A profile for a unit that none describes, from its data sheet and the live unit."""
