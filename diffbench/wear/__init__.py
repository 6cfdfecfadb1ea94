"""The workshop's questions: conformity, comparison of two states, repeatability of the bench, shim advice."""

from diffbench.results.conformity import conformity
from diffbench.wear.advise import advise
from diffbench.wear.compare import compare
from diffbench.wear.repeats import repeatability

__all__ = ["advise", "compare", "conformity", "repeatability"]
