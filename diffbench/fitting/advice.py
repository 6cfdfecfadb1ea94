"""What to do next: what limits the result, and which run would help."""

from __future__ import annotations

from diffbench.characterisation import LawVerdict, Parameter
from diffbench.left_out import SOURCE

_MENDS = {
    "noise": "record more cycles",
    "transducer gain": "calibrate the torque transducers: their gain limits it",
    "transducer zero": "take a tare run with the unit out: the transducers' zeros limit it",
    "tare": "take a longer tare run before and after",
    "final drive": "measure torque at the case or at both outputs: the final drive's efficiency limits it",
    "bench repeatability": "average several refits to the bench: refitting limits it",
    "gear friction (build sheet)": "fit other ramps once, or state the gear friction better: ramps and "
    "gears cannot be told apart",
    "spring force (build sheet)": "measure the spring force better: it limits the friction coefficient",
    "temperature reading": "calibrate the temperature channel, or measure at the plates",
    "lag": "determine the channels' lag better, or sweep more slowly",
    "inertia": "state the inertia better, or change speeds more slowly",
    SOURCE: "sweep at further speeds and temperatures, and the first sweep again at the end: what the law "
    "leaves out limits it",
    "form of the model": "sweep through low speed differences and to higher torque: the form of the "
    "model limits it",
}


def next_steps(parameters: dict[str, Parameter], law: LawVerdict) -> list[str]:
    """What would help most, in order: what is not determined, then what limits the preload and the biases."""
    steps: list[str] = []
    if law.status == "undecided":
        steps.append(law.reason)
    for name, item in parameters.items():
        if item.status == "not-determined" and item.needs:
            text = f"{name}: needs {item.needs}"
            if text not in steps:
                steps.append(text)
    for name in (
        "preload_torque",
        "ramp_bias_drive_loading",
        "ramp_bias_coast_loading",
        "friction_coefficient",
    ):
        found = next(
            (p for key, p in parameters.items() if key.split("[")[0] == name and p.status == "measured"), None
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
