"""The commands as they are typed: names, options and help; what they do is in the modules above.

Nothing here imports a room of the program, so that ``--help`` need not wait for it.
"""
