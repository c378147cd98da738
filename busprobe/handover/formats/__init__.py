"""The papers, one module a format: from a bus list to the names and contents of its files."""
