"""What other people's code and files rely on: the names, their arguments, the fields of results."""

from __future__ import annotations

import inspect
import json
from importlib.metadata import Distribution, distribution
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlparse

import jsonschema
import pytest
from click.testing import CliRunner

import diffbench
from diffbench.cli import main
from diffbench.schemas import SCHEMAS, schema

PUBLIC = [
    "Build",
    "Characterisation",
    "DiffbenchError",
    "Differential",
    "LockingMap",
    "Recording",
    "Rig",
    "Visit",
    "__version__",
    "export_map",
    "figures",
    "fit",
    "load_build",
    "load_characterisation",
    "load_map",
    "load_rig",
]
FIGURES = [
    "before_after", "changes", "contours", "corner_change", "correlation", "course", "difference", "friction",
    "intervals", "kept", "parts", "plate_heat", "recorded", "residuals", "shim_ladder", "sums", "sweep",
    "temperatures", "torque_bias", "yaw_moments",
]  # fmt: skip
PARAMETER_FIELDS = ["value", "u", "low", "high", "unit", "status", "meaning", "needs", "budget"]


def arguments(function: Any) -> list[str]:
    """Names of a function's arguments."""
    return list(inspect.signature(function).parameters)


def is_editable(package: Distribution) -> bool:
    """Whether the package was installed in development mode."""
    told = json.loads(package.read_text("direct_url.json") or "{}")
    return bool(told.get("dir_info", {}).get("editable"))


def test_the_installed_package_is_tested() -> None:
    """From a clone, the source tree beside the tests must not get in before what the wheel has installed."""
    package = distribution("diffbench")
    if is_editable(package):
        told = json.loads(package.read_text("direct_url.json") or "{}")
        expected = Path(unquote(urlparse(told["url"]).path)) / "diffbench" / "__init__.py"
    else:
        expected = Path(str(package.locate_file("diffbench/__init__.py")))
    assert Path(diffbench.__file__).samefile(expected)


def test_the_installed_package_is_whole(repository: Path) -> None:
    """Templates, the marker of types and the described rigs are installed, not the modules alone."""
    installed = Path(diffbench.__file__).parent
    source = repository / "diffbench"
    for path in source.rglob("*"):
        if path.is_file() and path.suffix != ".pyc":
            assert (installed / path.relative_to(source)).read_bytes() == path.read_bytes()
    assert (installed / "py.typed").is_file()
    listed = json.loads(CliRunner().invoke(main, ["rigs", "--json"]).stdout)
    assert listed == sorted(rig.stem for rig in (repository / "rigs").glob("*.toml"))


def test_public_names_are_frozen() -> None:
    """A name added or taken away is a decision, and changes this test and the guide."""
    assert sorted(diffbench.__all__) == sorted(PUBLIC)
    assert dir(diffbench) == sorted(PUBLIC)
    for name in PUBLIC:
        assert getattr(diffbench, name) is not None
    with pytest.raises(AttributeError, match="fitt"):
        _ = diffbench.fitt
    assert diffbench.__version__ == distribution("diffbench").version


def test_arguments_are_frozen() -> None:
    """Calls written by the guide stay calls."""
    assert arguments(diffbench.fit) == ["run_sheets", "progress"]
    assert arguments(diffbench.load_map) == ["path"]
    assert arguments(diffbench.load_characterisation) == ["path"]
    place = ["self", "input_torque", "speed_difference", "temperature", "branch"]
    for method in ("locking_torque", "interval", "is_tested"):
        function = getattr(diffbench.LockingMap, method)
        assert arguments(function) == place
        assert inspect.signature(function).parameters["branch"].default == "either"


def test_figures_are_frozen() -> None:
    """The figures that the guide lists: each draws into an Axes that it is given."""
    assert diffbench.figures.__all__ == FIGURES
    for name in FIGURES:
        assert "axes" in arguments(getattr(diffbench.figures, name))


def test_fields_of_a_parameter_are_frozen(demo) -> None:
    """Every parameter of a characterisation has these keys, in the file too."""
    document = json.loads((demo.folder / "characterisation.json").read_text(encoding="utf-8"))
    for name, item in document["parameters"].items():
        at = ["at_input_torque_Nm"] if name.startswith(("locking_effect_", "torque_bias_ratio_")) else []
        assert list(item) == [*PARAMETER_FIELDS, *at]
        assert item["status"] in ("measured", "stated", "not-determined")
        assert (item["value"] is None) == (item["status"] == "not-determined")
        assert item["value"] is not None or item["needs"]


def test_map_contract(demo) -> None:
    """Keys and shapes of map.json."""
    document = json.loads((demo.folder / "map.json").read_text(encoding="utf-8"))
    assert document["format"] == "diffbench-map/1"
    axes = document["axes"]
    assert list(axes) == ["input_torque_Nm", "speed_difference_rad_s", "temperature_degC"]
    sizes = [len(axis) for axis in axes.values()]
    for axis in axes.values():
        assert axis == sorted(set(axis))
    assert list(document["branches"]) == ["loading", "unloading", "mean", "either"]
    for branch in document["branches"].values():
        assert list(branch) == ["locking_torque_Nm", "low_Nm", "high_Nm", "tested"]
        for nested in branch.values():
            assert len(nested) == sizes[0]
            assert {len(row) for row in nested} == {sizes[1]}
            assert {len(cell) for row in nested for cell in row} == {sizes[2]}


@pytest.mark.parametrize("kind", SCHEMAS)
def test_schemas_are_schemas(kind: str) -> None:
    """Every published schema is valid against the meta-schema that it names."""
    made = schema(kind)
    checker = jsonschema.validators.validator_for(made, default=None)
    assert checker is jsonschema.Draft202012Validator
    checker.check_schema(made)


@pytest.mark.parametrize(
    ("kind", "file"),
    [
        ("characterisation", "characterisation.json"),
        ("map", "map.json"),
        ("manifest", "result-manifest.json"),
    ],
)
def test_results_are_as_published(demo, kind: str, file: str) -> None:
    """What fit writes is valid by the schema, and a change that the schema forbids is not."""
    checker = jsonschema.Draft202012Validator(schema(kind))
    document = json.loads((demo.folder / file).read_text(encoding="utf-8"))
    checker.validate(document)
    assert not checker.is_valid({**document, "format": "diffbench-other/1"})
    lacking = "files" if kind == "manifest" else "unit"
    assert not checker.is_valid({key: part for key, part in document.items() if key != lacking})
    assert not checker.is_valid({**document, "extra": 1})
