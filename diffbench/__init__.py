"""diffbench: what a plate-type limited-slip differential really does, from bench recordings."""
