"""Requests and replies of the Modbus application protocol: built with pymodbus, judged here.

pymodbus owns PDUs, framing and CRC; what it hides (raw bytes of bad replies and why they are bad)
is judged in `busprobe.modbus.replies`.
"""
