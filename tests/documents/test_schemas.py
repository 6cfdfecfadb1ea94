"""The published schemas accept what the loader accepts, and refuse what a schema can refuse."""

from __future__ import annotations

import datetime as dt
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner
from edited import edited

from diffbench.cli import main
from diffbench.documents import CHANNELS
from diffbench.errors import DocumentError
from diffbench.schemas import SCHEMAS, schema

RIGS = Path(__file__).parents[2] / "rigs"


def valid(instance: Any, kind: str) -> bool:
    """Whether an instance is valid by the published schema of its kind."""
    return jsonschema.Draft202012Validator(schema(kind)).is_valid(instance)


def as_json(text: str) -> Any:
    """Return a TOML document as JSON has it: a day is a text."""
    return json.loads(json.dumps(tomllib.loads(text), default=lambda day: day.isoformat()))


@pytest.mark.parametrize("kind", ["rig", "build", "run", "car"])
def test_a_schema_accepts_what_the_loader_accepts(kind: str, texts: dict[str, str]) -> None:
    assert valid(as_json(texts[kind]), kind)


@pytest.mark.parametrize("path", sorted(RIGS.glob("*.toml")), ids=lambda path: path.name)
def test_the_described_rigs_are_valid_by_the_schema(path: Path) -> None:
    assert valid(as_json(path.read_text(encoding="utf-8")), "rig")


@pytest.mark.parametrize(
    "force", ["1850", "1850.0", '"1850 N"', '"1.85e3N"', "{ value = 1850 }", '{ value = "1 kN", u = "6 N" }']
)
def test_a_quantity_may_be_a_number_a_text_or_a_table(force: str, texts: dict[str, str]) -> None:
    text = edited(texts["build"], '{ value = "1850 N", u = "60 N" }', force)
    assert valid(as_json(text), "build")


@pytest.mark.parametrize(
    ("kind", "old", "new"),
    [
        ("rig", "u_zero = 0.5", "u_zer = 0.5"),
        ("rig", "u_zero = 0.5", "u_zero = true"),
        ("rig", "u_zero = 0.5", 'u_zero = "half a N.m"'),
        ("rig", "sign = -1", "sign = 2"),
        ("rig", 'column = "TR [Nm]"\n', ""),
        ("rig", 'column = "TR [Nm]"', 'column = "TR"\nname = "x"'),
        ("rig", "[channel.right_torque]", "[channel.right_torq]"),
        ("rig", "range = [-1000, 1000]", "range = [-1000]"),
        ("rig", "range = [-1000, 1000]", "range = [-1000, 0, 1000]"),
        ("rig", '"both-outputs"', '"both"'),
        ("build", "faces = 5", 'faces = "5"'),
        ("build", "faces = 5", "faces = 0"),
        ("build", 'u = "60 N" }', 'u = "60 N", w = 1 }'),
        ("build", "diffbench-build/1", "diffbench-build/2"),
        ("run", 'kind = "tare"', 'kind = "tara"'),
        ("run", 'file = "tare.csv"\n', ""),
        ("car", 'turn = "left"', 'turn = "up"'),
        ("car", "brake_torque = 80", "brake_torqe = 80"),
        ("car", 'name = "throttle"\n', ""),
        ("car", '"60 kN"', '"sixty kN"'),
        ("car", "diffbench-car/1", "diffbench-car/2"),
    ],
)
def test_a_schema_refuses_what_it_can(kind: str, old: str, new: str, texts: dict[str, str]) -> None:
    assert texts[kind].count(old) == 1
    assert not valid(as_json(edited(texts[kind], old, new)), kind)


@pytest.mark.parametrize("kind", sorted(SCHEMAS))
def test_every_schema_says_what_it_is(kind: str) -> None:
    made = schema(kind)
    assert made["$schema"] == jsonschema.Draft202012Validator.META_SCHEMA["$id"]
    assert kind in made["$id"]
    assert json.loads(json.dumps(made)) == made


@pytest.mark.parametrize("kind", ["rig", "build", "run", "car"])
def test_every_reference_leads_somewhere_and_nothing_is_null(kind: str) -> None:
    made = schema(kind)
    assert "null" not in json.dumps(made)  # TOML has no null
    for name in re.findall(r'"#/\$defs/(\w+)"', json.dumps(made)):
        assert name in made["$defs"]


def test_what_a_schema_says_of_a_key() -> None:
    """Its words, its choices, bounds and examples; a default only where it is a text, since a number in SI
    would read as one in the key's own unit; references for numbers with a unit; nothing that only the program
    needs."""
    build, rig, log = schema("build"), schema("rig"), schema("log")
    assert build["properties"]["gear_friction"]["examples"] == [{"u": 0.008, "value": 0.02}]
    preload = build["$defs"]["Preload"]["properties"]
    assert {key: value for key, value in preload["law"].items() if key != "description"} == {
        "default": "undecided",
        "enum": ["additive", "greater-of", "undecided"],
        "type": "string",
    }
    assert build["$defs"]["DiscSpring"]["properties"]["series"] == {
        "description": "packets that stand on each other",
        "examples": [2],
        "minimum": 1,
        "type": "integer",
    }
    assert preload["shim"] == {
        "description": "preload shim, for advise and compare",
        "examples": ["0.2 mm"],
        "anyOf": [
            {"type": "number", "description": "in mm"},
            {"$ref": "#/$defs/NumberAndUnit"},
            {
                "type": "object",
                "properties": {
                    "value": {
                        "anyOf": [
                            {"type": "number", "description": "in mm"},
                            {"$ref": "#/$defs/NumberAndUnit"},
                        ]
                    },
                    "u": {
                        "anyOf": [
                            {"type": "number", "description": "in mm"},
                            {"$ref": "#/$defs/NumberAndUnit"},
                        ],
                        "description": "standard uncertainty",
                    },
                },
                "required": ["value"],
                "additionalProperties": False,
            },
        ],
    }
    assert build["$defs"]["Limits"]["properties"]["ramp_bias_drive"] == {
        "description": "lowest and highest of the loading bias",
        "examples": [[0.45, 0.55]],
        "type": "array",
        "items": {"anyOf": [{"type": "number"}, {"$ref": "#/$defs/NumberAndUnit"}]},
        "minItems": 2,
        "maxItems": 2,
    }
    assert build["$defs"]["Packs"]["description"] == "The two plate packs, which are alike."
    assert build["properties"]["ramps"] == {"$ref": "#/$defs/Ramps", "description": "pin and ramp angles"}
    for one, own in ((rig, "Channel"), (log, "LogChannel")):
        assert one["properties"]["channel"]["additionalProperties"] == {"$ref": f"#/$defs/{own}"}
        assert one["$defs"][own]["required"] == ["column"]
        assert not {"name", "reaction"} & set(one["$defs"][own]["properties"])
    assert set(rig["properties"]["channel"]["properties"]) == set(CHANNELS)
    assert rig["properties"]["channel"]["propertyNames"] == {"enum": list(CHANNELS)}
    assert "properties" not in log["properties"]["channel"]
    assert log["properties"]["channel"]["propertyNames"]["enum"][:3] == ["time", "left_speed", "right_speed"]
    assert (rig["title"], rig["$id"]) == ("diffbench rig", "urn:diffbench:schema:rig:1")


def test_an_unknown_kind_names_the_nearest() -> None:
    with pytest.raises(DocumentError, match="write build"):
        schema("biuld")
    with pytest.raises(DocumentError, match="write one of rig, build, run"):
        schema("zzz")


@pytest.mark.parametrize("arguments", [["build"], ["build", "--json"]])
def test_the_command_prints_the_schema_alone(arguments: list[str]) -> None:
    result = CliRunner().invoke(main, ["schema", *arguments])
    assert result.exit_code == 0
    assert json.loads(result.stdout) == schema("build")


@pytest.mark.parametrize("names", ["diffbench.cli.papers", "diffbench.documents, diffbench.inspection"])
def test_nothing_imports_a_model_before_it_is_asked(names: str) -> None:
    code = (
        f"import sys, {names}; from diffbench.documents import LABEL_WORDS; print('pydantic' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_the_date_of_the_schema_is_a_day(texts: dict[str, str]) -> None:
    assert as_json(texts["run"])["date"] == dt.date(2026, 3, 15).isoformat()
    assert schema("run")["properties"]["date"]["format"] == "date"
