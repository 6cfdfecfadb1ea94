"""The run sheet: one visit to the bench, its recordings in order."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from pydantic import Field, field_validator

from diffbench.documents.faults import refusal
from diffbench.documents.fields import Table, Text

RunKind = Literal["tare", "bias-sweep", "speed-sweep", "turning-torque"]


class Run(Table):
    """One recording: its file, what was done, and another rig where it was not taken on the visit's own."""

    file: Text = Field(description="path of the recording", examples=["bias-sweep.csv"])
    kind: RunKind = Field(description="what was done")
    rig: Text | None = Field(
        default=None,
        description="where the run was not taken on the visit's own rig",
        examples=["wrench.toml"],
    )
    note: Text | None = Field(default=None, description="anything")


class RunSheet(Table):
    """One visit: rig, build sheet and recordings by path relative to the run sheet, and the day."""

    format: Literal["diffbench-run/1"] = Field(description="kind and version of the document")
    rig: Text = Field(description="path of the rig", examples=["my-cell.toml"])
    build: Text = Field(description="path of the build sheet", examples=["q17.toml"])
    date: dt.date = Field(description="of the visit", examples=["2026-03-15"])
    operator: Text | None = Field(default=None, description="who ran the bench")
    note: Text | None = Field(default=None, description="anything")
    run: tuple[Run, ...] = Field(
        min_length=1, description="one for each recording", examples=[[{"file": "tare.csv", "kind": "tare"}]]
    )

    @field_validator("date", mode="before")
    @classmethod
    def _a_day(cls, raw: Any) -> Any:
        if isinstance(raw, dt.datetime):
            return raw.date()
        if isinstance(raw, dt.date):
            return raw
        if isinstance(raw, str):
            try:
                return dt.date.fromisoformat(raw)
            except ValueError as error:
                raise refusal(f"'{raw}' is no day", "write year, month and day: date = 2026-03-15") from error
        raise refusal("a day is wanted", "write year, month and day: date = 2026-03-15")

    @field_validator("run")
    @classmethod
    def _each_once(cls, runs: tuple[Run, ...]) -> tuple[Run, ...]:
        files = [run.file for run in runs]
        twice = sorted({file for file in files if files.count(file) > 1})
        if twice:
            raise refusal(
                f"{' and '.join(twice)} stands here more than once, and would be counted as often",
                "name every recording once",
            )
        return runs
