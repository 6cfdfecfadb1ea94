"""The words of a card in other languages: catalogues of messages (gettext), by the English text."""

from __future__ import annotations

import functools
import gettext
import re
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files

#: Languages of the card, each by its own name; the tag is that of BCP 47.
LANGUAGES = {
    "en": "English",
    "de": "Deutsch",
    "fr": "Français",
    "it": "Italiano",
    "es": "Español",
    "ja": "日本語",
}
#: Those that write a decimal point; all others write a comma.
POINT = ("en", "ja")


_POINT = re.compile(r"(?<=\d)\.(?=\d)")


@dataclass(frozen=True)
class Say:
    """What turns messages into a language: called with an English text it gives that of the catalogue, and
    ``number`` the decimal sign that goes with it."""

    translate: Callable[[str], str]
    comma: bool = False

    def __call__(self, message: str) -> str:
        return self.translate(message)

    def number(self, text: str) -> str:
        """A number, or several with their unit, with the decimal sign of the language.

        >>> say_in("de").number("81.7 N·m"), say_in("ja").number("81.7 N·m")
        ('81,7 N·m', '81.7 N·m')
        """
        return _POINT.sub(",", text) if self.comma else text


#: The messages themselves.
english = Say(lambda message: message)


@functools.cache
def say_in(language: str) -> Say:
    """What turns a message into a language; English where the catalogue lacks it. Raises ``KeyError`` for a
    language that has no catalogue.

    >>> say_in("en")("Worn"), say_in("de")("Worn")
    ('Worn', 'Verschlissen')

    References
    ----------
    The decimal sign is a comma or a point on the line (ISO 80000-1:2009, 7.3.2); which of them, common
    practice of each language.
    """
    if language == "en":
        return english
    with files("diffbench.report").joinpath("catalogues", f"{language}.mo").open("rb") as file:
        return Say(gettext.GNUTranslations(file).gettext, comma=language not in POINT)
