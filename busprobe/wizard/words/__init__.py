"""What the steps say at length, apart from how it is laid out."""
