"""The step Survey: the search for units and what it found."""
