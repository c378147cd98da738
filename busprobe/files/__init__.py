"""Files from people and for people: TOML and CSV with the place of each mistake; whole or none."""
