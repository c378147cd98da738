"""The wiring of a bus: what a meter shows, what is heard, what may be wrong, and the hunt for a
loose wire.

A serial port cannot see voltage, so nothing is claimed here that was not measured or heard.

- `arithmetic`: electrical formulas with their sources; `calculations`: each told in words with its
  inputs; `inputs`: how these are asked for and read;
- `meter`, `resistance`, `voltage`: readings as they are typed, and their verdicts; `wire_names`:
  what A, B, D1 and D0 mean;
- `evidence`, `byte_patterns`, `symptoms`: from bytes to causes; `error_distribution`: from counts
  to causes, by place, baud rate and time; `causes`: each with what to do;
- `listening`: listening and asking a little; `hunt`: which units start or stop answering, and when;
- `cautions`, `record`: what is stored of the step; `wording`: counts in sentences.
"""
