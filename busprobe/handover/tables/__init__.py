"""The tables of the papers, the same in every format."""
