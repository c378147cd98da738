"""The step Identify: what each unit is, its values, and a profile for one that no profile knows."""
