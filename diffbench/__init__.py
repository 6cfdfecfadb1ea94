"""diffbench: what a plate-type limited-slip differential really does, from bench recordings."""

from typing import TYPE_CHECKING

from diffbench._version import __version__
from diffbench.first_use import names_on_first_use
from diffbench.notebook import FACES

__all__ = [
    "Build",
    "Characterisation",
    "DiffbenchError",
    "Differential",
    "LockingMap",
    "Recording",
    "Rig",
    "Visit",
    "__version__",
    "export_map",
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
    from diffbench.exports import Differential, export_map
    from diffbench.fitting import fit
    from diffbench.recording import Recording
    from diffbench.results.characterisation import Characterisation, load_characterisation
    from diffbench.results.locking_map import LockingMap, load_map

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "documents": ("Build", "Rig", "Visit", "load_build", "load_rig"),
        "errors": ("DiffbenchError",),
        "exports": ("Differential", "export_map"),
        "figures": (),
        "fitting": ("fit",),
        "recording": ("Recording",),
        "results": ("Characterisation", "LockingMap", "load_characterisation", "load_map"),
    },
)

FACES.update(
    Characterisation="diffbench.report.page:characterisation_html",
    LockingMap="diffbench.report.page:map_html",
)
