"""Numbers with units, as benches and workshops write them, to SI.

The reader is a closed table of spellings, and the caller always says which dimension is wanted: a
spelling that is not in the table of that dimension is refused, never guessed. General unit libraries
are not used here, because they read several everyday spellings of this trade as something else.
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, overload

from diffbench.errors import QuantityError
from diffbench.unit_spellings import NAMED, REFUSED, TABLE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DIMENSIONS: tuple[str, ...] = tuple(TABLE)

_LOOKALIKES = str.maketrans(
    {
        "º": "°",
        "˚": "°",
        "·": ".",
        "⋅": ".",
        "∙": ".",
        "•": ".",
        "*": ".",
        "×": ".",
        "⁄": "/",
        "∕": "/",
        "−": "-",
        "–": "-",
    }
)
ABSOLUTE_ZERO = -273.15
_LARGEST = 1e12  # no quantity of this trade comes near it: a larger one is a slip of the decimal mark
_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.DOTALL)


@dataclass(frozen=True)
class Quantity:
    """A value in SI with its standard uncertainty, where one is stated.

    Parameters
    ----------
    value : float
        In SI; temperatures in degC, angles in rad.
    u : float or None
        Standard uncertainty in the same unit (a temperature's in K); None when not stated.

    Examples
    --------
    >>> Quantity(1850.0, 60.0).u
    60.0
    """

    value: float
    u: float | None = None


@dataclass(frozen=True)
class Conversion:
    """How readings in one unit become SI: ``SI = (reading + shift) * scale``.

    Parameters
    ----------
    unit : str
        The spelling that messages use.
    dimension : str
        One of `DIMENSIONS`.
    scale : float
        SI units in one unit; it alone converts differences and uncertainties.
    shift : float
        Added to a reading first; not zero for temperatures only.

    Examples
    --------
    >>> conversion("°F", "temperature").to_si(212.0)
    100.0
    """

    unit: str
    dimension: str
    scale: float
    shift: float = 0.0

    @overload
    def to_si(self, reading: float) -> float: ...
    @overload
    def to_si(self, reading: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def to_si(self, reading: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
        """Return readings in SI.

        Parameters
        ----------
        reading : float or array of any shape
            In this unit.

        Returns
        -------
        The same shape, in SI; NaN stays NaN.
        """
        return (reading + self.shift) * self.scale

    @overload
    def from_si(self, value: float) -> float: ...
    @overload
    def from_si(self, value: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def from_si(self, value: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
        """Return SI values in this unit: the inverse of `to_si`.

        Parameters
        ----------
        value : float or array of any shape
            In SI.

        Returns
        -------
        The same shape, in this unit.
        """
        return value / self.scale - self.shift


def _normalised(unit_text: str) -> str:
    """Return the text with look-alike characters, exponents and blanks written in one way."""
    text = unit_text.translate(_LOOKALIKES).replace("..", "^")  # '**' has just become '..'
    # NFKC writes m² as m2, min⁻¹ as min−1, ℃ as °C, both micro signs as mu, every blank as a space.
    text = unicodedata.normalize("NFKC", text).translate(_LOOKALIKES)
    text = text.replace("\u2010", "-").replace("μ", "u").replace("^", "")
    text = re.sub(r"\s+", " ", text).strip()
    text = re.sub(r" ?([./()-]) ?", r"\1", text)
    return text.rstrip(".") if len(text) > 1 else text


def _written(spelling: str) -> Iterator[str]:
    """Yield every way to write one spelling of the table."""
    parts = spelling.split(".")
    for joints in itertools.product((".", "-", " ", ""), repeat=len(parts) - 1):
        yield parts[0] + "".join(joint + part for joint, part in zip(joints, parts[1:], strict=True))


@cache
def _index(dimension: str) -> tuple[dict[str, Conversion], dict[str, Conversion]]:
    """Return the exact spellings of a dimension, and those whose case is forgiven, folded."""
    exact: dict[str, Conversion] = {}
    folded: dict[str, Conversion] = {}
    for scale, shift, spellings in TABLE[dimension]:
        words = spellings.split()
        unit = Conversion(words[0].rstrip("!"), dimension, scale, shift)
        for word in words:
            for text in _written(word.rstrip("!")):
                exact[text] = unit
                if not word.endswith("!"):
                    folded[text.casefold()] = unit
    return exact, folded


def _find(text: str, dimension: str) -> Conversion | None:
    exact, folded = _index(dimension)
    return exact.get(text) or folded.get(text.casefold())


def spellings(dimension: str) -> tuple[str, ...]:
    """Return one spelling of each unit that is known for a dimension.

    Parameters
    ----------
    dimension : str
        One of `DIMENSIONS`.

    Returns
    -------
    Spellings, the commonest first.

    Examples
    --------
    >>> spellings("force")
    ('N', 'kN', 'daN', 'lbf', 'kgf')
    """
    return tuple(row[2].split()[0].rstrip("!") for row in TABLE[dimension])


def conversion(unit_text: str, dimension: str) -> Conversion:
    """Return how a unit, as a bench writes it, converts to SI.

    Parameters
    ----------
    unit_text : str
        The spelling, without brackets.
    dimension : str
        One of `DIMENSIONS`: what the caller knows the number to be.

    Returns
    -------
    The conversion.

    Raises
    ------
    QuantityError : for a spelling that is unknown, that means two things, or that belongs to another
        dimension; the mend names the nearest known spellings.

    Notes
    -----
    ``kg.m`` as a torque is the trade's kgf.m, ``1/min`` as an angular speed counts revolutions
    (rotational frequency, ISO 80000-3), ``C`` and ``F`` as temperatures are degrees. Upper and lower case
    are forgiven where no other unit is meant by it.

    Examples
    --------
    >>> conversion("lb-ft", "torque").unit, conversion("kN·m", "torque").to_si(1.5)
    ('lbf.ft', 1500.0)
    >>> conversion("J", "torque")
    Traceback (most recent call last):
    diffbench.errors.QuantityError: 'J' is an energy, a torque is wanted. Mend: write 'N.m'.
    """
    text = _normalised(unit_text)
    if not text:
        raise QuantityError.single(
            "the unit is empty", mend=f"write one, for example '{spellings(dimension)[0]}'"
        )
    reason = REFUSED.get(dimension, {}).get(text.casefold())
    if reason is not None:
        raise QuantityError.single(f"'{unit_text}' {reason[0]}", mend=reason[1])
    found = _find(text, dimension)
    if found is not None:
        return found
    for other in TABLE:
        if _find(text, other) is not None:
            raise QuantityError.single(
                f"'{unit_text}' is {NAMED[other]}, {NAMED[dimension]} is wanted",
                mend=_offer(spellings(dimension)),
            )
    exact, folded = _index(dimension)
    twins = {unit.unit for word, unit in exact.items() if word.casefold() == text.casefold()}
    if twins:
        raise QuantityError.single(
            f"'{unit_text}' is no known unit of {NAMED[dimension]}: upper and lower case matter in it",
            mend=_offer(sorted(twins)),
        )
    near = [exact[word].unit for word in difflib.get_close_matches(text, exact)]
    near += [folded[word].unit for word in difflib.get_close_matches(text.casefold(), folded)]
    raise QuantityError.single(
        f"'{unit_text}' is no known unit of {NAMED[dimension]}", mend=_offer([*near, *spellings(dimension)])
    )


def knows(unit_text: str, dimension: str) -> bool:
    """Tell whether a text is a unit of a dimension, without working out what else could be meant.

    Parameters
    ----------
    unit_text : str
        The spelling, without brackets.
    dimension : str
        One of `DIMENSIONS`.

    Returns
    -------
    True where `conversion` gives a conversion.

    Examples
    --------
    >>> knows("lb-ft", "torque"), knows("J", "torque"), knows("1/s", "angular_speed")
    (True, False, False)
    """
    text = _normalised(unit_text)
    refused = text.casefold() in REFUSED.get(dimension, {})
    return bool(text) and not refused and _find(text, dimension) is not None


def _offer(units: Iterable[str]) -> str:
    return "write " + " or ".join(f"'{unit}'" for unit in list(dict.fromkeys(units))[:4])


def _example(bare_unit: str) -> str:
    return "write for example 0.5" if bare_unit == "1" else f"write for example '12 {bare_unit}'"


def _checked(value: float, written: object, dimension: str) -> float:
    """Return the value if a quantity of the trade can have it."""
    if not math.isfinite(value) or abs(value) > _LARGEST:
        raise QuantityError.single(
            f"'{written}' is no usable number", mend="write a finite number, below 1e12 in SI"
        )
    if dimension == "temperature" and value < ABSOLUTE_ZERO:
        raise QuantityError.single(f"'{written}' is below absolute zero", mend="check the unit and the sign")
    return value


def parse_quantity(text_or_number: str | float, dimension: str, bare_unit: str) -> float:
    """Return a number with a unit in SI.

    Parameters
    ----------
    text_or_number : str or float
        ``"12 lbf.ft"``, or a bare number in `bare_unit`.
    dimension : str
        One of `DIMENSIONS`.
    bare_unit : str
        The unit that a bare number has.

    Returns
    -------
    The value in SI (degC for a temperature).

    Raises
    ------
    QuantityError : for a text without number or unit, a decimal comma, a thousands mark, an unknown unit, a
        number that is not finite or beyond 1e12, or a temperature below absolute zero.

    Examples
    --------
    >>> parse_quantity("110 mm", "length", "mm")
    0.11
    >>> parse_quantity(212, "temperature", "degF")
    100.0
    """
    if isinstance(text_or_number, bool):
        raise QuantityError.single("true and false are no numbers", mend=_example(bare_unit))
    if not isinstance(text_or_number, str):
        try:
            number = float(text_or_number)
        except OverflowError:  # TOML has whole numbers of any length
            number = math.inf
        return _checked(conversion(bare_unit, dimension).to_si(number), number, dimension)
    match = _NUMBER.fullmatch(text_or_number.replace("−", "-"))
    if match is None:
        raise QuantityError.single(
            f"'{text_or_number}' does not begin with a number", mend=_example(bare_unit)
        )
    digits, unit_text = match.groups()
    if re.match(r"[,'_’]\s?\d", unit_text):
        raise QuantityError.single(
            f"'{text_or_number}' has a decimal comma or a thousands mark",
            mend="write a decimal point and no thousands marks",
        )
    if re.match(r"(±|\+/?-|\+-)", unit_text):
        raise QuantityError.single(
            f"'{text_or_number}' has its uncertainty in the text",
            mend='write { value = "1850 N", u = "60 N" }, u being the standard uncertainty',
        )
    if not unit_text:
        if dimension != "dimensionless":
            raise QuantityError.single(
                f"'{text_or_number}' has no unit", mend=f"write '{digits} {bare_unit}'"
            )
        unit_text = "1"
    return _checked(conversion(unit_text, dimension).to_si(float(digits)), text_or_number, dimension)
