"""Checks of a recording: each a named finding with its evidence, what it does to the result, and how to mend
it.

They assume no law, and mend nothing in silence: a mismatch beyond the rig becomes an unknown of the fit of
that size, never a correction beforehand, which would count it twice. Thresholds come from chance (one bench
in thousands), from a standard, or from what matters, and each says so.
"""
