"""Results and what follows from one by itself: the characterisation, its map, and its conformity."""
