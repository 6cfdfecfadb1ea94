"""One sheet in every format gives one characterisation: the readers hand on the same numbers to the bit, and
so does all that comes after them.

`every_format.py` fits the whole demo from every format; here a short sweep is conditioned from every format,
and fitted from three whose readers have least in common.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edited import edited

sys.path.insert(0, str(Path(__file__).parent))

from every_format import AGREES, apart, in_format, numbers_of
from writers import FORMATS, Format

from diffbench import Characterisation
from diffbench.conditioning import ConditionedRun, ConditionedVisit
from diffbench.documents import load_visit
from diffbench.fitting import condition_visit, fit

FITTED = ("parquet", "tdms", "mdf")


@pytest.fixture(scope="module")
def sheet(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four cycles of a committed sweep, every other sample, its law stated: a cheap fit."""
    folder = tmp_path_factory.mktemp("short")
    source = repository / "fixtures" / "shims"
    for paper in ("twin-flange-cell.toml", "build-shim-0.2mm.toml", "run-shim-0.2mm.toml"):
        text = (source / paper).read_text(encoding="utf-8")
        text = edited(text, '"undecided"', '"additive"') if paper.startswith("build") else text
        (folder / paper).write_text(text, encoding="utf-8")
    head, *rows = (source / "shim-0.2mm.csv").read_text(encoding="utf-8").splitlines()
    (folder / "shim-0.2mm.csv").write_text("\n".join([head, *rows[:3200:2]]) + "\n", encoding="utf-8")
    return folder / "run-shim-0.2mm.toml"


@pytest.fixture(scope="module")
def written(sheet: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[Format], Path]:
    """Return a function that writes the visit in a format."""
    folder = tmp_path_factory.mktemp("formats")
    made: dict[str, Path] = {}

    def write(form: Format) -> Path:
        if form.name not in made:
            made[form.name] = in_format(sheet, folder / form.name, form)
        return made[form.name]

    return write


def conditioned(sheet: Path) -> ConditionedVisit:
    """The visit up to the door of the fit."""
    (visit,), _ = condition_visit(load_visit(sheet), lambda text: None)
    return visit


@pytest.fixture(scope="module")
def expected(sheet: Path) -> ConditionedRun:
    (run,) = conditioned(sheet).runs
    return run


def arrays_of(thing: Any, name: str = "") -> dict[str, np.ndarray]:
    """Every array in a conditioned run, by its path."""
    if isinstance(thing, np.ndarray):
        return {name: thing}
    if isinstance(thing, dict):
        parts = [(f"{name}[{str(key).rpartition(':')[2]}]", value) for key, value in thing.items()]
    elif hasattr(thing, "__dataclass_fields__"):
        parts = [(f"{name}.{field.name}", getattr(thing, field.name)) for field in fields(thing)]
    else:
        return {}
    return {path: array for part, value in parts for path, array in arrays_of(value, part).items()}


def test_every_format_is_conditioned_to_the_same_bits(
    file_format: Format, written: Callable[[Format], Path], expected: ConditionedRun
) -> None:
    """Cells, effects of the bench's constants, history, heat: nothing that the fit sees differs."""
    visit = conditioned(written(file_format))
    (run,) = visit.runs
    ours, theirs = arrays_of(run), arrays_of(expected)
    assert len(theirs) > 20
    assert ours.keys() == theirs.keys()
    for path, array in theirs.items():
        assert np.array_equal(ours[path], array, equal_nan=array.dtype.kind == "f"), path
    assert (run.dropped, run.samples, run.noise) == (expected.dropped, expected.samples, expected.noise)


@pytest.fixture(scope="module")
def reference(sheet: Path) -> Characterisation:
    return fit(sheet)


@pytest.mark.parametrize("name", FITTED)
def test_a_format_gives_the_characterisation_of_the_text(
    name: str, written: Callable[[Format], Path], reference: Characterisation
) -> None:
    (form,) = (form for form in FORMATS if form.name == name)
    result = fit(written(form))
    assert len(numbers_of(reference)) > 50
    assert apart(reference, result) <= AGREES
    assert [f.name for f in result.findings] == [f.name for f in reference.findings]


def test_a_difference_would_show(reference: Characterisation) -> None:
    """A millionth of a per cent in one budget is seen."""
    item = reference.parameters["preload_torque"]
    source, share = next(iter(item.budget.items()))
    moved = item.model_copy(update={"budget": {**item.budget, source: share * (1.0 + 1e-8)}})
    other = reference.model_copy(update={"parameters": {**reference.parameters, "preload_torque": moved}})
    assert apart(reference, other) == pytest.approx(1e-8, rel=1e-3)
