"""The papers of a job: the bus list as it was built, put together from the job file and written for
other people.

`assemble` makes a `BusList` of a job; `files.write` writes it in the formats asked for.  Nothing
here is invented: what the job does not know stays empty, and what was not tested says so.
"""
