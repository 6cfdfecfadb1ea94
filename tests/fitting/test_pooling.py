"""Visits are fitted together only where they may share what a joint fit makes them share."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from edited import edited

from diffbench import Characterisation, fit
from diffbench.errors import FitError
from diffbench.fitting import pooling
from diffbench.fitting.pooling import apart

FIXTURES = Path(__file__).parents[2] / "fixtures"
DISTANCE = 'distance = "1860 km"'


@pytest.fixture
def demo_with(tmp_path: Path) -> Callable[..., list[Path]]:
    """Both visits of the demo in a folder, the worn unit's sheet with texts replaced, the rig's too."""

    def made(*of_worn: tuple[str, str], rig: tuple[str, str] | None = None) -> list[Path]:
        folder = tmp_path / "demo"
        shutil.copytree(FIXTURES / "demo", folder)
        changes = [("unit-q17-worn.toml", pair) for pair in of_worn]
        changes += [] if rig is None else [("twin-flange-cell.toml", rig)]
        for name, (old, new) in changes:
            text = (folder / name).read_text(encoding="utf-8")
            assert old in text
            (folder / name).write_text(edited(text, old, new), encoding="utf-8")
        return [folder / state / "run.toml" for state in ("rebuilt", "worn")]

    return made


def refused(sheets: list[Path]) -> list[str]:
    with pytest.raises(FitError) as caught:
        fit(sheets)
    return [str(fault) for fault in caught.value.faults]


def test_a_rebuilt_and_a_worn_state_are_not_averaged(demo_with: Callable[..., list[Path]]) -> None:
    """The demo's two states: the sheets differ under one name, and so do the recordings. The simulator's
    unit has 81.8 and 66.1 N·m (2 μ n R_e F of truth.toml): both numbers are told, and what to do."""
    sheets = demo_with()
    papers, recordings = refused(sheets)
    for told in ("Q17-2026-04-13", "distance is 0 km in", "1860 km in", "name of its own", "compare"):
        assert told in papers
    for told in ("81.65 N·m in", "65.89 N·m in", *map(str, sheets), "diffbench compare", "name of its own"):
        assert told in recordings


@pytest.mark.parametrize("rig", [None, ("[repeatability]", "[repeatability]\n#")])
def test_one_sheet_does_not_make_them_one_state(
    demo_with: Callable[..., list[Path]], rig: tuple[str, str] | None
) -> None:
    """The same where both sheets say the same, and where the rig does not state what a refit moves."""
    if rig is not None:
        rig = ("[repeatability]\npreload_torque = 0.015\nramp_bias = 0.01\n", "")
    (told,) = refused(
        demo_with(
            (DISTANCE, 'distance = "0 km"'),
            ('shim = "0.2 mm"\n', 'shim = "0.2 mm"\nspring_force = { value = "1950 N", u = "60 N" }\n'),
            rig=rig,
        )
    )
    assert "81.65 N·m" in told
    assert "65.89 N·m" in told
    assert ("the rig does not say" if rig else "repeatability (1.5 %)") in told


def test_a_distance_that_differs_is_asked_about(tmp_path: Path) -> None:
    """Two refits of one build that agree, the second sheet with a distance: refused for that alone."""
    folder = tmp_path / "repeats"
    shutil.copytree(FIXTURES / "repeats", folder)
    sheet = (folder / "unit-q17.toml").read_text(encoding="utf-8")
    assert '"0 km"' in sheet
    (folder / "driven.toml").write_text(edited(sheet, '"0 km"', '"12 km"'), encoding="utf-8")
    second = folder / "run-refit-2.toml"
    second.write_text(
        edited(second.read_text(encoding="utf-8"), "unit-q17.toml", "driven.toml"), encoding="utf-8"
    )
    (told,) = refused([folder / "run-refit-1.toml", second])
    assert "distance is 0 km in" in told
    assert "12 km in" in told


def test_builds_that_state_two_of_what_they_share(tmp_path: Path) -> None:
    """One joint fit has one oil: a second statement is not left out in silence."""
    folder = tmp_path / "shims"
    shutil.copytree(FIXTURES / "shims", folder)
    sheet = folder / "build-shim-0.1mm.toml"
    text = sheet.read_text(encoding="utf-8")
    assert 'viscosity_100 = "15 mm^2/s"' in text
    sheet.write_text(edited(text, 'viscosity_100 = "15 mm^2/s"', 'viscosity_100 = "9 mm^2/s"'), "utf-8")
    (told,) = refused([folder / f"run-shim-0.{i}mm.toml" for i in range(2)])
    assert "oil.viscosity_100" in told
    assert str(sheet) in told


def test_friction_of_two_builds_must_be_one(tmp_path: Path) -> None:
    """Another build has a preload of its own, but not a friction of its own: a tenth less of all torque
    difference in one of two builds with equal ramps is told by the ramp biases."""
    folder = tmp_path / "shims"
    shutil.copytree(FIXTURES / "shims", folder)
    recording = folder / "shim-0.1mm.csv"
    header = recording.read_text(encoding="utf-8").partition("\n")[0]
    table = np.loadtxt(recording, delimiter=",", skiprows=1)
    middle, half = 0.5 * (table[:, 1] + table[:, 2]), 0.5 * (table[:, 1] - table[:, 2])
    table[:, 1], table[:, 2] = middle + 0.9 * half, middle - 0.9 * half
    np.savetxt(recording, table, "%.4f", delimiter=",", header=header, comments="", encoding="utf-8")
    told = refused([folder / f"run-shim-0.{i}mm.toml" for i in range(2)])
    assert all("ramp bias" in one for one in told)
    assert "fit them apart" in told[0]


def test_refits_and_a_ladder_of_shims_may_be_pooled(
    refits: Characterisation, shims: Characterisation
) -> None:
    """The fixtures' four refits of one build and four builds of one unit are fitted as before."""
    assert len(refits.builds) == 1
    assert len(shims.builds) == 4
    assert not {"repeatability not stated"} & {f.name for f in (*refits.findings, *shims.findings)}


def test_the_rate_of_false_alarms_is_as_stated() -> None:
    """Analytic: Q of visits that are one follows χ² whatever their own and common errors are, so a question
    with a level of 5 % refuses that many. 20,000 draws: a standard deviation of 0.15 %."""
    chance = np.random.default_rng(20_260_711)
    for count in (2, 4):
        own = 0.01 * np.arange(1.0, count + 1.0)
        common = np.array([[0.02] * count, list(0.01 * np.linspace(-1.0, 1.0, count))])
        covariance = np.diag(own**2) + common.T @ common
        draws = chance.standard_normal((20_000, count)) * own + chance.standard_normal((20_000, 2)) @ common
        chances = np.array([apart(4.4 + draw, covariance)[1] for draw in draws])
        assert np.mean(chances < 0.05) == pytest.approx(0.05, abs=0.006)
        assert np.mean(chances < 0.001) == pytest.approx(0.001, abs=0.0009)
    shares = sum(pooling.SHARES.values()) + pooling.OF_THE_REFITS
    assert shares == pytest.approx(1.0)
    assert pooling.LEVEL == 0.001


def test_what_is_common_to_all_does_not_count() -> None:
    """A gain error of 10 % that both visits share tells nothing of their difference."""
    common = np.full((2, 2), 0.01)
    assert apart(np.array([4.40, 4.42]), np.diag([1e-4, 1e-4]) + common)[0] == pytest.approx(2.0)


def test_the_joint_fit_is_asked_as_well(
    demo_with: Callable[..., list[Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no visit tells by itself, the refits that the joint fit would need do: here the first question is
    left out, and the demo's two states still are not averaged."""
    monkeypatch.setattr("diffbench.fitting.characterise.may_share", lambda visits, parts, say: [])
    sheets = demo_with()
    told = refused(sheets)
    assert "preload torque [N·m] would have to be 81" in told[0]
    assert "times what the rig says of a refit" in told[0]
    assert all(str(sheet) in told[0] for sheet in sheets)


def test_hand_readings_and_a_sweep_may_be_pooled() -> None:
    """Of one state of the demo's unit (81.9 N·m by 2 μ n R_e F of its truth.toml), the wrench on a rig that
    does not state its repeatability: fitted, and that is told."""
    found = fit([FIXTURES / "hand-readings" / "run.toml", FIXTURES / "demo" / "rebuilt" / "run.toml"])
    preload = found.parameters["preload_torque"]
    assert preload.low is not None
    assert preload.high is not None
    assert preload.low < 81.9 < preload.high
    assert "repeatability not stated" in {finding.name for finding in found.findings}


def test_a_recording_counts_once(tmp_path: Path) -> None:
    """A copy of a recording under another name is no second visit: the doubt would come out too small."""
    folder = tmp_path / "repeats"
    shutil.copytree(FIXTURES / "repeats", folder)
    shutil.copy(folder / "refit-1.csv", folder / "refit-2.csv")
    (told,) = refused([folder / f"run-refit-{i}.toml" for i in (1, 2)])
    assert "refit-2.csv holds the same recording as" in told
    assert "counted twice" in told
