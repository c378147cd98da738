"""What the forms ask, what is wrong with an answer, and how answers become records."""
