"""diffbench: what a plate-type limited-slip differential really does, from bench recordings."""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

__all__ = [
    "Build",
    "Characterisation",
    "DiffbenchError",
    "LockingMap",
    "Recording",
    "Rig",
    "Visit",
    "__version__",
    "fit",
    "load_build",
    "load_characterisation",
    "load_map",
    "load_rig",
]

if TYPE_CHECKING:
    from diffbench.characterisation import Characterisation, load_characterisation
    from diffbench.documents import Build, Rig, Visit, load_build, load_rig
    from diffbench.errors import DiffbenchError
    from diffbench.fitting import fit
    from diffbench.locking_map import LockingMap, load_map
    from diffbench.recording import Recording

_HOMES = {
    "Characterisation": "diffbench.characterisation",
    "load_characterisation": "diffbench.characterisation",
    "Build": "diffbench.documents",
    "Rig": "diffbench.documents",
    "Visit": "diffbench.documents",
    "load_build": "diffbench.documents",
    "load_rig": "diffbench.documents",
    "Recording": "diffbench.recording",
    "DiffbenchError": "diffbench.errors",
    "fit": "diffbench.fitting",
    "LockingMap": "diffbench.locking_map",
    "load_map": "diffbench.locking_map",
}


def __getattr__(name: str) -> Any:
    """Public names are imported when first used: ``import diffbench`` stays quick."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    msg = f"module 'diffbench' has no attribute '{name}'"
    raise AttributeError(msg)
