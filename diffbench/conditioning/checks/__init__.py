"""Checks of a recording: each a named finding with its evidence, what it does to the result, and how to mend
it."""
