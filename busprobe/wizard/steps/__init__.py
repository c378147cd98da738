"""The seven steps, one module each."""
