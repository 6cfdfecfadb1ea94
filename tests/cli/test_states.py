"""The recordings of the repository in one history: every command says the same of them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from edited import edited

from diffbench import Characterisation, fit
from diffbench.cli import main

REFITS = tuple(f"repeats/run-refit-{i}.toml" for i in (1, 2, 3, 4))


@pytest.fixture(scope="module")
def results(
    repository: Path, once: Callable[..., Path], fitted: Callable[..., Characterisation], demo: Any
) -> list[Path]:
    """Results of the demo, of the same unit worn, and of four refits of it."""

    def make(folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        worn = fitted("worn", lambda: fit([repository / "fixtures" / "demo" / "worn" / "run.toml"]))
        (folder / "demo-worn-run.json").write_text(worn.to_json(), encoding="utf-8")
        for sheet in REFITS:
            result = fit(repository / "fixtures" / sheet)
            name = sheet.replace("/", "-").replace(".toml", ".json")
            (folder / name).write_text(result.to_json(), encoding="utf-8")

    folder = once("states", make)
    return [demo.folder / "characterisation.json", *sorted(folder.glob("*.json"))]


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.mark.parametrize("order", [(0, 1, 2, 3, 4, 5), (1, 0, 5, 4, 3, 2), (5, 3, 1, 0, 2, 4)])
def test_the_worn_unit_among_its_good_records(
    results: list[Path], tmp_path: Path, order: tuple[int, ...]
) -> None:
    """Five records of the unit fresh from its rebuild and one after a season, filed in any order: out of
    limits, by the spring, and to the shim; exit status 1 of every command."""
    store = tmp_path / "history.sqlite"
    for i in order:
        assert run("history", "add", results[i], "--store", store).exit_code == 0
    listed, followed = (
        run(*words, "--store", store, "--json") for words in (("history", "list"), ("trend", "Q17"))
    )
    worn = next(path for path in results if "worn" in path.name)
    rest = [path for path in results if path != worn]
    also = [word for path in rest[1:] for word in ("--also-before", path)]
    compared = run("compare", rest[0], worn, *also, "--json")
    assert (listed.exit_code, followed.exit_code, compared.exit_code) == (1, 1, 1)
    state = json.loads(listed.stdout)["states"]["Q17"]
    assert json.loads(followed.stdout)["state"] == state == json.loads(compared.stdout)["state"]
    assert (state["state"], state["reasons"][0]["part"]) == ("out-of-limits", "spring")
    step = state["next_step"]
    assert (step["kind"], step["shim"]["shim_now_m"]) == ("fit-shim", 0.2e-3)
    assert step["shim"]["shim_m"] == pytest.approx(0.4e-3)
    assert "stored-force" in step["cautions"]
    paged = run("history", "pages", "--out", tmp_path / "pages", "--store", store, "--json")
    assert (paged.exit_code, json.loads(paged.stdout)["states"]["Q17"]) == (1, state)
    turned = run(
        "compare", worn, rest[0], *[word for path in rest[1:] for word in ("--also-after", path)], "--json"
    )
    assert (turned.exit_code, json.loads(turned.stdout)["state"]) == (1, state)
    # each in the terminal, by the same words
    for words in (
        ("trend", "Q17", "--store", store), ("compare", rest[0], worn, *also), ("conformity", worn),
    ):  # fmt: skip
        assert "\nOUT OF LIMITS  " in run(*words).stdout
    both = json.loads(run("advise", *rest, worn, "--target", "80 N.m", "--json").stdout)
    assert both["advised"]["shim_m"] == pytest.approx(step["shim"]["shim_m"])
    # shims that there are, told to any of them, are what it chooses from
    have = ("--stock", "0.33 mm, 0.43 mm", "--json")
    for words in (
        ("history", "list", "--store", store),
        ("trend", "Q17", "--store", store),
        ("conformity", worn),
    ):
        found = json.loads(run(*words, *have).stdout)
        chosen = found["states"]["Q17"] if "states" in found else found["state"]
        assert chosen["next_step"]["shim"]["shim_m"] == pytest.approx(0.43e-3)
    taken = json.loads(run("advise", worn, "--target", "80 N.m", *have).stdout)["advised"]
    assert taken["shim_m"] == pytest.approx(0.43e-3)
    assert run("conformity", worn, "--stock", "three").exit_code == 2
    assert "Unit Q17: out of limits" in run("history", "list", "--store", store).stdout
    alone = run("conformity", worn, "--json")
    assert (alone.exit_code, json.loads(alone.stdout)["state"]["state"]) == (1, "out-of-limits")
    # asked for the same preload, advice names the same shim: the springs press as the bench found
    wanted = f"{step['shim']['preload_torque_Nm']:.3f} N.m"
    advised = json.loads(run("advise", worn, "--target", wanted, "--json").stdout)["advised"]
    assert advised["shim_m"] == pytest.approx(step["shim"]["shim_m"])
    assert advised["preload_torque_Nm"] == pytest.approx(step["shim"]["preload_torque_Nm"], rel=1e-6)


def test_a_folder_of_run_sheets_says_the_same(results: list[Path], repository: Path, tmp_path: Path) -> None:
    """`fit-all` of the worn unit, in its JSON, table and exit status; `show` says it too."""
    worn, out = next(path for path in results if "worn" in path.name), tmp_path / "fleet"
    told = run("fit-all", repository / "fixtures" / "demo" / "worn", "--out", out, "--json")
    (row,) = json.loads(told.stdout)
    (line,) = csv.DictReader((out / "overview.csv").read_text(encoding="utf-8").splitlines())
    alone = run("conformity", worn, "--json")
    state = json.loads(alone.stdout)["state"]["state"]
    assert (told.exit_code, row["state"], line["state"]) == (alone.exit_code, state, state)
    assert (told.exit_code, state) == (1, "out-of-limits")
    assert "\nOUT OF LIMITS  " in run("show", worn).stdout


def test_stock_of_the_build_sheet_reaches_the_result(hand_visit: Path) -> None:
    """Shims and rings, as the workshop wrote them."""
    (sheet,) = (path for path in hand_visit.parent.glob("*.toml") if "diffbench-build" in path.read_text())
    text = sheet.read_text(encoding="utf-8")
    text = edited(text, "[preload]\n", '[preload]\nshims_in_stock = ["0.1 mm", "0.43 mm"]\n')
    text = edited(text, "[ramps]\n", '[ramps]\nrings_in_stock = [["30 deg", "57 deg"]]\n')
    sheet.write_text(text, encoding="utf-8")
    told = json.loads(run("fit", hand_visit, "--json").stdout)
    assert told["builds"][0]["shims_in_stock_m"] == pytest.approx([0.1e-3, 0.43e-3])
    assert told["builds"][0]["rings_in_stock_deg"] == [pytest.approx([30.0, 57.0])]


def test_the_fresh_unit_is_good(results: list[Path], tmp_path: Path) -> None:
    """The same without the worn record."""
    store = tmp_path / "history.sqlite"
    for path in results:
        if "worn" not in path.name:
            run("history", "add", path, "--store", store)
    listed = run("history", "list", "--store", store, "--json")
    state = json.loads(listed.stdout)["states"]["Q17"]
    assert (listed.exit_code, state["state"], state["next_step"]["kind"]) == (0, "good", "nothing")
