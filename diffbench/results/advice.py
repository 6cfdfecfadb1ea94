"""What to do next: what limits the result, and which run would help."""

from __future__ import annotations

from diffbench.definitions import parts_of
from diffbench.doubts import Source
from diffbench.results.characterisation import Characterisation, LawVerdict, Parameter

_MENDS: dict[str, str] = {
    Source.NOISE: "record more cycles",
    Source.TRANSDUCER_GAIN: "calibrate the torque transducers: their gain limits it",
    Source.TRANSDUCER_ZERO: "take a tare run with the unit out: the transducers' zeros limit it",
    Source.TARE: "take a longer tare run before and after",
    Source.FINAL_DRIVE: "measure torque at the case or at both outputs: the final drive's efficiency limits "
    "it",
    Source.REPEATABILITY: "average several refits to the bench: refitting limits it",
    Source.GEAR_FRICTION: "fit other ramps once, or state the gear friction better: ramps and "
    "gears cannot be told apart",
    Source.SPRING_FORCE: "measure the spring force better: it limits the friction coefficient",
    Source.TEMPERATURE: "calibrate the temperature channel, or measure at the plates",
    Source.LAG: "determine the channels' lag better, or sweep more slowly",
    Source.INERTIA: "state the inertia better, or change speeds more slowly",
    Source.LEFT_OUT: "sweep at further speeds and temperatures, and the first sweep again at the end: what "
    "the law leaves out limits it",
    Source.FORM: "sweep through low speed differences and to higher torque: the form of the model limits it",
}


def next_steps(parameters: dict[str, Parameter], law: LawVerdict) -> list[str]:
    """What would help most, in order: what is not determined, then what limits the preload and the biases."""
    steps: list[str] = []
    if law.status == "undecided":
        steps.append(law.reason)
    for name, item in parameters.items():
        if item.status == "not-determined" and item.needs:
            steps.append(_need(name, item))
    for name in (
        "preload_torque",
        "ramp_bias_drive_loading",
        "ramp_bias_coast_loading",
        "friction_coefficient",
    ):
        found = next(
            (p for key, p in parameters.items() if parts_of(key)[0] == name and p.status == "measured"), None
        )
        if found is None or not found.budget or not found.u or not found.value:
            continue
        source, size = next(iter(found.budget.items()))
        share = (size / found.u) ** 2
        if share > 0.3 and found.u / abs(found.value) > 0.002 and source in _MENDS:
            steps.append(
                f"{name} (u = {100 * found.u / abs(found.value):.2g} %, {100 * share:.0f} % of its "
                f"variance is {source}): {_MENDS[source]}"
            )
    return steps


def further_steps(characterisation: Characterisation) -> list[str]:
    """The next steps of a result without those that say what an undetermined quantity needs."""
    needs = {_need(name, item) for name, item in characterisation.parameters.items() if item.value is None}
    return [step for step in characterisation.next_steps if step not in needs]


def _need(name: str, item: Parameter) -> str:
    return f"{name}: needs {item.needs}"
