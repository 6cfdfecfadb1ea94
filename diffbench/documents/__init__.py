"""Rig, build sheet, run sheet and car as validated models in SI."""

from diffbench.documents.build import Build
from diffbench.documents.car import Car, Phase
from diffbench.documents.channels import CHANNEL_DIMENSIONS, LABEL_WORDS, Channel
from diffbench.documents.loading import (
    load_build,
    load_car,
    load_rig,
    load_run_sheet,
    phase_of,
    run_sheets_in,
)
from diffbench.documents.rig import FileSettings, Rig
from diffbench.documents.run_sheet import Run, RunSheet
from diffbench.documents.visit import Visit, load_visit

__all__ = [
    "CHANNEL_DIMENSIONS",
    "LABEL_WORDS",
    "Build",
    "Car",
    "Channel",
    "FileSettings",
    "Phase",
    "Rig",
    "Run",
    "RunSheet",
    "Visit",
    "load_build",
    "load_car",
    "load_rig",
    "load_run_sheet",
    "load_visit",
    "phase_of",
    "run_sheets_in",
]
