"""The step Hand over: what is missing, circuits, preview, and the writing."""
