"""Screens that stand in front of a step, each for one piece of work."""
