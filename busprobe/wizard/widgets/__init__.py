"""What several steps show: the step rail, the map of addresses, tables of units, plots."""
