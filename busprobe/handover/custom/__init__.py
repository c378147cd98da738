"""Documents of one's own: text files from templates, and records of a described layout in a copy of
a file."""
