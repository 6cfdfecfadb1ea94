"""The version: of the package, and in everything it writes."""

__version__ = "0.1.0"
