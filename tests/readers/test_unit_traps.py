"""Units that benches write, and those that mean two things: one table, held against every place where a unit
can stand – the heading of a column, a row of units, a rig file, an option of the command line.

Factors by NIST SP 811 (2008), appendix B.8, from the exact definitions of pound, foot, inch and gravity, and
by the SI Brochure, 9th edition (status: memory, derived again here). `tests/test_quantities.py` has every
spelling.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.documents import Channel, load_rig
from diffbench.errors import DiffbenchError
from diffbench.recording import Recording

POUND_FOOT = 0.45359237 * 9.80665 * 12 * 0.0254  # N.m
KILOPOND_METRE = 9.80665  # N.m
RPM = 2 * math.pi / 60  # rad/s
READ_AS = {
    "torque": {
        "Nm": 1.0, "N·m": 1.0, "N.m": 1.0, "kNm": 1e3, "daN.m": 10.0, "lbf.ft": POUND_FOOT,
        "lb-ft": POUND_FOOT, "ft-lb": POUND_FOOT, "lb ft": POUND_FOOT, "lbf.in": POUND_FOOT / 12,
        "in-lb": POUND_FOOT / 12,
        "kgf.m": KILOPOND_METRE, "kgm": KILOPOND_METRE, "kg·m": KILOPOND_METRE,
    },
    "angular_speed": {
        "rad/s": 1.0, "rpm": RPM, "1/min": RPM, "min-1": RPM, "min^-1": RPM, "U/min": RPM, "rev/min": RPM,
        "r/min": RPM, "rps": 2 * math.pi, "deg/s": math.pi / 180,
    },
    "temperature": {
        "degC": (1.0, 0.0), "°C": (1.0, 0.0), "C": (1.0, 0.0), "degF": (5 / 9, -32.0), "°F": (5 / 9, -32.0),
        "F": (5 / 9, -32.0), "K": (1.0, -273.15),
    },
}  # fmt: skip
#: What a unit library, or a hasty reader, takes for something else; with what the mend has to offer.
REFUSED = {
    "torque": {"PS": "N.m", "J": "N.m", "lb/ft": "lbf.ft", "MNm": "N.m", "rpm": "N.m", "lb": "N.m"},
    "angular_speed": {"1/s": "rps", "Hz": "rad/s", "s⁻¹": "rps", "PS": "rpm", "Nm": "rpm"},
    "temperature": {"k": "K", "rpm": "degC"},
}
READING = 41.0
CHANNEL = {"torque": "left_torque", "angular_speed": "left_speed", "temperature": "oil_temperature"}
COLUMN = {"torque": "Torque LH", "angular_speed": "Speed LH", "temperature": "Oil"}
OPTION = {
    "torque": ("--torque", "input_torque_Nm"),
    "angular_speed": ("--speed", "speed_difference_rad_s"),
    "temperature": ("--temperature", "temperature_degC"),
}
ROOM = 1e-12  # a few roundings of a double, for temperatures of 273.15 or 460


def si(dimension: str, unit: str) -> float:
    """What the reading is in SI."""
    known = READ_AS[dimension][unit]
    scale, shift = known if isinstance(known, tuple) else (known, 0.0)
    return (READING + shift) * scale


def cases(table: dict[str, dict[str, Any]]) -> list[tuple[str, str]]:
    return [(dimension, unit) for dimension, units in table.items() for unit in units]


class Places:
    """The four places: each takes a dimension and a unit, and gives the reading in SI."""

    def __init__(self, read: Callable[..., Recording], folder: Path) -> None:
        self.read, self.folder = read, folder

    def rows(self, dimension: str) -> tuple[dict[str, str], list[list[str]]]:
        """Units by column but for the one that is tried, and the rows of a short file."""
        units = {"Time": "s", "Torque LH": "Nm", "Torque RH": "Nm", "Speed LH": "rpm", "Speed RH": "rpm",
                 "Oil": "degC"}  # fmt: skip
        at = list(units).index(COLUMN[dimension])
        rows = [[f"{0.01 * i:.2f}", "1", "2", "580", "565", "48"] for i in range(4)]
        for row in rows:
            row[at] = f"{READING:g}"
        return units, rows

    def recorded(self, dimension: str, head: list[list[str]], **keys: Any) -> float:
        """The channel of a file with these lines above its rows."""
        _, rows = self.rows(dimension)
        names = {"time": "Time", "left_torque": "Torque LH", "right_torque": "Torque RH",
                 "left_speed": "Speed LH", "right_speed": "Speed RH", "oil_temperature": "Oil"}  # fmt: skip
        rig: dict[str, Any] = {
            channel: {"column": name, "unit": self.rows(dimension)[0][name]}
            for channel, name in names.items()
        }
        rig[CHANNEL[dimension]] = {"column": COLUMN[dimension], **keys}
        text = "".join(";".join(line) + "\n" for line in [*head, *rows])
        recording = self.read(text, channels=rig)
        return float(recording.channels[CHANNEL[dimension]][0])

    def heading(self, dimension: str, unit: str) -> float:
        units, _ = self.rows(dimension)
        names = [f"{name} [{unit}]" if name == COLUMN[dimension] else name for name in units]
        return self.recorded(dimension, [names])

    def row_of_units(self, dimension: str, unit: str) -> float:
        units, _ = self.rows(dimension)
        written = {**units, COLUMN[dimension]: unit}
        return self.recorded(dimension, [list(units), [f"[{text}]" for text in written.values()]])

    def rig_of_columns(self, dimension: str, unit: str) -> float:
        """The unit of a column as the rig states it: by the file that says so, and the recording."""
        self.written_rig(dimension, f'unit = "{unit}"')
        units, _ = self.rows(dimension)
        return self.recorded(dimension, [list(units)], unit=unit)

    def rig_file(self, dimension: str, unit: str) -> float:
        """A value with its unit in a rig: the range of the channel."""
        reach = self.written_rig(
            dimension, f'range = ["{READING:g} {unit}", "{READING + 1e6:g} {unit}"]'
        ).range
        assert reach is not None
        return float(reach[0])

    def written_rig(self, dimension: str, line: str) -> Channel:
        """The channel of a rig file that has a line of its own for it, and a unit where that is none."""
        lines = ['format = "diffbench-rig/1"', 'name = "Cell"', 'arrangement = "both-outputs"']
        units = {"time": "s", "left_torque": "Nm", "right_torque": "Nm", "left_speed": "rpm",
                 "right_speed": "rpm", "oil_temperature": "degC"}  # fmt: skip
        for channel, name in units.items():
            lines += [f"[channel.{channel}]", f'column = "{channel}"']
            tried = channel == CHANNEL[dimension]
            lines += [line] if tried else []
            lines += [] if tried and line.startswith("unit") else [f'unit = "{name}"']
        path = self.folder / "rig.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return load_rig(path).channel[CHANNEL[dimension]]

    def option(self, dimension: str, unit: str) -> float:
        """An option of the command line; an error is raised as what it said."""
        option, key = OPTION[dimension]
        usual = {"--torque": "100 N.m", "--speed": "4 rad/s", "--temperature": "60 degC"}
        asked = {**usual, option: f"{READING:g} {unit}"}
        ran = CliRunner().invoke(
            main, ["lookup", str(self.map_file()), *(x for pair in asked.items() for x in pair), "--json"]
        )
        if ran.exit_code == 2:
            raise DiffbenchError.single(ran.stderr, mend=ran.stderr)
        assert ran.exit_code == 0, ran.output
        return float(json.loads(ran.stdout)[key])

    def map_file(self) -> Path:
        """A map of two nodes an axis."""
        path = self.folder / "map.json"
        if not path.exists():
            table = np.full((2, 2, 2), 100.0)
            branch = dict.fromkeys(("locking_torque_Nm", "low_Nm", "high_Nm"), table.tolist())
            branch["tested"] = (table > 0.0).tolist()
            axes = {
                "input_torque_Nm": [-1e6, 1e6],
                "speed_difference_rad_s": [0.1, 1e6],
                "temperature_degC": [-300.0, 300.0],
            }
            document = {
                "format": "diffbench-map/1", "unit": "A", "build": "A-1", "law": "additive",
                "confidence": 0.95, "axes": axes, "notes": [], "provenance": {},
                "branches": dict.fromkeys(("loading", "unloading", "mean"), branch),
            }  # fmt: skip
            path.write_text(json.dumps(document), encoding="utf-8")
        return path


PLACES = ("heading", "row_of_units", "rig_of_columns", "rig_file", "option")


@pytest.fixture(scope="module")
def places(read_sweep: Callable[..., Recording], tmp_path_factory: pytest.TempPathFactory) -> Places:
    return Places(read_sweep, tmp_path_factory.mktemp("traps"))


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(("dimension", "unit"), cases(READ_AS))
def test_a_spelling_is_read_right_wherever_it_stands(
    dimension: str, unit: str, place: str, places: Places
) -> None:
    found = getattr(places, place)(dimension, unit)
    assert found == pytest.approx(si(dimension, unit), rel=ROOM, abs=460 * ROOM)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(("dimension", "unit"), cases(REFUSED))
def test_a_trap_is_refused_wherever_it_stands(dimension: str, unit: str, place: str, places: Places) -> None:
    """With a spelling to write instead; never read as something else."""
    with pytest.raises(DiffbenchError) as caught:
        getattr(places, place)(dimension, unit)
    said = " ".join(fault.what + " " + fault.mend for fault in caught.value.faults)
    assert REFUSED[dimension][unit] in said
