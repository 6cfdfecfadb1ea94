"""Conformity of a build: every limit of its sheet against value and uncertainty (ISO 14253-1)."""

from __future__ import annotations

from typing import ClassVar, Literal

from diffbench.answers.state import Stock, gravest, judge_builds
from diffbench.definitions import name_of, parts_of
from diffbench.results.characterisation import Characterisation
from diffbench.results.conformity import LIMITED, RULE, LimitCheck, Outcome, check_limit, worst
from diffbench.results.document import Document
from diffbench.results.state import State


class Conformity(Document):
    """All limits of one build, and the outcome over all: the worst of them; None where there are none.

    ``state`` is that of the unit by this record alone; documents of older versions have none.
    """

    file_name: ClassVar[str] = "conformity.json"
    made_by: ClassVar[str] = "diffbench conformity"

    format: Literal["diffbench-conformity/1"] = "diffbench-conformity/1"
    unit: str
    build: str
    date: str
    rule: str
    limits: list[LimitCheck]
    outcome: Outcome | None
    state: State | None = None


def limited_name(characterisation: Characterisation, limit: str) -> str:
    """Name of the parameter that a limit is about: of the build that it names, else of the first."""
    judged = next((one.judged for one in characterisation.limits if one.quantity == limit), None)
    if judged is not None:
        return judged
    stem, build = parts_of(limit)
    quantity = LIMITED.get(stem, stem)
    alike = (name for name in characterisation.parameters if parts_of(name)[0] == quantity)
    return next((name for name in alike if not build or parts_of(name)[1] == build), name_of(quantity, build))


def conformity(characterisation: Characterisation, *, stock: Stock | None = None) -> Conformity:
    """Conformity of the build to every limit of its sheet that a single visit can judge.

    Parameters
    ----------
    characterisation : Characterisation
        The result of a fit; its limits are those of the build sheet. The limit on face wear needs two
        states, and is judged by `diffbench.answers.comparison`.
    stock : Stock or None
        Shims of the workshop, for the next step.

    Returns
    -------
    Each limit with guard bands and outcome, the outcome over all, and the state of the build that stands
    worst.
    """
    checks = []
    for limit in characterisation.limits:
        item = characterisation.parameters.get(limited_name(characterisation, limit.quantity))
        interval = None if item is None or item.low is None or item.high is None else (item.low, item.high)
        checks.append(
            check_limit(
                limit.quantity,
                value=None if item is None else item.value,
                interval=interval,
                low=limit.low,
                high=limit.high,
                unit=limit.unit,
            )
        )
    return Conformity(
        unit=characterisation.unit,
        build=characterisation.build,
        date=characterisation.date,
        rule=RULE,
        limits=checks,
        outcome=worst([check.outcome for check in checks]),
        state=gravest(judge_builds([characterisation], stock=stock)),
    )
