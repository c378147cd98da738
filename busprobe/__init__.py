"""busprobe: bring up an RS-485 pair of Modbus RTU units, from unknown wires to an as-built bus
list."""

__version__ = "0.2.0"
"""The one place of the version; package, commands and documents take it from here."""
