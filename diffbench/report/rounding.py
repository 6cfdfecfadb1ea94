"""Numbers as people read them: rounded by their uncertainty.

The rule is that of the Guide to the expression of uncertainty in measurement (JCGM 100:2008, 7.2.6): the
uncertainty with at most two significant digits, the value to the same decimal place. A number without
uncertainty shows four significant digits, and never loses a digit before the decimal point. Only characters
of every common encoding are used, so that a result can be piped anywhere.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Decimal

#: The rule by name, for the foot of a page.
RULE = "GUM (JCGM 100:2008) 7.2.6: uncertainty to two significant digits, value to the same place"

#: What stands where there is no number.
NOT_DETERMINED = "not determined"

_MINUS = re.compile(r"(?<![\w.,\])])-(?=[\d∞])")
DIGITS = 2
PLAIN_DIGITS = 4
# A double carries hardly more; an uncertainty below that says nothing about the digits shown.
MOST_DIGITS = 12
# Beyond these a number is written with a power of ten: more zeros than that nobody counts.
LARGEST_EXPONENT = 6
SMALLEST_EXPONENT = -5


def place_of(u: float | None) -> int | None:
    """Decimal place of the last digit that an uncertainty leaves (JCGM 100:2008, 7.2.6): -1 for tenths, 0 for
    units, 1 for tens; None where there is none to round by (None, zero, negative or not finite).

    >>> place_of(1.3), place_of(0.0354), place_of(60.0), place_of(0.0996), place_of(0.0)
    (-1, -3, 0, -2, None)
    """
    if u is None or not math.isfinite(u) or u <= 0.0:
        return None
    exact = Decimal(repr(float(u)))
    place = exact.adjusted() - DIGITS + 1
    # 0.0996 rounds to 0.100: three digits, so one place further up
    return _quantized(exact, place).adjusted() - DIGITS + 1


def number_text(value: float | None, u: float | None = None) -> str:
    """A value alone, rounded to the place that its uncertainty leaves.

    Parameters
    ----------
    value : float or None
        The value; None stands for one that is not determined.
    u : float or None
        Its standard uncertainty; without one, four significant digits.

    Examples
    --------
    >>> number_text(83.214, 1.3), number_text(0.51825, 0.0054), number_text(1950.0), number_text(None)
    ('83.2', '0.5182', '1950', 'not determined')
    >>> number_text(1234567.8), number_text(0.0000012345), number_text(12345.6, 1234.0)
    ('1.235e6', '1.234e-6', '12300')

    References
    ----------
    JCGM 100:2008, 7.2.6; ties to even as in ISO 80000-1:2009, annex B, rule A.
    """
    special = _special(value)
    if special is not None or value is None:
        return special or NOT_DETERMINED
    exact = Decimal(repr(float(value)))
    place = place_of(u)
    place = _plain_place(exact) if place is None else max(place, _finest(exact))
    power = _power(exact, place)
    if power == 0:
        return _written(exact, place, 0)
    return f"{_written(exact, place, power)}e{power}" if _quantized(exact, place) else "0"


def with_uncertainty(value: float | None, u: float | None, unit: str = "") -> str:
    """A value with its standard uncertainty and unit.

    Parameters
    ----------
    value, u : float or None
        Value and standard uncertainty, in ``unit``.
    unit : str
        Unit as printed; "1" and "" print none.

    Returns
    -------
    The text; without an uncertainty the value alone.

    Examples
    --------
    >>> with_uncertainty(83.214, 1.3, "N·m"), with_uncertainty(0.51825, 0.0054, "1")
    ('83.2 ± 1.3 N·m', '0.5182 ± 0.0054')
    >>> with_uncertainty(10.05762, 0.027, "Ω"), with_uncertainty(2.5e-7, 1.2e-8, "m")
    ('10.058 ± 0.027 Ω', '(2.50 ± 0.12)e-7 m')
    >>> with_uncertainty(1950.0, None, "N"), with_uncertainty(None, None, "N")
    ('1950 N', 'not determined')

    References
    ----------
    JCGM 100:2008, 7.2.2 and 7.2.6 (10.057 62 Ω with 27 mΩ is its own example).
    """
    special = _special(value)
    if special is not None or value is None:
        return special or NOT_DETERMINED
    place = place_of(u)
    if place is None or u is None:
        return with_unit(number_text(value), unit)
    exact, doubt = Decimal(repr(float(value))), Decimal(repr(float(u)))
    if place < _finest(exact):
        return with_unit(f"{number_text(value)} ± {number_text(u, u)}", unit)
    power = _power(max(abs(exact), doubt), place)
    both = f"{_written(exact, place, power)} ± {_written(doubt, place, power)}"
    return with_unit(both if power == 0 else f"({both})e{power}", unit)


def interval_text(low: float | None, high: float | None, u: float | None = None) -> str:
    """An interval, both ends rounded to the place that the uncertainty of the value leaves; empty where an
    end is missing.

    >>> interval_text(79.2554, 84.0871, 1.2326), interval_text(70.0, 90.0), interval_text(None, 1.0)
    ('79.3 to 84.1', '70 to 90', '')
    """
    if low is None or high is None or math.isnan(low) or math.isnan(high):
        return ""
    return f"{number_text(low, u)} to {number_text(high, u)}"


def chance_text(chance: float) -> str:
    """A chance in per cent, without pretence at the ends.

    >>> chance_text(0.846), chance_text(0.9999), chance_text(0.0)
    ('85 %', 'over 99 %', 'below 1 %')
    """
    if chance > 0.995:
        return "over 99 %"
    return "below 1 %" if chance < 0.01 else f"{100.0 * chance:.0f} %"


def with_unit(text: str, unit: str) -> str:
    """Text of a number with its unit; the unit one prints nothing.

    >>> with_unit("83.2", "N·m"), with_unit("0.52", "1"), with_unit("58.7", "%")
    ('83.2 N·m', '0.52', '58.7 %')
    """
    return text if unit in {"", "1"} else f"{text} {unit}"


def typeset(text: str) -> str:
    """A number as it is printed: with a minus sign in place of a hyphen.

    >>> typeset("-301 to 704"), typeset("1.2e-7"), typeset("Q17-2026")
    ('\u2212301 to 704', '1.2e-7', 'Q17-2026')
    """
    return _MINUS.sub("\u2212", text)


def _special(value: float | None) -> str | None:
    """Text of what is no finite number."""
    if value is None or math.isnan(value):
        return NOT_DETERMINED
    if math.isinf(value):
        return "infinite" if value > 0 else "-infinite"
    return None


def _plain_place(exact: Decimal) -> int:
    """Last place of a number without uncertainty: four significant digits, trailing zeros dropped."""
    if exact == 0:
        return 0
    place = exact.adjusted() - PLAIN_DIGITS + 1
    if exact.adjusted() < LARGEST_EXPONENT:
        place = min(place, 0)
    digits = _quantized(exact, place).normalize().as_tuple().exponent
    assert isinstance(digits, int)
    large = exact.adjusted() >= LARGEST_EXPONENT
    return digits if large else min(digits, 0)


def _finest(exact: Decimal) -> int:
    """The finest place that is shown of a number."""
    return exact.adjusted() - MOST_DIGITS + 1 if exact else -(10**6)


def _power(exact: Decimal, place: int) -> int:
    """Power of ten to write a number with, 0 for none."""
    if exact == 0:
        leading = place
    else:
        rounded = _quantized(exact, place)
        leading = rounded.adjusted() if rounded else place
    return leading if leading >= LARGEST_EXPONENT or leading < SMALLEST_EXPONENT + 1 else 0


def _written(exact: Decimal, place: int, power: int) -> str:
    """Digits of a number down to a place, over a power of ten."""
    shifted = _quantized(exact, place).scaleb(-power)
    text = f"{_quantized(shifted, min(place - power, 0)):f}"
    # no minus before a zero
    return text.lstrip("-") if not shifted else text


def _quantized(exact: Decimal, place: int) -> Decimal:
    if place > exact.adjusted() + 1:
        # even the first digit lies below that place: nothing is left of it
        return Decimal(0).scaleb(place)
    return exact.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
