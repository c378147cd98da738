"""Questions and explanations over a step; each gives back one typed result."""
