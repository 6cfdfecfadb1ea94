"""Commands of the workshop: conformity, compare, repeatability, advise; their statuses, JSON and refusals."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result
from edited import edited

from diffbench import Characterisation

Run = Callable[..., Result]


def weakened(result: Characterisation, share: float, digest: str) -> Characterisation:
    """The same unit later, with a share of its preload, from another recording."""
    form = result.forms[0]
    i = form.names.index("preload_torque")
    values = list(form.values)
    values[i] *= share
    old = result.parameters["preload_torque"]
    assert old.value is not None
    assert old.u is not None
    new = old.model_copy(
        update={
            "value": share * old.value,
            "low": share * old.value - 2.0 * old.u,
            "high": share * old.value + 2.0 * old.u,
        }
    )
    inputs = {p: (digest if p.endswith("sweep.csv") else d) for p, d in result.provenance.inputs.items()}
    return result.model_copy(
        update={
            "forms": [form.model_copy(update={"values": values})],
            "parameters": {**result.parameters, "preload_torque": new},
            "provenance": result.provenance.model_copy(update={"inputs": inputs}),
        }
    )


@pytest.fixture
def later(demo, tmp_path: Path) -> Path:
    """The demo after it has lost a quarter of its preload."""
    path = tmp_path / "later.json"
    path.write_text(weakened(demo.characterisation, 0.75, "1" * 64).to_json(), encoding="utf-8")
    return path


def test_conformity(demo, later: Path, run: Run) -> None:
    """Guard bands in the terminal and in JSON; status 1 for a limit that is proven to be broken."""
    good = run("conformity", demo.folder)
    assert good.exit_code == 0
    assert good.stdout.splitlines()[1].startswith("GOOD  ")
    assert "By ISO 14253-1: conforming over all." in good.stdout
    assert "guard band" in good.stdout
    bad = run("conformity", later, "--json")
    assert bad.exit_code == 1
    document = json.loads(bad.stdout)
    limit = document["limits"][0]
    assert document["outcome"] == limit["outcome"] == "not conforming"
    assert limit["accept_low"] == pytest.approx(limit["low"] + limit["guard_low"])
    assert limit["reject_below"] == pytest.approx(limit["low"] - limit["guard_high"])


def test_compare(demo, later: Path, run: Run, tmp_path: Path) -> None:
    """Unchanged against itself; worn after a quarter of the preload is gone, with its files."""
    same = run("compare", demo.folder, demo.folder)
    assert same.exit_code == 0
    assert same.stdout.splitlines()[1].startswith("GOOD  ")
    out = tmp_path / "out"
    worn = run("compare", demo.folder, later, "--out", out)
    assert worn.exit_code == 1
    # of one day and one distance, a quarter of the preload apart: nothing was driven in between
    assert worn.stdout.splitlines()[1].startswith("RECORDS CONTRADICT  ")
    document = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    assert document["verdict"] == "worn"
    assert document["changes"]["preload_torque"]["change"] == pytest.approx(-0.25)
    assert (out / "difference.csv").read_text(encoding="utf-8").startswith("input_torque_Nm,")
    printed = run("compare", demo.folder, later, "--json")
    assert json.loads(printed.stdout)["verdict"] == "worn"


def fitted_together(result: Characterisation) -> Characterisation:
    """The same as a fit of two builds, K04-spring and K04-shim, each with a preload of its own."""
    (facts,), form = result.builds, result.forms[0]
    known = dict(result.parameters)
    one = known.pop("preload_torque")
    known |= {f"preload_torque[{name}]": one for name in ("K04-spring", "K04-shim")}
    (place,) = (i for i, name in enumerate(form.names) if name == "preload_torque")
    names = [f"{name}[K04-spring]" if name == "preload_torque" else name for name in form.names]
    order = [*range(len(names)), place]
    changed = {
        "names": [*names, "preload_torque[K04-shim]"],
        "logarithms": [form.logarithms[i] for i in order],
        "values": [form.values[i] for i in order],
        "covariance": np.diag(np.diag(np.array(form.covariance))[order]).tolist(),
    }
    return result.model_copy(
        update={
            "build": "K04-spring, K04-shim",
            "builds": [facts.model_copy(update={"build": name}) for name in ("K04-spring", "K04-shim")],
            "parameters": type(result.parameters)(known),
            "forms": [form.model_copy(update=changed)],
        }
    )


@pytest.mark.parametrize(
    ("words", "what", "mend"),
    [
        ((), "it is not said which is meant", "or the build with --build-before."),
        (("--build-before", "K04-shim"), "it is not said which is meant", "or the build with --build-after."),
        (
            ("--build-before", "K04"),
            "there is no build 'K04'",
            "name one of K04-spring, K04-shim with --build-before.",
        ),
    ],
)
def test_compare_says_with_which_option_a_build_is_named(
    words: tuple[str, ...],
    what: str,
    mend: str,
    made_by_hand: Characterisation,
    run: Run,
    tmp_path: Path,
) -> None:
    """Of several that were fitted together, for the one state or the other."""
    path = tmp_path / "joint.json"
    path.write_text(fitted_together(made_by_hand).to_json(), encoding="utf-8")
    refused = run("compare", path, path, *words)
    assert refused.exit_code == 2
    said = " ".join(refused.stderr.split())
    assert f"{path}: " in said
    assert what in said
    assert said.endswith(mend)


def test_repeatability(demo, run: Run, tmp_path: Path) -> None:
    """Three refits that scatter: the table for the rig stands at the end."""
    paths = []
    for i, share in enumerate((0.98, 1.0, 1.03)):
        paths.append(tmp_path / f"{i}.json")
        text = weakened(demo.characterisation, share, f"{i}" * 64).to_json()
        other = Characterisation.model_validate_json(edited(text, "speed-sweep.csv", f"speed-{i}.csv"))
        paths[-1].write_text(other.to_json(), encoding="utf-8")
    shown = run("repeatability", *paths)
    assert shown.exit_code == 0, shown.output
    assert shown.stdout.splitlines()[-3].startswith("[repeatability]")
    document = json.loads(run("repeatability", *paths, "--json").stdout)
    expected = np.std([0.98, 1.0, 1.03], ddof=1) / np.mean([0.98, 1.0, 1.03])
    assert document["rig"]["preload_torque"] == pytest.approx(expected)


def test_advise(demo, run: Run) -> None:
    """One build with springs and a stated force is enough; units as people write them."""
    shown = run("advise", demo.folder, "--target", "59 lbf.ft", "--step", "100 um")
    assert shown.exit_code == 0, shown.output
    assert "take a shim of 0.2 mm" in " ".join(shown.stdout.split())
    document = json.loads(run("advise", demo.folder, "--target", "80", "--json").stdout)
    assert document["target_Nm"] == 80.0
    assert document["limits_Nm"] == [70.0, 90.0]
    tight = run("advise", demo.folder, "--target", "88", "--limits", "86 N.m:90 N.m", "--json")
    assert json.loads(tight.stdout)["advised"]["shim_m"] > 0.2e-3


def test_refusals(demo, refused: Callable[..., list[str]], run: Run, tmp_path: Path) -> None:
    """What cannot be is told with file and mend, and status 2."""
    assert "no-such" in refused("compare", demo.folder, tmp_path / "no-such")[0]
    assert "neither a characterisation.json nor a run sheet" in refused("repeatability", tmp_path)[0]
    assert "two visits" in refused("repeatability", demo.folder)[0]
    assert "not within reach" in refused("advise", demo.folder, "--target", "900 N.m")[0]
    assert "no build 'X'" in refused("compare", demo.folder, demo.folder, "--build-after", "X")[0]
    bad = run("advise", demo.folder, "--target", "80 furlongs")
    assert bad.exit_code == 2
    assert "--target" in bad.stderr
