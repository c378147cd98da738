"""A simulated segment: units, wires and an adapter, down to the bits on the pair.

Every transmission is a waveform on one shared pair; every receiver samples that with its own bit
time, format and polarity.  Wrong settings, a swapped pair, colliding replies and a floating pair
have the consequences that follow from this; none of them is scripted.

What is not modelled:

- voltages, cable length, propagation, reflections and termination: every place on the pair sees the
  same levels at the same moment, and a driver is either stronger than another or as strong;
- inaccurate bit rates, edges with a slope, jitter of edges: receivers sample ideally, in the middle
of each bit;
- noise between transmissions on a biased pair; bit errors turn over bits of transmissions only;
- a floating pair beyond short disturbances: when a driver turns on, when it lets go, and now and
then between;
- a receiver that is turned on in the middle of somebody else's character, for units (the port does
model it);
- a unit taken off the pair in the middle of its own reply: it finishes that reply;
- gaps of more than 1.5 characters inside a frame: no unit minds them;
- function codes other than 3, 4, 6, 8/0, 16, 17 and 43/14;
- the adapter's own errors in timing other than delivering bytes in bursts, and driving on after
its last bit;
- a short: wires that touch float for every receiver; a stuck driver holds one level instead.

`busprobe.virtual.serve` says what gets lost where the segment is served to another program.
"""
