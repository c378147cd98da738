"""What a device type is: the schema of a profile, where profiles live, matching, and decoding to
engineering units.

A profile is one TOML file per device type.  Its fields are documented by their descriptions in
`schema`; the shipped ones are in the top-level folder ``profiles/``.
"""
