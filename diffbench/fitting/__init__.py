"""The fit: from conditioned recordings to a characterisation."""

from diffbench.fitting.fit import fit

__all__ = ["fit"]
