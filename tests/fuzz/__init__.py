"""Bad input made in bulk, the same from the same seed; the benchmark runs all of it, the tests a
part."""
