"""Several builds fitted together: a set of results for each, beside what they share."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from edited import edited

from diffbench import fit
from diffbench.answers import compare, member
from diffbench.cli import main
from diffbench.errors import DocumentError, FitError
from diffbench.history import open_history
from diffbench.results import Characterisation, load_characterisation, load_map, map_on
from diffbench.results.manifest import folder_names
from diffbench.trend import trend_of

FIXTURES = Path(__file__).parents[2] / "fixtures"
SET = {"characterisation.json", "map.json", "map.csv", "report.html"}
AXES = (np.array([-200.0, 0.0, 300.0]), np.array([1.0, 4.0]), np.array([40.0, 60.0]))


def test_folders_are_safe_and_no_two_alike() -> None:
    """No name leads elsewhere, stands for a device, is hidden, is too long, or takes another's place where
    capitals and accents are the same."""
    builds = [
        "Q17",
        "../Q17",
        "/etc",
        "a/b",
        "a\\b",
        "nul",
        "CON.txt",
        "..",
        "",
        "q17",
        "x" * 300,
        "report.html",
    ]
    builds += ["Käfer", "Ka\u0308fer", ".diffbench-1", "a\nb", "ü" * 100]
    made = folder_names(builds)
    assert made[0] == "Q17"
    assert len({name.casefold() for name in made}) == len(builds)
    for name in made:
        assert name == Path(name).name
        assert not name.startswith(".")
        assert not name.endswith((".", " "))
        assert 0 < len(name.encode()) <= 84
        assert not set(name) & set('/\\:*?"<>|\n\0')
        assert name not in SET
        assert name.partition(".")[0].lower() not in {"nul", "con"}


class TestOneBuild:
    def test_it_bears_the_names_of_a_fit_of_one(self, shims: Characterisation) -> None:
        """Its own quantities without brackets, the shared ones, none of another's; values as in the whole."""
        own = shims.of_build("Q17-shim-2")
        assert (own.build, [facts.build for facts in own.builds]) == ("Q17-shim-2", ["Q17-shim-2"])
        assert not [name for name in own.parameters if "Q17-shim" in name]
        for name in ("preload_torque", "ramp_bias_coast_loading", "spring_force"):
            assert own.parameters[name] == shims.parameters[f"{name}[Q17-shim-2]"]
        assert own.parameters["friction_coefficient"] == shims.parameters["friction_coefficient"]
        assert [limit.quantity for limit in own.limits] == ["preload_torque"]
        assert set(own.correlation.names) <= set(own.parameters)
        assert np.shape(own.correlation.matrix) == (len(own.correlation.names),) * 2
        for form in own.forms:
            assert not [name for name in form.names if "[" in name]
            blocks = [np.array(block) for block in form.shares.values()]
            np.testing.assert_allclose(sum(b @ b.T for b in blocks), form.covariance, rtol=1e-6, atol=1e-12)
        assert own.evidence is not None
        assert own.evidence.run_names == (shims.evidence.run_names[2],)  # type: ignore[union-attr]
        assert set(own.evidence.run.tolist()) == {0}

    def test_the_map_is_that_of_the_build(self, shims: Characterisation) -> None:
        """The preload alone at no input torque and the reference condition, for every build."""
        for facts in shims.builds:
            made = map_on(shims.of_build(facts.build), AXES)
            at_rest = made.values["loading"][1, 1, 1]
            drag = 4.0 * shims.value("viscous_coefficient")
            assert at_rest == pytest.approx(shims.value(f"preload_torque[{facts.build}]") + drag, rel=1e-3)
            whole = map_on(shims, AXES, build=facts.build)
            np.testing.assert_allclose(made.values["mean"], whole.values["mean"])

    def test_a_comparison_knows_that_both_are_of_one_fit(self, shims: Characterisation) -> None:
        """By two results of one build each as by the whole: errors in common cancel in both ways."""
        names = ("Q17-shim-1", "Q17-shim-3")
        whole = compare(*(member(shims, build=name) for name in names), details=False)
        apart = compare(*(shims.of_build(name) for name in names), details=False)
        for name, change in whole.changes.items():
            assert apart.changes[name].change == pytest.approx(change.change, rel=1e-9, abs=1e-12)
            assert apart.changes[name].u == pytest.approx(change.u, rel=1e-6, abs=1e-9)

    def test_which_build_is_never_guessed(self, shims: Characterisation) -> None:
        """The first one is not taken for all where none is named."""
        for ask in (lambda: map_on(shims, AXES), lambda: compare(shims, shims, details=False)):
            with pytest.raises(FitError, match="it is not said which is meant"):
                ask()

    def test_no_such_build(self, shims: Characterisation) -> None:
        with pytest.raises(FitError, match="there is no build 'X'"):
            shims.of_build("X")


def test_what_two_of_three_builds_share(tmp_path: Path) -> None:
    """Two sheets with another drive angle than the first: their common bias is found under each one's name,
    and the third build's map has it, not the first one's."""
    folder = tmp_path / "shims"
    shutil.copytree(FIXTURES / "shims", folder)
    for i in (1, 2):
        sheet = folder / f"build-shim-0.{i}mm.toml"
        text = sheet.read_text(encoding="utf-8")
        assert 'drive_angle = "42 deg"' in text
        sheet.write_text(edited(text, 'drive_angle = "42 deg"', 'drive_angle = "41.5 deg"'), encoding="utf-8")
    joint = fit([folder / f"run-shim-0.{i}mm.toml" for i in range(3)])
    biases = [joint.value(f"ramp_bias_drive_loading[Q17-shim-{i}]") for i in range(3)]
    assert biases[1] == biases[2] != biases[0]
    third = joint.of_build("Q17-shim-2")
    form = third.forms[0]
    assert form.values[form.names.index("ramp_bias_drive_loading")] == biases[2]
    whole = map_on(joint, AXES, build="Q17-shim-2")
    np.testing.assert_allclose(map_on(third, AXES).values["loading"], whole.values["loading"])
    # of a file that does not say whose it is, nothing is guessed
    cut = joint.forms[0]
    at = [i for i, name in enumerate(cut.names) if "[Q17-shim-2]" not in name or "preload" in name]
    older = cut.model_copy(
        update={
            "names": [cut.names[i] for i in at],
            "values": [cut.values[i] for i in at],
            "logarithms": [cut.logarithms[i] for i in at],
            "covariance": np.array(cut.covariance)[np.ix_(at, at)].tolist(),
            "shares": {source: np.array(block)[at].tolist() for source, block in cut.shares.items()},
        }
    )
    with pytest.raises(FitError, match="does not say which"):
        joint.model_copy(update={"forms": [older]}).of_build("Q17-shim-2")


def test_a_set_for_each_build(tmp_path: Path) -> None:
    """Folders by the builds' names, each a whole result; no map where they stand side by side, not even one
    of an earlier result; every command that is given that folder says where the maps are. A history takes
    both builds of one fit."""
    out = tmp_path / "ladder"
    out.mkdir()
    (out / "map.json").write_text("of an earlier result", encoding="utf-8")
    sheets = [str(FIXTURES / "shims" / f"run-shim-0.{i}mm.toml") for i in (1, 2)]
    ran = CliRunner().invoke(main, ["fit", *sheets, "--out", str(out)])
    assert ran.exit_code == 0, ran.output
    assert {p.name for p in out.iterdir()} == {
        "characterisation.json",
        "report.html",
        "result-manifest.json",
        "Q17-shim-1",
        "Q17-shim-2",
    }
    joint = load_characterisation(out)
    assert [facts.folder for facts in joint.builds] == ["Q17-shim-1", "Q17-shim-2"]
    for facts in joint.builds:
        folder = out / str(facts.folder)
        assert {p.name for p in folder.iterdir()} == SET
        assert load_map(folder).document.build == facts.build
        own = load_characterisation(folder)
        assert own.parameters["preload_torque"] == joint.parameters[f"preload_torque[{facts.build}]"]
        assert f"Written, build {facts.build}: {folder / 'characterisation.json'}" in ran.stdout
        assert f'href="{facts.folder}/report.html"' in (out / "report.html").read_text(encoding="utf-8")
    assert f"Written, all builds together: {out / 'characterisation.json'}" in ran.stdout
    assert json.loads((out / "characterisation.json").read_bytes())["builds"][1]["folder"] == "Q17-shim-2"
    for path in (out, out / "map.json"):
        with pytest.raises(DocumentError) as caught:
            load_map(path)
        assert str(out / "Q17-shim-1") in caught.value.faults[0].mend
    history = open_history(str(tmp_path / "history.sqlite"))
    history.add([out / "Q17-shim-1", out / "Q17-shim-2"])
    for facts in joint.builds:
        assert trend_of(history, "Q17", build=facts.build).notes == ()
