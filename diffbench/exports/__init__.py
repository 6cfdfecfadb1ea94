"""A map in the file types of other tools: one module a format; and its law in a simulation loop."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = ["FORMATS", "Differential", "export_map", "map_csv"]

if TYPE_CHECKING:
    from diffbench.exports.csv_table import map_csv
    from diffbench.exports.differential import Differential
    from diffbench.exports.registry import FORMATS, export_map

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "csv_table": ("map_csv",),
        "differential": ("Differential",),
        "registry": ("FORMATS", "export_map"),
    },
)
