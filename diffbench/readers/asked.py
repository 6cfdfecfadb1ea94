"""Which columns of a file of thousands are read: those that a rig names, and what may be a clock.

A logger that writes everything has thousands of channels, of which a rig asks for ten; to read the others
takes minutes and the memory of a machine, and gives nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from diffbench.errors import QuantityError
from diffbench.quantities import conversion
from diffbench.readers.clock import CLOCK_WORDS
from diffbench.readers.columns import bare_names, folded, split_joined_unit, split_unit

if TYPE_CHECKING:
    from diffbench.documents import LogSheet, Rig

__all__ = ["WIDE", "Asked", "Chosen"]

WIDE = 64  # columns, from which on it pays to leave some out


@dataclass(frozen=True)
class Asked:
    """Whether a column may be one of those that are wanted, in any of the ways of `find_column`.

    Parameters
    ----------
    wanted : names as a rig has them, folded, with unit and without.
    dimensions : of the channels, for units that stand in a name without brackets.
    """

    wanted: frozenset[str]
    dimensions: tuple[str | None, ...]

    @classmethod
    def by(cls, rig: Rig | LogSheet) -> Asked:
        """What a rig names."""
        return cls.of(
            (column, channel.logged) for channel in rig.channel.values() for column in channel.columns
        )

    @classmethod
    def of(cls, columns: Iterable[tuple[str, str | None]]) -> Asked:
        """What is asked for by names and the dimensions of their channels."""
        wanted: set[str] = set()
        dimensions: dict[str | None, None] = {}
        for name, dimension in columns:
            dimensions[dimension] = None
            wanted |= {folded(name), *bare_names(name, dimension)}
        return cls(frozenset(wanted), tuple(dimensions))

    def __call__(self, name: str) -> bool:
        """Whether a column of this name is asked for."""
        return any(
            ({folded(name)} | bare_names(name, dimension)) & self.wanted for dimension in self.dimensions
        )

    def content(self) -> dict[str, Any]:
        """As plain values, for a process apart."""
        return {"wanted": sorted(self.wanted), "dimensions": list(self.dimensions)}

    @classmethod
    def from_content(cls, said: Mapping[str, Any]) -> Asked:
        """From what `content` gives."""
        return cls(frozenset(said["wanted"]), tuple(said["dimensions"]))


@dataclass
class Chosen:
    """The columns of one file that are read: all of a few, of very many those asked for, under their own name
    or that of their group, and what may be a clock. The names of all others are kept in ``left_out``."""

    asked: Asked | None = None
    left_out: list[str] = field(default_factory=list)

    def takes(self, name: str, *, of: int, unit: object = None) -> bool:
        """Whether a column is read, one ``of`` so many in the file.

        >>> chosen = Chosen(Asked.of([("Fast/Torque LH [Nm]", "torque")]))
        >>> [chosen.takes(name, of=5000) for name in ("Torque LH", "time", "CAN.signal 7")]
        [True, True, False]
        >>> chosen.left_out, chosen.takes("CAN.signal 7", of=12)
        (['CAN.signal 7'], True)
        """
        if self.asked is None or of < WIDE or self.asked(name) or _may_be_clock(name, unit):
            return True
        if _tails(self.asked.wanted) & {folded(name), folded(split_unit(name)[0])}:
            return True
        self.left_out.append(name)
        return False


def _tails(names: Collection[str]) -> set[str]:
    """Names without their group: which one is meant is told apart once all are there."""
    return {name.rpartition("/")[2].strip() for name in names if "/" in name}


def _may_be_clock(name: str, unit: object) -> bool:
    """As `diffbench.readers.clock.clock_among` knows one, by name and unit alone."""
    said = unit if isinstance(unit, str) else split_unit(name)[1] or split_joined_unit(name, "time")[1]
    if said is None or said == "":
        return folded(split_unit(name)[0]) in CLOCK_WORDS
    try:
        conversion(said, "time")
    except QuantityError:
        return False
    return True
