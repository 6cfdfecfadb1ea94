"""Rig, build sheet, run sheet and car as validated models in SI."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "CHANNELS",
    "LABEL_WORDS",
    "Build",
    "Car",
    "Channel",
    "FileSettings",
    "LogChannel",
    "LogSheet",
    "Phase",
    "Rig",
    "Run",
    "RunSheet",
    "Visit",
    "document_of",
    "load_build",
    "load_car",
    "load_log",
    "load_rig",
    "load_run_sheet",
    "load_visit",
    "run_sheets_in",
]

if TYPE_CHECKING:
    from diffbench.documents.arrangements import CHANNELS, LABEL_WORDS
    from diffbench.documents.build import Build, load_build
    from diffbench.documents.car import Car, Phase, load_car
    from diffbench.documents.loading import document_of, run_sheets_in
    from diffbench.documents.log import LogChannel, LogSheet, load_log
    from diffbench.documents.rig import Channel, FileSettings, Rig, load_rig
    from diffbench.documents.visit import Run, RunSheet, Visit, load_run_sheet, load_visit

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "arrangements": ("CHANNELS", "LABEL_WORDS"),
        "build": ("Build", "load_build"),
        "car": ("Car", "Phase", "load_car"),
        "loading": ("document_of", "run_sheets_in"),
        "log": ("LogChannel", "LogSheet", "load_log"),
        "rig": ("Channel", "FileSettings", "Rig", "load_rig"),
        "visit": ("Run", "RunSheet", "Visit", "load_run_sheet", "load_visit"),
    },
)
