"""A map that shows what was measured, 3 % above its law, or is of packs that differ: copies of the law say
that they are the law, and of what."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

from diffbench.exports import Differential, export_map
from diffbench.physics.steady import steady_locking_torque
from diffbench.results import FittedLaw, LockingMap, MapDocument, load_map

SAID = "This is the law alone. The map shows the locking torque as measured, which is up to 2.9 % apart"


@pytest.mark.parametrize("to", ["c-law", "modelica-law"])
def test_the_law_says_that_it_is_alone(
    to: str, measured: LockingMap, additive: LockingMap, tmp_path: Path
) -> None:
    """And nothing of that where the map is the law."""
    for held, said in ((measured, True), (additive, False)):
        text = "".join(p.read_text(encoding="utf-8") for p in export_map(held, to, tmp_path / "q17"))
        assert (SAID in text) == said


def test_fewer_nodes_keep_the_law_beside(measured: LockingMap, tmp_path: Path) -> None:
    """At its own nodes it is what the whole map has."""
    (path,) = export_map(measured, "json", tmp_path / "small.json", nodes=(5, 3, 2))
    fewer = load_map(path)
    place = np.meshgrid(*fewer.axes, indexing="ij")
    np.testing.assert_array_equal(
        fewer.by_the_law(*place, branch="loading"), measured.by_the_law(*place, branch="loading")
    )


@pytest.fixture(scope="module")
def differing(additive: LockingMap) -> LockingMap:
    """Of packs whose friction is 8 % either side; at no input torque the difference alone loads the ramps."""
    content = additive.document.model_dump(mode="json")
    law = content["fitted_law"]
    for name in ("packs_apart_preload", "packs_apart_ramps"):
        law["names"].append(name)
        law["units"].append("1")
        law["values"].append(0.08)
    law["covariance"] = np.pad(law["covariance"], (0, 2)).tolist()
    unit, place = FittedLaw.model_validate(law).unit_quantities(), np.meshgrid(*additive.axes, indexing="ij")
    for name in ("loading", "unloading", "mean"):
        table = steady_locking_torque(unit, *place, name)
        content["branches"][name]["locking_torque_Nm"] = table.tolist()
        content["branches"][name]["low_Nm"] = (0.96 * table).tolist()
        content["branches"][name]["high_Nm"] = (1.06 * table).tolist()
    return LockingMap(MapDocument.model_validate(content))


@pytest.mark.parametrize("to", ["c-law", "modelica-law", "fmi2", "fmi3"])
def test_the_law_says_that_it_is_of_the_mean_of_both_packs(
    to: str, differing: LockingMap, additive: LockingMap, tmp_path: Path
) -> None:
    """And that its host's limits are still those of the law; nothing of it where packs are alike."""
    for number, held in enumerate((differing, additive)):
        (tmp_path / str(number)).mkdir()
        paths = export_map(held, to, tmp_path / str(number) / "q17")
        text = "".join(text_of(path) for path in paths).replace("\n * ", " ").replace("\n  // ", " ")
        assert ("This law is of the mean of both packs" in text) == (number == 0)
        assert "the locking torque as measured" not in text


def text_of(path: Path) -> str:
    if not zipfile.is_zipfile(path):
        return path.read_text(encoding="utf-8")
    with zipfile.ZipFile(path) as archive:
        return archive.read("modelDescription.xml").decode("utf-8")


def test_so_does_it_in_a_loop(differing: LockingMap, additive: LockingMap) -> None:
    """With how far that is: by hand, at reference friction and no input torque P / (1 - f K) each way, on
    drive and on coast ramps; elsewhere some more or less."""
    assert Differential(additive).said == ()
    (said,) = Differential(differing).said
    law = differing.document.fitted_law
    assert law is not None
    biases = (law.value(f"ramp_bias_{flank}_loading") for flank in ("drive", "coast"))
    by_hand = 50.0 * sum(1.0 / (1.0 - 0.08 * bias) - 1.0 for bias in biases)
    found = float(said.split("is up to ")[1].split(" %")[0])
    assert by_hand < found < 2.0 * by_hand
