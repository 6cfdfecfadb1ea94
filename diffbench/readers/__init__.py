"""Recordings from files: one module per format, one protocol, one explicit list."""

from diffbench.readers.in_memory import recording_from
from diffbench.readers.registry import read_parts, read_recording

__all__ = ["read_parts", "read_recording", "recording_from"]
