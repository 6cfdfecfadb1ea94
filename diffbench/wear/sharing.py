"""What two results have in common: which error is one and the same, decided by provenance."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from diffbench.documents import Build, load_build
from diffbench.errors import DiffbenchError
from diffbench.input_files import PAPER, content_of
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.results.characterisation import BuildFacts, Characterisation, SpringFacts
from diffbench.results.predict import of_one

# Errors by what they belong to: the bench for good, the unit for good; everything else to its visit.
OF_THE_BENCH = (
    "transducer gain",
    "lag",
    "inertia",
    "final drive",
    "bearing and seal drag",
    "temperature reading",
)
OF_THE_UNIT = ("gear friction (build sheet)", "plate heat capacity (build sheet)")
REPEATABILITY = "bench repeatability"


@dataclass(frozen=True)
class Member:
    """One characterisation of a comparison, of one build: which bench, unit and visit its errors belong to.

    ``bench``, ``unit_key`` and ``visit`` are keys: an error is the same in two members where the key that
    it goes by is. ``sheet`` is the build sheet where it can still be read, as it was when the fit read it:
    for what a characterisation of an older version does not have of it.
    """

    characterisation: Characterisation
    bench: str
    unit_key: str
    visit: str
    sheet: Build | None

    @property
    def facts(self) -> BuildFacts:
        """What the characterisation has of the build sheet."""
        return self.characterisation.builds[0]

    @property
    def springs(self) -> SpringFacts | None:
        """Disc springs of the build."""
        return self.facts.disc_spring or (None if self.sheet is None else SpringFacts.of(self.sheet))

    @property
    def shim(self) -> float | None:
        """Shim of the build [m]."""
        stated = None if self.sheet is None else self.sheet.preload.shim
        return self.facts.shim_m if stated is None or self.facts.shim_m is not None else stated.value

    @property
    def face_wear_limit(self) -> float | None:
        """The most that a face may wear [m]."""
        told = self.facts.face_wear_limit_m
        return told if told is not None or self.sheet is None else self.sheet.limits.face_wear

    def scope(self, source: str) -> str:
        """Key of a source of doubt: where it is equal in two members, its error is one."""
        if source in OF_THE_BENCH:
            return f"bench {self.bench}"
        if source in OF_THE_UNIT:
            return f"unit {self.unit_key}"
        return f"visit {self.visit}"


def member(
    characterisation: Characterisation,
    *,
    build: str | None = None,
    folder: Path | None = None,
    bench: str | None = None,
) -> Member:
    """Read off a characterisation's provenance what its errors belong to.

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    build : str or None
        Which build of a joint fit; may be left out where there is only one.
    folder : Path or None
        Folder of the document, in which papers are looked for too.
    bench : str or None
        A name that is the caller's word on which bench it was, over the digest of the rig file.

    Returns
    -------
    The member.

    Raises
    ------
    DiffbenchError
        There is no build of that name, or there are several and none is named.
    """
    one = of_one(characterisation, build)
    name = one.builds[0].build
    inputs = characterisation.provenance.inputs
    visits = set(characterisation.provenance.visits)
    papers = {p: d for p, d in inputs.items() if p.endswith(".toml") and p not in visits}
    recordings = sorted(d for p, d in inputs.items() if p not in visits and p not in papers)
    rigs, sheet = _papers(papers, name, folder)
    if bench is None:
        # a paper that cannot be read again may be a rig: all of them together are then the key
        bench = " ".join(sorted(set(rigs or papers.values())))
    digest = hashlib.sha256(" ".join(recordings).encode()).hexdigest()
    return Member(
        one,
        bench,
        _unit_key(one),
        digest if recordings else "?",
        sheet,
    )


def shared_text(members: Sequence[Member], before: int) -> list[str]:
    """In words, what the members before and after have in common and what that does.

    ``before`` of the members are of the earlier state.
    """
    one, other = members[:before], members[before:]

    def common(key: str) -> bool:
        return {getattr(m, key) for m in one} == {getattr(m, key) for m in other} and (
            len({getattr(m, key) for m in members}) == 1
        )

    lines = []
    if {m.visit for m in one} & {m.visit for m in other}:
        lines.append("the same recordings: noise, zero and refit are one in both and cancel")
    if common("bench"):
        lines.append(
            "the same rig file, to the byte: gains, lags, inertias and temperature reading of its channels "
            "count as one error in both, which cancels as far as both results feel it alike"
        )
    else:
        lines.append("not the same rig file: errors of the transducers count as independent")
    if common("unit_key"):
        lines.append("one unit with equal statements on its gears: gear friction counts as one error in both")
    else:
        lines.append("another unit or other statements on its gears: gear friction counts as independent")
    return lines


def _unit_key(characterisation: Characterisation) -> str:
    """Unit and what its sheet says of the gears, as the fit took it."""
    form = characterisation.forms[0]
    facts = characterisation.builds[0]
    share = form.shares.get(OF_THE_UNIT[0])
    if share is None or "gear_friction" not in form.names:
        return f"{facts.unit} {facts.build}"
    i = form.names.index("gear_friction")
    if not PRELOAD_LAWS[form.law].linear:
        # searched there, so that its value is not the sheet's
        return f"{facts.unit} {facts.build}"
    return f"{facts.unit} {form.values[i]!r} {max(abs(c) for c in share[i])!r}"


def _papers(papers: dict[str, str], build: str, folder: Path | None) -> tuple[list[str], Build | None]:
    """Digests of the papers that are rigs, and the build sheet; of those that still are as they were."""
    rigs: list[str] = []
    sheet: Build | None = None
    unread = False
    for path, digest in papers.items():
        places = [Path(path)]
        if folder is not None:
            places += [
                folder / path,
                folder / Path(path).name,
                folder.parent / path,
                folder.parent / Path(path).name,
            ]
        found = next((place for place in places if _digest(place) == digest), None)
        if found is None:
            unread = True
            continue
        try:
            kind = str(tomllib.loads(content_of(found, most=PAPER).decode("utf-8-sig")).get("format", ""))
        except (DiffbenchError, OSError, ValueError, RecursionError):
            unread = True
            continue
        if kind.startswith("diffbench-rig/"):
            rigs.append(digest)
        elif kind.startswith("diffbench-build/"):
            try:
                loaded = load_build(found)
            except DiffbenchError:
                unread = True
                continue
            if loaded.build == build:
                sheet = loaded
    return ([] if unread and not rigs else rigs), sheet


def _digest(path: Path) -> str | None:
    try:
        return hashlib.sha256(content_of(path, most=PAPER)).hexdigest()
    except (DiffbenchError, OSError):
        return None
