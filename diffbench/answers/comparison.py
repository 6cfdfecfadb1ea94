"""The document of a comparison: what changed between two states of a unit, and what follows."""

from __future__ import annotations

import csv
import io
from typing import Any, Literal

from pydantic import Field

from diffbench.results.conformity import LimitCheck
from diffbench.results.document import Document, Frozen

FORMAT: Literal["diffbench-comparison/1"] = "diffbench-comparison/1"
Verdict = Literal["unchanged", "changed within limits", "changed beyond limits", "worn", "not proven"]
Answer = Literal["yes", "no", "not proven"]


class Change(Frozen):
    """One quantity before and after.

    ``change`` with its 95 % interval ``low`` to ``high`` is relative where ``relative`` is True (−0.19: down
    by 19 per cent), else in ``unit``. ``chance`` is that of a change as large by doubt alone; ``significant``
    is decided over all questions of its kind together. ``against`` says what doubt it was held against:
    ``repeatability``, what a refit to the bench moves, or ``fit``, where the rig does not say that.
    ``before`` and ``after`` are the results' own numbers. ``carried`` is there where each of these rests on
    what its own sheet states: the number before, and what the change alone makes of it after; ``after`` is
    then left to the result after.
    """

    before: float | None
    after: float | None
    unit: str
    relative: bool
    change: float
    u: float
    low: float
    high: float
    chance: float
    significant: bool
    against: Literal["repeatability", "fit"]
    meaning: str
    budget: dict[str, float]
    carried: float | None = None


class Wear(Frozen):
    """Height lost at the preload spring and mean wear of a friction face, both in m, with 95 % intervals."""

    height_loss_m: float
    height_loss_u_m: float
    face_wear_m: float
    face_wear_u_m: float
    face_wear_low_m: float
    face_wear_high_m: float
    faces: int
    shim_change_m: float
    budget: dict[str, float]


class Condition(Frozen):
    """Locking torque at one condition, before and after [N·m], while the input torque rises."""

    input_torque_Nm: float
    speed_difference_rad_s: float
    temperature_degC: float
    before_Nm: float
    after_Nm: float
    change_Nm: float
    low_Nm: float
    high_Nm: float
    tested: bool


class DifferenceBranch(Frozen):
    """After less before, nested lists [torque][speed][temperature]."""

    change_Nm: list[list[list[float]]]
    low_Nm: list[list[list[float]]]
    high_Nm: list[list[list[float]]]
    tested: list[list[list[bool]]]


class DifferenceMap(Frozen):
    """Difference of locking torque over what both visits tested."""

    input_torque_Nm: list[float]
    speed_difference_rad_s: list[float]
    temperature_degC: list[float]
    branches: dict[str, DifferenceBranch]


class HeldLimit(Frozen):
    """A limit after one more event: where the quantity will be, its standard uncertainty, and the chance that
    the limit, ``low`` or ``high``, is held then."""

    quantity: str
    unit: str
    low: float | None
    high: float | None
    value: float
    u: float
    chance: float


class NextEvent(Frozen):
    """Whether every limit that wear can break is held through one more event, if wear goes on in a straight
    line as it did over the ``events_between`` both states, ``distance_m`` each: yes and no with a chance of
    95 % and more."""

    answer: Answer
    events_between: int
    distance_m: float | None
    limits: list[HeldLimit]


class Side(Frozen):
    """One state: unit, build, dates and distances of the visits behind it."""

    unit: str
    build: str
    dates: list[str]
    distance_m: float | None
    inputs: dict[str, str]


class Comparison(Document):
    """Two states of a unit against each other.

    ``detectable_loss`` is the loss of preload torque that a comparison with these doubts shows with a chance
    of 95 %; ``visits_for_5_percent`` how many visits each state needs for a loss of 5 % to be shown with that
    chance, None where no number does. ``visits_to_settle`` has the same for each limit that is not proven
    either way, if its value stays where it is now. ``next_event`` is None where there is nothing to say:
    after a rebuild, without a repeatability, or without a limit.
    """

    format: Literal["diffbench-comparison/1"] = FORMAT
    before: Side
    after: Side
    verdict: Verdict
    reasons: list[str]
    changes: dict[str, Change]
    not_determined: dict[str, str]
    wear: Wear | None
    limits: list[LimitCheck]
    conditions: list[Condition]
    difference_map: DifferenceMap | None
    readings: list[str]
    common: list[str]
    caveats: list[str]
    detectable_loss: float | None
    visits_for_5_percent: int | None
    visits_to_settle: dict[str, int | None] = Field(default_factory=dict)
    next_event: NextEvent | None = None

    @property
    def failed(self) -> bool:
        """Whether the verdict is a fail: worn, or a limit proven to be broken."""
        return self.verdict in {"worn", "changed beyond limits"} or any(
            limit.outcome == "not conforming" for limit in self.limits
        )


def difference_csv(difference: DifferenceMap) -> str:
    """The map of the difference as comma-separated text, one node a line, numbers in full.

    Columns: the three axes, then for each branch ``BRANCH_change_Nm``, ``BRANCH_low_Nm``, ``BRANCH_high_Nm``
    and ``BRANCH_tested``.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    columns = ("change_Nm", "low_Nm", "high_Nm", "tested")
    writer.writerow(
        [
            "input_torque_Nm",
            "speed_difference_rad_s",
            "temperature_degC",
            *(f"{branch}_{column}" for branch in difference.branches for column in columns),
        ]
    )
    for i, torque in enumerate(difference.input_torque_Nm):
        for j, speed in enumerate(difference.speed_difference_rad_s):
            for k, heat in enumerate(difference.temperature_degC):
                row: list[object] = [torque, speed, heat]
                for table in difference.branches.values():
                    row += [table.change_Nm[i][j][k], table.low_Nm[i][j][k], table.high_Nm[i][j][k]]
                    row.append("true" if table.tested[i][j][k] else "false")
                writer.writerow(row)
    return buffer.getvalue()


def document_schema() -> dict[str, Any]:
    """JSON Schema of ``comparison.json``."""
    return Comparison.published_schema()
