"""What changes mean, in sentences: which part wore, what the oil may hide, and the risk of chatter."""

from __future__ import annotations

from collections.abc import Mapping

from diffbench.wear.changes import FRICTION_SHAPE
from diffbench.wear.comparison import Change, Wear


def readings(changes: Mapping[str, Change], wear: Wear | None) -> list[str]:
    """Sentences on what changed.

    Parameters
    ----------
    changes : mapping of str to Change
        By name, as `diffbench.wear.changes` finds them.
    wear : Wear or None
        Loss of height, where it could be had.

    Returns
    -------
    The sentences.

    References
    ----------
    A friction coefficient that falls with sliding speed invites chatter (SAE J3210).
    """
    lines = []
    friction, spring = changes.get("friction"), changes.get("spring_force")
    if spring is not None and spring.significant:
        way = "let out: plates have worn, or springs have set" if spring.change < 0 else "pressed further"
        lines.append(f"the preload spring is {way}")
        if wear is not None and spring.change < 0:
            lines.append(
                f"through the disc-spring curve that is {1e6 * wear.height_loss_m:.0f} µm of height, or "
                f"{1e6 * wear.face_wear_m:.0f} µm for each of {wear.faces} faces of a pack on the mean, if "
                "the springs themselves have not set"
            )
    if friction is not None and friction.significant:
        lines.append(
            "friction came down: all terms with it, preload and both ramps"
            if friction.change < 0
            else "friction went up: run in, or an oil that has aged, which raises boundary friction"
        )
    lines += _oil(changes)
    ramps = [name for name in ("unloading_ratio_drive", "unloading_ratio_coast") if _moved(changes, name)]
    if ramps:
        flanks = " and ".join(name.rpartition("_")[2] for name in ramps)
        lines.append(
            f"unloading against loading changed in {flanks}: look at the ramps and their lubrication"
        )
    lines += _chatter(changes)
    return lines


def _moved(changes: Mapping[str, Change], name: str) -> bool:
    return name in changes and changes[name].significant


def _oil(changes: Mapping[str, Change]) -> list[str]:
    lines = []
    surface = [
        name
        for name in (*(own.reported for own in FRICTION_SHAPE), "friction_temperature_coefficient")
        if _moved(changes, name)
    ]
    if surface:
        lines.append("the shape of friction over speed or temperature changed: friction surface or oil")
    if _moved(changes, "viscous_coefficient"):
        way = "more" if changes["viscous_coefficient"].change > 0 else "less"
        lines.append(f"the oil film drags {way}: oil of another viscosity, or other clearances")
    friction = changes.get("friction")
    if friction is not None and not (friction.significant and friction.change < 0):
        lines.append(
            "an ageing oil raises boundary friction and can mask wear of the plates: a friction that has not "
            "come down proves no unworn surface; fresh oil before the test would tell"
        )
    return lines


def _chatter(changes: Mapping[str, Change]) -> list[str]:
    found = changes.get("friction_slope")
    if found is None or found.after is None or found.before is None:
        return []
    if found.significant:
        more = abs(found.after) > abs(found.before) if found.after < 0 else False
        way = "steeper: chatter is more likely than before" if more else "changed"
    else:
        way = "as before"
    if found.after < 0:
        return [f"friction falls with sliding speed, which invites chatter (SAE J3210); the slope is {way}"]
    return [f"friction does not fall with sliding speed: no chatter is invited (SAE J3210); slope {way}"]
