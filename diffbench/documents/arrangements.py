"""What a bench measures and how a unit sits in it: the channels, and each arrangement a class, in one list
that documents, conditioning, checks and drafts read.

An arrangement is its equilibrium: what each measured torque counts in the input torque at the case and in the
torque difference ``T_L − T_R``, left and right torque as the unit delivers them. To add one: write its class
here, name it in ``ArrangementName`` and list it in ``ARRANGEMENTS``.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

if TYPE_CHECKING:
    from diffbench.documents.faults import Refusal

ArrangementName = Literal[
    "both-outputs",
    "input-and-one-output",
    "one-output-braked",
    "output-turned-case-free",
    "output-turned-case-held",
]
OUTPUTS = ("left_torque", "right_torque")


@dataclass(frozen=True)
class Shares:
    """What one newton metre of a channel counts in the input torque and in the torque difference."""

    input_torque: float
    difference: float


Equilibrium = Mapping[str, Shares]
"""Shares by channel, of those that the arrangement computes with, in their order."""


class Arrangement(ABC):
    """One way in which a unit sits in a bench.

    Attributes
    ----------
    name : str
        As a rig writes it.
    needs : tuple of str
        The torque channels without which there is no equilibrium.
    turned : float or None
        Where one output is turned, by hand or by a slow drive: its speed over the speed difference of the
        outputs. None for a bench that drives the unit.
    why : str
        In a draft, why it was taken; empty for one that no file shows.
    one_runs_free : bool
        Whether, of a case that is driven, one output carries nothing.
    """

    name: ClassVar[ArrangementName]
    needs: ClassVar[tuple[str, ...]]
    turned: ClassVar[float | None] = None
    why: ClassVar[str] = ""
    one_runs_free: ClassVar[bool] = False

    @abstractmethod
    def equilibrium(self, channels: Collection[str]) -> Equilibrium:
        """The equilibrium for a rig that describes these channels."""

    def refusals(self, channels: Collection[str]) -> list[Refusal]:
        """What makes it impossible with these channels."""
        found: list[Refusal] = [
            (
                ("channel", name),
                f"'{name}' is missing, which the arrangement '{self.name}' needs",
                f"describe it under [channel.{name}], or check the arrangement",
            )
            for name in self.needs
            if name not in channels
        ]
        return found

    def seen(self, channels: Collection[str]) -> bool:
        """Whether a file with these channels may be of it."""
        return bool(self.why) and all(name in channels for name in self.needs)


class BothOutputs(Arrangement):
    """The case driven, both outputs held back: ``T_in = T_L + T_R``."""

    name = "both-outputs"
    needs = OUTPUTS
    why = "since there is a torque at each output. Is the case driven?"

    def equilibrium(self, channels: Collection[str]) -> Equilibrium:
        del channels
        return {"left_torque": Shares(1.0, 1.0), "right_torque": Shares(1.0, -1.0)}


class InputAndOneOutput(Arrangement):
    """The case driven, one output measured; the other one has what is left of the input torque."""

    name = "input-and-one-output"
    needs = ("input_torque",)
    why = "since there is a torque at the input and at one output"

    def equilibrium(self, channels: Collection[str]) -> Equilibrium:
        if "left_torque" in channels:
            return {"input_torque": Shares(1.0, -1.0), "left_torque": Shares(0.0, 2.0)}
        return {"input_torque": Shares(1.0, 1.0), "right_torque": Shares(0.0, -2.0)}

    def refusals(self, channels: Collection[str]) -> list[Refusal]:
        found = super().refusals(channels)
        outputs = [name for name in OUTPUTS if name in channels]
        if not outputs:
            found.append(
                (
                    ("channel",),
                    "neither left_torque nor right_torque is described",
                    "describe the measured one, as [channel.left_torque] or [channel.right_torque]",
                )
            )
        elif len(outputs) == 2:
            found.append(
                (
                    ("arrangement",),
                    "both left_torque and right_torque are described, the arrangement measures one output",
                    'write arrangement = "both-outputs", or leave one of them out',
                )
            )
        return found

    def seen(self, channels: Collection[str]) -> bool:
        return super().seen(channels) and any(name in channels for name in OUTPUTS)


class OneOutputBraked(Arrangement):
    """The case driven, one output braked and measured, the other one free: it carries nothing, so that the
    braked one has all of the input torque, and the locking torque is as large. It reads more than the preload
    torque, since it loads the ramps itself. Drag of the free shaft counts as none."""

    name = "one-output-braked"
    needs = ()
    why = "since there is a torque at one output alone. Is the other one free?"
    one_runs_free = True

    def equilibrium(self, channels: Collection[str]) -> Equilibrium:
        if "left_torque" in channels:
            return {"left_torque": Shares(1.0, 1.0)}
        return {"right_torque": Shares(1.0, -1.0)}

    def refusals(self, channels: Collection[str]) -> list[Refusal]:
        outputs = [name for name in OUTPUTS if name in channels]
        if len(outputs) == 1:
            return []
        return [
            (
                ("channel",),
                "the free output has no torque to describe"
                if outputs
                else "neither left_torque nor right_torque is described",
                "describe the braked one, as [channel.left_torque] or [channel.right_torque]",
            )
        ]

    def seen(self, channels: Collection[str]) -> bool:
        return sum(name in channels for name in OUTPUTS) == 1 and "input_torque" not in channels


class TurnedCaseFree(Arrangement):
    """One output turned, the other held, the case free: nothing goes through the case, and the other output
    holds as much as is turned with. The turned one counts as the left one; the unit holds it back."""

    name = "output-turned-case-free"
    needs = ("turning_torque",)
    turned = 1.0  # the other output stands still
    why = "for a file without a column that says it line by line. Is it so?"

    def equilibrium(self, channels: Collection[str]) -> Equilibrium:
        del channels
        return {"turning_torque": Shares(0.0, -2.0)}


class TurnedCaseHeld(Arrangement):
    """One output turned, the other free, the case held: the case holds all that is turned with, turned
    forward on the coast flank, as a coasting wheel drags it along. It reads more than the preload torque,
    since the wrench loads the ramps itself."""

    name = "output-turned-case-held"
    needs = ("turning_torque",)
    turned = 0.5  # the other output turns back as fast

    def equilibrium(self, channels: Collection[str]) -> Equilibrium:
        del channels
        return {"turning_torque": Shares(-1.0, -1.0)}


ARRANGEMENTS: dict[str, Arrangement] = {
    kind.name: kind()
    for kind in (BothOutputs, InputAndOneOutput, OneOutputBraked, TurnedCaseFree, TurnedCaseHeld)
}
"""The arrangements by name; in a draft, the first one that a file may be of is taken."""

TURNED = tuple(name for name, kind in ARRANGEMENTS.items() if kind.turned is not None)
"""Names of those in which one output is turned."""


def noise_share(equilibrium: Equilibrium, channel: str) -> float:
    """How much of the torque difference a channel carries, as far as outputs do: 1 where one alone is
    measured."""
    if channel == "input_torque":
        return 0.0
    outputs = {name: abs(shares.difference) for name, shares in equilibrium.items() if name != "input_torque"}
    return outputs[channel] / sum(outputs.values())


@dataclass(frozen=True)
class ChannelKind:
    """A channel that a bench can log: dimension of its numbers, or the words that it may hold; ``meaning``
    for schema and guide, ``briefly`` for a draft."""

    dimension: str | None
    meaning: str
    briefly: str
    words: tuple[str, ...] = ()


CHANNELS: dict[str, ChannelKind] = {
    "time": ChannelKind(
        "time",
        "clock of the samples; left out with a sample_rate, or for hand readings",
        "clock of the samples",
    ),
    "input_torque": ChannelKind(
        "torque",
        "torque at the case or at the pinion (at); needed by input-and-one-output, else a check",
        "torque at the case, or at the pinion; positive in drive, negative in coast",
    ),
    "left_torque": ChannelKind(
        "torque",
        "torque that the unit delivers to the left output; for sweeps",
        "torque that the unit delivers to the left output; positive in drive",
    ),
    "right_torque": ChannelKind(
        "torque",
        "torque that the unit delivers to the right output; for sweeps",
        "torque that the unit delivers to the right output; positive in drive",
    ),
    "turning_torque": ChannelKind(
        "torque",
        "reading of the wrench, without sign; for hand readings",
        "reading of the wrench, without sign",
    ),
    "turning_speed": ChannelKind(
        "angular_speed",
        "how fast the output was turned, line by line; for hand readings",
        "how fast it was turned",
    ),
    "left_speed": ChannelKind(
        "angular_speed", "speed of the left output; for sweeps", "speed of the left output; positive forward"
    ),
    "right_speed": ChannelKind(
        "angular_speed",
        "speed of the right output; for sweeps",
        "speed of the right output; positive forward",
    ),
    "case_speed": ChannelKind(
        "angular_speed",
        "beside speed_difference, which way the shafts turn, for drag and inertia; beside one output, the "
        "other one; beside both, a check",
        "speed of the case",
    ),
    "input_speed": ChannelKind(
        "angular_speed",
        "speed at the case or at the pinion (at); beside one output, the other one; else a check of the "
        "outputs' speeds",
        "speed at the pinion, or at the case",
    ),
    "speed_difference": ChannelKind(
        "angular_speed",
        "left less right, where the outputs' speeds are not logged; for sweeps",
        "left less right",
    ),
    "oil_temperature": ChannelKind(
        "temperature", "oil that the plates run in; wanted always", "oil that the plates run in"
    ),
    "plate_temperature": ChannelKind(
        "temperature",
        "plates, where somebody measures there: then it need not be modelled",
        "plates, where somebody measures there",
    ),
    "arrangement": ChannelKind(
        None,
        "how the unit was held, line by line; without it the rig's own arrangement holds for all hand "
        "readings",
        "how the unit was held, line by line",
        TURNED,
    ),
    "direction": ChannelKind(
        None,
        "which way the output was turned; hand readings with the case held need it",
        "which way it was turned",
        ("forward", "backward"),
    ),
    "reading": ChannelKind(
        None,
        "static (breakaway) or sliding (running) friction; hand readings need it",
        "breakaway or running",
        ("breakaway", "running"),
    ),
}
CHANNEL_NAMES = tuple(CHANNELS)
CHANNEL_DIMENSIONS = {name: kind.dimension for name, kind in CHANNELS.items() if kind.dimension is not None}
"""Dimension of each channel of numbers."""
LABEL_WORDS = {name: kind.words for name, kind in CHANNELS.items() if kind.words}
"""Words that each channel of texts may hold, after the rig's `values` have translated the file's own."""
