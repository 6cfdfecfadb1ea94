"""One build of a joint fit as a result by itself, and the folder that it is written into."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.definitions import parts_of
from diffbench.doubts import Source
from diffbench.errors import FitError
from diffbench.results.advice import next_steps
from diffbench.results.characterisation import Characterisation, Correlation, Evidence, FormState

__all__ = ["folder_names", "one_build", "shares_of"]

_UNSAFE = re.compile(r"[^\w.+=@ -]")
_LONGEST = 80
# Names that no folder can have under Windows, with whatever ending.
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{i}" for port in ("com", "lpt") for i in range(10))}
# What stands beside the folders.
_BESIDE = {"characterisation.json", "map.json", "map.csv", "report.html", "report.pdf"}


def folder_names(builds: Sequence[str]) -> list[str]:
    """A folder for each build: its name, as far as every file system can bear it, and no two alike.

    What is no letter, digit or one of ``. _ + = @ -`` becomes a low line, so that no name leads elsewhere;
    where two would then be one, were capitals and accents the same, a number follows.

    Examples
    --------
    >>> folder_names(["D07-2026-03-14", "a/b", "a:b", "../../etc", "NUL", " "])
    ['D07-2026-03-14', 'a_b', 'a_b-2', '_.._etc', '_NUL', '_']
    """
    made: list[str] = []
    taken = set(_BESIDE)
    for build in builds:
        safe = _UNSAFE.sub("_", unicodedata.normalize("NFC", build)).strip(". ")
        # a folder's name is counted in bytes
        safe = safe.encode()[:_LONGEST].decode(errors="ignore").strip(". ") or "_"
        if safe.partition(".")[0].strip().casefold() in _DEVICES:
            safe = f"_{safe}"
        name, number = safe, 1
        while _alike(name) in taken:
            number += 1
            name = f"{safe}-{number}"
        taken.add(_alike(name))
        made.append(name)
    return made


def _alike(name: str) -> str:
    """What two names have in common that one of the usual file systems takes for the same."""
    return unicodedata.normalize("NFKD", name).casefold()


def one_build(joint: Characterisation, build: str) -> Characterisation:
    """What a joint fit says of one of its builds, under the names of a fit of that build alone.

    Parameters
    ----------
    joint : Characterisation
        Of several builds; one of a single build is returned as it is.
    build : str
        Name of the build.

    Returns
    -------
    Its quantities and those that all builds share, its limits and what of it was tested; diagnostics,
    findings and provenance are those of the joint fit, on which the numbers rest. The noise of the fit is
    among the shares of the forms, so that two builds of one fit still know of each other.

    Raises
    ------
    FitError
        There is no such build.
    """
    names = [facts.build for facts in joint.builds]
    if build not in names:
        raise FitError.single(f"there is no build '{build}'", mend=f"name one of {', '.join(names)}")
    if len(names) == 1:
        return joint
    facts = joint.builds[names.index(build)]
    others = {name for name in names if name != build}

    def own(name: str) -> str | None:
        """A quantity's name in the build's own result; None for another build's."""
        quantity, whose = parts_of(name)
        if whose in others:
            return None
        return quantity if whose == build else name

    kept = {name: mine for name in joint.parameters if (mine := own(name)) is not None}
    parameters = {mine: joint.parameters[name] for name, mine in kept.items()}
    made = joint.model_copy(
        update={
            "build": build,
            "builds": [
                facts.model_copy(update={"folder": None, "date": None, "tested": None, "map_axes": None})
            ],
            "date": facts.date or joint.date,
            "parameters": parameters,
            "correlation": _of(joint.correlation, kept),
            "limits": [
                limit.model_copy(update={"quantity": mine})
                for limit in joint.limits
                if (mine := own(limit.quantity)) is not None
            ],
            "tested": facts.tested or joint.tested,
            "next_steps": next_steps(parameters, joint.law),
            "next_tests": [
                test.model_copy(update={"gains": gains})
                for test in joint.next_tests
                if (
                    gains := [
                        gain.model_copy(update={"quantity": mine})
                        for gain in test.gains
                        if (mine := own(gain.quantity)) is not None
                    ]
                )
            ],
            "forms": [_form(form, build, others) for form in joint.forms],
            "map_axes": facts.map_axes or joint.map_axes,
        }
    )
    evidence = joint.evidence
    return made if evidence is None else made.with_evidence(_cells(evidence, build))


def _of(correlation: Correlation, kept: dict[str, str]) -> Correlation:
    at = [i for i, name in enumerate(correlation.names) if name in kept]
    return Correlation(
        names=[kept[correlation.names[i]] for i in at],
        matrix=[[correlation.matrix[i][j] for j in at] for i in at],
    )


def _form(form: FormState, build: str, others: set[str]) -> FormState:
    """The unknowns of one build. One that builds share bears, in older files, the name of the first alone."""
    at: dict[str, int] = {}
    for i, name in enumerate(form.names):
        quantity, whose = parts_of(name)
        if whose in ("", build):
            at[quantity] = i
        elif whose not in others:
            at[name] = i
    quantities = [parts_of(name)[0] for name in form.names]
    for quantity in dict.fromkeys(quantities):
        if quantity not in at:
            of_others = [i for i, other in enumerate(quantities) if other == quantity]
            if len(of_others) > 1:
                raise FitError.single(
                    f"the file does not say which {quantity} build '{build}' has",
                    mend="it was written by an older version: make it again with diffbench fit",
                )
            at[quantity] = of_others[0]
    rows = list(at.values())
    covariance = np.array(form.covariance)
    return form.model_copy(
        update={
            "names": list(at),
            "logarithms": [form.logarithms[i] for i in rows],
            "values": [form.values[i] for i in rows],
            "covariance": covariance[np.ix_(rows, rows)].tolist(),
            "shares": {source: block[rows].tolist() for source, block in shares_of(form).items()},
            "discrepancy": None if form.discrepancy is None else form.discrepancy.of_unknowns(rows),
        }
    )


def shares_of(form: FormState) -> dict[str, NDArray[np.float64]]:
    """Columns (p, k) of each source of doubt; what is left of the covariance is of the noise (p, p). One
    build of a joint fit brings its own, since two of them share the noise of one fit."""
    shares = {source: np.array(columns) for source, columns in form.shares.items()}
    if Source.NOISE not in shares:
        covariance = np.array(form.covariance)
        rest = covariance - sum((block @ block.T for block in shares.values()), np.zeros_like(covariance))
        values, vectors = np.linalg.eigh((rest + rest.T) / 2.0)  # symmetric but for rounding
        shares[Source.NOISE] = np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
    return shares


def _cells(evidence: Evidence, build: str) -> Evidence:
    """The cells of the runs of one build."""
    runs = [i for i, name in enumerate(evidence.run_builds) if name == build]
    if not runs:
        return evidence
    here = np.isin(evidence.run, runs)
    cut = {
        field.name: getattr(evidence, field.name)[here]
        for field in fields(evidence)
        if isinstance(getattr(evidence, field.name), np.ndarray)
    }
    return replace(
        evidence,
        **{**cut, "run": np.searchsorted(runs, evidence.run[here]).astype(np.int64)},
        run_names=tuple(evidence.run_names[i] for i in runs),
        run_kinds=tuple(evidence.run_kinds[i] for i in runs),
        run_builds=tuple(evidence.run_builds[i] for i in runs),
    )
