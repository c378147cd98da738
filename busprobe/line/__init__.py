"""Bytes on the wire: settings and timing, ports, the line, and an exchange with its evidence."""
