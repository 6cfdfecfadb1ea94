"""The state of a unit: what its records come to, in one vocabulary for every command.

Fields alone: words are made by the faces. Made by `diffbench.answers.state.judge`.
"""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from diffbench.results.conformity import LimitCheck
from diffbench.results.document import Document, Frozen

StateName = Literal[
    "good",
    "good-with-doubt",
    "watch",
    "worn",
    "out-of-limits",
    "cannot-be-told",
    "records-contradict",
]
Part = Literal["spring", "friction", "ramps", "gears", "oil"]
ReasonKind = Literal[
    "beyond-limit",
    "visits-disagree",
    "worn-beyond-limit",
    "test-flawed",
    "jump",
    "law-contradicted",
    "not-determined",
    "limit-not-proven",
    "no-limits",
    "limit-ahead",
    "limit-close",
    "earlier-visits-disagree",
    "sheet-contradicted",
    "refits-unknown",
    "read-with-care",
    "within-limits",
    "changed",
]
NextKind = Literal[
    "nothing",
    "fit-shim",
    "no-shim-reaches",
    "state-shim-and-springs",
    "renew-plates",
    "inspect",
    "measure-again",
    "measure-more",
    "average-visits",
    "narrow-doubt",
    "mend-test",
    "measure-repeatability",
    "state-limits",
    "check-records",
    "check-sheet",
]
Caution = Literal["stored-force", "heat", "speed", "torque"]

#: States that are a fail: exit status 1 of every command.
FAILS: frozenset[StateName] = frozenset({"out-of-limits", "worn"})
#: The state that a kind of reason means where it is the gravest; they are in the order of their gravity.
STATE_OF: dict[ReasonKind, StateName] = {
    "beyond-limit": "out-of-limits",
    "visits-disagree": "records-contradict",
    "worn-beyond-limit": "worn",
    "test-flawed": "cannot-be-told",
    "jump": "watch",
    "law-contradicted": "cannot-be-told",
    "not-determined": "cannot-be-told",
    "limit-not-proven": "cannot-be-told",
    "no-limits": "cannot-be-told",
    "limit-ahead": "watch",
    "limit-close": "good-with-doubt",
    "earlier-visits-disagree": "good-with-doubt",
    "sheet-contradicted": "good-with-doubt",
    "refits-unknown": "good-with-doubt",
    "read-with-care": "good-with-doubt",
    "within-limits": "good",
    "changed": "good",
}


class Reason(Frozen):
    """One reason: its kind, the quantity with its 95 % interval, and what it is held against.

    Kinds stand in the order in which they decide, the gravest first, each with its state in `STATE_OF`.

    ``limit`` is the end that decides and ``side`` which one it is; ``chance`` that the limits are held (of
    ``limit-ahead``: through the next event). A ``jump`` or ``changed`` has the change in ``value``, ``low``
    and ``high``, in the unit of the quantity, and ``part``: what of the unit it points at. ``dates`` and
    ``records`` name the visits: both sides of a jump, those that disagree, else the newest. ``at`` is where
    the next event ends, in m, events or visits by ``over``. ``name`` is that of a finding of the test; of
    ``read-with-care`` of all that say that the bench was not as its papers state, of ``sheet-contradicted``
    what of the build sheet is.
    """

    kind: ReasonKind
    quantity: str | None = None
    unit: str | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    limit: float | None = None
    side: Literal["lower", "upper"] | None = None
    chance: float | None = None
    part: Part | None = None
    dates: list[str] = Field(default_factory=list)
    records: list[str] = Field(default_factory=list)
    at: float | None = None
    over: Literal["distance", "events", "visits"] | None = None
    name: str | None = None


class ShimStep(Frozen):
    """A shim that the workshop has, beside the one that is in [m], the preload torque that it will give with
    its 95 % interval [N·m], and the chance to land within limits."""

    shim_m: float
    shim_now_m: float | None
    preload_torque_Nm: float
    low_Nm: float
    high_Nm: float
    chance: float | None
    extrapolated: bool


class NextStep(Frozen):
    """The one thing to do next. ``shim`` is there for ``fit-shim`` alone; ``visits`` is how many more would
    settle it, None where no number is known; ``missing`` names keys of the build sheet or of the rig.

    ``cautions`` name what can hurt: a spring under load, hot oil, turning parts, torque. Where torque or
    speed is among them, ``tested_torque_Nm`` and ``tested_speed_rad_s`` say how far the unit was tested:
    beyond that the maker's limits come first.
    """

    kind: NextKind
    quantity: str | None = None
    part: Part | None = None
    shim: ShimStep | None = None
    visits: int | None = None
    missing: list[str] = Field(default_factory=list)
    cautions: list[Caution] = Field(default_factory=list)
    tested_torque_Nm: tuple[float, float] | None = None
    tested_speed_rad_s: float | None = None


class Visit(Frozen):
    """One record that was judged: where it stands, and its own outcome against the newest limits."""

    record: str
    build: str
    date: str
    distance_m: float | None
    events: int | None
    outcome: Literal["conforming", "not conforming", "not proven"] | None


class State(Document):
    """How a unit stands by all its records since the last rebuild, and the one thing to do next.

    ``reasons`` begins with the one that decides; ``limits`` are those of the newest sheet, each against the
    newest visit, or against the mean of the visits at one place where that proves more; ``failed`` is what
    every command's exit status 1 says: worn, out of limits, or a visit at the newest place proven to be
    beyond a limit, though others contradict it; ``visits`` are all that were judged, in order.
    """

    file_name: ClassVar[str] = "state.json"
    made_by: ClassVar[str] = "diffbench history list"

    format: Literal["diffbench-state/1"] = "diffbench-state/1"
    unit: str
    build: str
    date: str
    state: StateName
    failed: bool
    reasons: list[Reason]
    next_step: NextStep
    limits: list[LimitCheck]
    visits: list[Visit]
    rule: str

    @property
    def reason(self) -> Reason:
        """The one that decides."""
        return self.reasons[0]

    @property
    def exit_status(self) -> int:
        """Of every command: 1 where the unit is proven to be worn or beyond a limit."""
        return int(self.failed)
