"""Behaviour is tested through what users call and through each room's few public names.

A test may import what a room shows (``from diffbench.results import load_map``), modules that stand at the
top of the package, and the modules named here: those whose pure functions are tested where they live.
So what lies behind a room's names can move without a test being touched.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

# Pure functions, tested where they live: equations, parsers, and algorithms with published examples.
PURE = {
    "diffbench.physics",
    # samples in, samples out: noise, spikes and means; what slips; turns of a sweep; torque through its chain
    "diffbench.conditioning.bench",
    "diffbench.conditioning.cells",
    "diffbench.conditioning.course",
    "diffbench.conditioning.findings",  # sentences
    "diffbench.conditioning.hand",  # how readings scatter, by the GUM's example
    "diffbench.conditioning.samples",
    "diffbench.conditioning.smoothing",
    "diffbench.conditioning.wiring",  # shares and slopes that tell signs and flanks
    # columns kept for when they are asked for, a text cut into blocks, and blocks of a file that chain
    "diffbench.readers.on_demand",
    "diffbench.readers.text",
    "diffbench.readers.child",
    "diffbench.readers.mdf",
    # arrays in, findings out
    "diffbench.conditioning.checks",
    # equilibria of the arrangements, and on which line of a text a key stands
    "diffbench.documents.arrangements",
    # the models that the guide's tables of keys are made from
    "diffbench.documents.build",
    "diffbench.documents.car",
    "diffbench.documents.log",
    "diffbench.documents.rig",
    "diffbench.documents.visit",
    "diffbench.documents.faults",
    "diffbench.documents.fields",
    # from a column's name and unit to a guess
    "diffbench.inspection.channel_guesses",
    # the column that readers hand on: data without behaviour
    "diffbench.readers.protocol",
    # numbers as texts, lines of a width, names of quantities, colours
    "diffbench.report.rounding",
    "diffbench.report.style",
    "diffbench.report.terminal",
    "diffbench.cli.terminal",
    "diffbench.cli.fit_all",
    # texts of options in, numbers in SI out
    "diffbench.cli.options",
    "diffbench.cli.corner",
    "diffbench.report.wording",
    "diffbench.report.judgement",  # a state in words
    "diffbench.report.unit",  # a life in words, tables and drawings
    "diffbench.results.state",  # the vocabulary of states: data without behaviour
    # the numbers behind the figures: functions of a result and its map alone
    "diffbench.report.doubt",
    "diffbench.report.friction",
    "diffbench.report.glossary",
    "diffbench.report.messages",
    "diffbench.report.history",
    "diffbench.report.fleet",
    "diffbench.report.lap",  # answers in words, tables and drawings
    "diffbench.report.locking_torque",
    "diffbench.report.map_contours",
    "diffbench.report.trackside",
    "diffbench.report.trend",
    "diffbench.report.wanted",
    "diffbench.answers.differences",  # Holm's weighted tests, and what the tables of the normal say
    "diffbench.answers.observation",  # a record in, what is judged of it out; means and alikeness by hand
    "diffbench.answers.joint",  # sums of quantities and their covariance, by matrices of a few numbers
    "diffbench.answers.log_laps",  # channels in, where laps begin out
    "diffbench.answers.repeatability",  # ISO 5725-2 with its own examples and tables
    "diffbench.answers.shims",  # courses through rungs, against least squares and closed forms
    "diffbench.answers.wear",  # height of a stack, by EN 16984
    "diffbench.results.conformity",  # ISO 14253-1, the rule of every verdict
    "diffbench.results.manifest",  # a set of files, written and found whole
    "diffbench.results.beyond_axes",  # the rule beyond the axes, worked out by hand
    "diffbench.results.grid_lookup",  # trilinear lookup, against scipy
    # where the axes of a map may have nodes, and what its document is made of, by hand
    "diffbench.results.locking_map",
    "diffbench.results.predict",
    "diffbench.results.map_grid",  # nodes of laws by hand, and their errors by scipy
    "diffbench.trend.charts",  # the handbook's control charts
    "diffbench.answers.line",  # the handbook's straight line and its intervals
    # least squares by NIST's certified problems; covariances and intervals by textbooks' and JCGM's examples
    "diffbench.fitting.covariance",
    "diffbench.fitting.monte_carlo",
    "diffbench.fitting.noise",
    "diffbench.fitting.parameters",
    "diffbench.fitting.pooling",
    "diffbench.fitting.profile",
    "diffbench.fitting.solver",
    "diffbench.fitting.unknowns",
    "diffbench.fitting.friction_split",  # products parted into friction, angles and force, by closed forms
    # statistics of residuals, by residuals made by hand
    "diffbench.fitting.adequacy",
    "diffbench.fitting.bench_constants",
    "diffbench.fitting.departures",
    "diffbench.fitting.discrepancy",
    # numbers of one candidate, and of what its sheet states
    "diffbench.fitting.characterise",  # what is said of a fit and kept of a form: numbers in, words out
    "diffbench.fitting.choose",  # verdicts by information
    "diffbench.fitting.estimates",
    "diffbench.fitting.hand",
    "diffbench.fitting.next_test",
    "diffbench.fitting.sheet_estimates",
    "diffbench.fitting.tested",
    "diffbench.results.discrepancy",
    "diffbench.exports.hdf5_times",  # bytes in, bytes out
    "diffbench.exports.standalone_reader",  # a program of its own: the text of a map in, numbers out
}

TESTS = Path(__file__).parents[1]
FOLDERS = sorted(path.name for path in TESTS.iterdir() if path.is_dir() and any(path.rglob("*.py")))


def _behind(path: Path) -> Iterator[str]:
    """Modules behind a room's public names that a file of tests imports."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            named = [node.module]
        elif isinstance(node, ast.Import):
            named = [alias.name for alias in node.names]
        else:
            continue
        for name in named:
            deep = name.startswith("diffbench.") and name.count(".") > 1
            if deep and name not in PURE and name.rpartition(".")[0] not in PURE:
                yield f"{path.relative_to(TESTS)}:{node.lineno} {name}"


@pytest.mark.parametrize("folder", FOLDERS)
def test_nothing_behind_the_public_names_is_imported(folder: str) -> None:
    """Move 1 of a house that can be moved: tests hold on to names, not to where code lies."""
    assert not [found for path in sorted((TESTS / folder).rglob("*.py")) for found in _behind(path)]
