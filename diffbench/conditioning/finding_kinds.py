"""Every kind of finding, for the guide: a new check adds its row; a test holds the table against the code."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """A kind of finding, for the guide: its name or names, what it is told from, how grave it is, and what
    becomes of it."""

    names: tuple[str, ...]
    told_from: str
    severity: str
    effect: str = ""


#: Every finding that the checks and the fit can give; a test holds it against their code.
KINDS = (
    Kind(
        ("unit off by a known factor",),
        "gains of two flanges more than 5 % apart with slip both ways round; an output's speed 9.55 times "
        "the other's",
        "stop; speeds below 60 rad/s of slip: caveat",
        "names the unit (lbf.ft, kgf.m, rpm, ...) that explains it",
    ),
    Kind(
        ("torque balance",),
        "input torque against the sum of the outputs, where all three are recorded",
        "over 10 %: stop; beyond four standard uncertainties and 1 %: caveat",
        "outputs are used",
    ),
    Kind(
        ("gain mismatch",),
        "part of the torque difference that does not turn with the direction of slip",
        "beyond 2.5 standard uncertainties of what is stated and 0.3 %: caveat; within, but over 0.9 %, or "
        "over 0.7 % and two standard uncertainties: note",
        "taken off; from 1.5 standard uncertainties on, the common part is doubted by half of it",
    ),
    Kind(
        ("zero mismatch", "lag mismatch"),
        "same; a lag between both channels beyond what is stated and 5 ms",
        "caveat",
        "same",
    ),
    Kind(
        ("zero drift",),
        "same, over time; first tare run against the last",
        "beyond what the rig states: caveat; tare runs within it: note",
        "same; the tare is the mean, half of the change an uncertainty",
    ),
    Kind(
        ("transducer hysteresis",),
        "same, a channel that stays behind its load (a lens over each cycle, beside any lag), over 0.2 % "
        "of the largest torque",
        "caveat",
        "same",
    ),
    Kind(
        ("clipped readings", "stuck channel"),
        "one value repeated for longer than the channel's noise allows; a tare run that no noise moves; a "
        "temperature that stands still while friction heats",
        "caveat",
        "readings left out, and counted",
    ),
    Kind(
        ("dead channel",),
        "a torque that holds nothing but noise while another moves; all torques, in a sweep that must move "
        "them; a speed that stands still while another changes",
        "torques: stop; a speed: caveat",
    ),
    Kind(
        ("coarse resolution",),
        "steps over 1 % of the torque's movement, or a quarter of the slowest slip",
        "caveat; a note where noise smooths them",
    ),
    Kind(
        ("spikes", "missing readings", "missing stretches"),
        "samples apart from their neighbours, empty cells, lost rows",
        "note; over 1 % or 5 %: caveat",
        "left out, nothing filled in",
    ),
    Kind(
        ("recording breaks off",),
        "a text whose last line has no end, and fewer digits or cells than others",
        "caveat",
        "the last line is left out, or doubtful",
    ),
    Kind(
        ("sampling jitter",),
        "steps that scatter by 10 % and are not merely rounded",
        "note; over 30 %: caveat",
    ),
    Kind(
        ("mains hum",),
        "a line at 50 or 60 Hz and up to three times as much, also where the sampling rate folds it to",
        "note; caveat where averages keep it",
    ),
    Kind(
        ("speeds contradict each other",),
        "case, pinion or speed difference against the outputs",
        "over 10 %, a known unit or a sign: stop; over 1 %: caveat",
    ),
    Kind(
        ("outputs turn against each other",),
        "both at running speed, with opposite signs",
        "stop",
        "names the sign",
    ),
    Kind(
        ("speed drops out",),
        "a turning shaft that leaves its course by half of its speed, for half a second at most",
        "note; over 1 %: caveat",
        "left out, and counted",
    ),
    Kind(
        ("speed implausible",),
        "shafts over 300 rad/s, slip over 60 rad/s",
        "caveat",
        "says what it were as rpm",
    ),
    Kind(
        ("temperature implausible",),
        "above 150 °C, below −40 °C, oil that jumps by more than heat can make it; a start above 115 °C is a "
        "note",
        "caveat",
        "says what it were as °F or K",
    ),
    Kind(("plates far hotter than the oil",), "heat balance of the fit, over 40 K", "caveat"),
    Kind(
        ("too little slip", "too few cycles", "sampled too slowly"),
        "outputs that hold more than half of the time; less than two cycles; fewer than 40 samples from "
        "turn to turn",
        "caveat",
    ),
    Kind(("sweep too fast",), "lag or inertia over 5 % of the torque difference", "caveat"),
    Kind(("stick-slip",), "a speed difference that swings by a third and more of its level", "caveat"),
    Kind(
        ("coast further than drive",),
        "input torque that goes a fifth further in coast",
        "caveat",
        "names what would exchange both",
    ),
    Kind(
        (
            "no drive samples",
            "no coast samples",
            "one speed level only",
            "one slip direction only",
            "no temperature",
        ),
        "what the sweeps never did; the slip direction by the bias sweeps",
        "caveat",
        "names what stays open, and the run that would tell",
    ),
    Kind(
        ("drive ramps never overcame the preload", "coast ramps never overcame the preload"),
        "greater-of law only",
        "caveat",
        "that ramp bias stays open",
    ),
    Kind(
        ("bench constant not as stated",),
        "a gain, zero, lag, ... that the sweeps pull by more than three of its standard uncertainties, or "
        "several of a kind together by more than 3.5",
        "caveat; a zero within `u_zero` since its tare: note",
        "names it",
    ),
    Kind(
        ("cells apart from the fit",),
        "averages over eight standard deviations off",
        "note; over 1 %: caveat",
        "left out, and counted",
    ),
    Kind(
        ("model misses",),
        "what is the same in every cycle over torque, branch, speed and plate temperature, against the noise "
        "between cycles",
        "caveat, or note below 0.5 % of the locking torque",
        "limits are wider where the law misses, numbers by what that can do to them",
    ),
    Kind(
        ("unit departs from the law",),
        "a term for each of twenty known departures (running in, glazing, curved temperature or ramps, "
        "pressure, log speed, dead zone, smooth joint, packs apart, cross-talk, ...), one false alarm in a "
        "hundred benches for all together",
        "caveat, or note below 0.5 % of the locking torque",
        "names the likeliest with their weights and sizes, what one visit cannot tell apart, and the "
        "run that would tell",
    ),
    Kind(
        ("repeatability not stated",),
        "several visits in one fit, and a rig that does not say what a refit moves",
        "caveat",
        "all intervals are too narrow by as much",
    ),
    Kind(("visit not complete",), "`watch`, while recordings are still to come", "caveat"),
    Kind(
        ("short of SAE J3011",),
        "resolution, sampling, place of the temperature",
        "note, for information",
    ),
)
