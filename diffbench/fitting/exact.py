"""What counts as exact because nobody stated an uncertainty: said aloud, and in the budget with zero."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diffbench.documents import Build
from diffbench.documents.rig import Allowance
from diffbench.doubts import CountsAsExact, Source, without_size
from diffbench.results.characterisation import Parameter


def assumed_exact(builds: Sequence[Build], temperature_u: float) -> list[CountsAsExact]:
    """Notes on the build sheets' values, and on the temperature, that have no uncertainty; each once."""
    texts: list[str] = []
    for build in builds:
        if build.gear_friction is None:
            texts.append(
                "gear_friction is not stated: gear-mesh friction counts as none, and is part of the ramp bias"
            )
        elif not build.gear_friction.u:
            texts.append("gear_friction has no stated uncertainty: it counts as exact")
        if build.preload.spring_force is not None and not build.preload.spring_force.u:
            texts.append("the spring force has no stated uncertainty: it counts as exact")
        for name in ("drive_angle", "coast_angle"):
            angle = getattr(build.ramps, name)
            if angle is not None and not angle.u:
                texts.append(f"{name} has no stated uncertainty: it counts as exact where it is used")
        if not build.packs.inner_radius.u and not build.packs.outer_radius.u:
            texts.append("the plate radii have no stated uncertainty: they count as exact")
        if build.ramps.pin_radius is not None and not build.ramps.pin_radius.u:
            texts.append("the pin radius has no stated uncertainty: it counts as exact")
    notes = [CountsAsExact(text) for text in dict.fromkeys(texts)]
    if temperature_u == 0.0:
        text = "u_zero of the temperature channel is not stated: temperatures count as exact"
        notes.append(CountsAsExact(text, Source.TEMPERATURE, "the temperature channel"))
    return notes


def switched_off(allowance: Allowance) -> list[CountsAsExact]:
    """Notes on allowances of the rig that are stated as nothing."""
    texts = (
        (allowance.fitted_once, "fitted_once = 0: what a bench does to a unit fitted once counts as nothing"),
        (allowance.one_way, "one_way = 0: where slip goes one way only, both ways count as alike"),
    )
    return [CountsAsExact(f"the rig's allowance {text}") for size, text in texts if size == 0.0]


def with_exact(parameters: Mapping[str, Parameter], notes: Sequence[CountsAsExact]) -> dict[str, Parameter]:
    """Parameters with what counts as exact on the bench in their budgets: zero, by name.

    What the build sheet's values do comes with each quantity's own budget.
    """
    entries = {without_size(note.source, note.subject): 0.0 for note in notes if note.source is not None}
    if not entries:
        return dict(parameters)
    return {
        name: item.model_copy(update={"budget": {**item.budget, **entries}})
        if item.status == "measured"
        else item
        for name, item in parameters.items()
    }
