"""The step Prove: the endurance run and the polling table."""
