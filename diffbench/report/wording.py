"""What the quantities are called when people read them, in which order and unit they stand, and text made
safe to print."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from diffbench.definitions import DEFINITIONS, parts_of
from diffbench.plain_text import escaped
from diffbench.report.rounding import interval_text, number_text, with_uncertainty, with_unit
from diffbench.results.characterisation import Characterisation, FindingRecord, Parameter

LABELS = {name: definition.label for name, definition in DEFINITIONS.items()}
#: What only comparisons speak of.
CHANGE_LABELS = {
    "unloading_ratio_drive": "unloading over loading, drive",
    "unloading_ratio_coast": "unloading over loading, coast",
}

#: The numbers that a result is asked for first, in the order in which they are read.
KEY_QUANTITIES = (
    "preload_torque_as_read",
    "ramp_bias_drive_as_read",
    "ramp_bias_coast_as_read",
    "preload_torque_at_limit",
    "ramp_bias_drive_at_limit",
    "ramp_bias_coast_at_limit",
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_drive_unloading",
    "ramp_bias_coast_loading",
    "ramp_bias_coast_unloading",
    "friction_coefficient",
    "effective_ramp_angle_drive",
    "effective_ramp_angle_coast",
    "spring_force",
    "preload_per_shim",
    "locking_effect_drive",
    "torque_bias_ratio_drive",
    "locking_effect_coast",
    "torque_bias_ratio_coast",
)

# The trade gives the locking effect in per cent (SAE J2817).
IN_PER_CENT = ("locking_effect_drive", "locking_effect_coast")

# results of earlier versions say it in their meaning alone
_PLACE = re.compile(r"at (-?\d[\d.]*(?:e[+-]?\d+)?) N·m input torque")
_SHORTEST_NAME = 4
LONGEST_TEXT = 2000


@dataclass(frozen=True)
class Shown:
    """A quantity as it is read: its label and the texts of its numbers, all rounded alike.

    ``value``, ``low`` and ``high`` (the 95 % interval) are rounded, without unit; ``full`` is value ±
    standard uncertainty with unit; ``doubt`` the largest source of doubt with its share of the variance,
    ``source`` that source alone.
    """

    label: str
    value: str
    unit: str
    full: str
    low: str
    high: str
    doubt: str
    source: str
    determined: bool

    @property
    def interval(self) -> str:
        """The 95 % interval in words, empty where there is none."""
        return f"{self.low} to {self.high}" if self.low and self.high else ""


def label(name: str) -> str:
    """Name of a quantity in words; the build of a name in brackets follows in parentheses.

    >>> label("ramp_bias_drive_loading"), label("preload_torque[B2]"), label("new_thing")
    ('ramp bias, drive, loading', 'preload torque (B2)', 'new thing')
    """
    return label_of(*parts_of(name))


def label_of(stem: str, build: str = "") -> str:
    """Name of a quantity in words, the build in parentheses."""
    words = LABELS.get(stem) or CHANGE_LABELS.get(stem) or printable(stem.replace("_", " "), limit=60)
    return f"{words} ({printable(build, limit=24)})" if build else words


def shown(name: str, parameter: Parameter, *, shared: bool = False) -> Shown:
    """A parameter as it is read; where all builds share it, its label names none.

    >>> item = Parameter(value=0.58738, u=0.0051, low=0.5774, high=0.5974, unit="1", status="measured",
    ...     meaning="at -300.6 N·m input torque", budget={"bench repeatability": 0.00505, "noise": 0.0007})
    >>> shown("locking_effect_coast", item).full, shown("locking_effect_coast", item).label
    ('58.74 ± 0.51 %', 'locking effect, coast, at -301 N·m')
    >>> shown("locking_effect_coast", item).doubt
    '98 % bench repeatability'
    """
    stem, build = parts_of(name)
    factor, unit = (100.0, "%") if stem in IN_PER_CENT else (1.0, parameter.unit)

    def scaled(number: float | None) -> float | None:
        return None if number is None else factor * number

    value, u, low, high = (scaled(n) for n in (parameter.value, parameter.u, parameter.low, parameter.high))
    source, doubt = _doubt(parameter)
    words = label_of(stem, "" if shared else build)
    place = _place(parameter)
    if place is not None:
        words += f", at {place:.0f} N·m"
    return Shown(
        label=words,
        value=number_text(value, u),
        unit="" if unit == "1" or value is None else unit,
        full=with_uncertainty(value, u, unit),
        low="" if low is None or value is None else number_text(low, u),
        high="" if high is None or value is None else number_text(high, u),
        doubt=doubt,
        source=source,
        determined=value is not None,
    )


def _place(parameter: Parameter) -> float | None:
    """Input torque [N·m] that a quantity is of, where it is of one."""
    if parameter.at_input_torque_Nm is not None:
        return parameter.at_input_torque_Nm
    said = _PLACE.search(parameter.meaning)
    return None if said is None else float(said.group(1))


def _doubt(parameter: Parameter) -> tuple[str, str]:
    """The largest source of doubt, alone and with its share of the variance; what the number rests on
    without a budget."""
    if parameter.value is None:
        return "", ""
    if not parameter.budget or not parameter.u:
        text = "stated without uncertainty" if parameter.status == "stated" else "no doubt stated"
        return text, text
    source, size = max(parameter.budget.items(), key=lambda item: item[1])
    if parameter.status == "stated" and len(parameter.budget) == 1:
        return "stated by the build sheet", "stated by the build sheet"
    words = f"{share_text(size, parameter.u)} {source_text(source)}"
    return source_text(source), f"carried: {words}" if parameter.status == "carried" else words


def share_text(size: float, u: float) -> str:
    """Share of one source in the variance.

    >>> share_text(0.99, 1.0), share_text(0.01, 1.0), share_text(1.0, 1.0)
    ('98 %', 'below 1 %', '100 %')
    """
    share = 100.0 * (size / u) ** 2
    return "below 1 %" if share < 1.0 else f"{min(share, 100.0):.0f} %"


def source_text(source: str) -> str:
    """A source of doubt in words: what is only assumed to lie in a plausible range says so.

    >>> source_text("weak: plate heat"), source_text("noise")
    ('plausible range of plate heat', 'noise')
    """
    kind, colon, rest = source.partition(": ")
    return printable(f"plausible range of {rest}" if colon and kind == "weak" else source, limit=80)


def humanised(text: str, names: Iterable[str]) -> str:
    """A sentence with the parameters' names replaced by words.

    >>> humanised("preload_torque: more than ramp_bias_drive_loading", ["preload_torque"])
    'preload torque: more than ramp bias, drive, loading'
    """
    known = sorted({*names, *LABELS}, key=len, reverse=True)
    choices = "|".join(re.escape(name) for name in known if len(name) >= _SHORTEST_NAME and "_" in name)
    # whole names only: a key of a file such as channel.gear_friction stays as it is
    return re.sub(rf"(?<![\w.]){'(?:' + choices + ')'}(?![\w\[])", lambda found: label(found.group()), text)


def key_names(characterisation: Characterisation) -> tuple[list[str], list[str]]:
    """Names of the key quantities in reading order, builds side by side, and of all others in the order of
    the fit; what all builds share stands once, under the name of the first."""
    repeated = set(shared_names(characterisation))
    by_stem: dict[str, list[str]] = {}
    for name in characterisation.parameters:
        if name not in repeated:
            by_stem.setdefault(parts_of(name)[0], []).append(name)
    rank = {facts.build: i for i, facts in enumerate(characterisation.builds)}
    keys = [
        name
        for stem in KEY_QUANTITIES
        for name in sorted(by_stem.get(stem, []), key=lambda name: rank.get(parts_of(name)[1], len(rank)))
    ]
    chosen = set(keys)
    return keys, [name for name in characterisation.parameters if name not in chosen and name not in repeated]


def shared_names(characterisation: Characterisation) -> dict[str, str]:
    """Quantities that say again what the first build's says already, because the builds share it: their name,
    and that of the first.

    A quantity is shared where every build has it with the same value, uncertainty and limits.
    """
    builds = [facts.build for facts in characterisation.builds]
    found: dict[str, str] = {}
    if len(builds) < 2:
        return found
    parameters, names = characterisation.parameters, names_by_build(characterisation)
    for (stem, build), name in names.items():
        others = [names.get((stem, other)) for other in builds[1:]]
        known = [other for other in others if other is not None]
        first = _numbers_of(parameters[name])
        if build == builds[0] and known == others and all(_numbers_of(parameters[o]) == first for o in known):
            found.update(dict.fromkeys(known, name))
    return found


def names_by_build(characterisation: Characterisation) -> dict[tuple[str, str], str]:
    """Names of the parameters by quantity and build, "" where there is one."""
    return {parts_of(name): name for name in characterisation.parameters}


def grouped_findings(characterisation: Characterisation) -> list[FindingRecord]:
    """Findings that say the same of several files, as one: each place with its own evidence."""
    found: dict[tuple[str, str, str, str], list[FindingRecord]] = {}
    for finding in characterisation.findings:
        found.setdefault((finding.name, finding.severity, finding.effect, finding.mend), []).append(finding)
    made = []
    for alike in found.values():
        first = alike[0]
        if len({(item.where, item.evidence) for item in alike}) == 1:
            made.append(first)
            continue
        where = "; ".join(dict.fromkeys(item.where for item in alike))
        evidence = " ".join(dict.fromkeys(item.evidence for item in alike))
        made.append(first.model_copy(update={"where": where, "evidence": evidence}))
    return made


def _numbers_of(item: Parameter) -> tuple[object, ...]:
    return item.value, item.u, item.low, item.high, item.status, item.meaning, item.at_input_torque_Nm


def seen_in(characterisation: Characterisation, name: str) -> Shown:
    """A quantity of a result as it is read, without the build's name where all builds share it."""
    shared = name in shared_names(characterisation).values()
    return shown(name, characterisation.parameters[name], shared=shared)


def printable(text: str, *, limit: int = LONGEST_TEXT) -> str:
    """Text without characters that steer a terminal or turn the direction of writing, which are written out;
    cut after ``limit`` characters: no name or sentence is longer but by accident.

    >>> printable("D07\\x1b[31m"), printable("a\\u202eb"), printable("x" * 20, limit=8)
    ('D07\\\\x1b[31m', 'a\\\\u202eb', 'xxxxx...')
    """
    if len(text) > limit:
        text = text[: limit - 3] + "..."
    return escaped(text)


def said(characterisation: Characterisation, text: str, *, limit: int = LONGEST_TEXT) -> str:
    """A text of a result, made safe, with words for the names of its quantities."""
    return humanised(printable(text, limit=limit), characterisation.parameters)


def limit_text(low: float, high: float, unit: str) -> str:
    """Limits of a build sheet with their unit."""
    return with_unit(interval_text(low, high), unit)
