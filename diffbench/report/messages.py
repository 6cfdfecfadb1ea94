"""The words of a card in other languages: catalogues of messages (gettext), by the English text."""

from __future__ import annotations

import functools
import gettext
from collections.abc import Callable
from importlib.resources import files

Say = Callable[[str], str]

#: Languages of the card, each by its own name; the tag is that of BCP 47.
LANGUAGES = {
    "en": "English",
    "de": "Deutsch",
    "fr": "Français",
    "it": "Italiano",
    "es": "Español",
    "ja": "日本語",
}


def english(message: str) -> str:
    """The message itself."""
    return message


@functools.cache
def say_in(language: str) -> Say:
    """What turns a message into a language; English where the catalogue lacks it. Raises ``KeyError`` for a
    language that has no catalogue.

    >>> say_in("en")("Worn"), say_in("de")("Worn")
    ('Worn', 'Verschlissen')
    """
    if language == "en":
        return english
    with files("diffbench.report").joinpath("catalogues", f"{language}.mo").open("rb") as file:
        return gettext.GNUTranslations(file).gettext
