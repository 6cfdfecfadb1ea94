"""Drafts of build sheet and run sheet: every key with a word on it, what must be there left empty."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence

from diffbench.inspection.rig_draft import quoted

_BUILD = """\
# A draft of a build sheet: what was assembled. Lines with an empty text ("") must be filled in; the others
# say more if you take away their mark. Not stated means not known: nothing is ever filled in for you.
# A number with a unit is a text: "38 mm". With its standard uncertainty: { value = "42 deg", u = "0.3 deg" }.
format = "diffbench-build/1"
unit = ""                     # serial of the differential
build = ""                    # name of this build, for example its serial and the day
# distance = "0 km"           # run since this build
# gear_friction = { value = 0.02, u = 0.008 }  # mesh friction of the bevel gears, share of the input torque
# note = ""                   # anything

[packs]
faces = ""                    # a bare number: friction faces in ONE pack; both packs are alike
inner_radius = ""             # of a friction face, for example "38 mm"
outer_radius = ""             # for example "54.5 mm"
# contact = "uniform-wear"    # or "uniform-pressure": how plates bear
# plate_mass = "1.95 kg"      # steel plates of both packs, for their heat
# specific_heat = "475 J/(kg.K)"

[ramps]
# pin_radius = "39 mm"        # where the cross pin bears on the ramps
# drive_angle = { value = "42 deg", u = "0.3 deg" }  # of the drive flank, by the drawing
# coast_angle = { value = "57 deg", u = "0.3 deg" }
# angle_from = "plane"        # of rotation: 90 deg gives no thrust; or "axis"

[preload]
# law = "undecided"           # "additive", "greater-of", or let the bench decide
# spring_force = { value = "1950 N", u = "60 N" }    # axial, at the installed height
# joint_fraction = 0.05       # greater-of only
# shim = "0.2 mm"

# [preload.disc_spring]       # dimensions by EN 16983
# outer_diameter = "95 mm"
# inner_diameter = "76 mm"
# thickness = "1.5 mm"
# cone_height = "1.6 mm"      # free height less thickness
# parallel = 1
# series = 2

# [oil]
# name = ""
# viscosity_40 = "110 mm^2/s" # both or neither
# viscosity_100 = "15 mm^2/s"

# [reference]                 # where one number is quoted
# temperature = "60 degC"
# speed_difference = "4 rad/s"

# [limits]                    # what you hold the build to
# preload_torque = ["70 N.m", "90 N.m"]
# ramp_bias_drive = [0.45, 0.55]
# ramp_bias_coast = [0.25, 0.35]
# locking_torque_sense = "difference"  # whole left-right difference; or "one-pack"
# face_wear = "60 um"

# [map]                       # how far the map shall reach beyond what was tested
# input_torque = ["-400 N.m", "900 N.m"]
# speed_difference = ["0 rpm", "150 rpm"]
# temperature = ["20 degC", "110 degC"]
"""

_KINDS = (
    (
        "tare",
        r"tare|zero|null|leer|empty",
        "unit out or open, shafts turning: what flanges read of themselves",
    ),
    ("speed-sweep", r"speed|slip|drehzahl|omega", "input torque held, speed difference swept"),
    ("turning-torque", r"hand|wrench|turn|reading|preload", "one output turned by hand, one reading a line"),
    ("bias-sweep", r"bias|lock|torque|sweep", "outputs slip steadily, input torque up and down"),
)


def draft_build() -> str:
    """Return a build sheet to fill in, in TOML with comments.

    Returns
    -------
    The text. What must be there is an empty text, which the program refuses until it is filled in.

    Examples
    --------
    >>> import tomllib
    >>> tomllib.loads(draft_build())["packs"]["faces"]
    ''
    """
    return _BUILD


def draft_run(*, rig: str = "", build: str = "", recordings: Sequence[str] = ()) -> str:
    """Return a run sheet to fill in, in TOML with comments.

    Parameters
    ----------
    rig, build : str
        Paths of the papers, relative to the run sheet.
    recordings : sequence of str
        Paths of the recordings; each gets a block. The kind of a run is proposed from its file's name only.

    Returns
    -------
    The text. What must be there and is not known is an empty text.

    Examples
    --------
    >>> import tomllib
    >>> [run["kind"] for run in tomllib.loads(draft_run(recordings=["zero-1.csv", "a.csv"]))["run"]]
    ['tare', '']
    """
    lines = [
        '# A draft of a run sheet: one visit to the bench. Lines with an empty text ("") must be filled in.',
        "# Paths are relative to this file.",
        'format = "diffbench-run/1"',
        f"rig = {quoted(rig)}  # the bench",
        f"build = {quoted(build)}  # what was assembled",
        f"date = {dt.date.today().isoformat()}  # CHECK: of the visit; this is the day of the draft",  # noqa: DTZ011
        '# operator = ""',
        '# note = ""',
        "",
        "# One [[run]] for each recording. Kinds:",
        *(f"#   {kind}: {what}" for kind, _, what in _KINDS),
    ]
    for path in recordings or ("",):
        kind = _kind(path)
        why = "CHECK: by the file's name only" if kind else "one of the kinds above"
        lines += ["", "[[run]]", f"file = {quoted(path)}", f"kind = {quoted(kind)}  # {why}"]
        lines += ['# rig = ""  # where this run was not taken on the visit\'s own rig', '# note = ""']
    return "\n".join(lines) + "\n"


def _kind(path: str) -> str:
    name = re.split(r"[\\/]", path)[-1].rpartition(".")[0].casefold()
    return next((kind for kind, words, _ in _KINDS if re.search(words, name)), "")
