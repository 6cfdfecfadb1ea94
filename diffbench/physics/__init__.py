"""Pure functions of arrays: what a plate-type differential does, one module a topic."""
