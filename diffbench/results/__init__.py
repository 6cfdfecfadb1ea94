"""Results and what follows from one by itself: the characterisation, its map, and its conformity."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "Characterisation",
    "LockingMap",
    "NextTest",
    "Parameter",
    "Tested",
    "load_characterisation",
    "load_map",
    "make_map",
]

if TYPE_CHECKING:
    from diffbench.results.characterisation import (
        Characterisation,
        NextTest,
        Parameter,
        Tested,
        load_characterisation,
    )
    from diffbench.results.locking_map import LockingMap, load_map
    from diffbench.results.predict import make_map

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "characterisation": ("Characterisation", "NextTest", "Parameter", "Tested", "load_characterisation"),
        "locking_map": ("LockingMap", "load_map"),
        "predict": ("make_map",),
    },
)
