"""What several steps of the wizard use."""
