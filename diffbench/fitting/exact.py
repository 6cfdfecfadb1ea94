"""What counts as exact because nobody stated an uncertainty: said aloud, and in the budget with zero."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diffbench.documents import Build
from diffbench.results.characterisation import Parameter

#: how a note on the bench stands in the budget of what was measured with it
_BENCH = (
    ("u_gain of", "transducer gain"),
    ("u_zero of the temperature", "temperature reading"),
    ("u_zero of", "transducer zero"),
    ("the efficiency of", "final drive"),
)
NOT_STATED = "no uncertainty stated, counts as exact"


def assumed_exact(builds: Sequence[Build], temperature_u: float) -> list[str]:
    """Notes on the build sheets' values, and on the temperature, that have no uncertainty; each once."""
    notes: list[str] = []
    if temperature_u == 0.0:
        notes.append("u_zero of the temperature channel is not stated: temperatures count as exact")
    for build in builds:
        if build.gear_friction is None:
            notes.append(
                "gear_friction is not stated: gear-mesh friction counts as none, and is part of the ramp bias"
            )
        elif not build.gear_friction.u:
            notes.append("gear_friction has no stated uncertainty: it counts as exact")
        if build.preload.spring_force is not None and not build.preload.spring_force.u:
            notes.append("the spring force has no stated uncertainty: it counts as exact")
        for name in ("drive_angle", "coast_angle"):
            angle = getattr(build.ramps, name)
            if angle is not None and not angle.u:
                notes.append(f"{name} has no stated uncertainty: it counts as exact where it is used")
        if not build.packs.inner_radius.u and not build.packs.outer_radius.u:
            notes.append("the plate radii have no stated uncertainty: they count as exact")
        if build.ramps.pin_radius is not None and not build.ramps.pin_radius.u:
            notes.append("the pin radius has no stated uncertainty: it counts as exact")
    return list(dict.fromkeys(notes))


def with_exact(parameters: Mapping[str, Parameter], notes: Sequence[str]) -> dict[str, Parameter]:
    """Parameters with what counts as exact in their budgets: zero, by name.

    ``notes`` on the bench. What the build sheet's values do comes with each quantity's own budget.
    """
    entries: dict[str, float] = {}
    for note in notes:
        source = next((source for start, source in _BENCH if note.startswith(start)), None)
        if source is not None:
            entries[f"{source}, {_subject(note)}: {NOT_STATED}"] = 0.0
    if not entries:
        return dict(parameters)
    return {
        name: item.model_copy(update={"budget": {**item.budget, **entries}})
        if item.status == "measured"
        else item
        for name, item in parameters.items()
    }


def _subject(note: str) -> str:
    """The channel or part that a note is on.

    >>> _subject("u_gain of left_torque is not stated: its gain counts as exact")
    'left_torque'
    """
    subject = note.split(" is not stated", maxsplit=1)[0].split(" has no stated", maxsplit=1)[0]
    return subject.split(" of ", maxsplit=1)[-1]
