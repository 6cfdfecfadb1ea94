"""A map in the file types of other tools: one module a format."""

from diffbench.exports.csv_table import map_csv
from diffbench.exports.registry import FORMATS, export_map

__all__ = ["FORMATS", "export_map", "map_csv"]
