"""What is known and how well: the one solver, random streams, smooth curves, intervals."""
