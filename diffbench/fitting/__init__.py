"""The fit: from conditioned recordings to a characterisation."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = ["fit"]

if TYPE_CHECKING:
    from diffbench.fitting.characterise import fit

__getattr__, __dir__ = names_on_first_use(__name__, {"characterise": ("fit",)})
