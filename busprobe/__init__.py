"""busprobe: bring up an RS-485 pair of Modbus RTU units, from unknown wires to an as-built bus
list."""
