"""The pair itself: what a meter shows, what is heard, what may be wrong, and the hunt for a loose
wire.

A serial port cannot see voltage, so nothing is claimed here that was not measured or heard.

- `arithmetic`: electrical formulas with their sources; `sums`, `figures`: the same told in words,
and as it is typed;
- `meter`, `resistance`, `voltage`: readings as they are typed, and their verdicts; `naming`: what
A, B, D1 and D0 mean;
- `evidence`, `byte_patterns`, `symptoms`: from bytes to causes; `patterns`, `moments`: from counts to
  causes, by place and time; `advice`: causes and what to do;
- `hearing`: listening and asking a little; `hunt`: who starts or stops answering, and when;
- `cautions`, `record`: what is stored of the step; `wording`: counts in sentences.
"""
