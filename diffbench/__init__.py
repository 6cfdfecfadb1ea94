"""diffbench: what a plate-type limited-slip differential really does, from bench recordings."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from diffbench._version import __version__

__all__ = [
    "Build",
    "Characterisation",
    "DiffbenchError",
    "LockingMap",
    "Recording",
    "Rig",
    "Visit",
    "__version__",
    "figures",
    "fit",
    "load_build",
    "load_characterisation",
    "load_map",
    "load_rig",
]

if TYPE_CHECKING:
    from diffbench import figures
    from diffbench.documents import Build, Rig, Visit, load_build, load_rig
    from diffbench.errors import DiffbenchError
    from diffbench.fitting import fit
    from diffbench.recording import Recording
    from diffbench.results.characterisation import Characterisation, load_characterisation
    from diffbench.results.locking_map import LockingMap, load_map

_HOMES = {
    "Characterisation": "diffbench.results.characterisation",
    "load_characterisation": "diffbench.results.characterisation",
    "Build": "diffbench.documents",
    "Rig": "diffbench.documents",
    "Visit": "diffbench.documents",
    "load_build": "diffbench.documents",
    "load_rig": "diffbench.documents",
    "Recording": "diffbench.recording",
    "DiffbenchError": "diffbench.errors",
    "fit": "diffbench.fitting",
    "LockingMap": "diffbench.results.locking_map",
    "load_map": "diffbench.results.locking_map",
}


def __getattr__(name: str) -> Any:
    """Public names are imported when first used: ``import diffbench`` stays quick."""
    if name == "figures":
        return import_module("diffbench.figures")
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    msg = f"module 'diffbench' has no attribute '{name}'"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    """The public names."""
    return sorted(__all__)
