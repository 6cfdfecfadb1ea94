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

import pytest
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.documents.schemas import DIALECT, SCHEMAS, schema
from diffbench.errors import DocumentError

RIGS = Path(__file__).parents[2] / "rigs"
TYPES: dict[str, type | tuple[type, ...]] = {
    "object": dict,
    "array": list,
    "string": str,
    "number": (int, float),
    "integer": int,
    "boolean": bool,
}
# Keywords that say nothing about an instance here; every other keyword must be known to `valid`.
NOTES = {"$schema", "$id", "$defs", "title", "description", "default", "examples", "format"}


def valid(instance: Any, rule: dict[str, Any], root: dict[str, Any]) -> bool:
    """Say whether an instance is valid by the keywords of draft 2020-12 that these schemas use."""
    checks: dict[str, Any] = {
        "$ref": lambda ref: valid(instance, root["$defs"][ref.removeprefix("#/$defs/")], root),
        "type": lambda name: (
            isinstance(instance, TYPES[name]) and (name == "boolean") == isinstance(instance, bool)
        ),
        "const": lambda value: instance == value,
        "enum": lambda values: instance in values,
        "anyOf": lambda rules: any(valid(instance, one, root) for one in rules),
        "minimum": lambda least: not isinstance(instance, int | float) or instance >= least,
        "minLength": lambda least: not isinstance(instance, str) or len(instance) >= least,
        "pattern": lambda text: not isinstance(instance, str) or re.search(text, instance) is not None,
        "minItems": lambda least: not isinstance(instance, list) or len(instance) >= least,
        "maxItems": lambda most: not isinstance(instance, list) or len(instance) <= most,
        "items": lambda one: (
            not isinstance(instance, list) or all(valid(part, one, root) for part in instance)
        ),
        "required": lambda keys: not isinstance(instance, dict) or set(keys) <= set(instance),
        "properties": lambda rules: (
            not isinstance(instance, dict)
            or all(valid(part, rules[key], root) for key, part in instance.items() if key in rules)
        ),
        "propertyNames": lambda one: (
            not isinstance(instance, dict) or all(valid(key, one, root) for key in instance)
        ),
        "additionalProperties": lambda one: (
            not isinstance(instance, dict)
            or all(
                one is not False and valid(part, one, root)
                for key, part in instance.items()
                if key not in rule.get("properties", {})
            )
        ),
    }
    return all(checks[keyword](value) for keyword, value in rule.items() if keyword not in NOTES)


def as_json(text: str) -> Any:
    """Return a TOML document as JSON has it: a day is a text."""
    return json.loads(json.dumps(tomllib.loads(text), default=lambda day: day.isoformat()))


@pytest.mark.parametrize("kind", ["rig", "build", "run"])
def test_a_schema_accepts_what_the_loader_accepts(kind: str, texts: dict[str, str]) -> None:
    rules = schema(kind)
    assert valid(as_json(texts[kind]), rules, rules)


@pytest.mark.parametrize("path", sorted(RIGS.glob("*.toml")), ids=lambda path: path.name)
def test_the_described_rigs_are_valid_by_the_schema(path: Path) -> None:
    rules = schema("rig")
    assert valid(as_json(path.read_text(encoding="utf-8")), rules, rules)


@pytest.mark.parametrize(
    "force", ["1850", "1850.0", '"1850 N"', '"1.85e3N"', "{ value = 1850 }", '{ value = "1 kN", u = "6 N" }']
)
def test_a_quantity_may_be_a_number_a_text_or_a_table(force: str, texts: dict[str, str]) -> None:
    rules = schema("build")
    text = texts["build"].replace('{ value = "1850 N", u = "60 N" }', force)
    assert valid(as_json(text), rules, rules)


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
        ("rig", '"both-outputs"', '"both"'),
        ("build", "faces = 5", 'faces = "5"'),
        ("build", "faces = 5", "faces = 0"),
        ("build", 'u = "60 N" }', 'u = "60 N", w = 1 }'),
        ("build", "diffbench-build/1", "diffbench-build/2"),
        ("run", 'kind = "tare"', 'kind = "tara"'),
        ("run", 'file = "tare.csv"\n', ""),
    ],
)
def test_a_schema_refuses_what_it_can(kind: str, old: str, new: str, texts: dict[str, str]) -> None:
    rules = schema(kind)
    assert texts[kind].count(old) == 1
    assert not valid(as_json(texts[kind].replace(old, new)), rules, rules)


@pytest.mark.parametrize("kind", sorted(SCHEMAS))
def test_every_schema_says_what_it_is(kind: str) -> None:
    made = schema(kind)
    assert made["$schema"] == DIALECT
    assert kind in made["$id"]
    assert json.loads(json.dumps(made)) == made


@pytest.mark.parametrize("kind", ["rig", "build", "run"])
def test_every_reference_leads_somewhere_and_nothing_is_null(kind: str) -> None:
    made = schema(kind)
    assert "null" not in json.dumps(made)  # TOML has no null
    for name in re.findall(r'"#/\$defs/(\w+)"', json.dumps(made)):
        assert name in made["$defs"]


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


def test_the_command_imports_no_model_before_it_is_asked() -> None:
    load = "import sys; from diffbench.cli import main; main.get_command(None, 'schema')"
    code = f"{load}; print('pydantic' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_the_date_of_the_schema_is_a_day(texts: dict[str, str]) -> None:
    assert as_json(texts["run"])["date"] == dt.date(2026, 3, 15).isoformat()
    assert schema("run")["properties"]["date"]["format"] == "date"
