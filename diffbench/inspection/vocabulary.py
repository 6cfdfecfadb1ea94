"""Words of column names in English, German, French, Italian and Spanish, in whatever spelling loggers have.

A logger may write Öl, Oel or OL, entrée or ENTREE, and German joins its words: Bremsmoment, Öltemperatur.
So words are compared without accents, umlauts in both spellings, and joined words are parted at what is
measured.
"""

from __future__ import annotations

import itertools
import re
import unicodedata

_UMLAUTS = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"}


def bare(word: str) -> str:
    """A word in small letters without accents.

    >>> bare("Vélocité"), bare("ÖL")
    ('velocite', 'ol')
    """
    parted = unicodedata.normalize("NFKD", word.casefold().replace("ß", "ss"))
    return "".join(letter for letter in parted if not unicodedata.combining(letter))


def spelled(text: str) -> frozenset[str]:
    """The words of a text in every spelling: without accents, and umlauts as two letters.

    >>> sorted(spelled("öl sump"))
    ['oel', 'ol', 'sump']
    """
    found: set[str] = set()
    for word in text.split():
        found |= {bare(word), bare("".join(_UMLAUTS.get(letter, letter) for letter in word))}
    return frozenset(found)


DIMENSIONS = {
    "torque": spelled(
        "torque torques trq tq moment drehmoment momente couple couples coppia coppie momento par pares md "
        "mom wrench torsion torsione nm"
    ),
    "angular_speed": spelled(
        "speed speeds spd rpm drehzahl drehzahlen geschwindigkeit winkelgeschwindigkeit omega vitesse "
        "vitesses revs rev rotation velocity velocita velocidad regime regimen giri tours tr upm umdrehungen "
        "revoluciones vueltas rotazione"
    ),
    "temperature": spelled(
        "temp temperature temperatur temperaturen temperatura température sump oil öl huile olio aceite "
        "theta sumpf"
    ),
    "time": spelled(
        "time zeit uhrzeit zeitstempel temps horodatage heure tiempo hora tempo ora clock timestamp elapsed "
        "instant"
    ),
}
LEFT = spelled(
    "left lh l lhs links li linke linker linkes gauche gche sinistra sinistro sinistri sx sin izquierda "
    "izquierdo izq izda"
)
RIGHT = spelled(
    "right rh r rhs rechts re rechte rechter rechtes droite droit dte destra destro dx derecha derecho der "
    "dcha"
)
PINION = spelled(
    "pinion prop propshaft ritzel pignon cardan kardan kardanwelle pignone piñón cardano gelenkwelle"
)
INPUT = PINION | spelled(
    "input motor moteur motore chain sprocket "
    "case cage carrier in ein eingang korb differentialkorb tellerrad crown drive antrieb entrée "
    "boîtier couronne entraînement ingresso scatola cassa corona entrada caja carcasa sum summe total gesamt"
)
DIFFERENCE = spelled(
    "difference diff delta slip schlupf differenz différence glissement differenza slittamento diferencia "
    "deslizamiento dn"
)
WRENCH = spelled(
    "wrench turning breakaway schlüssel drehmomentschlüssel clé chiave llave losbrech losbrechen"
)
CELL = spelled(
    "load cell loadcell force weight scale balance kraft kraftmessdose wägezelle waage peson balance cella "
    "carico celda balanza arm"
)
PLATE = spelled(
    "plate plates disc discs clutch lamelle lamellen pack friction disque disques embrayage lamelles dischi "
    "disco discos frizione embrague"
)
OIL = spelled("oil sump öl sumpf ölsumpf huile olio coppa aceite bain bagno baño")

# What German joins to another word, the longest first.
_TAILS = (
    *("winkelgeschwindigkeit", "drehmoment", "temperatur", "drehzahl", "differenz", "moment", "zeit", "temp"),
)
_JOINTS = ("s", "n", "en")


def parted(word: str) -> tuple[str, ...]:
    """A joined German word as its parts; any other word alone.

    >>> parted("oeltemperatur"), parted("eingangsmoment"), parted("moment")
    (('oel', 'temperatur'), ('eingang', 'moment'), ('moment',))
    """
    for tail in _TAILS:
        head = word.removesuffix(tail)
        if head != word and head:
            shorter = (head.removesuffix(joint) for joint in _JOINTS)
            known = LEFT | RIGHT | INPUT | PLATE | OIL | DIFFERENCE
            return next((part for part in (head, *shorter) if part in known), head), tail
    return (word,)


# What the words in the lines of hand readings mean.
DIRECTIONS = {
    "forward": spelled("forward forwards fwd vorwärts vor avant avanti adelante"),
    "backward": spelled("backward backwards reverse rev rückwärts zurück arrière indietro atrás"),
}
READINGS = {
    "breakaway": spelled("breakaway static losbrechen losbrech haft décollement distacco arranque estático"),
    "running": spelled("running sliding kinetic laufend gleitend glissant rotation scorrevole deslizante"),
}
_CASE = spelled("case carrier cage korb gehäuse boîtier cassa scatola caja carcasa")
_HELD = spelled(
    "held fixed clamped fest gehalten bloqué fixe bloccato bloccata ferma sujeto sujeta bloqueada"
)
_FREE = spelled("free loose frei lose libre libero libera suelta")
HOLDING = _HELD | _FREE | spelled("vice schraubstock étau morsa")


def meaning(text: str, words: dict[str, frozenset[str]]) -> str:
    """Which of the words a text says; empty for none, or for two.

    >>> meaning("rückwärts", DIRECTIONS), meaning("Arriere", DIRECTIONS), meaning("seitwärts", DIRECTIONS)
    ('backward', 'backward', '')
    """
    said = {bare(part) for part in text.replace("-", " ").replace("_", " ").split()}
    found = [word for word, spellings in words.items() if said & spellings]
    return found[0] if len(found) == 1 else ""


def case_is(text: str) -> str:
    """``"held"`` or ``"free"`` where a text says it of the case; empty where it does not.

    >>> case_is("case held, other output free"), case_is("Korb frei"), case_is("vice")
    ('held', 'free', '')
    """
    words = [bare(word) for word in re.findall(r"[^\W\d_]+", text)]
    said = {
        "held" if word in _HELD else "free"
        for before, word in itertools.pairwise(words)
        if before in _CASE and word in _HELD | _FREE
    }
    return said.pop() if len(said) == 1 else ""


def all_of(words: dict[str, frozenset[str]]) -> frozenset[str]:
    """All spellings of some words."""
    return frozenset().union(*words.values())
